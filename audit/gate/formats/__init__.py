"""The formats that a run can be written in, one file each, found by scanning this folder."""

from __future__ import annotations

import sys
from functools import cache
from typing import Any, cast

from audit.gate.output import OutputFormat
from audit.plugins import found_in


@cache
def output_formats() -> dict[str, OutputFormat]:
    """Return all output formats by name, in alphabetical order."""
    # The scan takes any plug-in with a name; its type lists only those of the layers below.
    return cast(
        "dict[str, OutputFormat]",
        found_in(sys.modules[__name__], "OUTPUT", cast("Any", OutputFormat)),
    )
