"""Text for people: one line a shot with something to fix or to look at, the worst first, and the result."""

from __future__ import annotations

from collections.abc import Iterable

from audit.gate.judged import NEVER, JudgedFile, JudgedFinding, JudgedShot, Run
from audit.gate.output import FAULT, OutputFormat, Sink, left_unchanged, visible
from audit.wording import plural

MOST_JOINTS = 4
"""More joints of one check than this are counted, not named."""


Line = tuple[int, int, int, int, str]
"""How grave it is, in four numbers, and the line itself: sorting puts the worst first."""


class _Text:
    def __init__(self, sink: Sink) -> None:
        self._sink = sink
        self._lines: list[Line] = []
        self._noted = 0

    def file(self, judged: JudgedFile) -> None:
        """Keep a line where there is something to say."""
        failure = judged.verdict.failure
        if failure is not None:
            grave = 0 if failure.kind == FAULT else 1
            text = f"{visible(judged.verdict.path)}: {visible(failure.message)}"
            self._lines.append((grave, 0, 0, 0, text))
        for shot in judged.shots:
            counts = shot.counts()
            if counts["fix"] or counts["look"] or not shot.passes:
                rank = (2 + shot.passes, -counts["fix"], -counts["look"], -counts["note"])
                self._lines.append((*rank, _told(shot, counts)))
            elif shot.findings:
                self._noted += 1

    def end(self, run: Run) -> None:
        """Write the lines in their order, and the result."""
        lines = [text for *_, text in sorted(self._lines)]
        lines += [
            f"{visible(each.policy)}: line {each.line}: {each.severity}: {visible(each.message)}"
            for each in run.waivers
        ]
        if lines:
            lines.append("")
        lines += summary_lines(run, self._noted)
        self._sink.write(("\n".join(lines) + "\n").encode("utf-8", "backslashreplace"))


def summary_lines(run: Run, noted: int = 0) -> list[str]:
    """Return the last lines: what was checked, what was found, and whether it passes and why.

    Parameters
    ----------
    run
        The run.
    noted
        How many shots have notes only, or nothing but waived findings.
    """
    passing = run.shots - run.failing
    checked = run.files - run.unreadable - run.faults
    files = "" if checked == run.shots else f" in {plural(checked, 'file')}"
    first = f"Checked {plural(run.shots, 'shot')}{files}: {passing:,} pass, {run.failing:,} do not."
    if run.unreadable or run.faults:
        first += f" Not checked: {plural(run.unreadable + run.faults, 'file')}."
    found = run.findings
    second = f"Findings: {found['fix']:,} fix, {found['look']:,} look, {found['note']:,} note"
    second += f", {found['waived']:,} waived." if found["waived"] else "."
    if run.known is not None:
        second += f" Known from the baseline, and not counted: {run.known:,}."
    unchanged = left_unchanged(run)
    if unchanged:
        second += f" {unchanged}."
    if noted:
        second += f" Not listed: {plural(noted, 'shot')} with notes or waived findings only."
    if run.because:
        verdict = "Stopped" if not run.complete else "Failed"
        third = f"{verdict}: {'; '.join(run.because)}."
    else:
        levels = [each for each in run.fail_on if each != NEVER]
        third = f"Passed: nothing to {' or to '.join(levels) or 'fail on was asked for'}."
        if not levels:
            third = "Passed: findings fail nothing here (fail on never)."
    return [first, second, third]


def _told(shot: JudgedShot, counts: dict[str, int]) -> str:
    numbers = ", ".join(f"{count} {name}" for name, count in counts.items() if count)
    fails = "" if shot.passes else "FAILS, "
    return f"{visible(shot.verdict.file)}: {fails}{numbers}: {_joints_by_check(shot.findings)}"


def _joints_by_check(findings: Iterable[JudgedFinding]) -> str:
    """Return what was found, check by check: "twist L_Knee, R_Knee; wrap Hips"."""
    by_check: dict[str, list[str]] = {}
    for finding in findings:
        if finding.waiver is None and (finding.row.severity != "note" or finding.fails):
            joints = by_check.setdefault(finding.row.check, [])
            joints.append(visible(finding.row.joint or ""))
    parts = []
    for check, joints in by_check.items():
        named = ", ".join(joints[:MOST_JOINTS])
        more = f" and {len(joints) - MOST_JOINTS} more" if len(joints) > MOST_JOINTS else ""
        parts.append(f"{check} {named}{more}".strip())
    return "; ".join(parts)


OUTPUT = OutputFormat(
    name="text",
    title="for people: a line a shot, the worst first, and why it failed",
    file="check.txt",
    writer=_Text,
)
