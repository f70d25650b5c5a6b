"""From verdicts on files to a run: what fails, what is waived, and the exit code with its reasons."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from difflib import get_close_matches
from typing import TYPE_CHECKING, Literal, Protocol

from audit.errors import AuditError, InputError
from audit.gate.data import SEVERITIES, FileVerdict, FindingRow, ShotVerdict
from audit.gate.interrupts import Interrupts
from audit.wording import plural

if TYPE_CHECKING:
    from audit.plugins import Severity
    from audit.policy import Policy, Waiver

NEVER = "never"
DEFAULT_FAIL_ON = "fix"
"""As in ``audit.policy``, which loads the checks; a test holds them equal."""

FAILED = 1
STOPPED = 130
"""Exit code of what was stopped by Ctrl-C: 128 and the number of the signal, as shells have it."""

FailOn = Literal["fix", "look", "never"]


@dataclass(frozen=True, slots=True)
class JudgedFinding:
    """A finding, and the waiver that works for it on the day of the run."""

    row: FindingRow
    waiver: Waiver | None
    fails: bool


@dataclass(frozen=True, slots=True)
class JudgedShot:
    """A shot, its findings, and whether it passes.

    Attributes
    ----------
    verdict
        What was found.
    findings
        What counts.
    known
        What was so before and therefore counts nowhere; see the ``old`` of :func:`collect`.
    """

    verdict: ShotVerdict
    findings: tuple[JudgedFinding, ...]
    known: tuple[JudgedFinding, ...] = ()

    @property
    def passes(self) -> bool:
        """Whether no finding fails it."""
        return not any(each.fails for each in self.findings)

    def counts(self) -> dict[str, int]:
        """Return the number of findings of each severity, and of waived ones, which count nowhere else."""
        found = Counter(
            "waived" if each.waiver is not None else each.row.severity for each in self.findings
        )
        return {name: found[name] for name in (*SEVERITIES, "waived")}


@dataclass(frozen=True, slots=True)
class JudgedFile:
    """A file, its shots, and the severity from which findings fail them."""

    verdict: FileVerdict
    fail_on: str
    shots: tuple[JudgedShot, ...]


@dataclass(frozen=True, slots=True)
class WaiverFinding:
    """What is to be said of a waiver.

    Attributes
    ----------
    check
        ``ended-waiver`` or ``useless-waiver``.
    severity, message
        As for other findings.
    policy, line
        Where the waiver stands.
    fails
        Whether it fails the run.
    """

    check: str
    severity: Severity
    message: str
    policy: str
    line: int
    fails: bool


@dataclass(frozen=True, slots=True)
class Run:
    """A run as a whole.

    Attributes
    ----------
    files, shots, failing
        Counts; failing are the shots that do not pass.
    unreadable, faults
        Files that could not be read, and files on which the program itself failed.
    findings
        Number of each severity, and of ``waived`` ones.
    fail_on
        From which severities on findings failed shots; several where policies differ.
    waivers
        What is to be said of waivers.
    known
        Number of findings that were so before and count nowhere; None where nobody asked for that.
    complete
        False where the run was stopped before all files were done.
    """

    files: int = 0
    shots: int = 0
    failing: int = 0
    unreadable: int = 0
    faults: int = 0
    findings: Counter[str] = field(default_factory=Counter)
    fail_on: tuple[str, ...] = ()
    waivers: tuple[WaiverFinding, ...] = ()
    known: int | None = None
    complete: bool = True

    @property
    def exit_code(self) -> int:
        """The gravest of what happened: the higher code wins, so 3 goes before 1."""
        if not self.complete:
            return STOPPED
        if self.faults:
            return AuditError.exit_code
        if self.unreadable:
            return InputError.exit_code
        return FAILED if self.failing or any(each.fails for each in self.waivers) else 0

    @property
    def because(self) -> tuple[str, ...]:
        """Why it did not pass, in sentences without a full stop; empty where it passed."""
        reasons = []
        if not self.complete:
            reasons.append("the run was stopped before all files were done")
        if self.faults:
            reasons.append(f"the program itself failed on {plural(self.faults, 'file')}")
        if self.unreadable:
            reasons.append(f"{plural(self.unreadable, 'file')} could not be read or used")
        if self.failing:
            verb = "has" if self.failing == 1 else "have"
            levels = " or ".join(
                {"fix": "to fix", "look": "to fix or to look at"}[each]
                for each in self.fail_on
                if each != NEVER
            )
            reasons.append(f"{plural(self.failing, 'shot')} {verb} findings {levels}")
        failing = sum(each.fails for each in self.waivers)
        if failing:
            reasons.append(f"{plural(failing, 'waiver')} ended or useless")
        return tuple(reasons)


Old = Callable[[ShotVerdict], Sequence[bool]]
"""Says of each finding of a shot whether it was so before."""


class Writer(Protocol):
    """Takes a run in as it goes, file by file, and writes it down."""

    def file(self, judged: JudgedFile) -> None:
        """Take in one file."""

    def end(self, run: Run) -> None:
        """Finish."""


def collect(
    verdicts: Iterable[FileVerdict],
    fail_on: str | None = None,
    writers: Sequence[Writer] = (),
    *,
    today: date | None = None,
    old: Old | None = None,
    progress: Callable[[FileVerdict], object] | None = None,
    interrupts: Interrupts | None = None,
) -> Run:
    """Judge verdicts one by one as they come, hand each to the writers, and return the run as a whole.

    Parameters
    ----------
    verdicts
        Verdicts on files in the order in which they are to be written. None is kept: memory does not grow
        with their number.
    fail_on
        ``fix``, ``look`` or ``never``; the policies' own where None.
    writers
        Who writes the run down.
    today
        The day on which waivers are looked at; the present one where None.
    old
        Says of each finding of a shot whether it was so before. Those count towards nothing and are not
        reported, but a waiver of one is not useless.
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
    judge = _Judge(fail_on, today or date.today(), old)
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
            judged = judge.file(verdict)
            for writer in writers:
                writer.file(judged)
            if progress is not None:
                progress(verdict)
        run = judge.run(complete=complete)
        for writer in writers:
            writer.end(run)
    return run


