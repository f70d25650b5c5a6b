"""A pool of processes that outlives any of them, behind the interface of ``concurrent.futures``.

The standard library's process pool breaks as a whole when one of its processes dies, and cannot say which item
that process had. Here each process has a pipe of its own and one item at a time, so the item is known, and a
new process takes the place of the dead one.
"""

from __future__ import annotations

import multiprocessing
import pickle
import signal
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future
from multiprocessing import resource_tracker
from multiprocessing.connection import wait
from typing import Any, ParamSpec, TypeVar

from audit.batch.outcome import MemoryLimitError, TimeLimitError, WorkerDiedError
from audit.batch.process import Call, Worker, settle
from audit.batch.worker import OUT_OF_MEMORY, READY

Params = ParamSpec("Params")
Returned = TypeVar("Returned")

START_METHOD = "forkserver" if sys.platform == "linux" else "spawn"
"""Where forking is safe, one server imports what is needed and all workers are forked from it: the second
worker, and one in place of a dead one, is there in hundredths of a second. Forking the calling process itself
would copy locks that its threads hold."""

ATTEMPTS = 2
"""How often an item is begun before it is given up because its process died."""

FAILED_STARTS = 3
"""When so many processes in a row ended by themselves before they were ready, something is wrong with all."""

STARTS_PATIENCE_S = 30.0
"""Processes that are killed while they start are replaced for so long; the system may be short of memory."""

FAILED_START_PAUSE_S = 0.02
"""Between a failed start and the next one, where nothing else is going on."""

KILL_PATIENCE_S = 0.3
"""Ctrl-C ends in a second, whatever the processes are doing."""


