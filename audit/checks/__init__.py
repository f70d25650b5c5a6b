"""The checks, one file each, found by scanning this folder."""

from __future__ import annotations

import sys
from functools import cache
from inspect import getdoc

from audit.plugins import Check, found_in


@cache
def checks() -> dict[str, Check]:
    """Return all checks by name, in alphabetical order."""
    return found_in(sys.modules[__name__], "CHECK", Check)


def page(check: Check) -> str:
    """Return what a check means, its formula, its limits and their source, as Markdown.

    It is the docstring of the check's module, with the limits that hold filled in at the end.
    """
    text = getdoc(sys.modules[check.run.__module__]) or ""
    title, _, rest = text.partition("\n")
    lines = [f"# {check.name}", "", title.strip(), rest.rstrip(), ""]
    if check.limits:
        lines += ["## Limits in force", ""]
        lines += [f"- `{name}` = {value:g}" for name, value in check.limits.items()]
    return "\n".join(lines).rstrip() + "\n"
