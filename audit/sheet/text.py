"""An offsets sheet as CSV text: read as spreadsheets and people leave it, written so that it reads back."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from difflib import get_close_matches

from audit.errors import FormatError
from audit.sheet.rows import COLUMNS, HEADING, Offset, Sheet, problem_of

BYTE_ORDER_MARK = "\ufeff"
COMMENT = "#"
FORMULA = ("=", "+", "-", "@", COMMENT, "'")
"""A spreadsheet would take a cell that begins so for a formula, or we for a comment: an apostrophe goes before
it, as spreadsheets themselves do."""

GUIDE = """\
# Offsets. Each row turns the axes of one joint: twist_offset_deg right-handed about limb_axis; where a
# full_offset stands, that is applied in its place. Clear both to leave the joint as it is. Turning axes changes
# every curve and every mechanism of a joint: agree on it first, work on copies, and test the rig again.
"""

_NAMES = tuple(column.name for column in COLUMNS)
_TEXTS = ("joint", "target_axis", "advised_order", "mostly_from", "reason", "advice")
_ACTIONS = ("twist_offset_deg", "full_offset_x")
_DECIMALS = {"twist_offset_deg": 4, "twist_low_deg": 4, "twist_high_deg": 4, "range_deg": 2}


def sheet_text(sheet: Sheet) -> str:
    """Return a sheet as CSV text, with the comments and blank lines that it was read with.

    A sheet that was made gets three lines of comment that say how to use it.
    """
    out = io.StringIO()
    if not sheet.lines:
        out.write(GUIDE)
    header = [*_NAMES, *sheet.others]
    lines: Sequence[int | str] = sheet.lines or tuple(range(len(sheet.rows)))
    if HEADING not in lines:
        lines = (HEADING, *lines)
    for line in lines:
        if isinstance(line, str):
            out.write(line + "\n")
            continue
        if line == HEADING:
            out.write(_line(header))
            continue
        row = sheet.rows[line]
        cells = [_cell(column.name, column.get(row)) for column in COLUMNS]
        out.write(_line([*cells, *(row.others.get(name, "") for name in sheet.others)]))
    return out.getvalue()


def _line(cells: Sequence[str]) -> str:
    """Return a row as a line of text."""
    out = io.StringIO()
    # The writer puts quotation marks around what ends its lines, so it has to hold both signs that can.
    csv.writer(out, lineterminator="\r\n").writerow(cells)
    return out.getvalue().removesuffix("\r\n") + "\n"


def _cell(name: str, value: str | float | None) -> str:
    if value is None:
        return ""
    if isinstance(value, int):
        return str(value)
    if isinstance(value, str):
        return f"'{value}" if value.startswith(FORMULA) else value
    return repr(round(value, _DECIMALS.get(name, 9)) + 0.0)


def read_sheet(data: bytes, path: str) -> Sheet:
    """Read an offsets sheet.

    Parameters
    ----------
    data
        CSV text in UTF-8, separated by commas, semicolons or tabs. The first line that is neither blank nor a
        comment is the heading; columns may stand in any order, and others may be there. With semicolons,
        numbers may have a decimal comma, as some spreadsheets write them.
    path
        Its path, for errors.

    Raises
    ------
    FormatError
        Where a cell cannot be used, with its row and column.
    """
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise FormatError(
            "is not UTF-8 text",
            path=path,
            where=f"row {line}",
            hint="Save the sheet as CSV in UTF-8",
        ) from error
    reading = _Reading(path)
    # Only what ends lines in files counts as such: Python's splitlines() would tear cells apart at other signs.
    lines = list(io.StringIO(text, newline=""))
    separator = _separator(lines)
    for number, cells in _rows(lines, separator, path):
        reading.take(number, cells, separator)
    return reading.sheet()


def _separator(lines: Sequence[str]) -> str:
    """Return what separates cells: whatever follows most often in the heading."""
    for line in lines:
        if line.strip() and not _is_comment(line):
            return max(",;\t", key=line.count)
    return ","


def _is_comment(line: str) -> bool:
    return line.lstrip().removeprefix('"').startswith(COMMENT)


def _comment(line: str, separator: str) -> str:
    """Return a comment without what a spreadsheet puts around it: quotation marks, and empty cells behind."""
    text = line.strip()
    if text.startswith('"'):
        with suppress(csv.Error, StopIteration):
            text = separator.join(next(csv.reader([text], delimiter=separator)))
    return text.rstrip(f"{separator} ")


def _rows(lines: Sequence[str], separator: str, path: str) -> Iterator[tuple[int, list[str] | str]]:
    """Give number and cells of each line; for a comment its text, for a blank line an empty one.

    Raises FormatError where quotation marks are not closed.
    """
    place = 0
    while place < len(lines):
        first = place
        line = lines[place].rstrip("\r\n")
        if not line.strip(f" \t{separator}"):
            yield first + 1, ""
            place += 1
            continue
        if _is_comment(line):
            yield first + 1, _comment(line, separator)
            place += 1
            continue
        # A cell in quotation marks may run over several lines.
        rest = (lines[each] for each in range(first, len(lines)))
        reader = csv.reader(rest, delimiter=separator, strict=True)
        try:
            cells = next(reader)
        except csv.Error as error:
            raise FormatError(
                f"is not CSV ({error})",
                path=path,
                where=f"row {first + 1}",
                hint="A cell that begins with a quotation mark ends with one, and holds others twice",
            ) from error
        place += reader.line_num
        yield first + 1, cells


class _Reading:
    """A sheet while it is being read."""

    def __init__(self, path: str) -> None:
        self._path = path
        self._columns: list[str] | None = None
        self._rows: list[Offset] = []
        self._lines: list[int | str] = []
        self._seen: dict[str, int] = {}

    def take(self, number: int, cells: list[str] | str, separator: str) -> None:
        """Take in a line."""
        if isinstance(cells, str):
            self._lines.append(cells)
            return
        cells = [cell.strip() for cell in cells]
        if self._columns is None:
            self._columns = self._heading(number, cells)
            self._lines.append(HEADING)
            return
        if len(cells) > len(self._columns) and any(cells[len(self._columns) :]):
            raise self._error(
                number,
                None,
                f"has {len(cells)} cells, and the heading {len(self._columns)}",
                "Put text with separators in it into quotation marks",
            )
        named = dict(zip(self._columns, cells, strict=False))
        row = self._row(number, {name: value for name, value in named.items() if value}, separator)
        self._lines.append(len(self._rows))
        self._rows.append(row)

    def _heading(self, number: int, cells: list[str]) -> list[str]:
        while cells and not cells[-1]:
            cells = cells[:-1]
        for name in cells:
            near = get_close_matches(name, _NAMES, n=1, cutoff=0.8)
            if name and name not in _NAMES and near:
                raise self._error(
                    number, name, "is no column of an offsets sheet", f"Did you mean {near[0]}?"
                )
            if cells.count(name) > 1:
                raise self._error(number, name or "''", "is there twice", "Take one of them out")
        if "joint" not in cells or not set(_ACTIONS) & set(cells):
            raise self._error(
                number,
                None,
                "is not the heading of an offsets sheet",
                "It needs the columns joint and twist_offset_deg; `hinge-audit suggest` writes one",
            )
        return cells

    def _row(self, number: int, cells: Mapping[str, str], separator: str) -> Offset:
        texts = {
            name: text
            for name, value in cells.items()
            if name in _TEXTS and (text := value.removeprefix("'").strip())
        }
        joint = texts.get("joint")
        if joint is None:
            raise self._error(number, "joint", "is empty", "Name the joint, or clear the row")
        if joint in self._seen:
            raise self._error(
                number,
                "joint",
                f"{joint!r} stands in row {self._seen[joint]} too",
                "Leave one row for each joint",
            )
        self._seen[joint] = number
        numbers = {
            name: self._number(number, name, value, separator)
            for name, value in cells.items()
            if name in _NAMES and name not in _TEXTS
        }
        limb = self._together(number, numbers, "limb_axis", "xyz")
        full = self._together(number, numbers, "full_offset", "xyzw")
        row = Offset(
            joint=joint,
            limb_axis=None if limb is None else (limb[0], limb[1], limb[2]),
            twist_offset_deg=numbers.get("twist_offset_deg"),
            twist_low_deg=numbers.get("twist_low_deg"),
            twist_high_deg=numbers.get("twist_high_deg"),
            full_offset_xyzw=None if full is None else (full[0], full[1], full[2], full[3]),
            target_axis=texts["target_axis"].upper() if "target_axis" in texts else None,
            advised_order=texts["advised_order"].upper() if "advised_order" in texts else None,
            range_deg=numbers.get("range_deg"),
            shots=None if "shots" not in numbers else round(numbers["shots"]),
            mostly_from=texts.get("mostly_from"),
            advice=texts.get("advice"),
            reason=texts.get("reason"),
            line=number,
            others={name: value for name, value in cells.items() if name not in _NAMES},
        )
        problem = problem_of(row)
        if problem is not None:
            column, cause, hint = problem
            raise self._error(number, column, cause, hint)
        return row

    def _together(
        self, number: int, numbers: Mapping[str, float], name: str, letters: str
    ) -> list[float] | None:
        """Return the numbers of columns that belong together, None where all are empty."""
        names = [f"{name}_{letter}" for letter in letters]
        given = [each for each in names if each in numbers]
        if not given:
            return None
        if len(given) < len(names):
            missing = next(each for each in names if each not in given)
            raise self._error(
                number, missing, f"is empty, but {given[0]} is not", f"Fill or clear all of {name}"
            )
        return [numbers[each] for each in names]

    def _number(self, number: int, name: str, cell: str, separator: str) -> float:
        text = cell.removesuffix("°").strip().replace("−", "-")
        if separator != ",":
            text = text.replace(",", ".")
        try:
            value = float("nan" if "_" in text else text)  # Python takes 1_0 for ten
        except ValueError:
            value = float("nan")
        if not abs(value) < float("inf"):
            raise self._error(number, name, f"{cell!r} is not a number", "Correct the cell")
        return value

    def _error(self, number: int, column: str | None, cause: str, hint: str) -> FormatError:
        where = f"row {number}" if column is None else f"row {number}, column {column}"
        return FormatError(cause, path=self._path, where=where, hint=hint)

    def sheet(self) -> Sheet:
        """Return the sheet; FormatError where there was no heading."""
        if self._columns is None:
            raise FormatError(
                "holds no heading",
                path=self._path,
                hint="An offsets sheet is CSV; `hinge-audit suggest` writes one",
            )
        others = tuple(name for name in self._columns if name and name not in _NAMES)
        lines = tuple(self._lines)
        return Sheet(tuple(self._rows), lines, others, self._path)
