"""What header and rows share: line numbers, and how a wrong number is worded."""

from __future__ import annotations

import re

from audit import spelling

LINE_END = re.compile(rb"\r\n|\r|\n")


def line_at(data: bytes, place: int) -> int:
    """Return the number, counted from 1, of the line that a byte stands on."""
    return sum(1 for _ in LINE_END.finditer(data, 0, place)) + 1


def number_from(text: str, path: str, where: str) -> float:
    """Return the number that a word spells; FormatError where it spells none, or one that is not finite."""
    return spelling.number_from(text, path, where, remark="; BVH has no comments")
