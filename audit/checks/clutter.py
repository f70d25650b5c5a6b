"""Keys sit on channels that do not move.

## What it finds

How many rotation channels carry keys although their range stays at or below the moving limit.

## Why it matters

An animator who opens the shot has to look past them. In captured and sampled motion every channel
has a key on every frame by nature, so this is a note on the shot as a whole.

## Formula

Channels of the file with a range of at most the moving limit, out of all rotation channels of the
file.

## Limit and its source

`channels`: how many are allowed. None is our choice, and a note costs nobody anything.

## What to do

Nothing, where the motion is captured. For a shot that people will edit, take the flat channels out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from audit.measures import Measures
from audit.model import Shot
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.plugins import Check, Finding
from audit.wording import plural


def run(shot: Shot, measures: Measures, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Yield one finding where channels with keys do not move."""
    if shot.frames < 2:
        return
    stored = shot.rotation_keys > 0
    flat = stored & (measures.now.range_deg <= measures.settings.moving_range_deg)
    count, keyed = int(np.count_nonzero(flat)), int(np.count_nonzero(stored))
    if count > limits["channels"]:
        keys = int(shot.rotation_keys[flat].sum())
        message = (
            f"{count:,} of {plural(keyed, 'rotation channel')} do not move, but carry "
            f"{plural(keys, 'key')}"
        )
        yield Finding("clutter", "note", message, float(count), limits["channels"])


def _examples() -> tuple[Shot, Shot]:
    faulty = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend()))
    busy = np.tile(np.stack([bend(), bend(high=20.0), bend(high=10.0)], axis=1), (1, 3))
    if faulty.channels is None:
        raise TypeError("the sample limb is made of channels")
    channels = type(faulty.channels)(
        busy, faulty.channels.rotation_columns, faulty.channels.position_columns
    )
    return Shot(faulty.skeleton, faulty.times_s, faulty.source, channels), faulty


CHECK = Check(
    name="clutter",
    title="keys on channels that do not move",
    limits={"channels": 0.0},
    run=run,
    examples=_examples,
)
