"""The command ``hinge-audit explain``."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from difflib import get_close_matches
from inspect import getdoc
from typing import TYPE_CHECKING

import click

from audit.errors import UsageError

if TYPE_CHECKING:
    from audit.plugins import AnyCheck


@click.command(
    epilog="""\b
Examples:
  hinge-audit explain
  hinge-audit explain twist
  hinge-audit explain bvh
"""
)
@click.argument("name", required=False, metavar="[CHECK]")
@click.option("--debug", is_flag=True, hidden=True, expose_value=False)
def explain(name: str | None) -> None:
    """Say what a check means, its formula, its limit and the source of it.

    Without a name, lists all checks and file formats. The name of a format tells what of it is read.
    """
    from audit.checks import checks
    from audit.formats import formats
    from audit.plugins import page_of
    from audit.policy import policy_checks
    from audit.policy.own_checks import page_of_policy_check
    from audit.rest_checks import rest_checks
    from audit.rig_checks import rig_checks

    kinds: dict[str, Mapping[str, AnyCheck]] = {
        "Checks of a shot": checks(),
        "Checks of a rig over many shots": rig_checks(),
        "Checks of a rest pose": rest_checks(),
    }
    pages = {each.name: each for found in kinds.values() for each in found.values()}
    if name is None:
        for heading, found in kinds.items():
            _list(heading, {each.name: each.title for each in found.values()})
        _list(
            "What a policy itself asks for",
            {each.name: each.title for each in policy_checks().values()},
        )
        _list("Formats", {each.name: each.title for each in formats().values()})
        click.echo("More on one of them: hinge-audit explain NAME")
    elif name in pages:
        click.echo(_plain(page_of(pages[name])))
    elif name in policy_checks():
        click.echo(_plain(page_of_policy_check(name)))
    elif name in formats():
        text = getdoc(sys.modules[formats()[name].read.__module__]) or formats()[name].title
        click.echo(_plain(f"# {name}\n\n{text}"))
    else:
        known = [*pages, *policy_checks(), *formats()]
        near = get_close_matches(name, known, n=1)
        hint = f"Did you mean {near[0]!r}?" if near else f"There are {', '.join(known)}"
        raise UsageError(f"no check or format is called {name!r}", hint=hint)


def _list(heading: str, entries: dict[str, str]) -> None:
    width = max(len(name) for name in entries)
    click.echo(f"{heading}\n")
    for name, title in entries.items():
        click.echo(f"  {name:<{width}}  {title}")
    click.echo()


def _plain(markdown: str) -> str:
    """Return a Markdown page as it reads well in a terminal: headings underlined, no marks."""
    lines = []
    for line in markdown.replace("`", "").splitlines():
        level = len(line) - len(line.lstrip("#"))
        if level and line[level : level + 1] == " ":
            heading = line[level + 1 :]
            lines += [heading, ("=" if level == 1 else "-") * len(heading)]
        else:
            lines.append(line)
    return "\n".join(lines).rstrip()
