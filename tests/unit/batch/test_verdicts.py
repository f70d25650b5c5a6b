"""The gate's task as a batch: what befalls a file becomes a verdict on it."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Executor, Future
from pathlib import Path
from typing import Any

import pytest

from audit.batch import Gate, MemoryLimitError, TimeLimitError, Ways, WorkerDiedError
from audit.batch.cache import Cache
from audit.demo import demo_files
from audit.gate import FileVerdict, HeldPolicies, Options, collect


class Failing(Executor):
    """Fails each call with the next of some errors, and makes it where there is None."""

    def __init__(self, *errors: Exception | None) -> None:
        self._errors = iter(errors)

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        error = next(self._errors)
        if error is None:
            future.set_result(fn(*args, **kwargs))
        else:
            future.set_exception(error)
        return future


@pytest.fixture
def paths(tmp_path: Path) -> list[str]:
    data = demo_files()["wade_clean.bvh"]
    for name in "abcde":
        (tmp_path / f"{name}.bvh").write_bytes(data)
    return sorted(map(str, tmp_path.glob("*.bvh")))


def gate(**options: Any) -> Gate:
    given = Options(**options)
    return Gate(given, HeldPolicies(given))


def test_what_befalls_a_file_is_its_one_line_and_the_others_are_checked(paths: list[str]) -> None:
    executor = Failing(
        WorkerDiedError("the process that worked on it was ended by SIGKILL"),
        TimeLimitError("took longer than the time limit of 3 s"),
        MemoryLimitError("needs more memory than the limit of 64 MiB"),
        ZeroDivisionError("planted"),
        None,
    )
    found = list(gate().verdicts(paths, Ways(executor=executor)))
    assert [each.path for each in found] == paths
    kinds = [each.failure and each.failure.kind for each in found]
    assert kinds == ["unreadable", "unreadable", "unreadable", "fault", None]
    causes = [each.failure.cause for each in found if each.failure]
    assert causes == [
        "the process that worked on it was ended by SIGKILL",
        "took longer than the time limit of 3 s",
        "needs more memory than the limit of 64 MiB",
        "a fault of the program itself (ZeroDivisionError: planted)",
    ]
    assert collect(found[:3] + found[4:]).exit_code == 3
    assert collect(found).exit_code == 70


def test_a_policy_that_is_spoilt_in_mid_run_is_told_of_the_file(paths: list[str]) -> None:
    running = gate().verdicts(paths[:2], Ways(1))
    assert next(running).failure is None
    Path(paths[0]).with_name("policy.toml").write_text("fial_on = 'fix'")
    failure = next(running).failure
    assert failure is not None
    assert (failure.kind, "fail_on" in failure.cause) == ("unreadable", True)


def test_a_skeleton_that_cannot_be_read_leaves_no_cache(paths: list[str], tmp_path: Path) -> None:
    options = Options(skeleton=str(tmp_path / "none.asf"))
    broken = Gate(options, HeldPolicies(options), tmp_path / "cache")
    assert broken.cache() is None
    assert broken.journal(tmp_path / "out", paths, resume=False) is None
    (found,) = broken.verdicts(paths[:1], Ways(1))
    assert found.failure is not None
    Path(str(options.skeleton)).write_bytes(b"")
    assert isinstance(broken.cache(), Cache)


def test_a_run_goes_on_where_it_was_stopped(
    paths: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stopping(verdicts: Iterator[FileVerdict], after: int) -> list[FileVerdict]:
        return [next(verdicts) for _ in range(after)]

    one = gate()
    journal = one.journal(tmp_path / "out", paths, resume=False)
    assert journal is not None
    first = stopping(one.verdicts(paths, Ways(1), journal=journal), 3)
    journal.close(finished=False)
    again = one.journal(tmp_path / "out", paths, resume=True)
    assert again is not None
    assert len(again) == 3
    asked: list[str] = []

    def noted(path: str, _skeleton: str | None) -> list[Any]:
        asked.append(path)
        raise ZeroDivisionError("planted")

    monkeypatch.setattr("audit.gate.shots.read_all", noted)
    rest = list(one.verdicts(paths, Ways(1), journal=again))
    assert (rest[:3], asked) == (first, paths[3:])
    again.close(finished=True)
    assert not (tmp_path / "out" / ".unfinished-run").exists()
