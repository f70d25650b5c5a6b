"""Shots: what is refused, how time weighs, and how channels and rotations follow from each other."""

from __future__ import annotations

import pickle
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.errors import ShapeError
from audit.model import Channels, Shot, Skeleton, Source, Track, Tracks
from audit.rotations import multiply, quaternion_from_angles
from tests.strategies import Array, as_channels, random_quaternions, seeds, shots, turn_between

IDENTITY = (0.0, 0.0, 0.0, 1.0)
PAIR = Skeleton.plain(["Thigh", "Knee"], [-1, 0], [[0.0, 9.0, 0.0], [0.0, -4.0, 0.0]], orders="ZXY")
STILL = np.tile(IDENTITY, (3, 2, 1))
TIMES = np.array([0.0, 0.5, 1.0])


def channels(**changes: Any) -> Channels:
    fields: dict[str, Any] = {
        "values": np.zeros((3, 6)),
        "rotation_columns": [[0, 1, 2], [3, 4, 5]],
        "position_columns": [[-1] * 3] * 2,
    }
    return Channels(**(fields | changes))


class TestRefusal:
    @pytest.mark.parametrize(
        ("fields", "message"),
        [
            ({"times_s": [], "rotations": np.zeros((0, 2, 4))}, "a shot needs at least one frame"),
            ({"times_s": [0.0, 0.5, 0.5], "rotations": STILL}, "times_s should increase"),
            ({"times_s": [0.0, 0.5, 0.4], "rotations": STILL}, "times_s should increase"),
            (
                {"times_s": [0.0, np.nan, 1.0], "rotations": STILL},
                "times_s holds a number that is not",
            ),
            ({"times_s": TIMES[None], "rotations": STILL}, "times_s should have shape"),
            ({}, "give exactly one of them"),
            ({"rotations": STILL, "channels": channels()}, "give exactly one of them"),
            ({"rotations": STILL[:2]}, r"rotations should have shape \(3, 2, 4\), got \(2, 2, 4\)"),
            ({"rotations": STILL[:, :1]}, "rotations should have shape"),
            ({"rotations": STILL * np.nan}, "rotations holds a number that is not finite"),
            (
                {"channels": channels(values=np.zeros((2, 6)))},
                "channels should have 3 rows, one a frame",
            ),
            (
                {"channels": channels(rotation_columns=[[0, 1, 2]], position_columns=[[-1] * 3])},
                "channels should have columns for 2 joints",
            ),
            ({"rotations": STILL, "positions": np.zeros((3, 1, 3))}, "positions should have shape"),
            ({"rotations": STILL, "turned": np.zeros((1, 4))}, "turned should have shape"),
            (
                {"rotations": STILL, "positions": np.full((3, 2, 3), np.inf)},
                "positions holds a number that is not finite",
            ),
        ],
    )
    def test_what_does_not_fit_is_named(self, fields: dict[str, Any], message: str) -> None:
        given_fields: dict[str, Any] = {"skeleton": PAIR, "times_s": TIMES} | fields
        with pytest.raises(ShapeError, match=message):
            Shot(**given_fields)

    def test_a_rotation_that_is_no_unit_quaternion_is_pointed_at(self) -> None:
        rotations = STILL.copy()
        rotations[2, 1] = (0.0, 0.0, 0.0, 1.1)
        with pytest.raises(ShapeError, match=r"unit length: frame 2, joint Knee has 1\.1"):
            Shot(PAIR, TIMES, rotations=rotations)

    def test_channels_need_the_order_of_every_joint(self) -> None:
        unstated = Skeleton.plain(["a", "b"], [-1, 0], np.zeros((2, 3)), orders=["ZXY", None])
        with pytest.raises(ShapeError, match="needs the rotation order of every joint"):
            Shot(unstated, TIMES, channels=channels())

    @pytest.mark.parametrize("name", ["rotation_columns", "position_columns"])
    def test_columns_past_the_last_channel(self, name: str) -> None:
        with pytest.raises(ShapeError, match=f"{name} points past the last channel"):
            channels(**{name: [[0, 1, 2], [3, 4, 6]]})

    @pytest.mark.parametrize(
        ("changes", "message"),
        [
            ({"values": np.zeros(6)}, r"values should have shape \(any, any\)"),
            ({"values": np.full((3, 6), np.nan)}, "values holds a number that is not finite"),
            ({"rotation_columns": [[0, 1]]}, r"rotation_columns should have shape \(any, 3\)"),
        ],
    )
    def test_channels_that_do_not_fit(self, changes: dict[str, Any], message: str) -> None:
        with pytest.raises(ShapeError, match=message):
            channels(**changes)

    def test_position_columns_for_another_number_of_joints(self) -> None:
        with pytest.raises(ShapeError, match="position_columns"):
            Shot(PAIR, TIMES, channels=channels(position_columns=[[-1] * 3] * 3))


