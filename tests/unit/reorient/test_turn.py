"""Turned axes: the same motion said by other numbers, for any skeleton and shot, played by SciPy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from audit.conventions import ORDERS
from audit.errors import ShapeError
from audit.model import Channels, Shot, Skeleton, Track, Tracks
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.reorient import turn_axes
from audit.reorient.turn import MOVING_UNEVENLY, RESTING_UNEVENLY
from audit.rotations import multiply
from tests.strategies import random_quaternions, seeds, turn_between
from tests.unit.reorient.making import (
    IDENTITY,
    MAKES,
    Make,
    asked_times,
    moving_shots,
    played,
    some_axes,
    tips_of,
    tracked,
)

Array = npt.NDArray[np.float64]


def assert_same_motion(before: Shot, after: Shot, axes: Array) -> None:
    """World rotations after are those before times A; positions and tips stay."""
    times = asked_times(before)
    turns, worlds = played(before, times)
    turns_after, worlds_after = played(after, times)
    wanted = turns @ Rotation.from_quat(axes).as_matrix()
    np.testing.assert_allclose(turns_after, wanted, atol=1e-11)
    size = max(float(np.abs(worlds).max()), 1.0)
    np.testing.assert_allclose(
        worlds_after[..., :3, 3], worlds[..., :3, 3], atol=1e-11 * size, rtol=0.0
    )
    np.testing.assert_allclose(
        tips_of(after, worlds_after), tips_of(before, worlds), atol=1e-11 * size, rtol=0.0
    )


def tracks_of(shot: Shot) -> list[Track | None]:
    assert shot.tracks is not None
    return [*shot.tracks.rotations, *shot.tracks.positions, *shot.tracks.scales]


@pytest.mark.parametrize("make", MAKES)
class TestAnyShot:
    @given(data=st.data(), seed=seeds)
    def test_nothing_moves(self, make: Make, data: st.DataObject, seed: int) -> None:
        generator = np.random.default_rng(seed)
        shot = data.draw(moving_shots(make=make))
        axes = some_axes(generator, len(shot.skeleton))
        orders = {
            joint: str(generator.choice(ORDERS))
            for joint in range(len(shot.skeleton))
            if generator.random() < 0.4
        }
        after, refused = turn_axes(shot, axes, orders)
        assert not refused
        assert_same_motion(shot, after, axes)
        for joint, order in enumerate(shot.skeleton.orders):
            wanted = order if order is None else orders.get(joint, order)
            assert after.skeleton.orders[joint] == wanted
        assert after.turned is not None
        assert turn_between(after.turned.T, axes.T).max() < 1e-12

    @given(data=st.data(), seed=seeds)
    def test_the_rest_pose_stays_where_the_format_has_one(
        self, make: Make, data: st.DataObject, seed: int
    ) -> None:
        shot = data.draw(moving_shots(make=make))
        axes = some_axes(np.random.default_rng(seed), len(shot.skeleton))
        after, _ = turn_axes(shot, axes)
        if make == "plain channels":
            np.testing.assert_array_equal(after.skeleton.rest_xyzw, shot.skeleton.rest_xyzw)
            return
        still = (None,) * len(shot.skeleton)
        rests = [
            replace(
                each,
                times_s=np.zeros(1),
                channels=None,
                rotations=None,
                positions=None,
                tracks=Tracks(still, still, still),
            )
            for each in (shot, after)
        ]
        assert_same_motion(rests[0], rests[1], axes)

    @given(data=st.data(), seed=seeds)
    def test_turned_twice_is_turned_by_the_product(
        self, make: Make, data: st.DataObject, seed: int
    ) -> None:
        generator = np.random.default_rng(seed)
        shot = data.draw(moving_shots(make=make))
        one, two = (some_axes(generator, len(shot.skeleton)) for _ in range(2))
        product = multiply(one.T, two.T).T
        twice = turn_axes(turn_axes(shot, one)[0], two)[0]
        once = turn_axes(shot, product)[0]
        assert_same_motion(shot, twice, product)
        assert twice.turned is not None
        assert once.turned is not None
        assert turn_between(twice.turned.T, once.turned.T).max() < 1e-11
        np.testing.assert_allclose(twice.skeleton.offsets, once.skeleton.offsets, atol=1e-11)
        np.testing.assert_allclose(
            twice.skeleton.tip_offsets, once.skeleton.tip_offsets, atol=1e-11
        )
        assert turn_between(twice.skeleton.rest_xyzw.T, once.skeleton.rest_xyzw.T).max() < 1e-11

    @given(data=st.data(), seed=seeds)
    def test_there_and_back(self, make: Make, data: st.DataObject, seed: int) -> None:
        shot = data.draw(moving_shots(make=make))
        axes = some_axes(np.random.default_rng(seed), len(shot.skeleton))
        there, _ = turn_axes(shot, axes)
        back, _ = turn_axes(there, Rotation.from_quat(axes).inv().as_quat())
        assert_same_motion(shot, back, np.tile(IDENTITY, (len(axes), 1)))
        np.testing.assert_allclose(back.skeleton.offsets, shot.skeleton.offsets, atol=1e-11)
        if shot.tracks is not None:
            for old, new in zip(tracks_of(shot), tracks_of(back), strict=True):
                if old is not None:
                    assert new is not None
                    np.testing.assert_allclose(new.values, old.values, atol=1e-11)

    @given(data=st.data(), seed=seeds)
    def test_what_is_not_turned_keeps_its_numbers_bit_for_bit(
        self, make: Make, data: st.DataObject, seed: int
    ) -> None:
        shot = data.draw(moving_shots(make=make))
        axes = some_axes(np.random.default_rng(seed), len(shot.skeleton), share=0.3)
        after, _ = turn_axes(shot, axes)
        own = axes[:, 3] != 1.0
        parents = shot.skeleton.parents
        above = np.where(parents >= 0, own[parents], False)
        for joint in np.flatnonzero(~(own | above)).tolist():
            assert_keeps_its_numbers(shot, after, joint)
        for joint in np.flatnonzero(~above).tolist():
            # Its place in its parent's axes is none of its own turn's business.
            np.testing.assert_array_equal(
                after.local_positions[:, joint], shot.local_positions[:, joint]
            )
        if make == "channels":
            # With rest rotations only the joint's own turn shows in its channels.
            assert shot.channels is not None
            assert after.channels is not None
            for joint in np.flatnonzero(~own).tolist():
                columns = shot.channels.rotation_columns[joint]
                np.testing.assert_array_equal(after.channels.rotation_columns[joint], columns)
                held = columns[columns >= 0]
                np.testing.assert_array_equal(
                    after.channels.values[:, held], shot.channels.values[:, held]
                )

    @given(data=st.data())
    def test_no_turn_changes_nothing(self, make: Make, data: st.DataObject) -> None:
        shot = data.draw(moving_shots(make=make))
        count = len(shot.skeleton)
        # −q is no turn either.
        axes = np.tile(IDENTITY, (count, 1)) * np.where(np.arange(count) % 2, -1.0, 1.0)[:, None]
        after, refused = turn_axes(shot, axes)
        assert not refused
        for joint in range(count):
            assert_keeps_its_numbers(shot, after, joint)

    @given(data=st.data(), seed=seeds)
    def test_times_and_inputs_stay(self, make: Make, data: st.DataObject, seed: int) -> None:
        shot = data.draw(moving_shots(make=make))
        axes = some_axes(np.random.default_rng(seed), len(shot.skeleton))
        given_axes = axes.copy()
        axes.setflags(write=False)
        after, _ = turn_axes(shot, axes)
        np.testing.assert_array_equal(axes, given_axes)
        np.testing.assert_array_equal(after.times_s, shot.times_s)
        if shot.tracks is not None:
            for old, new in zip(tracks_of(shot), tracks_of(after), strict=True):
                assert (old is None) == (new is None)
                if old is not None and new is not None:
                    np.testing.assert_array_equal(new.times_s, old.times_s)
                    assert new.interpolation == old.interpolation


def assert_keeps_its_numbers(before: Shot, after: Shot, joint: int) -> None:
    for name in ("rest_xyzw", "offsets", "rest_scales"):
        np.testing.assert_array_equal(
            getattr(after.skeleton, name)[joint], getattr(before.skeleton, name)[joint]
        )
    mine = before.skeleton.tip_joints == joint
    np.testing.assert_array_equal(
        after.skeleton.tip_offsets[mine], before.skeleton.tip_offsets[mine]
    )
    assert after.skeleton.orders[joint] == before.skeleton.orders[joint]
    if before.tracks is not None:
        count = len(before.skeleton)
        for old, new in list(zip(tracks_of(before), tracks_of(after), strict=True))[joint::count]:
            assert new is old
    if before.rotations is not None:
        assert after.rotations is not None
        np.testing.assert_array_equal(after.rotations[:, joint], before.rotations[:, joint])
    if before.channels is not None:
        assert after.channels is not None
        for name in ("rotation_columns", "position_columns"):
            columns = getattr(before.channels, name)[joint]
            np.testing.assert_array_equal(getattr(after.channels, name)[joint], columns)
            held = columns[columns >= 0]
            np.testing.assert_array_equal(
                after.channels.values[:, held], before.channels.values[:, held]
            )


class TestTangents:
    @given(seeds)
    def test_curves_between_keys_are_the_same_curves(self, seed: int) -> None:
        """``A_p⁻¹ q A`` of the whole curve, not only of its keys: splines and their tangents turn as one."""
        generator = np.random.default_rng(seed)
        skeleton = Skeleton.plain(["a", "b"], [-1, 0], np.eye(3)[:2])
        shot = tracked(skeleton, generator)
        axes = random_quaternions(generator, 2).T
        after, _ = turn_axes(shot, axes)
        own, above = Rotation.from_quat(axes[1]), Rotation.from_quat(axes[0])
        assert shot.tracks is not None
        assert after.tracks is not None
        times = np.linspace(shot.times_s[0], shot.times_s[-1], 41)
        pairs = zip(shot.tracks.rotations, after.tracks.rotations, strict=True)
        for joint, (old, new) in enumerate(pairs):
            if old is None or new is None:
                continue
            turned = Rotation.from_quat(old.at(times)) * (above if joint == 0 else own)
            if joint:
                turned = above.inv() * turned
            assert (turned.inv() * Rotation.from_quat(new.at(times))).magnitude().max() < 1e-7
        old, new = shot.tracks.positions[1], after.tracks.positions[1]
        if old is not None and new is not None:
            np.testing.assert_allclose(new.at(times), above.inv().apply(old.at(times)), atol=1e-12)


class TestUnevenScale:
    CLOCK = np.array([0.0, 1.0])

    def shot(self, rest: npt.ArrayLike, track: Track | None) -> Shot:
        """Three joints in a row; the middle one is scaled."""
        scales = np.ones((3, 3))
        scales[1] = rest
        skeleton = replace(
            Skeleton.plain(
                ["hip", "knee", "foot"], [-1, 0, 1], [[0, 3, 0], [0, -1, 0], [0, -1, 0]]
            ),
            rest_scales=scales,
        )
        turning = Track(
            self.CLOCK,
            Rotation.from_euler("XYZ", [[0, 0, 0], [50, 20, -10]], degrees=True).as_quat(),
        )
        return Shot(
            skeleton,
            self.CLOCK,
            tracks=Tracks((turning,) * 3, (None,) * 3, (None, track, None)),
        )

    UNEVEN = np.array([[1.0, 1.0, 1.0], [1.0, 1.0, 1.2]])
    EVEN = np.array([[1.0, 1.0, 1.0], [1.3, 1.3, 1.3]])

    @pytest.mark.parametrize(
        ("rest", "track", "reason"),
        [
            ([1.0, 1.0, 2.0], None, RESTING_UNEVENLY),
            ([1.0, -1.0, 1.0], None, RESTING_UNEVENLY),
            ([1.0, 1.0, 1.0], Track(CLOCK, UNEVEN), MOVING_UNEVENLY),
            ([1.0, 1.0, 1.0], Track(CLOCK, UNEVEN, "step"), MOVING_UNEVENLY),
            ([1.0, 1.0, 2.0], Track(CLOCK, UNEVEN), MOVING_UNEVENLY),
            ([1.0, 1.0, 2.0], Track(CLOCK, EVEN), RESTING_UNEVENLY),
            # Even at its keys, and uneven between them.
            (
                [1.0, 1.0, 1.0],
                Track(CLOCK, EVEN, "cubic", np.zeros((2, 3)), np.eye(3)[:2]),
                MOVING_UNEVENLY,
            ),
            (
                [1.0, 1.0, 1.0],
                Track(CLOCK, EVEN, "cubic", np.eye(3)[:2], np.zeros((2, 3))),
                MOVING_UNEVENLY,
            ),
        ],
    )
    def test_that_joint_stays_and_the_rest_is_done(
        self, rest: list[float], track: Track | None, reason: str
    ) -> None:
        shot = self.shot(rest, track)
        axes = random_quaternions(np.random.default_rng(3), 3).T
        after, refused = turn_axes(shot, axes)
        assert refused == {1: reason}
        done = axes.copy()
        done[1] = IDENTITY
        assert_same_motion(shot, after, done)
        assert after.turned is not None
        np.testing.assert_allclose(after.turned, done, atol=1e-15)

    @pytest.mark.parametrize(
        ("rest", "track"),
        [
            ([2.0, 2.0, 2.0], None),
            ([-1.0, -1.0, -1.0], None),
            ([0.01, 0.01, 0.01], Track(CLOCK, EVEN)),
            ([1.0, 1.0, 1.0], Track(CLOCK, EVEN, "cubic", np.ones((2, 3)), -np.ones((2, 3)))),
            ([1.0, 1.0, 1.0], Track(CLOCK, EVEN * (1.0, 1.0, 1.0 + 1e-8))),
        ],
    )
    def test_even_scale_is_no_hindrance(self, rest: list[float], track: Track | None) -> None:
        shot = self.shot(rest, track)
        axes = random_quaternions(np.random.default_rng(4), 3).T
        after, refused = turn_axes(shot, axes)
        assert refused == {}
        turns, worlds = played(shot)
        turns_after, worlds_after = played(after)
        np.testing.assert_allclose(
            turns_after, turns @ Rotation.from_quat(axes).as_matrix(), atol=1e-12
        )
        # A scale that is uneven by a hundred-millionth moves what hangs on it by no more than that.
        np.testing.assert_allclose(worlds_after[..., 3], worlds[..., 3], atol=1e-7)

    def test_uneven_scale_of_a_joint_that_stays_is_no_hindrance(self) -> None:
        shot = self.shot([1.0, 1.0, 1.0], Track(self.CLOCK, self.UNEVEN))
        axes = random_quaternions(np.random.default_rng(4), 3).T
        axes[1] = IDENTITY
        after, refused = turn_axes(shot, axes)
        assert refused == {}
        # Above a turned joint there may be shear: its place and that of everything below stay all the same.
        assert_same_motion(shot, after, axes)


class TestChannels:
    def test_missing_channels_are_added_where_they_are_needed(self) -> None:
        shot = limb_shot(np.zeros((30, 3)))
        assert shot.channels is not None
        values = np.stack((bend(frames=30), np.linspace(-1.0, -0.9, 30)), axis=1)
        columns = np.full((3, 3), -1)
        positions = np.full((3, 3), -1)
        columns[1, 0], positions[1, 1] = (
            0,
            1,
        )  # the knee's X rotation and Y position, and nothing else
        only_x = replace(shot, channels=Channels(values, columns, positions))
        axes = random_quaternions(np.random.default_rng(0), 3).T
        after, _ = turn_axes(only_x, axes)
        assert after.channels is not None
        assert np.all(after.channels.rotation_columns >= 0)
        assert np.all(after.channels.position_columns[1] >= 0)
        assert np.all(after.channels.position_columns[[0, 2]] < 0)
        assert_same_motion(only_x, after, axes)

    def test_curves_have_no_leaps(self) -> None:
        shot = limb_shot(hinge_channels((0.6, 0.0, 0.8), bend(-170.0, 170.0, 400)))
        axes = np.tile(Rotation.from_euler("Y", 37.0, degrees=True).as_quat(), (3, 1))
        after, _ = turn_axes(shot, axes, {1: "YZX"})
        assert after.channels is not None
        assert np.abs(np.diff(after.channels.values, axis=0)).max() < 60.0

    def test_a_hinge_comes_to_one_channel(self) -> None:
        """37° off about the limb: after the turn the same bend stands on X alone."""
        turn = Rotation.from_euler("Y", 37.0, degrees=True)
        angles = bend()
        shot = limb_shot(hinge_channels(tuple(turn.apply([1.0, 0.0, 0.0])), angles))
        after, _ = turn_axes(shot, np.stack((IDENTITY, turn.as_quat(), IDENTITY)))
        assert after.channels is not None
        np.testing.assert_allclose(after.channels.values[:, 3], angles, atol=1e-9)
        np.testing.assert_allclose(after.channels.values[:, 4:6], 0.0, atol=1e-9)

    def test_a_new_order_alone_moves_nothing(self) -> None:
        shot = limb_shot(hinge_channels((0.6, 0.0, 0.8), bend()))
        axes = np.tile(IDENTITY, (3, 1))
        after, _ = turn_axes(shot, axes, {1: "XYZ"})
        assert after.skeleton.orders == ("YZX", "XYZ", "YZX")
        assert_same_motion(shot, after, axes)


@pytest.mark.parametrize(
    ("axes", "message"),
    [
        (np.zeros((3, 4)), "unit length"),
        (np.full((3, 4), np.nan), "unit length"),
        (np.tile(IDENTITY, (2, 1)), r"shape \(3, 4\)"),
        (np.tile(IDENTITY, (3, 1)) * 1.001, "unit length"),
    ],
)
def test_axes_that_are_none_are_refused(axes: Array, message: str) -> None:
    with pytest.raises(ShapeError, match=message):
        turn_axes(limb_shot(np.zeros((2, 3))), axes)
