"""Parquet: the tidy table of the CSV format, with one row for each key of each joint, in columns.

What is read
    The columns of the format ``csv``: ``joint``, ``parent``, ``time_s``; ``x`` ``y`` ``z`` ``w``, or
    ``rotate_x`` ``rotate_y`` ``rotate_z`` with ``rotation_order``; and where they are there ``position_x`` to
    ``position_z``, ``rest_x`` to ``rest_w``, ``offset_x`` to ``offset_z``, ``tip_x`` to ``tip_z``. They mean
    what they mean there: ``hinge-audit explain csv``. Words are text or dictionaries of text; numbers are
    whole or floating of any size. An empty cell is a null; for words an empty text too. Any compression of the
    format is fine.

What is kept
    A file that was read is written back byte for byte where nothing was turned. Else its rows and columns stay
    in their order, and those of turned joints and of their children get new numbers.

What is refused
    What is refused in CSV: each error names the row, counted from 0, and the column. NaN is not an empty cell
    and is refused. So are columns of any other type, a file that is cut short or damaged, and one that would
    unpack to more than 20 million rows or 4 GB. An error reads:

        takes/walk.parquet: row 1, column w: nan is not a finite number. Put in a number, or leave the cell
        empty where the column may be
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

import numpy as np

from audit.errors import FormatError
from audit.model import Shot
from audit.plugins import Format, Opened, only_one
from audit.tables import (
    TEXTS,
    Cells,
    Changes,
    Columns,
    cells_of,
    rows_of,
    shot_of,
    table_bytes,
)

__all__ = ["FORMAT", "read", "recognises", "sample", "write"]

MAGIC = b"PAR1"
MOST_ROWS = 20_000_000
MOST_BYTES = 4 * 2**30


def recognises(head: bytes) -> bool:
    """Tell whether the first bytes of a file say that it is Parquet."""
    return head.startswith(MAGIC)


def read(opened: Opened) -> tuple[Shot, ...]:
    """Read a table to one shot; see :func:`audit.tables.shot_of`.

    Parameters
    ----------
    opened
        The file; it has no separate skeleton.

    Raises
    ------
    InputError
        Where a separate skeleton is given.
    FormatError
        Where the table breaks its rules, with row and column.
    """
    opened.check_whole()
    _, cells = _opened(opened.data, opened.path)
    return (shot_of(rows_of(cells), opened.source("parquet"), opened.data),)


def _opened(data: bytes, path: str) -> tuple[Any, Cells]:
    """Return the table and the cells of a file."""
    table = _table(data, path)
    return table, cells_of(table, path, lambda row: f"row {row}", "the columns", text=False)


def _table(data: bytes, path: str) -> Any:
    """Return the table of a file."""
    import pyarrow as pa  # noqa: PLC0415 (heavy)
    import pyarrow.parquet as pq  # noqa: PLC0415

    def fault(cause: str, where: str, hint: str) -> FormatError:
        return FormatError(cause, path=path, where=where, hint=hint)

    if len(data) < 12 or not (data.startswith(MAGIC) and data.endswith(MAGIC)):
        raise fault(
            "does not begin and end with PAR1",
            "the end of the file" if data.startswith(MAGIC) else "the start of the file",
            "The file seems to be cut short: copy or write it again",
        )
    try:
        file = pq.ParquetFile(io.BytesIO(data), page_checksum_verification=True)
        about = file.metadata
        size = sum(about.row_group(group).total_byte_size for group in range(about.num_row_groups))
        rows = about.num_rows
    except (pa.ArrowException, OSError, ValueError, KeyError, MemoryError) as error:
        raise fault(
            f"cannot be read as Parquet ({_first_line(error)})",
            "the end of the file",
            "The file seems to be damaged: copy or write it again",
        ) from error
    if not 0 <= rows <= MOST_ROWS or not 0 <= size <= MOST_BYTES:
        raise fault(
            f"would unpack to {rows:,} rows and {size:,} bytes",
            "the end of the file",
            f"Up to {MOST_ROWS:,} rows are read; write shorter shots",
        )
    try:
        table = file.read(use_threads=False)
        table.validate(full=True)
    except (pa.ArrowException, OSError, ValueError, KeyError, MemoryError) as error:
        raise fault(
            f"cannot be read as Parquet ({_first_line(error)})",
            "the columns",
            "The file seems to be damaged: copy or write it again",
        ) from error
    return table


def _first_line(error: BaseException) -> str:
    text = str(error) or type(error).__name__
    return text.splitlines()[0][:120]


def write(shots: Sequence[Shot], name: str) -> dict[str, bytes]:
    """Return one shot as a table, by its file's name; see :func:`audit.tables.table_bytes`.

    Raises
    ------
    UsageError
        Where there are several shots, or a table cannot hold the shot.
    """
    shot = only_one(shots, "a table")
    data = table_bytes(shot, "parquet", opened=_opened, patched=_patched, new=_new)
    return {name: data}


def _patched(table: Any, cells: Cells, changes: Changes) -> bytes:
    """Return the file with what has changed."""
    import pyarrow as pa  # noqa: PLC0415

    for name, (rows, values) in changes.numbers.items():
        numbers = cells.numbers.get(name, np.full(table.num_rows, np.nan)).copy()
        numbers[rows] = values
        column = pa.array(numbers, pa.float64(), mask=np.isnan(numbers))
        if name in table.column_names:
            table = table.set_column(table.column_names.index(name), name, column)
        else:
            table = table.append_column(name, column)
    if changes.orders:
        codes, words = cells.texts["rotation_order"]
        orders = [words[code] or None for code in codes]
        for row, order in changes.orders.items():
            orders[row] = order
        place = table.column_names.index("rotation_order")
        table = table.set_column(place, "rotation_order", pa.array(orders, pa.string()))
    return _bytes_of(table)


def _new(columns: Columns) -> bytes:
    """Return a new file."""
    import pyarrow as pa  # noqa: PLC0415

    arrays = {}
    for name in columns.names:
        if name in TEXTS:
            places, words = columns.texts[name]
            known = [word or None for word in words]
            arrays[name] = pa.array([known[place] for place in places.tolist()], pa.string())
        else:
            numbers = columns.numbers[name]
            arrays[name] = pa.array(numbers, pa.float64(), mask=np.isnan(numbers))
    return _bytes_of(pa.table(arrays))


def _bytes_of(table: Any) -> bytes:
    """Return a table as a file, with checksums, so that damage is noticed."""
    import pyarrow.parquet as pq  # noqa: PLC0415

    buffer = io.BytesIO()
    pq.write_table(table, buffer, write_page_checksum=True)
    return buffer.getvalue()


def sample() -> Opened:
    """Return a tiny valid file: two joints, two keys each."""
    import pyarrow as pa  # noqa: PLC0415

    half = 0.5**0.5
    numbers = {
        "time_s": [0.0, 0.5, 0.0, 0.75],
        "x": [0.0, 0.0, 0.0, half],
        "y": [0.0, 0.0, 0.0, 0.0],
        "z": [0.0, half, 0.0, 0.0],
        "w": [1.0, half, 1.0, half],
        "offset_x": [0.0, None, 0.0, None],
        "offset_y": [1.0, None, 2.5, None],
        "offset_z": [0.0, None, 0.0, None],
    }
    table = {
        "joint": pa.array(["Mast", "Mast", "Boom", "Boom"]),
        "parent": pa.array([None, None, "Mast", "Mast"]),
    } | {name: pa.array(column, pa.float64()) for name, column in numbers.items()}
    return Opened(_bytes_of(pa.table(table)), "sample.parquet")


FORMAT = Format(
    name="parquet",
    title="The same tidy table in columns",
    suffixes=(".parquet",),
    recognises=recognises,
    read=read,
    sample=sample,
    write=write,
)
