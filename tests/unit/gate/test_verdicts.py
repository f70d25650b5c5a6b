"""What fails, what is waived, which exit code that gives, and what an interrupt does."""

from __future__ import annotations

import gc
import io
import os
import signal
import weakref
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from audit.gate import (
    FileVerdict,
    JudgedFile,
    Run,
    ShotVerdict,
    UnchangedFile,
    collect,
    output_formats,
)
from tests.unit.gate.making import POLICY, USELESS, WAIVED, failed, row, verdict

BEFORE, AFTER = date(2026, 3, 31), date(2026, 4, 1)


class Kept:
    """A writer that keeps what it is given."""

    def __init__(self) -> None:
        self.files: list[JudgedFile] = []
        self.run: Run | None = None

    def file(self, judged: JudgedFile) -> None:
        self.files.append(judged)

    def end(self, run: Run) -> None:
        self.run = run


@pytest.mark.parametrize(
    ("severity", "fail_on", "code"),
    [
        ("fix", "fix", 1),
        ("look", "fix", 0),
        ("note", "fix", 0),
        ("fix", "look", 1),
        ("look", "look", 1),
        ("note", "look", 0),
        ("fix", "never", 0),
        ("fix", None, 1),
        ("look", None, 0),
    ],
)
def test_from_which_severity_on_a_shot_fails(severity: str, fail_on: str | None, code: int) -> None:
    run = collect([verdict(row(severity))], fail_on)
    assert run.exit_code == code
    assert bool(run.because) is bool(code)
    assert run.failing == code


@pytest.mark.parametrize(
    ("verdicts", "code"),
    [
        ([], 0),
        ([verdict()], 0),
        ([failed()], 3),
        ([failed(), verdict(row())], 3),
        ([failed(kind="fault"), failed(), verdict(row())], 70),
    ],
)
def test_of_several_exit_codes_the_highest_is_given(verdicts: list[FileVerdict], code: int) -> None:
    run = collect(verdicts)
    assert run.exit_code == code
    kinds = {each.failure.kind for each in verdicts if each.failure is not None}
    assert len(run.because) == len(kinds) + run.failing


def test_an_unreadable_file_counts_whatever_fails() -> None:
    assert collect([failed()], "never").exit_code == 3


@pytest.fixture
def policy(tmp_path: Path) -> str:
    """Return the path of a policy with two waivers."""
    path = tmp_path / "policy.toml"
    path.write_text(POLICY)
    return str(path)


def test_a_waiver_takes_a_finding_out_until_its_last_day(policy: str) -> None:
    kept = Kept()
    waived = [verdict(row(waivers=(WAIVED,)), policy=policy)]
    run = collect(waived, "fix", [kept], today=BEFORE)
    assert (run.exit_code, run.findings["waived"], run.findings["fix"]) == (0, 1, 0)
    assert kept.files[0].shots[0].findings[0].waiver.who == "lead"
    after = collect(waived, "fix", today=AFTER)
    assert (after.exit_code, after.findings["waived"], after.findings["fix"]) == (1, 0, 1)


def test_an_ended_and_a_useless_waiver_are_told_with_their_lines(policy: str) -> None:
    run = collect([verdict(row(waivers=(WAIVED,)), policy=policy)], "fix", today=AFTER)
    assert [(each.check, each.line, each.severity) for each in run.waivers] == [
        ("ended-waiver", WAIVED, "look"),
        ("useless-waiver", USELESS, "look"),
    ]
    assert "ended on 2026-03-31" in run.waivers[0].message
    assert "Nobody" in run.waivers[1].message


def test_a_useless_waiver_gets_the_nearest_joint_with_such_a_finding(policy: str) -> None:
    verdicts = [verdict(row(joint="Nobodi"), row(joint="Body", check="spread"), policy=policy)]
    messages = [each.message for each in collect(verdicts, today=BEFORE).waivers]
    assert messages[0].endswith("joint, check or shots")
    assert messages[1].endswith("Did you mean 'Nobodi'?")


def test_a_useless_waiver_fails_where_looks_do(policy: str) -> None:
    waived = [verdict(row(waivers=(WAIVED,)), policy=policy)]
    assert collect(waived, today=BEFORE).exit_code == 1  # the policy says look
    run = collect(waived, "fix", today=BEFORE)
    assert run.exit_code == 0
    assert not any(each.fails for each in run.waivers)


def test_a_policy_may_leave_out_what_is_said_of_waivers(tmp_path: Path) -> None:
    path = tmp_path / "policy.toml"
    path.write_text(
        POLICY + "[checks]\nuseless-waiver.severity = 'off'\nended-waiver.severity = 'fix'\n"
    )
    run = collect([verdict(row(waivers=(WAIVED,)), policy=str(path))], "fix", today=AFTER)
    assert [(each.check, each.fails) for each in run.waivers] == [("ended-waiver", True)]


