"""Tracks: keys at their own times, and the values between them."""

from __future__ import annotations

import dataclasses
import pickle
from typing import Any, Literal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.errors import ShapeError
from audit.model import Shot, Skeleton, Track, Tracks, time_weights
from audit.rotations import quaternion_from_rotation_vector
from tests.strategies import random_directions, random_quaternions, read_only, seeds, turn_between

IDENTITY = (0.0, 0.0, 0.0, 1.0)
QUARTER_Z = (0.0, 0.0, np.sqrt(0.5), np.sqrt(0.5))


class TestRefusal:
    @pytest.mark.parametrize(
        ("changes", "message"),
        [
            ({"times_s": [], "values": np.zeros((0, 4))}, "a track needs at least one key"),
            ({"times_s": [0.0, 0.0]}, "times_s should increase from key to key"),
            ({"times_s": [1.0, 0.0]}, "times_s should increase from key to key"),
            ({"times_s": [0.0, np.nan]}, "times_s holds a number that is not finite"),
            ({"values": [IDENTITY]}, r"values should have shape \(2, any\), got \(1, 4\)"),
            ({"interpolation": "cubic"}, "belong to cubic tracks"),
            ({"interpolation": "cubic", "in_tangents": np.zeros((2, 4))}, "belong to cubic tracks"),
            ({"in_tangents": np.zeros((2, 4))}, "belong to cubic tracks"),
            ({"out_tangents": np.zeros((2, 4))}, "belong to cubic tracks"),
            (
                {
                    "interpolation": "cubic",
                    "in_tangents": np.zeros((2, 4)),
                    "out_tangents": np.zeros((2, 3)),
                },
                "out_tangents should have shape",
            ),
        ],
    )
    def test_what_does_not_fit_is_named(self, changes: dict[str, Any], message: str) -> None:
        fields: dict[str, Any] = {"times_s": [0.0, 1.0], "values": [IDENTITY, QUARTER_Z]}
        with pytest.raises(ShapeError, match=message):
            Track(**(fields | changes))

    def test_rotations_are_unit_quaternions(self) -> None:
        bad = Track(np.array([0.0, 1.0]), np.array([IDENTITY, (0.0, 0.0, 0.0, 2.0)]))
        with pytest.raises(ShapeError, match="key 1 of joint number 1 has 2"):
            Tracks((None, bad), (None, None), (None, None))

    @pytest.mark.parametrize("short", ["rotations", "positions", "scales"])
    def test_there_is_one_entry_a_joint(self, short: str) -> None:
        skeleton = Skeleton.plain(["a", "b"], [-1, 0], np.zeros((2, 3)))
        parts: dict[str, Any] = dict.fromkeys(("rotations", "positions", "scales"), (None, None))
        with pytest.raises(ShapeError, match="2 joints"):
            Shot(skeleton, np.zeros(1), tracks=Tracks(**(parts | {short: (None,)})))


@pytest.mark.parametrize("interpolation", ["step", "linear"])
def test_checked_keys_make_the_same_track_without_a_copy(
    interpolation: Literal["step", "linear"],
) -> None:
    times, values = np.array([0.0, 0.5, 2.0]), np.array([IDENTITY, QUARTER_Z, IDENTITY])
    checked = Track(times, values, interpolation)
    track = Track.from_checked(times, values, interpolation)
    assert track.times_s is times
    assert track.values is values
    for each in (track, pickle.loads(pickle.dumps(track))):
        assert {field.name for field in dataclasses.fields(each)} == set(vars(each))
        for field in dataclasses.fields(Track):
            wanted, got = getattr(checked, field.name), getattr(each, field.name)
            np.testing.assert_array_equal(got, wanted)
            assert not isinstance(got, np.ndarray) or not got.flags.writeable
        asked = np.linspace(-0.5, 2.5, 13)
        np.testing.assert_array_equal(each.at(asked), checked.at(asked))


