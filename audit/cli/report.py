"""The command ``hinge-audit report``, and the reporting that ``demo`` shares with it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from audit.cli.inputs import Shots, files_of, shots_argument, skeleton_option
from audit.cli.progress import Progress
from audit.conventions import ORDERS
from audit.errors import InputError, OutputError

if TYPE_CHECKING:
    from audit.model import Shot
    from audit.results import Document
    from audit.settings import Settings
    from audit.sheet import Sheet


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the user asked of a report.

    Attributes
    ----------
    out
        Folder that gets one folder a shot.
    joints
        Names or patterns of the joints to show; all where empty.
    replace
        Whether earlier reports may be replaced.
    quiet
        Say nothing but errors.
    as_json
        Print the results as JSON instead of a table.
    skeleton
        File with the skeleton, for formats that keep it apart.
    inline
        Put the script into every page.
    """

    out: Path
    joints: tuple[str, ...] = ()
    replace: bool = False
    quiet: bool = False
    as_json: bool = False
    skeleton: Path | None = None
    inline: bool = False


@click.command(
    epilog="""\b
Examples:
  hinge-audit report walk.bvh
  hinge-audit report shots/*.bvh --out reports/monday --replace
  hinge-audit report walk.bvh --joint "*_Knee" --joint L_Elbow --open
  hinge-audit report walk.amc --skeleton rig.asf
  hinge-audit report walk.bvh --json | jq .summary
"""
)
@shots_argument
@click.option(
    "--out",
    default="reports",
    show_default=True,
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for the reports: one folder a shot in it.",
)
@skeleton_option
@click.option(
    "--joint",
    "joints",
    multiple=True,
    metavar="NAME",
    help="Show only this joint; a name or a pattern such as '*_Knee'. May be given several times.",
)
@click.option(
    "--order",
    type=click.Choice(ORDERS, case_sensitive=False),
    metavar=f"[{'|'.join(ORDERS)}]",
    help="Rotation order for joints whose file states none (default: the best of the six).",
)
@click.option(
    "--reference",
    type=click.Choice(["rest", "parent"]),
    default="rest",
    show_default=True,
    help="Measure the turn away from the rest pose, or the plain local rotation.",
)
@click.option(
    "--inline",
    is_flag=True,
    help="Put the script into every page, so that each can be sent alone (with one shot it always is).",
)
@click.option("--replace", is_flag=True, help="Replace an earlier report of the same name.")
@click.option("--open", "show", is_flag=True, help="Open the page in the web browser.")
@click.option("--quiet", "-q", is_flag=True, help="Print nothing but errors.")
@click.option(
    "--json", "as_json", is_flag=True, help="Print the results as JSON on standard output."
)
@click.option("--debug", is_flag=True, hidden=True, expose_value=False)
def report(
    shots: tuple[Path, ...],
    out: Path,
    skeleton: Path | None,
    joints: tuple[str, ...],
    order: str | None,
    reference: str,
    inline: bool,
    replace: bool,
    show: bool,
    quiet: bool,
    as_json: bool,
) -> int:
    """Make a page and pictures of one or more shots.

    Each SHOT is an animation file or a folder of them; `hinge-audit explain` lists the formats. For each shot
    there is a folder with report.html, which opens from disk and needs no network, pictures, results.json and
    joints.csv; an index page when there are several.

    A suggested offset changes every curve and every mechanism of a joint: agree on it before animation starts,
    work on copies, and test the rig again.
    """
    from audit.settings import Settings

    settings = Settings(
        reference="rest" if reference == "rest" else "parent",
        order=order.upper() if order else None,
    )
    wishes = Wishes(out, joints, replace, quiet, as_json, skeleton, inline)
    page, failed = report_shots(shots, settings, wishes)
    if show and page is not None:
        click.launch(page.resolve().as_uri())
    return InputError.exit_code if failed else 0


