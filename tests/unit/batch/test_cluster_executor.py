"""What a cluster gives up is tried once more, alone; one that is gone ends the run. Without Dask."""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, wait
from contextlib import contextmanager
from typing import Any

import pytest

from audit.batch import Outcome, WorkerDiedError, run
from audit.batch import cluster as module
from audit.batch.cluster import ClusterExecutor

TOO_SOON_S = 0.05
"""Time for an executor that does not wait as it should to show it."""


class KilledWorker(Exception):  # noqa: N818 (Dask's name)
    """As Dask's error of this name."""


class ClosedClientError(Exception):
    """As Dask's error of this name."""


class StandIn(Executor):
    """Gives up whatever is on it together with a killer, as Dask may; answers when it is told to.

    Attributes
    ----------
    together
        The items that were on it whenever one was handed over.
    """

    def __init__(self, killers: tuple[str, ...] = ()) -> None:
        self.killers = killers
        self.workers: int | None = 1
        self.together: list[tuple[str, ...]] = []
        self.is_shut = False
        self._on_it: dict[str, Future[Any]] = {}
        self._changed = threading.Condition()

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Take a call."""
        if self.workers is None:
            raise ClosedClientError
        future: Future[Any] = Future()
        with self._changed:
            self._on_it[args[2][0]] = future
            self.together.append(tuple(self._on_it))
            self._changed.notify_all()
        return future

    def answer(self, *items: str) -> None:
        """Wait until these items are on it, then end them: all by death where one of them kills."""
        with self._changed:
            there = self._changed.wait_for(lambda: set(items) <= set(self._on_it), 10.0)
            assert there, (items, self._on_it)
            ended = {item: self._on_it.pop(item) for item in items}
        dies = any(item in self.killers for item in ended)
        for item, future in ended.items():
            if dies:
                future.set_exception(KilledWorker(item))
            else:
                future.set_result(item.upper())

    def lose(self) -> None:
        """Forget everything, as a client does whose scheduler is gone."""
        with self._changed:
            ended, self._on_it = self._on_it, {}
        for future in ended.values():
            future.cancel()
            future.set_running_or_notify_cancel()

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Take note of it."""
        self.is_shut = True
        if self.workers is None:
            raise ClosedClientError


def word(text: str) -> str:
    """Stand for a task; the stand-in never calls it."""
    raise NotImplementedError


@contextmanager
def executor(stand_in: StandIn, patience_s: float = 60.0) -> Iterator[ClusterExecutor]:
    """Give an executor over a stand-in."""
    made = ClusterExecutor(stand_in, lambda: stand_in.workers, patience_s=patience_s)
    try:
        yield made
    finally:
        made.shutdown(wait=False, cancel_futures=True)


def test_who_waited_beside_a_killer_is_tried_again_alone() -> None:
    stand_in = StandIn(killers=("killer",))
    with executor(stand_in) as made:
        first = [made.submit(word, each) for each in ("a", "killer", "b")]
        stand_in.answer("a", "killer", "b")
        for alone in ("a", "killer", "b"):
            stand_in.answer(alone)
        assert [first[0].result(10.0), first[2].result(10.0)] == ["A", "B"]
        with pytest.raises(
            WorkerDiedError, match=r"^the processes .* died, and again when .* alone$"
        ):
            first[1].result(10.0)
    assert stand_in.together[-3:] == [("a",), ("killer",), ("b",)]
    assert stand_in.is_shut


def test_new_calls_wait_while_one_is_tried_alone() -> None:
    stand_in = StandIn(killers=("killer",))
    with executor(stand_in) as made:
        suspect = made.submit(word, "killer")
        stand_in.answer("killer")
        # It is on the stand-in a second time now, alone; who comes meanwhile stays in line.
        deadline = time.monotonic() + 10.0
        while len(stand_in.together) < 2 and time.monotonic() < deadline:
            time.sleep(0.001)
        later = made.submit(word, "later")
        time.sleep(TOO_SOON_S)
        stand_in.answer("killer")
        stand_in.answer("later")
        assert later.result(10.0) == "LATER"
        assert isinstance(suspect.exception(10.0), WorkerDiedError)
    assert stand_in.together == [("killer",), ("killer",), ("later",)]


