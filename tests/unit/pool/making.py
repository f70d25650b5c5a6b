"""Shots of a few limbs for the tests of the pool, made with the general-purpose rotation library."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.spatial.transform import Rotation

from audit.model import Shot, Skeleton, Source
from tests.strategies import Array

KNEE_AXIS = np.array([np.cos(np.deg2rad(20.0)), 0.0, np.sin(np.deg2rad(20.0))])
"""A hinge across a limb along −Y, 20° from X: the twist offset about −Y is +20°."""


def limbs(count: int, limb: Sequence[float] = (0.0, -1.0, 0.0)) -> Skeleton:
    """Return a skeleton of joints that hang side by side, each with a tip one unit away along its limb."""
    return Skeleton(
        tuple(f"limb_{number}" for number in range(count)),
        np.full(count, -1),
        np.zeros((count, 3)),
        np.tile([0.0, 0.0, 0.0, 1.0], (count, 1)),
        (None,) * count,
        np.arange(count),
        np.tile(limb, (count, 1)),
    )


def shot_of(
    turns: Sequence[Rotation],
    *,
    name: str = "shot",
    times: Array | None = None,
    skeleton: Skeleton | None = None,
) -> Shot:
    """Return a shot in which each joint turns away from rest as given, 30 keys a second."""
    rotations = np.stack([each.as_quat() for each in turns], axis=1)
    clock = np.arange(len(rotations)) / 30.0 if times is None else times
    return Shot(skeleton or limbs(len(turns)), clock, Source(name), rotations=rotations)


def hinge(axis: npt.ArrayLike, degrees: npt.ArrayLike, before: Rotation | None = None) -> Rotation:
    """Return turns about an axis, with a constant turn in front where there is one."""
    direction = np.asarray(axis, dtype=np.float64)
    direction = direction / np.linalg.norm(direction)
    turns = Rotation.from_rotvec(np.deg2rad(np.asarray(degrees))[:, None] * direction)
    return turns if before is None else before * turns


def wave(low: float, high: float, frames: int = 90, cycles: float = 1.3) -> Array:
    """Return a bend (F,) in degrees that goes between two values."""
    phase = 2.0 * np.pi * cycles * np.arange(frames) / frames
    result: Array = low + (high - low) * (0.5 - 0.5 * np.cos(phase))
    return result


def noisy(turns: Rotation, degrees: float, seed: int) -> Rotation:
    """Return turns with independent noise on every key, of the given size along each axis."""
    noise = np.random.default_rng(seed).normal(size=(len(turns), 3))
    return turns * Rotation.from_rotvec(np.deg2rad(degrees) * noise)


def with_pops(turns: Rotation, places: npt.ArrayLike, seed: int, degrees: float = 60.0) -> Rotation:
    """Return turns in which some keys are that far away, in random directions."""
    rng = np.random.default_rng(seed)
    vectors = np.zeros((len(turns), 3))
    directions = rng.normal(size=(np.size(places), 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    vectors[np.asarray(places)] = np.deg2rad(degrees) * directions
    return turns * Rotation.from_rotvec(vectors)
