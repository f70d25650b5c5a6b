"""What the tests of the checks share: asking one check about one shot, and shots to ask about."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from audit.checks import checks
from audit.measures import measure_shot
from audit.model import Shot
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.plugins import Finding
from audit.settings import Settings

DOWN = [0.0, -1.0, 0.0]
LIMB = np.array(DOWN)
CLEAN = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend()))


def found(name: str, shot: Shot, settings: Settings | None = None) -> list[Finding]:
    """Return what a check finds on a shot."""
    check = checks()[name]
    return list(check.run(shot, measure_shot(shot, settings), check.limits))


def one(name: str, shot: Shot, settings: Settings | None = None) -> Finding:
    """Return the only thing that a check finds on a shot."""
    (finding,) = found(name, shot, settings)
    return finding


def with_limb(shot: Shot, limb: npt.ArrayLike) -> Shot:
    """Return a shot whose middle joint has another limb axis."""
    offsets = shot.skeleton.offsets.copy()
    offsets[2] = limb
    return replace(shot, skeleton=replace(shot.skeleton, offsets=offsets))
