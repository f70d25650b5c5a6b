"""A batch gives one outcome an item, in order, whatever befalls an item."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from audit.batch import Event, Outcome, run
from tests.unit.batch.tasks import act

WORDS = [f"w{number}" for number in range(50)]

both_ways = pytest.mark.parametrize("workers", [1, 2], ids=["here", "pool"])


@both_ways
def test_outcomes_are_in_order(workers: int) -> None:
    outcomes = list(run(act, WORDS, workers=workers))
    assert [each.value for each in outcomes] == [word.upper() for word in WORDS]
    assert [(each.index, each.item) for each in outcomes] == list(enumerate(WORDS))
    assert {(each.status, each.reason, each.origin) for each in outcomes} == {
        ("done", "", "worked")
    }


@both_ways
def test_an_error_is_the_outcome_of_its_item_alone(workers: int) -> None:
    good, refused, broken, last = run(act, ["a", "refuse x.bvh", "raise", "b"], workers=workers)
    assert (good.value, last.value) == ("A", "B")
    assert (refused.status, refused.reason) == ("failed", "x.bvh: line 3: is damaged")
    assert refused.traceback == ""
    assert broken.status == "failed"
    assert broken.reason == "a fault of the program itself (ValueError: no good)"
    assert "_raise" in broken.traceback


@pytest.mark.skipif(sys.platform == "win32", reason="the tasks send POSIX signals")
def test_what_befalls_a_process_is_the_outcome_of_its_item_alone() -> None:
    words = ["a", "die", "sleep 60", "b", f"take {2**31}", "c"]
    outcomes = list(run(act, words, workers=2, time_limit_s=2.0, memory_limit_bytes=2**29))
    assert [each.status for each in outcomes] == [
        "done", "crashed", "timed-out", "done",
        "out-of-memory" if sys.platform == "linux" else "done", "done",
    ]  # fmt: skip
    assert [each.attempts for each in outcomes] == [1, 2, 1, 1, 1, 1]
    assert outcomes[2].reason == "took longer than the time limit of 2 s"


def test_one_worker_is_this_process_unless_there_are_limits() -> None:
    (here,) = run(act, ["pid"], workers=1)
    assert here.value == str(os.getpid())
    (apart,) = run(act, ["pid"], workers=1, time_limit_s=60.0)
    assert apart.value != here.value
    assert apart.status == "done"


@both_ways
@pytest.mark.parametrize("items", [[], ["a"]])
def test_few_items(workers: int, items: list[str]) -> None:
    assert [each.value for each in run(act, items, workers=workers)] == [
        item.upper() for item in items
    ]


def test_events_come_in_the_order_of_finishing() -> None:
    events: list[Event[str, str]] = []
    words = ["sleep 1.5", "b", "c"]
    list(run(act, words, workers=2, on_event=events.append))
    assert [event.outcome.item for event in events if event.outcome] == ["b", "c", "sleep 1.5"]
    assert [(event.done, event.total) for event in events] == [(1, 3), (2, 3), (3, 3)]


def test_no_more_are_begun_than_may_be_held(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("audit.batch.running.LOOK_AHEAD", 2)
    submitted = []

    class Counting(ThreadPoolExecutor):
        def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Any:
            submitted.append(args)
            return super().submit(fn, *args, **kwargs)

    with Counting(2) as executor:
        outcomes = run(act, WORDS, executor=executor)
        for given in range(1, 30):
            next(outcomes)
            assert len(submitted) <= given + 8
        assert len(list(outcomes)) == len(WORDS) - 29


def test_an_executor_of_the_caller_stays_open() -> None:
    with ThreadPoolExecutor(2) as executor:
        assert [each.value for each in run(act, WORDS, executor=executor)] == [
            word.upper() for word in WORDS
        ]
        assert executor.submit(act, "more").result() == "MORE"


def test_a_caller_who_stops_gets_what_is_finished(tmp_path: Path) -> None:
    told: list[Outcome[str, str]] = []

    def note(event: Event[str, str]) -> None:
        if event.outcome:
            told.append(event.outcome)

    words = ["sleep 0.5", *(f"w{number}" for number in range(30)), *["sleep 60"] * 5]
    outcomes = run(act, words, workers=2, on_event=note)
    assert next(outcomes).value == "SLEEP 0.5"
    outcomes.close()  # type: ignore[attr-defined]
    assert {each.item for each in told} >= {"sleep 0.5", "w0", "w10"}
    assert {each.status for each in told} == {"done"}


def test_a_task_with_options() -> None:
    assert [each.value for each in run(partial(int, base=2), ["10", "11"], workers=2)] == [2, 3]
