"""Every output format: what it says, that it keeps to its schema, and that hostile names do no harm."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from jsonschema import Draft202012Validator

from audit.gate import (
    FileVerdict,
    News,
    Options,
    ShotVerdict,
    UnchangedFile,
    check_file,
    collect,
    output_formats,
)
from audit.gate.formats.json_document import schema
from audit.gate.formats.sarif import uri_of
from tests.unit.gate.making import POLICY, USELESS, WAIVED, demo_folder, failed, row, verdict

ALL = sorted(output_formats())
HOSTILE = 'a"<&\n\x00\x1b\u202e\ud800\ufffe,=;é'
TODAY = date(2026, 3, 1)


def written(
    name: str,
    verdicts: Sequence[FileVerdict | UnchangedFile],
    fail_on: str | None = "fix",
    **others: Any,
) -> bytes:
    """Return a run in a format."""
    sink = io.BytesIO()
    collect(verdicts, fail_on, [output_formats()[name].writer(sink)], today=TODAY, **others)
    return sink.getvalue()


def by_severity(shot: ShotVerdict) -> list[News]:
    """Say of findings to fix that they are new, of notes that they are known, of others that they are worse."""
    kinds: dict[str, News] = {"fix": "new", "look": "worse", "note": "known"}
    return [kinds[each.severity] for each in shot.findings]


UNCHANGED = UnchangedFile("shots/same.bvh", "d" * 64, None, "e" * 64)


@pytest.fixture(scope="module")
def verdicts(tmp_path_factory) -> list[FileVerdict]:
    """Return verdicts on the demo's shots under a policy, a bad file and one that was too much."""
    folder = demo_folder(tmp_path_factory.mktemp("shots"))
    (folder / "policy.toml").write_text(POLICY)
    real = [check_file(str(path), Options()) for path in sorted(folder.glob("*.bvh"))]
    return [failed(), failed("shots/odd.bvh", "fault"), *real]


def test_the_formats_are_found() -> None:
    assert ALL == ["csv", "json", "junit", "sarif", "text"]
    assert len({each.file for each in output_formats().values()}) == len(ALL)


@pytest.mark.parametrize("name", ALL)
def test_the_same_run_gives_the_same_bytes(name: str, verdicts: list[FileVerdict]) -> None:
    first = written(name, verdicts)
    assert first == written(name, verdicts)
    assert first.endswith(b"\n")
    first.decode("utf-8")


@pytest.mark.parametrize("name", ALL)
@pytest.mark.parametrize("fail_on", ["fix", "never"])
def test_an_empty_run_is_well_formed(name: str, fail_on: str) -> None:
    assert written(name, [], fail_on)


def hostile() -> list[FileVerdict]:
    """Return verdicts in which every name is made to break something."""
    path = f"shots/{HOSTILE}.bvh"
    return [
        verdict(row(joint=HOSTILE, message=f"Turn {HOSTILE}"), path=path),
        failed(f"b{path}"),
        verdict(row("look", joint="=1+1", message="=1+1"), path="c.bvh"),
    ]


@pytest.mark.parametrize("name", ALL)
def test_hostile_names_stay_names(name: str) -> None:
    data = written(name, hostile())
    text = data.decode("utf-8")
    if name == "text":
        assert len(text.splitlines()) == 7
        assert "\x1b" not in text
        assert "\u202e" not in text
    elif name == "csv":
        rows = list(csv.DictReader(io.StringIO(text, newline="")))
        assert len(rows) == 3
        assert rows[2]["joint"] == "'=1+1"
    elif name == "junit":
        assert len(ElementTree.fromstring(data).findall(".//testcase")) == 3
    else:
        assert HOSTILE in json.dumps(json.loads(text), ensure_ascii=False).replace(
            "\\n", "\n"
        ).replace('\\"', '"').replace("\\u0000", "\x00").replace("\\u001b", "\x1b")


class TestText:
    def test_the_worst_shot_comes_first_and_the_result_last(self) -> None:
        lines = written(
            "text",
            [
                verdict(row("look"), path="a.bvh"),
                verdict(row(), path="b.bvh"),
                verdict(row(), row(joint="R_Knee"), path="c.bvh"),
                verdict(row("note", joint=None), path="d.bvh"),
                failed("e.bvh"),
            ],
        ).decode()
        shown = lines.splitlines()
        assert [line.split(":")[0] for line in shown[:4]] == ["e.bvh", "c.bvh", "b.bvh", "a.bvh"]
        assert shown[1] == "c.bvh: FAILS, 2 fix: twist L_Knee, R_Knee"
        assert shown[0] == "e.bvh: line 3: ends too soon. Write it again"
        assert shown[-3:] == [
            "Checked 4 shots: 2 pass, 2 do not. Not checked: 1 file.",
            "Findings: 3 fix, 1 look, 1 note. Not listed: 1 shot with notes or waived findings only.",
            "Failed: 1 file could not be read or used; 2 shots have findings to fix.",
        ]

    def test_a_run_that_passes_says_what_it_passed(self) -> None:
        assert written("text", [verdict()]).decode().splitlines()[-1] == "Passed: nothing to fix."
        assert "fail on never" in written("text", [verdict(row())], "never").decode()

    def test_many_joints_are_counted(self) -> None:
        rows = [row(joint=f"J{number}") for number in range(9)]
        assert "twist J0, J1, J2, J3 and 5 more" in written("text", [verdict(*rows)]).decode()


