"""Sentences that more than one check, page or table says: turns, axes and counts in words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from audit.conventions import AXES

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt


def degrees(value: float, digits: int = 1) -> str:
    """Return an angle as people write it: "33.1°", with a true minus sign."""
    text = f"{value:.{digits}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text.replace("-", "−") + "°"


def plural(count: int, word: str) -> str:
    """Return "1 key", "2 keys", "1,204 keys"."""
    return f"{count:,} {word if count == 1 else word + 's'}"


def sense_in_words(angle_deg: float) -> str:
    """Return which way round a right-handed turn is seen, looking along its axis: positive is clockwise."""
    return "clockwise" if angle_deg > 0 else "counter-clockwise"


def turn_in_words(joint: str, offset_deg: float) -> str:
    """Return a twist offset as something that a rigger can do.

    Parameters
    ----------
    joint
        Name of the joint.
    offset_deg
        Right-handed about the limb axis, which points from the joint to its child.
    """
    return (
        f"turn the axes of {joint} by {degrees(offset_deg)} about the limb: "
        f"{degrees(abs(offset_deg))} {sense_in_words(offset_deg)}, seen from the joint towards its child"
    )


def interval_in_words(low: float, high: float) -> str:
    """Return an interval in degrees: "−33.4° to −32.8°"."""
    return f"{degrees(low)} to {degrees(high)}"


def axis_in_words(axis: npt.NDArray[np.float64]) -> str:
    """Return a direction in the joint's own axes: "+X" on an axis, else "0.94 0.34 0.00"."""
    values = axis.tolist()
    largest = max(values, key=abs)
    if abs(largest) > math.cos(math.radians(0.05)):
        return f"{'+' if largest > 0 else '−'}{AXES[values.index(largest)]}"
    return " ".join(f"{round(value, 2) + 0.0:.2f}".replace("-", "−") for value in values)
