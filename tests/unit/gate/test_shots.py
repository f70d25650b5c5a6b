"""From one path to a verdict."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest

import audit.gate.shots as module
from audit.demo import demo_shots
from audit.formats import formats
from audit.gate import Options, check_file, settings_digest
from audit.pipeline import examine, read
from audit.plugins import SEVERITIES
from audit.policy import PolicyError
from audit.rest_checks import rest_checks
from audit.resting import examine_rest
from tests.unit.gate.making import POLICY, USELESS, WAIVED, demo_folder


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a folder with the demo's shots."""
    return demo_folder(tmp_path / "shots")


def test_a_verdict_holds_what_is_found_and_nothing_large(folder: Path) -> None:
    path = str(folder / "wade_messy.bvh")
    verdict = check_file(path, Options())
    examined = examine(read(path))
    (shot,) = verdict.shots
    assert verdict.sha256 == examined.document["source"]["sha256"]
    assert (shot.joints, shot.hinges) == (
        examined.document["source"]["joints"],
        examined.document["summary"]["hinges"],
    )
    assert sorted(
        each.message for each in shot.findings if not each.check.startswith("rest-")
    ) == sorted(each.message for each in examined.findings)
    ranks = [SEVERITIES.index(each.severity) for each in shot.findings]
    assert ranks == sorted(ranks)
    assert shot.rows == ()
    assert len(pickle.dumps(verdict)) < 20_000


def test_the_rest_pose_is_worth_a_look_unless_the_policy_says_more(
    folder: Path, tmp_path: Path
) -> None:
    path = str(folder / "wade_messy.bvh")

    def at_rest() -> list[tuple[str, str, str]]:
        (shot,) = check_file(path, Options()).shots
        return [
            (each.check, each.severity, each.own_severity)
            for each in shot.findings
            if each.check.startswith("rest-")
        ]

    alone = examine_rest(path)
    found = at_rest()
    assert sorted((check, own) for check, _, own in found) == sorted(
        (each.check, each.severity) for each in alone.findings
    )
    assert {(severity, own) for _, severity, own in found} == {
        ("look", "fix"),
        ("look", "look"),
        ("note", "note"),
    }
    (tmp_path / "policy.toml").write_text(
        "[checks.rest-mirror]\nseverity = { fix = 'fix' }\n"
        "[checks.rest-order]\nseverity = 'raise'\n"
        "[checks.rest-midline]\noff = 1.0\n"
        "[checks.rest-pre-bend]\nseverity = 'off'\n"
    )
    changed = at_rest()
    severities = {check: severity for check, severity, _ in changed}
    assert severities["rest-mirror"] == severities["rest-order"] == "fix"
    assert "rest-pre-bend" not in severities
    counts = [[check for check, *_ in each].count("rest-midline") for each in (found, changed)]
    assert counts == [3, 2]


def test_a_rig_is_looked_at_once_for_all_shots_of_its_file(folder: Path, monkeypatch) -> None:
    writer = formats()["gltf"].write
    demo = demo_shots()
    shots = [demo["wade_messy.bvh"], demo["strike_messy.bvh"]]
    (folder / "two.glb").write_bytes(writer(shots, "two.glb")["two.glb"])
    asked = []
    whole = module.examine_rest
    monkeypatch.setattr(module, "examine_rest", lambda *a, **k: asked.append(1) or whole(*a, **k))
    first, second = check_file(str(folder / "two.glb"), Options()).shots
    assert asked == [1]
    assert any(each.check.startswith("rest-") for each in first.findings)
    assert not any(each.check.startswith("rest-") for each in second.findings)
    every = "".join(f"[checks.{name}]\nseverity = 'off'\n" for name in rest_checks())
    (folder / "policy.toml").write_text(every)
    check_file(str(folder / "two.glb"), Options())
    assert asked == [1]


def test_it_travels_and_is_the_same_each_time(folder: Path) -> None:
    path = str(folder / "wade_messy.bvh")
    first = check_file(path, Options(rows=True))
    assert pickle.loads(pickle.dumps(first)) == first == check_file(path, Options(rows=True))
    assert [each["joint"] for each in first.shots[0].rows] == list(read(path).skeleton.names)


