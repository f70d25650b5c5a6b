"""What has been judged: findings, shots, files, and the run as a whole with its exit code and its reasons."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, NamedTuple

from audit.errors import AuditError, InputError
from audit.gate.data import SEVERITIES, FileVerdict, FindingRow, News, ShotVerdict
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


def level_for(fail_on: str | None, policy: Policy | None) -> str:
    """Return from which severity on findings fail: as was asked for, else as the policy says, else ``fix``."""
    return fail_on or (DEFAULT_FAIL_ON if policy is None else str(policy.fail_on.value))


class JudgedFinding(NamedTuple):
    """A finding.

    Attributes
    ----------
    row
        What was found.
    waiver
        The one that works for it on the day of the run.
    fails
        Whether it fails its shot.
    news
        What it is beside the findings of an earlier run; None where nobody asked for that.
    """

    row: FindingRow
    waiver: Waiver | None
    fails: bool
    news: News | None = None


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
        What was so before and therefore counts nowhere; see the ``baseline`` of :func:`collect`.
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
        kinds = [
            "waived" if each.waiver is not None else each.row.severity for each in self.findings
        ]
        # Quicker than a Counter, by which a shot with dozens of findings would be counted one by one.
        return {name: kinds.count(name) for name in (*SEVERITIES, "waived")}


@dataclass(frozen=True, slots=True)
class JudgedFile:
    """A file and its shots.

    Attributes
    ----------
    verdict
        What was found.
    fail_on
        The severity from which findings fail its shots.
    shots
        One or more, none where the file failed.
    has_baseline
        Whether findings were held against those of an earlier run.
    """

    verdict: FileVerdict
    fail_on: str
    shots: tuple[JudgedShot, ...]
    has_baseline: bool = False


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
    unchanged
        Number of files that passed before and have not changed since. They count nowhere else. None where
        nobody asked for that.
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
    unchanged: int | None = None
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
