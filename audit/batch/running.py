"""A batch: the same task for many items, one outcome an item, in the order of the items."""

from __future__ import annotations

import os
import queue
import traceback
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import Executor, Future
from dataclasses import dataclass
from functools import partial
from typing import Any, Generic

from audit.batch.ahead import TOGETHER, worked_ahead
from audit.batch.cache import Cache, stamp_of
from audit.batch.journal import Journal
from audit.batch.outcome import (
    Event,
    Item,
    MemoryLimitError,
    Outcome,
    Result,
    Status,
    TimeLimitError,
    WorkerDiedError,
)
from audit.batch.pool import WorkerPool
from audit.errors import AuditError

LOOK_AHEAD = 128
"""So many items a worker may be begun before the oldest of them is handed on. It bounds the memory of this
process, and lets the others work on while one item takes long."""

PRELOAD = ("audit.batch.preload",)

UNWRITABLE_CACHE = "the cache cannot be written, so nothing of this run is kept in it"


@dataclass(frozen=True, slots=True)
class _Next(Generic[Item, Result]):
    """An item that has been looked up: the digest of its bytes, and its outcome where that is known."""

    index: int
    item: Item
    digest: str | None = None
    known: Outcome[Item, Result] | None = None


def run(
    task: Callable[[Item], Result],
    items: Sequence[Item],
    *,
    workers: int | None = None,
    time_limit_s: float | None = None,
    memory_limit_bytes: int | None = None,
    executor: Executor | None = None,
    cache: Cache[Result] | None = None,
    journal: Journal[Result] | None = None,
    on_event: Callable[[Event[Item, Result]], object] | None = None,
    imports: Sequence[str] = (),
) -> Generator[Outcome[Item, Result], None, None]:
    """Do a task for many items and give one outcome an item, in the order of the items.

    Parameters
    ----------
    task
        A pure function; picklable, and its results too, unless all of it is done in this process.
    items
        What it is called with, one at a time. With a cache or a journal they are paths of files.
    workers
        How many processes; the number of cores where None. A single one is this process itself, unless there
        are limits.
    time_limit_s, memory_limit_bytes
        What one item may take; see :class:`audit.batch.pool.WorkerPool`.
    executor
        What runs the calls in place of processes of this machine; it stays open. Limits are then its own.
    cache, journal
        Outcomes known from before are not worked out again, and new ones are kept.
    on_event
        Told of each item as it is finished, in the order of finishing, in the calling thread.
    imports
        Modules that the task loads when it is called: worker processes load them before their first item, so
        that no item pays for it. The module that the task comes from is loaded in any case.

    Yields
    ------
    Outcome
        One an item. An item that fails, crashes its process or passes a limit has an outcome that says so; it
        ends nothing.

    Notes
    -----
    The number of items begun and not yet handed on is bounded, so memory does not grow with their number. Where
    the caller stops (Ctrl-C, or no more outcomes are asked for), all processes are ended at once; outcomes that
    are there by then are still told to the journal and to ``on_event``.
    """
    count = workers or os.cpu_count() or 1
    batch = _Batch(task, len(items), cache, journal, on_event)
    line = _looked_up(items, cache, journal)
    alone = count == 1 and time_limit_s is None and memory_limit_bytes is None
    try:
        if executor is None and alone:
            yield from _in_this_process(batch, line)
        elif executor is not None:
            yield from _through(batch, executor, line, 4 * LOOK_AHEAD)
        else:
            pool = WorkerPool(
                min(count, max(1, len(items))),
                time_limit_s=time_limit_s,
                memory_limit_bytes=memory_limit_bytes,
                preload=PRELOAD,
                imports=(*_module_of(task), *imports),
            )
            try:
                yield from _through(batch, pool, line, LOOK_AHEAD * count)
            finally:
                pool.kill()
                batch.sweep()
    finally:
        line.close()
    if cache is not None:
        cache.trim()


def _module_of(task: Callable[..., object]) -> tuple[str, ...]:
    """Return the module that a task comes from, so that no item pays for importing it."""
    while isinstance(task, partial):
        task = task.func
    module = getattr(task, "__module__", None)
    return () if module in (None, "__main__", "__mp_main__") else (str(module),)


