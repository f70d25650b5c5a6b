"""The results contract: every document fits the schema, holds finite numbers, and adds up."""

from __future__ import annotations

import json
from dataclasses import fields
from typing import Any

import jsonschema
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import audit
from audit import results
from audit.checks import checks
from audit.model import Shot
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.pipeline import examine
from audit.plugins import Finding
from audit.settings import Settings
from tests.strategies import orders, shots

VALIDATOR = jsonschema.Draft202012Validator(dict(results.schema()))
FIGURES = ("moving_channels", "channel_spread", "edit_keys")
COLUMNS = [
    "joint",
    "parent",
    "rotation_order",
    "rotation_order_from",
    "kind",
    "range_deg",
    *(f"shares.{place}" for place in "123"),
    "off_axis_deg",
    *(f"hinge_axis.{axis}" for axis in "xyz"),
    "hinge_axis_interval_deg",
    *(f"limb_axis.{axis}" for axis in "xyz"),
    "aim_error_deg",
    "residual_deg",
    *(
        f"channels.{letter}.{figure}"
        for letter in "XYZ"
        for figure in ("range_deg", "travel_deg", "keys")
    ),
    "moving_channels",
    "channel_spread",
    "leak",
    "edit_keys",
    "twist_offset_deg",
    "twist_interval_deg.low",
    "twist_interval_deg.high",
    "no_offset_because",
    *(f"after_twist.{figure}" for figure in FIGURES),
    *(f"full_offset_xyzw.{part}" for part in "xyzw"),
    "advised_order",
    *(f"after_full.{figure}" for figure in FIGURES),
    *(f"causes.{cause}" for cause in ("twist", "aim", "order", "own")),
    "findings",
]
"""What the contract names, in its order, with dotted names for what is nested."""


def document(shot: Shot, settings: Settings | None = None) -> results.Document:
    return examine(shot, settings).document


def settings() -> st.SearchStrategy[Settings]:
    """Return settings with either reference, and an order or none."""
    return st.builds(
        Settings,
        reference=st.sampled_from(["rest", "parent"]),
        order=st.none() | orders,
    )


def numbers_in(value: Any) -> list[float]:
    """Return every number in a document."""
    if isinstance(value, dict):
        return [number for each in value.values() for number in numbers_in(each)]
    if isinstance(value, list):
        return [number for each in value for number in numbers_in(each)]
    return [value] if isinstance(value, float) else []


class TestDocument:
    def test_the_schema_is_one(self) -> None:
        jsonschema.Draft202012Validator.check_schema(dict(results.schema()))

    @given(shots(), settings())
    def test_every_document_fits_the_schema(self, shot: Shot, chosen: Settings) -> None:
        written = json.loads(results.json_text(document(shot, chosen)))
        faults = [f"{list(each.path)}: {each.message}" for each in VALIDATOR.iter_errors(written)]
        assert faults == []

    @given(shots(), settings())
    def test_numbers_are_finite_rounded_and_never_minus_nothing(
        self, shot: Shot, chosen: Settings
    ) -> None:
        made = document(shot, chosen)
        text = results.json_text(made)
        assert "NaN" not in text
        assert "Infinity" not in text
        for number in numbers_in({**made, "settings": None}):
            assert np.isfinite(number)
            assert number == round(number, 6)
            assert str(number) != "-0.0"

    @given(shots(frame_counts=(1, 9)))
    def test_the_same_shot_gives_the_same_text(self, shot: Shot) -> None:
        assert results.json_text(document(shot)) == results.json_text(document(shot))

    def test_the_source_says_what_was_measured(self) -> None:
        shot = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend()))
        assert document(shot)["source"] == {
            "file": "sample",
            "sha256": None,
            "format": "memory",
            "frames": 97,
            "seconds": 4.0,
            "joints": 3,
            "reference": "rest",
        }
        assert document(shot, Settings(reference="parent"))["source"]["reference"] == "parent"
        assert document(shot)["tool"] == {"name": "hinge-audit", "version": audit.__version__}

    def test_every_threshold_is_written_down(self) -> None:
        written = document(limb_shot(np.zeros((2, 3))), Settings(order="XZY"))["settings"]
        assert set(written) == {field.name for field in fields(Settings)} | {"checks"}
        assert written["order"] == "XZY"
        assert written["checks"] == {name: dict(each.limits) for name, each in checks().items()}

    @pytest.mark.parametrize("name", ["“Knie” – 膝", 'a"b\\c', "tab\there", "L_Knee"])
    def test_any_name_comes_back(self, name: str) -> None:
        made = document(limb_shot(np.zeros((2, 3)), name=name))
        assert json.loads(results.json_text(made))["joints"][1]["joint"] == name

    def test_a_number_that_is_not_finite_is_a_fault_of_the_program(self) -> None:
        with pytest.raises(ValueError, match="not JSON compliant"):
            results.json_text({"value": float("nan")})


