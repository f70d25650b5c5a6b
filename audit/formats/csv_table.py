"""CSV: a tidy table with one row for each key of each joint, for any program that has no format above.

What is read
    UTF-8 text with commas and a header line. Every table has ``joint``, ``parent`` (empty for a root) and
    ``time_s`` (seconds), and rotations: either ``x``, ``y``, ``z``, ``w``, a unit quaternion from the joint's
    axes to its parent's; or ``rotate_x``, ``rotate_y``, ``rotate_z`` in degrees, the turn away from rest in
    the joint's own axes, with ``rotation_order``. May be there: ``rotation_order`` beside quaternions;
    ``position_x`` to ``position_z``, the joint's whole position in its parent's axes; and of the joint as a
    whole ``rest_x`` to ``rest_w``, its rest rotation, ``offset_x`` to ``offset_z``, its rest position, and
    ``tip_x`` to ``tip_z``, its end point in its own axes. Columns and rows may stand in any order; joints may
    have keys at times of their own. Cells may be in quotation marks. Blank lines and lines that begin with
    ``#`` are skipped.

How it is understood
    A rotation order such as ``ZXY`` means Rz · Rx · Ry for column vectors. Between keys a joint turns the
    straight way. Rotation or position of a row may be empty: then it is a key of the other alone. An angle or
    a position that is empty in all rows of a joint is a channel that it does not have. A joint without keys
    has one row without a time. What is said of a joint as a whole stands in one of its rows; others repeat it
    or leave it empty. A joint that states no rest has the rest rotation identity; one that states no offset
    has its first position as offset, or 0 where it has none. Quaternions that are not of unit length are made
    so.

What is kept
    A table that was read is written back byte for byte, but for the rows of turned joints and of their
    children, and columns that these need more. A new table has every number as the shortest decimal that reads
    back the same.

What is refused
    Columns that are missing, unknown or there twice; a cell that is empty where it may not be; text where a
    number should be, NaN and infinite numbers; a rotation without length; a joint with two rows at one time,
    two parents or two offsets; a parent that is no joint; joints in a ring; a line with too few or too many
    cells. Each error names the line, counted from 1, and the column:

        takes/walk.csv: line 5, column rotate_x: '35,5' is not a number. Only numbers such as 12.5 or -1e-3 may
        stand there
"""

from __future__ import annotations

import csv
import io
import re
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
    check_header,
    recognised_header,
    rows_of,
    shot_of,
    table_bytes,
)

__all__ = ["FORMAT", "read", "recognises", "sample", "write"]

BYTE_ORDER_MARK = b"\xef\xbb\xbf"

_LINE = re.compile(rb"[^\r\n]*(?:\r\n|\r|\n)|[^\r\n]+")
_CELL = re.compile(r'(?:[^,"]|"(?:[^"]|"")*")*')


class _Text:
    """A CSV file as lines: which of them are rows, and the way back from a row to its line."""

    def __init__(self, data: bytes) -> None:
        self.mark = BYTE_ORDER_MARK if data.startswith(BYTE_ORDER_MARK) else b""
        self.lines: list[bytes] = _LINE.findall(data[len(self.mark) :])
        self.rows = [
            number
            for number, line in enumerate(self.lines)
            if line.strip(b" \t\r\n,") and not line.lstrip(b" \t").startswith(b"#")
        ]

    def where(self, row: int) -> str:
        """Return the place of a row; the header is row −1."""
        place = min(row + 1, len(self.rows) - 1)
        return f"line {self.rows[place] + 1 if self.rows else 1}"


def recognises(head: bytes) -> bool:
    """Tell whether the first bytes of a file say that it is a table of motion as CSV."""
    for line in head.removeprefix(BYTE_ORDER_MARK).splitlines():
        if line.strip() and not line.lstrip().startswith(b"#"):
            return recognised_header(_names(line.decode("utf-8", "replace")))
    return False


