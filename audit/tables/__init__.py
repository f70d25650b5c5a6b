"""Tidy tables of motion: one row for each key of each joint, read to a shot and written from one.

Below the file formats, so that the formats that keep such a table share it: CSV and Parquet.
"""

from audit.tables.cells import Cells, cells_of
from audit.tables.changes import changes_of
from audit.tables.columns import TEXTS, check_header, recognised_header
from audit.tables.fresh import Columns, fresh
from audit.tables.rows import Rows, rows_of
from audit.tables.shots import shot_of

__all__ = [
    "TEXTS",
    "Cells",
    "Columns",
    "Rows",
    "cells_of",
    "changes_of",
    "check_header",
    "fresh",
    "recognised_header",
    "rows_of",
    "shot_of",
]