class TestTime:
    def test_frames_and_seconds(self) -> None:
        shot = Shot(PAIR, np.array([2.0, 2.5, 4.0]), rotations=STILL)
        assert (shot.frames, shot.seconds) == (3, 2.0)

    def test_uneven_times_weigh_half_the_gaps_on_both_sides(self) -> None:
        # Gaps 1 and 3: halves 0.5 + 0.5 at the start (a full gap), 0.5 + 1.5, and 1.5 + 1.5 at the end.
        shot = Shot(PAIR, np.array([0.0, 1.0, 4.0]), rotations=STILL)
        np.testing.assert_allclose(shot.weights, np.array([1.0, 2.0, 3.0]) / 6.0)

    @pytest.mark.parametrize("frames", [1, 2, 3, 50])
    def test_even_times_weigh_evenly(self, frames: int) -> None:
        rotations = np.tile(IDENTITY, (frames, 2, 1))
        shot = Shot(PAIR, np.linspace(1.0, 3.0, frames), rotations=rotations)
        np.testing.assert_allclose(shot.weights, 1.0 / frames, rtol=1e-12)

    @given(seeds, st.integers(1, 40))
    def test_weights_sum_to_one(self, seed: int, frames: int) -> None:
        times = np.cumsum(np.random.default_rng(seed).uniform(1e-4, 3.0, frames))
        weights = Shot(PAIR, times, rotations=np.tile(IDENTITY, (frames, 2, 1))).weights
        assert weights.min() > 0.0
        np.testing.assert_allclose(weights.sum(), 1.0, atol=1e-14)


class TestChannels:
    def test_angles_come_in_the_rotation_order_and_in_radians(self) -> None:
        values = np.array([[10.0, 20.0, 30.0, 40.0, 50.0, 60.0]])
        made = channels(values=values, rotation_columns=[[0, 1, 2], [5, 4, 3]])
        angles = made.angles_rad([1], "ZXY")
        assert angles.shape == (3, 1, 1)
        np.testing.assert_allclose(np.rad2deg(angles[:, 0, 0]), [40.0, 60.0, 50.0])

    def test_a_channel_that_the_file_has_not_is_zero(self) -> None:
        values = np.arange(6.0).reshape(2, 3)
        made = Channels(values, np.array([[0, -1, 2], [-1, -1, 1]]), np.full((2, 3), -1))
        angles = np.rad2deg(made.angles_rad([0, 1], "XYZ"))
        np.testing.assert_allclose(angles[0], [[0, 3], [0, 0]])
        np.testing.assert_allclose(angles[1], [[0, 0], [0, 0]])
        np.testing.assert_allclose(angles[2], [[2, 5], [1, 4]])
        np.testing.assert_array_equal(values, np.arange(6.0).reshape(2, 3))

    def test_a_file_without_any_channel_stands_still(self) -> None:
        none = Channels(np.zeros((3, 0)), np.full((2, 3), -1), np.full((2, 3), -1))
        shot = Shot(PAIR, TIMES, channels=none)
        np.testing.assert_array_equal(shot.rotations_xyzw, STILL)


class TestKeysOfTheChannels:
    def test_channels_have_a_key_on_every_frame_where_there_is_a_channel(self) -> None:
        columns = [[0, 1, 2], [3, -1, -1]]
        shot = Shot(PAIR, TIMES, channels=channels(rotation_columns=columns))
        np.testing.assert_array_equal(shot.rotation_keys, [[3, 3, 3], [3, 0, 0]])

    def test_rotations_count_on_all_three(self) -> None:
        shot = Shot(PAIR, TIMES, rotations=STILL)
        np.testing.assert_array_equal(shot.rotation_keys, np.full((2, 3), 3))

    def test_tracks_count_their_own(self) -> None:
        track = Track(TIMES[:2], STILL[:2, 0])
        none = (None, None)
        shot = Shot(PAIR, TIMES, tracks=Tracks((None, track), none, none))
        np.testing.assert_array_equal(shot.rotation_keys, [[0, 0, 0], [2, 2, 2]])