class _Batch(Generic[Item, Result]):
    """Takes note of outcomes as they come in."""

    def __init__(
        self,
        task: Callable[[Item], Result],
        total: int,
        cache: Cache[Result] | None,
        journal: Journal[Result] | None,
        on_event: Callable[[Event[Item, Result]], object] | None,
    ) -> None:
        self._keeping: Any = None if cache is None else cache.task(task)  # type: ignore[arg-type]
        self._task = task
        self._total = total
        self._done = 0
        self._journal = journal
        self._on_event = on_event
        self._is_kept = True
        self._arrived: queue.SimpleQueue[tuple[int, Future[Any]]] = queue.SimpleQueue()
        self._begun: dict[int, tuple[Item, str]] = {}

    def call(self, one: _Next[Item, Result]) -> tuple[Any, ...]:
        """Return the call that works an item out: function and arguments."""
        if self._keeping is None:
            return (self._task, one.item)
        return (self._keeping, one.item, one.digest)

    def stamp(self, item: Item) -> str:
        """Return what tells later whether an item is still the same."""
        return "" if self._journal is None else stamp_of(str(item))

    def begin(self, executor: Executor, one: _Next[Item, Result]) -> None:
        """Hand an item to an executor."""
        self._begun[one.index] = (one.item, self.stamp(one.item))
        future = executor.submit(*self.call(one))
        future.add_done_callback(lambda done: self._arrived.put((one.index, done)))

    def next(self) -> Outcome[Item, Result]:
        """Wait for the next item that is finished, and take note of it."""
        while True:
            try:
                # With a timeout, because Windows cannot interrupt a wait without one.
                return self._taken(*self._arrived.get(timeout=0.5))
            except queue.Empty:
                continue

    def sweep(self) -> None:
        """Take note of all items that are finished, without waiting."""
        while True:
            try:
                index, future = self._arrived.get_nowait()
            except queue.Empty:
                return
            if not future.cancelled() and future.exception() is None:
                self._taken(index, future)

    def note(self, outcome: Outcome[Item, Result], stamp: str) -> Outcome[Item, Result]:
        """Take note of an outcome: count it, write it down, tell of it."""
        self._done += 1
        remark = ""
        if self._journal is not None and outcome.status == "done" and outcome.origin != "journal":
            remark = self._journal.add(str(outcome.item), stamp, outcome.value)  # type: ignore[arg-type]
        if self._on_event is not None:
            self._on_event(Event(outcome, self._done, self._total))
            if remark:
                self._on_event(Event(None, self._done, self._total, remark))
        return outcome

    def done(self, index: int, item: Item, given: Any, attempts: int = 1) -> Outcome[Item, Result]:
        """Return the outcome of an item whose call gave something."""
        if self._keeping is None:
            return Outcome(index, item, "done", given, attempts=attempts)
        value, is_kept = given
        if not is_kept and self._is_kept:
            self._is_kept = False
            if self._on_event is not None:
                self._on_event(Event(None, self._done, self._total, UNWRITABLE_CACHE))
        return Outcome(index, item, "done", value, attempts=attempts)

    def _taken(self, index: int, future: Future[Any]) -> Outcome[Item, Result]:
        item, stamp = self._begun.pop(index)
        attempts = getattr(future, "attempts", 1)
        outcome: Outcome[Item, Result]
        try:
            outcome = self.done(index, item, future.result(), attempts)
        except Exception as error:  # whatever befell one item ends nothing
            trace = getattr(future, "traceback", "")
            outcome = _failed(index, item, error, attempts, trace)
        return self.note(outcome, stamp)


def _through(
    batch: _Batch[Item, Result],
    executor: Executor,
    line: Iterator[_Next[Item, Result]],
    look_ahead: int,
) -> Iterator[Outcome[Item, Result]]:
    """Run a batch through an executor."""
    waiting: dict[int, Outcome[Item, Result]] = {}
    begun = given = 0
    is_more = True
    while True:
        while is_more and begun - given < look_ahead and given not in waiting:
            one = next(line, None)
            if one is None:
                is_more = False
                break
            begun += 1
            if one.known is None:
                batch.begin(executor, one)
            else:
                waiting[one.index] = batch.note(one.known, batch.stamp(one.item))
        if given in waiting:
            yield waiting.pop(given)
            given += 1
        elif given == begun:
            return
        else:
            outcome = batch.next()
            waiting[outcome.index] = outcome


def _in_this_process(
    batch: _Batch[Item, Result], line: Iterator[_Next[Item, Result]]
) -> Iterator[Outcome[Item, Result]]:
    """Run a batch here, one item after the other."""
    for one in line:
        stamp = batch.stamp(one.item)
        outcome = one.known
        if outcome is None:
            function, *arguments = batch.call(one)
            try:
                outcome = batch.done(one.index, one.item, function(*arguments))
            except Exception as error:  # whatever befell one item ends nothing
                outcome = _failed(one.index, one.item, error, 1, traceback.format_exc())
        yield batch.note(outcome, stamp)


def _looked_up(
    items: Sequence[Item], cache: Cache[Result] | None, journal: Journal[Result] | None
) -> Generator[_Next[Item, Result], None, None]:
    """Look items up in the journal and in the cache, a few ahead of their turn."""
    if cache is None:
        for index in range(len(items)):
            yield _journaled(index, items[index], journal)
        return
    pieces = (
        [
            _journaled(index, items[index], journal)
            for index in range(start, min(start + TOGETHER, len(items)))
        ]
        for start in range(0, len(items), TOGETHER)
    )
    yield from worked_ahead(pieces, partial(_cached, cache=cache))


def _journaled(index: int, item: Item, journal: Journal[Result] | None) -> _Next[Item, Result]:
    value = None if journal is None else journal.known(str(item))
    if value is None:
        return _Next(index, item)
    return _Next(index, item, known=Outcome(index, item, "done", value, origin="journal"))


def _cached(some: Sequence[_Next[Item, Result]], cache: Cache[Result]) -> list[_Next[Item, Result]]:
    found: list[_Next[Item, Result]] = []
    for one in some:
        if one.known is not None:
            found.append(one)
            continue
        look = cache.look(str(one.item))
        known: Outcome[Item, Result] | None = None
        if look.value is not None:
            known = Outcome(one.index, one.item, "done", look.value, origin="cache")
        found.append(_Next(one.index, one.item, look.digest, known))
    return found


def _failed(
    index: int, item: Item, error: Exception, attempts: int, trace: str
) -> Outcome[Item, Any]:
    """Return the outcome of an item whose call gave an error."""
    if isinstance(error, AuditError):
        kinds: dict[type[AuditError], Status] = {
            WorkerDiedError: "crashed",
            TimeLimitError: "timed-out",
            MemoryLimitError: "out-of-memory",
        }
        status = kinds.get(type(error), "failed")
        return Outcome(index, item, status, reason=str(error), attempts=attempts)
    if isinstance(error, MemoryError):
        reason = "there is not enough memory for it"
        return Outcome(index, item, "out-of-memory", reason=reason, attempts=attempts)
    reason = f"a fault of the program itself ({type(error).__name__}: {error})"
    return Outcome(index, item, "failed", reason=reason, traceback=trace, attempts=attempts)
