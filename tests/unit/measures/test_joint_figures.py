"""Figures of a joint that hang on its curves and its clock: intervals, time, gimbal margin and wrap jumps."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given

from audit.measures import measure_shot
from audit.model import Shot, Skeleton
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.rotations import multiply, quaternion_from_angles, quaternion_from_rotation_vector
from audit.settings import Settings
from tests.strategies import Array, orders, seeds
from tests.unit.measures.making import IDENTITY, KNEE, limb_of, turn


class TestTime:
    def test_shares_weigh_time_and_not_frames(self) -> None:
        # A second on X, then three on Z; sampled evenly, and with most keys crowded into that second.
        def motion(times: Array) -> Array:
            swing = np.sin(np.pi * times) ** 2
            first = times < 1.0
            return quaternion_from_rotation_vector(
                np.stack((np.where(first, swing, 0.0), 0.0 * times, np.where(first, 0.0, swing)))
            )

        def shares(times: Array, clock: Array) -> Array:
            measures = measure_shot(limb_of(motion(times), order="ZXY", times=clock))
            share: Array = measures.shares[KNEE]
            return share

        even = np.arange(4001) / 1000.0
        crowded = np.concatenate((np.arange(3000) / 3000.0, 1.0 + np.arange(301) / 100.0))
        reference = shares(even, even)
        np.testing.assert_allclose(shares(crowded, crowded), reference, atol=2e-3)
        by_frame = shares(crowded, np.arange(len(crowded), dtype=np.float64))
        assert np.abs(by_frame - reference).max() > 0.05

    @given(seeds)
    def test_a_key_that_is_stored_twice_changes_nothing(self, seed: int) -> None:
        # Second keys a microsecond after the first ones share their time with them.
        generator = np.random.default_rng(seed)
        times = np.cumsum(generator.uniform(0.05, 0.2, 30))
        quaternion = quaternion_from_rotation_vector(
            np.cumsum(generator.normal(size=(3, 30)), axis=1) / 9
        )
        twice = np.sort(np.concatenate((times, times[5:25] + 1e-6)))
        repeats = np.ones(30, dtype=int)
        repeats[5:25] = 2
        once = measure_shot(limb_of(quaternion, order="ZXY", times=times))
        again = measure_shot(
            limb_of(np.repeat(quaternion, repeats, axis=1), order="ZXY", times=twice)
        )
        for name in ("range_deg", "shares", "off_axis_deg", "residual_deg", "gimbal_margin_deg"):
            np.testing.assert_allclose(getattr(again, name), getattr(once, name), atol=1e-3)


class TestInterval:
    def test_it_lies_evenly_about_the_offset_and_holds_the_truth_as_often_as_it_says(self) -> None:
        # One root with 400 knees, each with its own noise of half a degree; all are off by 20°.
        knees, frames, off = 400, 80, 20.0
        generator = np.random.default_rng(11)
        axis = np.array([np.cos(np.deg2rad(off)), 0.0, np.sin(np.deg2rad(off))])
        clean = turn(axis, bend(high=60.0, frames=frames))
        noise = np.deg2rad(0.5) * generator.normal(size=(3, knees, frames))
        noisy = multiply(clean[:, None], quaternion_from_rotation_vector(noise))
        rotations = np.tile(IDENTITY, (frames, 1 + 2 * knees, 1))
        rotations[:, 1 : 1 + knees] = noisy.T
        skeleton = Skeleton.plain(
            [f"joint{place}" for place in range(1 + 2 * knees)],
            [-1, *[0] * knees, *range(1, 1 + knees)],
            np.tile([0.0, -1.0, 0.0], (1 + 2 * knees, 1)),
            orders="YZX",
        )
        measures = measure_shot(Shot(skeleton, np.arange(float(frames)), rotations=rotations))
        offset = measures.twist_offset_deg[1 : 1 + knees]
        low, high = measures.twist_interval_deg[1 : 1 + knees].T
        np.testing.assert_allclose(0.5 * (low + high), offset, atol=1e-9)
        # The limb points down, so an axis from X towards Z is a right-handed turn about it.
        missed_low, missed_high = np.mean(low > off), np.mean(high < off)
        assert 0.002 < missed_low < 0.055
        assert 0.002 < missed_high < 0.055
        wide = measure_shot(
            Shot(skeleton, np.arange(float(frames)), rotations=rotations), Settings(confidence=0.5)
        ).twist_interval_deg[1 : 1 + knees]
        held = np.mean((wide[:, 0] <= off) & (off <= wide[:, 1]))
        assert 0.42 < held < 0.58


class TestGimbalMargin:
    @pytest.mark.parametrize(
        ("reach", "margin"), [(60.0, 30.0), (90.0, 0.0), (100.0, 0.0), (84.0, 6.0)]
    )
    def test_a_hinge_on_the_middle_channel(self, reach: float, margin: float) -> None:
        measures = measure_shot(limb_shot(hinge_channels((0, 0, 1), bend(high=reach))))
        # Frames do not fall on 90° exactly on the way past it.
        np.testing.assert_allclose(measures.gimbal_margin_deg[KNEE], margin, atol=1.0)

    def test_the_share_of_frames_near_it(self) -> None:
        angles = np.array([0.0, 74.0, 76.0, 89.0, 104.0, 106.0, 0.0, 0.0])
        channels = np.zeros((8, 3))
        channels[:, 2] = angles
        measures = measure_shot(limb_shot(channels))
        np.testing.assert_allclose(measures.near_lock[KNEE], 3 / 8)
        np.testing.assert_allclose(measures.gimbal_margin_deg[KNEE], 1.0)

    @given(seeds, orders)
    def test_the_other_solution_has_the_same(self, seed: int, order: str) -> None:
        angles = np.random.default_rng(seed).uniform(-1.5, 1.5, (3, 20))
        measures = measure_shot(limb_of(quaternion_from_angles(angles, order), order=order))
        expected = 90.0 - np.rad2deg(np.abs(angles[1]).max())
        np.testing.assert_allclose(measures.gimbal_margin_deg[KNEE], expected, atol=1e-6)


class TestWrapJumps:
    """Knees whose stored curves leap although the pose does not."""

    @staticmethod
    def jumps(angles_deg: Array) -> int:
        return int(measure_shot(limb_shot(angles_deg)).wrap_jumps[KNEE])

    CLEAN = hinge_channels((1.0, 0.3, 0.2), bend(high=60.0))

    def test_none_in_continuous_curves(self) -> None:
        assert self.jumps(self.CLEAN) == 0

    @pytest.mark.parametrize("channel", [0, 1, 2])
    def test_one_whole_turn(self, channel: int) -> None:
        leaping = self.CLEAN.copy()
        leaping[40:, channel] += 360.0
        assert self.jumps(leaping) == 1

    def test_a_whole_turn_there_and_back(self) -> None:
        leaping = self.CLEAN.copy()
        leaping[40:60, 0] -= 360.0
        assert self.jumps(leaping) == 2

    def test_two_channels_at_the_same_key_are_one(self) -> None:
        leaping = self.CLEAN.copy()
        leaping[40:, :2] += 360.0
        assert self.jumps(leaping) == 1

    def test_one_change_to_the_other_solution_is_one_leap(self) -> None:
        # The order is YZX, so Z is the middle channel. From key 40 on the curves go on smoothly.
        leaping = self.CLEAN.copy()
        leaping[40:] = [180.0, 180.0, 180.0] + leaping[40:] * [1.0, 1.0, -1.0]
        assert self.jumps(leaping) == 1

    @pytest.mark.parametrize("channel", [0, 1, 2])
    def test_a_heading_that_wraps_at_half_a_turn(self, channel: int) -> None:
        heading = np.zeros((20, 3))
        heading[:, channel] = np.linspace(100.0, 260.0, 20)
        heading[heading > 180.0] -= 360.0
        measures = measure_shot(limb_shot(heading))
        assert measures.wrap_jumps[KNEE] == 1
        np.testing.assert_allclose(measures.now.range_deg[KNEE].max(), 160.0)

    def test_shots_of_rotations_have_no_curves_that_could_leap(self) -> None:
        measures = measure_shot(limb_of(turn([0, 1, 0], np.linspace(0, 720, 97)), order="ZXY"))
        np.testing.assert_array_equal(measures.wrap_jumps, 0)
