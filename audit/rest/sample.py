"""A small figure with known answers, for the examples that every check of a rest pose carries."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
from scipy.spatial.transform import Rotation

from audit.model import Skeleton, Skin

Array = npt.NDArray[np.float64]

TRUNK: tuple[tuple[str, str | None, tuple[float, float, float]], ...] = (
    ("Hips", None, (0.0, 0.95, 0.0)),
    ("Spine", "Hips", (0.0, 1.1, 0.0)),
    ("Neck", "Spine", (0.0, 1.45, 0.0)),
    ("Head", "Neck", (0.0, 1.55, 0.0)),
)
LEFT: tuple[tuple[str, str, tuple[float, float, float]], ...] = (
    ("Thigh", "Hips", (0.1, 0.9, 0.0)),
    ("Shin", "L_Thigh", (0.1, 0.5, 0.02)),
    ("Foot", "L_Shin", (0.1, 0.08, 0.0)),
    ("UpperArm", "Spine", (0.2, 1.4, 0.0)),
    ("Forearm", "L_UpperArm", (0.45, 1.4, -0.01)),
    ("Hand", "L_Forearm", (0.7, 1.4, 0.0)),
)
TIPS = {"Head": (0.0, 1.75, 0.0), "L_Foot": (0.1, 0.0, 0.15), "L_Hand": (0.85, 1.4, 0.006)}
"""A figure of 1.75 m, up +Y, facing +Z, in metres."""


def figure(
    *,
    moved: Mapping[str, Sequence[float]] | None = None,
    turned: Mapping[str, Sequence[float]] | None = None,
    renamed: Mapping[str, str] | None = None,
    orders: Mapping[str, str] | None = None,
    scales: Mapping[str, Sequence[float]] | None = None,
    size: float = 1.0,
    facing_deg: float = 0.0,
) -> Skeleton:
    """Return a figure of sixteen joints that is clean, but for what is asked.

    Every joint but the root has X along its limb and, in the limbs, Z along the axis that it bends about. The
    right axes are the mirrored left ones, reversed.

    Parameters
    ----------
    moved
        By joint: what to add to its place in the world, joints below it staying where they are.
    turned
        By joint: rotation vector in degrees, in its own axes, that turns its axes and nothing else.
    renamed
        New name by joint.
    orders
        Rotation order by joint; all others have XYZ, with the hinge innermost.
    scales
        Rest scale by joint; places in the world stay.
    size
        Factor of all places.
    facing_deg
        Turn of the whole figure about the vertical.
    """
    names, parents, places, tips = _places()
    axes = _axes(names, parents, places, tips)
    for name, shift in (moved or {}).items():
        places[names.index(name)] += shift
    for name, turn in (turned or {}).items():
        place = names.index(name)
        axes[place] = axes[place] @ Rotation.from_rotvec(turn, degrees=True).as_matrix()
    whole = Rotation.from_rotvec([0.0, facing_deg, 0.0], degrees=True).as_matrix()
    places, axes = size * places @ whole.T, whole @ axes
    stretch = np.ones((len(names), 3))
    for name, scale in (scales or {}).items():
        stretch[names.index(name)] = scale
    local, offsets, linear = axes.copy(), places.copy(), axes * stretch[:, None]
    for joint, parent in enumerate(parents):
        if parent >= 0:
            local[joint] = axes[parent].T @ axes[joint]
            offsets[joint] = np.linalg.solve(linear[parent], places[joint] - places[parent])
            linear[joint] = linear[parent] @ local[joint] * stretch[joint]
    ends = {names.index(name): size * whole @ place for name, place in tips.items()}
    return Skeleton(
        tuple((renamed or {}).get(name, name) for name in names),
        np.array(parents),
        offsets,
        Rotation.from_matrix(local).as_quat(),
        tuple((orders or {}).get(name, "XYZ") for name in names),
        np.array(list(ends)),
        np.array([np.linalg.solve(linear[j], end - places[j]) for j, end in ends.items()]),
        stretch,
    )


def sleeve(skeleton: Skeleton, joint: str, shift: Sequence[float] = (0.0, 0.0, 0.0)) -> Skin:
    """Return a skin of the plain figure: a tube about the limbs above and below a joint.

    Parameters
    ----------
    skeleton
        From :func:`figure`, in its plain size and direction.
    joint
        Name of the joint.
    shift
        By how much the tube is beside the joint there, in metres.
    """
    names, parents, places, _ = _places()
    middle = names.index(joint)
    above, below = parents[middle], parents.index(middle)
    around = np.linspace(0.0, 2.0 * np.pi, 16, endpoint=False)
    points = []
    for end in (above, below):
        limb = places[end] - places[middle]
        side = np.cross(limb, [0.0, 0.6, 0.8])
        side /= np.linalg.norm(side)
        other = np.cross(limb, side) / np.linalg.norm(limb)
        ring = 0.05 * (np.cos(around)[:, None] * side + np.sin(around)[:, None] * other)
        points += [
            places[middle] + shift + share * limb + ring for share in np.linspace(0, 0.9, 10)
        ]
    cloud = np.concatenate(points)
    binds = np.eye(4)[None].copy()
    from_world = np.asarray(_axes(*_places())[middle]).T
    binds[0, :3, :3], binds[0, :3, 3] = from_world, -from_world @ places[middle]
    ones = np.ones((len(cloud), 1))
    zeros = np.zeros((len(cloud), 1), dtype=np.int64)
    return Skin("sleeve", np.array([skeleton.names.index(joint)]), binds, cloud, zeros, ones)


def _places() -> tuple[list[str], list[int], Array, dict[str, Array]]:
    names, above, places = (list(column) for column in zip(*TRUNK, strict=True))
    tips = {name: np.array(place) for name, place in TIPS.items()}
    for side, sign in (("L_", 1.0), ("R_", -1.0)):
        for name, parent, place in LEFT:
            names.append(side + name)
            above.append(parent.replace("L_", side))
            places.append((sign * place[0], *place[1:]))
        for name in [name for name in tips if name.startswith("L_")]:
            tips[name.replace("L_", side)] = np.array([sign, 1.0, 1.0]) * TIPS[name]
    parents = [-1 if name is None else names.index(name) for name in above]
    return names, parents, np.array(places, dtype=np.float64), tips


def _axes(names: list[str], parents: list[int], places: Array, tips: dict[str, Array]) -> Array:
    axes = np.tile(np.eye(3), (len(names), 1, 1))
    for joint, name in enumerate(names):
        if parents[joint] < 0:
            continue
        below = [other for other, parent in enumerate(parents) if parent == joint]
        end = places[below[0]] if below else tips[name]
        aim = end - places[joint]
        aim /= np.linalg.norm(aim)
        side = np.array([0.0, -1.0, 0.0] if "Arm" in name or "arm" in name else [1.0, 0.0, 0.0])
        if name.endswith("Hand"):
            side = np.array([0.0, -1.0, 0.0])
        if name.startswith("R_"):
            # All three of the mirrored left axes, reversed.
            aim, side = -aim, side * [1.0, -1.0, -1.0]
        side = side - aim * (side @ aim)
        side /= np.linalg.norm(side)
        axes[joint] = np.stack((aim, np.cross(side, aim), side), axis=1)
    return axes
