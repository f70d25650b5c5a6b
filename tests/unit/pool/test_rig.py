"""Which shots are of one rig, and how far a rest pose has drifted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from audit.demo.rig import clean_skeleton
from audit.errors import ShapeError
from audit.model import Skeleton
from audit.model.kinematics import rest_height
from audit.pool import Tolerance, drift, joint_paths, matching_places, rig_key, same_rig

RIG = clean_skeleton()


def reordered(skeleton: Skeleton, seed: int) -> Skeleton:
    """Return the same joints in another order in which parents still come first."""
    rng = np.random.default_rng(seed)
    depth = np.zeros(len(skeleton), dtype=int)
    for joint, parent in enumerate(skeleton.parents):
        depth[joint] = 0 if parent < 0 else depth[parent] + 1
    order = np.lexsort((rng.permutation(len(skeleton)), depth))
    place = np.argsort(order)
    parents = [-1 if p < 0 else place[p] for p in skeleton.parents[order]]
    return Skeleton(
        tuple(skeleton.names[each] for each in order),
        np.array(parents),
        skeleton.offsets[order],
        skeleton.rest_xyzw[order],
        tuple(skeleton.orders[each] for each in order),
    )


def turned(skeleton: Skeleton, joint: str, degrees: float) -> Skeleton:
    rest = skeleton.rest_xyzw.copy()
    place = skeleton.names.index(joint)
    rest[place] = Rotation.from_euler("y", degrees, degrees=True).as_quat()
    return replace(skeleton, rest_xyzw=rest)


def moved(skeleton: Skeleton, joint: str, by: float) -> Skeleton:
    offsets = skeleton.offsets.copy()
    offsets[skeleton.names.index(joint), 0] += by
    return replace(skeleton, offsets=offsets)


@pytest.mark.parametrize("seed", range(3))
def test_the_order_of_joints_in_the_file_does_not_matter(seed: int) -> None:
    other = reordered(RIG, seed)
    assert other.names != RIG.names
    assert rig_key(other) == rig_key(RIG)
    assert same_rig(RIG, other)
    places = matching_places(RIG, other)
    assert tuple(other.names[each] for each in places) == RIG.names


def test_rotation_orders_do_not_matter() -> None:
    other = replace(RIG, orders=("XYZ",) * len(RIG))
    assert same_rig(RIG, other)


def test_a_renamed_joint_is_another_rig() -> None:
    names = list(RIG.names)
    names[5] = "Other"
    other = replace(RIG, names=tuple(names))
    assert not same_rig(RIG, other)
    with pytest.raises(ShapeError, match="only one of them has the joint"):
        matching_places(RIG, other)


def test_another_parent_is_another_rig() -> None:
    parents = RIG.parents.copy()
    parents[-1] = 0
    assert not same_rig(RIG, replace(RIG, parents=parents))


def test_a_name_may_repeat() -> None:
    skeleton = Skeleton.plain(["a", "b", "b", "b"], [-1, 0, 0, 1], np.zeros((4, 3)))
    assert joint_paths(skeleton) == ("a", "a/b", "a/b [2]", "a/b/b")
    assert same_rig(skeleton, skeleton)


@pytest.mark.parametrize(
    ("degrees", "same"), [(0.0, True), (0.04, True), (0.06, False), (20.0, False)]
)
def test_frames_count_as_the_same_within_the_tolerance(degrees: float, same: bool) -> None:
    other = turned(RIG, "L_Knee", degrees)
    assert same_rig(RIG, other) is same
    found = drift(RIG, other)
    knee = RIG.names.index("L_Knee")
    np.testing.assert_allclose(found.angle_deg[knee], degrees, atol=1e-9)
    assert list(np.flatnonzero(found.drifted)) == ([] if same else [knee])
    assert np.max(np.delete(found.angle_deg, knee)) == 0.0


def test_moves_are_shares_of_the_height() -> None:
    height = rest_height(RIG)
    found = drift(RIG, moved(RIG, "R_Knee", 0.001 * height))
    np.testing.assert_allclose(found.move[RIG.names.index("R_Knee")], 0.001, rtol=1e-9)
    assert same_rig(RIG, moved(RIG, "R_Knee", 0.9e-4 * height))
    assert not same_rig(RIG, moved(RIG, "R_Knee", 1.1e-4 * height))
    assert same_rig(RIG, moved(RIG, "R_Knee", 0.001 * height), Tolerance(place=0.01))


def test_where_the_root_stands_does_not_matter() -> None:
    assert same_rig(RIG, moved(RIG, RIG.names[0], 1000.0))


def test_drift_follows_the_joints_into_another_order() -> None:
    other = reordered(turned(RIG, "L_Elbow", 3.0), 5)
    found = drift(RIG, other)
    assert list(np.flatnonzero(found.drifted)) == [RIG.names.index("L_Elbow")]
