"""The pages of rest poses: the templates filled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote

from markupsafe import Markup

from audit.report import rest_words as words
from audit.report.page import environment
from audit.report.rest_drawing import limb_glyph, view_drawing
from audit.report.rest_views import View, closer_views, views_of
from audit.rest_checks import rest_checks
from audit.resting import RestExamination
from audit.results import Document, Row

REST_PAGE = "rest.html"
"""Name of the page in each rig's folder, and of the list of rigs beside the folders."""

MOST_PAIRS, MOST_JOINTS = 80, 400
"""Rows of the tables; what is left out stands in ``rest.json``."""


@dataclass(frozen=True, eq=False)
class Picture:
    """One view of the rig, drawn."""

    view: View
    drawing: Markup


@dataclass(frozen=True, eq=False)
class PairLine:
    """A pair: its row of the document, its joints' rows, their pictures, and the findings about it."""

    row: Row
    left: Row
    right: Row
    glyphs: tuple[Markup, Markup]
    findings: tuple[Row, ...]


@dataclass(frozen=True, eq=False)
class RestView:
    """Everything that the page of a rig at rest shows.

    Attributes
    ----------
    document
        As it stands in ``rest.json``.
    label
        What people call the rig.
    pictures
        From the front, from the side, from above; then parts of it closer.
    pairs
        Those with findings first, at most :data:`MOST_PAIRS`.
    middle
        Rows of the joints that belong on the mirror plane.
    bends
        Rows of the joints that are knees or elbows by their names.
    mended
        Rows of the joints whose axes an offsets sheet would mend.
    marked
        Numbers of the findings that have a mark in the front view.
    """

    document: Document
    label: str
    pictures: tuple[Picture, ...]
    pairs: tuple[PairLine, ...]
    middle: tuple[Row, ...]
    bends: tuple[Row, ...]
    mended: tuple[Row, ...]
    marked: frozenset[int]


def rest_view(examined: RestExamination) -> RestView:
    """Return what the page of a rig shows."""
    document = examined.document
    views = views_of(examined)
    pictures = tuple(
        Picture(view, Markup(view_drawing(examined, view, linked_back=view is views[0])))
        for view in (*views, *closer_views(examined, views))
    )
    rows: list[Row] = document["joints"]
    by_place: dict[int, list[Row]] = {}
    for finding in document["findings"]:
        if finding["place"] is not None:
            by_place.setdefault(finding["place"], []).append(finding)
    named = examined.measures.bends.named
    numbers = [each["number"] for each in document["findings"]]
    drawn = str(pictures[0].drawing)
    return RestView(
        document=document,
        label=examined.source.label,
        pictures=pictures,
        pairs=tuple(_pair_lines(examined, rows, by_place, views[0])),
        middle=tuple(row for row in rows if row["off_plane"] is not None),
        bends=tuple(
            row for row, way in zip(rows, named, strict=True) if way and row["bend_deg"] is not None
        ),
        mended=tuple(row for row in rows if row["mend"] is not None),
        marked=frozenset(each for each in numbers if f'id="mark-{each}"' in drawn),
    )


def _pair_lines(
    examined: RestExamination, rows: Sequence[Row], by_place: dict[int, list[Row]], view: View
) -> list[PairLine]:
    """Return the pairs, those with findings first."""
    found = []
    for pair in examined.document["pairs"]:
        left, right = pair["left_place"], pair["right_place"]
        both = [*by_place.get(left, ()), *by_place.get(right, ())]
        found.append((pair, left, right, sorted(both, key=lambda each: int(each["number"]))))
    found.sort(key=lambda each: each[3][0]["number"] if each[3] else len(rows) * 100)
    return [
        PairLine(
            pair,
            rows[left],
            rows[right],
            (
                Markup(limb_glyph(examined, right, view)),
                Markup(limb_glyph(examined, left, view)),
            ),
            tuple(findings),
        )
        for pair, left, right, findings in found[:MOST_PAIRS]
    ]


def rest_page(view: RestView) -> str:
    """Return the page of a rig at rest as one HTML text that stands alone.

    Parameters
    ----------
    view
        What it shows.
    """
    titles = {name: check.title for name, check in rest_checks().items()}
    return (
        environment()
        .get_template("rest.html")
        .render(view=view, words=words, check_titles=titles, most_joints=MOST_JOINTS)
    )


def rest_index(entries: Sequence[tuple[str, str, Document]]) -> str:
    """Return the page that lists several rigs.

    Parameters
    ----------
    entries
        What each rig is called, its folder relative to the page, and its document.
    """
    linked = [
        (label, f"{quote(folder, errors='surrogatepass')}/{REST_PAGE}", document)
        for label, folder, document in entries
    ]
    return environment().get_template("rest_index.html").render(entries=linked, words=words)
