"""The command ``rest`` under a policy: the rules of ``check``, in text, JSON, page and sheet alike."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from audit.correction import write
from audit.rest.sample import figure
from audit.resting import rest_schema
from audit.sheet import read_sheet
from tests.cli.running import Command, Done, hinge_audit
from tests.cli.test_rest import BAD, moving, still
from tests.unit.test_files import tree

__all__ = ["hinge_audit"]

WAIVER = """
[[waivers]]
joint = "{joint}"
check = "{check}"
shots = "{shots}"
reason = "Locked until the trailer is out"
who = "lead rigger"
until = {until}
"""


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    """Return a broken rig, at rest, in a folder of its own."""
    path = tmp_path / "show" / "rigs" / "broken.glb"
    path.parent.mkdir(parents=True)
    write(still(figure(turned=BAD)), path)
    return path


@pytest.fixture
def policy(tmp_path: Path) -> Path:
    """Return where the policy of the show lies; nothing is there yet."""
    return tmp_path / "show" / "policy.toml"


def document(folder: Path) -> dict[str, Any]:
    """Return what stands in the JSON of a rig's folder."""
    found: dict[str, Any] = json.loads((folder / "rest.json").read_text("utf-8"))
    jsonschema.validate(found, dict(rest_schema()))
    return found


def looked_at(done: Done) -> dict[str, Any]:
    """Return what was printed with --json."""
    assert done.code in (0, 1), done.err
    found: dict[str, Any] = json.loads(done.out)
    jsonschema.validate(found, dict(rest_schema()))
    return found


def told(found: dict[str, Any]) -> dict[tuple[str, str | None], str]:
    """Return the severity of each finding by check and joint."""
    return {(each["check"], each["joint"]): each["severity"] for each in found["findings"]}


def test_limits_severities_and_what_is_off_hold_joint_by_joint(
    hinge_audit: Command, rig: Path, policy: Path, tmp_path: Path
) -> None:
    policy.write_text(
        """
        [checks.rest-bend-plane]
        off = 19.0
        [[joints]]
        match = "R_Thigh"
        checks.rest-aim.severity = "off"
        [[joints]]
        match = "R_Shin"
        checks.rest-bend-plane.off = 21.0
        [[joints]]
        match = "R_Forearm"
        checks.rest-mirror.severity = "note"
        """
    )
    words = ("rest", rig, "--json", "--replace", "--out", tmp_path / "out")
    found = looked_at(hinge_audit(*words))
    assert told(found) == {
        ("rest-midline-twist", "Neck"): "fix",
        ("rest-bend-plane", "L_Shin"): "fix",
        ("rest-aim", "L_Thigh"): "fix",
        ("rest-mirror", "R_Forearm"): "note",
    }
    limits = {each["check"]: each["limit"] for each in found["findings"]}
    own = {each["check"]: each["own_severity"] for each in found["findings"]}
    assert (limits["rest-bend-plane"], own["rest-mirror"]) == (19.0, "fix")
    assert found["settings"]["checks"]["rest-bend-plane"] == {"off": 19.0}
    assert found["settings"]["policy"]["file"] == str(policy)
    policy.unlink()
    without = looked_at(hinge_audit(*words))
    assert len(without["findings"]) == 6
    assert without["settings"]["policy"] is None


def test_a_policy_that_says_nothing_of_a_rest_pose_changes_nothing(
    hinge_audit: Command, rig: Path, policy: Path, tmp_path: Path
) -> None:
    words = ("rest", rig, "--json", "--replace", "--out", tmp_path / "out")
    without = looked_at(hinge_audit(*words))
    policy.write_text("[checks.twist]\noffset = 3.0\n")
    under = looked_at(hinge_audit(*words))
    assert under["settings"]["policy"]["file"] == str(policy)
    assert {**under, "settings": 0} == {**without, "settings": 0}


