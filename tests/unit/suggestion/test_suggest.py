"""One answer for a rig, from its shots."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from audit.errors import UsageError
from audit.measures import measure_shot
from audit.measures.offsets import Convention
from audit.model import Channels, Shot, Skeleton, Source
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.pipeline import correct, suggest
from audit.rig_checks import rig_checks
from audit.rotations import matrix_from_quaternion, multiply, quaternion_from_rotation_vector
from audit.sheet import Sheet, read_sheet, sheet_text
from audit.suggestion import suggest_rig


def knee(angle_deg: float, reach: float = 70.0) -> Shot:
    """Return a limb along −Y whose hinge is turned by an angle about the limb."""
    angle = np.deg2rad(angle_deg)
    axis = (float(np.cos(angle)), 0.0, float(np.sin(angle)))
    return limb_shot(hinge_channels(axis, bend(high=reach)))


def test_a_messy_hinge_gets_the_twist_that_was_put_in() -> None:
    sheet = suggest(knee(25.0))
    row = sheet.rows[1]
    assert row.joint == "L_Knee"
    # The limb points along −Y: what turns X towards Z is right-handed about it.
    assert row.twist_offset_deg == pytest.approx(25.0, abs=0.1)
    assert row.limb_axis == (0.0, -1.0, 0.0)
    assert row.target_axis == "X"
    assert row.advised_order is not None
    assert row.advised_order.endswith("X")
    assert row.twist_low_deg is not None
    assert row.twist_high_deg is not None
    assert row.twist_offset_deg is not None
    assert row.twist_low_deg <= row.twist_offset_deg <= row.twist_high_deg
    assert row.range_deg == pytest.approx(70.0, abs=0.1)


def test_what_gains_nothing_gets_a_reason() -> None:
    for shot in (knee(0.0), knee(25.0, reach=2.0)):
        sheet = suggest(shot)
        assert not any(row.turns for row in sheet.rows)
        assert all(row.reason for row in sheet.rows)


def test_it_reads_back() -> None:
    sheet = suggest([knee(25.0), knee(25.0, reach=60.0)])
    found = read_sheet(sheet_text(sheet).encode(), "offsets.csv")
    for row, again in zip(sheet.rows, found.rows, strict=True):
        assert again.joint == row.joint
        assert again.advised_order == row.advised_order
        assert again.turns == row.turns
        if row.twist_offset_deg is not None:
            assert again.twist_offset_deg == pytest.approx(row.twist_offset_deg, abs=1e-4)


def test_no_shot_is_refused() -> None:
    with pytest.raises(UsageError, match="no shot"):
        suggest([])


def noisy_knee(seed: int, twist_deg: float, *, noise_deg: float = 1.0) -> Shot:
    """Return a shot of 3 to 20° of knee about an axis turned by the twist, with noise on every key."""
    generator = np.random.default_rng(seed)
    frames = int(generator.integers(60, 120))
    low = generator.uniform(0.0, 30.0)
    reach = generator.uniform(3.0, 20.0)
    phase = np.linspace(0.0, generator.uniform(4.0, 12.0), frames) + generator.uniform(0.0, 6.0)
    angle = np.deg2rad(low + reach * 0.5 * (1.0 + np.sin(phase)))
    twist = np.deg2rad(twist_deg)
    axis = np.array([np.cos(twist), 0.0, np.sin(twist)])
    clean = quaternion_from_rotation_vector(axis[:, None] * angle)
    noise = np.deg2rad(generator.normal(0.0, noise_deg, (3, frames)))
    turned = multiply(clean, quaternion_from_rotation_vector(noise))
    rotations = np.zeros((frames, 3, 4))
    rotations[..., 3] = 1.0
    rotations[:, 1] = turned.T
    skeleton = knee(0.0).skeleton
    return Shot(skeleton, np.arange(frames) / 30.0, Source(f"take {seed}"), rotations=rotations)


class TestManyShots:
    def test_forty_shots_say_what_none_of_them_says(self) -> None:
        shots = [noisy_knee(seed, 24.0) for seed in range(40)]
        row = suggest(shots).rows[1]
        assert row.twist_offset_deg == pytest.approx(24.0, abs=1.0)
        assert row.twist_low_deg is not None
        assert row.twist_high_deg is not None
        assert row.twist_low_deg < 24.0 < row.twist_high_deg
        assert row.shots == 40
        assert row.mostly_from is not None
        alone = [suggest(shot).rows[1] for shot in shots[:12]]
        sure = [
            each
            for each in alone
            if each.twist_low_deg is not None
            and each.twist_high_deg is not None
            and each.twist_high_deg - each.twist_low_deg < 2.0
        ]
        assert not sure

    def test_the_shots_may_come_one_by_one(self) -> None:
        class Shots:
            def __iter__(self) -> Iterator[Shot]:
                return (noisy_knee(seed, 24.0) for seed in range(8))

        listed = suggest_rig(list(Shots())).sheet.rows
        assert suggest_rig(Shots()).sheet.rows == listed
        assert suggest(iter(Shots())).rows == listed

    def test_another_rig_is_refused_by_name(self) -> None:
        other = replace(knee(25.0), skeleton=replace(knee(25.0).skeleton, names=("a", "b", "c")))
        with pytest.raises(
            UsageError, match=r"are of different rigs: their joints differ, such as"
        ):
            suggest([knee(25.0), other])

    def test_a_drifted_joint_says_nothing_and_is_found(self) -> None:
        (rig_drift,) = (check for check in rig_checks().values() if check.name == "rig-drift")
        silent, firing = rig_drift.examples()
        found = suggest_rig(firing)
        assert {finding.check for finding in found.findings} == {"rig-drift"}
        row = next(each for each in found.sheet.rows if each.joint == "L_Elbow")
        assert row.shots == len(silent)


class TestConventions:
    @pytest.mark.parametrize(
        ("letter", "bend", "expected"), [(0, 1, 25.0), (2, 1, -65.0), (0, -1, -155.0)]
    )
    def test_the_offset_goes_to_what_is_agreed(
        self, letter: int, bend: int, expected: float
    ) -> None:
        free = np.full(3, -1)
        agreed = Convention(free, np.zeros(3, np.int64), np.full(3, letter), np.full(3, bend))
        row = suggest(knee(25.0), convention=agreed).rows[1]
        assert row.twist_offset_deg == pytest.approx(expected, abs=0.1)
        assert row.target_axis == "XYZ"[letter]
        assert row.twist_low_deg is not None
        assert row.twist_low_deg == pytest.approx(expected, abs=0.5)

    def test_a_clean_hinge_on_another_axis_is_turned_too(self) -> None:
        free, none = np.full(3, -1), np.zeros(3, np.int64)
        row = suggest(knee(0.0), convention=Convention(free, none, np.full(3, 2), none)).rows[1]
        assert abs(row.twist_offset_deg or 0.0) == pytest.approx(90.0, abs=0.1)

    def test_an_axis_along_the_limb(self) -> None:
        agreed = Convention(
            np.full(3, 0), np.ones(3, np.int64), np.full(3, 2), np.ones(3, np.int64)
        )
        shot = knee(25.0)
        row = suggest(shot, convention=agreed).rows[1]
        assert row.full_offset_xyzw is not None
        frame = matrix_from_quaternion(np.array(row.full_offset_xyzw))
        # X of the new axes lies along the limb, Z along the hinge.
        assert frame[:, 0] == pytest.approx([0.0, -1.0, 0.0], abs=1e-9)
        assert frame[:, 2] == pytest.approx(
            [np.cos(np.deg2rad(25)), 0, np.sin(np.deg2rad(25))], abs=2e-3
        )
        again = measure_shot(correct(shot, Sheet((row,))))
        assert again.now.moving_channels[1] == 1


def test_a_hinge_that_moves_on_one_channel_by_a_constant_alone_turns_with_its_parent() -> None:
    """BVH: the outer channel bends, and constants stand behind it; once the parent turns all three would."""
    frames = 90
    swing = np.linspace(0.0, 4.0 * np.pi, frames)
    values = np.zeros((frames, 9))
    skeleton = Skeleton.plain(
        ["Hip", "Knee", "Ankle"], [-1, 0, 1], [[0, 2, 0], [0, -1, 0], [0, -1, 0]], orders="ZXY"
    )
    skeleton = replace(skeleton, tip_joints=np.array([2]), tip_offsets=np.array([[0.0, -0.5, 0.0]]))
    angles = hinge_channels((0.8, 0.0, 0.6), 30.0 + 30.0 * np.sin(swing), "ZXY")
    values[:, 0:3] = angles
    values[:, 5] = 20.0 * np.sin(swing)
    values[:, 4] = 35.0
    columns = np.arange(9).reshape(3, 3)
    shot = Shot(
        skeleton,
        np.arange(frames) / 30.0,
        Source("walk"),
        Channels(values, columns, np.full((3, 3), -1)),
        has_rest_rotations=False,
    )
    before = measure_shot(shot)
    assert before.now.moving_channels.tolist() == [3, 1, 0]
    sheet = suggest(shot)
    assert sheet.rows[1].reason == "turns with its parent"
    after = measure_shot(correct(shot, sheet))
    assert after.now.moving_channels.tolist() == [1, 1, 0]
