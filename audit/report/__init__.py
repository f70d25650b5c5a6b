"""The report: a page that stands alone, pictures, tables, and a short table for the terminal.

Results go in, files come out; nothing is measured here. The libraries that draw and fill templates are loaded
when a report is written, so that importing this costs next to nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from audit.report.folder import folder_name, write_index, write_report
from audit.report.terminal import terminal_table

if TYPE_CHECKING:
    from pathlib import Path


def write_proof_page(folder: Path) -> Path:
    """Write the page beside corrected files; see :func:`audit.report.proof_page.write_proof_page`."""
    from audit.report.proof_page import write_proof_page as write  # noqa: PLC0415 (loads the templates)

    return write(folder)


__all__ = ["folder_name", "terminal_table", "write_index", "write_proof_page", "write_report"]
