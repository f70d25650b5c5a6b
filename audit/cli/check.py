"""The command ``hinge-audit check``."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from audit.cli.inputs import skeleton_option
from audit.cli.many import Missing, shots_among
from audit.cli.progress import RunProgress
from audit.conventions import ORDERS
from audit.errors import OutputError, UsageError

if TYPE_CHECKING:
    from audit.gate import FileVerdict, Interrupts, JudgedFile, Options, Run, Writer

FORMATS = ("csv", "json", "junit", "sarif", "text")
"""As in ``audit.gate.formats``, which help and usage errors must not load; a test holds them equal."""


@click.command(
    epilog="""\b
Examples:
  hinge-audit check delivery/
  hinge-audit check "shots/**/*.bvh" --policy show.toml --fail-on look
  hinge-audit check @list.txt --out results --format junit --format sarif --replace
  find delivery -name "*.bvh" -print0 | hinge-audit check - --format json > check.json
\b
Exit codes: 0 all shots pass; 1 findings at or above the asked severity; 2 wrong usage, or a policy
with mistakes; 3 a file could not be read or used, all others are still checked; 70 a fault of the
program itself; 130 stopped by Ctrl-C. Of several, the highest is given.
"""
)
@click.argument("paths", nargs=-1, required=True, metavar="PATH...")
@click.option(
    "--policy",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="The policy (default: the nearest policy.toml in each shot's folder or above it).",
)
@click.option(
    "--fail-on",
    type=click.Choice(["fix", "look", "never"]),
    help="From which severity on a finding fails a shot (default: as the policy says, else fix).",
)
@click.option(
    "--format",
    "names",
    multiple=True,
    type=click.Choice(FORMATS),
    help="How to write the results (default: text). Several with --out.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Folder for the results, one file a format. Without it, one format goes to standard output.",
)
@skeleton_option
@click.option(
    "--order",
    type=click.Choice(ORDERS, case_sensitive=False),
    metavar=f"[{'|'.join(ORDERS)}]",
    help="Rotation order for joints whose file states none (default: the best of the six).",
)
@click.option("--replace", is_flag=True, help="Write earlier results in --out anew.")
@click.option("--quiet", "-q", is_flag=True, help="No progress and no text for people.")
@click.option("--debug", is_flag=True, hidden=True, expose_value=False)
def check(
    paths: tuple[str, ...],
    policy: Path | None,
    fail_on: str | None,
    names: tuple[str, ...],
    out: Path | None,
    skeleton: Path | None,
    order: str | None,
    replace: bool,
    quiet: bool,
) -> int:
    """Check many shots against a policy, and say whether they pass.

    Each PATH is an animation file, a folder of them, a pattern such as "shots/**/*.bvh", @list.txt for a file
    with one of these a line, or - for such a list on standard input. `hinge-audit explain` lists the checks,
    and `hinge-audit policy init` writes a policy to begin with. A file that cannot be read is a finding, and
    never the end of the run.
    """
    chosen = tuple(dict.fromkeys(names)) or ("text",)
    if out is None and len(chosen) > 1:
        raise UsageError(
            "several formats cannot share standard output",
            hint="Add --out DIR for one file a format, or ask for one format",
        )
    from audit.gate import Interrupts, Options, check_file

    files, missing = shots_among(paths, () if out is None else (out,))
    options = Options(
        skeleton=None if skeleton is None else str(skeleton),
        order=order.upper() if order else None,
        policy=None if policy is None else str(policy),
    )
    _read_policies(files, options)
    verdicts = map(partial(check_file, options=options), files)
    length = len(files) + len(missing)
    with (
        # Held back until the files have their names: a second Ctrl-C must not undo what the first one kept.
        Interrupts(last=True) as interrupts,
        _writers(chosen, out, files, replace=replace, quiet=quiet) as writers,
        RunProgress(length, "file", quiet=quiet) as progress,
    ):
        run = _collected([*_failed(missing)], verdicts, fail_on, writers, progress, interrupts)
    if not run.complete:
        click.echo(f"Stopped: {run.files:,} of {length:,} files were checked.", err=True)
    return run.exit_code


def _collected(
    first: list[FileVerdict],
    verdicts: Iterable[FileVerdict],
    fail_on: str | None,
    writers: Sequence[Writer],
    progress: RunProgress,
    interrupts: Interrupts,
) -> Run:
    from itertools import chain

    from audit.gate import collect

    return collect(
        chain(first, verdicts),
        fail_on,
        [_Clearing(progress), *writers],
        progress=progress.step,
        interrupts=interrupts,
    )


def _read_policies(files: list[str], options: Options) -> None:
    """Read all policies before any work is done: a mistake in one is told at once."""
    from audit.gate import policy_for

    seen: set[str] = set()
    for path in files if options.policy is None else files[:1] or [""]:
        folder = os.path.dirname(path)  # quicker than Path, for a hundred thousand of them
        if folder not in seen:
            seen.add(folder)
            policy_for(path, options)


def _failed(missing: list[Missing]) -> Iterator[FileVerdict]:
    """Give verdicts on what was asked for and gives no shot."""
    from audit.gate import Failure, FileVerdict

    for each in missing:
        failure = Failure("unreadable", each.error.cause, each.error.where, each.error.hint)
        yield FileVerdict(each.word, failure=failure)


@contextmanager
def _writers(
    names: tuple[str, ...], out: Path | None, files: list[str], *, replace: bool, quiet: bool
) -> Iterator[list[Writer]]:
    """Give the writers that are asked for; files in the folder appear at the end, all or none."""
    from audit.files import draft_folder, not_written, put_in_place, refuse_taken
    from audit.gate import output_formats

    formats = output_formats()
    writers: list[Writer] = []
    if not quiet and ("text" in names or out is not None):
        writers.append(formats["text"].writer(_StandardOutput()))
    if out is None:
        writers += [formats[name].writer(_StandardOutput()) for name in names if name != "text"]
        yield writers
        return
    targets = [formats[name].file for name in names]
    inputs = [Path(path) for path in files if os.path.basename(path) in targets]
    refuse_taken([out / target for target in targets], inputs, replace=replace)
    with draft_folder(out) as draft:
        try:
            with ExitStack() as stack:
                for name in names:
                    file = stack.enter_context((draft / formats[name].file).open("wb"))
                    writers.append(formats[name].writer(file))
                yield writers
        except OutputError:
            raise
        except OSError as error:
            raise not_written(out, error) from error
        put_in_place(targets, draft, out)


class _Clearing:
    """Takes the line of the progress away before anything is written at the end."""

    def __init__(self, progress: RunProgress) -> None:
        self._progress = progress

    def file(self, judged: JudgedFile) -> None:
        """Leave it as it is."""

    def end(self, run: Run) -> None:
        """Take it away."""
        self._progress.clear()


class _StandardOutput:
    """Standard output as a sink of bytes."""

    def write(self, data: bytes) -> int:
        """Write UTF-8, or what the terminal takes instead."""
        sys.stdout.flush()
        encoding = (sys.stdout.encoding or "utf-8").lower().replace("-", "")
        if sys.stdout.isatty() and encoding != "utf8":
            data = data.decode("utf-8").encode(encoding, "backslashreplace")
        try:
            written = sys.stdout.buffer.write(data)
            sys.stdout.buffer.flush()
        except BrokenPipeError as error:
            # Whoever was reading has gone, and the interpreter must not stumble over that when it ends.
            with suppress(OSError):
                os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            raise OutputError("nobody reads standard output any more") from error
        return written
