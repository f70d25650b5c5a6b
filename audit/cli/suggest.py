"""The command ``hinge-audit suggest``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from audit.cli.inputs import files_of, shots_argument, skeleton_option
from audit.cli.progress import Progress
from audit.conventions import ORDERS
from audit.errors import InputError, OutputError

if TYPE_CHECKING:
    from audit.model import Shot


@click.command(
    epilog="""\b
Examples:
  hinge-audit suggest walk.bvh --out offsets.csv
  hinge-audit suggest shots/ --out offsets.csv
  hinge-audit suggest walk.amc --skeleton rig.asf --out offsets.csv --replace
"""
)
@shots_argument
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="The offsets sheet to write (CSV). Without it, it is printed.",
)
@skeleton_option
@click.option(
    "--order",
    type=click.Choice(ORDERS, case_sensitive=False),
    metavar=f"[{'|'.join(ORDERS)}]",
    help="Rotation order for joints whose file states none (default: the best of the six).",
)
@click.option(
    "--replace",
    is_flag=True,
    help="Renew an earlier sheet. Its comments, blank rows and added columns are kept.",
)
@click.option("--quiet", "-q", is_flag=True, help="Print nothing but errors.")
@click.option("--debug", is_flag=True, hidden=True, expose_value=False)
def suggest(
    shots: tuple[Path, ...],
    out: Path | None,
    skeleton: Path | None,
    order: str | None,
    replace: bool,
    quiet: bool,
) -> int:
    """Write an offsets sheet: what to turn, joint by joint, from shots of one rig.

    Each SHOT is an animation file or a folder of them. The sheet is CSV: open it in a spreadsheet, change or
    clear what you do not want, and give it to `hinge-audit correct`.

    An offset changes every curve and every mechanism of a joint: agree on it before animation starts, work on
    copies, and test the rig again.
    """
    from audit.files import write_whole
    from audit.pipeline import read_all, suggest
    from audit.settings import Settings
    from audit.sheet import read_sheet, sheet_text

    data = _earlier(out, replace)
    # An earlier file that is no offsets sheet is refused before the work, not after it.
    earlier = None if data is None else read_sheet(data, str(out))
    settings = Settings(order=order.upper() if order else None)
    paths = files_of(shots, [] if out is None else [out])
    read: list[Shot] = []
    failed = False
    with Progress(len(paths), "Reading shots", quiet=quiet) as progress:
        for path in paths:
            try:
                read += read_all(path, skeleton)
            except InputError as error:
                failed = True
                click.echo(f"hinge-audit: {error}", err=True)
            progress.step()
    if not read:
        return InputError.exit_code
    sheet = suggest(read, settings)
    if earlier is not None:
        sheet = earlier.renewed(sheet.rows)
    text = sheet_text(sheet)
    if out is None:
        click.echo(text, nl=False)
    else:
        write_whole(out, text.encode("utf-8"))
        if not quiet:
            turning = sum(row.turns for row in sheet.rows)
            click.echo(f"{turning} of {len(sheet.rows)} joints are to be turned: {out}")
            if turning:
                click.echo(
                    f"Look it over, then: hinge-audit correct SHOT... --offsets {out} --out DIR"
                )
            else:
                click.echo("Nothing is to be gained by turning axes; the reasons are in the sheet.")
    return InputError.exit_code if failed else 0


def _earlier(out: Path | None, replace: bool) -> bytes | None:
    """Return the sheet that is there already, None where there is none."""
    from audit.plugins import bytes_of

    if out is None or not out.exists():
        return None
    if not replace:
        raise OutputError(
            "exists already",
            path=out,
            hint="Add --replace to renew it (its comments and added columns stay), or choose another --out",
        )
    return bytes_of(out)
