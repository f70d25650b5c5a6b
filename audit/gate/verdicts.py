"""From verdicts on files to a run: what fails, what is waived, and what is to be said of waivers."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from datetime import date
from difflib import get_close_matches
from typing import TYPE_CHECKING, Protocol

from audit.gate.data import (
    SEVERITIES,
    FileVerdict,
    FindingRow,
    News,
    ShotVerdict,
    UnchangedFile,
)
from audit.gate.interrupts import Interrupts
from audit.gate.judged import (
    NEVER,
    JudgedFile,
    JudgedFinding,
    JudgedShot,
    Run,
    WaiverFinding,
    level_for,
)

if TYPE_CHECKING:
    from audit.plugins import Severity
    from audit.policy import Policy, Waiver

Baseline = Callable[[ShotVerdict], Sequence[News]]
"""Says of each finding of a shot what it is beside those of an earlier run."""


class Writer(Protocol):
    """Takes a run in as it goes, file by file, and writes it down."""

    def file(self, judged: JudgedFile) -> None:
        """Take in one file."""

    def end(self, run: Run) -> None:
        """Finish."""


def collect(
    verdicts: Iterable[FileVerdict | UnchangedFile],
    fail_on: str | None = None,
    writers: Sequence[Writer] = (),
    *,
    today: date | None = None,
    baseline: Baseline | None = None,
    unchanged: Callable[[UnchangedFile], object] | None = None,
    progress: Callable[[FileVerdict | UnchangedFile], object] | None = None,
    interrupts: Interrupts | None = None,
) -> Run:
    """Judge verdicts one by one as they come, hand each to the writers, and return the run as a whole.

    Parameters
    ----------
    verdicts
        Verdicts on files in the order in which they are to be written, and files that passed before and need
        none. None is kept: memory does not grow with their number.
    fail_on
        ``fix``, ``look`` or ``never``; the policies' own where None.
    writers
        Who writes the run down.
    today
        The day on which waivers are looked at; the present one where None.
    baseline
        Says of each finding of a shot whether it is ``new``, ``worse`` or ``known``. Known ones count towards
        nothing and are not reported, but a waiver of one is not useless.
    unchanged
        Told of each file that needs no verdict; the run counts them where it is given.
    progress
        Called after each file.
    interrupts
        What an interrupt does: it ends the waiting for a verdict, never the writing of one. The run then
        ends early, with what is finished.

    Raises
    ------
    PolicyError
        Where a policy cannot be used.
    """
    judge = _Judge(fail_on, today or date.today(), baseline)
    complete = True
    with interrupts or Interrupts() as watched:
        waiting = iter(verdicts)
        while True:
            try:
                with watched.may_end():
                    verdict = next(waiting, None)
            except KeyboardInterrupt:
                complete = False
                break
            if verdict is None:
                break
            if isinstance(verdict, UnchangedFile):
                judge.unchanged(verdict)
                if unchanged is not None:
                    unchanged(verdict)
            else:
                judged = judge.file(verdict)
                for writer in writers:
                    writer.file(judged)
            if progress is not None:
                progress(verdict)
        run = judge.run(complete=complete, may_skip=unchanged is not None)
        for writer in writers:
            writer.end(run)
    return run


class _Judge:
    """Judges files, and counts."""

    def __init__(self, fail_on: str | None, today: date, baseline: Baseline | None) -> None:
        self._fail_on = fail_on
        self._today = today
        self._baseline = baseline
        self._policies: dict[str, Policy] = {}
        self._used: set[tuple[str, int]] = set()
        self._named: dict[str, set[str]] = {}
        self._levels: dict[str, None] = {}
        self._counts: Counter[str] = Counter()
        self._findings: Counter[str] = Counter()

    def file(self, verdict: FileVerdict) -> JudgedFile:
        """Judge one file."""
        policy = None if verdict.policy is None else self._policy(verdict.policy)
        level = level_for(self._fail_on, policy)
        self._levels[level] = None
        failing = () if level == NEVER else SEVERITIES[: SEVERITIES.index(_severity(level)) + 1]
        waivers = {} if policy is None else {waiver.line: waiver for waiver in policy.waivers}
        judged = JudgedFile(
            verdict,
            level,
            tuple(self._shot(shot, verdict.policy, waivers, failing) for shot in verdict.shots),
            self._baseline is not None,
        )
        self._counts["files"] += 1
        self._counts["shots"] += len(judged.shots)
        self._counts["failing"] += sum(not shot.passes for shot in judged.shots)
        if verdict.failure is not None:
            self._counts[verdict.failure.kind] += 1
        return judged

    def unchanged(self, file: UnchangedFile) -> None:
        """Count a file that needs no verdict.

        Its policy is looked at all the same: a waiver in it that matches nothing is to be told. No waiver can
        match a finding of this very file, or the file would have been checked again.
        """
        policy = None if file.policy is None else self._policy(file.policy)
        self._levels[level_for(self._fail_on, policy)] = None
        self._counts["unchanged"] += 1

    def _policy(self, path: str) -> Policy:
        from audit.policy import read_policy  # noqa: PLC0415 (loads the checks: a second)

        if path not in self._policies:
            self._policies[path] = read_policy(path)
        return self._policies[path]

    def _shot(
        self,
        verdict: ShotVerdict,
        policy: str | None,
        waivers: dict[int, Waiver],
        failing: Sequence[Severity],
    ) -> JudgedShot:
        news: Sequence[News | None] = [None] * len(verdict.findings)
        if self._baseline is not None:
            news = self._baseline(verdict)
        if waivers:
            for row in verdict.findings:
                self._named.setdefault(row.check, set()).add(row.joint or "*")
        # There are dozens of findings a shot, and nearly none has a waiver.
        workings = [
            self._working(row, policy, waivers) if row.waivers else None for row in verdict.findings
        ]
        judged = [
            JudgedFinding(
                row, working, working is None and row.severity in failing and what != "known", what
            )
            for row, working, what in zip(verdict.findings, workings, news, strict=True)
        ]
        known = tuple(each for each in judged if each.news == "known") if self._baseline else ()
        findings = (
            tuple(each for each in judged if each.news != "known") if known else tuple(judged)
        )
        shot = JudgedShot(verdict, findings, known)
        self._counts["known"] += len(known)
        self._findings.update(shot.counts())
        return shot

    def _working(
        self, row: FindingRow, policy: str | None, waivers: dict[int, Waiver]
    ) -> Waiver | None:
        """Return the waiver that works for a finding today, and take note of all that match it."""
        matching = [waivers[line] for line in row.waivers if line in waivers]
        self._used.update((policy or "", waiver.line) for waiver in matching)
        return next((each for each in matching if each.works_on(self._today)), None)

    def run(self, *, complete: bool, may_skip: bool) -> Run:
        """Return the run as a whole."""
        return Run(
            files=self._counts["files"],
            shots=self._counts["shots"],
            failing=self._counts["failing"],
            unreadable=self._counts["unreadable"],
            faults=self._counts["fault"],
            findings=self._findings,
            fail_on=tuple(sorted(self._levels)),
            waivers=tuple(self._of_waivers(complete=complete)),
            known=None if self._baseline is None else self._counts["known"],
            unchanged=self._counts["unchanged"] if may_skip else None,
            complete=complete,
        )

    def _of_waivers(self, *, complete: bool) -> Iterable[WaiverFinding]:
        if not self._policies:
            return
        from audit.policy import ENDED_WAIVER, USELESS_WAIVER  # noqa: PLC0415 (loads the checks)

        for path in sorted(self._policies):
            policy = self._policies[path]
            for waiver in policy.waivers:
                used = (path, waiver.line) in self._used
                if not used and complete:
                    message = (
                        f"The waiver of {waiver.subject} matches no finding of this run: take it out, or "
                        f"correct its joint, check or shots{self._near(waiver)}"
                    )
                    yield from self._said(USELESS_WAIVER.name, message, path, policy, waiver)
                elif used and not waiver.works_on(self._today):
                    message = (
                        f"The waiver of {waiver.subject} ended on {waiver.until.isoformat()}: "
                        f"mend what it is about, or ask {waiver.who} for a new date"
                    )
                    yield from self._said(ENDED_WAIVER.name, message, path, policy, waiver)

    def _near(self, waiver: Waiver) -> str:
        """Return the joint with such a finding whose name is most like the waiver's own, as a question."""
        from audit.policy import matches  # noqa: PLC0415 (loads the checks)

        known = sorted({name for check in waiver.checks for name in self._named.get(check, ())})
        near = [each for joint in waiver.joints for each in get_close_matches(joint, known, n=1)]
        if not near or any(matches(name, joint) for joint in waiver.joints for name in known):
            return ""
        return f". Did you mean {near[0]!r}?"

    def _said(
        self, check: str, message: str, path: str, policy: Policy, waiver: Waiver
    ) -> Iterable[WaiverFinding]:
        from audit.policy import ENDED_WAIVER  # noqa: PLC0415 (loads the checks)

        own = ENDED_WAIVER.severity
        severity = policy.for_joint(None).severity(check, own)
        if severity is None:
            return
        level = level_for(self._fail_on, policy)
        fails = level != NEVER and SEVERITIES.index(severity) <= SEVERITIES.index(_severity(level))
        yield WaiverFinding(check, severity, message, path, waiver.line, fails)


def _severity(level: str) -> Severity:
    return next(each for each in SEVERITIES if each == level)
