"""The command ``hinge-audit demo``."""

from __future__ import annotations

from pathlib import Path

import click

from audit.errors import InputError, OutputError


@click.command(
    epilog="""\b
Examples:
  hinge-audit demo
  hinge-audit demo --out /tmp/look --open
"""
)
@click.option(
    "--out",
    default="reports/demo",
    show_default=True,
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for the shots and their reports. An earlier demo there is replaced.",
)
@click.option("--open", "show", is_flag=True, help="Open the page in the web browser.")
@click.option("--quiet", "-q", is_flag=True, help="Print nothing but errors.")
@click.option("--debug", is_flag=True, hidden=True, expose_value=False)
def demo(out: Path, show: bool, quiet: bool) -> int:
    """Write a small set of invented shots and report on them.

    The same motion stands on a messy and on a clean rig, so that the two pages can be laid side by side.
    """
    from audit.cli.report import Wishes, report_shots
    from audit.demo import demo_files
    from audit.settings import Settings

    folder = out / "shots"
    paths = []
    for name, data in demo_files().items():
        path = folder / name
        _write_own(path, data)
        paths.append(path)
    if not quiet:
        click.echo(f"Wrote {len(paths)} invented shots to {folder}\n")
    page, failed = report_shots(paths, Settings(), Wishes(out, replace=True, quiet=quiet))
    if show and page is not None:
        click.launch(page.resolve().as_uri())
    return InputError.exit_code if failed else 0


def _write_own(path: Path, data: bytes) -> None:
    """Write a demo shot; a file of the same name that is none is left alone."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists() and path.read_bytes() != data:
            raise OutputError(
                "is in the way: it is no file of this demo, and nothing is overwritten",
                path=path,
                hint="Choose another folder with --out",
            )
        path.write_bytes(data)
    except OSError as error:
        raise OutputError(
            f"cannot be written ({error.strerror or error})", path=path, hint="Choose another --out"
        ) from error
