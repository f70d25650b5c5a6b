"""The pages: templates filled with a view, and drawings beside the words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any
from urllib.parse import quote

import jinja2
import numpy as np
from markupsafe import Markup

import audit
from audit.checks import checks
from audit.measures import effective_channels
from audit.report.cards import Card, Stage
from audit.report.charts import causes_bar, curve_chart, curves_label, share_bars
from audit.report.hinge_figure import along_the_limb, from_the_side
from audit.report.live.data import live_data
from audit.report.live.script import LOADER, policy, script, style
from audit.report.plans import Plan, in_short, is_flagged, plan_of
from audit.report.ranking import Headline, by_cost, headline, main_cause, planned_keys, saved_keys
from audit.report.views import MOST_CARDS, ShotView
from audit.report.words import shown, signed_degrees
from audit.results import Document, Row
from audit.sheet import Sheet
from audit.wording import degrees, plural

WIDTH_OF_TWO, WIDTH_OF_THREE = 560.0, 384.0
"""Width of a chart that shares the card with one other, and with two."""

PAGE = "report.html"
"""Name of the page in each shot's folder."""

WORST_JOINTS = 20
"""Length of the list of joints over all shots."""


@cache
def environment() -> jinja2.Environment:
    """Return the templates of all pages, with the filters and functions that they use."""
    made = jinja2.Environment(
        loader=jinja2.PackageLoader("audit.report"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_made_plain,
    )
    made.filters.update(
        degrees=degrees,
        signed=signed_degrees,
        plural=plural,
        thousands=lambda value: f"{value:,}",
        spread=lambda value: "–" if value is None else f"{value:.2f}",
        reason=lambda because: because[0].upper() + because[1:],
    )
    made.globals.update(
        in_short=in_short,
        stage_chart=_stage_chart,
        hinge_figure=_hinge_figure,
        side_figure=_side_figure,
        causes_bar=lambda causes: Markup(causes_bar(causes)),
        spread_examples=_spread_examples,
        style=_style,
        version=audit.__version__,
        most_cards=MOST_CARDS,
    )
    return made


def _made_plain(value: Any) -> Any:
    """Spell out characters that cannot be seen, in every text that a template shows."""
    return shown(value) if isinstance(value, str) and not isinstance(value, Markup) else value


@cache
def _style() -> Markup:
    loader = environment().loader
    if loader is None:
        raise TypeError("the templates have a loader")
    return Markup(loader.get_source(environment(), "style.css")[0])


def shot_page(
    view: ShotView,
    *,
    live: bool = False,
    shared_script: bool = False,
    offsets: Sheet | None = None,
) -> str:
    """Return the page of a shot as one HTML text that stands alone.

    Parameters
    ----------
    view
        What it shows.
    live
        Whether the page can be played with. It then carries a copy of the shot's rotations, and a script that
        is the only one its content-security policy lets run; without scripts it shows what it shows otherwise.
    shared_script
        Leave the script to a file beside the page's folder, which :func:`audit.report.write_index` writes.
    offsets
        The sheet to take away from a live page; what this shot suggests alone where None.
    """
    titles = {name: check.title for name, check in checks().items()}
    template = environment().get_template("report.html")
    part = _live_part(view, shared_script, offsets) if live else None
    return template.render(view=view, check_titles=titles, live=part)


def _live_part(
    view: ShotView, shared_script: bool, offsets: Sheet | None
) -> dict[str, Markup] | None:
    """Return what makes a page live, None where it shows no joint that could be turned."""
    if not view.lines:
        return None
    data = live_data(view, offsets)
    text = LOADER if shared_script else script()
    return {
        "policy": Markup(policy(text, loads=shared_script)),
        "style": Markup(style()),
        "facts": Markup(data.facts),
        "rotations": Markup(data.rotations),
        "others": Markup(data.others),
        "script": Markup(text),
    }


def index_page(entries: Sequence[tuple[str, Document]]) -> str:
    """Return the page that lists several shots.

    Parameters
    ----------
    entries
        Name of each shot's folder, relative to the page, and its results.
    """
    shots = [
        _Shot(label, f"{quote(label, errors='surrogatepass')}/{PAGE}", document, headline(document))
        for label, document in entries
    ]
    worst = _worst(shots)
    return (
        environment()
        .get_template("index.html")
        .render(
            shots=shots,
            hinges=sum(shot.headline.hinges for shot in shots),
            clean=sum(shot.headline.clean for shot in shots),
            keys_now=sum(shot.headline.keys_now for shot in shots),
            keys_after=sum(shot.headline.keys_after for shot in shots),
            worst=worst[:WORST_JOINTS],
            flagged=len(worst),
            most_of_a_shot=max([1, *(shot.headline.keys_now for shot in shots)]),
            most_of_a_joint=max(
                [1, *(max(each.row["edit_keys"], each.keys_after) for each in worst)]
            ),
        )
    )


@dataclass(frozen=True, eq=False)
class _Shot:
    """A shot in the list of shots."""

    label: str
    link: str
    document: Document
    headline: Headline


@dataclass(frozen=True, eq=False)
class _Worst:
    """A joint in the list over all shots."""

    shot: _Shot
    place: int
    row: Row
    plan: Plan
    keys_after: int
    saved: int
    cause: str | None


def _worst(shots: Sequence[_Shot]) -> list[_Worst]:
    """Return the flagged joints of all shots, those first that save most."""
    found = [
        (shot, place, row)
        for shot in shots
        for place, row in enumerate(shot.document["joints"])
        if is_flagged(row)
    ]
    rows: list[Row] = [row for _, _, row in found]
    return [
        _Worst(
            *found[index],
            plan=plan_of(rows[index]),
            keys_after=planned_keys(rows[index]),
            saved=saved_keys(rows[index]),
            cause=main_cause(rows[index]),
        )
        for index in by_cost(rows, range(len(rows)))
    ]


def _stage_chart(view: ShotView, card: Card, stage: Stage) -> Markup:
    width = WIDTH_OF_THREE if len(card.stages) > 2 else WIDTH_OF_TWO
    chart = curve_chart(
        stage.curves,
        card.times_s,
        view.times_s,
        card.low,
        card.high,
        width=width,
        label=curves_label(card.line.row["joint"], stage.title, stage.curves),
    )
    return Markup(chart)


def _hinge_figure(card: Card) -> Markup | None:
    return Markup(along_the_limb(card.hinge, card.line.row["joint"])) if card.hinge else None


def _side_figure(view: ShotView, card: Card) -> Markup | None:
    if card.hinge is None:
        return None
    least = view.examined.measures.settings.aim_limit_deg
    figure = from_the_side(card.hinge, card.line.row["joint"], least)
    return None if figure is None else Markup(figure)


def _spread_examples() -> list[tuple[str, Markup, str]]:
    """Return channel spread by example: the figure, the three travels as bars, and words."""
    examples = [
        ((60.0, 0.0, 0.0), "All on one curve: what a hinge should be."),
        ((60.0, 12.0, 0.0), "A little leaks into a second curve."),
        ((50.0, 50.0, 0.0), "Two curves carry the bend evenly."),
        ((45.0, 45.0, 45.0), "All three carry it evenly."),
    ]
    result = []
    for travels, words in examples:
        spread = f"{float(effective_channels(np.array(travels))):.2f}"
        shares = ", ".join(
            f"{letter} {travel:g}°" for letter, travel in zip("XYZ", travels, strict=True)
        )
        bars = share_bars(travels, label=f"Travel: {shares}")
        result.append((spread, Markup(bars), words))
    return result