def _names(header: str) -> list[str]:
    """Return the names of the columns that a header line lists."""
    return [cell.strip().removeprefix('"').removesuffix('"') for cell in header.split(",")]


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
        Where the table breaks its rules, with line and column.
    """
    opened.check_whole()
    _, cells = _opened(opened.data, opened.path)
    return (shot_of(rows_of(cells), opened.source("csv"), opened.data),)


def _opened(data: bytes, path: str) -> tuple[_Text, Cells]:
    """Return the lines and the cells of a file."""
    import pyarrow as pa  # noqa: PLC0415 (heavy)
    import pyarrow.csv as pa_csv  # noqa: PLC0415

    text = _Text(data)
    if not text.rows:
        raise FormatError(
            "has no header line",
            path=path,
            where="line 1",
            hint="The first line names the columns: joint,parent,time_s,x,y,z,w",
        )
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise FormatError(
            "is not UTF-8", path=path, where=f"line {line}", hint="Save the table as UTF-8 text"
        ) from error
    header = text.lines[text.rows[0]].decode("utf-8")
    names = _names(header.rstrip("\r\n"))
    check_header(names, path, text.where(-1))
    body = b"\n".join(text.lines[number].rstrip(b"\r\n") for number in text.rows[1:])
    if not body:
        body_table = pa.table({name: pa.array([], pa.string()) for name in dict.fromkeys(names)})
        return text, cells_of(body_table, path, text.where, text.where(-1), text=True)
    try:
        table = pa_csv.read_csv(
            io.BytesIO(body + b"\n"),
            read_options=pa_csv.ReadOptions(
                column_names=[str(number) for number in range(len(names))], use_threads=False
            ),
            parse_options=pa_csv.ParseOptions(ignore_empty_lines=False),
            convert_options=pa_csv.ConvertOptions(
                column_types={str(number): pa.string() for number in range(len(names))},
                strings_can_be_null=False,
                check_utf8=False,
            ),
        )
    except pa.ArrowInvalid as error:
        raise _wrong_line(text, len(names), path) from error
    if table.num_rows != len(text.rows) - 1:
        raise _wrong_line(text, len(names), path)
    table = table.rename_columns(names)
    return text, cells_of(table, path, text.where, text.where(-1), text=True)


def _raw_cells(line: str) -> list[str]:
    """Return the cells of a line as they stand there, quotation marks included."""
    cells, place = [], 0
    while True:
        found = _CELL.match(line, place)
        end = found.end() if found else place
        cells.append(line[place:end])
        if end >= len(line) or line[end] != ",":
            return [*cells[:-1], line[place:]]
        place = end + 1


def _wrong_line(text: _Text, width: int, path: str) -> FormatError:
    """Return the error for the first line with another number of cells than the header."""
    for row, number in enumerate(text.rows[1:]):
        line = text.lines[number].decode("utf-8").rstrip("\r\n")
        if line.count('"') % 2:
            return FormatError(
                "a quotation mark is not closed on its line",
                path=path,
                where=text.where(row),
                hint="Close it; a cell cannot run over several lines",
            )
        if len(_raw_cells(line)) != width:
            return FormatError(
                f"the line has {len(_raw_cells(line))} cells, but the header names {width}",
                path=path,
                where=text.where(row),
                hint="The file seems to be cut short; a cell with a comma in it needs quotation marks",
            )
    return FormatError(
        "the lines cannot be told apart", path=path, where="line 1", hint="Write the table again"
    )


def write(shots: Sequence[Shot], name: str) -> dict[str, bytes]:
    """Return one shot as a table, by its file's name; see :func:`audit.tables.table_bytes`.

    Raises
    ------
    UsageError
        Where there are several shots, or a table cannot hold the shot.
    """
    shot = only_one(shots, "a table")
    data = table_bytes(shot, "csv", opened=_opened, patched=_patched, new=_new)
    return {name: data}


def _patched(text: _Text, _: Cells, changes: Changes) -> bytes:
    """Return the file with what has changed."""
    header = text.lines[text.rows[0]].decode("utf-8")
    names = _names(header.rstrip("\r\n"))
    added = [each for each in changes.numbers if each not in names]
    columns = {each: place for place, each in enumerate((*names, *added))}
    new: dict[int, dict[int, str]] = {}
    for each, (rows, values) in changes.numbers.items():
        for row, value in zip(rows.tolist(), values.tolist(), strict=True):
            new.setdefault(row, {})[columns[each]] = repr(value)
    for row, order in changes.orders.items():
        new.setdefault(row, {})[columns["rotation_order"]] = order
    lines = list(text.lines)
    if added:
        lines[text.rows[0]] = _with_end(header, ",".join((header.rstrip("\r\n"), *added)))
    for row, number in enumerate(text.rows[1:]):
        if row not in new and not added:
            continue
        line = lines[number].decode("utf-8")
        cells = [*_raw_cells(line.rstrip("\r\n")), *[""] * len(added)]
        for column, cell in new.get(row, {}).items():
            cells[column] = cell
        lines[number] = _with_end(line, ",".join(cells))
    return text.mark + b"".join(lines)


def _with_end(before: str, line: str) -> bytes:
    """Return a line with the line ending of the one that it takes the place of."""
    return (line + before[len(before.rstrip("\r\n")) :]).encode("utf-8")


def _new(columns: Columns) -> bytes:
    """Return a new file."""
    cells: list[Any] = []
    for name in columns.names:
        if name in TEXTS:
            places, words = columns.texts[name]
            quoted = [_quoted(word) for word in words]
            cells.append([quoted[place] for place in places.tolist()])
        else:
            numbers = columns.numbers[name]
            spelled = list(map(repr, numbers.tolist()))
            for row in np.flatnonzero(np.isnan(numbers)).tolist():
                spelled[row] = ""
            cells.append(spelled)
    lines = [",".join(columns.names), *map(",".join, zip(*cells, strict=True))]
    return ("\n".join(lines) + "\n").encode("utf-8")


def _quoted(word: str) -> str:
    """Return a word as a cell, in quotation marks where it needs them."""
    if word.startswith("#") or word != word.strip():
        return '"' + word.replace('"', '""') + '"'
    line = io.StringIO()
    csv.writer(line, lineterminator="").writerow([word])
    return line.getvalue() if word else ""


def sample() -> Opened:
    """Return a tiny valid file: two joints, two keys each."""
    return Opened(
        b"""joint,parent,time_s,rotation_order,rotate_x,rotate_y,rotate_z,offset_x,offset_y,offset_z
Mast,,0.0,ZXY,0.0,5.0,0.0,0.0,1.0,0.0
Mast,,0.5,ZXY,0.0,7.5,0.25,,,
Boom,Mast,0.0,ZXY,30.0,0.0,0.0,0.0,2.5,0.0
Boom,Mast,0.5,ZXY,35.5,0.0,0.0,,,
""",
        "sample.csv",
    )


FORMAT = Format(
    name="csv",
    title="A tidy table as text, one row for each key of each joint",
    suffixes=(".csv",),
    recognises=recognises,
    read=read,
    sample=sample,
    write=write,
)
