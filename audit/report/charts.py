"""The charts of a page, as SVG: curves over time, and small bars."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from audit.conventions import AXES
from audit.report.svg import (
    STEPS_TO_A_UNIT,
    Scale,
    angle_ticks,
    attributes,
    count_ticks,
    drawing,
    kept_apart,
    line,
    number,
    path_data,
    text,
    thinned,
)
from audit.results import CAUSES
from audit.wording import degrees

Array = npt.NDArray[np.float64]

HEIGHT = 266.0
LEFT, RIGHT, TOP, BOTTOM = 44.0, 92.0, 26.0, 46.0
COLUMNS_A_UNIT = 0.75
"""Columns to tell apart, for each unit of width: a little more than a unit each keeps long pages small."""

DENSE_FRAMES = 1200
"""Longer shots are drawn with a thinner line, so that close waves stay apart."""

LABEL_GAP = 16.0


def curve_chart(
    curves: Array,
    times_s: Array,
    frames_s: Array,
    low: float,
    high: float,
    *,
    width: float,
    label: str,
) -> str:
    """Return the three curves of a joint over time.

    Parameters
    ----------
    curves : (3, K)
        X, Y and Z channel in degrees.
    times_s : (K,)
        Time of each key, increasing.
    frames_s : (F,)
        Time of each frame of the shot, increasing from 0: the axis.
    low, high
        Limits of the angles, in degrees.
    width
        Of the drawing, in its own units; a unit is meant to be shown about one pixel wide.
    label
        What the drawing shows, in words.

    Notes
    -----
    Each curve is named at its end, with its range; style of line comes first and colour second.
    """
    across = Scale(0.0, float(frames_s[-1]) or 1.0, LEFT, width - RIGHT)
    up = Scale(low, high, HEIGHT - BOTTOM, TOP)
    parts = [*_angle_axis(up, across), *_time_axis(frames_s, across)]
    parts.append(f'<g transform="scale({1 / STEPS_TO_A_UNIT:g})">')
    x = across(times_s)
    columns = max(2, int((across.end - across.start) * COLUMNS_A_UNIT))
    ranges = np.ptp(curves, axis=1)
    style = "curve dense" if len(times_s) > DENSE_FRAMES else "curve"
    # The curve that moves least goes on top, or the others would cover it.
    for channel in np.argsort(-np.round(ranges, 6), kind="stable"):
        kept = thinned(x, curves[channel], columns)
        y = up(curves[channel][kept])
        places = x[kept]
        if len(kept) == 1:
            places, y = np.array([across.start, across.end]), np.repeat(y, 2)
        parts.append(
            f"<path{attributes(class_=f'{style} {AXES[channel]}', d=path_data(places, y))}/>"
        )
    parts.append("</g>")
    parts += _curve_labels(up(curves[:, -1]), ranges, across.end)
    return drawing(width, HEIGHT, label, "chart", parts)


def curves_label(joint: str, title: str, curves: Array) -> str:
    """Return what a chart of a joint's curves (3, F) in degrees shows, for those who cannot see it."""
    ranges = ", ".join(
        f"{letter} over {degrees(float(size))}"
        for letter, size in zip(AXES, np.ptp(curves, axis=1), strict=True)
    )
    return f"Rotation curves of {joint}, {title[:1].lower()}{title[1:]}: {ranges}"


def _angle_axis(up: Scale, across: Scale) -> list[str]:
    parts = []
    for value in angle_ticks(up.low, up.high):
        y = up.at(value)
        style = "zero" if value == 0.0 else "grid"
        digits = 0 if float(value).is_integer() else 1
        parts.append(line(across.start, y, across.end, y, style))
        parts.append(text(across.start - 7, y + 4, degrees(value, digits), "tick end"))
    return parts


