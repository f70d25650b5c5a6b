"""Trend pictures of a rig, as SVG: figures day by day."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from audit.report.svg import Scale, attributes, count_ticks, drawing, kept_apart, line, text

WIDTH, HEIGHT = 384.0, 210.0
LEFT, RIGHT, TOP, BOTTOM = 44.0, 100.0, 16.0, 34.0
LABEL_GAP = 16.0
DAY_ROOM = 74.0
"""Width that the date below a tick takes."""

STYLES = ("key X", "key Y", "key Z")
"""Solid, dashed, dotted: the styles of line of the page, told apart without colour."""


@dataclass(frozen=True, slots=True)
class Trend:
    """One line of a picture: its name, and a value a day, None where there is none."""

    name: str
    values: Sequence[float | None]


def trend_chart(
    title: str,
    days: Sequence[date],
    trends: Sequence[Trend],
    *,
    high: float | None = None,
    written: Callable[[float], str] = "{:,.0f}".format,
) -> str:
    """Return a picture of figures over days.

    Parameters
    ----------
    title
        What the drawing shows, in words.
    days
        The days, increasing; they lie as far apart as they were.
    trends
        At most three lines over these days.
    high
        Upper end of the scale, which begins at 0; the largest value where None.
    written
        How a value is written.
    """
    values = [value for trend in trends for value in trend.values if value is not None]
    top = high or max([1.0, *values])
    up = Scale(0.0, top, HEIGHT - BOTTOM, TOP)
    across = Scale(days[0].toordinal(), days[-1].toordinal(), LEFT, WIDTH - RIGHT)
    if days[0] == days[-1]:
        across = Scale(days[0].toordinal() - 1, days[0].toordinal() + 1, LEFT, WIDTH - RIGHT)
    parts = []
    for value in count_ticks(int(np.ceil(top)), most=5):
        y = up.at(value)
        parts.append(line(across.start, y, across.end, y, "grid" if value else "axis"))
        parts.append(text(across.start - 7, y + 4, written(value), "tick end"))
    parts += _days(days, across)
    last = []
    for trend, style in zip(trends, STYLES, strict=False):
        points = [
            (across.at(day.toordinal()), up.at(value))
            for day, value in zip(days, trend.values, strict=True)
            if value is not None
        ]
        moves = "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
        if len(points) > 1:
            parts.append(f"<path{attributes(class_=style, d=f'M{moves}')}/>")
        parts += [f"<circle{attributes(class_='dot', cx=x, cy=y, r=2.2)}/>" for x, y in points]
        if points:
            final = [value for value in trend.values if value is not None][-1]
            last.append((points[-1][1], f"{trend.name} {written(final)}"))
    places = kept_apart([y for y, _ in last], LABEL_GAP, TOP, HEIGHT - BOTTOM)
    for y, (_, words) in zip(places, last, strict=True):
        parts.append(text(across.end + 9, y + 4, words, "value"))
    spoken = "; ".join(words for _, words in last)
    return drawing(WIDTH, HEIGHT, f"{title}. On the last day: {spoken}", "chart", parts)


def _days(days: Sequence[date], across: Scale) -> list[str]:
    parts, last_end = [], -np.inf
    bottom = HEIGHT - BOTTOM
    for day in days:
        x = across.at(day.toordinal())
        parts.append(line(x, bottom, x, bottom + 4, "axis"))
        if x - last_end >= DAY_ROOM:
            last_end = x
            parts.append(text(x, bottom + 18, day.isoformat(), "tick middle"))
    return parts
