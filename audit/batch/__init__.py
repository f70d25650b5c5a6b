"""Many shots: worker processes that may die, a cluster, a cache, and runs that can be resumed."""

from audit.batch.cache import Cache, default_folder, digest_of, stamp_of
from audit.batch.cluster import cluster_executor
from audit.batch.journal import Journal
from audit.batch.outcome import (
    Event,
    MemoryLimitError,
    Outcome,
    TimeLimitError,
    WorkerDiedError,
)
from audit.batch.packing import Packing
from audit.batch.pool import WorkerPool
from audit.batch.running import run
from audit.batch.verdicts import Gate, Ways

__all__ = [
    "Cache",
    "Event",
    "Gate",
    "Journal",
    "MemoryLimitError",
    "Outcome",
    "Packing",
    "TimeLimitError",
    "Ways",
    "WorkerDiedError",
    "WorkerPool",
    "cluster_executor",
    "default_folder",
    "digest_of",
    "run",
    "stamp_of",
]
