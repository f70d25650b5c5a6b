"""Documents for the tests of the history: small, and with the figures that a test asks about."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from itertools import zip_longest
from pathlib import Path
from typing import Any

from audit.history import Recorder
from audit.pipeline import examine
from tests.benchmarks.figures import made_shot

Document = dict[str, Any]

_MADE: list[Document] = []


def document(name: str, *found: tuple[str, str, str, float, float]) -> Document:
    """Return the results of a small shot with these findings and no others.

    A finding is joint (empty for the shot as a whole), check, severity, value and limit.
    """
    if not _MADE:
        _MADE.append(examine(made_shot(4, 30, 2)).document)
    made = _MADE[0]
    joints: list[Document] = [row | {"findings": []} for row in made["joints"]]
    whole: list[Document] = []
    for joint, check, severity, value, limit in found:
        row = {
            "check": check,
            "severity": severity,
            "message": f"{check} of {value}",
            "value": value,
            "limit": limit,
        }
        rows = [each for each in joints if each["joint"] == joint]
        (rows[0]["findings"] if rows else whole).append(row)
    source = made["source"] | {"file": f"shots/{name}.bvh", "sha256": "0" * 64}
    return made | {"source": source, "joints": joints, "findings": whole}


def record(
    folder: Path,
    day: str,
    *documents: Document,
    show: str = "harbour",
    partition: Sequence[str] = ("show", "day"),
    rigs: Sequence[str] = (),
) -> None:
    """Record one run; a shot passes where it has nothing to fix. The rigs may be given, one a document."""
    when = date.fromisoformat(day)
    with Recorder(folder, show_name=show, day=when, partition=partition) as recorder:
        for each, rig in zip_longest(documents, rigs):
            found = [row for joint in each["joints"] for row in joint["findings"]]
            found += each["findings"]
            passed = all(row["severity"] != "fix" for row in found)
            recorder.add(each, passed=passed, rig=rig)
