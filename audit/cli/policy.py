"""The commands ``hinge-audit policy init`` and ``hinge-audit policy show``."""

from __future__ import annotations

from pathlib import Path

import click

from audit.errors import OutputError

NAME = "policy.toml"


@click.group(
    epilog="""\b
Examples:
  hinge-audit policy init --out show/policy.toml
  hinge-audit policy show
  hinge-audit policy show --joint L_Knee show/sh010
"""
)
def policy() -> None:
    """Write a policy, or say what holds under one.

    A policy is a file policy.toml: thresholds, severities, conventions and waivers. `hinge-audit check` takes
    the nearest one in each shot's folder or above it.
    """


@policy.command(
    epilog="""\b
Examples:
  hinge-audit policy init
  hinge-audit policy init --out show/policy.toml
"""
)
@click.option(
    "--out",
    default=NAME,
    show_default=True,
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The file to write; in a folder, policy.toml. - prints it.",
)
@click.option("--debug", is_flag=True, hidden=True, expose_value=False)
def init(out: Path) -> None:
    """Write a policy in which everything stands as a comment: it changes nothing as it is.

    A file that is there already is never written over.
    """
    from audit.files import write_whole
    from audit.policy import fresh_policy

    if str(out) == "-":
        click.echo(fresh_policy(), nl=False)
        return
    target = out / NAME if out.is_dir() else out
    if target.exists():
        raise OutputError(
            "exists already, and a policy is never written over",
            path=target,
            hint="Choose another file with --out, or print one with --out -",
        )
    write_whole(target, fresh_policy().encode("utf-8"))
    click.echo(f"{target}: every setting as a comment. See what holds: hinge-audit policy show")


@policy.command(
    epilog="""\b
Examples:
  hinge-audit policy show
  hinge-audit policy show --joint L_Knee
  hinge-audit policy show --joint L_Knee show/sh010/walk.bvh
"""
)
@click.argument("path", default=".", type=click.Path(path_type=Path))
@click.option("--joint", metavar="NAME", help="Show what holds for the joint of this name.")
@click.option("--debug", is_flag=True, hidden=True, expose_value=False)
def show(path: Path, joint: str | None) -> None:
    """Say what holds, and why: a default, or a line of the policy.

    PATH is a policy, or a shot or folder for which the policy is looked for. Mistakes in the policy are told.
    """
    from datetime import date

    from audit.policy import Policy, find_policy, policy_in_words, read_policy

    if path.suffix.lower() == ".toml":
        chosen: Path | None = path
    else:
        chosen = find_policy(path if path.is_dir() else path.parent)
    held = Policy() if chosen is None else read_policy(chosen)
    click.echo(policy_in_words(held, joint, date.today()))
