"""What every check of a rest pose keeps to: they are found by scanning, and so are their tests."""

from __future__ import annotations

import importlib
import re
from dataclasses import fields, is_dataclass
from itertools import product
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pytest
from hypothesis import given

import audit.rest_checks
from audit.checks import checks
from audit.model import Skeleton
from audit.plugins import SEVERITIES, Finding, RestCheck, Resting, page_of
from audit.rest import RestMeasures, axis_corrections, measure_rest
from audit.rest_checks import rest_checks
from tests.strategies import skeletons

ALL = list(rest_checks().values())
NAMES = [check.name for check in ALL]
HEADINGS = [
    "## What it finds",
    "## Why it matters",
    "## Formula",
    "## Limit and its source",
    "## What to do",
]
every_check = pytest.mark.parametrize("check", ALL, ids=NAMES)


def docstring(check: RestCheck) -> str:
    """Return the docstring of the module that a check lives in."""
    return importlib.import_module(check.run.__module__).__doc__ or ""


def findings(check: RestCheck, resting: Resting) -> list[Finding]:
    """Return what a check finds; whatever it tries to write to is read-only."""
    rest = measure_rest(resting.skeleton, resting.skins)
    return list(check.run(resting.skeleton, rest, MappingProxyType(dict(check.limits))))


def arrays(part: object) -> list[np.ndarray]:
    """Return all arrays of the measures, those of their parts too."""
    found = []
    for field in fields(part):  # type: ignore[arg-type]
        value = getattr(part, field.name)
        if isinstance(value, np.ndarray):
            found.append(value)
        elif is_dataclass(value):
            found += arrays(value)
    return found


def test_the_known_checks_are_found() -> None:
    known = {"ground", "facing", "height", "scale", "midline", "midline-twist", "mirror"}
    known |= {"pre-bend", "bend-plane", "aim", "order", "names", "centred"}
    assert {f"rest-{name}" for name in known} <= set(NAMES)
    assert sorted(NAMES) == NAMES


def test_every_file_in_the_folder_is_one() -> None:
    folder = Path(audit.rest_checks.__file__).parent
    files = {path.stem for path in folder.glob("*.py") if not path.stem.startswith("_")}
    assert {name.replace("-", "_") for name in NAMES} == files


def test_no_name_is_that_of_a_check_of_shots() -> None:
    assert not set(NAMES) & set(checks())
    assert all(name.startswith("rest-") for name in NAMES)


class TestAnnouncement:
    @every_check
    def test_its_name_is_that_of_its_file(self, check: RestCheck) -> None:
        assert check.name == check.run.__module__.rpartition(".")[2].replace("_", "-")
        assert re.fullmatch(r"[a-z]+(-[a-z]+)*", check.name)

    @every_check
    def test_its_title_is_one_line(self, check: RestCheck) -> None:
        assert check.title.strip() == check.title
        assert check.title
        assert "\n" not in check.title
        assert not check.title.endswith(".")

    @every_check
    def test_its_page_has_the_headings_in_their_order(self, check: RestCheck) -> None:
        text = docstring(check)
        assert [line for line in text.splitlines() if line.startswith("#")] == HEADINGS
        sections = re.split("|".join(map(re.escape, HEADINGS)), text)
        assert all(section.strip() for section in sections)
        assert text.strip().split("\n\n")[0].endswith(".")

    @every_check
    def test_every_limit_is_a_finite_number_explained_by_name(self, check: RestCheck) -> None:
        section = docstring(check).split("## Limit and its source")[1].split("## ")[0]
        assert check.limits
        for name, limit in check.limits.items():
            assert f"`{name}`" in section
            assert type(limit) is float
            assert np.isfinite(limit)

    @every_check
    def test_its_page_is_the_docstring_with_the_limits_in_force(self, check: RestCheck) -> None:
        text = page_of(check)
        assert text.startswith(f"# {check.name}\n")
        assert text.endswith("\n")
        for heading in [*HEADINGS, "## Limits in force"]:
            assert f"\n{heading}\n" in text
        for name, limit in check.limits.items():
            assert f"- `{name}` = {limit:g}\n" in text


class TestExamples:
    @every_check
    def test_the_clean_one_is_passed_over_in_silence(self, check: RestCheck) -> None:
        clean, _ = check.examples()
        assert findings(check, clean) == []

    @every_check
    def test_no_check_has_a_word_on_the_clean_one_of_another(self, check: RestCheck) -> None:
        clean, _ = check.examples()
        for other in ALL:
            assert findings(other, clean) == []

    @every_check
    def test_the_faulty_one_is_found(self, check: RestCheck) -> None:
        _, faulty = check.examples()
        assert findings(check, faulty)

    @every_check
    def test_the_same_rig_gives_the_same_findings(self, check: RestCheck) -> None:
        for first, second in zip(check.examples(), check.examples(), strict=True):
            assert findings(check, first) == findings(check, second)

    @every_check
    def test_nothing_it_is_given_is_changed(self, check: RestCheck) -> None:
        for resting in check.examples():
            rest = measure_rest(resting.skeleton, resting.skins)
            held = arrays(rest)
            assert not any(array.flags.writeable for array in held)
            before = [array.copy() for array in held]
            list(check.run(resting.skeleton, rest, check.limits))
            for left, right in zip(before, arrays(rest), strict=True):
                np.testing.assert_array_equal(left, right)

    @every_check
    def test_the_limits_it_is_given_are_used(self, check: RestCheck) -> None:
        # With every limit far out on one side or on the other, the faulty rig has nothing to find.
        _, faulty = check.examples()
        rest = measure_rest(faulty.skeleton, faulty.skins)
        counts = [
            len(list(check.run(faulty.skeleton, rest, dict(zip(check.limits, far, strict=True)))))
            for far in product((1e9, -1e9), repeat=len(check.limits))
        ]
        assert min(counts) == 0


def assert_well_made(finding: Finding, check: RestCheck, skeleton: Skeleton) -> None:
    """Assert what holds for every finding of every check."""
    assert finding.check == check.name
    assert finding.severity in SEVERITIES
    assert finding.message == finding.message.strip()
    assert finding.message
    assert "\n" not in finding.message
    assert "nan" not in finding.message.lower().split()
    for figure in (finding.value, finding.limit):
        assert figure is None or (type(figure) is float and np.isfinite(figure))
    if finding.joint is not None:
        assert type(finding.joint) is int
        assert skeleton.names[finding.joint] in finding.message


def all_findings(skeleton: Skeleton, rest: RestMeasures) -> list[Finding]:
    """Return the findings of all checks, each looked at."""
    found = []
    for check in ALL:
        for finding in check.run(skeleton, rest, check.limits):
            assert_well_made(finding, check, skeleton)
            found.append(finding)
    return found


@given(skeletons())
def test_findings_on_any_skeleton_are_well_made(skeleton: Skeleton) -> None:
    rest = measure_rest(skeleton)
    all_findings(skeleton, rest)
    axes, reasons = axis_corrections(skeleton, rest)
    assert np.allclose(np.linalg.norm(axes, axis=1), 1.0)
    assert len(reasons) == len(skeleton)


@every_check
def test_findings_on_the_examples_are_well_made(check: RestCheck) -> None:
    for resting in check.examples():
        all_findings(resting.skeleton, measure_rest(resting.skeleton, resting.skins))


@every_check
def test_a_joint_has_one_finding_of_a_kind(check: RestCheck) -> None:
    for resting in check.examples():
        found = [(each.joint, each.message) for each in findings(check, resting)]
        assert len(found) == len(set(found))
