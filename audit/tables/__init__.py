"""Tidy tables of motion: one row for each key of each joint, read to a shot and written from one.

Below the file formats, so that the formats that keep such a table share it: CSV and Parquet.
"""

from audit.tables.cells import Cells, cells_of
from audit.tables.changes import Changes
from audit.tables.columns import TEXTS, check_header, recognised_header
from audit.tables.fresh import Columns
from audit.tables.rows import Rows, rows_of
from audit.tables.shots import shot_of
from audit.tables.writing import table_bytes

__all__ = [
    "TEXTS",
    "Cells",
    "Changes",
    "Columns",
    "Rows",
    "cells_of",
    "check_header",
    "recognised_header",
    "rows_of",
    "shot_of",
    "table_bytes",
]
