"""What every check of a rig keeps to: they are found by scanning, and so are their tests."""

from __future__ import annotations

import importlib
from pathlib import Path

import pytest

import audit.rig_checks
from audit.model import Shot
from audit.plugins import SEVERITIES, Finding, RigCheck, page_of
from audit.rig_checks import rig_checks
from audit.suggestion import gather, suggest_from

ALL = list(rig_checks().values())
HEADINGS = [
    "## What it finds",
    "## Why it matters",
    "## Formula",
    "## Limit and its source",
    "## What to do",
]
every_check = pytest.mark.parametrize("check", ALL, ids=[check.name for check in ALL])


def findings(check: RigCheck, shots: tuple[Shot, ...]) -> list[Finding]:
    """Return what a check finds in shots of one rig."""
    (evidence,) = gather(shots)
    rig = suggest_from(evidence, shots).rig
    return list(check.run(rig, check.limits))


def test_the_known_checks_are_found() -> None:
    assert {"rig-drift", "odd-shot", "mirror", "chain-twist"} <= set(rig_checks())


def test_every_file_in_the_folder_is_one() -> None:
    folder = Path(audit.rig_checks.__file__).parent
    files = {path.stem for path in folder.glob("*.py") if not path.stem.startswith("_")}
    assert {check.name.replace("-", "_") for check in ALL} == files


@every_check
def test_its_page_has_the_headings_in_their_order(check: RigCheck) -> None:
    text = importlib.import_module(check.run.__module__).__doc__ or ""
    assert [line for line in text.splitlines() if line.startswith("## ")] == HEADINGS
    page = page_of(check)
    assert page.startswith(f"# {check.name}\n")
    for name, limit in check.limits.items():
        assert f"- `{name}` = {limit:g}" in page
        assert f"`{name}`" in text


@every_check
def test_it_is_silent_on_one_example_and_fires_on_the_other(check: RigCheck) -> None:
    silent, firing = check.examples()
    assert findings(check, silent) == []
    found = findings(check, firing)
    assert found
    for finding in found:
        assert finding.check == check.name
        assert finding.severity in SEVERITIES
        assert finding.message
        assert finding.joint is not None
        if finding.value is not None:
            assert finding.limit in check.limits.values()
            assert abs(finding.value) > finding.limit


@every_check
def test_it_finds_the_same_twice(check: RigCheck) -> None:
    _, firing = check.examples()
    assert findings(check, firing) == findings(check, firing)
