"""Which joints matter most, and the headline: worked out from the results alone."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from audit.plugins import SEVERITIES
from audit.report.plans import planned_stage
from audit.results import CAUSES, Document, Row, edit_keys_after
from audit.wording import plural


def severity_of(row: Row) -> str | None:
    """Return the gravest severity on a joint, None where nothing was found."""
    found = {finding["severity"] for finding in row["findings"]}
    return next((severity for severity in SEVERITIES if severity in found), None)


def planned_keys(row: Row) -> int:
    """Return the edit keys of a joint once its plan is carried out."""
    stage = planned_stage(row)
    return int(row["edit_keys"] if stage is None else stage["edit_keys"])


def saved_keys(row: Row) -> int:
    """Return how many edit keys the plan of a joint saves; never less than none."""
    return max(0, int(row["edit_keys"]) - planned_keys(row))


def by_cost(rows: Sequence[Row], places: Iterable[int]) -> list[int]:
    """Return places of joints, those first that save the most keys, then those that have the most."""
    return sorted(
        places, key=lambda place: (-saved_keys(rows[place]), -rows[place]["edit_keys"], place)
    )


def main_cause(row: Row) -> str | None:
    """Return where most of a joint's spread comes from, None where it has none."""
    causes = row["causes"]
    if causes is None or max(causes.values()) <= 0.005:
        return None
    return max(CAUSES, key=lambda name: causes[name])


@dataclass(frozen=True, slots=True)
class Headline:
    """The figures of a shot that matter first, and two sentences that say them.

    Attributes
    ----------
    hinges, clean, spread
        Hinges; those with nothing to fix; those that move more than one curve.
    keys_now, keys_after
        Edit keys on hinges, as they are and with the better correction of each.
    title, detail
        The sentences; the detail may be empty.
    """

    hinges: int
    clean: int
    spread: int
    keys_now: int
    keys_after: int
    title: str
    detail: str


def headline(document: Document) -> Headline:
    """Return the headline of a shot's results."""
    hinges = [row for row in document["joints"] if row["kind"] == "hinge"]
    spread = sum(row["moving_channels"] > 1 for row in hinges)
    now = sum(row["edit_keys"] for row in hinges)
    after = sum(edit_keys_after(row) for row in hinges)
    count = len(hinges)
    if not count:
        title = "No joint moves as a hinge in this shot."
    elif spread:
        verb = "spreads" if spread == 1 else "spread"
        title = f"{spread} of {plural(count, 'hinge')} {verb} over more than one curve."
    elif count == 1:
        title = "The one hinge of this shot stays on one curve."
    else:
        title = f"All {count} hinges stay on one curve each."
    detail = ""
    if now:
        detail = f"{plural(now, 'edit key')} on hinges now"
        detail += f", {after:,} after the offsets." if after < now else "."
    return Headline(
        hinges=count,
        clean=int(document["summary"]["clean_hinges"]),
        spread=spread,
        keys_now=now,
        keys_after=after,
        title=title,
        detail=detail,
    )
