"""The checks of a rest pose, one file each, found by scanning this folder."""

from __future__ import annotations

import sys
from functools import cache

from audit.plugins import RestCheck, found_in


@cache
def rest_checks() -> dict[str, RestCheck]:
    """Return all checks of a rest pose by name, in alphabetical order."""
    return found_in(sys.modules[__name__], "CHECK", RestCheck)
