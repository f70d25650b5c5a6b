"""SARIF 2.1.0, the open standard for results of checking tools (OASIS, 2020).

The numbers in parentheses below are sections of the standard.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from hashlib import sha256
from inspect import getdoc
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from audit.gate.data import News
from audit.gate.judged import JudgedFile, JudgedFinding, JudgedShot, Run, WaiverFinding
from audit.gate.output import FAILURES, TOOL, OutputFormat, Sink, json_bytes, waived_because

if TYPE_CHECKING:
    from audit.plugins import Severity

SCHEMA = (
    "https://raw.githubusercontent.com/oasis-tcs/sarif-spec/master/Schemata/sarif-schema-2.1.0.json"
)
"""As the schema itself calls itself."""

LEVELS: Mapping[Severity, str] = {"fix": "error", "look": "warning", "note": "note"}
"""3.27.10"""

SINCE_BASELINE: Mapping[News, str] = {"new": "new", "worse": "updated"}
"""3.27.24. What is known, "unchanged" there, is left out of a run that is held against a baseline."""

FINGERPRINT = "shotJointCheck/v1"
"""By this a result is known again in a later run, whatever its numbers are (3.27.17)."""


class _Sarif:
    def __init__(self, sink: Sink) -> None:
        from audit.policy import titles_of_checks  # noqa: PLC0415 (loads the checks: a second)

        self._sink = sink
        self._between = b"\n"
        self._titles = {**titles_of_checks(), **FAILURES}
        self._places = {name: place for place, name in enumerate(self._titles)}
        driver = {**TOOL, "semanticVersion": TOOL["version"], "rules": self._rules()}
        sink.write(
            b'{\n"$schema": '
            + json_bytes(SCHEMA)
            + b',\n"version": "2.1.0",\n"runs": [{\n"tool": '
            + json_bytes({"driver": driver})
            + b',\n"columnKind": "unicodeCodePoints",\n"results": ['
        )

    def _rules(self) -> list[dict[str, Any]]:
        """Return one descriptor a check, with its page as help (3.49)."""
        from audit.checks import checks  # noqa: PLC0415 (loads the measures)
        from audit.policy import policy_checks  # noqa: PLC0415
        from audit.policy.own_checks import page_of_policy_check  # noqa: PLC0415
        from audit.rest_checks import rest_checks  # noqa: PLC0415

        rules = []
        modules = {name: each.run.__module__ for name, each in checks().items()}
        modules |= {name: each.run.__module__ for name, each in rest_checks().items()}
        for name, title in self._titles.items():
            text = f"{title[:1].upper()}{title[1:]}."
            rule: dict[str, Any] = {"id": name, "shortDescription": {"text": text}}
            page = None
            if name in modules:
                page = getdoc(sys.modules[modules[name]]) or text
            elif name in policy_checks():
                page = page_of_policy_check(name)
            if page is not None:
                rule["help"] = {"text": page.replace("`", ""), "markdown": page}
            rules.append(rule)
        return rules

    def file(self, judged: JudgedFile) -> None:
        """Write one result a finding."""
        failure = judged.verdict.failure
        if failure is not None:
            path = judged.verdict.path
            result = self._result(failure.kind, "fix", failure.message, path, None)
            result["partialFingerprints"] = _fingerprint(path, "", failure.kind)
            self._write(result | _state("new" if judged.has_baseline else None))
        for shot in judged.shots:
            for each in shot.findings:
                self._write(self._finding(judged.verdict.path, shot, each))

    def _finding(self, path: str, shot: JudgedShot, each: JudgedFinding) -> dict[str, Any]:
        row = each.row
        result = self._result(row.check, row.severity, row.message, path, None)
        name = shot.verdict.shot if row.joint is None else row.joint
        result["locations"][0]["logicalLocations"] = [
            {
                "name": name,
                "fullyQualifiedName": name if row.joint is None else f"{shot.verdict.shot}/{name}",
                "kind": "shot" if row.joint is None else "joint",
            }
        ]
        result["partialFingerprints"] = _fingerprint(shot.verdict.file, row.joint or "", row.check)
        waived = waived_because(each)
        # An empty list says that suppressions were looked at and there is none (3.27.23).
        result["suppressions"] = (
            [{"kind": "external", "status": "accepted", "justification": waived}] if waived else []
        )
        figures = {"value": row.value, "limit": row.limit, "ownSeverity": row.own_severity}
        result["properties"] = {**figures, "fails": each.fails}
        return result | _state(each.news)

    def _waiver(self, each: WaiverFinding, *, has_baseline: bool) -> dict[str, Any]:
        result = self._result(each.check, each.severity, each.message, each.policy, each.line)
        result["partialFingerprints"] = _fingerprint(each.policy, each.message, each.check)
        return result | _state("new" if has_baseline else None)

    def _result(
        self, check: str, severity: Severity, message: str, path: str, line: int | None
    ) -> dict[str, Any]:
        place: dict[str, Any] = {"artifactLocation": {"uri": uri_of(path)}}
        if line is not None:
            place["region"] = {"startLine": line}
        return {
            "ruleId": check,
            "ruleIndex": self._places[check],
            "level": LEVELS[severity],
            "message": {"text": message},
            "locations": [{"physicalLocation": place}],
        }

    def _write(self, result: dict[str, Any]) -> None:
        self._sink.write(self._between + json_bytes(result))
        self._between = b",\n"

    def end(self, run: Run) -> None:
        """Write what is said of waivers, and how the run ended (3.20)."""
        for each in run.waivers:
            self._write(self._waiver(each, has_baseline=run.known is not None))
        invocation: dict[str, Any] = {
            "executionSuccessful": run.complete and not run.faults,
            "exitCode": run.exit_code,
        }
        if run.because:
            invocation["exitCodeDescription"] = "; ".join(run.because)
        if run.unchanged is not None:
            invocation["properties"] = {"unchangedFiles": run.unchanged}
        self._sink.write(b'\n],\n"invocations": ' + json_bytes([invocation]) + b"\n}]\n}\n")


def uri_of(path: str) -> str:
    """Return a path as a URI (RFC 3986): a relative one stays relative to the working folder (3.4.3)."""
    place = Path(path)
    if place.is_absolute():
        return place.as_uri()
    try:
        data = os.fsencode(place.as_posix())
    except UnicodeEncodeError:  # no file can have such a name, but somebody may ask for one
        data = place.as_posix().encode("utf-8", "replace")
    # A colon, too, is spelt out: in the first part it would make that a scheme.
    return quote(data, safe="/")


def _state(news: News | None) -> dict[str, str]:
    """Return what a result is beside an earlier run; nothing where none was asked for.

    An earlier run is known by its findings alone. Files that could not be read, and what is said of waivers,
    are never among them, and so count as new.
    """
    return {} if news is None else {"baselineState": SINCE_BASELINE[news]}


def _fingerprint(file: str, joint: str, check: str) -> dict[str, str]:
    told = "\0".join((file.replace("\\", "/"), joint, check))
    return {FINGERPRINT: sha256(told.encode("utf-8", "surrogatepass")).hexdigest()}


OUTPUT = OutputFormat(
    name="sarif",
    title="SARIF 2.1.0, for viewers and servers of code scanning",
    file="check.sarif",
    writer=_Sarif,
)
