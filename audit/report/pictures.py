"""Pictures for a mail or a ticket: the joints by cost, and the curves of the costliest ones."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.transforms import blended_transform_factory

from audit.conventions import AXES
from audit.report.cards import Card, Line, Stage
from audit.report.charts import DENSE_FRAMES
from audit.report.plans import in_short
from audit.report.ranking import by_cost
from audit.report.svg import angle_ticks, count_ticks, kept_apart, thinned
from audit.report.views import ShotView
from audit.report.words import change, plain, shown
from audit.wording import degrees, plural

Array = npt.NDArray[np.float64]

MOST_PICTURES = 12
"""Pictures of single joints: those that save most. More would take longer to draw than the rest of a report."""

MOST_BARS = 24
LONGEST_NAME = 34

DOTS_PER_INCH = 120
INK, SOFT, RULE, GRID = "#1c2127", "#585f68", "#d9d6cd", "#e8e6df"
COLOURS = {"X": "#0072b2", "Y": "#d55e00", "Z": "#1c2127"}
"""From the set of M. Okabe and K. Ito, "Color Universal Design", 2008: told apart with any colour vision."""

DASHES: dict[str, str | tuple[int, tuple[float, ...]]] = {
    "X": "solid",
    "Y": (0, (4.2, 2.0)),
    "Z": (0, (1.2, 1.4)),
}


def overview(view: ShotView, path: Path) -> None:
    """Write the joints by cost, as they are and as they would be.

    Parameters
    ----------
    view
        What the page of the shot shows.
    path
        File to write.
    """
    lines = list(view.flagged[:MOST_BARS]) or _busiest(view)
    height = 1.5 + 0.29 * max(len(lines), 1)
    figure = Figure(figsize=(9.0, height), dpi=DOTS_PER_INCH, facecolor="white")
    _headline(figure, height, view.headline.title, _subtitle(view))
    axes = figure.add_axes((0.25, 0.32 / height, 0.48, 1.0 - 1.16 / height))
    axes.set_ylim(max(len(lines), 1) - 0.5, -0.5)
    most = max([1, *(max(line.row["edit_keys"], line.keys_after) for line in lines)])
    axes.set_xlim(0.0, 1.003 * most)
    now = np.array([line.row["edit_keys"] for line in lines], dtype=float)
    after = np.minimum(now, [line.keys_after for line in lines])
    axes.barh(range(len(lines)), after, height=0.6, color=COLOURS["X"])
    axes.barh(
        range(len(lines)),
        now - after,
        left=after,
        height=0.6,
        facecolor="white",
        edgecolor=COLOURS["X"],
        hatch="/////",
        linewidth=0.8,
    )
    for place, line in enumerate(lines):
        _say(axes, -0.012 * most, place, _shortened(line.row["joint"]), ha="right", weight="bold")
        keys = change(line.row["edit_keys"], line.keys_after)
        _say(axes, 1.018 * most, place, keys, ha="left")
        if line.plan.asks_for_something:
            _say(axes, 1.19 * most, place, in_short(line.plan), ha="left", weight="bold")
    axes.axis("off")
    words = (
        "edit keys now (whole bar) and after the offsets (solid)" if view.flagged else "edit keys"
    )
    figure.text(0.25, 0.12 / height, words, color=SOFT, fontsize=8.5)
    _save(figure, path)


def _busiest(view: ShotView) -> list[Line]:
    """Return the moving joints with the most keys, for a shot with nothing to turn."""
    rows = view.document["joints"]
    lines = {line.place: line for line in view.lines if line.row["edit_keys"]}
    return [lines[place] for place in by_cost(rows, lines)[:MOST_BARS]]


def _subtitle(view: ShotView) -> str:
    source = view.document["source"]
    length = f"{plural(source['frames'], 'frame')}, {source['seconds']:.1f} s"
    return f"{view.headline.detail}   {_shortened(view.label)}, {length}".strip()


def joint_picture(view: ShotView, card: Card, path: Path) -> None:
    """Write the curves of a joint as they are, beside what they would be, with what to do as the title.

    Parameters
    ----------
    view
        What the page of the shot shows.
    card
        The joint.
    path
        File to write.
    """
    stages = card.stages
    width = {1: 7.0, 2: 10.0}.get(len(stages), 14.0)
    height = 4.0
    figure = Figure(figsize=(width, height), dpi=DOTS_PER_INCH, facecolor="white")
    _headline(figure, height, _title(card, int(width * 8.2)), card.detail)
    room = 1.0 / len(stages)
    for number, stage in enumerate(stages):
        left = number * room + 0.62 / width
        axes = figure.add_axes((left, 0.62 / height, room - 1.7 / width, 1.0 - 1.9 / height))
        _draw_stage(axes, view.times_s, card, stage)
    source = view.document["source"]
    words = f"{_shortened(view.label)}, {plural(source['frames'], 'frame')}"
    figure.text(
        1.0 - 0.2 / width, 0.1 / height, words, color=SOFT, fontsize=8, ha="right", parse_math=False
    )
    _save(figure, path)


def _title(card: Card, most: int) -> str:
    """Return the instruction, with the joint's name shortened where the title would not fit."""
    title = shown(plain(card.instruction))
    name = shown(card.line.row["joint"])
    if len(title) > most:
        spare = max(8, most - (len(title) - len(name)))
        title = title.replace(name, _shortened(name, spare))
    return title


