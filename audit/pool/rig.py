"""Which shots are of one rig, and how far a rest pose has drifted from one delivery to the next."""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import sha256

import numpy as np
import numpy.typing as npt

from audit.errors import ShapeError
from audit.model import Skeleton
from audit.model.kinematics import rest_height
from audit.rotations import conjugate, multiply, rotation_vector_from_quaternion

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

SAME_FRAME_DEG = 0.05
"""Rest frames that differ by no more are the same. Files that round angles to two decimals stay well under it,
and an offset worth giving is many times as large (our choice)."""

SAME_PLACE = 1e-4
"""Rest positions that differ by no more of the rig's height are the same (our choice)."""


@dataclass(frozen=True, slots=True)
class Tolerance:
    """How far rest poses may be apart and still count as one.

    Attributes
    ----------
    frame_deg
        Between rest frames.
    place
        Between rest positions in the parent's axes, as a share of the rig's height.
    """

    frame_deg: float = SAME_FRAME_DEG
    place: float = SAME_PLACE


@dataclass(frozen=True, eq=False)
class Drift:
    """How far each joint's rest pose is from that of the reference.

    Attributes
    ----------
    angle_deg : (J,)
        Between the rest frames, in the parent's axes.
    move : (J,)
        Between the rest positions in the parent's axes, as a share of the reference's height.
    drifted : (J,) bool
        Where either is out of tolerance.
    """

    angle_deg: Array
    move: Array
    drifted: npt.NDArray[np.bool_]


def joint_paths(skeleton: Skeleton) -> tuple[str, ...]:
    """Return for each joint the names from its root down to it, with a slash between them.

    Children of one joint that share a name are numbered in the order in which they come.
    """
    paths: list[str] = []
    seen: dict[str, int] = {}
    for name, parent in zip(skeleton.names, skeleton.parents, strict=True):
        plain = name.replace("/", "//")
        path = plain if parent < 0 else f"{paths[parent]}/{plain}"
        seen[path] = seen.get(path, 0) + 1
        paths.append(path if seen[path] == 1 else f"{path} [{seen[path]}]")
    return tuple(paths)


def rig_key(skeleton: Skeleton) -> str:
    """Return a key that is the same for skeletons with the same joints below the same parents.

    The order of the joints in the file does not matter, nor do rest pose and rotation orders: numbers that
    agree within a tolerance cannot share a key, because being near is not passed on from one to the next.
    Those are compared with :func:`same_rig`.
    """
    return sha256(
        "\n".join(sorted(joint_paths(skeleton))).encode("utf-8", "surrogatepass")
    ).hexdigest()


def matching_places(reference: Skeleton, other: Skeleton) -> Indices:
    """Return where each joint of the reference stands in another skeleton (J,).

    Raises
    ------
    ShapeError
        Where the two do not have the same joints below the same parents.
    """
    places = {path: place for place, path in enumerate(joint_paths(other))}
    wanted = joint_paths(reference)
    missing = [path for path in wanted if path not in places]
    if missing or len(wanted) != len(places):
        extra = sorted(set(places) - set(wanted))
        named = missing[0] if missing else extra[0]
        raise ShapeError(
            f"the skeletons are not of one rig: only one of them has the joint {named}",
            hint="Pool shots of one rig at a time",
        )
    return np.array([places[path] for path in wanted], dtype=np.int64)


def drift(reference: Skeleton, other: Skeleton, tolerance: Tolerance | None = None) -> Drift:
    """Return how far the rest pose of another delivery is from that of the reference.

    Parameters
    ----------
    reference, other
        Two skeletons with the same joints, in any order; one answer for each joint of the reference.
    tolerance
        What counts as the same.

    Raises
    ------
    ShapeError
        Where they do not have the same joints.
    """
    tolerance = tolerance or Tolerance()
    places = matching_places(reference, other)
    apart = multiply(conjugate(reference.rest_xyzw.T), other.rest_xyzw[places].T)
    angle = np.rad2deg(np.linalg.norm(rotation_vector_from_quaternion(apart), axis=0))
    moved = np.linalg.norm(reference.offsets - other.offsets[places], axis=1)
    height = rest_height(reference)
    moved = moved / height if height > 0.0 else moved
    # A root stands where the shot begins, which says nothing about the rig.
    moved = np.where(reference.parents < 0, 0.0, moved)
    return Drift(angle, moved, (angle > tolerance.frame_deg) | (moved > tolerance.place))


def same_rig(reference: Skeleton, other: Skeleton, tolerance: Tolerance | None = None) -> bool:
    """Tell whether two skeletons are one rig: same joints, same parents, and the same rest pose.

    Rotation orders may differ: they are how a file writes rotations down, and no part of the axes.
    """
    if rig_key(reference) != rig_key(other):
        return False
    return not bool(np.any(drift(reference, other, tolerance).drifted))
