"""What came of one item of a batch, and what is told while the batch runs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, Literal, TypeVar

from audit.errors import AuditError

Item = TypeVar("Item")
Result = TypeVar("Result")

Status = Literal["done", "failed", "crashed", "timed-out", "out-of-memory"]
Origin = Literal["worked", "cache", "journal"]


@dataclass(frozen=True, slots=True)
class Outcome(Generic[Item, Result]):
    """What came of one item.

    Attributes
    ----------
    index, item
        Its place among the items, and the item.
    status
        ``done``: there is a value. ``failed``: the task raised an error. ``crashed``: the process that worked
        on it died, twice. ``timed-out`` and ``out-of-memory``: it passed a limit and was ended.
    value
        What the task returned; None unless ``done``.
    reason
        One sentence on what went wrong; empty where it is ``done``.
    traceback
        Where in the program an unexpected error came from, for ``--debug``; empty otherwise.
    attempts
        How often it was begun; more than once where a worker died. On a cluster, how often it was handed to
        it: the cluster itself begins it more often.
    origin
        Whether it was worked out in this run or known before.
    """

    index: int
    item: Item
    status: Status
    value: Result | None = None
    reason: str = ""
    traceback: str = ""
    attempts: int = 1
    origin: Origin = "worked"


@dataclass(frozen=True, slots=True)
class Event(Generic[Item, Result]):
    """One more item is finished, or there is something to be said.

    Attributes
    ----------
    outcome
        What came of the item that is finished, in the order of finishing; None for a remark.
    done, total
        How many items are finished, and of how many.
    remark
        A sentence on the batch itself, such as that its cache cannot be written; empty otherwise.
    """

    outcome: Outcome[Item, Result] | None
    done: int
    total: int
    remark: str = ""


class WorkerDiedError(AuditError, RuntimeError):
    """The process that worked on an item died."""


class TimeLimitError(AuditError, RuntimeError):
    """An item took longer than it may; the process that worked on it was ended."""


class MemoryLimitError(AuditError, RuntimeError):
    """An item asked for more memory than it may have."""