class TestJson:
    @pytest.mark.parametrize("fail_on", ["fix", "look", "never", None])
    def test_it_keeps_to_its_schema(self, verdicts: list[FileVerdict], fail_on: str | None) -> None:
        Draft202012Validator.check_schema(dict(schema()))
        document = json.loads(written("json", verdicts, fail_on))
        Draft202012Validator(dict(schema())).validate(document)

    def test_with_a_baseline_and_unchanged_files(self, verdicts: list[FileVerdict]) -> None:
        text = written(
            "json", [*verdicts, UNCHANGED], baseline=by_severity, unchanged=lambda _: None
        )
        document = json.loads(text)
        Draft202012Validator(dict(schema())).validate(document)
        found = [
            each
            for file in document["files"]
            for shot in file["shots"]
            for each in shot["findings"]
        ]
        told = {(each["severity"], each["since_baseline"]) for each in found}
        assert told == {("fix", "new"), ("look", "worse")}
        assert (document["summary"]["unchanged"], document["summary"]["files"]) == (1, 5)
        assert "same.bvh" not in text.decode()
        before = json.loads(written("json", verdicts))
        assert before["summary"]["unchanged"] is None
        (first, *_) = before["files"][2]["shots"][0]["findings"]
        assert first["since_baseline"] is None

    def test_its_figures_are_those_of_the_run(self, verdicts: list[FileVerdict]) -> None:
        document = json.loads(written("json", verdicts))
        shots = [shot for file in document["files"] for shot in file["shots"]]
        summary = document["summary"]
        assert summary["files"] == len(document["files"]) == 5
        for name in ("fix", "look", "note", "waived"):
            assert summary[name] == sum(shot[name] for shot in shots) > 0
        assert summary["failing"] == sum(not shot["passes"] for shot in shots) == 2
        assert (summary["exit_code"], summary["unreadable"], summary["faults"]) == (70, 1, 1)
        waived = [each for shot in shots for each in shot["findings"] if each["waiver"]]
        assert {each["joint"] for each in waived} == {"L_Knee"}
        assert [each["line"] for each in document["waivers"]] == [USELESS]

    def test_a_schema_that_is_broken_is_noticed(self, verdicts: list[FileVerdict]) -> None:
        document = json.loads(written("json", verdicts))
        document["files"][2]["shots"][0]["findings"][0]["severity"] = "grave"
        assert not Draft202012Validator(dict(schema())).is_valid(document)


class TestCsv:
    def test_one_row_a_finding(self, verdicts: list[FileVerdict]) -> None:
        rows = list(csv.DictReader(io.StringIO(written("csv", verdicts).decode(), newline="")))
        findings = sum(len(shot.findings) for each in verdicts for shot in each.shots)
        assert len(rows) == findings + 2 + 1
        assert [each["check"] for each in rows[:2]] == ["unreadable", "fault"]
        assert rows[-1]["line"] == str(USELESS)
        assert {each["waived_because"] for each in rows if each["waived_because"]} == {
            "locked (lead, until 2026-03-31)"
        }

    def test_what_each_finding_is_beside_the_baseline(self, verdicts: list[FileVerdict]) -> None:
        def told(**others: Any) -> set[tuple[str, str]]:
            text = written("csv", verdicts, **others).decode()
            rows = csv.DictReader(io.StringIO(text, newline=""))
            return {
                (each["severity"], each["since_baseline"])
                for each in rows
                if each["check"] not in ("unreadable", "fault", "useless-waiver")
            }

        assert told(baseline=by_severity) == {("fix", "new"), ("look", "worse")}
        assert told() == {("fix", ""), ("look", ""), ("note", "")}


class TestJunit:
    def test_unchanged_files_are_counted_in_words(self) -> None:
        data = written("junit", [verdict(), UNCHANGED], unchanged=lambda _: None)
        (suite,) = ElementTree.fromstring(data)
        assert [case.get("classname") for case in suite.findall("testcase")] == ["shots/walk.bvh"]
        assert suite.findtext("system-out") == (
            "Passed before, unchanged, and not checked again: 1 file\n"
        )
        (suite,) = ElementTree.fromstring(written("junit", [verdict()]))
        assert suite.findtext("system-out") == ""

    def test_one_case_a_shot_and_counts_that_hold(self, verdicts: list[FileVerdict]) -> None:
        suites = ElementTree.fromstring(written("junit", verdicts))
        (suite,) = suites
        cases = suite.findall("testcase")
        assert int(suite.get("tests")) == len(cases) == 6
        assert int(suite.get("failures")) == len(suite.findall("testcase/failure")) == 2
        assert int(suite.get("errors")) == len(suite.findall("testcase/error")) == 2
        names = [case.get("name") for case in cases]
        assert len(set(zip(names, [case.get("classname") for case in cases], strict=True))) == 6

    def test_it_is_the_same_whether_it_waits_in_memory_or_not(self, monkeypatch) -> None:
        many = [verdict(row(), path=f"{number}.bvh") for number in range(50)]
        first = written("junit", many)
        monkeypatch.setattr("audit.gate.formats.junit.IN_MEMORY", 64)
        assert written("junit", many) == first


