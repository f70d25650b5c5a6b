"""The command ``hinge-audit check``."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Self

import click

from audit.cli.inputs import skeleton_option
from audit.cli.many import Missing, shots_among
from audit.cli.progress import RunProgress
from audit.conventions import ORDERS
from audit.errors import OutputError, UsageError

if TYPE_CHECKING:
    from audit.batch import Gate, Journal, Ways
    from audit.gate import FileVerdict, JudgedFile, Run, Writer
    from audit.history import Baseline

FORMATS = ("csv", "json", "junit", "sarif", "text")
"""As in ``audit.gate.formats``, which help and usage errors must not load; a test holds them equal."""

FEW = 8
"""Fewer files than this are checked in this process: others would not be ready before they are done."""

BYTES_IN_MIB = 2**20


@click.command(
    epilog="""\b
Examples:
  hinge-audit check delivery/
  hinge-audit check "shots/**/*.bvh" --policy show.toml --fail-on look
  hinge-audit check @list.txt --out results --format junit --format sarif --replace
  find delivery -name "*.bvh" -print0 | hinge-audit check - --format json > check.json
  hinge-audit check archive/ --out results --time-limit 60 --resume
  hinge-audit check delivery/ --baseline records --record records --show harbour
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
@click.option(
    "--baseline",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Findings of an earlier run (a Parquet file of them, or a record): only new and worse ones count.",
)
@click.option(
    "--record",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Add the run to this record, which `hinge-audit history` answers from.",
)
@click.option("--show", metavar="NAME", help="The show's name in the record.")
@click.option(
    "--workers",
    type=click.IntRange(min=1),
    metavar="N",
    help="Number of processes (default: the number of cores, and one for a few files).",
)
@click.option(
    "--time-limit",
    type=click.FloatRange(min=0.0, min_open=True),
    metavar="SECONDS",
    help="How long one file may take.",
)
@click.option(
    "--memory-limit",
    type=click.IntRange(min=1),
    metavar="MIB",
    help="How much memory one file may take (held on Linux).",
)
@click.option(
    "--cluster",
    metavar="ADDRESS",
    help="Work on the Dask cluster whose scheduler is there, such as tcp://host:8786.",
)
@click.option(
    "--cache",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Where results of unchanged files are found again (default: in the user's cache folder).",
)
@click.option("--no-cache", is_flag=True, help="Check every file anew, and keep nothing.")
@click.option("--resume", is_flag=True, help="Go on with the run to --out that was stopped.")
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
    baseline: Path | None,
    record: Path | None,
    show: str | None,
    workers: int | None,
    time_limit: float | None,
    memory_limit: int | None,
    cluster: str | None,
    cache: Path | None,
    no_cache: bool,
    resume: bool,
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
    if resume and out is None:
        raise UsageError(
            "--resume needs the folder of the run that was stopped", hint="Add --out DIR"
        )
    if no_cache and cache is not None:
        raise UsageError("--cache and --no-cache contradict each other", hint="Leave one out")
    if show is not None and record is None and baseline is None:
        raise UsageError("--show names the show of a record", hint="Add --record DIR")
    if cluster is not None and (workers or time_limit or memory_limit):
        raise UsageError(
            "--workers, --time-limit and --memory-limit are for the processes of this machine",
            hint="Leave them out: a cluster's own workers set theirs",
        )
    from audit.batch import Gate, Ways, cluster_executor, default_folder
    from audit.gate import HeldPolicies, Options

    left_out = [each for each in (out, record) if each is not None]
    files, missing = shots_among(paths, left_out)
    options = Options(
        skeleton=None if skeleton is None else str(skeleton),
        order=order.upper() if order else None,
        policy=None if policy is None else str(policy),
        rows=record is not None,
    )
    policies = HeldPolicies(options)
    # Before any work is done: a mistake in one is told at once.
    policies.read(files or [""])
    known = None if baseline is None else _baseline(baseline, show)
    folder = None if no_cache else (cache or default_folder()).absolute()
    with ExitStack() as stack:
        executor = None if cluster is None else stack.enter_context(cluster_executor(cluster))
        ways = Ways(
            workers or (1 if len(files) < FEW else None),
            time_limit,
            None if memory_limit is None else memory_limit * BYTES_IN_MIB,
            executor,
        )
        written = _Written(chosen, out, record, show, replace or resume, resume, quiet)
        run = _checked(
            Gate(options, policies, folder), files, missing, ways, fail_on, known, written
        )
    if not run.complete:
        length = len(files) + len(missing)
        more = "" if out is None else " The same command with --resume goes on."
        click.echo(f"Stopped: {run.files:,} of {length:,} files were checked.{more}", err=True)
    return run.exit_code


@dataclass(frozen=True, slots=True)
class _Written:
    """What is asked for about what is written: formats, folder, record, and whether to go on."""

    names: tuple[str, ...]
    out: Path | None
    record: Path | None
    show: str | None
    replace: bool
    resume: bool
    quiet: bool


def _checked(
    gate: Gate,
    files: list[str],
    missing: list[Missing],
    ways: Ways,
    fail_on: str | None,
    known: Baseline | None,
    written: _Written,
) -> Run:
    """Check all files and write what is asked for; files appear when the run ends."""
    from itertools import chain

    from audit.gate import Interrupts, collect

    progress = RunProgress(len(files) + len(missing), "file", quiet=written.quiet)

    def remark(text: str) -> None:
        progress.clear()
        click.echo(f"hinge-audit: {text}", err=True)

    with ExitStack() as stack:
        # Held back until the files have their names: a second Ctrl-C must not undo what the first one kept.
        interrupts = stack.enter_context(Interrupts(last=True))
        kept = stack.enter_context(_Kept(gate, files, written))
        recording = stack.enter_context(_recording(written.record, written.show))
        writers = stack.enter_context(_writers(written))
        stack.enter_context(progress)
        verdicts = stack.enter_context(
            closing(
                gate.verdicts(files, ways, cache=gate.cache(), journal=kept.journal, remark=remark)
            )
        )
        run = collect(
            chain(_failed(missing), verdicts),
            fail_on,
            [_Clearing(progress), *writers, *recording],
            old=None if known is None else known.old,
            progress=progress.step,
            interrupts=interrupts,
        )
        kept.is_complete = run.complete
    return run


class _Kept:
    """The journal of a run that writes to a folder; it goes once all results are in place."""

    def __init__(self, gate: Gate, files: list[str], written: _Written) -> None:
        self.is_complete = False
        self.journal: Journal[FileVerdict] | None = None
        if written.out is None:
            return
        from audit.files import refuse_taken
        from audit.gate import output_formats

        # Before the journal makes the folder: what is in the way is told by its own name.
        targets = [output_formats()[name].file for name in written.names]
        inputs = [Path(path) for path in files if os.path.basename(path) in targets]
        refuse_taken([written.out / each for each in targets], inputs, replace=written.replace)
        self.journal = gate.journal(written.out, files, resume=written.resume)

    def __enter__(self) -> Self:
        """Begin."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close it."""
        if self.journal is not None:
            self.journal.close(finished=self.is_complete and kind is None)


@contextmanager
def _recording(record: Path | None, show: str | None) -> Iterator[list[Writer]]:
    """Give the writer to the record, if there is one; the run is added at the end, whole or not at all."""
    if record is None:
        yield []
        return
    from audit.history import Recorder, RecordWriter
    from audit.history.record import UNNAMED_SHOW

    with Recorder(record, show_name=UNNAMED_SHOW if show is None else show) as recorder:
        yield [RecordWriter(recorder)]


def _baseline(path: Path, show: str | None) -> Baseline:
    from audit.history import Baseline

    return Baseline(path, show)


def _failed(missing: list[Missing]) -> Iterator[FileVerdict]:
    """Give verdicts on what was asked for and gives no shot."""
    from audit.gate import Failure, FileVerdict

    for each in missing:
        failure = Failure("unreadable", each.error.cause, each.error.where, each.error.hint)
        yield FileVerdict(each.word, failure=failure)


@contextmanager
def _writers(written: _Written) -> Iterator[list[Writer]]:
    """Give the writers that are asked for; files in the folder appear at the end, all or none."""
    from audit.files import draft_folder, not_written, put_in_place
    from audit.gate import output_formats

    names, out = written.names, written.out
    formats = output_formats()
    writers: list[Writer] = []
    if not written.quiet and ("text" in names or out is not None):
        writers.append(formats["text"].writer(_StandardOutput()))
    if out is None:
        writers += [formats[name].writer(_StandardOutput()) for name in names if name != "text"]
        yield writers
        return
    targets = [formats[name].file for name in names]
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
