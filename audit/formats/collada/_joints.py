"""From nodes and curves to joints and tracks."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from audit.conventions import AXES, ORDERS
from audit.errors import FormatError
from audit.formats.collada._curves import Curve
from audit.formats.collada._numbers import Array
from audit.formats.collada._scene import ANGLE, UNREAD, Node, Transform
from audit.formats.collada._xml import fault, place
from audit.model import Track
from audit.rotations import (
    matrix_from_quaternion,
    multiply,
    quaternion_from_rotation_vector,
    rotate,
)
from audit.rotations.matrices import quaternion_from_matrix

PRINCIPAL = 1e-6
"""How far an axis may be from a principal one and still be that one (our choice)."""

EVEN = 1e-9
"""Scales that differ by less, as a share of the largest, count as even."""

SHEARED = 1e-4
"""How far the columns of a matrix may be from right angles, as a cosine: files have six digits."""


@dataclass(frozen=True, eq=False, slots=True)
class Pose:
    """A node's place in its parent at some times.

    Attributes
    ----------
    rotations : (4, T)
        Joint frame to parent frame.
    positions, scales : (3, T)
        In the parent's axes, and along the joint's own.
    """

    rotations: Array
    positions: Array
    scales: Array


@dataclass(frozen=True, eq=False, slots=True)
class Joint:
    """A joint: its rest, its rotation order where the document states one, and its tracks."""

    rest: Pose
    order: str | None
    rotations: Track | None
    positions: Track | None
    scales: Track | None


def joint_of(path: str, node: Node) -> Joint:
    """Return the joint of a node.

    The rest pose has every animated rotation at zero and everything else as the document states it; of a matrix
    that is animated as a whole, the stated one.

    Raises
    ------
    FormatError
        Where its transforms cannot be made of a translation, a rotation and a scale.
    """
    for transform in node.transforms:
        if transform.kind in UNREAD:
            raise fault(
                path,
                transform.element,
                f"the joint {node.name!r} has a {transform.kind}, which is not read",
                "Write it as translate, rotate and scale, or as a matrix",
            )
    rest = _pose(path, node, [_at_rest(each) for each in node.transforms])
    turning, moving, scaling = _curves(node)

    def track(curves: list[Curve], part: str) -> Track | None:
        if not curves:
            return None
        times = np.unique(np.concatenate([curve.times_s for curve in curves]))
        pose = _pose(path, node, [_values(each, times) for each in node.transforms])
        values = getattr(pose, part)
        if part == "rotations":
            if any(each.kind == "matrix" for each in node.transforms):
                values = _near_the_one_before(values)
        elif np.all(values == getattr(rest, part)):
            return None
        return Track(times, values.T, "step" if all(curve.held for curve in curves) else "linear")

    return Joint(
        rest,
        stated_order(node),
        track(turning, "rotations"),
        track(moving, "positions"),
        track(scaling, "scales"),
    )


def stated_order(node: Node) -> str | None:
    """Return the rotation order that a node states, None where it states none.

    The last three rotations of the stack, where they are about three different principal axes, hold everything
    that is animated, and those that are not animated stand at zero. Post-multiplied in the order of the
    document they make ``R = R1 · R2 · R3``, so the letters stand as in the document.
    """
    rotations = [each for each in node.transforms if each.kind == "rotate"]
    if not any(each.animated for each in rotations) or any(
        each.kind == "matrix" for each in node.transforms
    ):
        return None
    if any(each.animated for each in rotations[:-3]) or any(
        set(each.curves) - {ANGLE} for each in rotations
    ):
        return None
    letters = ""
    for each in rotations[-3:]:
        axis = np.abs(each.values[:3])
        nearest = int(np.argmax(axis))
        if np.sum(axis) - axis[nearest] > PRINCIPAL * axis[nearest]:
            return None
        if not each.animated and each.values[ANGLE] != 0.0:
            return None
        letters += AXES[nearest]
    return letters if letters in ORDERS else None


def _curves(node: Node) -> tuple[list[Curve], list[Curve], list[Curve]]:
    """Return the curves that rotation, position and scale of a joint depend on."""
    every = list(_all_curves(node.transforms))
    if _tangled(node):
        return every, every, every
    turning = list(_all_curves(each for each in node.transforms if each.kind == "rotate"))
    scaling = list(_all_curves(each for each in node.transforms if each.kind == "scale"))
    moving: list[Curve] = []
    before: list[Curve] = []
    for each in node.transforms:
        own = list(each.curves.values())
        if each.kind != "translate":
            before += own
        elif own or np.any(each.values):
            moving += own + before
            before = []
    return turning, moving, scaling


def _tangled(node: Node) -> bool:
    """Tell whether a node is taken apart from a matrix: then its three parts each depend on all curves."""
    rotations = [n for n, each in enumerate(node.transforms) if each.kind == "rotate"]
    before = node.transforms[: max(rotations, default=0)]
    return any(each.kind == "matrix" for each in node.transforms) or any(
        each.kind == "scale" and (each.animated or not _even(each.values[:, None]))
        for each in before
    )


def _all_curves(transforms: Iterable[Transform]) -> Iterable[Curve]:
    for each in transforms:
        yield from each.curves.values()


def _at_rest(transform: Transform) -> Array:
    """Return a transform's numbers at rest (n, 1)."""
    values = transform.values.copy()
    if transform.kind == "rotate" and transform.animated:
        values[ANGLE] = 0.0
    return values[:, None]


