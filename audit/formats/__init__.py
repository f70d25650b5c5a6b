"""The file formats: one module each, found by scanning this folder."""

from __future__ import annotations

import sys
from functools import cache

from audit.plugins import Format, found_in


@cache
def formats() -> dict[str, Format]:
    """Return every format that this folder holds, by name, in alphabetical order."""
    return found_in(sys.modules[__name__], "FORMAT", Format)
