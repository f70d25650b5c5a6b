"""The command ``hinge-audit rest``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import click

from audit.cli.inputs import files_of, skeleton_option
from audit.cli.progress import Progress
from audit.errors import InputError, OutputError, UsageError

if TYPE_CHECKING:
    from audit.gate import Options
    from audit.resting import RestExamination
    from audit.results import Document
    from audit.sheet import Sheet

FAILED = 1
"""Exit code with --fail-on where a rig has findings of that severity or a graver one."""


@dataclass(frozen=True, slots=True)
class _Wishes:
    """What the user asked for."""

    out: Path
    up: str | None
    facing: str | None
    unit: float | None
    options: Options
    replace: bool
    quiet: bool
    as_json: bool

    def say(self, text: str) -> None:
        """Print a text for people, unless they asked for none."""
        if not (self.quiet or self.as_json):
            click.echo(text)


@dataclass(slots=True)
class _Done:
    """What came of it."""

    made: list[tuple[str, str, Document]] = field(default_factory=list)
    pages: list[Path] = field(default_factory=list)
    taken: set[str] = field(default_factory=set)
    examined: RestExamination | None = None
    failed: bool = False


@click.command(
    epilog="""\b
Examples:
  hinge-audit rest rig.glb
  hinge-audit rest rigs/*.usda --out reports/monday --replace
  hinge-audit rest walk.bvh --up +Y --facing +Z --unit cm --open
  hinge-audit rest rig.glb --fix offsets.csv
  hinge-audit rest rig.glb --policy show.toml --fail-on fix --quiet
  hinge-audit rest rig.glb --json | jq .findings
\b
Exit codes: 0 the rigs were looked at, whatever was found; 1 with --fail-on, a rig has such findings;
2 wrong usage; 3 a file could not be read or used, the others are still done.
"""
)
@click.argument("rigs", nargs=-1, required=True, metavar="RIG...", type=click.Path(path_type=Path))
@click.option(
    "--out",
    default="reports",
    show_default=True,
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for the pages: one folder a rig in it.",
)
@click.option(
    "--up",
    metavar="AXIS",
    help="The up axis, such as +Z (default: as the file states it, else as it is found).",
)
@click.option(
    "--facing",
    metavar="AXIS",
    help="The axis that the rig should face along, such as +Z or -Y (default: likewise).",
)
@click.option(
    "--unit",
    metavar="UNIT",
    help="Unit of length: m, cm, mm, in, ft, or the metres of one unit (default: likewise).",
)
@skeleton_option
@click.option(
    "--policy",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="The policy (default: the nearest policy.toml in each rig's folder or above it).",
)
@click.option(
    "--fix",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write an offsets sheet (CSV) that mends the axes, for `hinge-audit correct`. Nothing is moved by it.",
)
@click.option(
    "--fail-on",
    type=click.Choice(["fix", "look", "never"]),
    default="never",
    show_default=True,
    help="End with exit code 1 where a rig has findings of this severity or a graver one.",
)
@click.option(
    "--replace",
    is_flag=True,
    help="Replace an earlier page of the same name, and renew an earlier sheet. The sheet's comments, blank "
    "rows and added columns are kept.",
)
@click.option("--open", "show", is_flag=True, help="Open the page in the web browser.")
@click.option("--quiet", "-q", is_flag=True, help="Print nothing but errors.")
@click.option(
    "--json", "as_json", is_flag=True, help="Print what was found as JSON on standard output."
)
@click.option("--debug", is_flag=True, hidden=True, expose_value=False)
def rest(
    rigs: tuple[Path, ...],
    out: Path,
    up: str | None,
    facing: str | None,
    unit: str | None,
    skeleton: Path | None,
    policy: Path | None,
    fix: Path | None,
    fail_on: str,
    replace: bool,
    show: bool,
    quiet: bool,
    as_json: bool,
) -> int:
    """Find what is wrong with a rig in its rest pose, before anybody animates it.

    Each RIG is a file of any format that is read, or a folder of them; no key is needed. Joints off the middle,
    left and right that are no mirror images, axes that miss their limbs, knees without a bend and more: each
    finding says in numbers what to move, turn or set. For each rig there is a folder with rest.html, which
    opens from disk and needs no network, and rest.json; a list of them when there are several.

    Limits, severities and waivers are those of the policy, where there is one. What it waives counts nowhere.
    """
    from audit.gate import HeldPolicies, Options
    from audit.resting import metres_of_unit
    from audit.results import json_text

    paths = files_of(rigs, [out])
    metres = None if unit is None else metres_of_unit(unit)
    options = Options(
        skeleton=None if skeleton is None else str(skeleton),
        policy=None if policy is None else str(policy),
    )
    wishes = _Wishes(out, up, facing, metres, options, replace, quiet, as_json)
    _check_directions(wishes)
    # Before any work is done: a mistake in one is told at once.
    HeldPolicies(options).read([str(path) for path in paths])
    earlier = None if fix is None else _earlier(fix, paths, replace=replace)
    done = _look_at_all(paths, wishes)
    if fix is not None and done.examined is not None:
        _write_sheet(fix, earlier, done.examined, wishes)
    documents = [document for _, _, document in done.made]
    if len(documents) > 1:
        from audit.report.rest_folder import write_rest_index

        done.pages.append(write_rest_index(done.made, out))
        wishes.say(f"All rigs: {done.pages[-1]}")
    if documents and as_json:
        one = len(paths) == 1 and not rigs[0].is_dir()
        click.echo(json_text(documents[0] if one else documents), nl=False)
    if show and done.pages:
        click.launch(done.pages[-1].resolve().as_uri())
    if done.failed:
        return InputError.exit_code
    return FAILED if _fails(documents, fail_on) else 0


def _check_directions(wishes: _Wishes) -> None:
    """Refuse what is no direction before any file is read."""
    from audit.rest.facing import direction

    for given in (wishes.up, wishes.facing):
        if given is not None:
            direction(given)


def _earlier(fix: Path, paths: Sequence[Path], *, replace: bool) -> Sheet | None:
    """Return the sheet that is there already, None where there is none."""
    from audit.plugins import bytes_of
    from audit.sheet import read_sheet

    if len(paths) > 1:
        raise UsageError(
            f"--fix is for one rig, and {len(paths)} are given", hint="Give one rig at a time"
        )
    if not fix.exists():
        return None
    if not replace:
        raise OutputError(
            "exists already",
            path=fix,
            hint="Add --replace to renew it (its comments and added columns stay), or name another --fix",
        )
    return read_sheet(bytes_of(fix), str(fix))


def _look_at_all(paths: Sequence[Path], wishes: _Wishes) -> _Done:
    """Look at all rigs; one that cannot be used is named and the others are still done."""
    done = _Done()
    with Progress(len(paths), "Looking at rigs", quiet=wishes.quiet or wishes.as_json) as progress:
        for path in paths:
            try:
                _look_at(path, wishes, done)
            except InputError as error:
                done.failed = True
                click.echo(f"hinge-audit: {error}", err=True)
            progress.step()
    return done


def _look_at(path: Path, wishes: _Wishes, done: _Done) -> None:
    """Look at one rig, write its page and print what was found."""
    from audit.gate import policy_for
    from audit.report.rest_folder import write_rest
    from audit.report.rest_terminal import rest_lines
    from audit.resting import examine_rest

    folder = _folder(path, wishes, done)
    policy = policy_for(str(path), wishes.options)
    examined = examine_rest(
        path,
        up=wishes.up,
        facing=wishes.facing,
        unit=wishes.unit,
        skeleton=wishes.options.skeleton,
        policy=None if policy.path is None else policy,
    )
    page = write_rest(examined, folder, replace=wishes.replace)
    done.examined = examined
    done.made.append((examined.source.label, folder.name, examined.document))
    done.pages.append(page)
    wishes.say(rest_lines(examined.document))
    wishes.say(f"Page: {page}\n")


def _folder(path: Path, wishes: _Wishes, done: _Done) -> Path:
    """Return the folder of a rig; refused before anything is read where it may not be written."""
    from audit.report import folder_name
    from audit.report.rest_folder import refuse_taken

    # Beside the folder that `report` would make of the same file.
    name = base = folder_name(f"{path.stem}-rest")
    number = 2
    while name.lower() in done.taken:
        name, number = f"{base}-{number}", number + 1
    done.taken.add(name.lower())
    refuse_taken(wishes.out / name, replace=wishes.replace)
    return wishes.out / name


def _write_sheet(
    fix: Path, earlier: Sheet | None, examined: RestExamination, wishes: _Wishes
) -> None:
    """Write the offsets sheet that mends the axes."""
    from audit.files import write_whole
    from audit.resting import fixing_sheet
    from audit.sheet import sheet_text

    sheet = fixing_sheet(examined)
    turning = sum(row.turns for row in sheet.rows)
    if earlier is not None:
        sheet = earlier.renewed(sheet.rows)
    write_whole(fix, sheet_text(sheet).encode("utf-8"))
    wishes.say(f"The axes of {turning} of {len(sheet.rows)} joints are to be turned: {fix}")
    if turning:
        wishes.say(f"Look it over, then: hinge-audit correct SHOT... --offsets {fix} --out DIR")


def _fails(documents: Sequence[Document], fail_on: str) -> bool:
    """Tell whether a rig has findings of a severity or of a graver one."""
    grave = {"never": (), "fix": ("fix",), "look": ("fix", "look")}[fail_on]
    return any(document["summary"][each] for document in documents for each in grave)
