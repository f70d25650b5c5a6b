"""The formats that a run can be written in, one file each, found by scanning this folder."""

from __future__ import annotations

import pkgutil
from functools import cache
from importlib import import_module

from audit.gate.output import OutputFormat


@cache
def output_formats() -> dict[str, OutputFormat]:
    """Return all output formats by name, in alphabetical order.

    Raises
    ------
    TypeError
        Where a module of this folder announces none, or two share a name: a fault of the program.
    """
    # Not the scan of ``audit.plugins``: that module loads the measures, and a run may need none.
    found: dict[str, OutputFormat] = {}
    for info in pkgutil.iter_modules(__path__):
        module = import_module(f"{__name__}.{info.name}")
        output = getattr(module, "OUTPUT", None)
        if not isinstance(output, OutputFormat) or output.name in found:
            raise TypeError(f"{module.__name__} defines no OUTPUT, or one whose name is taken")
        found[output.name] = output
    return dict(sorted(found.items()))