class TestRotations:
    @given(shots(made_of="channels"))
    def test_each_joint_is_its_channels_in_its_own_order(self, shot: Shot) -> None:
        assert shot.channels is not None
        for joint, order in enumerate(shot.skeleton.orders):
            assert order is not None
            away = quaternion_from_angles(shot.channels.angles_rad([joint], order)[:, 0], order)
            # Channels hold the turn away from rest.
            expected = multiply(shot.skeleton.rest_xyzw[joint][:, None], away)
            np.testing.assert_allclose(shot.rotations_xyzw[:, joint].T, expected, atol=1e-15)
            np.testing.assert_allclose(shot.joint_rotations([joint])[:, 0], expected, atol=1e-15)

    @given(shots(made_of="rotations"))
    def test_stored_rotations_are_handed_on(self, shot: Shot) -> None:
        assert shot.rotations_xyzw is shot.rotations
        places = list(range(len(shot.skeleton)))[::-1]
        together = shot.joint_rotations(places)
        assert together.shape == (4, len(places), shot.frames)
        assert together.flags.c_contiguous
        for row, place in enumerate(places):
            np.testing.assert_array_equal(together[:, row], shot.rotations_xyzw[:, place].T)

    @given(seeds)
    def test_channels_made_from_rotations_are_those_rotations(self, seed: int) -> None:
        rotations = np.moveaxis(random_quaternions(np.random.default_rng(seed), 3, 2), 0, -1)
        shot = as_channels(Shot(PAIR, TIMES, rotations=rotations))
        apart = turn_between(np.moveaxis(shot.rotations_xyzw, -1, 0), np.moveaxis(rotations, -1, 0))
        assert apart.max() < 1e-12

    def test_joints_of_several_orders_are_not_asked_for_together(self) -> None:
        mixed = Skeleton.plain(["a", "b"], [-1, 0], np.zeros((2, 3)), orders=["ZXY", "XYZ"])
        shot = Shot(mixed, TIMES, channels=channels())
        with pytest.raises(ShapeError, match="should share one rotation order"):
            shot.joint_rotations([0, 1])
        assert shot.rotations_xyzw.shape == (3, 2, 4)


class TestPositions:
    def test_without_any_they_are_the_offsets(self) -> None:
        shot = Shot(PAIR, TIMES, rotations=STILL)
        np.testing.assert_array_equal(shot.local_positions, np.tile(PAIR.offsets, (3, 1, 1)))

    def test_given_ones_are_handed_on(self) -> None:
        positions = np.arange(18.0).reshape(3, 2, 3)
        shot = Shot(PAIR, TIMES, rotations=STILL, positions=positions)
        np.testing.assert_array_equal(shot.local_positions, positions)

    def test_position_channels_take_the_place_of_the_offset_axis_by_axis(self) -> None:
        values = np.zeros((3, 6))
        values[:, 0], values[:, 1] = [7.0, 8.0, 9.0], [1.0, 2.0, 3.0]
        made = channels(values=values, position_columns=[[1, -1, 0], [-1, -1, -1]])
        local = Shot(PAIR, TIMES, channels=made).local_positions
        np.testing.assert_array_equal(local[:, 0], [[1, 9, 7], [2, 9, 8], [3, 9, 9]])
        np.testing.assert_array_equal(local[:, 1], [[0, -4, 0]] * 3)


