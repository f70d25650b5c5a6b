"""``hinge-audit check --changed-since``: what passed and is what it was is counted, and all else is checked."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import audit
from audit.formats import formats
from audit.gate import shots as gate_shots
from tests.cli.running import Command, Done, hinge_audit  # noqa: F401 (a fixture)
from tests.formats.gltf_making import Making, hinge

pytest.importorskip("duckdb", reason="needs the extra 'history'")

KEYS = "0 0 0 0 0 {0}\n0 0 0 0 12 {1}\n0 0 0 0 25 {2}\n0 0 0 0 31 {3}\n"
SHOT = """\
HIERARCHY
ROOT Mast
{{
  OFFSET 0 0 0
  CHANNELS 3 Zrotation Xrotation Yrotation
  JOINT Boom
  {{
    OFFSET 0 2 0
    CHANNELS 3 Zrotation Xrotation Yrotation
    End Site
    {{
      OFFSET 0 1 0
    }}
  }}
}}
MOTION
Frames: 4
Frame Time: 0.04
{keys}"""
CLEAN = SHOT.format(keys=KEYS.format(0, 0, 0, 0))
"""Nothing is found on it but a note, `clutter`."""

MESSY = SHOT.format(keys=KEYS.format(0, 12, 25, 31))
"""Something is to be looked at: `spread` and `twist` on Boom."""

WAIVER = """
[[waivers]]
joint = "Boom"
check = ["spread", "twist"]
reason = "locked"
who = "lead"
until = {until}
"""


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Return the names of the files that are read to be measured, as they are."""
    names: list[str] = []
    real = gate_shots.read_all

    def noted(path: str, skeleton: str | None) -> Any:
        names.append(Path(path).name)
        return real(path, skeleton)

    monkeypatch.setattr(gate_shots, "read_all", noted)
    return names


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a working folder with a delivery of three clean shots in it."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "delivery").mkdir()
    for blank, name in enumerate("abc"):
        # One blank line more each: other bytes, the same motion.
        (tmp_path / "delivery" / f"{name}.bvh").write_text(CLEAN + "\n" * blank)
    return tmp_path / "delivery"


Check = Callable[..., tuple[Done, list[str], dict[str, Any]]]


@pytest.fixture
def check(hinge_audit: Command, measured: list[str]) -> Check:  # noqa: F811
    """Return a function that checks and returns how that ended, what was measured, and the summary."""

    def call(*words: object, paths: str = "delivery") -> tuple[Done, list[str], dict[str, Any]]:
        measured.clear()
        done = hinge_audit("check", paths, "--no-cache", "--format", "json", *words)
        summary = json.loads(done.out)["summary"] if done.out else {}
        return done, list(measured), summary

    return call


def recorded(*words: object) -> list[object]:
    return ["--record", "record", *words]


SINCE = ["--changed-since", "record"]


def test_where_nothing_changed_nothing_is_measured(folder: Path, check: Check) -> None:
    done, names, summary = check(*recorded())
    assert (done.code, names, summary["unchanged"]) == (0, ["a.bvh", "b.bvh", "c.bvh"], None)
    done, names, summary = check(*SINCE)
    assert (done.code, done.err, names) == (0, "", [])
    assert (summary["files"], summary["shots"], summary["unchanged"]) == (0, 0, 3)
    assert (summary["passes"], summary["fail_on"]) == (True, ["fix"])
    assert check(*SINCE)[0].out == done.out  # and the same bytes


def test_times_of_change_do_not_matter(folder: Path, check: Check) -> None:
    check(*recorded())
    for path in folder.iterdir():
        path.write_bytes(path.read_bytes())
    assert check(*SINCE)[1] == []


