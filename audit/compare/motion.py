"""Whether two shots show the same motion, over which time, and whether one is only larger than the other."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from audit.compare.axes import AxesChange, axes_change, side_of
from audit.compare.matching import Matching
from audit.compare.shots import cut, scaled
from audit.model import Shot
from audit.model.kinematics import World, world_transforms
from audit.model.poses import Player
from audit.reorient import Deviation, deviation

Array = npt.NDArray[np.float64]
Answer = Literal["yes", "no", "cannot tell"]
Start = Literal["first keys", "clock"]

SAME_POSITION = 1e-5
"""Joints that are nearer than this share of the rig's height are in the same place."""

SAME_ROTATION_DEG = 0.01
"""World rotations that differ by less are the same: a point a twentieth of the height away from its joint then
moves by a hundred-thousandth of the height (our choice)."""

UNIFORM = 1e-3
"""Bones whose lengths all grew by one factor, to within this share, were scaled as a whole (our choice)."""

SAME_TIME_S = 1e-6


@dataclass(frozen=True, eq=False)
class Motion:
    """What two shots have in common as motion.

    Attributes
    ----------
    same
        ``yes``, ``no`` or ``cannot tell``.
    because
        Why nothing can be told, None otherwise.
    found
        The largest differences, None where nothing could be compared.
    seconds
        First and last time that was compared, by the first shot's clock.
    start
        Whether the shots were laid on each other by their ``first keys`` or by their ``clock``.
    whole
        Whether all of both shots was compared.
    retimed_s
        By how much the times of the frames differ at most, where the shots were compared frame by frame all
        the same; 0 where the times agree.
    scale
        How many times as large the second rig is; 1 where it is as large, None where its bones have other
        proportions.
    same_but_for_scale
        Whether the motion is the same once that scale is taken out; None where there is none.
    """

    same: Answer
    because: str | None
    found: Deviation | None
    seconds: tuple[float, float] | None
    start: Start
    whole: bool
    retimed_s: float
    scale: float | None
    same_but_for_scale: bool | None


@dataclass(frozen=True, eq=False)
class _Attempt:
    """Two shots laid on each other in time, and what came of it."""

    before: Shot
    after: Shot
    start: Start
    axes: AxesChange
    found: Deviation

    @property
    def is_same(self) -> bool:
        return is_same(self.found)


def is_same(found: Deviation) -> bool:
    """Tell whether differences are small enough to call the motion the same."""
    return found.share_of_height <= SAME_POSITION and found.rotation_deg <= SAME_ROTATION_DEG


def compare_motion(before: Shot, after: Shot, matching: Matching) -> tuple[Motion, AxesChange]:
    """Return whether two shots show the same motion, and how the axes of their joints are turned.

    Parameters
    ----------
    before, after
        The shots.
    matching
        Which joint is which; what only one of them has is not compared.

    Returns
    -------
    motion, axes

    Notes
    -----
    Both are laid on each other at their first keys. Where that is not the same motion and their clocks do not
    begin together, the clocks are tried too: the second shot may be a piece of the first. Shots with the same
    number of frames, each less than half a frame from its partner, are compared frame by frame.
    """
    scale = scale_between(before, after, matching)
    factor = 1.0 if scale is None else scale
    after, retimed_s = _retimed(before, after)
    best: _Attempt | None = None
    for start, first, second in _laid_on_each_other(before, after):
        axes = _axes(first, second, matching, factor)
        found = deviation(
            first, second, places=(matching.before, matching.after), axes=axes.turn_xyzw
        )
        attempt = _Attempt(first, second, start, axes, found)
        if best is None or attempt.is_same:
            best = attempt
        if attempt.is_same:
            break
    if best is None:
        raise ValueError("two shots can always be laid on each other at their first keys")
    begin = float(best.before.times_s[0])
    seconds = min(best.before.seconds, best.after.seconds)
    whole = max(before.seconds, after.seconds) - seconds <= SAME_TIME_S
    because = _why_unknown(best, matching)
    answer: Answer = "cannot tell" if because else "yes" if best.is_same else "no"
    motion = Motion(
        same=answer,
        because=because,
        found=best.found if len(matching) else None,
        seconds=(begin, begin + seconds) if len(matching) else None,
        start=best.start,
        whole=whole,
        retimed_s=retimed_s,
        scale=scale,
        same_but_for_scale=_same_but_for_scale(best, matching, factor),
    )
    return motion, best.axes


