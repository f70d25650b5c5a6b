"""Rigs made by code: clean by construction, and then broken in known ways (see ``faults.py``).

A rig is drawn with the left on +X, up on +Y, facing +Z and in metres; ``Rig.skeleton`` turns it into the wanted
convention and unit. All places and axes are in the world until then.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
from scipy.spatial.transform import Rotation

from audit.model import Skeleton, Skin
from audit.rest.world import rest_world

Array = npt.NDArray[np.float64]

CONVENTIONS: dict[str, tuple[str, str]] = {
    "y up, z forward": ("+Y", "+Z"),
    "z up, -y forward": ("+Z", "-Y"),
    "z up, x forward": ("+Z", "+X"),
}
UNITS = {"m": 1.0, "cm": 0.01, "mm": 0.001, "inch": 0.0254}
X = np.array([1.0, 0.0, 0.0])
MIRROR = np.diag([-1.0, 1.0, 1.0])


def axis(letter: str) -> Array:
    """Return the unit vector of "+X", "-Y" and so on."""
    unit: Array = np.eye(3)["XYZ".index(letter[1])]
    return unit if letter[0] == "+" else -unit


@dataclass
class Rig:
    """A rig as it is drawn: J joints, with places and axes in the world."""

    names: list[str]
    parents: list[int]
    places: Array
    axes: Array
    tips: dict[int, Array]
    orders: list[str | None]
    up: str = "+Y"
    forward: str = "+Z"
    unit_to_m: float = 1.0
    scales: Array = field(default_factory=lambda: np.zeros((0, 3)))
    radius: float = 0.0
    sides: list[int] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self.names)

    def at(self, name: str) -> int:
        return self.names.index(name)

    def copy(self) -> Rig:
        return replace(
            self,
            names=list(self.names),
            places=self.places.copy(),
            axes=self.axes.copy(),
            tips={joint: place.copy() for joint, place in self.tips.items()},
            orders=list(self.orders),
            scales=self.scales.copy(),
        )

    def below(self, joint: int) -> list[int]:
        """Return a joint and all joints below it."""
        inside = [joint]
        for other, parent in enumerate(self.parents):
            if parent in inside:
                inside.append(other)
        return inside

    def height(self) -> float:
        """Return the largest extent along an axis, in metres."""
        points = np.concatenate((self.places, np.array(list(self.tips.values())).reshape(-1, 3)))
        return float(np.max(np.ptp(points, axis=0)))

    @property
    def turn(self) -> Array:
        """The matrix from the drawing's world into the convention's."""
        up, forward = axis(self.up), axis(self.forward)
        return np.stack((np.cross(up, forward), up, forward), axis=1)

    def skeleton(self) -> Skeleton:
        turn = self.turn
        places, axes = (self.places @ turn.T) / self.unit_to_m, turn @ self.axes
        scales = self.scales if len(self.scales) else np.ones((len(self), 3))
        offsets, local = places.copy(), axes.copy()
        linear = axes.copy()
        for joint, parent in enumerate(self.parents):
            if parent >= 0:
                offsets[joint] = np.linalg.solve(linear[parent], places[joint] - places[parent])
                local[joint] = axes[parent].T @ axes[joint]
            linear[joint] = (linear[parent] if parent >= 0 else np.eye(3)) @ local[joint]
            linear[joint] = linear[joint] * scales[joint]
        tips = {
            joint: np.linalg.solve(linear[joint], turn @ place / self.unit_to_m - places[joint])
            for joint, place in self.tips.items()
        }
        return Skeleton(
            tuple(self.names),
            np.asarray(self.parents),
            offsets,
            Rotation.from_matrix(local).as_quat(),
            tuple(self.orders),
            np.array(list(tips), dtype=np.int64),
            np.array(list(tips.values())).reshape(-1, 3),
            scales,
        )

    def skin(self) -> Skin:
        """Return tubes about all limbs, flat where they would go through the floor."""
        points, holders, others, shares = [], [], [], []
        for joint, parent in enumerate(self.parents):
            if parent < 0 or np.linalg.norm(self.places[joint] - self.places[parent]) < 1e-9:
                continue
            cloud = tube(self.places[parent], self.places[joint], self.radius, 9, 12)
            points.append(np.maximum(cloud, [-np.inf, 0.0, -np.inf]))
            holders.append(np.full(len(cloud), parent))
            others.append(np.full(len(cloud), joint))
            shares.append(np.repeat(0.5 * np.linspace(0.0, 1.0, 9) ** 4, 12))
        share = np.concatenate(shares)
        carriers = np.stack((np.concatenate(holders), np.concatenate(others)), axis=1)
        return self._bound(np.concatenate(points), carriers, np.stack((1.0 - share, share), axis=1))

    def sleeve(self, joint: int, shift: npt.ArrayLike = (0.0, 0.0, 0.0)) -> Skin:
        """Return a tube about the limbs above and below a joint with one child, beside it by a shift."""
        ends = self.parents[joint], self.parents.index(joint)
        place, limbs = self.places[joint], self.places[list(ends)] - self.places[joint]
        units = limbs / np.linalg.norm(limbs, axis=1)[:, None]
        middle = units[1] - units[0]
        tubes = [tube(place, self.places[end], self.radius, 21)[: 16 * 48] for end in ends]
        # The two tubes meet in one ring, on the plane between them.
        ring = tubes[1][:48] - place
        ring = ring - units[1] * ((ring @ middle) / (units[1] @ middle))[:, None] + place
        cloud = np.concatenate((ring, tubes[0][48:], tubes[1][48:]))
        ones = np.ones((len(cloud), 1))
        cloud = cloud + np.asarray(shift, dtype=float)
        return self._bound(cloud, np.full((len(cloud), 1), joint), ones)

    def _bound(self, points: Array, carriers: npt.NDArray[np.int64], weights: Array) -> Skin:
        """Return points of the drawing, bound where they are."""
        turn = self.turn
        skeleton = self.skeleton()
        linear = rest_world(skeleton).linear
        places = self.places @ turn.T / self.unit_to_m
        binds = np.tile(np.eye(4), (len(self), 1, 1))
        binds[:, :3, :3] = np.linalg.inv(linear)
        binds[:, :3, 3] = -np.einsum("jab,jb->ja", binds[:, :3, :3], places)
        return Skin(
            "body",
            np.arange(len(self)),
            binds,
            points @ turn.T / self.unit_to_m,
            carriers,
            weights,
        )


def tube(start: Array, end: Array, radius: float, rings: int, corners: int = 48) -> Array:
    """Return points (rings × corners, 3) on a tube, rings at both ends included."""
    line = end - start
    side = np.cross(line, np.eye(3)[np.argmin(np.abs(line))])
    side /= np.linalg.norm(side)
    other = np.cross(line / np.linalg.norm(line), side)
    angle = np.arange(corners)[:, None] * (2.0 * np.pi / corners)
    ring = radius * (np.cos(angle) * side + np.sin(angle) * other)
    points: Array = (start + np.linspace(0, 1, rings)[:, None, None] * line + ring).reshape(-1, 3)
    return points


def frame(aim: npt.ArrayLike, side: npt.ArrayLike, letters: str) -> Array:
    """Return axes (3, 3) as columns: the first letter along aim, the second as near to side as it can be."""
    along = np.asarray(aim, dtype=float) / np.linalg.norm(aim)
    across = np.asarray(side, dtype=float) - along * np.dot(side, along)
    across /= np.linalg.norm(across)
    result = np.zeros((3, 3))
    first, second = "XYZ".index(letters[0]), "XYZ".index(letters[1])
    third = 3 - first - second
    result[:, first], result[:, second] = along, across
    result[:, third] = np.cross(along, across) * (1.0 if (second - first) % 3 == 1 else -1.0)
    return result


@dataclass
class Drawing:
    """A rig in the making: joints of the trunk and of the left side, added one after the other."""

    letters: str = "XZ"
    names: list[str] = field(default_factory=list)
    parents: list[int] = field(default_factory=list)
    places: list[Array] = field(default_factory=list)
    sides: list[Array] = field(default_factory=list)
    left: list[bool] = field(default_factory=list)
    tips: dict[int, Array] = field(default_factory=dict)

    def add(
        self, name: str, parent: str | None, place: npt.ArrayLike, side: npt.ArrayLike = X
    ) -> None:
        self.names.append(name)
        self.parents.append(-1 if parent is None else self.names.index(parent))
        self.places.append(np.asarray(place, dtype=float))
        self.sides.append(np.asarray(side, dtype=float))
        self.left.append("{side}" in name)

    def chain(
        self,
        parent: str | None,
        names: Sequence[str],
        places: Sequence[npt.ArrayLike],
        side: npt.ArrayLike = X,
    ) -> None:
        """Add joints one below the other; a last place without a name is the chain's end point."""
        for name, place in zip(names, places[: len(names)], strict=True):
            self.add(name, parent, place, side)
            parent = name
        if len(places) > len(names):
            self.tips[len(self.names) - 1] = np.asarray(places[-1], dtype=float)

    def done(self, marks: tuple[str, str], alike: bool, order: str | None, plain: bool) -> Rig:
        """Return the rig with the right side added.

        ``alike``: the right axes are the mirrored left ones, all three reversed, so that equal values swing
        both sides alike; else only the side axis is reversed. ``plain``: all axes along the world's.
        """
        axes = self._axes(plain)
        flip = -np.eye(3)
        if plain or not alike:
            flip = np.eye(3)
            flip["XYZ".index(self.letters[1])] *= -1.0
        count, where = len(self.names), {}
        sides = [int(left) for left in self.left]
        names = [name.format(side=marks[0]) for name in self.names]
        parents, places, all_axes, tips = (
            list(self.parents),
            list(self.places),
            list(axes),
            dict(self.tips),
        )
        for joint in range(count):
            if not self.left[joint]:
                continue
            where[joint] = len(names)
            names.append(self.names[joint].format(side=marks[1]))
            parents.append(where.get(self.parents[joint], self.parents[joint]))
            places.append(MIRROR @ self.places[joint])
            sides.append(-1)
            all_axes.append(np.eye(3) if plain else MIRROR @ axes[joint] @ flip)
            if joint in self.tips:
                tips[where[joint]] = MIRROR @ self.tips[joint]
        return Rig(
            names,
            parents,
            np.array(places),
            np.array(all_axes),
            tips,
            [order] * len(names),
            sides=sides,
        )

    def _axes(self, plain: bool) -> list[Array]:
        if plain:
            return [np.eye(3)] * len(self.names)
        result: list[Array] = []
        for joint, parent in enumerate(self.parents):
            children = [other for other, each in enumerate(self.parents) if each == joint]
            if children:
                trunk = [each for each in children if not self.left[each]]
                aim = self.places[(trunk or children)[0]] - self.places[joint]
                if not self.left[joint]:  # the middle of the two sides
                    aim = aim * [0.0, 1.0, 1.0]
            elif joint in self.tips:
                aim = self.tips[joint] - self.places[joint]
            else:
                result.append(result[parent])
                continue
            result.append(frame(aim, self.sides[joint], self.letters))
        return result


def bent(start: Array, end: Array, share: float, degrees: float, towards: Array) -> Array:
    """Return the place of a joint between two others, off their line so that it bends by an angle."""
    line = end - start
    length = float(np.linalg.norm(line))
    unit = line / length
    out = towards - unit * np.dot(towards, unit)
    out /= np.linalg.norm(out)
    # Height of the triangle over its base: found on a fine grid, then by Newton, to be exact to rounding.
    height = 0.0
    first, second = share * length, (1.0 - share) * length
    for _ in range(50):
        angle = np.arctan2(height, first) + np.arctan2(height, second)
        slope = first / (first**2 + height**2) + second / (second**2 + height**2)
        height += (np.deg2rad(degrees) - angle) / slope
    place: Array = start + first * unit + height * out
    return place


def spread(start: npt.ArrayLike, end: npt.ArrayLike, count: int) -> list[Array]:
    """Return places on a line, both ends included."""
    return list(np.linspace(np.asarray(start, dtype=float), np.asarray(end, dtype=float), count))
