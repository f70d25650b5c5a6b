"""Skins posed with the formula that stands in :class:`audit.model.Skin`, from a shot's own tracks."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from audit.model import Shot, Skin, Track
from audit.model.kinematics import world_transforms

Array = npt.NDArray[np.float64]


def world_matrices(shot: Shot, times_s: Array) -> Array:
    """Return the world matrix (T, J, 4, 4) of each joint at some times, scales included."""
    skeleton, tracks = shot.skeleton, shot.tracks
    assert tracks is not None

    def values(given: Sequence[Track | None], rest: Array) -> Array:
        rows = [
            np.tile(still, (len(times_s), 1)) if track is None else track.at(times_s)
            for track, still in zip(given, rest, strict=True)
        ]
        return np.transpose(np.stack(rows), (2, 0, 1))

    world = world_transforms(
        skeleton,
        values(tracks.rotations, skeleton.rest_xyzw),
        values(tracks.positions, skeleton.offsets),
        values(tracks.scales, skeleton.rest_scales),
    )
    assert world.linear is not None
    matrices = np.zeros((len(times_s), len(skeleton), 4, 4))
    matrices[..., :3, :3] = np.transpose(world.linear, (3, 2, 0, 1))
    matrices[..., :3, 3] = np.transpose(world.positions, (2, 1, 0))
    matrices[..., 3, 3] = 1.0
    return matrices


def carried(shot: Shot, skin: Skin, times_s: Array) -> Array:
    """Return the points (T, V, 3) of a skin at some times: the sum of weight · W · inverse_bind · p."""
    matrices = world_matrices(shot, times_s)[:, skin.joints] @ skin.inverse_binds
    ends = np.column_stack((skin.points, np.ones(len(skin.points))))
    each = np.einsum("tvkrc,vc->tvkr", matrices[:, skin.influences], ends)[..., :3]
    result: Array = np.einsum("vk,tvkr->tvr", skin.weights, each)
    return result
