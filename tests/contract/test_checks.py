"""What every check keeps to, whichever they are: they are found by scanning, and so are their tests."""

from __future__ import annotations

import importlib
import re
from collections.abc import Sequence
from dataclasses import fields
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import audit.checks
from audit.checks import checks
from audit.measures import Cost, Measures, measure_shot
from audit.model import Shot
from audit.plugins import SEVERITIES, Check, Finding, page_of
from audit.settings import Settings
from tests.strategies import shots

ALL = list(checks().values())
NAMES = [check.name for check in ALL]
HEADINGS = [
    "## What it finds",
    "## Why it matters",
    "## Formula",
    "## Limit and its source",
    "## What to do",
]
every_check = pytest.mark.parametrize("check", ALL, ids=NAMES)


def docstring(check: Check) -> str:
    """Return the docstring of the module that a check lives in."""
    return importlib.import_module(check.run.__module__).__doc__ or ""


def findings(check: Check, shot: Shot, settings: Settings | None = None) -> list[Finding]:
    """Return what a check finds; whatever it tries to write to is read-only."""
    measures = measure_shot(shot, settings)
    for array in arrays(measures):
        array.setflags(write=False)
    return list(check.run(shot, measures, MappingProxyType(dict(check.limits))))


def arrays(measures: Measures) -> list[np.ndarray]:
    """Return all arrays of the measures, those of the costs too."""
    values = [getattr(measures, field.name) for field in fields(Measures)]
    costs = [value for value in values if isinstance(value, Cost)]
    values += [getattr(cost, field.name) for cost in costs for field in fields(Cost)]
    return [value for value in values if isinstance(value, np.ndarray)]


def shot_arrays(shot: Shot) -> Sequence[np.ndarray]:
    """Return copies of the arrays of a shot."""
    held = [shot.times_s, shot.rotations_xyzw, shot.skeleton.offsets, shot.skeleton.rest_xyzw]
    if shot.channels is not None:
        held.append(shot.channels.values)
    return [array.copy() for array in held]


def test_the_known_checks_are_found() -> None:
    known = {"aim", "back-bend", "clutter", "gimbal", "not-a-hinge", "order", "overkeyed"}
    assert known | {"spread", "twist", "wrap"} <= set(NAMES)
    assert sorted(NAMES) == NAMES


def test_every_file_in_the_folder_is_one() -> None:
    folder = Path(audit.checks.__file__).parent
    files = {path.stem for path in folder.glob("*.py") if not path.stem.startswith("_")}
    assert {name.replace("-", "_") for name in NAMES} == files


class TestAnnouncement:
    @every_check
    def test_its_name_is_that_of_its_file(self, check: Check) -> None:
        assert check.name == check.run.__module__.rpartition(".")[2].replace("_", "-")
        assert re.fullmatch(r"[a-z]+(-[a-z]+)*", check.name)

    @every_check
    def test_its_title_is_one_line(self, check: Check) -> None:
        assert check.title.strip() == check.title
        assert check.title
        assert "\n" not in check.title
        assert not check.title.endswith(".")

    @every_check
    def test_its_page_has_the_headings_in_their_order(self, check: Check) -> None:
        text = docstring(check)
        found = [line for line in text.splitlines() if line.startswith("#")]
        assert found == HEADINGS
        sections = re.split("|".join(map(re.escape, HEADINGS)), text)
        assert all(section.strip() for section in sections)

    @every_check
    def test_its_first_line_is_a_sentence(self, check: Check) -> None:
        lines = docstring(check).strip().split("\n\n")[0]
        assert lines.endswith(".")

    @every_check
    def test_every_limit_is_explained_by_name(self, check: Check) -> None:
        section = docstring(check).split("## Limit and its source")[1].split("## ")[0]
        for name in check.limits:
            assert f"`{name}`" in section

    @every_check
    def test_limits_are_finite_numbers(self, check: Check) -> None:
        assert check.limits
        for limit in check.limits.values():
            assert type(limit) is float
            assert np.isfinite(limit)

    @every_check
    def test_its_page_is_the_docstring_with_the_limits_in_force(self, check: Check) -> None:
        text = page_of(check)
        assert text.startswith(f"# {check.name}\n")
        assert text.endswith("\n")
        for heading in [*HEADINGS, "## Limits in force"]:
            assert f"\n{heading}\n" in text
        for name, limit in check.limits.items():
            assert f"- `{name}` = {limit:g}\n" in text


class TestExamples:
    @every_check
    def test_the_clean_one_is_passed_over_in_silence(self, check: Check) -> None:
        clean, _ = check.examples()
        assert findings(check, clean) == []

    @every_check
    def test_the_faulty_one_is_found(self, check: Check) -> None:
        _, faulty = check.examples()
        assert findings(check, faulty)

    @every_check
    def test_they_are_the_same_each_time(self, check: Check) -> None:
        for first, second in zip(check.examples(), check.examples(), strict=True):
            assert first.skeleton.names == second.skeleton.names
            for left, right in zip(shot_arrays(first), shot_arrays(second), strict=True):
                np.testing.assert_array_equal(left, right)

    @every_check
    def test_the_same_shot_gives_the_same_findings(self, check: Check) -> None:
        for shot in check.examples():
            assert findings(check, shot) == findings(check, shot)

    @every_check
    def test_nothing_it_is_given_is_changed(self, check: Check) -> None:
        for shot in check.examples():
            measures = measure_shot(shot)
            before = [array.copy() for array in arrays(measures)], shot_arrays(shot)
            list(check.run(shot, measures, check.limits))
            for held, now in zip(before, (arrays(measures), shot_arrays(shot)), strict=True):
                for left, right in zip(held, now, strict=True):
                    np.testing.assert_array_equal(left, right)

    @every_check
    def test_the_limits_it_is_given_are_used(self, check: Check) -> None:
        # With every limit far out on one side or on the other, the faulty shot has nothing to find.
        _, faulty = check.examples()
        measures = measure_shot(faulty)
        far = [dict.fromkeys(check.limits, size) for size in (1e9, -1e9)]
        counts = [len(list(check.run(faulty, measures, limits))) for limits in far]
        assert min(counts) == 0


def assert_well_made(finding: Finding, check: Check, shot: Shot) -> None:
    """Assert what holds for every finding of every check."""
    assert finding.check == check.name
    assert finding.severity in SEVERITIES
    assert finding.message == finding.message.strip()
    assert "\n" not in finding.message
    assert "nan" not in finding.message.lower().split()
    for figure in (finding.value, finding.limit):
        assert figure is None or (type(figure) is float and np.isfinite(figure))
    if finding.joint is not None:
        assert type(finding.joint) is int
        assert shot.skeleton.names[finding.joint] in finding.message


@every_check
def test_findings_are_well_made(check: Check) -> None:
    settings = st.builds(Settings, reference=st.sampled_from(["rest", "parent"]))

    @given(shots(), settings)
    def run(shot: Shot, chosen: Settings) -> None:
        for finding in findings(check, shot, chosen):
            assert_well_made(finding, check, shot)

    run()
    for shot in check.examples():
        for finding in findings(check, shot):
            assert_well_made(finding, check, shot)


@every_check
def test_a_joint_is_found_once_by_each_check(check: Check) -> None:
    @given(shots())
    def run(shot: Shot) -> None:
        joints = [finding.joint for finding in findings(check, shot)]
        assert len(joints) == len(set(joints))

    run()
