"""What the output formats have in common: how they announce themselves, and how outside text is made safe."""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

import orjson

import audit
from audit.gate.judged import JudgedFinding, Run
from audit.gate.verdicts import Writer
from audit.wording import plural

TOOL = {"name": "hinge-audit", "version": audit.__version__}

UNREADABLE = "unreadable"
FAULT = "fault"
FAILURES = {
    UNREADABLE: "a file could not be read or used",
    FAULT: "the program itself failed on a file",
}
"""What stands in the place of a check where a file was not checked, and one line on it."""


class Sink(Protocol):
    """Where bytes go: an open file, or standard output."""

    def write(self, data: bytes, /) -> object:
        """Take bytes in."""


@dataclass(frozen=True, slots=True)
class OutputFormat:
    """A format that a run can be written in.

    Attributes
    ----------
    name
        As users write it.
    title
        One line on who reads it.
    file
        Name of the file in the output folder.
    writer
        Returns a writer to a sink. It writes each file of the run as it comes, and keeps none of them.
    """

    name: str
    title: str
    file: str
    writer: Callable[[Sink], Writer]


def json_bytes(value: Any) -> bytes:
    """Return a value as JSON on one line; what UTF-8 cannot hold stands as an escape."""
    try:
        return orjson.dumps(value)
    except orjson.JSONEncodeError:  # a name with bytes that are no text
        text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        return text.encode("utf-8", "backslashreplace")


def visible(text: str) -> str:
    """Return text in which line breaks and other characters that cannot be seen are spelt out.

    Names of joints and files come from outside; one with a line break in it must not look like two lines.
    """
    if text.isprintable():
        return text
    return "".join(
        letter if letter.isprintable() or unicodedata.category(letter) == "Zs" else _spelt(letter)
        for letter in text
    )


def _spelt(letter: str) -> str:
    return f"⟨U+{ord(letter):04X}⟩"


_NOT_IN_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def xml_text(text: str) -> str:
    """Return text with the characters that XML 1.0 (production 2, Char) forbids spelt out."""
    return _NOT_IN_XML.sub(lambda found: _spelt(found[0]), text)


def left_unchanged(run: Run) -> str | None:
    """Say how many files were not checked again, without a full stop; None where all were to be."""
    if run.unchanged is None:
        return None
    return f"Passed before, unchanged, and not checked again: {plural(run.unchanged, 'file')}"


def waived_because(finding: JudgedFinding) -> str | None:
    """Return reason, person and last day of a finding's waiver, None where none works for it."""
    waiver = finding.waiver
    if waiver is None:
        return None
    return f"{waiver.reason} ({waiver.who}, until {waiver.until.isoformat()})"