def test_a_file_that_cannot_be_read_is_a_verdict_too(folder: Path) -> None:
    broken = folder / "broken.bvh"
    broken.write_bytes((folder / "wade_clean.bvh").read_bytes()[:5000])
    verdict = check_file(str(broken), Options())
    assert verdict.shots == ()
    assert verdict.failure.kind == "unreadable"
    assert verdict.failure.where.startswith("line ")
    gone = check_file(str(folder / "gone.bvh"), Options())
    assert gone.failure.message.startswith("cannot be opened (No such file")


def test_another_file_that_is_missing_is_named(folder: Path) -> None:
    skeleton = str(folder / "rig.asf")
    verdict = check_file(str(folder / "wade_clean.bvh"), Options(skeleton=skeleton))
    assert verdict.failure.cause.startswith(f"{skeleton}: cannot be opened")


def test_a_fault_of_the_program_ends_no_run(folder: Path, monkeypatch) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("planted")

    monkeypatch.setattr(module, "measure_shot", broken)
    verdict = check_file(str(folder / "wade_clean.bvh"), Options())
    assert verdict.failure.kind == "fault"
    assert "ZeroDivisionError: planted" in verdict.failure.message


def test_too_little_memory_is_said_of_the_file(folder: Path, monkeypatch) -> None:
    def greedy(*_: object) -> None:
        raise MemoryError

    monkeypatch.setattr(module, "measure_shot", greedy)
    verdict = check_file(str(folder / "wade_clean.bvh"), Options())
    assert (verdict.failure.kind, verdict.failure.cause) == (
        "unreadable",
        "needs more memory than there is",
    )


def test_the_nearest_policy_holds_unless_one_is_given(folder: Path, tmp_path: Path) -> None:
    path = str(folder / "wade_messy.bvh")
    (tmp_path / "policy.toml").write_text("[checks.twist]\nseverity = 'off'")
    other = tmp_path / "other.toml"
    other.write_text("[checks.spread]\nseverity = 'off'")
    found = check_file(path, Options())
    given = check_file(path, Options(policy=str(other)))
    assert found.policy == str(tmp_path / "policy.toml")
    assert given.policy == str(other)
    checks = [{each.check for each in verdict.shots[0].findings} for verdict in (found, given)]
    assert ["twist" in each for each in checks] == [False, True]
    assert ["spread" in each for each in checks] == [True, False]


def test_waivers_are_noted_whatever_the_day(folder: Path) -> None:
    (folder / "policy.toml").write_text(POLICY)
    (shot,) = check_file(str(folder / "wade_messy.bvh"), Options()).shots
    waived = {(each.check, each.joint) for each in shot.findings if each.waivers == (WAIVED,)}
    assert waived == {("twist", "L_Knee")}
    assert not [each for each in shot.findings if USELESS in each.waivers]


def test_a_policy_with_mistakes_is_no_finding_of_a_shot(folder: Path) -> None:
    (folder / "policy.toml").write_text("fial_on = 'fix'")
    with pytest.raises(PolicyError):
        check_file(str(folder / "wade_messy.bvh"), Options())


def test_the_digest_changes_with_all_that_a_verdict_depends_on(folder: Path, monkeypatch) -> None:
    path = str(folder / "wade_messy.bvh")
    digests = [settings_digest(path, Options()), settings_digest(path, Options(order="XYZ"))]
    assert settings_digest(path, Options()) == digests[0]
    assert settings_digest(str(folder / "wade_clean.bvh"), Options()) == digests[0]
    (folder / "policy.toml").write_text("")
    digests.append(settings_digest(path, Options()))
    (folder / "policy.toml").write_text("fail_on = 'look'")
    digests.append(settings_digest(path, Options()))
    monkeypatch.setattr("audit.__version__", "99")
    digests.append(settings_digest(path, Options()))
    assert len(set(digests)) == len(digests)
