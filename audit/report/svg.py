"""Small pieces of SVG: scales, ticks, paths thinned to what can be seen, labels that keep apart.

Everything returns plain text, ready to stand inside a page. Styles are left to the page: an element gets a
class and no colour, so that one sheet serves light, dark and paper.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
import numpy.typing as npt

from audit.report.words import shown

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

STEPS_TO_A_UNIT = 10
"""Paths are whole numbers of a tenth of a unit: half the text of decimals, and finer than a screen shows."""

ANGLE_STEPS = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 45.0, 90.0, 180.0, 360.0)
"""Steps between ticks that people count angles in, in degrees."""


@dataclass(frozen=True, slots=True)
class Scale:
    """A straight map from values to places on the drawing.

    Attributes
    ----------
    low, high
        Values at the two ends.
    start, end
        Places of these ends, in units of the drawing.
    """

    low: float
    high: float
    start: float
    end: float

    def __call__(self, values: npt.ArrayLike) -> Array:
        """Return the places of values, any shape."""
        span = self.high - self.low or 1.0
        share = (np.asarray(values, dtype=np.float64) - self.low) / span
        return np.asarray(self.start + share * (self.end - self.start), dtype=np.float64)

    def at(self, value: float) -> float:
        """Return the place of one value."""
        return float(self(value))


def angle_ticks(low: float, high: float, most: int = 5) -> list[float]:
    """Return round angles between two angles, in degrees, at most as many as asked for.

    Parameters
    ----------
    low, high
        Degrees, low below high.
    most
        How many fit.
    """
    return _multiples(low, high, _step(high - low, most, ANGLE_STEPS))


def count_ticks(high: int, most: int = 6) -> list[int]:
    """Return round whole numbers from 0 to the highest one, at most as many as asked for."""
    steps = [float(lead * 10**power) for power in range(9) for lead in (1, 2, 5)]
    return [round(value) for value in _multiples(0.0, float(high), _step(high, most, steps))]


def _step(span: float, most: int, steps: Sequence[float]) -> float:
    for step in steps:
        if span / step < most:
            return step
    return float(np.ceil(span / most / steps[-1]) * steps[-1])


def _multiples(low: float, high: float, step: float) -> list[float]:
    first, last = int(np.ceil(low / step - 1e-9)), int(np.floor(high / step + 1e-9))
    return [round(number * step, 6) + 0.0 for number in range(first, last + 1)]


def thinned(places: Array, values: Array, columns: int) -> Indices:
    """Return which points of a curve to draw: the least and the greatest of each column of the drawing.

    Parameters
    ----------
    places : (F,)
        Where the points lie across the drawing, increasing.
    values : (F,)
        Their values.
    columns
        How many columns there are to tell apart.

    Returns
    -------
    (N,)
        Increasing indices, with the first and the last point among them: all of them where there are few.
    """
    count = len(places)
    if count <= 2 * columns:
        return np.arange(count)
    span = places[-1] - places[0]
    column = np.minimum((places - places[0]) / span * columns, columns - 1).astype(np.int64)
    ranked = np.lexsort((values, column))
    starts = np.flatnonzero(np.diff(column, prepend=-1))
    ends = np.append(starts[1:], count) - 1
    return np.unique(np.concatenate(([0, count - 1], ranked[starts], ranked[ends])))


def path_data(x: Array, y: Array) -> str:
    """Return a line through points as compact path data, in steps of a tenth of a unit.

    Parameters
    ----------
    x, y : (N,)
        Places in units of the drawing; draw the path in a group scaled by ``1 / STEPS_TO_A_UNIT``.
    """
    steps = np.rint(np.stack((x, y)) * STEPS_TO_A_UNIT).astype(np.int64)
    moves = np.diff(steps, axis=1)
    bends = np.ones(steps.shape[1], dtype=bool)
    if moves.shape[1] > 1:
        before, after = moves[:, :-1], moves[:, 1:]
        straight = before[0] * after[1] == before[1] * after[0]
        onward = np.sum(before * after, axis=0) >= 0
        # Points on the straight line between their neighbours say nothing.
        bends[1:-1] = ~(straight & onward)
    kept = steps[:, bends]
    parts = [f"M{kept[0, 0]} {kept[1, 0]}"]
    for across, down in np.diff(kept, axis=1).T:
        parts.append(f"l{across}{'' if down < 0 else ' '}{down}")
    return "".join(parts)


def kept_apart(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Return places for labels, as near to the wanted ones as a gap between them allows.

    Parameters
    ----------
    wanted
        Where each label would go by itself.
    gap
        Least distance between two labels.
    low, high
        Limits of the places; where there is no room for all the gaps, the labels start at ``low``.

    Notes
    -----
    Least squares under an ordering: the gaps are taken off, neighbours that would pass each other are pooled
    to their mean (M. Ayer et al., Annals of Mathematical Statistics 26, 1955), and the gaps are put back.
    """
    order = sorted(range(len(wanted)), key=lambda index: (wanted[index], index))
    pools: list[tuple[float, int]] = []
    for rank, index in enumerate(order):
        mean, size = wanted[index] - rank * gap, 1
        while pools and pools[-1][0] > mean:
            other, many = pools.pop()
            mean = (mean * size + other * many) / (size + many)
            size += many
        pools.append((mean, size))
    flat = [mean for mean, size in pools for _ in range(size)]
    top = high - gap * (len(wanted) - 1)
    result = [0.0] * len(wanted)
    for rank, index in enumerate(order):
        result[index] = max(low, min(flat[rank], top)) + rank * gap
    return result


