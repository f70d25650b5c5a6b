"""The command ``hinge-audit`` and what holds for all its commands: loading, errors, exit codes."""

from __future__ import annotations

import sys
import traceback
from importlib import import_module
from typing import NoReturn

import click

import audit
from audit.errors import AuditError, UsageError

COMMANDS = {
    "check": "check many shots against a policy: one yes or no",
    "policy": "write a policy, or say what holds under one",
    "compare": "say whether two takes are the same motion, and in cleaner axes",
    "demo": "write a small set of invented shots and report on them",
    "history": "say from a record which joints are worst, and what got worse",
    "explain": "say what a check means, or what of a format is read",
    "correct": "turn the axes in copies of the shots, and prove that nothing moved",
    "report": "make a page and pictures of one or more shots",
    "rest": "find what is wrong with a rig in its rest pose",
    "suggest": "write an offsets sheet: what to turn, joint by joint",
}
"""Command to one line of help. Each lives in the module of its name, as a function of its name."""


class LazyGroup(click.Group):
    """A group that imports a command's module only when that command is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names of all commands."""
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import a command and return it, None where there is none of that name."""
        if cmd_name not in COMMANDS:
            return None
        command = getattr(import_module(f"audit.cli.{cmd_name}"), cmd_name)
        if not isinstance(command, click.Command):
            raise TypeError(f"audit.cli.{cmd_name} defines no command {cmd_name}")
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl(sorted(COMMANDS.items()))

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command; a mistyped one gets the nearest name."""
        name = args[0] if args else ""
        if name and not name.startswith("-") and name not in COMMANDS:
            from difflib import get_close_matches

            near = get_close_matches(name, COMMANDS, n=1)
            hint = f"Did you mean '{near[0]}'?" if near else "See 'hinge-audit --help'."
            raise click.UsageError(f"There is no command '{name}'. {hint}", ctx)
        return super().resolve_command(ctx, args)


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="\b\nExamples:\n  hinge-audit demo\n  hinge-audit report walk.bvh --open\n"
    "  hinge-audit suggest shots/ --out offsets.csv\n"
    "  hinge-audit correct shots/ --offsets offsets.csv --out corrected\n  hinge-audit explain twist\n\n"
    "Exit codes: 0 nothing went wrong, 1 findings (check, and where --fail-on asks), 2 wrong usage, "
    "3 an input could not be read or used (the others are still done), 4 a correction would have "
    "changed the motion, 70 a fault of the program itself.",
)
@click.version_option(audit.__version__, prog_name="hinge-audit")
@click.option("--debug", is_flag=True, help="Show the traceback of an error.")
@click.pass_context
def main(ctx: click.Context, debug: bool) -> None:
    """Find the joints whose axes are turned wrongly about the limb.

    Says by how many degrees, what it costs in keys, and what to turn.
    """
    ctx.obj = {"debug": debug}


def run() -> NoReturn:
    """Run the command line and end the process with the exit code that fits."""
    debug = "--debug" in sys.argv[1:]
    try:
        code = main.main(standalone_mode=False)
        sys.exit(code if isinstance(code, int) else 0)
    except click.exceptions.Exit as ending:
        sys.exit(ending.exit_code)
    except click.Abort:
        click.echo("Stopped.", err=True)
        sys.exit(130)
    except click.ClickException as error:
        error.show()
        sys.exit(UsageError.exit_code)
    except AuditError as error:
        if debug:
            traceback.print_exc()
        click.echo(f"hinge-audit: {error}", err=True)
        sys.exit(error.exit_code)
    except Exception as error:  # the edge of the program: nothing above could handle it
        if debug:
            traceback.print_exc()
        click.echo(
            f"hinge-audit: a fault of the program itself ({type(error).__name__}: {error}). "
            "Run it again with 'hinge-audit --debug …' for the traceback.",
            err=True,
        )
        sys.exit(AuditError.exit_code)
