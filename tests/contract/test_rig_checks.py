"""What every check of a rig keeps to beyond what every check does."""

from __future__ import annotations

import pytest

from audit.plugins import RigCheck
from audit.rig_checks import rig_checks
from tests.contract.looking import findings, on_rig

ALL = list(rig_checks().values())
every_check = pytest.mark.parametrize("check", ALL, ids=[check.name for check in ALL])


def test_the_known_checks_are_found() -> None:
    assert {"rig-drift", "odd-shot", "mirror", "chain-twist"} <= set(rig_checks())


@every_check
def test_its_findings_name_a_joint_and_a_figure_beyond_the_limit(check: RigCheck) -> None:
    _, firing = check.examples()
    for finding in findings(check, on_rig(firing)):
        assert finding.joint is not None
        if finding.value is not None:
            assert finding.limit in check.limits.values()
            assert abs(finding.value) > finding.limit
