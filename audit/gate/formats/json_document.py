"""JSON: everything about a run, one file of it a line, after the schema ``check.schema.json``."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Any

from audit.gate.data import SEVERITIES
from audit.gate.judged import JudgedFile, JudgedFinding, JudgedShot, Run, WaiverFinding
from audit.gate.output import TOOL, OutputFormat, Sink, json_bytes


@cache
def schema() -> Mapping[str, Any]:
    """Return the JSON Schema of the document."""
    text = files("audit.gate").joinpath("check.schema.json").read_text(encoding="utf-8")
    loaded: Mapping[str, Any] = json.loads(text)
    return loaded


class _Json:
    def __init__(self, sink: Sink) -> None:
        self._sink = sink
        self._between = b"\n"
        sink.write(b'{\n"tool": ' + json_bytes(TOOL) + b',\n"files": [')

    def file(self, judged: JudgedFile) -> None:
        """Write one file of the run."""
        self._sink.write(self._between + json_bytes(_file(judged)))
        self._between = b",\n"

    def end(self, run: Run) -> None:
        """Write what is said of waivers, and the summary."""
        waivers = [_waiver(each) for each in run.waivers]
        rest = b'\n],\n"waivers": ' + json_bytes(waivers) + b',\n"summary": '
        self._sink.write(rest + json_bytes(_summary(run)) + b"\n}\n")


def _file(judged: JudgedFile) -> dict[str, Any]:
    verdict, failure = judged.verdict, judged.verdict.failure
    return {
        "file": verdict.path,
        "sha256": verdict.sha256,
        "policy": verdict.policy,
        "policy_sha256": verdict.policy_sha256,
        "fail_on": judged.fail_on,
        "failure": None
        if failure is None
        else {
            "kind": failure.kind,
            "where": failure.where,
            "cause": failure.cause,
            "hint": failure.hint,
        },
        "shots": [_shot(shot) for shot in judged.shots],
    }


def _shot(shot: JudgedShot) -> dict[str, Any]:
    verdict = shot.verdict
    return {
        "file": verdict.file,
        "shot": verdict.shot,
        "format": verdict.format,
        "frames": verdict.frames,
        "seconds": verdict.seconds,
        "joints": verdict.joints,
        "hinges": verdict.hinges,
        "rig": verdict.rig,
        "passes": shot.passes,
        **shot.counts(),
        "findings": [_finding(each) for each in shot.findings],
    }


def _finding(each: JudgedFinding) -> dict[str, Any]:
    row, waiver, fails, news = each
    check, severity, own_severity, message, value, limit, joint, _ = row
    return {
        "joint": joint,
        "check": check,
        "severity": severity,
        "own_severity": own_severity,
        "message": message,
        "value": value,
        "limit": limit,
        "fails": fails,
        "since_baseline": news,
        "waiver": None
        if waiver is None
        else {
            "line": waiver.line,
            "reason": waiver.reason,
            "who": waiver.who,
            "until": waiver.until.isoformat(),
        },
    }


def _waiver(each: WaiverFinding) -> dict[str, Any]:
    return {
        "check": each.check,
        "severity": each.severity,
        "message": each.message,
        "policy": each.policy,
        "line": each.line,
        "fails": each.fails,
    }


def _summary(run: Run) -> dict[str, Any]:
    return {
        "files": run.files,
        "shots": run.shots,
        "failing": run.failing,
        "unreadable": run.unreadable,
        "faults": run.faults,
        **{name: run.findings[name] for name in (*SEVERITIES, "waived")},
        "known": run.known,
        "unchanged": run.unchanged,
        "fail_on": list(run.fail_on),
        "complete": run.complete,
        "passes": run.exit_code == 0,
        "exit_code": run.exit_code,
        "because": list(run.because),
    }


OUTPUT = OutputFormat(
    name="json",
    title="everything about the run, after a JSON Schema",
    file="check.json",
    writer=_Json,
)
