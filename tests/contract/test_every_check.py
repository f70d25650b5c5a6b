"""What every check keeps to, of whichever kind: they are found by scanning, and so are their tests."""

from __future__ import annotations

import importlib
import re
from pathlib import Path

import numpy as np
import pytest

from audit.plugins import AnyCheck, page_of
from tests.contract.looking import (
    KINDS,
    Kind,
    arrays_of,
    assert_well_made,
    findings,
    given_to,
    skeleton_of,
)

HEADINGS = [
    "## What it finds",
    "## Why it matters",
    "## Formula",
    "## Limit and its source",
    "## What to do",
]
ALL = [check for kind in KINDS.values() for check in kind.found.values()]
every_check = pytest.mark.parametrize("check", ALL, ids=[check.name for check in ALL])
every_kind = pytest.mark.parametrize("kind", KINDS.values(), ids=[each.__name__ for each in KINDS])


def docstring(check: AnyCheck) -> str:
    """Return the docstring of the module that a check lives in."""
    return importlib.import_module(check.run.__module__).__doc__ or ""


@every_kind
def test_every_file_in_the_folder_is_one(kind: Kind) -> None:
    assert kind.package.__file__ is not None
    folder = Path(kind.package.__file__).parent
    files = {path.stem for path in folder.glob("*.py") if not path.stem.startswith("_")}
    assert {name.replace("-", "_") for name in kind.found} == files
    assert list(kind.found) == sorted(kind.found)
    assert kind.found


def test_no_two_checks_share_a_name() -> None:
    names = [check.name for check in ALL]
    assert len(set(names)) == len(names)


class TestAnnouncement:
    @every_check
    def test_its_name_is_that_of_its_file(self, check: AnyCheck) -> None:
        assert check.name == check.run.__module__.rpartition(".")[2].replace("_", "-")
        assert re.fullmatch(r"[a-z]+(-[a-z]+)*", check.name)

    @every_check
    def test_its_title_is_one_line(self, check: AnyCheck) -> None:
        assert check.title.strip() == check.title
        assert check.title
        assert "\n" not in check.title
        assert not check.title.endswith(".")

    @every_check
    def test_its_page_has_the_headings_in_their_order(self, check: AnyCheck) -> None:
        text = docstring(check)
        assert [line for line in text.splitlines() if line.startswith("#")] == HEADINGS
        sections = re.split("|".join(map(re.escape, HEADINGS)), text)
        assert all(section.strip() for section in sections)

    @every_check
    def test_its_first_line_is_a_sentence(self, check: AnyCheck) -> None:
        assert docstring(check).strip().split("\n\n")[0].endswith(".")

    @every_check
    def test_every_limit_is_a_finite_number_explained_by_name(self, check: AnyCheck) -> None:
        section = docstring(check).split("## Limit and its source")[1].split("## ")[0]
        assert check.limits
        for name, limit in check.limits.items():
            assert f"`{name}`" in section
            assert type(limit) is float
            assert np.isfinite(limit)

    @every_check
    def test_its_page_is_the_docstring_with_the_limits_in_force(self, check: AnyCheck) -> None:
        text = page_of(check)
        assert text.startswith(f"# {check.name}\n")
        assert text.endswith("\n")
        for heading in [*HEADINGS, "## Limits in force"]:
            assert f"\n{heading}\n" in text
        for name, limit in check.limits.items():
            assert f"- `{name}` = {limit:g}\n" in text


class TestExamples:
    @every_check
    def test_the_clean_one_is_passed_over_in_silence(self, check: AnyCheck) -> None:
        clean, _ = check.examples()
        assert findings(check, given_to(check, clean)) == []

    @every_check
    def test_the_faulty_one_is_found(self, check: AnyCheck) -> None:
        given = given_to(check, check.examples()[1])
        found = findings(check, given)
        assert found
        for finding in found:
            assert_well_made(finding, check, skeleton_of(given))

    @every_check
    def test_the_same_example_gives_the_same_findings(self, check: AnyCheck) -> None:
        for first, second in zip(check.examples(), check.examples(), strict=True):
            found = findings(check, given_to(check, first))
            assert found == findings(check, given_to(check, first))
            assert found == findings(check, given_to(check, second))

    @every_check
    def test_nothing_it_is_given_is_changed(self, check: AnyCheck) -> None:
        for example in check.examples():
            given = given_to(check, example)
            before = [array.copy() for array in arrays_of(given)]
            assert before
            findings(check, given)
            for left, right in zip(before, arrays_of(given), strict=True):
                np.testing.assert_array_equal(left, right)

    @every_check
    def test_the_limits_it_is_given_are_used(self, check: AnyCheck) -> None:
        # With every limit far out on one side or on the other, the faulty one has nothing to find.
        given = given_to(check, check.examples()[1])
        far_out = KINDS[type(check)].far_out(check.limits)
        assert min(len(list(check.run(*given, limits))) for limits in far_out) == 0
