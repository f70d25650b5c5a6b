"""The published estimators of the benchmark: right where their assumptions hold, so that the table is fair."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from audit.measures.offsets import twist_offset
from tests.benchmarks.estimators.methods import METHODS
from tests.benchmarks.estimators.synthetic import Case, make_rig
from tests.benchmarks.estimators.trial import off_by, scores

EXACT = Case("", shots=2, range_deg=(50.0, 60.0), noise_deg=(0.0, 0.0, 0.0), rest_off_deg=0.0)


@pytest.mark.parametrize("name", METHODS)
def test_every_method_finds_a_hinge_without_noise(name: str) -> None:
    """With the rest pose on the path, which those that work with joint angles ask for."""
    # The three angles of an oblique axis lie on a line for small bends from rest only.
    angles = "joint angles" in name
    case = replace(EXACT, range_deg=(4.0, 5.0), start_deg=2.0) if angles else EXACT
    rig = make_rig(case, 12, 5)
    axis = METHODS[name](rig.rotations, rig.parents)
    error = off_by(np.rad2deg(twist_offset(axis, rig.limb).offset), rig.truth_deg)
    assert np.max(np.abs(error)) < 0.5


@pytest.mark.parametrize("name", [name for name in METHODS if "joint angles" not in name])
def test_more_noise_makes_more_error(name: str) -> None:
    errors = []
    for noise in (0.2, 0.8):
        rig = make_rig(Case("", noise_deg=(noise, noise, noise), rest_off_deg=0.0), 60, 6)
        axis = METHODS[name](rig.rotations, rig.parents)
        error = off_by(np.rad2deg(twist_offset(axis, rig.limb).offset), rig.truth_deg)
        errors.append(float(np.sqrt(np.mean(error**2))))
    assert errors[1] / errors[0] > 1.5


def test_scores_are_the_same_every_time() -> None:
    rig = make_rig(Case("", shots=2), 4, 7)
    name = "mean helical axis (2m)"
    one, other = (scores(rig, {name: METHODS[name]}) for _ in range(2))
    assert one == other
