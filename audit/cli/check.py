"""The command ``hinge-audit check``."""

from __future__ import annotations

from collections.abc import Generator, Iterable, Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from audit.cli.inputs import skeleton_option
from audit.cli.many import Missing, shots_among
from audit.cli.progress import RunProgress
from audit.cli.written import Clearing, Kept, Written, writers_for
from audit.conventions import ORDERS
from audit.errors import UsageError

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from audit.batch import Gate, Ways
    from audit.gate import FileVerdict, HeldPolicies, Options, Run, UnchangedFile
    from audit.history import Baseline, EarlierPasses, PassedUnder, RecordWriter

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
  hinge-audit check delivery/ --changed-since records --record records --show harbour
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
    "--changed-since",
    type=click.Path(path_type=Path),
    metavar="RECORD",
    help="An earlier run (a record, or a Parquet file of its shots): files that passed and are unchanged are "
    "only counted.",
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
    changed_since: Path | None,
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
    if show is not None and record is None and baseline is None and changed_since is None:
        raise UsageError("--show names the show of a record", hint="Add --record DIR")
    if cluster is not None and (workers or time_limit or memory_limit):
        raise UsageError(
            "--workers, --time-limit and --memory-limit are for the processes of this machine",
            hint="Leave them out: a cluster's own workers set theirs",
        )
    from audit.batch import Gate, cluster_executor, default_folder
    from audit.gate import HeldPolicies, Options, partition_of

    left_out = [each for each in (out, record, baseline, changed_since) if each is not None]
    files, missing = shots_among(paths, left_out)
    options = Options(
        skeleton=None if skeleton is None else str(skeleton),
        order=order.upper() if order else None,
        policy=None if policy is None else str(policy),
        rows=record is not None,
    )
    policies = HeldPolicies(options)
    # Before any work is done: a mistake in one is told at once.
    read = policies.read(files or [""])
    partition = None if record is None else partition_of(read)
    earlier = _earlier(options, policies, fail_on, baseline, changed_since, show, record)
    folder = None if no_cache else (cache or default_folder()).absolute()
    with ExitStack() as stack:
        executor = None if cluster is None else stack.enter_context(cluster_executor(cluster))
        limits = _Limits(workers, time_limit, memory_limit, executor)
        written = Written(chosen, out, record, show, partition, replace or resume, resume, quiet)
        gate = Gate(options, policies, folder)
        run = _checked(gate, files, missing, limits, fail_on, earlier, written)
    if not run.complete:
        length = len(files) + len(missing)
        done = run.files + (run.unchanged or 0)
        more = "" if out is None else " The same command with --resume goes on."
        click.echo(f"Stopped: {done:,} of {length:,} files were checked.{more}", err=True)
    return run.exit_code


@dataclass(frozen=True, slots=True)
class _Limits:
    """How the files are to be worked on, as it was asked for."""

    workers: int | None
    time_limit: float | None
    memory_limit: int | None
    executor: Executor | None

    def ways(self, count: int) -> Ways:
        """Return how so many files are worked on."""
        from audit.batch import Ways

        memory = None if self.memory_limit is None else self.memory_limit * BYTES_IN_MIB
        workers = self.workers or (1 if count < FEW else None)
        return Ways(workers, self.time_limit, memory, self.executor)


@dataclass(frozen=True, slots=True)
class _Earlier:
    """What earlier runs say: their findings, the files that passed, and under what this run would pass them."""

    baseline: Baseline | None = None
    passes: EarlierPasses | None = None
    under: PassedUnder | None = None

    def among(self, files: list[str]) -> Iterable[str | UnchangedFile]:
        """Go through the files, those that need no check among them."""
        return files if self.passes is None else self.passes.among(files)


def _earlier(
    options: Options,
    policies: HeldPolicies,
    fail_on: str | None,
    baseline: Path | None,
    changed_since: Path | None,
    show: str | None,
    record: Path | None,
) -> _Earlier:
    """Read what earlier runs say, as far as it is asked for."""
    if baseline is None and changed_since is None and record is None:
        return _Earlier()
    from audit.history import Baseline, EarlierPasses, PassedUnder

    known = None if baseline is None else Baseline(baseline, show)
    under = PassedUnder(options, policies, fail_on, known)
    passes = None if changed_since is None else EarlierPasses(changed_since, show, under)
    return _Earlier(known, passes, under)


def _checked(
    gate: Gate,
    files: list[str],
    missing: list[Missing],
    limits: _Limits,
    fail_on: str | None,
    earlier: _Earlier,
    written: Written,
) -> Run:
    """Check all files and write what is asked for; files appear when the run ends."""
    from itertools import chain

    from audit.gate import Interrupts, UnchangedFile, collect

    progress = RunProgress(len(files) + len(missing), "file", quiet=written.quiet)

    def remark(text: str) -> None:
        progress.clear()
        click.echo(f"hinge-audit: {text}", err=True)

    def verdicts() -> Generator[FileVerdict | UnchangedFile, None, None]:
        changed: list[str] = []
        for each in earlier.among(files):
            if isinstance(each, UnchangedFile):
                yield each
            else:
                changed.append(each)
        if changed:
            ways = limits.ways(len(changed))
            yield from gate.verdicts(
                changed, ways, cache=gate.cache(), journal=kept.journal, remark=remark
            )

    with ExitStack() as stack:
        # Held back until the files have their names: a second Ctrl-C must not undo what the first one kept.
        interrupts = stack.enter_context(Interrupts(last=True))
        kept = stack.enter_context(Kept(gate, files, written))
        recording = stack.enter_context(_recording(written, earlier.under))
        writers = stack.enter_context(writers_for(written))
        stack.enter_context(progress)
        going = stack.enter_context(closing(verdicts()))

        def left_out(file: UnchangedFile) -> None:
            for each in recording:
                each.unchanged(file)

        run = collect(
            chain(_failed(missing), going),
            fail_on,
            [Clearing(progress), *writers, *recording],
            baseline=None if earlier.baseline is None else earlier.baseline.news,
            unchanged=None if earlier.passes is None else left_out,
            progress=progress.step,
            interrupts=interrupts,
        )
        kept.is_complete = run.complete
    return run


@contextmanager
def _recording(written: Written, under: PassedUnder | None) -> Iterator[list[RecordWriter]]:
    """Give the writer to the record, if there is one; the run is added at the end, whole or not at all."""
    if written.record is None:
        yield []
        return
    from audit.history import UNNAMED_SHOW, Recorder, RecordWriter
    from audit.policy import USUAL_PARTS

    show = UNNAMED_SHOW if written.show is None else written.show
    partition = written.partition or USUAL_PARTS
    with Recorder(written.record, show_name=show, partition=partition) as recorder:
        yield [RecordWriter(recorder, under)]


def _failed(missing: list[Missing]) -> Iterator[FileVerdict]:
    """Give verdicts on what was asked for and gives no shot."""
    from audit.gate import Failure, FileVerdict

    for each in missing:
        failure = Failure("unreadable", each.error.cause, each.error.where, each.error.hint)
        yield FileVerdict(each.word, failure=failure)
