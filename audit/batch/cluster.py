"""The same work on a Dask cluster, behind the same interface as the pool of this machine.

Dask begins a task again where a worker died, and gives it up after some deaths. It counts a death against every
task that the worker had, so one that merely waited beside a killer can be given up in its place. What Dask
gives up is therefore tried once more, alone: only then is a death the task's own.
"""

from __future__ import annotations

import os
import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future
from contextlib import contextmanager, suppress
from importlib import import_module
from typing import Any, ParamSpec, TypeVar

from audit.batch.outcome import MemoryLimitError, WorkerDiedError
from audit.batch.process import WorkerFuture
from audit.errors import InputError, UsageError

Params = ParamSpec("Params")
Returned = TypeVar("Returned")

CONNECT_TIMEOUT_S = 10.0

ATTEMPTS = 2
"""How often an item is handed to the cluster before it is given up because workers died of it."""

PATIENCE_S = 120.0
"""So long a cluster may be without any worker before it is given up: where workers are replaced, new ones take
some seconds, and longer where a queue hands out the machines (our choice)."""

LOOK_S = 2.0
"""When nothing was heard for so long, the cluster is asked whether it still has workers."""

STOP_PATIENCE_S = 0.3
"""Ctrl-C ends in a second, whatever the cluster is doing."""

KILLED = "the processes of the cluster that worked on it died, and again when it was tried alone"
LET_GO = "the scheduler of the cluster ended or was started anew while it had this"
LOST = "the scheduler of the cluster is gone"
NO_WORKERS = "the cluster has no workers left: all of them died or were stopped"
STOPPED = "the run was stopped"


@contextmanager
def cluster_executor(
    address: str, *, timeout_s: float = CONNECT_TIMEOUT_S, patience_s: float = PATIENCE_S
) -> Iterator[ClusterExecutor]:
    """Give an executor that runs calls on a Dask cluster.

    Parameters
    ----------
    address
        Of the cluster's scheduler, such as ``tcp://host:8786``, or the path of a scheduler file.
    timeout_s
        How long to wait for it.
    patience_s
        How long the cluster may be without any worker before all calls are given up.

    Raises
    ------
    UsageError
        Where the extra ``cluster`` is not installed.
    InputError
        Where nobody answers there, or the cluster has no workers.

    Notes
    -----
    The cluster's workers need this program, in the same version, and have to see the shots under the same
    paths; they change to the caller's folder. Dask begins a call again where a worker died; ours write only
    whole files, so that does no harm. How often it does so is the scheduler's ``allowed-failures``.

    A killer costs the cluster its workers, so these should be of the kind that is replaced (``dask worker``
    without ``--no-nanny``). Where none is left for too long, or the scheduler is gone, all calls that are not
    finished raise WorkerDiedError, and so do those that come later, at once.
    """
    try:
        client_type: Any = import_module("distributed").Client
    except ImportError as error:
        raise UsageError(
            "a cluster needs the package distributed",
            hint="Install it with: pip install 'hinge-audit[cluster]'",
        ) from error
    given = {"scheduler_file": address} if address.endswith(".json") else {"address": address}
    try:
        client = client_type(**given, timeout=timeout_s, set_as_default=False)
    except (OSError, ValueError, RuntimeError) as error:
        raise InputError(
            f"no Dask scheduler answers there ({type(error).__name__})",
            path=address,
            hint="Start one with: dask scheduler",
        ) from error
    try:
        if not client.scheduler_info(n_workers=-1)["workers"]:
            raise InputError(
                "this Dask cluster has no workers", path=address, hint="Start one with: dask worker"
            )
        executor = ClusterExecutor(
            client.get_executor(pure=False), lambda: _workers_of(client), patience_s=patience_s
        )
        try:
            yield executor
        finally:
            executor.shutdown(wait=False, cancel_futures=True)
    finally:
        with suppress(Exception):  # likewise
            client.close()