class TestSource:
    @pytest.mark.parametrize(
        ("file", "label"),
        [
            ("walk.bvh", "walk"),
            ("a/b/walk.v2.bvh", "walk.v2"),
            ("C:\\takes\\walk.bvh", "walk"),
            ("walk", "walk"),
            (".bvh", ".bvh"),
            ("untitled", "untitled"),
        ],
    )
    def test_its_label_is_the_name_of_the_file(self, file: str, label: str) -> None:
        assert Source(file).label == label

    @pytest.mark.parametrize(
        ("file", "own", "label"),
        [
            ("x.glb", "walk", "x walk"),
            ("folder/x.glb", "a/b", "x a/b"),
            ("folder/x.v2.gltf", "take.01", "x.v2 take.01"),
            ("C:\\takes\\x.GLB", "2", "x 2"),
            ("x.usda", "/Model/Walk", "x /Model/Walk"),
            ("C# takes/a#b.glb", "c#d", "a#b c#d"),
        ],
    )
    def test_in_a_file_of_several_the_shots_own_name_follows(
        self, file: str, own: str, label: str
    ) -> None:
        named = Source(file).shot_named(own)
        assert (named.file, named.path, named.label) == (f"{file}#{own}", file, label)

    @pytest.mark.parametrize("file", ["take#3.bvh", "my.take#3.bvh", "x.glb#"])
    def test_a_number_sign_in_a_files_name_is_just_that(self, file: str) -> None:
        assert Source(file).path == file

    def test_a_shot_made_in_python_says_so(self) -> None:
        assert Shot(PAIR, TIMES, rotations=STILL).source == Source("untitled", "memory", None)


def arrays(shot: Shot) -> dict[str, Array]:
    """Return every array that a shot holds or hands out."""
    found = {
        "times_s": shot.times_s,
        "weights": shot.weights,
        "rotations_xyzw": shot.rotations_xyzw,
        "local_positions": shot.local_positions,
        "offsets": shot.skeleton.offsets,
    }
    if shot.channels is not None:
        found |= {
            name: getattr(shot.channels, name)
            for name in ("values", "rotation_columns", "position_columns")
        }
    return found


class TestFrozen:
    @given(shots(frame_counts=(2, 9)))
    def test_no_array_can_be_written_to(self, shot: Shot) -> None:
        open_ones = [name for name, array in arrays(shot).items() if array.flags.writeable]
        assert open_ones == []

    def test_not_even_the_weight_of_a_single_frame(self) -> None:
        assert not Shot(PAIR, np.zeros(1), rotations=STILL[:1]).weights.flags.writeable

    def test_nor_the_counts_of_keys_that_it_remembers(self) -> None:
        assert not Shot(PAIR, TIMES, rotations=STILL).rotation_keys.flags.writeable

    def test_the_callers_rotations_stay_the_callers(self) -> None:
        rotations = STILL.copy()
        shot = Shot(PAIR, TIMES, rotations=rotations)
        rotations[0, 0] = (1.0, 0.0, 0.0, 0.0)
        np.testing.assert_array_equal(shot.rotations_xyzw, STILL)

    def test_asked_for_arrays_can_be_written_to_without_harm(self) -> None:
        shot = Shot(PAIR, TIMES, rotations=STILL)
        shot.joint_rotations([0])[:] = 0.0
        made = Shot(PAIR, TIMES, channels=channels(values=np.full((3, 6), 5.0)))
        assert made.channels is not None
        made.channels.angles_rad([0], "ZXY")[:] = 0.0
        np.testing.assert_array_equal(shot.rotations_xyzw, STILL)
        np.testing.assert_array_equal(made.channels.values, 5.0)

    @given(shots(frame_counts=(1, 2, 9)))
    def test_it_travels_between_processes(self, shot: Shot) -> None:
        again = pickle.loads(pickle.dumps(shot))
        assert again.source == shot.source
        assert again.skeleton.names == shot.skeleton.names
        for name, array in arrays(shot).items():
            np.testing.assert_array_equal(arrays(again)[name], array)

    @pytest.mark.parametrize("asked_before", [False, True])
    @pytest.mark.parametrize("made_of", ["channels", "rotations"])
    def test_its_arrays_are_read_only_after_the_journey(
        self, made_of: str, *, asked_before: bool
    ) -> None:
        shot = Shot(PAIR, TIMES, rotations=STILL)
        shot = as_channels(shot) if made_of == "channels" else shot
        if asked_before:
            arrays(shot)
        again = pickle.loads(pickle.dumps(shot))
        open_ones = [name for name, array in arrays(again).items() if array.flags.writeable]
        assert open_ones == []
