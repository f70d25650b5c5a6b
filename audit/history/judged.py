"""What the gate says as rows: of the record, and to be held against an earlier run."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from audit.gate import FindingRow, JudgedFile, JudgedShot, Run, ShotVerdict
from audit.history.baseline import against_baseline, load_findings
from audit.history.record import Recorder


class RecordWriter:
    """Records a run of the gate: all that was found, whatever a baseline says.

    Parameters
    ----------
    recorder
        The record, open.
    """

    def __init__(self, recorder: Recorder) -> None:
        self._recorder = recorder

    def file(self, judged: JudgedFile) -> None:
        """Take in one file."""
        verdict = judged.verdict
        if verdict.failure is not None:
            self._recorder.add_unreadable(verdict.path, verdict.failure.message)
        for shot in judged.shots:
            self._add(verdict.sha256, shot)

    def end(self, run: Run) -> None:
        """Record nothing where the run was stopped."""
        if not run.complete:
            self._recorder.discard()

    def _add(self, sha256: str | None, shot: JudgedShot) -> None:
        verdict = shot.verdict
        source = {
            "file": verdict.file,
            "sha256": sha256,
            "format": verdict.format,
            "frames": verdict.frames,
            "seconds": verdict.seconds,
            "joints": verdict.joints,
        }
        findings = [
            {
                "joint": each.row.joint,
                "check": each.row.check,
                "severity": each.row.severity,
                "message": each.row.message,
                "value": each.row.value,
                "limit": each.row.limit,
                "waived": each.waiver is not None,
            }
            for each in (*shot.findings, *shot.known)
        ]
        self._recorder.add_shot(
            source, verdict.rows, findings, passed=shot.passes, label=verdict.shot
        )


class Baseline:
    """The findings of an earlier run, by shot.

    Parameters
    ----------
    path
        See :func:`audit.history.baseline.load_findings`.
    show_name
        Of a record, only the findings of this show; all where None.
    """

    def __init__(self, path: Path, show_name: str | None = None) -> None:
        self._by_shot: dict[str, list[Mapping[str, Any]]] = defaultdict(list)
        for row in load_findings(path):
            if show_name is None or row.get("show_name", show_name) == show_name:
                self._by_shot[row["shot"]].append(row)

    def old(self, verdict: ShotVerdict) -> Sequence[bool]:
        """Say of each finding of a shot whether it was so before: neither new nor worse."""
        then = self._by_shot.get(verdict.shot, ())
        now = [_row(verdict.shot, each) for each in verdict.findings]
        return [news == "known" for _, news in against_baseline(now, then)]


def _row(shot: str, finding: FindingRow) -> dict[str, Any]:
    return {
        "shot": shot,
        "joint": finding.joint,
        "check_name": finding.check,
        "severity": finding.severity,
        "value": finding.value,
        "limit_value": finding.limit,
    }