class _Judge:
    """Judges files, and counts."""

    def __init__(self, fail_on: str | None, today: date, old: Old | None) -> None:
        self._fail_on = fail_on
        self._today = today
        self._old = old
        self._policies: dict[str, Policy] = {}
        self._used: set[tuple[str, int]] = set()
        self._named: dict[str, set[str]] = {}
        self._levels: dict[str, None] = {}
        self._counts: Counter[str] = Counter()
        self._findings: Counter[str] = Counter()

    def file(self, verdict: FileVerdict) -> JudgedFile:
        """Judge one file."""
        policy = None if verdict.policy is None else self._policy(verdict.policy)
        level = self._fail_on or (DEFAULT_FAIL_ON if policy is None else str(policy.fail_on.value))
        self._levels[level] = None
        failing = () if level == NEVER else SEVERITIES[: SEVERITIES.index(_severity(level)) + 1]
        waivers = {} if policy is None else {waiver.line: waiver for waiver in policy.waivers}
        judged = JudgedFile(
            verdict,
            level,
            tuple(self._shot(shot, verdict.policy, waivers, failing) for shot in verdict.shots),
        )
        self._counts["files"] += 1
        self._counts["shots"] += len(judged.shots)
        self._counts["failing"] += sum(not shot.passes for shot in judged.shots)
        if verdict.failure is not None:
            self._counts[verdict.failure.kind] += 1
        return judged

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
        findings: list[JudgedFinding] = []
        known: list[JudgedFinding] = []
        old = [False] * len(verdict.findings) if self._old is None else self._old(verdict)
        for row, is_old in zip(verdict.findings, old, strict=True):
            matching = [waivers[line] for line in row.waivers if line in waivers]
            self._used.update((policy or "", waiver.line) for waiver in matching)
            working = next((each for each in matching if each.works_on(self._today)), None)
            self._named.setdefault(row.check, set()).add(row.joint or "*")
            fails = working is None and row.severity in failing and not is_old
            (known if is_old else findings).append(JudgedFinding(row, working, fails))
        shot = JudgedShot(verdict, tuple(findings), tuple(known))
        self._counts["known"] += len(known)
        self._findings.update(shot.counts())
        return shot

    def run(self, *, complete: bool) -> Run:
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
            known=None if self._old is None else self._counts["known"],
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
        level = self._fail_on or str(policy.fail_on.value)
        fails = level != NEVER and SEVERITIES.index(severity) <= SEVERITIES.index(_severity(level))
        yield WaiverFinding(check, severity, message, path, waiver.line, fails)


def _severity(level: str) -> Severity:
    return next(each for each in SEVERITIES if each == level)
