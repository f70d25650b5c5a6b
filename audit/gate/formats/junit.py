"""JUnit XML, as servers of continuous integration read it: one test case a shot.

There is no published standard. What is written keeps to the schema of Jenkins's xunit plug-in,
``junit-10.xsd`` (MIT licence, G. Boissinot 2014), which readers of other servers take as well. Times are left
out, so that the same run gives the same file.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Sequence
from xml.sax.saxutils import escape, quoteattr

from audit.gate.judged import JudgedFile, JudgedFinding, JudgedShot, Run
from audit.gate.output import (
    FAILURES,
    OutputFormat,
    Sink,
    left_unchanged,
    waived_because,
    xml_text,
)

SUITE = "hinge-audit check"
IN_MEMORY = 1 << 20
"""The head holds the counts, so the cases wait in a file of their own once they are larger than this."""


class _Junit:
    def __init__(self, sink: Sink) -> None:
        self._sink = sink
        self._cases = tempfile.SpooledTemporaryFile(max_size=IN_MEMORY)  # noqa: SIM115 (closed in end)
        self._tests = self._failures = self._errors = 0

    def file(self, judged: JudgedFile) -> None:
        """Write one case a shot, or one for a file that failed."""
        failure = judged.verdict.failure
        if failure is not None:
            path = judged.verdict.path
            self._errors += 1
            title = FAILURES[failure.kind]
            kind = "error"
            self._case(path, path, _element(kind, failure.kind, title, [failure.message]))
        for shot in judged.shots:
            self._shot(shot)

    def _shot(self, shot: JudgedShot) -> None:
        failing = [each for each in shot.findings if each.fails]
        others = [each for each in shot.findings if not each.fails]
        body = ""
        if failing:
            self._failures += 1
            gravest = failing[0].row.severity
            count = len(failing)
            title = f"{count} finding{'s' if count > 1 else ''}, first: {failing[0].row.message}"
            body = _element("failure", gravest, title, [_line(each) for each in failing])
        if others:
            lines = xml_text("\n".join(_line(each) for each in others))
            body += f"<system-out>{escape(lines)}</system-out>"
        self._case(shot.verdict.shot, shot.verdict.file, body)

    def _case(self, name: str, group: str, body: str) -> None:
        self._tests += 1
        start = f"<testcase name={_attribute(name)} classname={_attribute(group)}"
        text = f"{start}>{body}</testcase>\n" if body else f"{start}/>\n"
        self._cases.write(text.encode("utf-8", "xmlcharrefreplace"))

    def end(self, run: Run) -> None:
        """Write the head, the cases, and one case for each thing that is said of a waiver."""
        for each in run.waivers:
            body = ""
            if each.fails:
                self._failures += 1
                body = _element("failure", each.severity, each.message, [each.message])
            else:
                body = f"<system-out>{escape(xml_text(each.message))}</system-out>"
            self._case(f"{each.check}, line {each.line}", each.policy, body)
        counts = f'tests="{self._tests}" failures="{self._failures}" errors="{self._errors}"'
        name = _attribute(SUITE)
        head = f'<?xml version="1.0" encoding="UTF-8"?>\n<testsuites name={name} {counts}>\n'
        head += f'<testsuite name={name} {counts} skipped="0">\n'
        self._sink.write(head.encode())
        self._cases.seek(0)
        shutil.copyfileobj(self._cases, self._sink)
        self._cases.close()
        told = (*run.because, left_unchanged(run))
        rest = "".join(f"{sentence}\n" for sentence in told if sentence)
        self._sink.write(
            f"<system-out>{escape(rest)}</system-out>\n</testsuite>\n</testsuites>\n".encode()
        )


def _element(name: str, kind: str, message: str, lines: Sequence[str]) -> str:
    body = escape(xml_text("\n".join(lines)))
    return f"<{name} type={_attribute(kind)} message={_attribute(message)}>{body}</{name}>"


def _attribute(text: str) -> str:
    return quoteattr(xml_text(text))


def _line(each: JudgedFinding) -> str:
    waived = waived_because(each)
    end = f" [waived: {waived}]" if waived else ""
    return f"{each.row.severity} {each.row.check}: {each.row.message}{end}"


OUTPUT = OutputFormat(
    name="junit",
    title="JUnit XML for servers of continuous integration, one test case a shot",
    file="check.junit.xml",
    writer=_Junit,
)
