"""The contract of comparison.json: it fits its schema, holds finite numbers, and adds up."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import jsonschema
import pytest
from hypothesis import given

from audit.compare import VERDICTS, Comparison, compare, comparison_schema
from audit.compare.document import CHANGES, FIGURES
from audit.demo import built_in_faults, demo_shots
from audit.model import Shot
from audit.pipeline import examine
from tests.strategies import shots
from tests.unit.compare.making import NAMES, turn, turned, walker

VALIDATOR = jsonschema.Draft202012Validator(dict(comparison_schema()))


def compared(before: Shot, after: Shot) -> Comparison:
    return compare(examine(before), examine(after))


@pytest.fixture(scope="module")
def demo() -> Comparison:
    files = demo_shots()
    messy, clean = (
        # As the files have them: the format has no rest rotations.
        replace(files[name], has_rest_rotations=False)
        for name in ("wade_messy.bvh", "wade_clean.bvh")
    )
    return compared(messy, clean)


def joint(document: dict[str, Any], name: str) -> dict[str, Any]:
    return next(row for row in document["joints"] if row["joint"] == name)


def test_the_schema_is_one() -> None:
    jsonschema.Draft202012Validator.check_schema(dict(comparison_schema()))


def test_the_schema_closes_every_object() -> None:
    def objects(value: Any) -> list[dict[str, Any]]:
        inner = (
            value.values() if isinstance(value, dict) else value if isinstance(value, list) else []
        )
        own = [value] if isinstance(value, dict) and "properties" in value else []
        return own + [each for part in inner for each in objects(part)]

    found = objects(dict(comparison_schema()))
    assert len(found) > 8
    for each in found:
        # The settings are those of the measures, whose names stand in the schema of the results.
        assert each["additionalProperties"] is False or "comparison" in each["properties"]
        assert each["additionalProperties"] is not False or set(each["required"]) == set(
            each["properties"]
        )


def test_the_demo_is_the_same_motion_in_clean_axes(demo: Comparison) -> None:
    document = demo.document
    VALIDATOR.validate(document)
    assert document["motion"]["same"] == "yes"
    for fault in built_in_faults():
        if "wade_messy.bvh" not in fault.files:
            continue
        row = joint(document, fault.joint)
        if fault.kind == "twist":
            assert row["axes"]["twist_deg"] == pytest.approx(-fault.degrees, abs=1e-5)
            assert row["verdict"] == "cleaner"
            assert "axes" in row["changed"]
        elif fault.kind == "aim":
            assert row["axes"]["swing_deg"] == pytest.approx(fault.degrees, abs=1e-5)
        elif fault.kind == "order":
            assert row["changed"] == ["order", "curves"]
    assert joint(document, "Pelvis")["changed"] == []
    assert document["summary"]["messier"] == 0
    assert document["summary"]["clean_hinges_after"] == document["summary"]["hinges_after"]
    assert not demo.is_worse


def test_figures_are_those_of_the_results(demo: Comparison) -> None:
    for side, examined in (("before", demo.before), ("after", demo.after)):
        rows = {row["joint"]: row for row in examined.document["joints"]}
        assert demo.document[side] == examined.document["source"]
        for row in demo.document["joints"]:
            assert row[side] == {name: rows[row["joint"]][name] for name in FIGURES}
        total = sum(row[side]["edit_keys"] for row in demo.document["joints"])
        assert demo.document["summary"][f"edit_keys_{side}"] == total
    summary = demo.document["summary"]
    assert sum(summary[each] for each in VERDICTS) == summary["joints_matched"] == 40


def test_lists_of_names() -> None:
    shot = walker()
    other = replace(
        shot,
        skeleton=replace(
            shot.skeleton, names=tuple(name.replace("R_Knee", "Shin") for name in NAMES)
        ),
    )
    document = compared(shot, other).document
    assert document["renamed"] == [{"joint": "R_Knee", "joint_after": "Shin"}]
    assert document["lost"] == document["added"] == []
    assert joint(document, "R_Knee")["matched_by"] == "place"
    # Its children hang on the same joint, whatever its name is now.
    assert joint(document, "R_Foot")["changed"] == []


def test_an_order_that_nobody_stated_is_no_change() -> None:
    shot = walker()
    bare = replace(shot, skeleton=replace(shot.skeleton, orders=(None,) * 9))
    document = compared(bare, turned(bare, {2: turn((0.3, 1.0, 0.5), 70.0)})).document
    assert document["summary"]["orders_changed"] == 0
    VALIDATOR.validate(document)


def test_numbers_beyond_measure_are_null_and_not_the_same_motion() -> None:
    shot = walker()
    positions = shot.local_positions.copy()
    positions[3, 0] = 1e200
    document = compared(shot, replace(shot, positions=positions)).document
    VALIDATOR.validate(document)
    assert document["motion"]["same"] == "no"
    json.dumps(document, allow_nan=False)


@given(shots(), shots())
def test_any_two_shots_give_a_document_that_fits(first: Shot, second: Shot) -> None:
    document = compared(first, second).document
    VALIDATOR.validate(document)
    json.dumps(document, allow_nan=False)
    for row in document["joints"]:
        assert list(row["changed"]) == [each for each in CHANGES if each in row["changed"]]


@given(shots())
def test_a_shot_against_itself_has_not_changed(shot: Shot) -> None:
    skeleton = replace(
        shot.skeleton, names=tuple(f"joint{place}" for place in range(len(shot.skeleton)))
    )
    comparison = compared(replace(shot, skeleton=skeleton), replace(shot, skeleton=skeleton))
    assert comparison.motion.same != "no"
    assert all(row["changed"] == [] for row in comparison.document["joints"])


def test_the_same_shots_give_the_same_text() -> None:
    texts = {
        json.dumps(compared(walker(), turned(walker(), {2: turn((0.0, 1.0, 0.0), 20.0)})).document)
        for _ in range(2)
    }
    assert len(texts) == 1
