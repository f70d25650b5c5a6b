"""The height of the character is not that of a person, in the unit that the file states or suggests.

## What it finds

Upright characters on two feet that are smaller or larger than an adult, and ones whose height is that of
an adult in none of the usual units.

## Why it matters

A wrong unit is the usual cause. Simulation, camera and retargeting all take the height at its word.

## Formula

The extent of joints, end points and skin along the up axis, in metres. Where the unit is not stated,
metre, centimetre, millimetre, inch and foot are tried in turn. Where the highest point is a joint, the top
of the head is not seen, and 85 % of the height are enough.

## Limit and its source

`low`, `high`: metres. National means of adults run from 1.403 m (women in Guatemala born in 1896) to over
1.825 m (men in the Netherlands born late in the twentieth century): NCD-RisC, eLife 5, 2016, e13410. The
margins around them are our choice. Children and giants are no fault, so this is never more than a note.

## What to do

State the unit, or scale the rig before animation starts.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from audit.model import Skeleton
from audit.plugins import Finding, RestCheck, Resting
from audit.rest import RestMeasures
from audit.rest.measures import PERSON_M, UNITS
from audit.rest.sample import figure
from audit.rest.words import number


def run(skeleton: Skeleton, rest: RestMeasures, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield a note where the height is no adult's."""
    low, high = rest.seen_share * limits["low"], limits["high"]
    if not rest.upright:
        return
    if rest.unit_from == "given":
        metres = rest.height * rest.unit_to_m
        if not low <= metres <= high:
            limit = low if metres < low else high
            message = (
                f"The rig is {number(metres)} m high, an adult {number(low)} to {number(high)} m: "
                "check the unit"
            )
            yield Finding("rest-height", "note", message, metres, limit)
    elif not any(low <= rest.height * metres <= high for _, metres in UNITS):
        names = ", ".join(name for name, _ in UNITS)
        message = (
            f"The rig is {number(rest.height)} units high, which is an adult's height in none of {names}: "
            "state the unit"
        )
        nearest = min(
            (metres for _, metres in UNITS), key=lambda m: _beyond(rest.height * m, low, high)
        )
        metres = rest.height * nearest
        yield Finding("rest-height", "note", message, metres, low if metres < low else high)


def _beyond(metres: float, low: float, high: float) -> float:
    """Return by what factor, as a logarithm, a height is outside two limits."""
    nearest = min(max(metres, low), high)
    return abs(math.log(metres / nearest)) if metres > 0.0 and nearest > 0.0 else math.inf


def _examples() -> tuple[Resting, Resting]:
    return Resting(figure()), Resting(figure(size=4.0))


CHECK = RestCheck(
    name="rest-height",
    title="the height is not that of a person",
    limits={"low": PERSON_M[0], "high": PERSON_M[1]},
    run=run,
    examples=_examples,
)
