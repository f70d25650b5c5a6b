"""The command ``hinge-audit compare``."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import click

from audit.cli.progress import Progress
from audit.conventions import ORDERS
from audit.errors import InputError, UsageError

if TYPE_CHECKING:
    from audit.compare import Comparison
    from audit.model import Shot
    from audit.pipeline import Examination
    from audit.results import Document
    from audit.settings import Settings

CHANGED = 1
"""Exit code with --fail-on-change where the motion differs or a joint got messier."""


@dataclass(frozen=True, slots=True)
class _Wishes:
    """What the user asked for."""

    out: Path
    settings: Settings
    skeletons: tuple[Path | None, Path | None]
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

    made: list[tuple[str, Document]] = field(default_factory=list)
    pages: list[Path] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)
    added: list[str] = field(default_factory=list)
    worse: bool = False
    failed: bool = False
    taken: set[str] = field(default_factory=set)


@click.command(
    epilog="""\b
Examples:
  hinge-audit compare walk.bvh walk_corrected.bvh
  hinge-audit compare walk.bvh walk.glb --out reports/monday --open
  hinge-audit compare shots/friday shots/monday --replace
  hinge-audit compare old.bvh new.bvh --fail-on-change --quiet
  hinge-audit compare old.bvh new.bvh --json | jq .motion.same
\b
Exit codes: 0 the comparison was made, whatever it found; 1 with --fail-on-change, the motion is not
known to be the same or a joint got messier; 2 wrong usage; 3 a file could not be read or used.
"""
)
@click.argument("before", metavar="BEFORE", type=click.Path(path_type=Path))
@click.argument("after", metavar="AFTER", type=click.Path(path_type=Path))
@click.option(
    "--out",
    default="reports/compare",
    show_default=True,
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for the pages: one folder a comparison in it.",
)
@click.option(
    "--order",
    type=click.Choice(ORDERS, case_sensitive=False),
    metavar=f"[{'|'.join(ORDERS)}]",
    help="Rotation order for joints whose file states none (default: the best of the six).",
)
@click.option(
    "--skeleton",
    "skeletons",
    multiple=True,
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Skeleton of both, for formats that keep it in a file of its own; twice for one each.",
)
@click.option(
    "--fail-on-change",
    is_flag=True,
    help="End with exit code 1 where the motion differs or a joint got messier.",
)
@click.option("--replace", is_flag=True, help="Replace an earlier comparison of the same name.")
@click.option("--open", "show", is_flag=True, help="Open the page in the web browser.")
@click.option("--quiet", "-q", is_flag=True, help="Print nothing but errors.")
@click.option(
    "--json", "as_json", is_flag=True, help="Print the comparison as JSON on standard output."
)
@click.option("--debug", is_flag=True, hidden=True, expose_value=False)
def compare(
    before: Path,
    after: Path,
    out: Path,
    order: str | None,
    skeletons: tuple[Path, ...],
    fail_on_change: bool,
    replace: bool,
    show: bool,
    quiet: bool,
    as_json: bool,
) -> int:
    """Say of two takes of a rig whether they are the same motion, and in cleaner axes.

    BEFORE and AFTER are two files, of any formats, or two folders: then files of the same name are compared. Of
    files that hold several shots those of the same name are. Joints are matched by name, then by their place in
    the hierarchy. For each pair there is a folder with comparison.html, which opens from disk and needs no
    network, and comparison.json.
    """
    from audit.settings import Settings

    if len(skeletons) > 2:
        raise UsageError(
            f"--skeleton was given {len(skeletons)} times",
            hint="Give it once for both, or twice: that of BEFORE and that of AFTER",
        )
    each = (skeletons[0], skeletons[-1]) if skeletons else (None, None)
    settings = Settings(order=order.upper() if order else None)
    wishes = _Wishes(out, settings, each, replace, quiet, as_json)
    done = _compare_all(before, after, wishes)
    if done.made and as_json:
        from audit.results import json_text

        documents = [document for _, document in done.made]
        single = len(documents) == 1 and not before.is_dir()
        click.echo(json_text(documents[0] if single else documents), nl=False)
    if show and done.pages:
        click.launch(done.pages[-1].resolve().as_uri())
    if done.failed:
        return InputError.exit_code
    return CHANGED if fail_on_change and done.worse else 0


def _compare_all(before: Path, after: Path, wishes: _Wishes) -> _Done:
    """Compare all pairs of files; one that cannot be used is named and the others are still done."""
    from audit.compare import pair_files
    from audit.formats import formats
    from audit.report.comparison_folder import write_comparison_index

    suffixes = sorted({suffix for each in formats().values() for suffix in each.suffixes})
    files = pair_files(before, after, suffixes)
    done = _Done(lost=[str(path) for path in files.lost], added=[str(path) for path in files.added])
    for name, first, second in files.pairs:
        try:
            _compare_files(name, first, second, wishes, done)
        except InputError as error:
            done.failed = True
            click.echo(f"hinge-audit: {error}", err=True)
    for title, names in (("Only before", done.lost), ("Only after", done.added)):
        if names:
            wishes.say(f"{title}: {', '.join(names)}")
    if len(done.made) > 1:
        page = write_comparison_index(done.made, wishes.out, lost=done.lost, added=done.added)
        done.pages.append(page)
        wishes.say(f"All comparisons: {page}")
    return done


def _compare_files(name: str, first: Path, second: Path, wishes: _Wishes, done: _Done) -> None:
    """Compare the shots of two files."""
    from audit.compare import compare as compare_shots
    from audit.compare import pair_shots
    from audit.pipeline import read_all

    shots = pair_shots(
        read_all(first, wishes.skeletons[0]),
        read_all(second, wishes.skeletons[1]),
        (first, second),
    )
    done.lost += [f"{first}#{shot}" for shot in shots.lost]
    done.added += [f"{second}#{shot}" for shot in shots.added]
    for shot_name, shot, other in shots.pairs:
        label = f"{name} {shot_name}".strip()
        folder = _folder(label, wishes, done)
        comparison = compare_shots(
            _examined(shot, f"{label}, before", wishes), _examined(other, f"{label}, after", wishes)
        )
        _write(folder, comparison, wishes, done)


def _folder(label: str, wishes: _Wishes, done: _Done) -> Path:
    """Return the folder of a comparison; refused before anything is measured where it may not be written."""
    from audit.report import folder_name
    from audit.report.comparison_folder import refuse_taken

    name = base = folder_name(label)
    number = 2
    while name.lower() in done.taken:
        name, number = f"{base}-{number}", number + 1
    done.taken.add(name.lower())
    refuse_taken(wishes.out / name, replace=wishes.replace)
    return wishes.out / name


def _examined(shot: Shot, label: str, wishes: _Wishes) -> Examination:
    from audit.pipeline import examine

    quiet = wishes.quiet or wishes.as_json
    with Progress(len(shot.skeleton), f"Measuring {label}", quiet=quiet) as progress:
        return examine(shot, wishes.settings, progress.step)


def _write(folder: Path, comparison: Comparison, wishes: _Wishes, done: _Done) -> None:
    """Write the folder of a comparison and print its table."""
    from audit.report.comparison_folder import write_comparison
    from audit.report.comparison_terminal import comparison_table

    page = write_comparison(comparison, folder, replace=wishes.replace)
    done.made.append((folder.name, comparison.document))
    done.pages.append(page)
    done.worse = done.worse or comparison.is_worse
    wishes.say(comparison_table(comparison.document))
    wishes.say(f"Page: {page}\n")
