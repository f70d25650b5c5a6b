"""The whole shot at a glance: joint by joint and moment by moment, in few numbers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from audit.conventions import AXES
from audit.pipeline import Examination

Array = npt.NDArray[np.float64]
Bytes = npt.NDArray[np.uint8]

MOST_COLUMNS = 480
"""Moments to tell apart: about one to each two points of a wide screen's picture."""


@dataclass(frozen=True, eq=False)
class Glance:
    """What J joints do in C equal stretches of the shot.

    Attributes
    ----------
    off_channel : (J, C)
        How fast a joint's curves move but for the one that moves most over the shot, in degrees a second, as
        shares of ``fastest``: 255 is all of it or more. The fastest moment of each stretch counts.
    fastest
        Degrees a second, a round number that most joints stay under.
    margin : (J, C)
        Least distance of the middle channel from ±90°, in half degrees.
    first_deg : (J, 3)
        X, Y and Z channel at the first key of each joint, in degrees: which of their equivalents the file has.
    """

    off_channel: Bytes
    fastest: float
    margin: Bytes
    first_deg: Array


def glance(examined: Examination) -> Glance:
    """Return the shot at a glance, from all of its keys."""
    shot, measures = examined.shot, examined.measures
    joints, seconds = len(shot.skeleton), shot.seconds
    columns = max(1, min(MOST_COLUMNS, shot.frames - 1))
    speed, margin = np.zeros((joints, columns)), np.full((joints, columns), 90.0)
    first = np.zeros((joints, 3))
    for joint in range(joints):
        curves = examined.curves(joint).now
        times = shot.joint_times(joint) - shot.times_s[0]
        middle = curves[AXES.index(measures.orders[joint][1])]
        near = np.abs(np.mod(np.abs(middle), 180.0) - 90.0)
        _fill(margin[joint], _columns(times, seconds, columns), near, greatest=False)
        first[joint] = curves[:, 0]
        if len(times) < 2:
            continue
        moves = np.abs(np.diff(curves, axis=1))
        most = int(np.argmax(measures.now.travel_deg[joint]))
        others = (np.sum(moves, axis=0) - moves[most]) / np.diff(times)
        _fill(speed[joint], _columns(times[:-1], seconds, columns), others, greatest=True)
    fastest = _round_speed(speed)
    return Glance(
        off_channel=np.rint(255.0 * np.minimum(speed / fastest, 1.0)).astype(np.uint8),
        fastest=fastest,
        margin=np.rint(2.0 * margin).astype(np.uint8),
        first_deg=first,
    )


def _round_speed(speed: Array) -> float:
    """Return a round speed that three quarters of the joints that move off their channel stay under.

    One joint that races would press all others flat if the scale went up to it.
    """
    most = np.max(speed, axis=1)
    moving = most[most > 1.0]
    if not len(moving):
        return 10.0
    wanted = float(np.quantile(moving, 0.75))
    size = 10.0 ** np.floor(np.log10(wanted))
    return float(next(step * size for step in (1, 2, 3, 5, 10) if step * size >= wanted))


def _columns(times_s: Array, seconds: float, columns: int) -> npt.NDArray[np.int64]:
    """Return the stretch in which each time lies."""
    share = times_s / seconds if seconds > 0.0 else np.zeros_like(times_s)
    # Even frames lie on the borders of even stretches: the last digit must not push one over the border.
    return np.clip((share * columns + 1e-6).astype(np.int64), 0, columns - 1)


def _fill(row: Array, place: npt.NDArray[np.int64], values: Array, *, greatest: bool) -> None:
    """Write values into the stretches they lie in: the greatest of each, or without ``greatest`` the least.

    Stretches between keys that lie further apart take the value of the key before them.
    """
    extreme = np.full(len(row), -np.inf if greatest else np.inf)
    (np.maximum if greatest else np.minimum).at(extreme, place, values)
    filled = np.isfinite(extreme)
    last = np.maximum.accumulate(np.where(filled, np.arange(len(row)), -1))
    row[:] = np.where(last >= 0, extreme[np.maximum(last, 0)], extreme[place[0]])
