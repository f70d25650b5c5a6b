"""Sentences that more than one check of a rest pose says: moves, turns and shares in words."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from audit.conventions import AXES
from audit.wording import axis_in_words, degrees

Array = npt.NDArray[np.float64]


def number(value: float) -> str:
    """Return a length as people type it: four significant digits, with a true minus sign."""
    text = f"{value:.4g}"
    if "e" in text:
        text = f"{value:.6f}" if abs(value) < 1.0 else f"{value:.0f}"
    if float(text) == 0.0:
        text = "0"
    return text.replace("-", "−")


def percent(value: float) -> str:
    """Return a share that is already in percent: "0.52 %"."""
    return f"{number(float(f'{value:.3g}'))} %"


def move_in_words(vector: Array) -> str:
    """Return a move in the world: "−0.52 along X", or "0.52 along X and −0.1 along Z" where it is slanted."""
    size = float(np.max(np.abs(vector)))
    parts = [
        f"{number(float(value))} along {AXES[axis]}"
        for axis, value in enumerate(vector)
        if abs(value) > 1e-3 * size
    ]
    if not parts:
        return "nothing"
    return ", ".join(parts[:-1]) + (" and " if len(parts) > 1 else "") + parts[-1]


def turn_about_in_words(vector_deg: Array, limb: Array | None = None) -> str:
    """Return a turn in a joint's own axes.

    Parameters
    ----------
    vector_deg : (3,)
        Rotation vector in degrees.
    limb : (3,)
        The limb in the same axes; a turn about it is said to be one.
    """
    angle = float(np.linalg.norm(vector_deg))
    axis = vector_deg / angle if angle > 0.0 else np.zeros(3)
    if limb is not None and abs(float(axis @ limb)) > 0.9999:
        return f"{precise(angle * float(np.sign(axis @ limb)))} about the limb"
    if float(np.sum(axis)) < 0.0:
        axis, angle = -axis, -angle
    return f"{precise(angle)} about its own {axis_in_words(axis).lstrip('+')}"


def precise(value: float) -> str:
    """Return an angle with as many digits as a small one needs: "0.06°", "3.25°", "180°"."""
    digits = 3 if abs(value) < 1.0 else 2
    text = degrees(value, digits)[:-1]
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return text + "°"


def up_in_words(up: Array) -> str:
    """Return the up axis: "+Y"."""
    return axis_in_words(up)