def test_one_byte_changed_and_that_file_is_measured(folder: Path, check: Check) -> None:
    check(*recorded())
    path = folder / "b.bvh"
    stamp = path.stat()
    path.write_text(path.read_text().replace("0 0 0 0 25 0", "0 0 0 0 26 0"))
    # Not even where somebody sets its times back.
    os.utime(path, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
    done, names, summary = check(*SINCE)
    assert (done.code, names, summary["files"], summary["unchanged"]) == (0, ["b.bvh"], 1, 2)


def test_the_text_says_how_many(folder: Path, hinge_audit: Command) -> None:  # noqa: F811
    hinge_audit("check", "delivery", "--no-cache", *recorded())
    done = hinge_audit("check", "delivery", "--no-cache", *SINCE)
    assert done.out.splitlines()[-3:] == [
        "Checked 0 shots: 0 pass, 0 do not.",
        "Findings: 0 fix, 0 look, 0 note. Passed before, unchanged, and not checked again: 3 files.",
        "Passed: nothing to fix.",
    ]


def test_what_failed_then_is_checked_again_and_fails(folder: Path, check: Check) -> None:
    (folder / "b.bvh").write_text(MESSY)
    (folder / "c.bvh").write_text(CLEAN[:200])
    assert check(*recorded("--fail-on", "look"))[0].code == 3
    done, names, summary = check(*SINCE, "--fail-on", "look")
    assert (done.code, names) == (3, ["b.bvh", "c.bvh"])
    assert (summary["failing"], summary["unreadable"], summary["unchanged"]) == (1, 1, 1)
    (folder / "c.bvh").unlink()
    assert check(*SINCE, "--fail-on", "look")[0].code == 1


@pytest.mark.parametrize(
    "words",
    [
        ["--fail-on", "look"],
        ["--order", "XYZ"],
        ["--policy", "other.toml"],
        ["--baseline", "findings.parquet"],
    ],
)
def test_with_other_options_all_is_checked_again(
    folder: Path, check: Check, words: list[str]
) -> None:
    check(*recorded())
    Path("other.toml").write_text("# says nothing\n")
    findings = next(Path("record").glob("findings/*/*/*.parquet"))
    Path("findings.parquet").write_bytes(findings.read_bytes())
    assert len(check(*SINCE, *words)[1]) == 3
    # With the same ones again it is not.
    check(*recorded(*words))
    assert check(*SINCE, *words)[1] == []
    assert len(check(*SINCE)[1]) == 3  # the last run counts, and no earlier one


def test_with_another_version_all_is_checked_again(
    folder: Path, check: Check, monkeypatch: pytest.MonkeyPatch
) -> None:
    check(*recorded())
    monkeypatch.setattr("audit.batch.cache._program", lambda: "another")
    assert len(check(*SINCE)[1]) == 3


def test_another_content_of_the_policy_and_all_is_checked_again(folder: Path, check: Check) -> None:
    policy = folder / "policy.toml"
    policy.write_text('fail_on = "fix"\n')
    (folder / "b.bvh").write_text(MESSY)
    check(*recorded())
    assert check(*SINCE)[1] == []
    policy.write_text('fail_on = "look"\n')
    done, names, _ = check(*SINCE)
    assert (done.code, len(names)) == (1, 3)
    # Where it lies does not matter, what it says does.
    policy.write_text('fail_on = "fix"\n')
    policy.rename(folder.parent / "policy.toml")
    assert check(*SINCE)[1] == []


def test_a_waiver_that_ends_fails_what_it_let_pass(folder: Path, check: Check) -> None:
    (folder / "b.bvh").write_text(MESSY)
    policy = folder / "policy.toml"
    policy.write_text('fail_on = "look"\n' + WAIVER.format(until="9999-12-30"))
    assert check(*recorded())[0].code == 0
    done, names, summary = check(*SINCE)
    assert (done.code, names, summary["waived"], summary["unchanged"]) == (0, ["b.bvh"], 2, 2)
    # The day goes by, and not a byte changes.
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("audit.gate.verdicts.date", _Later)
        done, names, summary = check(*SINCE)
    assert (done.code, names, summary["failing"]) == (1, ["b.bvh"], 1)


class _Later:
    """A calendar on which the last day of that waiver has gone by."""

    @staticmethod
    def today() -> date:
        return date.max


@pytest.mark.parametrize("fail_on", ["fix", "look"])
def test_what_is_said_of_waivers_is_said_as_if_all_were_checked(
    folder: Path, check: Check, fail_on: str
) -> None:
    """One ended that covers a mere note, and one that is useless; both ask for a look."""
    ended = WAIVER.format(until="2020-01-01").replace('["spread", "twist"]', '"clutter"')
    ended = ended.replace('"Boom"', '"*"').replace("who", 'shots = "b"\nwho')
    policy = folder / "policy.toml"
    policy.write_text(ended + WAIVER.format(until="9999-12-31"))
    words = ["--fail-on", fail_on]
    first, _, _ = check(*recorded(*words))
    done, names, summary = check(*SINCE, *words)
    assert (names, summary["unchanged"]) == (["b.bvh"], 2)
    assert done.code == first.code == (fail_on == "look")
    assert json.loads(done.out)["waivers"] == json.loads(first.out)["waivers"]
    kinds = [each["check"] for each in json.loads(done.out)["waivers"]]
    assert kinds == ["ended-waiver", "useless-waiver"]


def test_a_useless_waiver_is_told_where_no_file_is_checked(folder: Path, check: Check) -> None:
    (folder / "policy.toml").write_text('fail_on = "look"\n' + WAIVER.format(until="9999-12-31"))
    assert check(*recorded())[0].code == 1
    done, names, summary = check(*SINCE)
    assert (done.code, names, summary["because"]) == (1, [], ["1 waiver ended or useless"])


def test_only_the_last_run_of_a_file_counts(folder: Path, check: Check) -> None:
    (folder / "b.bvh").write_text(MESSY)
    check(*recorded())
    check(*recorded("--fail-on", "look"))
    assert check(*SINCE)[1] == ["a.bvh", "b.bvh", "c.bvh"]
    assert check(*SINCE, "--fail-on", "look")[1] == ["b.bvh"]


def test_a_file_that_could_not_be_read_since_is_checked_again(
    folder: Path, check: Check, monkeypatch: pytest.MonkeyPatch
) -> None:
    check(*recorded())
    with monkeypatch.context() as patch:
        patch.setattr(gate_shots, "read_all", _fails_on_b)
        check(*recorded())
    assert check(*SINCE)[1] == ["b.bvh"]


def _fails_on_b(path: str, skeleton: str | None) -> Any:
    from audit.pipeline import read_all

    if path.endswith("b.bvh"):
        raise MemoryError
    return read_all(path, skeleton)


def test_another_show(folder: Path, check: Check) -> None:
    check(*recorded("--show", "harbour"))
    assert check(*SINCE, "--show", "harbour")[1] == []
    assert len(check(*SINCE, "--show", "pier")[1]) == 3
    assert check(*SINCE)[1] == []  # any show


def test_a_file_of_the_table_of_shots(folder: Path, check: Check) -> None:
    check(*recorded("--show", "harbour"))
    (file,) = Path("record").glob("shots/*/*/*.parquet")
    assert check("--changed-since", file)[1] == []
    # That of a run which checked little knows the others as well.
    (folder / "b.bvh").write_text(CLEAN + "\n\n\n\n")
    check(*recorded("--show", "harbour", *SINCE))
    (newest,) = set(Path("record").glob("shots/*/*/*.parquet")) - {file}
    assert check("--changed-since", newest)[1] == []


def test_a_record_of_before_counts_as_changed(folder: Path, check: Check) -> None:
    check(*recorded())
    (file,) = Path("record").glob("shots/*/*/*.parquet")
    table = pq.ParquetFile(file).read()
    pq.write_table(table.drop_columns(["path", "passed_under", "read_beside"]), file)
    assert len(check(*SINCE)[1]) == 3
    assert len(check("--changed-since", file)[1]) == 3


def test_a_renamed_file_is_unchanged(folder: Path, check: Check) -> None:
    check(*recorded())
    (folder / "b.bvh").rename(folder / "z.bvh")
    done, names, summary = check(*SINCE)
    assert (done.code, names, summary["unchanged"]) == (0, [], 3)
    # As another kind of file it is looked at again, and so is one whose name a waiver may ask for.
    (folder / "z.bvh").rename(folder / "z.dat")
    assert check(*SINCE, paths="delivery/z.dat")[1] == ["z.dat"]
    shots = WAIVER.format(until="9999-12-31") + 'shots = "z"\n'
    (folder / "policy.toml").write_text(shots)
    check(*recorded())
    (folder / "a.bvh").rename(folder / "y.bvh")
    assert check(*SINCE)[1] == ["y.bvh"]


def test_a_baseline_knows_names_so_they_matter_with_one(folder: Path, check: Check) -> None:
    (folder / "b.bvh").write_text(MESSY)
    check("--record", "first")
    words = ["--fail-on", "look", "--baseline", "first"]
    assert check(*recorded(*words))[0].code == 0
    assert check(*SINCE, *words)[1] == []
    (folder / "b.bvh").rename(folder / "d.bvh")
    done, names, _ = check(*SINCE, *words)
    assert (done.code, names) == (1, ["d.bvh"])


def test_a_record_that_is_its_own_baseline_comes_to_rest(folder: Path, check: Check) -> None:
    (folder / "b.bvh").write_text(MESSY)
    check(*recorded())
    words = ["--baseline", "record", *SINCE, "--record", "record"]
    assert len(check(*words)[1]) == 3  # held against no baseline before
    assert check(*words)[1] == []
    (folder / "a.bvh").write_text(MESSY + "\n")
    assert check(*words)[1] == ["a.bvh"]
    assert check(*words)[1] == ["a.bvh"]  # its own findings are known now, and were new before
    assert check(*words)[1] == []


def test_with_a_record_the_next_run_knows_it_as_well(folder: Path, check: Check) -> None:
    check(*recorded())
    for _ in range(2):
        assert check(*recorded(*SINCE))[1] == []
    (folder / "b.bvh").write_text(MESSY)
    assert check(*recorded(*SINCE, "--fail-on", "look"))[0].code == 1
    assert check(*recorded(*SINCE, "--fail-on", "look"))[1] == ["b.bvh"]
    from audit.history import History

    with History(Path("record")) as history:
        assert [row["shot"] for row in history.never_passed().dicts()] == []
        (row,) = history.trend().dicts()
        assert (row["shots"], row["passed"]) == (3, 2)
        status = history.ask("select distinct status from shots order by all").rows
        assert status == [("failed",), ("passed",)]


def test_a_file_beside_it_that_changed(folder: Path, check: Check) -> None:
    making = hinge(Making())
    for name in ("one", "two"):
        text = json.dumps(making.finished(uri="keys.bin"))
        (folder / name).mkdir()
        (folder / name / "keys.bin").write_bytes(bytes(making.data))
        (folder / name / f"{name}.gltf").write_text(text)
    words = ["--fail-on", "never"]
    check(*recorded(*words))
    assert check(*SINCE, *words)[1] == []
    data = bytearray(making.data)
    data[-1] ^= 1
    (folder / "one" / "keys.bin").write_bytes(bytes(data))
    assert check(*SINCE, *words)[1] == ["one.gltf"]
    (folder / "one" / "keys.bin").unlink()
    done, names, _ = check(*SINCE, *words)
    assert (done.code, names) == (3, ["one.gltf"])


@pytest.fixture
def takes(folder: Path) -> Path:
    """Return a file of two shots: one is clean, and on the other there is something to look at."""
    shots = []
    for name, text in (("clean", CLEAN), ("messy", MESSY)):
        path = folder / f"{name}.bvh"
        path.write_text(text)
        shot = audit.read(path)
        shots.append(replace(shot, source=shot.source.shot_named(name)))
    for path in folder.iterdir():
        path.unlink()
    ((name, data),) = formats()["gltf"].write(shots, "takes.glb").items()
    (folder / name).write_bytes(data)
    return folder / name


def test_a_file_of_several_shots_passed_where_all_of_them_did(takes: Path, check: Check) -> None:
    _, _, summary = check(*recorded("--fail-on", "look"))
    assert (summary["shots"], summary["failing"]) == (2, 1)
    assert check(*SINCE, "--fail-on", "look")[1] == ["takes.glb"]
    (file,) = Path("record").glob("shots/*/*/*.parquet")
    assert check("--changed-since", file, "--fail-on", "look")[1] == ["takes.glb"]
    check(*recorded())
    done, names, summary = check(*SINCE)
    assert (done.code, names, summary["unchanged"]) == (0, [], 1)


def test_a_file_of_several_shots_that_could_not_be_read_since(
    takes: Path, check: Check, monkeypatch: pytest.MonkeyPatch
) -> None:
    check(*recorded())
    with monkeypatch.context() as patch:
        patch.setattr(gate_shots, "read_all", _fails)
        assert check(*recorded())[0].code == 3
    assert check(*SINCE)[1] == ["takes.glb"]


def _fails(path: str, skeleton: str | None) -> Any:
    raise MemoryError


def test_a_cache_still_hears_of_the_files_beside(folder: Path, hinge_audit: Command) -> None:  # noqa: F811
    making = hinge(Making())
    (folder / "keys.bin").write_bytes(bytes(making.data))
    (folder / "one.gltf").write_text(json.dumps(making.finished(uri="keys.bin")))
    words = ["check", "delivery/one.gltf", "--cache", "cache", "--fail-on", "never"]
    assert hinge_audit(*words).code == 0
    (folder / "keys.bin").unlink()
    assert hinge_audit(*words).code == 3


def test_a_skeleton_that_is_apart(folder: Path, check: Check) -> None:
    made = formats()["acclaim"].sample()
    motion, skeleton = made.data, made.skeleton.data
    for path in folder.iterdir():
        path.unlink()
    (folder / "shot.amc").write_bytes(motion)
    apart = Path("rig.asf")
    apart.write_bytes(skeleton)
    words = ["--skeleton", apart, "--fail-on", "never"]
    assert check(*recorded(*words))[0].code == 0
    assert check(*SINCE, *words)[1] == []
    apart.write_bytes(skeleton + b"\n")
    assert check(*SINCE, *words)[1] == ["shot.amc"]
    apart.unlink()
    assert check(*SINCE, *words)[0].code == 3


def test_a_run_that_is_resumed(folder: Path, check: Check) -> None:
    check(*recorded())
    (folder / "b.bvh").write_text(MESSY)
    words = [*SINCE, "--out", "out", "-q"]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("audit.gate.verdicts._Judge.file", _stopped)
        assert check(*words)[0].code == 130
    done, names, _ = check(*words, "--resume")
    # What is in the journal is not measured, and what is unchanged is none of its business.
    assert (done.code, names) == (0, [])
    summary = json.loads(Path("out/check.json").read_text())["summary"]
    assert (summary["files"], summary["unchanged"]) == (1, 2)


def _stopped(judge: object, verdict: object) -> None:
    raise KeyboardInterrupt


def test_with_workers(folder: Path, check: Check) -> None:
    check(*recorded())
    (folder / "b.bvh").write_text(MESSY)
    done, _, summary = check(*SINCE, "--workers", 2)
    assert (done.code, summary["files"], summary["unchanged"]) == (0, 1, 2)
    assert done.out == check(*SINCE, "--workers", 1)[0].out


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("none", "is no file and no record"),
        ("delivery", "holds no record"),
        ("delivery/a.bvh", "is no Parquet file of shots"),
        ("other.parquet", "lacks the columns run, recorded_at, sha256, status"),
    ],
)
def test_what_is_no_record(folder: Path, check: Check, path: str, words: str) -> None:
    pq.write_table(pa.table({"file": ["a.bvh"]}), "other.parquet")
    done, names, _ = check("--changed-since", path)
    assert (done.code, names) == (3, [])
    assert words in done.err


def test_a_verdict_tells_what_was_read_beside_it(folder: Path) -> None:
    from audit.batch import Gate, Ways
    from audit.gate import HeldPolicies, Options

    (folder / "policy.toml").write_text('fail_on = "look"\n')
    making = hinge(Making())
    (folder / "keys.bin").write_bytes(bytes(making.data))
    (folder / "one.gltf").write_text(json.dumps(making.finished(uri="keys.bin")))
    gate = Gate(Options(), HeldPolicies(Options()))
    first, other = gate.verdicts([str(folder / "one.gltf"), str(folder / "a.bvh")], Ways(1))
    assert [name for name, _ in first.beside] == ["keys.bin"]  # and not the policy
    assert other == replace(other, beside=())
