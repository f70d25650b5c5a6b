"""What is new and what is gone about the rest pose between two rigs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import jsonschema
import numpy as np

from audit.compare import Comparison, compare, comparison_schema
from audit.model import Shot, Skeleton, Source
from audit.pipeline import examine
from audit.report.comparison_page import comparison_page
from audit.report.comparison_terminal import comparison_table
from audit.report.comparison_view import comparison_view
from audit.rest.sample import figure
from tests.report.test_page import Page

Turns = Mapping[str, Sequence[float]]


def shot(skeleton: Skeleton) -> Shot:
    """Return a shot of three frames at rest."""
    still = np.tile(skeleton.rest_xyzw, (3, 1, 1))
    return Shot(skeleton, np.arange(3.0), Source("rig"), rotations=still)


def compared(before: Skeleton, after: Skeleton) -> Comparison:
    return compare(examine(shot(before)), examine(shot(after)))


def told(rows: Sequence[Mapping[str, Any]]) -> list[tuple[str, str | None]]:
    return [(row["check"], row["joint"]) for row in rows]


SPINE: Turns = {"Spine": (0.01, 0.0, 0.0)}
ARM: Turns = {"R_Forearm": (180.0, 0.0, 0.0)}


def test_what_was_mended_is_gone_and_what_was_broken_is_new() -> None:
    document = compared(figure(moved=SPINE), figure(turned=ARM)).document
    jsonschema.validate(document, dict(comparison_schema()))
    rest = document["rest"]
    assert told(rest["gone"]) == [("rest-midline", "Spine")]
    assert told(rest["new"]) == [("rest-mirror", "R_Forearm")]
    assert rest["kept"] == 0
    assert rest["new"][0]["severity"] == "fix"
    assert rest["new"][0]["value"] == 180.0


def test_the_same_finding_with_another_number_is_kept() -> None:
    worse = {"Spine": (0.02, 0.0, 0.0)}
    rest = compared(figure(moved=SPINE), figure(moved=worse)).document["rest"]
    assert (rest["new"], rest["gone"], rest["kept"]) == ([], [], 1)
    clean = compared(figure(), figure()).document["rest"]
    assert (clean["new"], clean["gone"], clean["kept"]) == ([], [], 0)


def test_two_findings_of_one_check_on_one_joint_are_two() -> None:
    both = figure(turned={"L_Hand": (20.0, 0.0, 0.0)}, moved={"L_Hand": (0.0, 0.0, 0.02)})
    one = figure(moved={"L_Hand": (0.0, 0.0, 0.02)})
    change = compared(both, one).rest
    # Place and axes have limits of their own, and so are told apart.
    gone = [each for each in change.gone if each.check == "rest-mirror"]
    assert [each.limit for each in gone] == [0.5]
    assert [each.limit for each in change.kept if each.check == "rest-mirror"] == [0.1]


def test_a_pair_is_the_same_whichever_of_its_joints_is_named() -> None:
    left = figure(turned={"L_Hand": (30.0, 0.0, 0.0)})
    right = figure(turned={"R_Hand": (30.0, 0.0, 0.0)})
    change = compared(left, right).rest
    assert [each.check for each in change.kept] == ["rest-mirror"]
    assert not change.new
    assert not change.gone


def test_renamed_joints_keep_their_findings() -> None:
    renamed = figure(moved=SPINE, renamed={"Spine": "Chest"})
    comparison = compared(figure(moved=SPINE), renamed)
    assert comparison.document["renamed"] == [{"joint": "Spine", "joint_after": "Chest"}]
    rest = comparison.document["rest"]
    assert (rest["new"], rest["gone"], rest["kept"]) == ([], [], 1)


def test_page_and_terminal_tell_it() -> None:
    comparison = compared(figure(moved=SPINE), figure(turned=ARM))
    rest = comparison.document["rest"]
    page, table = (
        Page(comparison_page(comparison_view(comparison))),
        comparison_table(comparison.document),
    )
    assert page.open == []
    assert "1 new finding, 1 gone; both rigs have 0 more." in page.text
    assert "Rest pose: 1 new finding, 1 gone; both rigs have 0 more." in table
    for word in ("new", "gone"):
        (row,) = rest[word]
        assert row["message"] in page.in_bdi
        assert any(
            line.split(maxsplit=2) == [word, row["severity"], row["message"]]
            for line in table.splitlines()
        )
    calm = compared(figure(), figure())
    assert "No finding is new or gone; both rigs have nothing." in comparison_table(calm.document)