def scale_between(before: Shot, after: Shot, matching: Matching) -> float | None:
    """Return how many times as long the bones of the second rig are.

    Parameters
    ----------
    before, after
        The shots.
    matching
        Which joint is which. A bone counts where both its ends are matched.

    Returns
    -------
    float or None
        Exactly 1 for bones that are as long to within a thousandth, None where their proportions differ or no
        bone has a length.
    """
    kept = ~matching.changed_parents & (before.skeleton.parents[matching.before] >= 0)
    own = np.linalg.norm(before.skeleton.offsets[matching.before[kept]], axis=1)
    its = np.linalg.norm(after.skeleton.offsets[matching.after[kept]], axis=1)
    long = own > 1e-6 * np.max(own, initial=0.0)
    if not long.any():
        return 1.0 if np.array_equal(own, its) else None
    ratios = its[long] / own[long]
    middle = float(np.median(ratios))
    if middle <= 0.0 or np.max(np.abs(ratios - middle)) > UNIFORM * middle:
        return None
    return 1.0 if abs(middle - 1.0) <= UNIFORM else middle


def pose_world(shot: Shot, times_s: Array) -> World:
    """Return the world transforms of all joints at some times (T,)."""
    return world_transforms(shot.skeleton, *Player(shot).at(times_s))


def _retimed(before: Shot, after: Shot) -> tuple[Shot, float]:
    """Return the second shot with the first one's frame times where these are only written otherwise.

    A frame time of 0.033333 s and one of 1/30 s are a millisecond apart after a hundred seconds.
    """
    frames = before.frames
    if frames != after.frames or frames < 2 or after.tracks or before.tracks:
        return after, 0.0
    own, its = before.times_s - before.times_s[0], after.times_s - after.times_s[0]
    apart = np.abs(own - its)
    gaps = np.diff(own)
    least = np.minimum(np.append(gaps, gaps[-1]), np.insert(gaps, 0, gaps[0]))
    if np.max(apart) <= 1e-9 or np.any(apart >= 0.5 * least):
        return after, 0.0
    return replace(after, times_s=own + after.times_s[0]), float(np.max(apart))


def _laid_on_each_other(before: Shot, after: Shot) -> Iterator[tuple[Start, Shot, Shot]]:
    """Return the ways in which two shots can be laid on each other in time."""
    yield "first keys", before, after
    if abs(before.times_s[0] - after.times_s[0]) <= SAME_TIME_S:
        return
    low = max(before.times_s[0], after.times_s[0])
    high = min(before.times_s[-1], after.times_s[-1])
    keys = np.unique(np.concatenate((before.times_s, after.times_s)))
    keys = keys[(keys >= low) & (keys <= high)]
    if len(keys) > 1:
        keys = keys[np.concatenate(([True], np.diff(keys) > SAME_TIME_S))]
        yield "clock", cut(before, keys), cut(after, keys)


def _axes(before: Shot, after: Shot, matching: Matching, scale: float) -> AxesChange:
    """Return the turn of the axes, told from the first shot's keys over the common time."""
    elapsed = before.times_s - before.times_s[0]
    elapsed = elapsed[elapsed <= after.seconds + SAME_TIME_S]
    sides = [
        side_of(shot, pose_world(shot, elapsed + shot.times_s[0]).rotations)
        for shot in (before, after)
    ]
    return axes_change(sides[0], sides[1], matching, scale)


def _same_but_for_scale(best: _Attempt, matching: Matching, scale: float) -> bool | None:
    if scale == 1.0 or not len(matching):
        return None
    return is_same(
        deviation(
            best.before,
            scaled(best.after, 1.0 / scale),
            places=(matching.before, matching.after),
            axes=best.axes.turn_xyzw,
        )
    )


def _why_unknown(best: _Attempt, matching: Matching) -> str | None:
    if not len(matching):
        return "the two have no joint in common"
    if best.found.height <= 0.0:
        return (
            "all joints of the first rig rest in one place, so it has no height to measure against"
        )
    if best.found.times == 1 and (best.before.frames > 1 or best.after.frames > 1):
        return "the two have only one instant in common"
    return None
