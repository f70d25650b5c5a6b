"""Synthetic shots of one hinge a trial, made for all trials at once: what all estimators are tried on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from audit.rotations import (
    conjugate,
    multiply,
    quaternion_from_rotation_vector,
    rotate,
    rotation_vector_from_quaternion,
)

Array = npt.NDArray[np.float64]

RATE = 30.0
"""Keys a second."""


@dataclass(frozen=True)
class Case:
    """What the shots of a rig are like. Degrees.

    Attributes
    ----------
    label
        For the table.
    shots
        How many each trial has.
    range_deg
        Bend in a shot, drawn evenly between the two.
    noise_deg
        Standard deviation of the noise on every key, along X, Y and Z of the joint.
    neighbours
        Correlation of the noise from key to key.
    wild
        Share of the keys that are random rotations up to 90° away.
    wander_deg
        How far the axis itself moves from shot to shot, along each direction.
    second_deg
        Range of a real second rotation about the limb, at another speed.
    start_deg
        Where a shot's bend starts, drawn evenly between minus and plus so much.
    rest_off_deg
        How far the rest pose lies off the bend's path, along each direction; the same in all shots.
    shift_deg
        How far it shifts from shot to shot beside that.
    frames
        Keys in a shot, drawn evenly between the two.
    """

    label: str
    shots: int = 1
    range_deg: tuple[float, float] = (60.0, 60.0)
    noise_deg: tuple[float, float, float] = (1.0, 1.0, 1.0)
    neighbours: float = 0.0
    wild: float = 0.0
    wander_deg: float = 0.0
    second_deg: float = 0.0
    start_deg: float = 30.0
    rest_off_deg: float = 4.0
    shift_deg: float = 0.0
    frames: tuple[int, int] = (60, 120)


@dataclass(frozen=True)
class Rig:
    """The shots of N trials.

    Attributes
    ----------
    truth_deg : (N,)
        Twist of the true axis about the limb, away from X.
    limb : (3, N)
        Limb axes, −Y.
    rotations
        One (4, N, F) a shot: away from rest, which lies somewhere on the bend's path or beside it.
    parents
        One (4, N, F) a shot: the parent in the world, which moves too.
    """

    truth_deg: Array
    limb: Array
    rotations: tuple[Array, ...]
    parents: tuple[Array, ...]


def make_rig(case: Case, trials: int, seed: int) -> Rig:
    """Return the shots of a case; the same seed gives the same shots."""
    rng = np.random.default_rng(seed)
    truth = rng.uniform(-40.0, 40.0, trials)
    limb = np.tile([[0.0], [-1.0], [0.0]], trials)
    across = np.tile([[1.0], [0.0], [0.0]], trials)
    axis = rotate(quaternion_from_rotation_vector(limb * np.deg2rad(truth)), across)
    off = np.deg2rad(case.rest_off_deg) * rng.normal(size=(3, trials))
    rest = quaternion_from_rotation_vector(off)
    rotations, parents = [], []
    for _ in range(case.shots):
        frames = int(rng.integers(case.frames[0], case.frames[1] + 1))
        time = np.arange(frames) / RATE
        bend = _wave(rng, time, trials) * rng.uniform(*case.range_deg, (trials, 1))
        bend += rng.uniform(-case.start_deg, case.start_deg, (trials, 1))
        wander = quaternion_from_rotation_vector(
            np.deg2rad(case.wander_deg) * rng.normal(size=(3, trials))
        )
        shown = rotate(wander, axis)
        motion = quaternion_from_rotation_vector(shown[:, :, None] * np.deg2rad(bend))
        if case.second_deg:
            about = (_wave(rng, time, trials) - 0.5) * case.second_deg
            motion = multiply(
                motion, quaternion_from_rotation_vector(limb[:, :, None] * np.deg2rad(about))
            )
        noise = rng.normal(size=(3, trials, frames))
        if case.neighbours:
            noise[..., 1:] *= np.sqrt(1.0 - case.neighbours**2)
            noise = lfilter([1.0], [1.0, -case.neighbours], noise, axis=-1)
        noise *= np.deg2rad(np.array(case.noise_deg))[:, None, None]
        motion = multiply(motion, quaternion_from_rotation_vector(noise))
        if case.wild:
            motion = _with_wild_keys(rng, motion, case.wild)
        shift = np.deg2rad(case.shift_deg) * rng.normal(size=(3, trials))
        start = multiply(rest, quaternion_from_rotation_vector(shift))
        rotations.append(multiply(start[..., None], motion))
        turns = np.stack([_wave(rng, time, trials) - 0.5 for _ in range(3)])
        parents.append(quaternion_from_rotation_vector(np.deg2rad(60.0) * turns))
    return Rig(truth, limb, tuple(rotations), tuple(parents))


def _wave(rng: np.random.Generator, time: Array, trials: int) -> Array:
    """Return curves (N, F) between 0 and 1 that go up and down a few times."""
    waves = rng.uniform(0.3, 1.0, (trials, 1))
    phase = rng.uniform(0.0, 2.0 * np.pi, (trials, 1))
    curve = 0.5 - 0.5 * np.cos(2.0 * np.pi * waves * time + phase)
    least = np.min(curve, axis=1, keepdims=True)
    result: Array = (curve - least) / np.ptp(curve, axis=1, keepdims=True)
    return result


def _with_wild_keys(rng: np.random.Generator, motion: Array, share: float) -> Array:
    """Return the rotations with some keys replaced by ones that are up to 90° away in any direction."""
    shape = motion.shape[1:]
    direction = rng.normal(size=(3, *shape))
    direction /= np.linalg.norm(direction, axis=0)
    away = quaternion_from_rotation_vector(direction * rng.uniform(0.0, 0.5 * np.pi, shape))
    wild = rng.uniform(size=shape) < share
    return np.where(wild, multiply(motion, away), motion)


def angular_velocity(rotation: Array) -> Array:
    """Return angular velocities (3, N, F − 2) in the moving frame, from central differences, in rad/s."""
    step = multiply(conjugate(rotation[..., :-2]), rotation[..., 2:])
    result: Array = rotation_vector_from_quaternion(step) * (0.5 * RATE)
    return result
