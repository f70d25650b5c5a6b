"""The offsets sheet: which joints to turn, by how much, and what says so. A CSV file that people edit."""

from audit.sheet.applying import Only, Wanted, wanted_axes
from audit.sheet.rows import COLUMNS, Offset, Sheet
from audit.sheet.suggesting import suggested
from audit.sheet.text import read_sheet, sheet_text

__all__ = [
    "COLUMNS",
    "Offset",
    "Only",
    "Sheet",
    "Wanted",
    "read_sheet",
    "sheet_text",
    "suggested",
    "wanted_axes",
]