class TestNumbers:
    @pytest.mark.parametrize(
        ("value", "expected"),
        [
            (1.23456789, 1.234568),
            (-1e-9, 0.0),
            (-0.0, 0.0),
            (np.float64(2.0), 2.0),
            (np.nan, None),
            (np.inf, None),
            (-np.inf, None),
        ],
    )
    def test_one(self, value: float, expected: float | None) -> None:
        found = results.number(value)
        assert found == expected
        assert str(found) == str(expected)

    def test_many(self) -> None:
        assert results.numbers(np.array([1.23456789, -1e-12])) == [1.234568, 0.0]
        assert results.numbers(np.array([1.0, np.nan])) is None
        assert results.numbers(np.array([])) == []


class TestJointRows:
    SHOT = limb_shot(hinge_channels((0.8, 0.0, 0.6), bend()))

    def test_they_hold_what_was_measured(self) -> None:
        examined = examine(self.SHOT)
        measures = examined.measures
        row = examined.document["joints"][1]
        assert (row["joint"], row["parent"]) == ("L_Knee", "L_Thigh")
        assert (row["rotation_order"], row["rotation_order_from"]) == ("YZX", "file")
        assert row["kind"] == "hinge"
        np.testing.assert_allclose(row["hinge_axis"], [0.8, 0.0, 0.6], atol=1e-6)
        np.testing.assert_allclose(row["limb_axis"], [0.0, -1.0, 0.0])
        assert row["twist_offset_deg"] == results.number(measures.twist_offset_deg[1])
        assert row["no_offset_because"] is None
        assert row["after_full"]["moving_channels"] == 1
        for axis, letter in enumerate("XYZ"):
            assert row["channels"][letter]["keys"] == measures.now.keys[1, axis]
        np.testing.assert_allclose(
            sum(row["causes"].values()), row["channel_spread"] - 1, atol=3e-6
        )
        assert [each["check"] for each in row["findings"]] == ["spread", "twist"]

    def test_what_does_not_exist_is_null(self) -> None:
        row = examine(self.SHOT).document["joints"][0]
        assert row["parent"] is None
        assert row["kind"] == "still"
        for name in (
            "hinge_axis",
            "hinge_axis_interval_deg",
            "residual_deg",
            "channel_spread",
            "leak",
            "twist_offset_deg",
            "twist_interval_deg",
            "after_twist",
            "full_offset_xyzw",
            "advised_order",
            "after_full",
            "causes",
        ):
            assert row[name] is None, name
        assert row["no_offset_because"].startswith("it hardly moves")

    def test_a_finding_goes_to_its_own_joint(self) -> None:
        examined = examine(self.SHOT)
        findings = [
            Finding("twist", "fix", "first", 1.0, 2.0, 2),
            Finding("wrap", "look", "second", None, None, 2),
            Finding("clutter", "note", "whole", 1.0, 0.0),
        ]
        rows = results.joint_rows(self.SHOT, examined.measures, iter(findings))
        assert [len(row["findings"]) for row in rows] == [0, 0, 2]
        made = results.document(self.SHOT, examined.measures, findings, checks())
        assert [each["message"] for each in made["findings"]] == ["whole"]
        assert (made["summary"]["fix"], made["summary"]["look"], made["summary"]["note"]) == (
            1,
            1,
            1,
        )

    def test_a_finding_as_the_contract_has_it(self) -> None:
        row = results.finding_row(Finding("twist", "fix", "turn it", 33.1234567, -0.0, 4))
        assert row == {
            "check": "twist",
            "severity": "fix",
            "message": "turn it",
            "value": 33.123457,
            "limit": 0.0,
        }
        assert results.finding_row(Finding("a", "note", "b", None, None))["value"] is None
        assert results.finding_row(Finding("a", "note", "b", float("nan"), None))["value"] is None


