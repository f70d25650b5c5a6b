"""The pool outlives its processes, and knows what each of them was doing."""

from __future__ import annotations

import os
import signal
import sys
import time
from concurrent.futures import CancelledError, Executor
from pathlib import Path
from typing import Any

import pytest

from audit.batch import MemoryLimitError, TimeLimitError, WorkerDiedError, WorkerPool
from audit.batch.pool import START_METHOD
from audit.batch.process import Worker
from tests.unit.batch.tasks import OddError, act, dying

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="the tasks send POSIX signals")


@pytest.mark.parametrize(
    "method",
    [
        START_METHOD,
        pytest.param("spawn", marks=pytest.mark.slow),
        pytest.param("fork", marks=pytest.mark.filterwarnings("ignore::DeprecationWarning")),
    ],
)
def test_each_call_ends_in_what_befell_it(method: str, tmp_path: Path) -> None:
    once = f"die-once {tmp_path / 'mark'}"
    words = ["a", "die", "b", "raise", "exit", once, "odd", "mute", "c"]
    with WorkerPool(2, start_method=method) as pool:
        futures = dict(zip(words, [pool.submit(act, word) for word in words], strict=True))
        assert [futures[word].result() for word in ("a", "b", "c")] == ["A", "B", "C"]
        assert futures[once].result() == once.upper()
        for word, end in {
            "die": "SIGKILL",
            "exit": "exit code 3",
        }.items():
            with pytest.raises(WorkerDiedError, match=f"{end}.*again when it was tried alone"):
                futures[word].result()
        with pytest.raises(ValueError, match="no good"):
            futures["raise"].result()
        # As itself where something has taught exceptions to travel, as distributed does; in words elsewhere.
        with pytest.raises((RuntimeError, OddError), match="1 and 2"):
            futures["odd"].result()
        with pytest.raises(Exception, match="pickle"):
            futures["mute"].result()
        attempts = {word: getattr(future, "attempts", 0) for word, future in futures.items()}
        assert {word for word, count in attempts.items() if count == 2} == {
            "die", once, "exit",
        }  # fmt: skip
        assert "in act" in getattr(futures["raise"], "traceback", "")


def test_it_is_an_executor() -> None:
    pool: Executor = WorkerPool(2)
    with pool:
        assert list(pool.map(act, ["a", "b", "c"])) == ["A", "B", "C"]
    with pytest.raises(RuntimeError, match="shut down"):
        pool.submit(act, "d")


def test_a_call_that_takes_too_long_is_ended_and_the_others_go_on() -> None:
    start = time.monotonic()
    with WorkerPool(2, time_limit_s=1.0, imports=["tests.unit.batch.tasks"]) as pool:
        slow = pool.submit(act, "sleep 60")
        others = [pool.submit(act, f"w{number}") for number in range(20)]
        with pytest.raises(TimeLimitError, match=r"time limit of 1 s"):
            slow.result()
        assert [other.result() for other in others] == [f"W{number}" for number in range(20)]
    assert time.monotonic() - start < 30.0


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux holds a process to its limit")
def test_a_call_that_takes_too_much_memory_is_told_so() -> None:
    with WorkerPool(1, memory_limit_bytes=200 * 2**20) as pool:
        large = pool.submit(act, f"take {2**30}")
        small = pool.submit(act, f"take {2**20}")
        with pytest.raises(MemoryLimitError, match="limit of 200 MiB"):
            large.result()
        assert small.result() == str(2**20)


def test_an_item_that_is_tried_again_is_alone(tmp_path: Path) -> None:
    killer, others = tmp_path / "killer", tmp_path / "others"
    with WorkerPool(2, imports=["tests.unit.batch.tasks"]) as pool:
        words = [f"stay {others}"] * 3 + [f"stay-and-die {killer}"] + [f"stay {others}"] * 6
        futures = [pool.submit(act, word) for word in words]
        assert sum(future.exception() is None for future in futures) == 9

    def times(path: Path) -> list[list[float]]:
        return [list(map(float, line.split())) for line in path.read_text("ascii").splitlines()]

    def overlap(start: float, end: float) -> int:
        return sum(start < other[1] and other[0] < end for other in times(others))

    first, second = times(killer)
    assert overlap(*second) == 0
    assert overlap(*first) > 0


def test_a_worker_that_dies_while_idle_costs_nothing() -> None:
    with WorkerPool(1) as pool:
        pid = int(pool.submit(act, "pid").result())
        os.kill(pid, signal.SIGKILL)
        future = pool.submit(act, "again")
        assert future.result() == "AGAIN"


def test_workers_share_the_cores() -> None:
    with WorkerPool(1) as pool:
        assert pool.submit(act, "threads").result() == os.environ.get("OMP_NUM_THREADS", "1")


def test_kill_ends_everything_at_once() -> None:
    pool = WorkerPool(2)
    pid = int(pool.submit(act, "pid").result())
    futures = [pool.submit(act, "sleep 60") for _ in range(5)]
    time.sleep(0.1)
    start = time.monotonic()
    pool.kill()
    assert time.monotonic() - start < 1.0
    for future in futures:
        with pytest.raises((WorkerDiedError, CancelledError)):
            future.result(timeout=5.0)
    deadline = time.monotonic() + 5.0
    while time.monotonic() < deadline and Path(f"/proc/{pid}").exists():
        time.sleep(0.01)
    assert not Path(f"/proc/{pid}").exists()


def test_a_task_that_cannot_be_imported_is_an_error_of_its_own() -> None:
    def inner() -> None: ...

    with WorkerPool(1) as pool, pytest.raises(Exception, match="pickle"):
        pool.submit(inner)


def test_processes_that_cannot_start_are_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("audit.batch.process.serve", dying)
    with (
        WorkerPool(1) as pool,
        pytest.raises(WorkerDiedError, match="no worker process can be started"),
    ):
        pool.submit(act, "a").result(timeout=60.0)


def test_a_process_that_dies_before_it_is_told_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    begun: list[int] = []

    class Unlucky(Worker):
        def __init__(self, *arguments: Any) -> None:
            begun.append(1)
            if len(begun) < 6:
                raise BrokenPipeError(32, "Broken pipe")
            super().__init__(*arguments)

    monkeypatch.setattr("audit.batch.pool.Worker", Unlucky)
    with WorkerPool(2) as pool:
        assert [pool.submit(act, word).result(timeout=60.0) for word in ("a", "b")] == ["A", "B"]
    assert len(begun) >= 6


def test_a_pool_whose_manager_fails_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    def unguarded(*arguments: Any) -> None:
        raise RuntimeError("main is being imported")

    monkeypatch.setattr("audit.batch.pool.Worker", unguarded)
    pool = WorkerPool(1)
    with pytest.raises(WorkerDiedError, match=r"cannot be managed \(RuntimeError: main is"):
        pool.submit(act, "a").result(timeout=60.0)
    with pytest.raises(WorkerDiedError, match="cannot be managed"):
        pool.submit(act, "b")
    pool.kill()
