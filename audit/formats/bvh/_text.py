"""What header and rows share: numbers as text, line numbers, and how a wrong number is worded."""

from __future__ import annotations

import math
import re

from audit.errors import FormatError

NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
LINE_END = re.compile(rb"\r\n|\r|\n")


def line_at(data: bytes, place: int) -> int:
    """Return the number, counted from 1, of the line that a byte stands on."""
    return sum(1 for _ in LINE_END.finditer(data, 0, place)) + 1


def shown(text: str) -> str:
    """Return a piece of the file in quotes, shortened where it is long."""
    return repr(text if len(text) <= 40 else text[:37] + "...")


def number_from(text: str, path: str, where: str) -> float:
    """Return the number that a word spells.

    Raises
    ------
    FormatError
        Where it spells none, or one that is not finite.
    """
    if NUMBER.fullmatch(text):
        number = float(text)
        if math.isfinite(number):
            return number
        raise FormatError(
            f"{shown(text)} is too large for a number",
            path=path,
            where=where,
            hint="Correct the number",
        )
    cause = f"{shown(text)} is not a number"
    if re.search(r"nan|inf|#", text, re.IGNORECASE):
        cause = f"{shown(text)} is not a finite number"
        hint = "The program that wrote the file had no value there: write the file again, or put in a number"
    elif re.fullmatch(r"[+-]?\d+,\d+", text):
        hint = "Write the decimals after a point, not a comma"
    else:
        hint = "Only numbers such as 12.5 or -1e-3 may stand there; BVH has no comments"
    raise FormatError(cause, path=path, where=where, hint=hint)
