"""The same work on a Dask cluster, behind the same interface as the pool of this machine."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError, Executor, Future
from contextlib import contextmanager
from importlib import import_module
from typing import Any, ParamSpec, TypeVar

from audit.batch.outcome import MemoryLimitError, WorkerDiedError
from audit.errors import InputError, UsageError

Params = ParamSpec("Params")
Returned = TypeVar("Returned")

CONNECT_TIMEOUT_S = 10.0


@contextmanager
def cluster_executor(
    address: str, *, timeout_s: float = CONNECT_TIMEOUT_S
) -> Iterator[ClusterExecutor]:
    """Give an executor that runs calls on a Dask cluster.

    Parameters
    ----------
    address
        Of the cluster's scheduler, such as ``tcp://host:8786``, or the path of a scheduler file.
    timeout_s
        How long to wait for it.

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
    whole files, so that does no harm.
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
        executor = ClusterExecutor(client.get_executor(pure=False))
        try:
            yield executor
        finally:
            executor.shutdown(wait=False, cancel_futures=True)
    finally:
        client.close()


class ClusterExecutor(Executor):
    """Dask's executor, with the errors of this project where a worker dies or has no memory left.

    Parameters
    ----------
    inner
        From ``Client.get_executor``.
    """

    def __init__(self, inner: Executor) -> None:
        self._inner = inner

    def submit(
        self, fn: Callable[Params, Returned], /, *args: Params.args, **kwargs: Params.kwargs
    ) -> Future[Returned]:
        """Put a call in line."""
        outer: Future[Returned] = Future()
        outer.set_running_or_notify_cancel()
        inner = self._inner.submit(_in_folder, os.getcwd(), fn, args, kwargs)
        inner.add_done_callback(lambda done: _hand_on(done, outer))
        return outer

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Let the cluster go; calls in line are dropped where that is asked for, or nobody waits."""
        # Dask has one word for both: who does not wait has no use for what is not finished.
        self._inner.shutdown(wait=wait and not cancel_futures)


def _in_folder(
    folder: str, function: Callable[..., Any], arguments: tuple[Any, ...], keywords: dict[str, Any]
) -> Any:
    """Make a call where the caller stands, so that relative paths mean the same on the cluster."""
    if os.getcwd() != folder:
        os.chdir(folder)
    return function(*arguments, **keywords)


def _hand_on(inner: Future[Any], outer: Future[Any]) -> None:
    try:
        outer.set_result(inner.result())
    except CancelledError:
        outer.set_exception(WorkerDiedError("the run was stopped"))
    except MemoryError:
        outer.set_exception(MemoryLimitError("there is not enough memory for it on the cluster"))
    except Exception as error:  # handed on, whatever it is
        if type(error).__name__ == "KilledWorker":
            died = WorkerDiedError("the processes of the cluster that worked on it died")
            outer.set_exception(died)
        else:
            outer.set_exception(error)
