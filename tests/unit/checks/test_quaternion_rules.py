"""When the checks of stored quaternions fire, how severely, and what they say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from audit.checks import checks
from audit.errors import ShapeError
from audit.measures import measure_shot
from audit.model import Shot, Track, Tracks
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.model.track import Interpolation
from audit.plugins import Finding
from tests.strategies import Array

LIMB = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend()))
KNEE: Array = LIMB.rotations_xyzw[:, 1]
NONE = (None, None, None)


def keyed(
    values: Array, errors: tuple[float, ...] | None = None, interpolation: Interpolation = "linear"
) -> Shot:
    tangents = (0.0 * values, 0.0 * values) if interpolation == "cubic" else (None, None)
    track = Track(LIMB.times_s, values, interpolation, *tangents)
    return replace(LIMB, channels=None, tracks=Tracks((None, track, None), NONE, NONE, errors))


def found(name: str, shot: Shot) -> list[Finding]:
    check = checks()[name]
    return list(check.run(shot, measure_shot(shot), check.limits))


class TestNotUnit:
    @pytest.mark.parametrize(("error", "fires"), [(0.9e-3, False), (1.1e-3, True), (0.4, True)])
    def test_its_limit(self, error: float, fires: bool) -> None:
        assert bool(found("not-unit", keyed(KNEE, (0.0, error, 0.0)))) == fires

    def test_what_it_says(self) -> None:
        (finding,) = found("not-unit", keyed(KNEE, (0.0, 0.4166, 0.0)))
        assert (finding.severity, finding.joint) == ("look", 1)
        assert (finding.value, finding.limit) == (0.4166, 1e-3)
        assert "L_Knee" in finding.message
        assert "0.4166" in finding.message

    def test_it_is_silent_where_nobody_looked(self) -> None:
        assert found("not-unit", keyed(KNEE)) == []
        assert found("not-unit", LIMB) == []

    @pytest.mark.parametrize("errors", [(0.0,), (0.0, float("nan"), 0.0), (0.0,) * 4])
    def test_errors_are_one_finite_number_a_joint(self, errors: tuple[float, ...]) -> None:
        with pytest.raises(ShapeError, match="length_errors"):
            keyed(KNEE, errors)


class TestSignFlip:
    SIGNS = np.where((np.arange(len(KNEE)) // 30) % 2, -1.0, 1.0)[:, None]

    def test_each_change_is_counted(self) -> None:
        (finding,) = found("sign-flip", keyed(self.SIGNS * KNEE))
        assert (finding.severity, finding.joint, finding.value) == ("note", 1, 3.0)
        assert "3 keys" in finding.message
        assert "short way" in finding.message

    def test_all_negative_is_none(self) -> None:
        assert found("sign-flip", keyed(-KNEE)) == []

    def test_in_a_cubic_curve_it_asks_for_a_look(self) -> None:
        (finding,) = found("sign-flip", keyed(self.SIGNS * KNEE, interpolation="cubic"))
        assert finding.severity == "look"
        assert "bends the cubic curve" in finding.message

    def test_frames_are_looked_at_too_and_angles_are_not(self) -> None:
        rotations = LIMB.rotations_xyzw.copy()
        rotations[10:, 1] *= -1.0
        frames = replace(LIMB, channels=None, rotations=rotations)
        (finding,) = found("sign-flip", frames)
        assert finding.value == 1.0
        assert found("sign-flip", LIMB) == []