def _values(transform: Transform, times_s: Array) -> Array:
    """Return a transform's numbers (n, T) at some times."""
    values = np.tile(transform.values[:, None], (1, len(times_s)))
    for number, curve in transform.curves.items():
        if number < 0:
            values = curve.at(times_s).T
        else:
            values[number] = curve.at(times_s)[:, 0]
    return values


def _pose(path: str, node: Node, values: list[Array]) -> Pose:
    """Return the product of a node's transforms, in the order of the document, of numbers (n, T) each."""
    with np.errstate(over="ignore", invalid="ignore"):
        pose = _product(path, node, values)
    for part in (pose.rotations, pose.positions, pose.scales):
        if not np.isfinite(part).all():
            raise _unfit(path, node, "has numbers too large to work with")
    return pose


def _product(path: str, node: Node, values: list[Array]) -> Pose:
    """Return the pose that :func:`_pose` then looks over."""
    times = values[0].shape[1] if values else 1
    if _tangled(node):
        return _from_matrices(path, node, values, times)
    turn = np.zeros((4, times))
    turn[3] = 1.0
    move, stretch = np.zeros((3, times)), np.ones((3, times))
    for transform, numbers in zip(node.transforms, values, strict=True):
        if transform.kind == "translate":
            move = move + rotate(turn, stretch * numbers)
        elif transform.kind == "scale":
            stretch = stretch * numbers
        else:
            turn = multiply(turn, _turn(path, transform, numbers))
    return Pose(turn, move, stretch)


def _even(scales: Array) -> bool:
    """Tell whether scales (3, T) are the same along all axes."""
    largest = np.max(np.abs(scales), axis=0)
    return bool(np.all(np.ptp(scales, axis=0) <= EVEN * largest))


def _turn(path: str, transform: Transform, numbers: Array) -> Array:
    """Return quaternions (4, T) of axes and angles in degrees (4, T)."""
    length = np.linalg.norm(numbers[:3], axis=0)
    if np.any(length < 1e-9):
        raise fault(path, transform.element, "the axis of a rotation has no length", "Correct it")
    vector = numbers[:3] / length * np.deg2rad(numbers[ANGLE])
    return quaternion_from_rotation_vector(vector)


def _from_matrices(path: str, node: Node, values: list[Array], times: int) -> Pose:
    """Return the product of a node's transforms by way of matrices, taken apart again."""
    whole = np.tile(np.eye(4), (times, 1, 1))
    for transform, numbers in zip(node.transforms, values, strict=True):
        step = np.tile(np.eye(4), (times, 1, 1))
        if transform.kind == "matrix":
            step = numbers.T.reshape(-1, 4, 4)
            if np.max(np.abs(step[:, 3] - [0.0, 0.0, 0.0, 1.0])) > 1e-6:
                raise fault(
                    path, transform.element, "the last row of a matrix is not 0 0 0 1", "Correct it"
                )
        elif transform.kind == "translate":
            step[:, :3, 3] = numbers.T
        elif transform.kind == "scale":
            step[:, [0, 1, 2], [0, 1, 2]] = numbers.T
        else:
            step[:, :3, :3] = np.moveaxis(
                matrix_from_quaternion(_turn(path, transform, numbers)), -1, 0
            )
        whole = whole @ step
    linear = whole[:, :3, :3]
    if not np.isfinite(whole).all():
        raise _unfit(path, node, "has numbers too large to work with")
    scales = np.linalg.norm(linear, axis=1)
    if np.any(scales < 1e-9 * np.max(scales, initial=1e-30)):
        raise _unfit(path, node, "has a scale of zero, which hides its rotation")
    axes = linear / scales[:, None, :]
    crossed = axes.transpose(0, 2, 1) @ axes - np.eye(3)
    if np.max(np.abs(crossed)) > SHEARED:
        raise _unfit(path, node, "is sheared")
    mirrored = np.linalg.det(axes) < 0.0
    axes = np.where(mirrored[:, None, None], -axes, axes)
    scales = np.where(mirrored[:, None], -scales, scales)
    # Six digits of a rotation make columns that are not quite of length one; that is no scale.
    scales = np.where(np.all(np.abs(scales - 1.0) < SHEARED, axis=1, keepdims=True), 1.0, scales)
    return Pose(quaternion_from_matrix(np.moveaxis(axes, 0, -1)), whole[:, :3, 3].T, scales.T)


def _unfit(path: str, node: Node, cause: str) -> FormatError:
    return FormatError(
        f"the joint {node.name!r} {cause}",
        path=path,
        where=place(node.element),
        hint="A joint is a translation, a rotation and a scale along its own axes, in this order",
    )


def _near_the_one_before(quaternions: Array) -> Array:
    """Return quaternions (4, T) with signs such that neighbours are near each other."""
    dots = np.sum(quaternions[:, 1:] * quaternions[:, :-1], axis=0)
    signs = np.concatenate(([1.0], np.cumprod(np.where(dots < 0.0, -1.0, 1.0))))
    return quaternions * signs
