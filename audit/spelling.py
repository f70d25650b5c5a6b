"""Numbers as words of a text file: which words are one, and what to say of those that are none."""

from __future__ import annotations

import math
import re

from audit.errors import FormatError

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)


def number_from(
    text: str, path: str, where: str, *, largest: float = math.inf, remark: str = ""
) -> float:
    """Return the number that a word of a text file spells.

    Parameters
    ----------
    text, path, where
        The word, the file and the place in it.
    largest
        Larger numbers are refused.
    remark
        What else to say to somebody who finds a word there that is no number.

    Raises
    ------
    FormatError
        Where it spells none, or one that is not finite or too large.
    """
    word = shown(text)
    if is_number(text):
        number = float(text)
        if math.isfinite(number) and abs(number) <= largest:
            return number
        cause, hint = f"{word} is too large for a number", "Correct the number"
    elif re.search(r"nan|inf|#", text, re.IGNORECASE):
        cause = f"{word} is not a finite number"
        hint = (
            "The program that wrote the file had no value there: write the file again, or put in a "
            "number"
        )
    else:
        cause = f"{word} is not a number"
        hint = f"Only numbers such as 12.5 or -1e-3 may stand there{remark}"
        if re.fullmatch(r"[+-]?\d+,\d+", text):
            hint = "Write the decimals after a point, not a comma"
    raise FormatError(cause, path=path, where=where, hint=hint)


def is_number(text: str) -> bool:
    """Tell whether a word spells a number, however large: digits, a point, an exponent, in ASCII."""
    return _NUMBER.fullmatch(text) is not None


def shown(text: str) -> str:
    """Return a piece of a file in quotes, shortened where it is long."""
    return repr(text if len(text) <= 40 else text[:37] + "...")
