"""Random rotations, curves, skeletons and shots for the property tests, and how they are compared.

The folders of the tests are packages, so that every test can say ``from tests.strategies import ...``.
Hypothesis draws what kind of thing is made and a seed; numpy fills the numbers in, which is many times as
fast as drawing each of them.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
import numpy.typing as npt
from hypothesis import strategies as st

from audit.conventions import ORDERS, axis_indices
from audit.model import Channels, Shot, Skeleton, Source
from audit.rotations import (
    angles_from_quaternion,
    conjugate,
    continuous_angles,
    multiply,
    quaternion_from_angles,
    quaternion_from_rotation_vector,
)

Array = npt.NDArray[np.float64]

TURN = 2.0 * np.pi

Motion = Literal["zero", "held", "hinge", "offset hinge", "wheel", "two axes", "free", "lock"]
MOTIONS: tuple[Motion, ...] = (
    "zero",
    "held",
    "hinge",
    "offset hinge",
    "wheel",
    "two axes",
    "free",
    "lock",
)
FRAME_COUNTS = (1, 2, 3, 7, 8, 9, 24, 61)

orders = st.sampled_from(ORDERS)
seeds = st.integers(0, 2**32 - 1)


def read_only(array: npt.ArrayLike) -> Array:
    """Return a copy that raises where something writes to it."""
    frozen = np.array(array, dtype=np.float64)
    frozen.setflags(write=False)
    return frozen


def turn_between(first: Array, second: Array) -> Array:
    """Return the angles (...) in radians between rotations (4, ...), whatever the signs of the quaternions."""
    apart = np.minimum(
        np.linalg.norm(first - second, axis=0), np.linalg.norm(first + second, axis=0)
    )
    angle: Array = 4.0 * np.arcsin(np.minimum(0.5 * apart, 1.0))
    return angle


def matrix(quaternion: Array) -> Array:
    """Return the rotation matrix (3, 3) of one unit quaternion (4,): a second way to every product."""
    x, y, z, w = quaternion
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
            [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
            [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
        ]
    )


def random_quaternions(generator: np.random.Generator, *shape: int) -> Array:
    """Return unit quaternions (4, *shape), evenly over all rotations, with either sign."""
    values = generator.normal(size=(4, *shape))
    unit: Array = values / np.linalg.norm(values, axis=0)
    return unit


def random_directions(generator: np.random.Generator, *shape: int) -> Array:
    """Return unit vectors (3, *shape), evenly over all directions."""
    values = generator.normal(size=(3, *shape))
    unit: Array = values / np.linalg.norm(values, axis=0)
    return unit


@st.composite
def directions(draw: st.DrawFn, *, principal: bool | None = None) -> Array:
    """Return a unit vector (3,): a principal half-axis, or one in any direction."""
    generator = np.random.default_rng(draw(seeds))
    if draw(st.booleans()) if principal is None else principal:
        axis: Array = np.eye(3)[generator.integers(3)] * generator.choice([-1.0, 1.0])
        return axis
    return random_directions(generator)


@st.composite
def smooth_angles(draw: st.DrawFn, *, frames: int | None = None) -> Array:
    """Return angle curves (3, F) with small steps, the middle one well away from its lock."""
    generator = np.random.default_rng(draw(seeds))
    count = draw(st.integers(2, 60)) if frames is None else frames
    time = np.linspace(0.0, 1.0, count)
    reach = np.array([2.5, 1.1, 2.5])[:, None] * generator.uniform(0.1, 1.0, (3, 1))
    speed = np.minimum(generator.uniform(0.5, 6.0, (3, 1)), 0.25 * count)
    curves: Array = reach * np.sin(speed * time + generator.uniform(0.0, TURN, (3, 1)))
    return curves


@st.composite
def rough_angles(draw: st.DrawFn) -> Array:
    """Return angles (3, N, F) of any size that have nothing to do with each other from key to key."""
    generator = np.random.default_rng(draw(seeds))
    shape = (3, draw(st.integers(1, 4)), draw(st.integers(1, 40)))
    reach = draw(st.sampled_from([0.5, 3.0, 12.0]))
    angles: Array = generator.uniform(-reach, reach, shape)
    return angles


@st.composite
def angles_near_lock(draw: st.DrawFn) -> Array:
    """Return angles (3, F) whose middle one is at +90° or −90°, or less than a degree away from it."""
    generator = np.random.default_rng(draw(seeds))
    count = draw(st.integers(1, 20))
    away = draw(st.sampled_from([0.0, 1e-12, 1e-9, 5e-8, 1e-7, 3e-7, 1e-5, 1e-2]))
    outer, inner = generator.uniform(-3.0, 3.0, (2, count))
    middle = np.pi / 2 - away * generator.uniform(-1.0, 1.0, count)
    side = generator.choice([-1.0, 1.0])
    return np.stack((outer, side * middle, inner))


def with_leaps(angles: Array, seed: int) -> Array:
    """Return the same rotations with whole turns and the other solution put in, not at the first key."""
    generator = np.random.default_rng(seed)
    outer, middle, inner = angles
    swapped = generator.random(middle.shape) < 0.3
    swapped[..., 0] = False
    leaping: Array = np.where(
        swapped, np.stack((outer + np.pi, np.pi - middle, inner + np.pi)), angles
    ) + TURN * generator.integers(-2, 3, angles.shape)
    leaping[..., 0] = angles[..., 0]
    return leaping


@st.composite
def skeletons(
    draw: st.DrawFn,
    *,
    rests: bool = True,
    stated: Literal["none", "all", "some"] | None = None,
) -> Skeleton:
    """Return a skeleton of one to six joints: several roots, offsets without length, tips, any orders."""
    generator = np.random.default_rng(draw(seeds))
    count = draw(st.integers(1, 6))
    parents = [-1, *(int(generator.integers(-1, joint)) for joint in range(1, count))]
    offsets = generator.normal(size=(count, 3))
    for joint in range(count):
        if generator.random() < 0.5:
            offsets[joint] = np.eye(3)[generator.integers(3)] * generator.choice([-2.0, 0.0, 1.0])
    rest = np.tile([0.0, 0.0, 0.0, 1.0], (count, 1))
    if rests and draw(st.booleans()):
        turned = generator.random(count) < 0.6
        rest[turned] = random_quaternions(generator, int(turned.sum())).T
    say = draw(st.sampled_from(["none", "all", "some"])) if stated is None else stated
    each: list[str | None] = [str(order) for order in generator.choice(ORDERS, count)]
    for joint in range(count):
        if say == "none" or (say == "some" and generator.random() < 0.5):
            each[joint] = None
    tips = draw(st.integers(0, 2))
    names = ("L_Knee", "Hips", "R_Elbow", "Spine", "Index2", "L_Knee")
    return Skeleton(
        names[:count],
        np.array(parents),
        offsets,
        rest,
        tuple(each),
        generator.integers(0, count, tips),
        generator.normal(size=(tips, 3)),
    )


def motion_of(
    motion: Motion, generator: np.random.Generator, frames: int, order: str = "ZXY"
) -> Array:
    """Return rotations (4, F) of one joint that move in the named way."""
    time = np.linspace(0.0, 1.0, frames)
    axis = random_directions(generator)
    if generator.random() < 0.3:
        axis = np.eye(3)[generator.integers(3)]
    reach = np.deg2rad(generator.choice([0.4, 3.0, 6.0, 40.0, 80.0, 160.0]))
    phase = generator.uniform(0.0, TURN)
    vector = axis[:, None] * reach * np.sin(generator.uniform(1.0, 9.0) * time + phase)
    if motion == "zero":
        vector = np.zeros((3, frames))
    elif motion == "held":
        vector = np.repeat(axis[:, None], frames, axis=1)
    elif motion == "wheel":
        vector = axis[:, None] * 2.0 * TURN * time
    elif motion == "two axes":
        vector = vector + 0.8 * np.roll(axis, 1)[:, None] * np.cos(7.0 * time)
    elif motion == "free":
        vector = vector + generator.normal(size=(3, 1)) * np.cos(7.0 * time)
        vector = vector + generator.normal(size=(3, 1)) * np.sin(9.0 * time)
    elif motion == "lock":
        middle = np.pi / 2 - generator.choice([0.0, 1e-9, 1e-5, 1e-2]) * np.cos(5.0 * time)
        return quaternion_from_angles(np.stack((np.sin(3.0 * time), middle, 0.5 * time)), order)
    quaternion = quaternion_from_rotation_vector(vector)
    if motion == "offset hinge":
        quaternion = multiply(random_quaternions(generator)[:, None], quaternion)
    return quaternion


@st.composite
def shots(
    draw: st.DrawFn,
    *,
    made_of: Literal["channels", "rotations"] | None = None,
    motions: tuple[Motion, ...] = MOTIONS,
    frame_counts: tuple[int, ...] = FRAME_COUNTS,
    rests: bool = True,
) -> Shot:
    """Return a shot of a random skeleton: one frame and more, zero motion, locks, sign flips, uneven times."""
    made = draw(st.sampled_from(["channels", "rotations"])) if made_of is None else made_of
    skeleton = draw(skeletons(rests=rests, stated="all" if made == "channels" else None))
    generator = np.random.default_rng(draw(seeds))
    frames = draw(st.sampled_from(frame_counts))
    times = np.arange(frames) / 30.0
    if draw(st.booleans()):
        times = np.cumsum(generator.uniform(0.005, 0.2, frames))
    rotations = np.zeros((frames, len(skeleton), 4))
    for joint, order in enumerate(skeleton.orders):
        motion = draw(st.sampled_from(motions))
        rotations[:, joint] = motion_of(motion, generator, frames, order or "ZXY").T
    if draw(st.booleans()):
        rotations *= generator.choice([-1.0, 1.0], (frames, len(skeleton), 1))
    shot = Shot(skeleton, times, Source("made.up"), rotations=rotations)
    return as_channels(shot) if made == "channels" else shot


def as_channels(shot: Shot) -> Shot:
    """Return a shot of rotations as one of channels, which hold the turns away from rest."""
    count = len(shot.skeleton)
    values = np.zeros((shot.frames, 3 * count))
    for joint, order in enumerate(shot.skeleton.orders):
        if order is None:
            raise ValueError("only a skeleton that states all orders has channels")
        rest = conjugate(shot.skeleton.rest_xyzw[joint])[:, None]
        away = multiply(rest, shot.joint_rotations([joint])[:, 0])
        curves = continuous_angles(angles_from_quaternion(away, order))
        values[:, 3 * joint + np.array(axis_indices(order))] = np.rad2deg(curves.T)
    columns = np.arange(3 * count).reshape(count, 3)
    channels = Channels(values, columns, np.full((count, 3), -1))
    return replace(shot, channels=channels, rotations=None)
