"""The checks of a rig over many shots, one file each, found by scanning this folder."""

from __future__ import annotations

import sys
from functools import cache

from audit.plugins import RigCheck, found_in


@cache
def rig_checks() -> dict[str, RigCheck]:
    """Return all checks of a rig by name, in alphabetical order."""
    return found_in(sys.modules[__name__], "CHECK", RigCheck)