def test_a_suspect_waits_until_the_others_are_done() -> None:
    stand_in = StandIn(killers=("suspect",))
    with executor(stand_in) as made:
        calls = [made.submit(word, each) for each in ("slow", "suspect")]
        stand_in.answer("suspect")
        stand_in.killers = ()
        calls.append(made.submit(word, "later"))
        time.sleep(TOO_SOON_S)
        stand_in.answer("slow")
        stand_in.answer("suspect")
        stand_in.answer("later")
        assert [each.result(10.0) for each in calls] == ["SLOW", "SUSPECT", "LATER"]
    assert stand_in.together[2:] == [("suspect",), ("later",)]


def test_a_run_keeps_its_order_and_counts_the_attempts() -> None:
    stand_in = StandIn(killers=("c",))
    outcomes: list[Outcome[str, str]] = []

    def work() -> None:
        with executor(stand_in) as made:
            outcomes.extend(run(word, list("abcd"), executor=made))

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    stand_in.answer(*"abcd")
    for alone in "abcd":
        stand_in.answer(alone)
    thread.join(10.0)
    assert [(each.item, each.status, each.attempts) for each in outcomes] == [
        ("a", "done", 2),
        ("b", "done", 2),
        ("c", "crashed", 2),
        ("d", "done", 2),
    ]


def test_a_cluster_without_workers_ends_all_calls(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "LOOK_S", 0.01)
    stand_in = StandIn()
    with executor(stand_in, patience_s=0.05) as made:
        stand_in.workers = 0
        calls = [made.submit(word, each) for each in ("a", "b")]
        assert not wait(calls, 10.0).not_done
        for call in (*calls, made.submit(word, "later")):
            with pytest.raises(WorkerDiedError, match="has no workers left"):
                call.result(10.0)


def test_workers_that_come_back_in_time_go_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "LOOK_S", 0.01)
    stand_in = StandIn()
    looks = itertools.count()
    enough = threading.Event()

    def workers() -> int:
        look = next(looks)
        if look == 60:  # several times as long as there is patience for
            enough.set()
        return look % 2

    made = ClusterExecutor(stand_in, workers, patience_s=0.2)
    call = made.submit(word, "a")
    assert enough.wait(30.0)
    stand_in.answer("a")
    assert call.result(10.0) == "A"
    made.shutdown(wait=True)


def test_patience_begins_anew_after_every_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    stand_in = StandIn()
    looked = threading.Event()

    def none() -> int:
        monkeypatch.setattr(module, "LOOK_S", 1000.0)  # so that it looks no second time
        looked.set()
        return 0

    made = ClusterExecutor(stand_in, none, patience_s=0.1)
    for text in ("a", "b"):
        looked.clear()
        monkeypatch.setattr(module, "LOOK_S", 0.01)
        call = made.submit(word, text)
        assert looked.wait(10.0)
        stand_in.answer(text)
        assert call.result(10.0) == text.upper()
        time.sleep(0.2)
    made.shutdown(wait=True)


def test_a_scheduler_that_is_gone_ends_all_calls() -> None:
    stand_in = StandIn()
    with executor(stand_in) as made:
        call = made.submit(word, "a")
        while not stand_in.together:
            time.sleep(0.001)
        stand_in.workers = None
        stand_in.lose()
        with pytest.raises(WorkerDiedError, match="scheduler of the cluster ended"):
            call.result(10.0)
        for _ in range(2):
            with pytest.raises(WorkerDiedError, match="scheduler of the cluster is gone"):
                made.submit(word, "later").result(10.0)


def test_waiting_for_the_end() -> None:
    stand_in = StandIn()
    made = ClusterExecutor(stand_in, lambda: 1)
    call = made.submit(word, "a")
    threading.Timer(0.05, stand_in.answer, ("a",)).start()
    made.shutdown(wait=True)
    assert call.result(0.0) == "A"
    with pytest.raises(RuntimeError, match="is shut down"):
        made.submit(word, "b")


def test_stopping_leaves_nobody_waiting() -> None:
    stand_in = StandIn(killers=("killer",))
    with executor(stand_in) as made:
        calls = [made.submit(word, each) for each in ("killer", "a")]
        stand_in.answer("killer", "a")
        calls.append(made.submit(word, "in line"))
    for call in calls:
        with pytest.raises(WorkerDiedError, match="the run was stopped"):
            call.result(10.0)
