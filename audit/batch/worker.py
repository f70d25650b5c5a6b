"""The inside of a worker process: it takes one call at a time from a pipe and sends back what came of it."""

from __future__ import annotations

import multiprocessing
import os
import pickle
import signal
import threading
import traceback
from contextlib import suppress
from importlib import import_module
from multiprocessing.connection import Connection, wait
from pathlib import Path

READY = b"ready"
OUT_OF_MEMORY = b"out of memory"
"""Sent as they are, because there may be no memory left to make a message in."""

THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
"""What numerical libraries ask for how many threads to use. Workers share the cores, so each takes one."""


def serve(
    connection: Connection, memory_limit_bytes: int | None, imports: tuple[str, ...] = ()
) -> None:
    """Work on calls until there are no more, or the process that sent them is gone.

    Parameters
    ----------
    connection
        Calls come in as pickled ``(function, arguments, keywords)``; ``(True, value, "")`` or ``(False, error,
        traceback)`` go out, or :data:`OUT_OF_MEMORY`.
    memory_limit_bytes
        How much more address space this process may take than it has at the start; None for no limit.
    imports
        Modules to import at the start, so that no item pays for them.
    """
    # Ctrl-C goes to the whole terminal; the process that sends the calls decides what it means.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    for name in THREADS:
        os.environ.setdefault(name, "1")
    threading.Thread(target=_end_with_parent, daemon=True).start()
    for module in imports:
        # One that is not there is missed by the task that needs it, which can say so.
        with suppress(ImportError):
            import_module(module)
    if memory_limit_bytes is not None:
        limit_memory(memory_limit_bytes)
    try:
        connection.send_bytes(READY)
        while True:
            reply = _reply(connection.recv_bytes())
            connection.send_bytes(reply)
            if reply is OUT_OF_MEMORY:
                # What is left in pieces of memory would count against the next item.
                return
    except (EOFError, OSError):
        return


def _reply(call: bytes) -> bytes:
    try:
        function, arguments, keywords = pickle.loads(call)
        return pickle.dumps((True, function(*arguments, **keywords), ""), pickle.HIGHEST_PROTOCOL)
    except MemoryError:
        return OUT_OF_MEMORY
    except (
        Exception
    ) as error:  # the edge of the process: whatever the task raised is told to its sender
        return _told(error)


def _told(error: Exception) -> bytes:
    trace = traceback.format_exc()
    try:
        told = pickle.dumps((False, error, trace), pickle.HIGHEST_PROTOCOL)
        pickle.loads(told)
    except Exception:  # errors with arguments of their own often do not survive the journey
        plain = RuntimeError(f"{type(error).__name__}: {error}")
        told = pickle.dumps((False, plain, trace), pickle.HIGHEST_PROTOCOL)
    return told


def _end_with_parent() -> None:
    """End this process when the one that started it has died, even in the middle of a task."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(1)


def limit_memory(most_bytes: int) -> bool:
    """Keep this process from taking more than so many bytes of address space beyond what it has now.

    Parameters
    ----------
    most_bytes
        The limit, in bytes.

    Returns
    -------
    bool
        Whether this system can hold a process to it.
    """
    try:
        import resource  # noqa: PLC0415 (there is none on Windows)
    except ImportError:
        return False
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
        now = pages * resource.getpagesize()
    except (OSError, ValueError):
        now = 0
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    wanted = now + most_bytes
    if hard != resource.RLIM_INFINITY:
        wanted = min(wanted, hard)
    with suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_AS, (wanted, hard))
        return True
    return False