class ClusterExecutor(Executor):
    """Dask's executor, but with one more try, alone, for what it gives up, and an end where nobody is left.

    Parameters
    ----------
    inner
        From ``Client.get_executor``.
    workers
        Returns how many workers the cluster has now; None where its scheduler is gone for good.
    patience_s
        How long there may be none before all calls are given up.

    Notes
    -----
    A call that Dask gives up waits until nothing else of this executor is on the cluster. Meanwhile new calls
    stay in line. Then it is handed over alone, so that no other call's death can be counted against it; if it
    is given up again, its future raises WorkerDiedError. What other users of the cluster do is not seen.
    """

    def __init__(
        self, inner: Executor, workers: Callable[[], int | None], *, patience_s: float = PATIENCE_S
    ) -> None:
        self._inner = inner
        self._workers = workers
        self._patience_s = patience_s
        self._news: queue.SimpleQueue[_News] = queue.SimpleQueue()
        self._waiting: deque[_Call] = deque()
        self._suspects: deque[_Call] = deque()
        self._running: dict[_Call, Future[Any]] = {}
        self._heard = time.monotonic()
        self._looked = 0.0
        self._none_since: float | None = None
        self._broken = ""
        self._lock = threading.Lock()
        self._closing = False
        self._stopping = False
        self._manager: threading.Thread | None = None

    def submit(
        self, fn: Callable[Params, Returned], /, *args: Params.args, **kwargs: Params.kwargs
    ) -> Future[Returned]:
        """Put a call in line."""
        call = _Call((os.getcwd(), fn, args, kwargs))
        with self._lock:
            if self._closing:
                raise RuntimeError("the executor is shut down")
            if self._manager is None:
                self._manager = threading.Thread(
                    target=self._manage, name="hinge-audit cluster", daemon=True
                )
                self._manager.start()
            self._news.put((call, None))
        return call.future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Let the cluster go; calls in line are dropped where that is asked for, or nobody waits."""
        # Dask has one word for both: who does not wait has no use for what is not finished.
        stops = cancel_futures or not wait
        with self._lock:
            self._closing = True
            self._stopping = self._stopping or stops
            self._news.put(None)
        if self._manager is not None:
            self._manager.join(STOP_PATIENCE_S if stops else None)
        # A connection that is lost has nothing left to cancel, and says so with errors of many kinds.
        with suppress(Exception):
            self._inner.shutdown(wait=not stops)

    def _manage(self) -> None:
        """Hand calls over and take in what comes of them, in a thread of its own, until there is no more."""
        while not self._is_finished():
            try:
                self._take_in()
                self._look()
                self._hand_over()
            except (
                Exception
            ) as error:  # nobody could catch it here, and all calls would wait for ever
                self._broken = f"the cluster cannot be managed ({type(error).__name__}: {error})"
            if self._broken:
                self._give_up(self._broken)
        self._take_all()
        self._give_up(STOPPED)

    def _is_finished(self) -> bool:
        with self._lock:
            left = self._running or self._waiting or self._suspects or not self._news.empty()
            return self._stopping or (self._closing and not left)

    def _take_in(self) -> None:
        """Wait for news, for a while, and take in all that there are."""
        with suppress(queue.Empty):
            self._note(self._news.get(timeout=LOOK_S))
            self._take_all()

    def _take_all(self) -> None:
        with suppress(queue.Empty):
            while True:
                self._note(self._news.get_nowait())

    def _note(self, news: _News) -> None:
        if news is None:
            return
        call, done = news
        if done is None:
            self._waiting.append(call)
        elif self._running.pop(call, None) is not None:
            self._heard, self._none_since = time.monotonic(), None
            if not self._settle(call, done):
                self._suspects.append(call)

    def _settle(self, call: _Call, done: Future[Any]) -> bool:
        """Give a call what came of it; False where that is still to be found out."""
        future = call.future
        if done.cancelled():
            future.set_exception(WorkerDiedError(LET_GO))
            return True
        error = done.exception()
        # By name: their classes are of a package that may not be there.
        kind = type(error).__name__
        if error is None:
            future.set_result(done.result())
        elif kind == "KilledWorker":
            if future.attempts < ATTEMPTS:
                return False
            future.set_exception(WorkerDiedError(KILLED))
        elif kind == "NoValidWorkerError":
            future.set_exception(WorkerDiedError(NO_WORKERS))
        elif isinstance(error, MemoryError):
            told = "there is not enough memory for it on the cluster"
            future.set_exception(MemoryLimitError(told))
        else:  # handed on, whatever it is, but what would end this process
            future.set_exception(error if isinstance(error, Exception) else RuntimeError(kind))
        return True

    def _look(self) -> None:
        """See whether anybody is left to do what is waited for."""
        now = time.monotonic()
        if not self._running or now - max(self._heard, self._looked) < LOOK_S:
            return
        count = self._workers()
        self._looked = now
        if count is None:
            self._broken = LOST
        elif count > 0:
            self._none_since = None
        else:
            self._none_since = now if self._none_since is None else self._none_since
            if now - self._none_since >= self._patience_s:
                self._broken = NO_WORKERS

    def _hand_over(self) -> None:
        """Hand calls to the cluster: all that there are, or one suspect while it has nothing else."""
        if self._broken:
            return
        if self._suspects:
            if not self._running:
                self._send(self._suspects.popleft())
            return
        first = next(iter(self._running), None)
        if first is not None and first.future.attempts > 1:
            return  # it is to be alone
        while self._waiting and not (self._broken or self._stopping):
            self._send(self._waiting.popleft())

    def _send(self, call: _Call) -> None:
        call.future.attempts += 1
        try:
            inner = self._inner.submit(_in_folder, *call.what)
        except Exception as error:  # of the connection, or a call that cannot be pickled
            if self._workers() is None:
                self._broken = LOST
            call.future.set_exception(WorkerDiedError(LOST) if self._broken else error)
            return
        if not self._running:
            self._heard, self._none_since = time.monotonic(), None
        self._running[call] = inner
        inner.add_done_callback(lambda done: self._news.put((call, done)))

    def _give_up(self, cause: str) -> None:
        for call in (*self._running, *self._suspects, *self._waiting):
            call.future.set_exception(WorkerDiedError(cause))
        self._running.clear()
        self._suspects.clear()
        self._waiting.clear()


class _Call:
    """A call that waits or is worked on, and the folder that it is to be made in."""

    __slots__ = ("future", "what")

    def __init__(self, what: tuple[Any, ...]) -> None:
        self.what = what
        self.future = WorkerFuture()
        # What Dask has begun it cannot always stop.
        self.future.set_running_or_notify_cancel()


_News = tuple[_Call, Future[Any] | None] | None
"""A call and what came of it, None for a new one; None to look about."""


def _in_folder(
    folder: str, function: Callable[..., Any], arguments: tuple[Any, ...], keywords: dict[str, Any]
) -> Any:
    """Make a call where the caller stands, so that relative paths mean the same on the cluster."""
    if os.getcwd() != folder:
        os.chdir(folder)
    return function(*arguments, **keywords)


def _workers_of(client: Any) -> int | None:
    """Return how many workers a cluster has; None where its client has closed, for want of a scheduler."""
    if client.status == "closed":
        return None
    if client.status != "running":
        return 0
    try:
        return len(client.scheduler_info(n_workers=-1).get("workers", ()))
    except Exception:  # of many kinds, where the connection is lost just now
        return 0
