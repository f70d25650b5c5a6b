"""The shots that are told by name: those that carry the evidence, and those that contradict it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audit.pool.odd import disagreement
from audit.pool.sums import Sums
from audit.pool.witnesses import Witnesses
from audit.settings import Settings

ONE_AXIS = 0.9
"""With less of its motion on one axis than this, a shot has no own axis that could contradict (our choice)."""

TOLD = 4
"""Shots that are named for carrying the evidence of a joint."""


@dataclass(frozen=True, slots=True)
class Carrier:
    """A shot that carried much of the evidence of a joint: its name, and its share of the movement."""

    shot: str
    share: float


@dataclass(frozen=True, slots=True)
class OddShot:
    """A shot whose own axis contradicts the others.

    Attributes
    ----------
    joint
        Place of the joint.
    shot
        Name of the shot.
    angle_deg
        Between its own axis and that of the other shots.
    probability
        Of so much by chance at any joint of any shot: already counted up over all that were looked at.
    """

    joint: int
    shot: str
    angle_deg: float
    probability: float


def carriers_of(strongest: Witnesses, sums: Sums) -> tuple[tuple[Carrier, ...], ...]:
    """Return for every joint the few shots that moved most, strongest first.

    Parameters
    ----------
    strongest : (J,)
        The shots that moved most.
    sums : (J,)
        What all shots say.
    """
    told = []
    for place, moved in enumerate(sums.moved):
        shares = strongest.sums.moved[place] / max(float(moved), 1e-300)
        told.append(
            tuple(
                Carrier(str(name), float(share))
                for name, share in zip(strongest.names[place], shares, strict=True)
                if share > 0.0
            )[:TOLD]
        )
    return tuple(told)


def odd_shots_of(
    oddest: Witnesses, strongest: Witnesses, sums: Sums, settings: Settings
) -> tuple[OddShot, ...]:
    """Return the remembered shots that contradict the others by more than chance, most unlikely first.

    Parameters
    ----------
    oddest, strongest : (J,)
        The shots that contradict the others most, and those that moved most.
    sums : (J,)
        What all shots say.
    settings
        For the share of a hinge and the confidence.

    Notes
    -----
    Their probabilities are multiplied by the number of shots and hinges looked at (Bonferroni's bound), so
    that all together give a false alarm in one rig out of twenty at most, at a confidence of 95 %.
    """
    both = strongest.joined(oddest)
    if not both.names.shape[1]:
        return ()
    each = disagreement(sums[:, None], both.sums)
    # A hinge in the shot and in the others, which one odd shot may make look like no hinge together.
    axes = (each.own_share >= ONE_AXIS) & (each.other_share >= settings.hinge_share)
    looked_at = float(np.sum(sums.shots[np.any(axes, axis=1)]))
    overall = each.probability * looked_at
    found: dict[tuple[int, str], OddShot] = {}
    for place, row in zip(*np.nonzero(axes & (overall < 1.0 - settings.confidence)), strict=True):
        name = both.names[place, row]
        if name is not None:
            found[int(place), str(name)] = OddShot(
                int(place),
                str(name),
                float(np.rad2deg(each.angle[place, row])),
                float(overall[place, row]),
            )
    return tuple(sorted(found.values(), key=lambda each: (each.probability, -each.angle_deg)))
