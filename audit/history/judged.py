"""What the gate says as rows: of the record, and to be held against an earlier run."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Mapping, Sequence
from hashlib import sha256
from pathlib import Path
from typing import Any

from audit.gate import (
    FileVerdict,
    FindingRow,
    JudgedFile,
    JudgedShot,
    News,
    Run,
    ShotVerdict,
    UnchangedFile,
)
from audit.history.baseline import against_baseline, load_findings
from audit.history.record import Recorder
from audit.history.unchanged import PassedUnder

_HELD = ("joint", "check_name", "severity", "value", "limit_value")
"""Of a finding: what is held against a later one."""


class RecordWriter:
    """Records a run of the gate: all that was found, whatever a baseline says.

    Parameters
    ----------
    recorder
        The record, open.
    under
        What the run checks under, for later runs that leave out what has not changed; None where they are to
        check all of it again.
    """

    def __init__(self, recorder: Recorder, under: PassedUnder | None = None) -> None:
        self._recorder = recorder
        self._under = under

    def file(self, judged: JudgedFile) -> None:
        """Take in one file."""
        verdict = judged.verdict
        if verdict.failure is not None:
            self._recorder.add_unreadable(verdict.path, verdict.failure.message)
        passed_under = None if self._under is None else self._under.of_passed(judged)
        for shot in judged.shots:
            self._add(verdict, shot, passed_under)

    def unchanged(self, file: UnchangedFile) -> None:
        """Take in a file that was not checked again."""
        self._recorder.add_unchanged(file)

    def end(self, run: Run) -> None:
        """Record nothing where the run was stopped."""
        if not run.complete:
            self._recorder.discard()

    def _add(self, file: FileVerdict, shot: JudgedShot, passed_under: str | None) -> None:
        verdict = shot.verdict
        source = {
            "file": verdict.file,
            "sha256": file.sha256,
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
            source,
            verdict.rows,
            findings,
            passed=shot.passes,
            label=verdict.shot,
            path=file.path,
            passed_under=passed_under,
            beside=file.beside,
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
        self._files: dict[str, list[str]] | None = None
        for row in load_findings(path):
            if show_name is None or row.get("show_name", show_name) == show_name:
                self._by_shot[row["shot"]].append(row)

    def digest_for(self, label: str) -> str:
        """Return a digest of all findings on the shots of a file.

        Parameters
        ----------
        label
            Name of the file as :attr:`audit.model.Source.label` has it. In a file of several shots each has its
            own name behind that.
        """
        rows = [
            [shot, *(row[name] for name in _HELD)]
            for shot in self._of_file().get(label, ())
            for row in self._by_shot[shot]
        ]
        return sha256("\n".join(sorted(map(json.dumps, rows))).encode("ascii")).hexdigest()

    def _of_file(self) -> Mapping[str, Sequence[str]]:
        """Return the names of shots that a file of some name may hold."""
        if self._files is None:
            self._files = defaultdict(list)
            for shot in self._by_shot:
                words = shot.split(" ")
                for count in range(1, len(words) + 1):
                    self._files[" ".join(words[:count])].append(shot)
        return self._files

    def news(self, verdict: ShotVerdict) -> Sequence[News]:
        """Say of each finding of a shot whether it is new, worse or known."""
        then = self._by_shot.get(verdict.shot, ())
        now = [_row(verdict.shot, each) for each in verdict.findings]
        return [news for _, news in against_baseline(now, then)]


def _row(shot: str, finding: FindingRow) -> dict[str, Any]:
    return {
        "shot": shot,
        "joint": finding.joint,
        "check_name": finding.check,
        "severity": finding.severity,
        "value": finding.value,
        "limit_value": finding.limit,
    }
