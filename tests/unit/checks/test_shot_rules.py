"""What the checks say of a shot as a whole, and that nothing is asked of one that is clean."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.measures import measure_shot
from audit.model import Channels, Shot, Skeleton, Source, Track, Tracks
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.pipeline import examine
from audit.rotations import rotate
from tests.strategies import Array, shots
from tests.unit.checks.asking import CLEAN, DOWN, LIMB, found, one, with_limb
from tests.unit.measures.making import IDENTITY, KNEE, turn


class TestKeysOfTheShot:
    """Clutter and overkeyed, which look at the shot as a whole."""

    def test_channels_that_do_not_move(self) -> None:
        finding = one("clutter", CLEAN)
        assert (finding.severity, finding.joint) == ("note", None)
        assert finding.value == 8.0
        assert finding.message == "8 of 9 rotation channels do not move, but carry 776 keys"

    def test_channels_that_the_file_has_not_are_not_counted(self) -> None:
        assert CLEAN.channels is not None
        columns = np.full((3, 3), -1)
        columns[KNEE] = [0, 1, 2]
        values = CLEAN.channels.values[:, 3:6]
        shot = replace(CLEAN, channels=Channels(values, columns, np.full((3, 3), -1)))
        assert one("clutter", shot).value == 2.0
        finding = one("overkeyed", shot)
        assert finding.message.startswith("291 rotation keys are stored where ")

    def test_one_frame_is_no_clutter(self) -> None:
        assert found("clutter", limb_shot(np.zeros((1, 3)))) == []
        assert found("overkeyed", limb_shot(np.zeros((1, 3)))) == []

    def test_more_keys_than_needed(self) -> None:
        finding = one("overkeyed", CLEAN)
        needed = int(measure_shot(CLEAN).now.keys.sum())
        assert (finding.severity, finding.joint) == ("note", None)
        assert finding.value == pytest.approx(9 * 97 / needed)
        assert f"873 rotation keys are stored where {needed} straight-line keys" in finding.message
        assert "within 0.25°" in finding.message

    @pytest.mark.parametrize("size", [1, 2])
    def test_as_many_as_needed_are_not_too_many(self, size: int) -> None:
        assert found("overkeyed", limb_shot(hinge_channels((1, 0, 0), [0.0, 60.0][:size]))) == []

    def test_joints_with_their_own_keys_count_their_own(self) -> None:
        # The knee has 97 keys, the end two, the thigh none: 99 keys on three channels each.
        skeleton = Skeleton.plain(
            ["Thigh", "Knee", "End"], [-1, 0, 1], [[0.0, 2.0, 0.0], DOWN, DOWN]
        )
        clock = np.linspace(0.0, 4.0, 97)
        knee = Track(clock, turn([1, 0, 0], bend()).T)
        end = Track(clock[[0, -1]], np.tile(IDENTITY, (2, 1)))
        none = (None, None, None)
        shot = Shot(skeleton, clock, Source("sample"), tracks=Tracks((None, knee, end), none, none))
        assert one("overkeyed", shot).message.startswith("297 rotation keys are stored where ")
        finding = one("clutter", shot)
        assert finding.value == 5.0
        assert finding.message.startswith("5 of 6 rotation channels do not move")


class TestCleanHinges:
    def test_a_shot_whose_hinges_are_clean_has_nothing_to_fix(self) -> None:
        # A clean knee, a clean elbow on Z, a free hip, a still spine and a wrist on two axes.
        names = ["Spine", "Hip", "L_Knee", "L_Elbow", "L_Wrist"]
        skeleton = Skeleton.plain(
            names,
            [-1, 0, 1, 0, 3],
            [[0.0, 0.0, 0.0], DOWN, DOWN, DOWN, DOWN],
            orders=["ZXY", "ZXY", "YZX", "YXZ", "ZXY"],
        )
        values = np.zeros((97, 15))
        wave = np.linspace(0.0, 9.0, 97)
        values[:, 3:6] = np.stack(
            (30 * np.sin(wave), 20 * np.cos(1.7 * wave), 25 * np.sin(2.9 * wave)), axis=1
        )
        values[:, 6] = bend()
        values[:, 11] = bend(high=110.0)
        values[:, 12:14] = np.stack((30 * np.sin(wave), 20 * np.cos(1.7 * wave)), axis=1)
        channels = Channels(values, np.arange(15).reshape(5, 3), np.full((5, 3), -1))
        examined = examine(Shot(skeleton, wave, Source("sample"), channels))
        assert examined.measures.kind == ("still", "free", "hinge", "hinge", "two-axis")
        assert [each for each in examined.findings if each.severity == "fix"] == []
        summary = examined.document["summary"]
        assert (summary["hinges"], summary["clean_hinges"], summary["fix"]) == (2, 2, 0)

    @given(shots())
    def test_nothing_is_to_be_fixed_on_a_joint_that_moves_one_channel(self, shot: Shot) -> None:
        examined = examine(shot)
        for finding in examined.findings:
            if finding.severity == "fix":
                assert finding.joint is not None
                assert examined.measures.kind[finding.joint] == "hinge"
                assert examined.measures.now.moving_channels[finding.joint] > 1, finding.message

    def test_not_on_oblique_axes_either(self) -> None:
        # A bend of 6° about an axis 8° off X leaks 0.8°, which is under what counts as moving.
        tilt = np.deg2rad(8.0)
        hinge = (np.cos(tilt), np.sin(tilt), 0.0)
        shot = with_limb(
            limb_shot(hinge_channels(hinge, bend(high=6.0))), [hinge[1], -hinge[0], 0.0]
        )
        examined = examine(shot)
        assert examined.measures.now.moving_channels[KNEE] == 1
        assert [each.message for each in examined.findings if each.severity == "fix"] == []

    @given(st.sampled_from([0, 2]), st.floats(-1.9, 1.9), st.floats(5.0, 85.0))
    def test_a_hinge_within_the_limits_is_clean(self, axis: int, off: float, high: float) -> None:
        direction: Array = rotate(turn(LIMB, off), np.eye(3)[axis])
        order = "YZX" if axis == 0 else "YXZ"
        shot = limb_shot(hinge_channels(direction.tolist(), bend(high=high), order), order=order)
        assert [each for each in examine(shot).findings if each.check == "twist"] == []