def _draw_stage(axes: Axes, frames_s: Array, card: Card, stage: Stage) -> None:
    times_s, start, end = card.times_s, 0.0, float(frames_s[-1]) or 1.0
    axes.set_xlim(start, end)
    axes.set_ylim(card.low, card.high)
    figures = f"{plural(stage.channels, 'moving curve')}, {plural(stage.keys, 'edit key')}"
    axes.text(
        0.0, 1.1, stage.title, transform=axes.transAxes, color=INK, weight="bold", fontsize=9.5
    )
    axes.text(0.0, 1.03, figures, transform=axes.transAxes, color=SOFT, fontsize=8.5)
    ranges = np.ptp(stage.curves, axis=1)
    width = 1.2 if len(times_s) > DENSE_FRAMES else 1.7
    # The curve that moves least goes on top, or the others would cover it.
    for channel in np.argsort(-np.round(ranges, 6), kind="stable"):
        values = stage.curves[channel]
        kept = thinned(times_s, values, 400) if len(times_s) > 1 else np.arange(1)
        x, y = times_s[kept], values[kept]
        if len(kept) == 1:
            x, y = np.array([start, end]), np.repeat(y, 2)
        letter = AXES[channel]
        axes.plot(x, y, color=COLOURS[letter], linestyle=DASHES[letter], linewidth=width)
    _label_curves(axes, stage, card, ranges)
    _dress(axes, frames_s, card)


def _label_curves(axes: Axes, stage: Stage, card: Card, ranges: Array) -> None:
    """Name the curves at their ends, apart from each other, with their ranges."""
    gap = 0.075 * (card.high - card.low)
    places = kept_apart(list(np.round(stage.curves[:, -1], 3)), gap, card.low, card.high)
    beside = blended_transform_factory(axes.transAxes, axes.transData)
    inch = axes.figure.dpi / axes.get_window_extent().width
    key, name, value = 1.0 + np.array([0.1, 0.32, 0.47]) * inch
    axes.text(value, 1.03, "range", transform=axes.transAxes, color=SOFT, fontsize=8)
    for letter, end, place, size in zip(AXES, stage.curves[:, -1], places, ranges, strict=True):
        leader, sample = (
            ([1.0, key], [float(end), place]),
            ([key, name - 0.04 * inch], [place, place]),
        )
        axes.plot(*leader, transform=beside, clip_on=False, color=SOFT, linewidth=0.7)
        axes.plot(
            *sample,
            transform=beside,
            clip_on=False,
            color=COLOURS[letter],
            linestyle=DASHES[letter],
            linewidth=1.7,
        )
        axes.text(
            name,
            place,
            letter,
            transform=beside,
            color=INK,
            fontsize=9.5,
            weight="bold",
            va="center",
        )
        axes.text(
            value,
            place,
            degrees(float(size)),
            transform=beside,
            color=SOFT,
            fontsize=8.5,
            va="center",
        )


def _dress(axes: Axes, frames_s: Array, card: Card) -> None:
    frames = count_ticks(len(frames_s) - 1, most=6)
    axes.set_xticks(
        [float(frames_s[frame]) for frame in frames],
        [f"{frame:,}\n{frames_s[frame]:.1f}" for frame in frames],
    )
    axes.annotate(
        "frame\nseconds",
        xy=(1.0, 0.0),
        xycoords="axes fraction",
        xytext=(9, -5),
        textcoords="offset points",
        va="top",
        fontsize=8,
        color=SOFT,
    )
    angles = angle_ticks(card.low, card.high)
    axes.set_yticks(angles, [degrees(angle, 0 if angle.is_integer() else 1) for angle in angles])
    axes.tick_params(colors=SOFT, labelsize=8, length=3, width=0.8, color=RULE)
    axes.grid(axis="y", color=GRID, linewidth=0.8)
    axes.set_axisbelow(True)
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.spines["bottom"].set_color(SOFT)


def _headline(figure: Figure, height: float, title: str, subtitle: str) -> None:
    left = 0.2 / figure.get_figwidth()
    top = 1.0 - 0.36 / height
    figure.text(left, top, shown(title), color=INK, fontsize=13, weight="bold", parse_math=False)
    below = 1.0 - 0.62 / height
    figure.text(left, below, shown(subtitle), color=SOFT, fontsize=9.5, parse_math=False)


def _say(axes: Axes, x: float, y: float, words: str, *, ha: str, weight: str = "normal") -> None:
    axes.text(
        x,
        y,
        words,
        ha=ha,
        va="center",
        weight=weight,
        fontsize=9,
        color=INK,
        parse_math=False,
    )


def _shortened(name: str, most: int = LONGEST_NAME) -> str:
    plain_name = shown(name)
    return plain_name if len(plain_name) <= most else plain_name[: most - 1] + "…"


def _save(figure: Figure, path: Path) -> None:
    with _no_word_on_missing_letters():
        FigureCanvasAgg(figure)
        figure.savefig(path, format="png", metadata={"Software": "hinge-audit"})


@contextmanager
def _no_word_on_missing_letters() -> Iterator[None]:
    """Let letters that the font lacks be drawn as boxes without a warning: names come from outside."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        warnings.filterwarnings("ignore", message="Matplotlib currently does not support")
        yield
