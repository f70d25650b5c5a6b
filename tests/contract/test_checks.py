"""What every check of a shot keeps to beyond what every check does."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.checks import checks
from audit.model import Shot
from audit.plugins import Check
from audit.settings import Settings
from tests.contract.looking import assert_well_made, findings, on_shot
from tests.strategies import shots

ALL = list(checks().values())
every_check = pytest.mark.parametrize("check", ALL, ids=[check.name for check in ALL])


def shot_arrays(shot: Shot) -> Sequence[np.ndarray]:
    """Return copies of the arrays of a shot."""
    held = [shot.times_s, shot.rotations_xyzw, shot.skeleton.offsets, shot.skeleton.rest_xyzw]
    if shot.channels is not None:
        held.append(shot.channels.values)
    return [array.copy() for array in held]


def test_the_known_checks_are_found() -> None:
    known = {"aim", "back-bend", "clutter", "gimbal", "not-a-hinge", "order", "overkeyed"}
    assert known | {"spread", "twist", "wrap"} <= set(checks())


@every_check
def test_the_examples_are_the_same_each_time(check: Check) -> None:
    for first, second in zip(check.examples(), check.examples(), strict=True):
        assert first.skeleton.names == second.skeleton.names
        for left, right in zip(shot_arrays(first), shot_arrays(second), strict=True):
            np.testing.assert_array_equal(left, right)


@every_check
def test_what_follows_from_the_shot_is_not_changed(check: Check) -> None:
    for shot in check.examples():
        before = shot_arrays(shot)
        findings(check, on_shot(shot))
        for left, right in zip(before, shot_arrays(shot), strict=True):
            np.testing.assert_array_equal(left, right)


@every_check
def test_findings_are_well_made(check: Check) -> None:
    settings = st.builds(Settings, reference=st.sampled_from(["rest", "parent"]))

    @given(shots(), settings)
    def run(shot: Shot, chosen: Settings) -> None:
        for finding in findings(check, on_shot(shot, chosen)):
            assert_well_made(finding, check, shot.skeleton)

    run()


@every_check
def test_a_joint_is_found_once_by_each_check(check: Check) -> None:
    @given(shots())
    def run(shot: Shot) -> None:
        joints = [finding.joint for finding in findings(check, on_shot(shot))]
        assert len(joints) == len(set(joints))

    run()
