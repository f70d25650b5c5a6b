"""A shot has far more keys than its curves need.

## What it finds

How many times more keys are stored than straight lines need to stay within a quarter of a degree of
every curve.

## Why it matters

Every key more is one more to look at in an edit. Captured and sampled motion is keyed on every
frame, so this is a note.

## Formula

Stored rotation keys over the straight-line keys of all rotation channels. The latter are found with
the polyline simplification of Ramer (1972) and Douglas and Peucker (1973), with the distance taken
in value at the key's own time.

## Limit and its source

`ratio`: our choice. The tolerance of 0.25° is our choice too: no published just-noticeable joint
rotation was found.

## What to do

Nothing, where nobody will edit the curves. Else reduce the keys after the axes are right: clean
axes need fewer.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from audit.measures import Measures
from audit.model import Shot
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.plugins import Check, Finding


def run(shot: Shot, measures: Measures, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield one finding where the shot has many more keys than it needs."""
    stored = int(shot.rotation_keys.sum())
    needed = int(measures.now.keys[shot.rotation_keys > 0].sum())
    if needed and stored > limits["ratio"] * needed:
        message = (
            f"{stored:,} rotation keys are stored where {needed:,} straight-line keys stay within "
            f"{measures.settings.key_tolerance_deg:g}° ({stored / needed:.1f} times as many)"
        )
        yield Finding("overkeyed", "note", message, stored / needed, limits["ratio"])


def _examples() -> tuple[Shot, Shot]:
    sparse = limb_shot(hinge_channels((1.0, 0.0, 0.0), [0.0, 60.0]))
    return sparse, limb_shot(hinge_channels((1.0, 0.0, 0.0), bend()))


CHECK = Check(
    name="overkeyed",
    title="far more keys than the curves need",
    limits={"ratio": 3.0},
    run=run,
    examples=_examples,
)