def test_each_shot_fails_by_its_own_policy(policy: str) -> None:
    run = collect([verdict(row("look")), verdict(row("look"), path="b.bvh", policy=policy)])
    assert (run.failing, run.shots) == (1, 2)
    assert run.fail_on == ("fix", "look")


def test_nothing_is_kept_of_what_was_written() -> None:
    shots: list[weakref.ref[Weak]] = []

    class Weak(ShotVerdict):
        """A shot that can be watched; slots leave no room for that."""

        __slots__ = ("__weakref__",)

    def verdicts() -> Iterator[FileVerdict]:
        for number in range(20):
            whole = verdict(row(), path=f"{number}.bvh")
            shot = Weak(*(getattr(whole.shots[0], name) for name in ShotVerdict.__slots__))
            shots.append(weakref.ref(shot))
            yield replace(whole, shots=(shot,))
            del shot, whole

    run = collect(verdicts(), writers=[output_formats()["json"].writer(io.BytesIO())])
    gc.collect()
    assert run.findings["fix"] == len(shots) == 20
    assert not [each for each in shots if each() is not None]


def test_an_interrupt_ends_the_waiting_and_keeps_what_is_done() -> None:
    kept = Kept()

    def verdicts() -> Iterator[FileVerdict]:
        yield verdict()
        os.kill(os.getpid(), signal.SIGINT)
        raise AssertionError("the interrupt did not come through")

    run = collect(verdicts(), writers=[kept])
    assert (run.files, run.complete, run.exit_code) == (1, False, 130)
    assert kept.run is run
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_an_interrupt_never_ends_the_writing() -> None:
    class Interrupted(Kept):
        def file(self, judged: JudgedFile) -> None:
            os.kill(os.getpid(), signal.SIGINT)
            super().file(judged)

    kept = Interrupted()
    run = collect([verdict(), verdict(path="b.bvh")], writers=[kept])
    assert (len(kept.files), run.files, run.complete) == (1, 1, False)


def test_a_stopped_run_calls_no_waiver_useless(policy: str) -> None:
    def verdicts() -> Iterator[FileVerdict]:
        yield verdict(policy=policy)
        raise KeyboardInterrupt

    assert collect(verdicts(), today=BEFORE).waivers == ()


def test_what_was_so_before_counts_nowhere_and_its_waiver_is_not_useless(tmp_path: Path) -> None:
    policy = tmp_path / "policy.toml"
    policy.write_text(POLICY)
    known = row(joint="L_Knee", waivers=(WAIVED,))
    found = [verdict(known, row(joint="R_Knee"), row("look", joint="Neck"), policy=str(policy))]
    kept = Kept()
    kinds = {"L_Knee": "known", "R_Knee": "known", "Neck": "worse"}
    news = lambda shot: [kinds[each.joint] for each in shot.findings]  # noqa: E731
    run = collect(found, "fix", [kept], today=BEFORE, baseline=news)
    (shot,) = kept.files[0].shots
    assert [(each.row.joint, each.news) for each in shot.findings] == [("Neck", "worse")]
    assert kept.files[0].has_baseline
    assert [each.row.joint for each in shot.known] == ["L_Knee", "R_Knee"]
    assert (run.failing, run.known, run.findings["fix"], run.findings["waived"]) == (0, 2, 0, 0)
    assert [each.line for each in run.waivers] == [USELESS]
    assert collect(found, "fix", today=BEFORE).known is None
    assert collect(found, "look", today=BEFORE, baseline=news).failing == 1


def test_unchanged_files_are_counted_and_their_policies_looked_at(tmp_path: Path) -> None:
    policy = tmp_path / "policy.toml"
    policy.write_text(POLICY)
    files = [UnchangedFile(name, "a" * 64, str(policy), "b" * 64) for name in ("a.bvh", "b.bvh")]
    kept, told, stepped = Kept(), [], []
    run = collect(
        [verdict(), *files],
        writers=[kept],
        today=BEFORE,
        unchanged=told.append,
        progress=stepped.append,
    )
    assert (run.files, run.shots, run.unchanged, run.fail_on) == (1, 1, 2, ("fix", "look"))
    assert ([each.verdict.path for each in kept.files], told) == (["shots/walk.bvh"], files)
    assert len(stepped) == 3
    # Both waivers match nothing, and the policy fails from "look" on.
    assert [(each.check, each.fails) for each in run.waivers] == [("useless-waiver", True)] * 2
    assert run.exit_code == 1
    assert collect([verdict()], unchanged=told.append).unchanged == 0
    assert collect([verdict()]).unchanged is None
