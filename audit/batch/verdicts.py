"""Verdicts on many files: the gate's task, in whatever way a batch is run."""

from __future__ import annotations

import os
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import Executor
from contextlib import closing
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Literal

from audit.batch.cache import Cache, digest_of, digest_or_none
from audit.batch.journal import Journal
from audit.batch.opened import companions, noted_files
from audit.batch.outcome import Event, Outcome
from audit.batch.packing import Packing
from audit.batch.running import run
from audit.errors import AuditError, InputError
from audit.gate.data import KINDS, Failure, FileVerdict, Options
from audit.gate.policies import HeldPolicies

HEAVY = ("audit.gate.shots",)
"""What the task loads. A run whose verdicts are all known from before loads it nowhere."""

HINTS = {
    "crashed": "Check it alone with --workers 1 to see what it does",
    "timed-out": "Allow more with --time-limit, or look at what makes it so large",
    "out-of-memory": "Allow more with --memory-limit, or use fewer --workers",
}


@dataclass(frozen=True, slots=True)
class Ways:
    """How a batch is run.

    Attributes
    ----------
    workers
        Number of processes; the number of cores where None.
    time_limit_s, memory_limit_bytes
        What one file may take; None for no limit.
    executor
        What runs the calls in place of processes of this machine.
    """

    workers: int | None = None
    time_limit_s: float | None = None
    memory_limit_bytes: int | None = None
    executor: Executor | None = None


@dataclass(frozen=True, slots=True)
class _Task:
    """Checks one file; light to make, send and load."""

    options: Options

    def __call__(self, path: str) -> FileVerdict:
        from audit.gate.shots import check_file  # noqa: PLC0415 (a second, for whoever measures)

        with noted_files() as opened:
            try:
                verdict = check_file(path, self.options, raise_memory_error=True)
            except AuditError as error:  # a policy that was spoilt after the run began
                return FileVerdict(path, failure=Failure("unreadable", str(error)))
        beside = companions(path, opened)
        return replace(verdict, beside=tuple(self._read_beside(verdict, beside)))

    def _read_beside(
        self, verdict: FileVerdict, beside: Sequence[str]
    ) -> Iterator[tuple[str, str | None]]:
        """Go through the files that a shot names, with the digest of each."""
        folder = os.path.dirname(verdict.path)
        others = [each for each in (verdict.policy, self.options.skeleton) if each is not None]
        elsewhere = {os.path.realpath(each) for each in others}
        for name in beside:
            path = os.path.join(folder, name)
            # Opened once more, for its digest, where a cache that listens hears of it too: it heard nothing of
            # what was opened while this task did.
            if os.path.realpath(path) not in elsewhere:
                yield name, digest_or_none(path)


class Gate:
    """Gives verdicts on the files of one run.

    Parameters
    ----------
    options
        What to check with.
    policies
        The policies as they were when the run began.
    cache_folder
        Where verdicts are kept for later runs; None to keep none.

    Notes
    -----
    A skeleton that cannot be read makes every file fail and the cache useless; there is none then.
    """

    def __init__(
        self, options: Options, policies: HeldPolicies, cache_folder: Path | None = None
    ) -> None:
        self._options = options
        self._policies = policies
        self._folder = cache_folder
        self._packing = Packing(KINDS)

    def cache(self) -> Cache[FileVerdict] | None:
        """Return the cache, None where none is wanted or possible."""
        if self._folder is None:
            return None
        try:
            digest = self._digest()
        except InputError:
            return None
        return Cache(
            self._folder,
            digest,
            self._packing,
            also=self._policies.key,
            is_final=self._policies.is_final,
        )

    def journal(
        self, folder: Path, paths: Sequence[str], *, resume: bool
    ) -> Journal[FileVerdict] | None:
        """Return the journal of a run that writes to a folder; None where the skeleton cannot be read.

        Raises
        ------
        OutputError, UsageError
            As :class:`audit.batch.journal.Journal` does.
        """
        try:
            digest = self._digest()
        except InputError:
            return None
        keys = sorted({self._policies.key(path) for path in paths})
        whole = digest_of({"run": digest, "policies": keys})
        return Journal(
            folder, whole, self._packing, resume=resume, is_final=self._policies.is_final
        )

    def verdicts(
        self,
        paths: Sequence[str],
        ways: Ways,
        *,
        cache: Cache[FileVerdict] | None = None,
        journal: Journal[FileVerdict] | None = None,
        remark: Callable[[str], object] | None = None,
    ) -> Generator[FileVerdict, None, None]:
        """Give one verdict a file, in the order of the files.

        Parameters
        ----------
        paths
            The files.
        ways
            How to run it.
        cache, journal
            What is known from before.
        remark
            Told what is to be said of the run itself, such as that the cache cannot be written.

        Yields
        ------
        FileVerdict
            Also on a file that crashed its process or passed a limit.
        """

        def told(event: Event[str, FileVerdict]) -> None:
            if event.remark and remark is not None:
                remark(event.remark)

        outcomes = run(
            _Task(self._options),
            paths,
            workers=ways.workers,
            time_limit_s=ways.time_limit_s,
            memory_limit_bytes=ways.memory_limit_bytes,
            executor=ways.executor,
            cache=cache,
            journal=journal,
            on_event=told,
            imports=HEAVY,
        )
        with closing(outcomes):
            for outcome in outcomes:
                yield self._verdict(outcome)

    def _verdict(self, outcome: Outcome[str, FileVerdict]) -> FileVerdict:
        if outcome.value is not None:
            return outcome.value
        # Nothing but a fault raises in the task: what is wrong with a file is in its verdict.
        kind: Literal["fault", "unreadable"] = (
            "fault" if outcome.status == "failed" else "unreadable"
        )
        failure = Failure(kind, outcome.reason, None, HINTS.get(outcome.status))
        held, digest = self._policies.of(outcome.item)
        return FileVerdict(outcome.item, None, held, digest, (), failure)

    def _digest(self) -> str:
        skeleton = self._options.skeleton
        return digest_of(asdict(self._options), () if skeleton is None else (skeleton,))