def report_shots(
    paths: Sequence[Path], settings: Settings, wishes: Wishes
) -> tuple[Path | None, bool]:
    """Report on several shots; one that cannot be used is named and the others are still done.

    Parameters
    ----------
    paths
        The shots.
    settings
        Thresholds.
    wishes
        What the user asked for.

    Returns
    -------
    page
        The page to open first, None where no report was made.
    failed
        Whether any shot could not be used.
    """
    from audit.pool import rig_key
    from audit.report import write_index

    paths = files_of(paths)
    folders = _Folders(wishes)
    folders.refuse_taken(path.stem for path in paths)
    shots = Shots(paths, wishes.skeleton, quiet=wishes.quiet or wishes.as_json)
    sheets = _sheets(shots, settings) if len(paths) > 1 else {}
    made: list[tuple[str, Document]] = []
    failed = False
    shared = len(paths) > 1 and not wishes.inline
    for shot in shots:
        folder = folders.of(shot.source.label)
        sheet = sheets.get(rig_key(shot.skeleton))
        try:
            document = _report_one(shot, folder, settings, wishes, shared, sheet)
        except InputError as error:
            failed = True
            click.echo(f"hinge-audit: {error}", err=True)
        else:
            made.append((folder.name, document))
    failed |= shots.failed
    if not made:
        return None, failed
    page = wishes.out / made[0][0] / "report.html"
    if len(made) > 1 or shared:
        page = write_index(made, wishes.out, shared_script=shared)
        _say(f"All shots: {page}", wishes)
    if wishes.as_json:
        from audit.results import json_text

        documents = [document for _, document in made]
        one = len(paths) == 1 and len(documents) == 1
        click.echo(json_text(documents[0] if one else documents), nl=False)
    return page, failed


def _sheets(shots: Iterable[Shot], settings: Settings) -> dict[str, Sheet]:
    """Return what the shots of each rig suggest together, where there are several and rest frames agree."""
    from audit.pool import rig_key
    from audit.suggestion import gather, suggest_from

    sheets = {}
    for evidence in gather(shots, settings):
        if evidence.shots > 1 and not evidence.drift_shots.any():
            key = rig_key(evidence.skeleton)
            own = (shot for shot in shots if rig_key(shot.skeleton) == key)
            sheets[key] = suggest_from(evidence, own, settings).sheet
    return sheets


class _Folders:
    """The folders of the shots' reports; two shots of one name get different ones."""

    def __init__(self, wishes: Wishes) -> None:
        self._wishes = wishes
        self._taken: set[str] = set()

    def of(self, label: str) -> Path:
        """Return the folder for the next shot of this name."""
        from audit.report import folder_name

        name = base = folder_name(label)
        number = 2
        while name.lower() in self._taken:
            name, number = f"{base}-{number}", number + 1
        self._taken.add(name.lower())
        return self._wishes.out / name

    def refuse_taken(self, stems: Iterable[str]) -> None:
        """Raise OutputError before any work is done where a report is there that may not be replaced."""
        guess = _Folders(self._wishes)
        existing = [folder for folder in map(guess.of, stems) if folder.exists()]
        if existing and not self._wishes.replace:
            raise OutputError(
                "already holds a report"
                if len(existing) == 1
                else "and others already hold reports",
                path=existing[0],
                hint="Add --replace to write it anew, or choose another folder with --out",
            )


def _report_one(
    shot: Shot,
    folder: Path,
    settings: Settings,
    wishes: Wishes,
    shared: bool,
    sheet: Sheet | None,
) -> Document:
    """Measure and write one shot, and print its table."""
    from audit.pipeline import examine, joints_named
    from audit.report import terminal_table, write_report

    label = shot.source.label
    joints = joints_named(shot.skeleton.names, wishes.joints) if wishes.joints else None
    quiet = wishes.quiet or wishes.as_json
    with Progress(len(shot.skeleton), f"Measuring {label}", quiet=quiet) as progress:
        examined = examine(shot, settings, progress.step)
    with Progress(30, f"Drawing {label}", quiet=quiet) as progress:
        tick: Callable[[str], object] = lambda _: progress.step()  # noqa: E731
        page = write_report(
            examined,
            folder,
            joints=joints,
            replace=wishes.replace,
            progress=tick,
            shared_script=shared,
            offsets=sheet,
        )
    _say(terminal_table(examined.document, joints=joints), wishes)
    _say(f"Page: {page}\n", wishes)
    return examined.document


def _say(text: str, wishes: Wishes) -> None:
    if not (wishes.quiet or wishes.as_json):
        click.echo(text)
