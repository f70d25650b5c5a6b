"""The report: a page that stands alone, pictures, tables, and a short table for the terminal.

Results go in, files come out; nothing is measured here. The libraries that draw and fill templates are loaded
when a report is written, so that importing this costs next to nothing.
"""

from audit.report.folder import folder_name, write_index, write_report
from audit.report.terminal import terminal_table

__all__ = ["folder_name", "terminal_table", "write_index", "write_report"]
