"""Forward kinematics against homogeneous matrices, multiplied out with scipy's rotations."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from audit.model import Skeleton
from audit.model.kinematics import (
    rest_height,
    rest_positions,
    rest_transforms,
    tip_positions,
    world_rest,
    world_transforms,
)

PARENTS = [-1, 0, 1, 1, 3, -1]
FRAMES = 4


def matrices_of(
    rotations: np.ndarray, positions: np.ndarray, scales: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return world rotation matrices (J, F, 3, 3) and positions (J, F, 3)."""
    joints = len(PARENTS)
    world = np.zeros((joints, FRAMES, 4, 4))
    turned = np.zeros((joints, FRAMES, 3, 3))
    for joint, parent in enumerate(PARENTS):
        for frame in range(FRAMES):
            turn = Rotation.from_quat(rotations[:, joint, frame]).as_matrix()
            local = np.eye(4)
            local[:3, :3] = turn @ np.diag(scales[:, joint, frame])
            local[:3, 3] = positions[:, joint, frame]
            world[joint, frame] = local if parent < 0 else world[parent, frame] @ local
            turned[joint, frame] = turn if parent < 0 else turned[parent, frame] @ turn
    return turned, world[..., :3, 3]


@pytest.mark.parametrize("scaled", [False, True])
def test_world_transforms_are_products_of_matrices(scaled: bool) -> None:
    chance = np.random.default_rng(5)
    shape = (len(PARENTS), FRAMES)
    skeleton = Skeleton.plain([f"j{place}" for place in range(6)], PARENTS, np.zeros((6, 3)))
    rotations = chance.normal(size=(4, *shape))
    rotations /= np.linalg.norm(rotations, axis=0)
    positions = chance.normal(size=(3, *shape))
    scales = chance.uniform(0.5, 2.0, (3, *shape)) if scaled else np.ones((3, *shape))
    world, places, _ = world_transforms(skeleton, rotations, positions, scales if scaled else None)
    turned, expected = matrices_of(rotations, positions, scales)
    np.testing.assert_allclose(np.moveaxis(places, 0, -1), expected, atol=1e-12)
    got = Rotation.from_quat(np.moveaxis(world, 0, -1).reshape(-1, 4)).as_matrix()
    np.testing.assert_allclose(got, turned.reshape(-1, 3, 3), atol=1e-12)


@pytest.mark.parametrize("scaled", [False, True])
def test_the_rest_pose_in_the_world_is_a_product_of_matrices(scaled: bool) -> None:
    chance = np.random.default_rng(6)
    rotations = chance.normal(size=(6, 4))
    rotations /= np.linalg.norm(rotations, axis=1)[:, None]
    offsets, tips = chance.normal(size=(6, 3)), chance.normal(size=(3, 3))
    holders = np.array([2, 4, 4])
    skeleton = Skeleton(
        tuple(f"j{place}" for place in range(6)),
        np.array(PARENTS),
        offsets,
        rotations,
        (None,) * 6,
        holders,
        tips,
        rest_scales=chance.uniform(0.5, 2.0, (6, 3)) if scaled else np.ones((6, 3)),
    )
    frames = np.tile(np.eye(4), (6, 1, 1))
    turned = np.zeros((6, 3, 3))
    for joint, parent in enumerate(PARENTS):
        turn = Rotation.from_quat(rotations[joint]).as_matrix()
        frames[joint, :3, :3] = turn * skeleton.rest_scales[joint]
        frames[joint, :3, 3] = offsets[joint]
        turned[joint] = turn if parent < 0 else turned[parent] @ turn
        if parent >= 0:
            frames[joint] = frames[parent] @ frames[joint]
    world = rest_transforms(skeleton)
    assert (world.linear is not None) == scaled
    np.testing.assert_allclose(world.positions[..., 0].T, frames[:, :3, 3], atol=1e-12)
    got = Rotation.from_quat(world_rest(skeleton).T).as_matrix()
    np.testing.assert_allclose(got, turned, atol=1e-12)
    ends = frames[holders] @ np.column_stack((tips, np.ones(3)))[..., None]
    np.testing.assert_allclose(tip_positions(skeleton, world)[..., 0].T, ends[:, :3, 0], atol=1e-12)
    points = np.concatenate((frames[:, :3, 3], ends[:, :3, 0]))
    assert rest_height(skeleton) == pytest.approx(np.ptp(points, axis=0).max(), abs=1e-12)


def test_the_rest_pose_has_its_places_and_height() -> None:
    rest = np.tile([0.0, 0.0, 0.0, 1.0], (2, 1))
    rest[0] = Rotation.from_euler("Z", 90.0, degrees=True).as_quat()
    skeleton = Skeleton(
        ("foot", "head"),
        np.array([-1, 0]),
        np.array([[0.0, 1.0, 0.0], [3.0, 0.0, 0.0]]),
        rest,
        (None, None),
        np.array([1]),
        np.array([[0.5, 0.0, 0.0]]),
    )
    # Turned by 90° about Z, the first joint's X axis points up.
    np.testing.assert_allclose(rest_positions(skeleton), [[0, 1, 0], [0, 4, 0]], atol=1e-12)
    assert rest_height(skeleton) == pytest.approx(3.5)
