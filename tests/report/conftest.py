"""Shots with one fault each, for the tests of the report."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest

from audit.model import Channels, Shot, Skeleton, Source
from audit.model.sample import bend, hinge_channels
from audit.pipeline import Examination, examine

FAULTS: dict[str, tuple[Sequence[float], str, Sequence[float], float]] = {
    # name: hinge axis, rotation order, direction of the limb, bend in degrees
    "L_Knee": ((0.8, 0.0, 0.6), "YZX", (0.0, -1.0, 0.0), 70.0),
    "R_Knee": ((1.0, 0.0, 0.0), "YZX", (0.0, -1.0, 0.0), 70.0),
    "L_Elbow": ((0.95, 0.22, 0.3), "YZX", (0.2, -1.0, 0.1), 70.0),
    "R_Elbow": ((1.0, 0.03, 0.03), "YXZ", (0.0, -1.0, 0.0), 120.0),
    "L_Toe": ((0.7, 0.7, 0.0), "YZX", (0.0, -1.0, 0.0), 60.0),
    "R_Toe": ((0.05, 1.0, 0.05), "YZX", (0.0, -1.0, 0.0), 60.0),
    "Jaw": ((0.0, 0.0, 1.0), "YXZ", (0.0, -1.0, 0.0), 4.0),
}
"""A twist, a clean hinge, a bad aim, a bad order, a hinge at 45° to its limb, one along it, and a small one."""

MakeShot = Callable[..., Shot]


def star_shot(
    names: Sequence[str] | None = None,
    *,
    frames: int = 97,
    file: str = "shots/star_one.bvh",
    loose: bool = True,
) -> Shot:
    """Return a shot of a still root, the joints of FAULTS around it, and one that moves freely.

    Parameters
    ----------
    names
        Other names for the joints of FAULTS, from the first one on.
    frames
        Length.
    file
        Path that the shot claims to come from.
    loose
        Whether the free joint is there.
    """
    given = list(names or [])
    labels = [*given, *list(FAULTS)[len(given) :]]
    count = 1 + len(labels) + int(loose)
    values = np.zeros((frames, 3 * count))
    for place, (axis, order, _, high) in enumerate(FAULTS.values(), start=1):
        channels = hinge_channels(axis, bend(high=high, frames=frames), order)
        values[:, 3 * place : 3 * place + 3] = channels
    if loose:
        phase = np.linspace(0.0, 9.0, frames)
        values[:, -3:] = 30.0 * np.sin(np.stack([phase, 1.7 * phase, 2.3 * phase], axis=1))
    limbs = [limb for _, _, limb, _ in FAULTS.values()] + [(0.0, -1.0, 0.0)] * int(loose)
    skeleton = Skeleton(
        names=("Root", *labels, *(["Hip"] if loose else [])),
        parents=np.array([-1] + [0] * (count - 1)),
        offsets=np.zeros((count, 3)),
        rest_xyzw=np.tile([0.0, 0.0, 0.0, 1.0], (count, 1)),
        orders=("YZX", *(order for _, order, _, _ in FAULTS.values()), *(["ZXY"] if loose else [])),
        tip_joints=np.arange(1, count),
        tip_offsets=np.array(limbs),
    )
    return Shot(
        skeleton,
        np.arange(frames) / 24.0,
        Source(file),
        Channels(values, np.arange(3 * count).reshape(count, 3), np.full((count, 3), -1)),
    )


@pytest.fixture(scope="session")
def make_shot() -> MakeShot:
    return star_shot


@pytest.fixture(scope="session")
def examined() -> Examination:
    return examine(star_shot())


@pytest.fixture(scope="session")
def clean() -> Examination:
    frames = 97
    values = np.zeros((frames, 6))
    values[:, 3] = bend(frames=frames)
    skeleton = Skeleton(
        names=("Root", "L_Knee"),
        parents=np.array([-1, 0]),
        offsets=np.zeros((2, 3)),
        rest_xyzw=np.tile([0.0, 0.0, 0.0, 1.0], (2, 1)),
        orders=("YZX", "YZX"),
        tip_joints=np.array([1]),
        tip_offsets=np.array([[0.0, -1.0, 0.0]]),
    )
    columns = np.arange(6).reshape(2, 3)
    channels = Channels(values, columns, np.full((2, 3), -1))
    return examine(Shot(skeleton, np.arange(frames) / 24.0, Source("calm.bvh"), channels))