def number(value: float) -> str:
    """Return a place on the drawing as short text, to a tenth of a unit."""
    plain = f"{round(value, 1) + 0.0:.1f}".removesuffix(".0")
    return plain.replace("-0.", "-.").removeprefix("0") or "0"


def attributes(**values: str | float) -> str:
    """Return attributes as they stand in a tag; ``_`` becomes ``-`` and a trailing one is dropped."""
    parts = []
    for name, value in values.items():
        plain = escape(shown(value)) if isinstance(value, str) else number(float(value))
        parts.append(f' {name.rstrip("_").replace("_", "-")}="{plain}"')
    return "".join(parts)


def line(x1: float, y1: float, x2: float, y2: float, class_: str) -> str:
    """Return a straight line."""
    move = f"M{number(x1)} {number(y1)}L{number(x2)} {number(y2)}"
    return f"<path{attributes(class_=class_, d=move)}/>"


def text(x: float, y: float, content: str, class_: str, **more: str | float) -> str:
    """Return a text, made safe: nothing in it is read as a tag."""
    return f"<text{attributes(x=x, y=y, class_=class_, **more)}>{escape(shown(content), quote=False)}</text>"


def arrow(x1: float, y1: float, x2: float, y2: float, class_: str, head: float = 6.0) -> str:
    """Return a line with an open arrow head at its end."""
    angle = np.arctan2(y2 - y1, x2 - x1)
    tips = [
        f"L{number(x2 - head * np.cos(angle + side))} {number(y2 - head * np.sin(angle + side))}"
        for side in (0.45, -0.45)
    ]
    move = f"M{number(x1)} {number(y1)}L{number(x2)} {number(y2)}{tips[0]}"
    move += f"M{number(x2)} {number(y2)}{tips[1]}"
    return f"<path{attributes(class_=class_, d=move)}/>"


def arc_data(x: float, y: float, radius: float, start_deg: float, end_deg: float) -> str:
    """Return path data of an arc around a point, angles clockwise from the right, without the first move.

    The caller moves to its start, which :func:`on_circle` gives.
    """
    end = on_circle(x, y, radius, end_deg)
    large = int(abs(end_deg - start_deg) > 180.0)
    sweep = int(end_deg > start_deg)
    place = f"{number(end[0])} {number(end[1])}"
    return f"A{number(radius)} {number(radius)} 0 {large} {sweep} {place}"


def on_circle(x: float, y: float, radius: float, angle_deg: float) -> tuple[float, float]:
    """Return the point on a circle at an angle, clockwise from the right as one sees it."""
    angle = np.deg2rad(angle_deg)
    return float(x + radius * np.cos(angle)), float(y + radius * np.sin(angle))


def drawing(
    width: float,
    height: float,
    label: str,
    class_: str,
    parts: Sequence[str],
    *,
    role: str = "img",
) -> str:
    """Return a whole drawing that says what it shows to those who cannot see it.

    Its role is ``group`` where there are links in it, which nobody would reach inside an ``img``.
    """
    start = attributes(
        viewBox=f"0 0 {number(width)} {number(height)}", class_=class_, role=role, aria_label=label
    )
    return f"<svg{start}>{''.join(parts)}</svg>"
