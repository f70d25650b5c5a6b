"""The checks, one file each, found by scanning this folder."""

from __future__ import annotations

import sys
from functools import cache

from audit.plugins import Check, found_in


@cache
def checks() -> dict[str, Check]:
    """Return all checks by name, in alphabetical order."""
    return found_in(sys.modules[__name__], "CHECK", Check)
