"""The command ``hinge-audit explain``."""

from __future__ import annotations

import sys
from difflib import get_close_matches
from inspect import getdoc

import click

from audit.errors import UsageError


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
    from audit.checks import checks, page
    from audit.formats import formats

    if name is None:
        _list("Checks", {each.name: each.title for each in checks().values()})
        _list("Formats", {each.name: each.title for each in formats().values()})
        click.echo("More on one of them: hinge-audit explain NAME")
    elif name in checks():
        click.echo(_plain(page(checks()[name])))
    elif name in formats():
        text = getdoc(sys.modules[formats()[name].read.__module__]) or formats()[name].title
        click.echo(_plain(f"# {name}\n\n{text}"))
    else:
        known = [*checks(), *formats()]
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
