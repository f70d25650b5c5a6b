"""How a format and a check announce themselves, and how they are found.

A format is one file in ``audit/formats`` that defines ``FORMAT``; a check is one file in ``audit/checks`` that
defines ``CHECK``. Nothing else needs to be told of them: the packages scan their own folders, and the command
line, the docs, the report and the contract tests follow.
"""

from audit.plugins.checks import (
    SEVERITIES,
    AnyCheck,
    Check,
    Finding,
    RestCheck,
    Resting,
    Rig,
    RigCheck,
    Severity,
    page_of,
)
from audit.plugins.files import Format, Opened, bytes_of, format_of, only_one, read_shots
from audit.plugins.scan import found_in

__all__ = [
    "SEVERITIES",
    "AnyCheck",
    "Check",
    "Finding",
    "Format",
    "Opened",
    "RestCheck",
    "Resting",
    "Rig",
    "RigCheck",
    "Severity",
    "bytes_of",
    "format_of",
    "found_in",
    "only_one",
    "page_of",
    "read_shots",
]