class TestBetweenKeys:
    # glTF 2.0 (ISO/IEC 12113), appendix C, gives the three rules; the numbers are worked out by hand.
    def test_half_way_to_a_quarter_turn(self) -> None:
        track = Track(np.array([0.0, 1.0]), np.array([IDENTITY, QUARTER_Z]))
        expected = [0.0, 0.0, 0.38268343, 0.92387953]
        np.testing.assert_allclose(track.at([0.5])[0], expected, atol=1e-8)

    def test_the_short_way_round_whatever_the_sign(self) -> None:
        track = Track(np.array([0.0, 1.0]), np.array([IDENTITY, QUARTER_Z]) * [[1.0], [-1.0]])
        expected = [0.0, 0.0, 0.38268343, 0.92387953]
        np.testing.assert_allclose(np.abs(track.at([0.5])[0]), expected, atol=1e-8)

    def test_a_step_holds_the_earlier_key(self) -> None:
        track = Track(np.array([0.0, 1.0, 2.0]), np.array([[1.0], [2.0], [3.0]]), "step")
        found = track.at([-1.0, 0.0, 0.999, 1.0, 1.5, 2.0, 9.0])
        np.testing.assert_array_equal(found[:, 0], [1, 1, 1, 2, 2, 3, 3])

    def test_a_cubic_spline(self) -> None:
        # Two seconds from 0, leaving at 1 a second, to 10, arriving at −1 a second: 5.5 half way.
        track = Track(
            np.array([0.0, 2.0]),
            np.array([[0.0], [10.0]]),
            "cubic",
            in_tangents=np.array([[0.0], [-1.0]]),
            out_tangents=np.array([[1.0], [0.0]]),
        )
        np.testing.assert_allclose(track.at([1.0]), [[5.5]])
        np.testing.assert_array_equal(track.at([-1.0, 0.0, 2.0, 9.0])[:, 0], [0, 0, 10, 10])

    def test_a_cubic_spline_of_rotations_is_of_unit_length(self) -> None:
        tangents = np.full((2, 4), 0.7)
        values = np.array([IDENTITY, QUARTER_Z])
        track = Track(np.array([0.0, 1.0]), values, "cubic", tangents, tangents)
        lengths = np.linalg.norm(track.at(np.linspace(0.0, 1.0, 9)), axis=1)
        np.testing.assert_allclose(lengths, 1.0, atol=1e-12)

    @given(seeds, st.integers(1, 8), st.sampled_from(["step", "linear"]))
    def test_a_key_is_its_own_value_and_the_ends_hold(
        self, seed: int, keys: int, interpolation: str
    ) -> None:
        generator = np.random.default_rng(seed)
        times = np.cumsum(generator.uniform(0.01, 2.0, keys))
        values = random_quaternions(generator, keys).T
        track = Track(times, values, interpolation)  # type: ignore[arg-type]
        assert turn_between(track.at(times).T, values.T).max() < 1e-12
        assert turn_between(track.at([-5.0, 100.0]).T, values[[0, -1]].T).max() < 1e-12

    def test_at_its_own_time_a_key_keeps_its_sign(self) -> None:
        values = np.array([IDENTITY, QUARTER_Z, IDENTITY]) * [[1.0], [-1.0], [1.0]]
        track = Track(np.array([0.0, 1.0, 2.0]), values)
        np.testing.assert_allclose(track.at([0.0, 1.0, 2.0]), values, atol=1e-12)

    @given(seeds, st.floats(1e-10, 3.0))
    def test_a_linear_turn_goes_evenly(self, seed: int, angle: float) -> None:
        axis = random_directions(np.random.default_rng(seed))
        ends = quaternion_from_rotation_vector(axis[:, None] * np.array([0.0, angle])).T
        share = np.linspace(0.0, 1.0, 11)
        found = Track(np.array([0.0, 1.0]), ends).at(share)
        expected = quaternion_from_rotation_vector(axis[:, None] * angle * share)
        assert turn_between(found.T, expected).max() < 1e-7 * angle + 1e-15

    def test_positions_go_straight(self) -> None:
        track = Track(np.array([1.0, 3.0]), np.array([[0.0, 0.0, 4.0], [2.0, 0.0, 0.0]]))
        np.testing.assert_allclose(track.at([1.5]), [[0.5, 0.0, 3.0]])


