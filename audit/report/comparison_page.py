"""The pages of comparisons: the templates filled."""

from __future__ import annotations

from collections.abc import Sequence
from urllib.parse import quote

from markupsafe import Markup

from audit.report import comparison_words as words
from audit.report.charts import curve_chart, curves_label
from audit.report.comparison_view import ChangeCard, ComparisonView, SideView
from audit.report.hinge_figure import along_the_limb
from audit.report.page import WIDTH_OF_TWO, environment
from audit.results import Document

COMPARISON_PAGE = "comparison.html"
"""Name of the page in each comparison's folder."""


def comparison_page(view: ComparisonView) -> str:
    """Return the page of a comparison as one HTML text that stands alone.

    Parameters
    ----------
    view
        What it shows.
    """
    return (
        environment()
        .get_template("comparison.html")
        .render(view=view, words=words, chart=_chart, figure=_figure)
    )


def comparison_index(
    entries: Sequence[tuple[str, Document]], lost: Sequence[str] = (), added: Sequence[str] = ()
) -> str:
    """Return the page that lists several comparisons.

    Parameters
    ----------
    entries
        Name of each comparison's folder, relative to the page, and the comparison.
    lost, added
        Files or shots that only stand on one side.
    """
    linked = [
        (label, f"{quote(label, errors='surrogatepass')}/{COMPARISON_PAGE}", document)
        for label, document in entries
    ]
    return (
        environment()
        .get_template("comparison_index.html")
        .render(entries=linked, lost=lost, added=added, words=words)
    )


def _chart(card: ChangeCard, side: SideView) -> Markup:
    curves = side.stage.curves
    return Markup(
        curve_chart(
            curves,
            side.times_s,
            side.frames_s,
            card.low,
            card.high,
            width=WIDTH_OF_TWO,
            label=curves_label(side.row["joint"], side.stage.title, curves),
        )
    )


def _figure(side: SideView) -> Markup | None:
    return None if side.hinge is None else Markup(along_the_limb(side.hinge, side.row["joint"]))