class TestSarif:
    def test_waived_findings_are_suppressed(self, verdicts: list[FileVerdict]) -> None:
        (run,) = json.loads(written("sarif", verdicts))["runs"]
        suppressed = [each for each in run["results"] if each.get("suppressions")]
        (location,) = suppressed[0]["locations"][0]["logicalLocations"]
        assert location["name"] == "L_Knee"
        assert suppressed[0]["suppressions"][0]["justification"].startswith("locked (lead")

    def test_with_a_baseline_each_result_says_what_it_is(self, verdicts: list[FileVerdict]) -> None:
        (run,) = json.loads(written("sarif", verdicts, baseline=by_severity))["runs"]
        states = {(each["level"], each["baselineState"]) for each in run["results"]}
        # What is said of a waiver, and of a file that was not read, is in no earlier run: new.
        assert states == {("error", "new"), ("warning", "updated"), ("warning", "new")}
        (said,) = [each for each in run["results"] if each["ruleId"] == "useless-waiver"]
        assert (said["level"], said["baselineState"]) == ("warning", "new")
        (run,) = json.loads(written("sarif", verdicts))["runs"]
        assert not any("baselineState" in each for each in run["results"])
        assert "properties" not in run["invocations"][0]

    def test_unchanged_files_are_counted(self) -> None:
        text = written("sarif", [verdict(), UNCHANGED], unchanged=lambda _: None)
        (run,) = json.loads(text)["runs"]
        assert run["invocations"][0]["properties"] == {"unchangedFiles": 1}
        assert run["results"] == []

    def test_each_result_points_to_its_rule(self, verdicts: list[FileVerdict]) -> None:
        (run,) = json.loads(written("sarif", verdicts))["runs"]
        rules = run["tool"]["driver"]["rules"]
        assert all(rules[each["ruleIndex"]]["id"] == each["ruleId"] for each in run["results"])
        assert {each["level"] for each in run["results"]} == {"error", "warning", "note"}

    def test_checks_of_a_rest_pose_have_rules_with_their_pages(self) -> None:
        found = row("look", check="rest-mirror", own_severity="fix")
        (run,) = json.loads(written("sarif", [verdict(found)]))["runs"]
        (result,) = run["results"]
        rule = run["tool"]["driver"]["rules"][result["ruleIndex"]]
        assert (rule["id"], result["level"]) == ("rest-mirror", "warning")
        assert "## What it finds" in rule["help"]["markdown"]

    def test_what_a_policy_itself_asks_for_has_rules_with_their_pages(self) -> None:
        (run,) = json.loads(written("sarif", [verdict(row("look", check="expected-hinge"))]))[
            "runs"
        ]
        rules = {each["id"]: each for each in run["tool"]["driver"]["rules"]}
        rule = rules["expected-hinge"]
        assert rule["help"]["markdown"].startswith("# expected-hinge\n\n")

    def test_fingerprints_are_single_and_outlive_other_numbers(self) -> None:
        def prints(*findings) -> list[str]:
            (run,) = json.loads(written("sarif", [verdict(*findings)]))["runs"]
            return [next(iter(each["partialFingerprints"].values())) for each in run["results"]]

        first = prints(row(), row(joint="R_Knee"), row(check="spread"))
        assert len(set(first)) == 3
        assert prints(row(value=12.0, message="other"))[0] == first[0]

    @pytest.mark.parametrize(
        ("path", "uri"),
        [
            ("shots/walk left.bvh", "shots/walk%20left.bvh"),
            ("shots/é#1%.bvh", "shots/%C3%A9%231%25.bvh"),
            ("a:b.bvh", "a%3Ab.bvh"),
            ("/show/a b.bvh", "file:///show/a%20b.bvh"),
            ("odd\udcff.bvh", "odd%FF.bvh"),
        ],
    )
    def test_paths_as_uris(self, path: str, uri: str) -> None:
        assert uri_of(path) == uri


def test_waived_lines_are_those_of_the_policy(verdicts: list[FileVerdict]) -> None:
    lines = {
        line
        for each in verdicts
        for shot in each.shots
        for found in shot.findings
        for line in found.waivers
    }
    assert lines == {WAIVED}
    assert Path(verdicts[-1].policy).name == "policy.toml"