class TestFlatRow:
    @given(shots(), settings())
    def test_columns_are_always_the_same(self, shot: Shot, chosen: Settings) -> None:
        for row in document(shot, chosen)["joints"]:
            assert list(results.flat_row(row)) == COLUMNS

    @given(shots())
    def test_every_value_is_plain(self, shot: Shot) -> None:
        for row in document(shot)["joints"]:
            for value in results.flat_row(row).values():
                assert value is None or type(value) in (str, int, float)

    def test_it_holds_what_the_row_holds(self) -> None:
        row = document(TestJointRows.SHOT)["joints"][1]
        flat = results.flat_row(row)
        assert flat["hinge_axis.z"] == row["hinge_axis"][2]
        assert flat["twist_interval_deg.high"] == row["twist_interval_deg"][1]
        assert flat["full_offset_xyzw.w"] == row["full_offset_xyzw"][3]
        assert flat["channels.Y.travel_deg"] == row["channels"]["Y"]["travel_deg"]
        assert flat["after_twist.edit_keys"] == row["after_twist"]["edit_keys"]
        assert flat["causes.own"] == row["causes"]["own"]
        assert flat["findings"] == "spread fix; twist fix"


class TestSummary:
    @staticmethod
    def row(kind: str, now: int, twist: int | None, full: int | None, *severities: str) -> Any:
        return {
            "kind": kind,
            "edit_keys": now,
            "after_twist": None if twist is None else {"edit_keys": twist},
            "after_full": None if full is None else {"edit_keys": full},
            "findings": [{"severity": each} for each in severities],
        }

    def test_a_hinge_is_clean_where_nothing_needs_a_fix(self) -> None:
        rows = [
            self.row("hinge", 5, 5, 5),
            self.row("hinge", 5, 5, 5, "look", "note"),
            self.row("hinge", 5, 5, 5, "look", "fix"),
            self.row("free", 5, None, None),
            self.row("still", 0, None, None),
        ]
        found = results.summary(rows, [])
        assert (found["hinges"], found["clean_hinges"]) == (3, 2)

    @pytest.mark.parametrize(
        ("now", "twist", "full", "after"),
        [(10, 4, 6, 4), (10, 6, 4, 4), (10, 12, 11, 10), (10, None, None, 10), (0, 0, 0, 0)],
    )
    def test_nobody_applies_what_makes_things_worse(
        self, now: int, twist: int | None, full: int | None, after: int
    ) -> None:
        row = self.row("hinge", now, twist, full)
        assert results.edit_keys_after(row) == after
        found = results.summary([row, row], [])
        assert (found["edit_keys_now"], found["edit_keys_after"]) == (2 * now, 2 * after)

    def test_findings_are_counted_by_severity_with_those_of_the_whole_shot(self) -> None:
        findings = [
            Finding("a", "fix", "", None, None, 0),
            Finding("b", "note", "", None, None),
            Finding("c", "note", "", None, None, 1),
        ]
        found = results.summary([], findings)
        assert (found["fix"], found["look"], found["note"]) == (1, 0, 2)

    @given(shots())
    def test_it_adds_up(self, shot: Shot) -> None:
        made = document(shot)
        found, rows = made["summary"], made["joints"]
        severities = [each["severity"] for row in rows for each in row["findings"]]
        severities += [each["severity"] for each in made["findings"]]
        for severity in ("fix", "look", "note"):
            assert found[severity] == severities.count(severity)
        assert found["hinges"] == sum(row["kind"] == "hinge" for row in rows)
        assert found["clean_hinges"] <= found["hinges"]
        assert found["edit_keys_now"] == sum(row["edit_keys"] for row in rows)
        assert found["edit_keys_after"] <= found["edit_keys_now"]