class TestShotOfTracks:
    SKELETON = Skeleton.plain(["a", "b", "c"], [-1, 0, 1], np.eye(3))
    TURNING = Track(np.array([0.0, 2.0]), np.array([IDENTITY, QUARTER_Z]))
    MOVING = Track(np.array([0.0, 1.0]), np.array([[0.0, 0.0, 0.0], [4.0, 0.0, 0.0]]))

    def shot(self) -> Shot:
        none = (None, None, None)
        tracks = Tracks((None, self.TURNING, None), (None, None, self.MOVING), none)
        return Shot(self.SKELETON, np.array([0.0, 1.0, 2.0]), tracks=tracks)

    def test_each_joint_has_its_own_times(self) -> None:
        shot = self.shot()
        np.testing.assert_array_equal(shot.joint_times(1), [0.0, 2.0])
        np.testing.assert_array_equal(shot.joint_times(0), [0.0])
        assert shot.joint_rotations([1]).shape == (4, 1, 2)
        np.testing.assert_array_equal(shot.joint_rotations([0, 2])[:, :, 0].T, [IDENTITY] * 2)

    def test_at_the_times_of_the_shot_they_are_drawn(self) -> None:
        shot = self.shot()
        np.testing.assert_array_equal(shot.rotations_xyzw[:, 0], [IDENTITY] * 3)
        np.testing.assert_allclose(
            shot.rotations_xyzw[:, 1],
            [IDENTITY, (0, 0, 0.38268343, 0.92387953), QUARTER_Z],
            atol=1e-8,
        )
        np.testing.assert_array_equal(shot.local_positions[:, 0], [[1, 0, 0]] * 3)
        np.testing.assert_array_equal(shot.local_positions[:, 2], [[0, 0, 0], [4, 0, 0], [4, 0, 0]])

    def test_a_joint_without_a_track_keeps_its_rest_rotation(self) -> None:
        rest = np.array([QUARTER_Z, IDENTITY, IDENTITY])
        skeleton = Skeleton(("a", "b", "c"), np.array([-1, 0, 1]), np.eye(3), rest, (None,) * 3)
        none = (None, None, None)
        shot = Shot(skeleton, np.array([0.0, 1.0]), tracks=Tracks(none, none, none))
        np.testing.assert_array_equal(shot.rotations_xyzw[:, 0], [QUARTER_Z] * 2)
        np.testing.assert_array_equal(shot.joint_rotations([0])[:, 0, 0], QUARTER_Z)

    def test_its_arrays_are_read_only_here_and_after_a_journey(self) -> None:
        for shot in (self.shot(), pickle.loads(pickle.dumps(self.shot()))):
            assert shot.tracks is not None
            track = shot.tracks.rotations[1]
            assert track is not None
            for array in (track.times_s, track.values, shot.rotations_xyzw, shot.local_positions):
                assert not array.flags.writeable

    def test_inputs_stay_as_they_are(self) -> None:
        values = read_only(np.array([IDENTITY, QUARTER_Z]))
        track = Track(read_only([0.0, 1.0]), values)
        track.at(read_only([0.5, 2.0]))
        np.testing.assert_array_equal(values, [IDENTITY, QUARTER_Z])


@pytest.mark.parametrize(
    ("times", "expected"),
    [([5.0], [1.0]), ([0.0, 9.0], [0.5, 0.5]), ([0.0, 1.0, 4.0], [1 / 6, 2 / 6, 3 / 6])],
)
def test_time_weights(times: list[float], expected: list[float]) -> None:
    weights = time_weights(np.array(times))
    np.testing.assert_allclose(weights, expected)
    assert not weights.flags.writeable
