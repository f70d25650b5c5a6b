"""One call and one process of a pool: what waits, who works on it, and how it ended."""

from __future__ import annotations

import pickle
import signal
import time
from concurrent.futures import Future
from contextlib import suppress
from multiprocessing.context import BaseContext
from multiprocessing.process import BaseProcess
from typing import Any

from audit.batch.outcome import WorkerDiedError
from audit.batch.worker import serve

START_LIMIT_S = 120.0
"""A process that is not ready by then is taken for hung."""


class WorkerFuture(Future[Any]):
    """A future that knows how often its call was begun, and where in the program its error came from."""

    attempts = 0
    traceback = ""


class Call:
    """A call that waits or is worked on."""

    __slots__ = ("future", "is_running", "message")

    def __init__(self, message: bytes) -> None:
        self.message = message
        self.future = WorkerFuture()
        self.is_running = False

    def begins(self) -> bool:
        """Tell whether it is still wanted; from here on its future cannot be cancelled."""
        if not self.is_running:
            self.is_running = self.future.set_running_or_notify_cancel()
        return self.is_running

    def drop(self) -> None:
        """Let nobody wait for it any more."""
        if not self.future.cancel():
            self.future.set_exception(WorkerDiedError("the run was stopped"))


class Worker:
    """A process and what it is doing."""

    __slots__ = ("call", "connection", "deadline", "process", "ready")

    def __init__(
        self, context: BaseContext, memory_limit_bytes: int | None, imports: tuple[str, ...]
    ) -> None:
        self.connection, theirs = context.Pipe()
        self.process: BaseProcess = context.Process(  # type: ignore[attr-defined]
            target=serve, args=(theirs, memory_limit_bytes, imports), daemon=True
        )
        self.process.start()
        theirs.close()
        self.ready = False
        self.call: Call | None = None
        self.deadline: float | None = time.monotonic() + START_LIMIT_S

    def send(self, call: Call, time_limit_s: float | None) -> None:
        """Give it a call; OSError where it is dead already."""
        self.connection.send_bytes(call.message)
        self.call = call
        self.deadline = None if time_limit_s is None else time.monotonic() + time_limit_s

    def end(self) -> str:
        """Make sure that it is gone, and return how it ended."""
        if self.process.is_alive():
            # A process whose pipe is at its end is about to be gone by itself, and then tells why.
            self.process.join(0.2)
        if self.process.exitcode is None:
            self.kill()
        self.connection.close()
        return ending_of(self.process.exitcode)

    def kill(self) -> None:
        """End it at once."""
        self.process.kill()
        self.process.join(5.0)


def settle(future: WorkerFuture, message: bytes) -> None:
    """Give a future what its process sent."""
    try:
        fine, value, trace = pickle.loads(message)
    except Exception as error:  # what comes from a class's own unpickling can be anything
        future.set_exception(RuntimeError(f"its result cannot be unpickled: {error}"))
        return
    if fine:
        future.set_result(value)
    else:
        future.traceback = trace
        future.set_exception(value)


def ending_of(code: int | None) -> str:
    """Return how a process ended, in words."""
    if code is None or code == 255:
        # The server that starts workers answers so where it was itself ended.
        return "was ended"
    if code >= 0:
        return f"ended with exit code {code}"
    with suppress(ValueError):
        name = signal.Signals(-code).name
        cause = " (the system ran out of memory, or somebody ended it)" if name == "SIGKILL" else ""
        return f"was ended by {name}{cause}"
    return f"was ended by signal {-code}"