@pytest.mark.parametrize("shots", ["*", "broken", "broken.glb", "rigs/broken.glb"])
def test_what_is_waived_is_told_last_and_counts_nowhere(
    hinge_audit: Command, rig: Path, policy: Path, tmp_path: Path, shots: str
) -> None:
    kinds = {"check": "rest-aim", "shots": shots, "until": "2999-12-31"}
    policy.write_text(WAIVER.format(joint="*_Thigh", **kinds))
    out = tmp_path / "out"
    done = hinge_audit("rest", rig, "--out", out)
    found = document(out / "broken-rest")
    counts = {name: found["summary"][name] for name in ("fix", "look", "note", "waived")}
    assert counts == {"fix": 4, "look": 0, "note": 0, "waived": 2}
    waiver = {
        "reason": "Locked until the trailer is out",
        "who": "lead rigger",
        "until": "2999-12-31",
        "line": 2,
    }
    assert [each["waiver"] for each in found["findings"]] == [None] * 4 + [waiver] * 2
    assert [each["joint"] for each in found["findings"][4:]] == ["L_Thigh", "R_Thigh"]
    said = "Waived until 2999-12-31: Locked until the trailer is out (lead rigger)"
    lines = [line for line in done.out.splitlines() if "  rest-" in line]
    assert [said in line for line in lines] == [False] * 4 + [True] * 2
    page = (out / "broken-rest" / "rest.html").read_text("utf-8")
    assert page.count(said) == 2


def test_text_page_and_json_say_the_same(
    hinge_audit: Command, rig: Path, policy: Path, tmp_path: Path
) -> None:
    policy.write_text(
        '[[joints]]\nmatch = "R_*"\nchecks.rest-aim.severity = "off"\n'
        'checks.rest-mirror.severity = "look"\n'
        + WAIVER.format(joint="Neck", check="rest-midline-twist", shots="*", until="2999-12-31")
    )
    out = tmp_path / "out"
    done = hinge_audit("rest", rig, "--out", out)
    found = document(out / "broken-rest")
    page = (out / "broken-rest" / "rest.html").read_text("utf-8")
    held = f"Looked at under the policy {policy}, which waives 1 finding."
    assert held in done.out
    assert held in page
    title = "3 things to fix in the rest pose, and 1 to look at."
    assert title in done.out
    assert f"<h1>{title}</h1>" in page
    lines = [line for line in done.out.splitlines() if "  rest-" in line]
    assert [line.split()[:3] for line in lines] == [
        [str(each["number"]), each["severity"], each["check"]] for each in found["findings"]
    ]
    assert page.count('<tr id="finding-') == len(found["findings"]) == 5


def test_a_waiver_works_until_its_last_day(
    hinge_audit: Command, rig: Path, policy: Path, tmp_path: Path
) -> None:
    policy.write_text(WAIVER.format(joint="*", check="rest-aim", shots="*", until="2020-12-31"))
    found = looked_at(hinge_audit("rest", rig, "--json", "--out", tmp_path / "out"))
    assert (found["summary"]["fix"], found["summary"]["waived"]) == (6, 0)


def test_the_exit_code_goes_by_what_counts(
    hinge_audit: Command, rig: Path, policy: Path, tmp_path: Path
) -> None:
    words = ("rest", rig, "--out", tmp_path / "out", "--replace", "-q")
    names = ("rest-aim", "rest-bend-plane", "rest-midline-twist", "rest-mirror")
    waivers = [
        WAIVER.format(joint="*", check=name, shots="*", until="2999-12-31") for name in names
    ]
    policy.write_text("".join(waivers[:3]))
    assert hinge_audit(*words, "--fail-on", "fix").code == 1
    policy.write_text("".join(waivers))
    assert hinge_audit(*words, "--fail-on", "look").code == 0
    # What the policy asks of `check` is not asked here: 0 unless --fail-on says otherwise.
    policy.write_text('fail_on = "fix"\n')
    assert hinge_audit(*words).code == 0


def test_the_policy_that_is_named_goes_before_the_nearest_one(
    hinge_audit: Command, rig: Path, policy: Path, tmp_path: Path
) -> None:
    policy.write_text('[checks.rest-aim]\nseverity = "off"\n')
    other = tmp_path / "other.toml"
    other.write_text('[checks.rest-mirror]\nseverity = "off"\n')
    words = ("rest", rig, "--json", "--out", tmp_path / "out", "--policy", other)
    found = looked_at(hinge_audit(*words))
    assert found["settings"]["policy"]["file"] == str(other)
    assert {check for check, _ in told(found)} == {
        "rest-aim",
        "rest-bend-plane",
        "rest-midline-twist",
    }


