"""The cells of a table: words and numbers, each with its place."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from audit.errors import FormatError
from audit.tables.columns import TEXTS, check_header

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

LARGEST = 1e30
"""Larger numbers are refused (our choice): a product of a few of them would not be finite any more."""


@dataclass(frozen=True, eq=False)
class Cells:
    """The cells of a table.

    Attributes
    ----------
    path
        Of the file, for error messages.
    where
        Returns the place of a row, as errors name it: "line 12".
    texts
        For each column of words the place of every row's word (R,) in a list of words; "" where empty.
    numbers
        For each column of numbers its numbers (R,), NaN where empty.
    """

    path: str
    where: Callable[[int], str]
    texts: dict[str, tuple[Indices, list[str]]]
    numbers: dict[str, Array]

    def fault(self, row: int, column: str, cause: str, hint: str) -> FormatError:
        """Return the error for a cell."""
        return FormatError(
            cause, path=self.path, where=f"{self.where(row)}, column {column}", hint=hint
        )

    def group(self, names: tuple[str, ...]) -> Array:
        """Return columns that belong together (R, n), NaN where empty or where the table lacks them."""
        if names[0] not in self.numbers:
            return np.full((len(self.numbers["time_s"]), len(names)), np.nan)
        return np.stack([self.numbers[name] for name in names], axis=1)


def cells_of(
    table: Any, path: str, where: Callable[[int], str], header: str, *, text: bool
) -> Cells:
    """Return the cells of a table of pyarrow.

    Parameters
    ----------
    table
        The table.
    path, where
        As in :class:`Cells`.
    header
        Where the names of the columns stand, for error messages.
    text
        Whether every cell is text, as in CSV; an empty one is then an empty cell.

    Raises
    ------
    FormatError
        Where columns are wrong, or a cell holds no finite number where one belongs.
    """
    import pyarrow as pa  # noqa: PLC0415 (heavy)
    import pyarrow.compute as pc  # noqa: PLC0415

    check_header(table.column_names, path, header)
    cells = Cells(path, where, {}, {})
    for name in table.column_names:
        column = table.column(name).combine_chunks()
        if column.null_count == len(column):
            # A column without a single cell may be of any type.
            column = pa.nulls(len(column))
        kind = column.type.value_type if pa.types.is_dictionary(column.type) else column.type
        wordy = pa.types.is_string(kind) or pa.types.is_large_string(kind)
        if name in TEXTS:
            if not (wordy or pa.types.is_null(kind)):
                raise cells.fault(0, name, f"holds {kind}, not words", "Write the column as text")
            words = pc.fill_null(column.cast(pa.string()), "").dictionary_encode()
            cells.texts[name] = (
                words.indices.to_numpy(zero_copy_only=False).astype(np.int64),
                words.dictionary.to_pylist(),
            )
        elif text and wordy:
            cells.numbers[name] = _numbers_from_text(cells, name, column)
        elif pa.types.is_floating(kind) or pa.types.is_integer(kind) or pa.types.is_null(kind):
            cells.numbers[name] = _numbers(cells, name, column)
        else:
            raise cells.fault(0, name, f"holds {kind}, not numbers", "Write the column as numbers")
    return cells


def _numbers_from_text(cells: Cells, name: str, column: Any) -> Array:
    """Return the numbers that words spell (R,), NaN where they are empty."""
    import pyarrow as pa  # noqa: PLC0415
    import pyarrow.compute as pc  # noqa: PLC0415

    words = pc.ascii_trim_whitespace(column)
    words = pc.if_else(pc.equal(words, ""), pa.scalar(None, words.type), words)
    try:
        return _numbers(cells, name, words.cast(pa.float64()))
    except pa.ArrowInvalid:
        pass
    for row, word in enumerate(words.to_pylist()):
        try:
            pa.scalar(word, pa.string()).cast(pa.float64())
        except pa.ArrowInvalid:
            hint = "Only numbers such as 12.5 or -1e-3 may stand there"
            raise cells.fault(row, name, f"{word[:40]!r} is not a number", hint) from None
    raise cells.fault(0, name, "holds a word that is not a number", "Write the table again")


def _numbers(cells: Cells, name: str, column: Any) -> Array:
    """Return the numbers of a column (R,), NaN where it is empty."""
    import pyarrow as pa  # noqa: PLC0415

    empty = column.is_null().to_numpy(zero_copy_only=False)
    values = np.array(
        column.cast(pa.float64(), safe=False).fill_null(0.0).to_numpy(zero_copy_only=False),
        dtype=np.float64,
    )
    wrong = ~(np.abs(values) <= LARGEST)
    if np.any(wrong):
        row = int(np.argmax(wrong))
        raise cells.fault(
            row,
            name,
            f"{values[row]:g} is not a finite number"
            if not np.isfinite(values[row])
            else f"{values[row]:g} is too large",
            "Put in a number, or leave the cell empty where the column may be",
        )
    values[empty] = np.nan
    return values
