"""Tracks of glTF files are made without the checks of their constructor: they must be as it would have them."""

from __future__ import annotations

import pickle

import numpy as np
import pytest

from audit.errors import FormatError
from audit.model import Track
from tests.formats.gltf_making import Making, read_all, read_one
from tests.formats.test_gltf_writing import rig


@pytest.mark.parametrize("seed", range(8))
def test_they_are_as_the_constructor_makes_them(seed: int) -> None:
    tracks = read_all(rig(seed).glb())[0].tracks
    assert tracks is not None
    held = [track for track in (*tracks.rotations, *tracks.positions, *tracks.scales) if track]
    assert held
    for track in held:
        made = Track(
            track.times_s,
            track.values,
            track.interpolation,
            track.in_tangents,
            track.out_tangents,
        )
        assert vars(track).keys() == vars(made).keys()
        for one, two in ((track.times_s, made.times_s), (track.values, made.values)):
            assert one.dtype == two.dtype
            assert one.flags.c_contiguous
            assert not one.flags.writeable
            np.testing.assert_array_equal(one, two)
        again = pickle.loads(pickle.dumps(track))
        np.testing.assert_array_equal(again.values, track.values)
        assert not again.values.flags.writeable


def test_joints_that_share_an_accessor_have_their_keys_each() -> None:
    """Keys are made unit length where they lie, which must not happen twice to the same ones."""
    making = Making()
    nodes = [making.node(name=name) for name in "ab"]
    times = making.times([0, 1])
    keys = making.accessor([[0, 0, 0, 2], [0, 1.2, 0, 1.6]])
    making.animation(*((node, "rotation", times, keys) for node in nodes))
    tracks = read_one(making).tracks
    assert tracks is not None
    assert tracks.length_errors == pytest.approx((1.0, 1.0))
    for track in tracks.rotations:
        assert track is not None
        np.testing.assert_allclose(track.values, [[0, 0, 0, 1], [0, 0.6, 0, 0.8]], atol=1e-7)


def test_a_count_beyond_all_measure_asks_for_no_memory() -> None:
    making = Making()
    node = making.node(name="a")
    keys = making.accessor([[0, 0, 0, 1], [0, 0, 0, 1]])
    making.top["accessors"][keys]["count"] = 10**15
    making.animation((node, "rotation", making.times([0, 1]), keys))
    with pytest.raises(FormatError):
        read_one(making)
