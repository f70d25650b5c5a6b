"""The offsets sheet: which joints to turn, by how much, and what says so. A CSV file that people edit."""

from audit.sheet.applying import LIMB_AGREES_DEG, Only, Wanted, wanted_axes
from audit.sheet.rows import COLUMNS, Offset, Sheet, joint_labels
from audit.sheet.text import read_sheet, sheet_text

__all__ = [
    "COLUMNS",
    "LIMB_AGREES_DEG",
    "Offset",
    "Only",
    "Sheet",
    "Wanted",
    "joint_labels",
    "read_sheet",
    "sheet_text",
    "wanted_axes",
]
