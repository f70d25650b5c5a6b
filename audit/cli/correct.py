"""The command ``hinge-audit correct``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from audit.cli.inputs import files_of, shots_argument, skeleton_option
from audit.cli.progress import Progress
from audit.errors import InputError, MotionError, UsageError

if TYPE_CHECKING:
    from audit.correction import CorrectedFile
    from audit.sheet import Only


@click.command(
    epilog="""\b
Examples:
  hinge-audit correct walk.bvh --offsets offsets.csv --out corrected
  hinge-audit correct shots/ --offsets offsets.csv --out corrected --replace
  hinge-audit correct walk.amc --skeleton rig.asf --offsets offsets.csv --out corrected
  hinge-audit correct walk.glb --offsets offsets.csv --only twist --out corrected
"""
)
@shots_argument
@click.option(
    "--offsets",
    required=True,
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The offsets sheet, as `hinge-audit suggest` writes it.",
)
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Folder for the corrected files. They keep their names; inputs are never written over.",
)
@skeleton_option
@click.option(
    "--only",
    type=click.Choice(["twist", "full"]),
    help="Apply the twist offsets alone, or the full offsets alone (default: a row's full offset where it has "
    "one, else its twist).",
)
@click.option("--replace", is_flag=True, help="Write earlier corrected files anew.")
@click.option("--quiet", "-q", is_flag=True, help="Print nothing but errors.")
@click.option("--debug", is_flag=True, hidden=True, expose_value=False)
def correct(
    shots: tuple[Path, ...],
    offsets: Path,
    out: Path,
    skeleton: Path | None,
    only: str | None,
    replace: bool,
    quiet: bool,
) -> int:
    """Turn the axes of joints in copies of the shots, and prove that nothing moved.

    Each SHOT is an animation file or a folder of them. Every corrected file is read back and played against the
    original, at every key and between keys. Where a joint or a skin would move by more than 0.00001 of the
    rig's height, nothing is written and the command ends with 4. The figures are printed, and are kept in
    proof.json and proof.html.

    An offset changes every curve and every mechanism of a joint: agree on it before animation starts, correct
    all shots of a rig by one sheet, and test the rig again.
    """
    from audit.correction import correct_file
    from audit.plugins import bytes_of
    from audit.report.proof_page import refuse_other_page, write_proof_page
    from audit.sheet import read_sheet

    refuse_other_page(out)
    sheet = read_sheet(bytes_of(offsets), str(offsets))
    if not any(row.turns for row in sheet.rows):
        raise UsageError(
            "asks for no turn at all", path=offsets, hint="Fill in twist_offset_deg or full_offset"
        )
    paths = files_of(shots, [out, offsets])
    _refuse_twins(paths)
    chosen: Only | None = "twist" if only == "twist" else "full" if only == "full" else None
    codes: list[int] = []
    with Progress(len(paths), "Correcting shots", quiet=quiet) as progress:
        for path in paths:
            try:
                done = correct_file(
                    path,
                    sheet,
                    out,
                    skeleton=skeleton,
                    only=chosen,
                    replace=replace,
                    inputs=[*paths, offsets],
                )
            except (InputError, MotionError) as error:
                codes.append(error.exit_code)
                where = "" if error.path == str(path) else f"{path}: "
                click.echo(f"hinge-audit: {where}{error}", err=True)
            else:
                _warn(path, done)
                if not quiet:
                    click.echo(_told(done))
            progress.step()
    if len(codes) < len(paths):
        page = write_proof_page(out)
        if not quiet:
            click.echo(f"Proof: {page}")
    return MotionError.exit_code if MotionError.exit_code in codes else max(codes, default=0)


def _refuse_twins(paths: list[Path]) -> None:
    """Refuse shots that would be written under one name."""
    first: dict[str, Path] = {}
    for path in paths:
        other = first.setdefault(path.name.lower(), path)
        if other is not path:
            raise UsageError(
                f"{other} and {path} would both be written as {path.name}",
                hint="Correct them into two folders",
            )


def _warn(path: Path, done: CorrectedFile) -> None:
    """Say on standard error what of the sheet was not done."""
    for each in done.entry["refused"]:
        click.echo(f"hinge-audit: {path}: {each['joint']} stays: {each['reason']}", err=True)
    messier = list(dict.fromkeys(name for shot in done.shots for name in shot.messier))
    if messier:
        names = _some(messier)
        click.echo(
            f"hinge-audit: {path}: {names} moves on more channels than before; was the sheet made for "
            "these axes?",
            err=True,
        )
    missing = done.entry["missing"]
    if missing:
        names = _some(missing)
        click.echo(f"hinge-audit: {path}: has no joint {names}; the sheet does", err=True)


def _some(names: list[str]) -> str:
    return ", ".join(names[:5]) + (" …" if len(names) > 5 else "")


def _told(done: CorrectedFile) -> str:
    """Return what was done to a file, and what the proof found."""
    from audit.wording import plural

    lines = [f"{done.path}: {plural(len(done.entry['turned']), 'joint')} changed"]
    for shot in done.entry["shots"]:
        name = f"  {shot['shot']}: " if len(done.entry["shots"]) > 1 else "  "
        skin = (
            "" if shot["skin"] is None else f"; no point of a skin by more than {shot['skin']:.2g}"
        )
        lines.append(
            f"{name}no joint moved by more than {shot['position']:.2g} "
            f"({shot['share_of_height']:.1g} of the height {shot['height']:g}), none turned by more than "
            f"{shot['rotation_deg']:.1g}°{skin} ({shot['instants']:,} instants)"
        )
        hinges = shot["hinges"]
        if hinges is not None and hinges["count"]:
            lines.append(
                f"  hinges on one channel: {hinges['on_one_channel_before']} → "
                f"{hinges['on_one_channel_after']} of {hinges['count']}; their edit keys: "
                f"{hinges['edit_keys_before']:,} → {hinges['edit_keys_after']:,}"
            )
    return "\n".join(lines)