def test_a_policy_with_mistakes_is_refused_before_any_work(
    hinge_audit: Command, rig: Path, policy: Path, tmp_path: Path
) -> None:
    policy.write_text("[checks.rest-ami]\naim = 1.0\n")
    before = tree(tmp_path)
    done = hinge_audit("rest", rig, "--out", tmp_path / "out")
    assert done.code == 2
    assert "Did you mean 'rest-aim'?" in done.err
    missing = hinge_audit("rest", rig, "--out", tmp_path / "out", "--policy", tmp_path / "none")
    assert missing.code == 2
    assert tree(tmp_path) == before


def test_the_sheet_leaves_alone_what_is_off_waived_or_within_the_limits(
    hinge_audit: Command, rig: Path, policy: Path, tmp_path: Path
) -> None:
    policy.write_text(
        """
        [[joints]]
        match = "L_Thigh"
        checks.rest-aim.severity = "off"
        [[joints]]
        match = "R_Thigh"
        checks.rest-aim.aim = 3.5
        """
        + WAIVER.format(joint="Neck", check="rest-midline-twist", shots="*", until="2999-12-31")
    )
    sheet = tmp_path / "offsets.csv"
    done = hinge_audit("rest", rig, "--out", tmp_path / "out", "--fix", sheet)
    assert done.code == 0
    rows = {row.joint: row for row in read_sheet(sheet.read_bytes(), str(sheet)).rows}
    assert {name for name, row in rows.items() if row.turns} == {"L_Shin", "R_Shin", "R_Forearm"}
    left_alone = {
        name
        for name, row in rows.items()
        if row.reason == "the policy asks for no turn of its axes"
    }
    assert left_alone == {"L_Thigh", "R_Thigh", "Neck"}
    assert document(tmp_path / "out" / "broken-rest")["summary"]["axes_to_turn"] == 3


def test_check_finds_the_same_under_the_same_policy(
    hinge_audit: Command, rig: Path, policy: Path, tmp_path: Path
) -> None:
    """With motion, too: how a knee works is measured with the policy's settings in both."""
    walk = rig.with_name("walk.glb")
    write(moving(figure(turned=BAD)), walk)
    policy.write_text(
        """
        [measures]
        hinge_share = 0.99
        [checks.rest-aim]
        aim = 2.5
        severity = { fix = "fix" }
        [checks.rest-mirror]
        severity = "raise"
        [checks.rest-midline-twist]
        severity = "note"
        [[joints]]
        match = "R_*"
        checks.rest-bend-plane.severity = "off"
        """
        + WAIVER.format(joint="R_Thigh", check="rest-aim", shots="*", until="2999-12-31")
    )
    for path in (rig, walk):
        at_rest = looked_at(hinge_audit("rest", path, "--json", "--out", tmp_path / path.stem))
        done = hinge_audit("check", path, "--format", "json", "--no-cache", "--quiet")
        (file,) = json.loads(done.out)["files"]
        gated = [each for each in file["shots"][0]["findings"] if each["check"].startswith("rest-")]

        def key(each: dict[str, Any]) -> tuple[Any, ...]:
            fields = ("check", "joint", "message", "value", "limit", "own_severity")
            waived = each["waiver"] is not None
            return (*(each[name] for name in fields), waived)

        assert {key(each) for each in at_rest["findings"]} == {key(each) for each in gated}
        assert len(gated) >= 4
        spoken = {"rest-aim", "rest-mirror", "rest-midline-twist"}
        by_policy = told({"findings": [each for each in gated if each["check"] in spoken]})
        assert by_policy.items() <= told(at_rest).items()


def test_each_rig_has_the_policy_of_its_own_folder(
    hinge_audit: Command, rig: Path, policy: Path, tmp_path: Path
) -> None:
    policy.write_text('[checks.rest-aim]\nseverity = "off"\n')
    elsewhere = tmp_path / "elsewhere" / "broken.glb"
    elsewhere.parent.mkdir()
    elsewhere.write_bytes(rig.read_bytes())
    done = hinge_audit("rest", rig, elsewhere, "--json", "--out", tmp_path / "out")
    held = [each["settings"]["policy"] for each in json.loads(done.out)]
    assert held[0]["file"] == str(policy)
    assert held[1] is None
