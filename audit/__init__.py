"""hinge-audit: which joints spread one movement over several curves, and what to turn to mend that.

    >>> import audit
    >>> shot = audit.read("fixtures/wade_messy.bvh")
    >>> table = audit.measure(shot)          # a pandas table, one row a joint
    >>> offsets = audit.suggest(shot)        # the offsets sheet: what to turn
    >>> better = audit.correct(shot, offsets)

Names are loaded when they are first used, so that ``import audit`` costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from audit.correction import write as write
    from audit.errors import AuditError as AuditError
    from audit.errors import FormatError as FormatError
    from audit.model import Channels as Channels
    from audit.model import Shot as Shot
    from audit.model import Skeleton as Skeleton
    from audit.model import Source as Source
    from audit.pipeline import correct as correct
    from audit.pipeline import measure as measure
    from audit.pipeline import read as read
    from audit.pipeline import read_all as read_all
    from audit.pipeline import suggest as suggest
    from audit.settings import Settings as Settings
    from audit.sheet import Sheet as Sheet

__version__ = "0.1.0"

_HOME = {
    "AuditError": "audit.errors",
    "FormatError": "audit.errors",
    "Channels": "audit.model",
    "Shot": "audit.model",
    "Skeleton": "audit.model",
    "Source": "audit.model",
    "Settings": "audit.settings",
    "Sheet": "audit.sheet",
    "correct": "audit.pipeline",
    "measure": "audit.pipeline",
    "read": "audit.pipeline",
    "read_all": "audit.pipeline",
    "suggest": "audit.pipeline",
    "write": "audit.correction",
}

__all__ = [*sorted(_HOME), "__version__"]  # noqa: PLE0604


def __getattr__(name: str) -> object:
    if name not in _HOME:
        raise AttributeError(f"module 'audit' has no attribute {name!r}")
    value = getattr(import_module(_HOME[name]), name)
    globals()[name] = value
    return value
