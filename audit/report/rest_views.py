"""A rig seen from three sides: where its points come to lie on a drawing, all at one scale."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from audit.rest.facing import nearest_world_axis
from audit.resting import RestExamination
from audit.wording import axis_in_words

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

WIDEST, HIGHEST = 540.0, 520.0
"""Room for the rig in units of a drawing, without margins."""

ASIDE, ABOVE, BELOW = 72.0, 46.0, 44.0
"""Margins: for marks on both sides, and for words above and below."""

NARROWEST, LOWEST = 150.0, 130.0
"""A rig that is flat from one side still gets this much room."""

NEAR = 0.35
"""The floor and the origin are drawn where they are no further from the rig than this share of its size."""

CROWDED = 13.0
"""Joints that are nearer to each other on the drawing, in its units, are drawn closer as well."""

FEWEST, MOST_CLOSER = 4, 6
"""Joints that make a part worth a drawing of its own, and how many such drawings there are at most."""

CLOSER_WIDE, CLOSER_TALL = 330.0, 260.0
"""Room for a part."""

WORTH_IT = 1.8
"""A part is drawn by itself where that makes it this many times as large."""

FLAT = 0.9
"""Cosine from which a facing counts as pointing up, so that it is no facing to draw by."""


@dataclass(frozen=True, eq=False)
class View:
    """A rig seen along one direction.

    Attributes
    ----------
    name
        ``front``, ``side`` or ``top``.
    right, down, towards : (3,)
        What is to the right and down on the drawing, and what points at the viewer.
    scale
        Units of the drawing for one of length.
    centre : (3,)
        What is in the middle of the drawing.
    width, height
        Of the drawing.
    joints
        Places of the joints that it shows.
    closer
        The joint that a part of the rig begins at, where it is drawn larger; None for the whole rig.
    """

    name: str
    right: Array
    down: Array
    towards: Array
    scale: float
    centre: Array
    width: float
    height: float
    joints: Indices
    closer: str | None = None

    def places(self, points: Array) -> Array:
        """Return where points (N, 3) lie on the drawing (N, 2)."""
        apart = np.asarray(points) - self.centre
        middle = np.array([0.5 * self.width, 0.5 * (self.height + ABOVE - BELOW)])
        return middle + self.scale * np.stack((apart @ self.right, apart @ self.down), axis=-1)

    def directions(self, vectors: Array) -> Array:
        """Return directions (N, 3) as they are seen (N, 2): shorter where they are seen from the end."""
        return np.stack((vectors @ self.right, vectors @ self.down), axis=-1)

    @property
    def title(self) -> str:
        """Where it is seen from."""
        return {"front": "From the front", "side": "From the side", "top": "From above"}[self.name]

    @property
    def turned(self) -> str:
        """Which axes of the world point where."""
        return (
            f"{axis_in_words(self.towards)} points at you, {axis_in_words(self.right)} to the right, "
            f"{axis_in_words(-self.down)} up"
        )


def views_of(examined: RestExamination) -> tuple[View, ...]:
    """Return the three views of a rig.

    The front is seen against the half-axis of the world that is nearest to where the rig faces, so that a rig
    that is turned a little is seen to be. From the front its left is on the right; from the side it faces to
    the right.
    """
    rest = examined.measures
    up, ahead = rest.up, _ahead(examined)
    left = np.cross(up, ahead)
    points = np.concatenate((rest.world.positions, rest.world.tips))
    low = np.array([np.min(points @ each) for each in (left, up, ahead)])
    high = np.array([np.max(points @ each) for each in (left, up, ahead)])
    size = float(np.max(high - low))
    # The floor, where it is near: its level is 0.
    low[1] = 0.0 if 0.0 < low[1] < NEAR * size else low[1]
    high[1] = 0.0 if -NEAR * size < high[1] < 0.0 else high[1]
    extent = high - low
    room = np.array([WIDEST, HIGHEST, WIDEST])
    with np.errstate(divide="ignore"):
        scale = float(np.min(np.where(extent > 0.0, room / extent, np.inf)))
    scale = scale if np.isfinite(scale) else 1.0
    middle = 0.5 * (low + high)
    centre = middle[0] * left + middle[1] * up + middle[2] * ahead
    wide, tall, deep = scale * extent
    everyone = np.arange(len(examined.skeleton))

    def view(name: str, right: Array, down: Array, towards: Array, x: float, y: float) -> View:
        width = max(x, NARROWEST) + 2.0 * ASIDE
        height = max(y, LOWEST) + ABOVE + BELOW
        return View(name, right, down, towards, scale, centre, width, height, everyone)

    return (
        view("front", left, -up, ahead, wide, tall),
        view("side", ahead, -up, -left, deep, tall),
        view("top", left, ahead, up, wide, deep),
    )


def closer_views(examined: RestExamination, views: Sequence[View]) -> tuple[View, ...]:
    """Return views of the parts that are too small to be seen on the whole rig, such as hands.

    Joints whose nearest neighbour is near on the drawing belong to a part, together with the joint that they
    hang on. Each part is seen from where it covers most. Parts with findings come first.
    """
    skeleton, positions = examined.skeleton, examined.measures.world.positions
    parts: dict[int, list[int]] = {}
    above: dict[int, int] = {}
    for joint in np.flatnonzero(_crowded(positions, CROWDED / views[0].scale)).tolist():
        parent = int(skeleton.parents[joint])
        above[joint] = above.get(parent, parent if parent >= 0 else joint)
        parts.setdefault(above[joint], []).append(joint)
    faulty = {finding.joint for finding in examined.findings}
    kept = [each for each in parts.items() if len(each[1]) >= FEWEST]
    kept.sort(key=lambda each: (not faulty & set(each[1]), each[0]))
    found = (_closer(examined, views, top, joints) for top, joints in kept[:MOST_CLOSER])
    return tuple(view for view in found if view is not None)


def _crowded(positions: Array, near: float) -> npt.NDArray[np.bool_]:
    """Return the joints (J,) with another one in another place near them."""
    spots, where = np.unique(positions, axis=0, return_inverse=True)
    if len(spots) < 2:
        return np.zeros(len(positions), dtype=bool)
    apart = np.asarray(cKDTree(spots).query(spots, k=2)[0])[:, 1]
    return np.asarray(apart[where.reshape(-1)] < near)


def _closer(
    examined: RestExamination, views: Sequence[View], top: int, joints: Sequence[int]
) -> View | None:
    """Return the view of one part, None where it would be hardly larger than on the whole rig."""
    skeleton, world = examined.skeleton, examined.measures.world
    shown = np.array(sorted({top, *joints}))
    tips = world.tips[np.isin(skeleton.tip_joints, joints)]
    points = np.concatenate((world.positions[shown], tips))
    best: View | None = None
    most = 0.0
    for view in views:
        flat = view.directions(points)
        low, high = np.min(flat, axis=0), np.max(flat, axis=0)
        wide, tall = (float(each) for each in high - low)
        if max(wide, tall) <= 0.0 or (wide + tall) <= most:
            continue
        most = wide + tall
        room = (CLOSER_WIDE / wide if wide else np.inf, CLOSER_TALL / tall if tall else np.inf)
        middle = 0.5 * (low + high)
        depth = float(np.mean(points @ view.towards))
        best = replace(
            view,
            scale=min(room),
            centre=middle[0] * view.right + middle[1] * view.down + depth * view.towards,
            width=max(min(room) * wide, NARROWEST) + 2.0 * ASIDE,
            height=max(min(room) * tall, LOWEST) + ABOVE + BELOW,
            joints=shown,
            closer=skeleton.names[top],
        )
    return best if best is not None and best.scale > WORTH_IT * views[0].scale else None


def _ahead(examined: RestExamination) -> Array:
    """Return the direction (3,) that counts as forward on the drawings, at right angles to up."""
    rest = examined.measures
    for wanted in (rest.facing, rest.forward):
        if not np.isnan(wanted[0]):
            nearest = nearest_world_axis(wanted - rest.up * (wanted @ rest.up))
            if abs(nearest @ rest.up) < FLAT:
                return _across(nearest, rest.up)
    return _across(np.eye(3)[2] if abs(rest.up[2]) < FLAT else np.array([0.0, -1.0, 0.0]), rest.up)


def _across(vector: Array, up: Array) -> Array:
    across = vector - up * (vector @ up)
    return np.asarray(across / np.linalg.norm(across))
