"""A shot as the bytes of a table: the one that it was read from with what has changed, or a new one."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from audit.model import Shot
from audit.tables.cells import Cells
from audit.tables.changes import Changes, changes_of
from audit.tables.fresh import Columns, fresh
from audit.tables.rows import rows_of

Table = TypeVar("Table")


def table_bytes(
    shot: Shot,
    format_name: str,
    *,
    opened: Callable[[bytes, str], tuple[Table, Cells]],
    patched: Callable[[Table, Cells, Changes], bytes],
    new: Callable[[Columns], bytes],
) -> bytes:
    """Return a shot as the bytes of a table.

    Parameters
    ----------
    shot
        As it was read, or with joints turned since; or of another origin.
    format_name
        Name of the format that keeps the table.
    opened
        From the bytes and the path of a file to the table as the format holds it, and its cells.
    patched
        Returns such a table as bytes, with new numbers and orders in some of its cells.
    new
        Returns columns as the bytes of a new table.

    Returns
    -------
    bytes
        A table that was read stays byte for byte as it was where nothing was turned. Else its rows stay in
        their order, those of joints that turned or whose parent did get new cells, and the table gets columns
        where it has to say more than before. It is new where the shot was read from none, or has other joints
        or keys by now.

    Raises
    ------
    UsageError
        Where a table cannot hold the shot.
    """
    if isinstance(shot.origin, bytes) and shot.source.format == format_name:
        table, cells = opened(shot.origin, shot.source.file)
        changes = changes_of(shot, rows_of(cells))
        if changes is not None:
            return patched(table, cells, changes) if changes else shot.origin
    return new(fresh(shot))
