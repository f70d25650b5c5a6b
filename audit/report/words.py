"""What page, pictures and terminal say in words, and how hostile text is made plain to see."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from audit.results import Row
from audit.wording import degrees, interval_in_words, sense_in_words

TELLS_NOTHING_DEG = 0.05
"""Angles below this are shown as 0.0°, so they are not worth a sentence."""

TELLS_NOTHING_CURVES = 0.005
"""The same for effective curves, which are shown with two decimals."""

_INVISIBLE = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})
_JOINERS = "\u200c\u200d"


def shown(text: str) -> str:
    """Return text in which characters that cannot be seen are spelt out, as ``⟨U+202E⟩``.

    Names and file names come from outside. A mark that turns the reading direction round, a line break or half
    a surrogate pair would garble the page around it; spelt out, it is seen for what it is. The two joiners
    that some scripts are written with stay.
    """
    if text.isprintable():
        return text
    return "".join(
        f"⟨U+{ord(letter):04X}⟩"
        if unicodedata.category(letter) in _INVISIBLE and letter not in _JOINERS
        else letter
        for letter in text
    )


def signed_degrees(value: float, digits: int = 1) -> str:
    """Return an angle with its sign even where it is positive: "+33.1°"."""
    text = degrees(value, digits)
    return text if text.startswith("−") or float(text[:-1]) == 0.0 else f"+{text}"


def interval_for_readers(low: float, high: float) -> str:
    """Return an interval in words, also where it is narrower than its last digit."""
    if high - low < 2.0 * TELLS_NOTHING_DEG:
        return f"{degrees(0.5 * (low + high))}, to within 0.1°"
    return interval_in_words(low, high)


def change(now: int, after: int | None) -> str:
    """Return a count as it is and as it would be: "351 → 139", or "351" where nothing changes."""
    return f"{now:,}" if after is None or after == now else f"{now:,} → {after:,}"


def direction_in_words(vector: Iterable[float]) -> str:
    """Return a direction as three numbers with true minus signs: "(0.94, −0.34, 0.00)"."""
    numbers = (f"{value + 0.0:.2f}".replace("-0.00", "0.00").replace("-", "−") for value in vector)
    return f"({', '.join(numbers)})"


def quaternion_in_words(quaternion: Sequence[float]) -> str:
    """Return a quaternion to six decimals, so that it can be copied: plain minus signs on purpose."""
    return " ".join(f"{value + 0.0:.6f}" for value in quaternion)


def sense(angle_deg: float) -> str:
    """Return which way a turn about the limb goes, for somebody who looks from the joint to its child.

    Looking along an axis, a right-handed turn about it is clockwise.
    """
    direction = sense_in_words(angle_deg)
    return f"{degrees(abs(angle_deg))} {direction}, seen from the joint towards its child"


@dataclass(frozen=True, slots=True)
class Part:
    """A stretch of a sentence: plain text, a joint's name, or the angle that matters."""

    text: str
    kind: Literal["text", "name", "angle"] = "text"


Sentence = tuple[Part, ...]


def plain(sentence: Sentence) -> str:
    """Return a sentence as one text."""
    return "".join(part.text for part in sentence)


def what_twist_cannot_fix(row: Row, aim_limit_deg: float) -> list[str]:
    """Return, sentence by sentence, what a turn about the limb leaves behind.

    Parameters
    ----------
    row
        A joint row of the results.
    aim_limit_deg
        From here on an aim error or a residual is worth a sentence.
    """
    causes = row["causes"] or {}
    sentences = []
    residual = row["residual_deg"]
    leans = residual is not None and residual > aim_limit_deg
    if leans:
        sentences.append(
            f"The hinge axis leans {degrees(residual)} along the limb. No turn about the limb takes that away."
        )
    error = row["aim_error_deg"]
    if row["twist_offset_deg"] is not None and error is not None and error > aim_limit_deg:
        gain = causes.get("aim", 0.0)
        end = (
            f"Aiming it gains {gain:.2f} of a curve beyond the turn."
            if gain > TELLS_NOTHING_CURVES
            else "That costs this hinge next to nothing."
        )
        sentences.append(
            f"No axis lies along the limb: the nearest is {degrees(error)} away. {end}"
        )
    order = causes.get("order", 0.0)
    if order > TELLS_NOTHING_CURVES:
        sentences.append(
            f"The rotation order {row['rotation_order']} costs {order:.2f} of a curve: "
            f"{row['advised_order']} has the hinge channel innermost."
        )
    own = causes.get("own", 0.0)
    if own > TELLS_NOTHING_CURVES:
        sentences.append(_what_stays(own, row, leans=leans))
    return sentences


def _what_stays(own: float, row: Row, *, leans: bool) -> str:
    """Return a sentence on the curves that stay after every correction."""
    if row["twist_offset_deg"] is None:
        return f"{own:.2f} of a curve stays: no correction was worked out."
    off = f"{degrees(row['off_axis_deg'])} (root mean square)"
    moves_off = row["off_axis_deg"] >= TELLS_NOTHING_DEG
    if leans:
        also = f", and from motion off the hinge axis, which is {off}" if moves_off else ""
        return f"{own:.2f} of a curve stays after every correction. It comes from that lean{also}."
    return (
        f"{own:.2f} of a curve is the motion’s own and stays after every correction: the joint moves off "
        f"its hinge axis by {off}."
    )