class WorkerPool(Executor):
    """Runs calls in processes of its own; each call's future ends in a value, an error, or what befell it.

    Parameters
    ----------
    workers
        How many processes at most; they are started as calls come in.
    time_limit_s
        How long one call may take; longer ones are ended and their future raises TimeLimitError.
    memory_limit_bytes
        How much address space a call may take beyond that of a fresh worker; a call that asks for more raises
        MemoryLimitError. Held where the system has resource limits (not on Windows, not on macOS).
    preload
        Modules of installed packages to import before the first call, once for all workers where that can be
        done.
    imports
        Other modules to import before the first call, in each worker.
    start_method
        As :func:`multiprocessing.get_context` takes it.

    Notes
    -----
    A call whose process dies is begun once more, alone, with all other processes idle, in case memory ran out
    because several items were large. If its process dies again, its future raises WorkerDiedError.
    """

    def __init__(
        self,
        workers: int,
        *,
        time_limit_s: float | None = None,
        memory_limit_bytes: int | None = None,
        preload: Sequence[str] = (),
        imports: Sequence[str] = (),
        start_method: str | None = None,
    ) -> None:
        self._most = max(1, workers)
        self._time_limit_s = time_limit_s
        self._memory_limit_bytes = memory_limit_bytes
        self._context = multiprocessing.get_context(start_method or START_METHOD)
        self._context.set_forkserver_preload(list(preload))
        self._imports = (*preload, *imports)
        self._lock = threading.Lock()
        self._waiting: deque[Call] = deque()
        self._suspects: deque[Call] = deque()
        self._workers: list[Worker] = []
        self._failed_starts = 0
        self._first_failed_start: float | None = None
        self._broken = ""
        self._closing = False
        self._killing = False
        self._is_woken = False
        self._woken, self._wake = self._context.Pipe(duplex=False)
        self._manager: threading.Thread | None = None

    def submit(
        self, fn: Callable[Params, Returned], /, *args: Params.args, **kwargs: Params.kwargs
    ) -> Future[Returned]:
        """Put a call in line; it must be picklable, and so must what it returns."""
        call = Call(pickle.dumps((fn, args, kwargs), pickle.HIGHEST_PROTOCOL))
        with self._lock:
            if self._closing:
                raise RuntimeError("the pool is shut down")
            if self._broken:
                raise WorkerDiedError(self._broken)
            self._waiting.append(call)
            if self._manager is None:
                self._manager = threading.Thread(target=self._manage, daemon=True)
                self._manager.start()
            self._wake_up()
        return call.future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Take no more calls; finish those that are there, unless they are to be cancelled."""
        self._close(cancel=cancel_futures)
        if wait and self._manager is not None:
            self._manager.join()

    def kill(self) -> None:
        """End all processes at once; calls that are not finished are cancelled."""
        self._killing = True
        self._close(cancel=True)
        if self._manager is not None:
            # A process that is just being started cannot be ended; it ends by itself with this one.
            self._manager.join(KILL_PATIENCE_S)

    def _close(self, *, cancel: bool) -> None:
        with self._lock:
            self._closing = True
            dropped = [*self._waiting, *self._suspects] if cancel else []
            if cancel:
                self._waiting.clear()
                self._suspects.clear()
            self._wake_up()
        for call in dropped:
            call.drop()

    def _wake_up(self) -> None:
        if not self._is_woken:
            self._is_woken = True
            self._wake.send_bytes(b"")

    def _manage(self) -> None:
        """Hand out calls and take in what comes of them, in a thread of its own, until there is no more."""
        if hasattr(signal, "pthread_sigmask"):
            # Processes inherit this, also while they start: Ctrl-C is for the process that called. The one that
            # multiprocessing starts beside them goes first, because starting it lifts the mask again.
            resource_tracker.ensure_running()
            signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        try:
            while not self._killing:
                self._hand_out()
                if self._is_finished():
                    break
                self._take_in()
        except (
            Exception
        ) as error:  # nobody could catch it in this thread, and all calls would wait for ever
            self._broken = (
                f"the worker processes cannot be managed ({type(error).__name__}: {error})"
            )
        finally:
            self._end_all()
            self._give_up(self._broken or "the run was stopped")

    def _is_finished(self) -> bool:
        with self._lock:
            left = self._waiting or self._suspects or any(each.call for each in self._workers)
            return self._closing and not left

    def _hand_out(self) -> None:
        if self._suspects:
            if not any(each.call for each in self._workers):
                self._send_from(self._suspects)
                self._start(len(self._suspects) and 1)
        elif not any(each.call and each.call.future.attempts > 1 for each in self._workers):
            while self._waiting and self._send_from(self._waiting):
                pass
            self._start(len(self._waiting))

    def _send_from(self, line: deque[Call]) -> bool:
        """Give the first call in a line to an idle worker; False where there is none of either."""
        worker = next((each for each in self._workers if each.ready and each.call is None), None)
        if worker is None:
            return False
        with self._lock:
            if not line:
                return False
            call = line.popleft()
        if not call.begins():
            return True
        try:
            worker.send(call, self._time_limit_s)
        except OSError:
            # The worker is dead and never got the call, so the call cannot have been what killed it.
            self._drop(worker)
            with self._lock:
                line.appendleft(call)
            return True
        call.future.attempts += 1
        return True

    def _start(self, wanted: int) -> None:
        starting = sum(not worker.ready for worker in self._workers)
        for _ in range(min(self._most - len(self._workers), wanted - starting)):
            try:
                worker = Worker(self._context, self._memory_limit_bytes, self._imports)
            except (OSError, EOFError) as error:
                # It died before it could be told what to do, or the system has no process to give.
                self._count_failed_start(f"ended: {error}", by_itself=False)
                return
            self._workers.append(worker)

    def _take_in(self) -> None:
        now = time.monotonic()
        deadlines = [each.deadline for each in self._workers if each.deadline is not None]
        patience = max(0.0, min(deadlines) - now) if deadlines else None
        if not self._workers and (self._waiting or self._suspects):
            patience = FAILED_START_PAUSE_S
        by_pipe: dict[Any, Worker] = {worker.connection: worker for worker in self._workers}
        ready = wait([self._woken, *by_pipe], patience)
        for pipe in ready:
            if pipe is self._woken:
                with self._lock:
                    self._is_woken = False
                    self._woken.recv_bytes()
            else:
                self._hear(by_pipe[pipe])
        now = time.monotonic()
        for worker in tuple(self._workers):
            if worker.deadline is not None and worker.deadline <= now:
                self._overdue(worker)

    def _hear(self, worker: Worker) -> None:
        """Take what a worker sent, or see that it is dead."""
        try:
            message = worker.connection.recv_bytes()
        except (EOFError, OSError):
            self._mourn(worker)
            return
        call, worker.call, worker.deadline = worker.call, None, None
        if message == READY:
            worker.ready = True
            self._failed_starts, self._first_failed_start = 0, None
        elif call is not None:
            if message == OUT_OF_MEMORY:
                # Before the future is set, so that nobody who waits for it meets a process that is going.
                self._drop(worker)
                call.future.set_exception(self._memory_error())
            else:
                settle(call.future, message)

    def _mourn(self, worker: Worker) -> None:
        call = worker.call
        ending = self._drop(worker)
        if call is not None and call.future.attempts >= ATTEMPTS:
            call.future.set_exception(
                WorkerDiedError(
                    f"the process that worked on it {ending}, and again when it was tried alone"
                )
            )
        elif call is not None:
            with self._lock:
                self._suspects.append(call)
        elif not worker.ready:
            self._count_failed_start(ending, by_itself="exit code" in ending)

    def _count_failed_start(self, ending: str, *, by_itself: bool) -> None:
        now = time.monotonic()
        self._first_failed_start = self._first_failed_start or now
        self._failed_starts += by_itself
        is_late = now - self._first_failed_start > STARTS_PATIENCE_S
        if self._failed_starts >= FAILED_STARTS or is_late:
            self._give_up(f"no worker process can be started; the last one {ending}")

    def _overdue(self, worker: Worker) -> None:
        call = worker.call
        worker.kill()
        if call is None:
            self._mourn(worker)
            return
        self._drop(worker)
        call.future.set_exception(
            TimeLimitError(f"took longer than the time limit of {self._time_limit_s:g} s")
        )

    def _give_up(self, cause: str) -> None:
        with self._lock:
            calls = [*self._waiting, *self._suspects]
            self._waiting.clear()
            self._suspects.clear()
            self._failed_starts, self._first_failed_start = 0, None
        for call in calls:
            if call.begins():
                call.future.set_exception(WorkerDiedError(cause))

    def _drop(self, worker: Worker) -> str:
        self._workers.remove(worker)
        return worker.end()

    def _end_all(self) -> None:
        if self._killing:
            for worker in self._workers:
                worker.process.kill()
        for worker in self._workers:
            worker.connection.close()
        for worker in self._workers:
            if not self._killing:
                worker.process.join(2.0)
            if not self._killing and worker.process.exitcode is None:
                worker.kill()
            if worker.call is not None:
                worker.call.drop()
        self._workers.clear()

    def _memory_error(self) -> MemoryLimitError:
        if self._memory_limit_bytes is None:
            return MemoryLimitError("there is not enough memory for it")
        return MemoryLimitError(
            f"needs more memory than the limit of {self._memory_limit_bytes / 2**20:,.0f} MiB"
        )
