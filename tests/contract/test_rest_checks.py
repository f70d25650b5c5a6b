"""What every check of a rest pose keeps to beyond what every check does."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given

from audit.model import Skeleton
from audit.plugins import RestCheck
from audit.rest import RestMeasures, axis_corrections, measure_rest
from audit.rest_checks import rest_checks
from tests.contract.looking import arrays_of, assert_well_made, findings, on_rest
from tests.strategies import skeletons

ALL = list(rest_checks().values())
NAMES = [check.name for check in ALL]
every_check = pytest.mark.parametrize("check", ALL, ids=NAMES)


def test_the_known_checks_are_found() -> None:
    known = {"ground", "facing", "height", "scale", "midline", "midline-twist", "mirror"}
    known |= {"pre-bend", "bend-plane", "aim", "order", "names", "centred"}
    assert {f"rest-{name}" for name in known} <= set(NAMES)


def test_their_names_say_what_they_look_at() -> None:
    assert all(name.startswith("rest-") for name in NAMES)


@every_check
def test_no_check_has_a_word_on_the_clean_one_of_another(check: RestCheck) -> None:
    clean, _ = check.examples()
    for other in ALL:
        assert findings(other, on_rest(clean)) == []


@every_check
def test_its_measures_cannot_be_written_to(check: RestCheck) -> None:
    for resting in check.examples():
        held = arrays_of(measure_rest(resting.skeleton, resting.skins))
        assert held
        assert not any(array.flags.writeable for array in held)


def assert_all_well_made(skeleton: Skeleton, rest: RestMeasures) -> None:
    """Assert that the findings of all checks are well made."""
    for check in ALL:
        for finding in findings(check, (skeleton, rest)):
            assert_well_made(finding, check, skeleton)


@given(skeletons())
def test_findings_on_any_skeleton_are_well_made(skeleton: Skeleton) -> None:
    rest = measure_rest(skeleton)
    assert_all_well_made(skeleton, rest)
    axes, reasons = axis_corrections(skeleton, rest)
    assert np.allclose(np.linalg.norm(axes, axis=1), 1.0)
    assert len(reasons) == len(skeleton)


@every_check
def test_findings_on_the_examples_are_well_made(check: RestCheck) -> None:
    for resting in check.examples():
        assert_all_well_made(resting.skeleton, measure_rest(resting.skeleton, resting.skins))


@every_check
def test_a_joint_has_one_finding_of_a_kind(check: RestCheck) -> None:
    for resting in check.examples():
        found = [(each.joint, each.message) for each in findings(check, on_rest(resting))]
        assert len(found) == len(set(found))
