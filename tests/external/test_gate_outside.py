"""The output formats of ``check`` held against their published schemas, and read by other people's readers.

| what | held against |
|---|---|
| SARIF | the OASIS schema ``sarif-schema-2.1.0.json``, as it lies in the package ``schemastore`` (Apache-2.0) |
| JUnit XML | the schema ``junit-10.xsd`` of Jenkins's xunit plug-in (MIT, G. Boissinot 2014; a copy with its licence lies in ``tests/unit/gate``, taken from pytest's source archive, which tests its own output by it); the reader ``junitparser`` (Apache-2.0) |
| CSV | ``pandas.read_csv`` |
| policies | TOML 1.0's own example file (toml.io, from memory), read by ``tomllib`` |
"""  # noqa: E501

from __future__ import annotations

import io
import json
import sqlite3
import tomllib
from collections.abc import Callable, Mapping
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from jsonschema import Draft7Validator

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
from audit.policy.lines import key_lines
from tests.unit.gate.making import POLICY, demo_folder, failed, row, verdict

XSD = Path(__file__).parents[1] / "unit" / "gate" / "junit-10.xsd"
OASIS = (
    "https://raw.githubusercontent.com/oasis-tcs/sarif-spec/master/Schemata/sarif-schema-2.1.0.json"
)
ODD = 'a"<&\n\x00\x1b\ud800;é'


@pytest.fixture(scope="module")
def verdicts(tmp_path_factory) -> list[FileVerdict]:
    """Return verdicts of every kind: real shots under a policy, failures, odd names."""
    folder = demo_folder(tmp_path_factory.mktemp("shots"))
    (folder / "policy.toml").write_text(POLICY)
    real = [check_file(str(path), Options()) for path in sorted(folder.glob("*.bvh"))]
    odd = verdict(row("note", joint=ODD, message=f"Turn {ODD}"), path=f"{ODD}.bvh")
    return [failed(), failed("b.bvh", "fault"), *real, odd, verdict(path="clean.bvh")]


@pytest.fixture(scope="module")
def written(verdicts: list[FileVerdict]) -> Callable[[str], bytes]:
    """Return a function that writes the run in a format."""

    def write(name: str) -> bytes:
        sink = io.BytesIO()
        collect(verdicts, "fix", [output_formats()[name].writer(sink)], today=date(2026, 3, 1))
        return sink.getvalue()

    return write


@pytest.fixture(scope="session")
def sarif_schema(package_folder) -> Mapping[str, Any]:
    """Return the schema out of the package's store of answers, without running any of its code."""
    store = sqlite3.connect(
        f"file:{package_folder('schemastore') / 'cache.sqlite'}?mode=ro", uri=True
    )
    try:
        for (blob,) in store.execute("select value from responses"):
            data = bytes(blob)
            start, named = data.find(b"{\r\n"), data.find(OASIS.encode())
            if 0 <= start < named < start + 400:
                text = data[start:].decode("utf-8", "replace")
                schema, _ = json.JSONDecoder().raw_decode(text)
                assert schema["$id"] == OASIS
                return schema
    finally:
        store.close()
    pytest.skip("the package schemastore holds no SARIF schema")


def test_sarif_keeps_to_the_schema_of_the_standard(sarif_schema, written) -> None:
    document = json.loads(written("sarif"))
    assert document["$schema"] == OASIS
    # The schema asks for the formats "uri" and "date-time", which its draft leaves to the reader.
    errors = list(Draft7Validator(sarif_schema).iter_errors(document))
    assert [error.message for error in errors] == []
    assert len(document["runs"][0]["results"]) > 100


def test_sarif_with_a_baseline_keeps_to_it_as_well(sarif_schema, verdicts) -> None:
    def news(shot: ShotVerdict) -> list[News]:
        return ["new" if each.severity == "fix" else "worse" for each in shot.findings]

    sink = io.BytesIO()
    writers = [output_formats()["sarif"].writer(sink)]
    unchanged = UnchangedFile("same.bvh", "d" * 64, None, "e" * 64)
    collect([*verdicts, unchanged], "fix", writers, baseline=news, unchanged=lambda _: None)
    document = json.loads(sink.getvalue())
    validator = Draft7Validator(sarif_schema)
    assert [error.message for error in validator.iter_errors(document)] == []
    results = document["runs"][0]["results"]
    assert {each["baselineState"] for each in results} == {"new", "updated"}
    results[0]["baselineState"] = "worse"
    assert len(list(validator.iter_errors(document))) == 1


def test_the_schema_of_the_standard_finds_what_is_wrong(sarif_schema, written) -> None:
    document = json.loads(written("sarif"))
    del document["runs"][0]["tool"]["driver"]["name"]
    document["runs"][0]["results"][0]["level"] = "grave"
    document["runs"][0]["results"][1]["severity"] = "fix"
    assert len(list(Draft7Validator(sarif_schema).iter_errors(document))) == 3


def test_junit_keeps_to_a_published_schema(written) -> None:
    etree = pytest.importorskip("lxml.etree")
    schema = etree.XMLSchema(etree.parse(str(XSD)))
    document = etree.fromstring(written("junit"))
    assert schema.validate(document), schema.error_log
    document[0].attrib.pop("tests")
    assert not schema.validate(document)


def test_junit_is_read_as_it_was_meant(verdicts, written, tmp_path) -> None:
    junitparser = pytest.importorskip("junitparser")
    path = tmp_path / "check.junit.xml"
    path.write_bytes(written("junit"))
    suites = junitparser.JUnitXml.fromfile(str(path))
    (suite,) = list(suites)
    assert (suite.tests, suite.failures, suite.errors, suite.skipped) == (8, 2, 2, 0)
    results = {case.classname: [type(each).__name__ for each in case.result] for case in suite}
    messy = [each.path for each in verdicts if "messy" in each.path]
    assert all(results[path] == ["Failure"] for path in messy)
    assert results["shots/bad.bvh"] == results["b.bvh"] == ["Error"]
    assert results["clean.bvh"] == []


def test_csv_is_read_as_it_was_meant(verdicts, written) -> None:
    table = pd.read_csv(io.BytesIO(written("csv")), keep_default_na=False)
    findings = sum(len(shot.findings) for each in verdicts for shot in each.shots)
    assert len(table) == findings + 2 + 1
    assert set(table["severity"]) <= {"fix", "look", "note"}
    assert pd.to_numeric(table["value"], errors="coerce").notna().sum() > 100


EXAMPLE = """\
# This is a TOML document

title = "TOML Example"

[owner]
name = "Tom Preston-Werner"
dob = 1979-05-27T07:32:00-08:00

[database]
enabled = true
ports = [ 8000, 8001, 8002 ]
data = [ ["delta", "phi"], [3.14] ]
temp_targets = { cpu = 79.5, case = 72.0 }

[servers]

[servers.alpha]
ip = "10.0.0.1"
role = "frontend"

[servers.beta]
ip = "10.0.0.2"
role = "backend"
"""
"""The example on the front page of toml.io, from memory."""


def test_lines_in_the_example_of_the_standard() -> None:
    tomllib.loads(EXAMPLE)
    lines = key_lines(EXAMPLE)
    texts = EXAMPLE.splitlines()
    for place, line in lines.items():
        last = place[-1]
        if isinstance(last, str):
            assert last in texts[line - 1]
    assert lines["database", "data", 1, 0] == 12
    assert lines["servers", "beta", "role"] == 23