def _time_axis(frames_s: Array, across: Scale) -> list[str]:
    bottom = HEIGHT - BOTTOM
    parts = [line(across.start, bottom, across.end, bottom, "axis")]
    last_end = -np.inf
    for frame in count_ticks(len(frames_s) - 1, most=6):
        x = across.at(float(frames_s[frame]))
        parts.append(line(x, bottom, x, bottom + 5, "axis"))
        if x - last_end < 34.0:
            continue
        last_end = x
        parts.append(text(x, bottom + 18, f"{frame:,}", "tick middle"))
        parts.append(text(x, bottom + 33, f"{frames_s[frame]:.1f}", "tick middle soft"))
    parts.append(text(across.end + 12, bottom + 18, "frame", "tick"))
    parts.append(text(across.end + 12, bottom + 33, "seconds", "tick soft"))
    return parts


def _curve_labels(ends: Array, ranges: Array, right: float) -> list[str]:
    """Return the names of the curves at their ends, apart from each other.

    Each has a bit of its line before it, because curves that end in one place could not be told apart
    otherwise, and its range behind it.
    """
    low, high = TOP + 3.0, HEIGHT - BOTTOM - 6.0
    places = kept_apart([round(float(end), 1) for end in ends], LABEL_GAP, low, high)
    parts = [text(right + 49, TOP - 13, "range", "tick soft")]
    for letter, end, place, size in zip(AXES, ends, places, ranges, strict=True):
        parts.append(line(right + 1.5, float(end), right + 10, place, "leader"))
        parts.append(line(right + 11, place, right + 29, place, f"key {letter}"))
        parts.append(text(right + 34, place + 4, letter, "name"))
        parts.append(text(right + 49, place + 4, degrees(float(size)), "value"))
    return parts


def causes_bar(causes: dict[str, float], *, width: float = 340.0) -> str:
    """Return where the channel spread beyond one curve comes from, as one bar from one to three curves.

    Parameters
    ----------
    causes
        Effective curves by cause: twist, aim, order, own.
    width
        Of the drawing.
    """
    across = Scale(1.0, 3.0, 6.0, width - 24.0)
    top, thick = 24.0, 20.0
    parts = [line(across.start, top + thick + 0.5, across.end, top + thick + 0.5, "axis")]
    for count in (1, 2, 3):
        x = across.at(float(count))
        parts.append(line(x, top - 5, x, top + thick + 0.5, "grid"))
        word = f"{count} curve{'s' if count > 1 else ''}" if count != 2 else "2"
        style = {1: "tick", 2: "tick middle", 3: "tick end"}[count]
        parts.append(text(x + {1: -4, 2: 0, 3: 22}[count], top - 10, word, style))
    labels, wanted, edge = [], [], 1.0
    for name in CAUSES:
        size = causes[name]
        if size < 0.005:
            continue
        x, end = across.at(edge), across.at(edge + size)
        parts.append(
            f"<rect{attributes(class_=f'cause {name}', x=x, y=top, width=max(end - x, 1), height=thick)}/>"
        )
        labels.append((f"{name} {size:.2f}", 0.5 * (x + end)))
        wanted.append(0.5 * (x + end))
        edge += size
    half = 38.0
    places = kept_apart(wanted, 2 * half, half - 6, width - half)
    for (words, middle), place in zip(labels, places, strict=True):
        parts.append(line(middle, top + thick + 2, place, top + thick + 12, "leader"))
        parts.append(text(place, top + thick + 25, words, "value middle"))
    if not labels:
        parts.append(
            text(across.start, top + 15, "nothing: the joint stays on one curve", "tick soft")
        )
    said = ", ".join(f"{name} {causes[name]:.2f}" for name in CAUSES)
    return drawing(width, top + thick + 32, f"Causes in effective curves: {said}", "bar", parts)


def share_bars(travels: Sequence[float], *, label: str) -> str:
    """Return three small bars for the travel of three curves: the picture beside a channel spread."""
    across = Scale(0.0, max(travels), 18.0, 118.0)
    parts = []
    for row, (letter, travel) in enumerate(zip(AXES, travels, strict=True)):
        y = 4.0 + 15.0 * row
        parts.append(text(3, y + 9, letter, "name"))
        parts.append(line(18, y - 1, 18, y + 11, "axis"))
        if travel > 0.0:
            end = across.at(travel)
            move = f"M18 {number(y + 5)}H{number(end)}"
            parts.append(f"<path{attributes(class_=f'sample {letter}', d=move)}/>")
    return drawing(124, 48, label, "shares", parts)
