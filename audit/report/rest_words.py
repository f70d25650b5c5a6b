"""What page and terminal say of a rest pose: the sentence on top, and how the rig was found to stand."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from audit.conventions import AXES
from audit.rest.words import number, percent
from audit.results import Document, Row
from audit.wording import axis_in_words, degrees, plural

ON_AN_AXIS = 0.9999
"""Cosine from which a direction is told as an axis of the world; less than a degree is left out then."""

REACHED = 1e-9
"""Lengths are rounded to this."""


class Fact(NamedTuple):
    """One thing that was found about how a rig stands: what about, what, and how that is known."""

    matter: str
    what: str
    how: str


def title(document: Document) -> str:
    """Return in one sentence what is to be done about a rest pose."""
    summary = document["summary"]
    fix, look = summary["fix"], summary["look"]
    if fix:
        also = f", and {look:,} to look at" if look else ""
        return f"{fix:,} {'thing' if fix == 1 else 'things'} to fix in the rest pose{also}."
    if look:
        return f"Nothing to fix in the rest pose, {look:,} {'thing' if look == 1 else 'things'} to look at."
    return "Nothing to fix in the rest pose."


def detail(document: Document) -> str:
    """Return what was looked at, in numbers."""
    source, summary = document["source"], document["summary"]
    parts = [plural(source["joints"], "joint"), plural(summary["pairs"], "mirror pair")]
    if source["skins"]:
        parts.append(
            f"{plural(source['skins'], 'skin')} of {plural(source['skin_points'], 'point')}"
        )
    said = f"{', '.join(parts)}."
    if summary["axes_to_turn"]:
        said += f" The axes of {plural(summary['axes_to_turn'], 'joint')} can be mended by an offsets sheet."
    policy = document["settings"]["policy"]
    if policy is not None:
        waived = (
            f", which waives {plural(summary['waived'], 'finding')}" if summary["waived"] else ""
        )
        said += f" Looked at under the policy {policy['file']}{waived}."
    return said


def waived(finding: Row) -> str:
    """Return until when a finding is waived, why and by whom; empty where it is not."""
    waiver = finding["waiver"]
    if waiver is None:
        return ""
    return f"Waived until {waiver['until']}: {waiver['reason']} ({waiver['who']})"


def direction(vector: Sequence[float] | None) -> str:
    """Return a direction: "+Z" along an axis, "2.3° off +Z" near one, else three numbers."""
    if vector is None:
        return "not known"
    unit = np.array(vector)
    axis = int(np.argmax(np.abs(unit)))
    half = np.eye(3)[axis] * np.sign(unit[axis])
    off = float(np.rad2deg(np.arctan2(np.linalg.norm(np.cross(unit, half)), unit @ half)))
    if off < 0.05:
        return axis_in_words(half)
    return f"{degrees(off)} off {axis_in_words(half)}" if off < 45.0 - 1e-6 else axis_in_words(unit)


def facts(document: Document) -> list[Fact]:
    """Return how the rig stands: up, facing, unit, height, floor and mirror plane, and how each is known."""
    world = document["world"]
    up, facing, unit = world["up"], world["facing"], world["unit"]
    rows = [
        Fact("Up", direction(up["direction"]), _how(up["from"], sure=up["sure"])),
        Fact("Faces", direction(facing["direction"]), _how(facing["from"], sure=True)),
        Fact(
            "Should face", direction(facing["should_be"]), _how(facing["should_be_from"], sure=True)
        ),
        Fact("Unit", _unit(unit), _unit_how(unit["from"])),
        Fact("Height", *_height(world)),
        Fact("Lowest point", *_lowest(world)),
        Fact("Mirror plane", *_plane(document)),
    ]
    if facing["direction"] is None and facing["should_be"] is None:
        del rows[2]
    return rows


def _how(text: str, *, sure: bool) -> str:
    told = text if sure or text == "assumed" else f"{text}; a guess"
    return {"not found": "there is no mirror plane to tell it by"}.get(text, told)


def _unit(unit: Row) -> str:
    if unit["metres"] is None:
        return "not known"
    if unit["metres"] == 1.0:
        return "metre"
    metres = f"{number(unit['metres'])} m"
    return f"{unit['name']}, {metres}" if unit["name"] else metres


def _unit_how(text: str) -> str:
    return {
        "guessed": "found: the height is an adult’s; a guess",
        "unknown": "neither stated nor told by the height",
    }.get(text, text)


def _height(world: Row) -> tuple[str, str]:
    height = world["height"]
    units = f"{number(height['units'] or 0.0)} units"
    what = units if height["metres"] is None else f"{number(height['metres'])} m"
    seen = (
        ""
        if height["top_seen"]
        else "; the highest point is a joint, so the top of the head is not seen"
    )
    return what, f"{units} along the up axis{seen}"


def _lowest(world: Row) -> tuple[str, str]:
    level = world["floor"]["lowest_at"] or 0.0
    what = "on the floor"
    if abs(level) > REACHED:
        what = f"{number(abs(level))} {'above' if level > 0.0 else 'below'} the floor"
    who = "a point of the skin" if world["floor"]["is_skin"] else f"of {world['floor']['lowest']}"
    return what, f"{who}; the floor is level 0 of the up axis"


def _plane(document: Document) -> tuple[str, str]:
    plane, pairs = document["world"]["plane"], document["summary"]["pairs"]
    if plane["normal"] is None:
        return "none", "no pairs were found to tell it by"
    distance = plane["distance"] or 0.0
    normal = np.array(plane["normal"])
    axis = int(np.argmax(np.abs(normal)))
    if abs(normal[axis]) > ON_AN_AXIS:
        place = number(distance * float(np.sign(normal[axis])))
        what = f"{AXES[axis]} = {place}"
    else:
        what = f"across {direction(plane['normal'])}, {number(abs(distance))} from the origin"
    how = {"given": "given"}.get(plane["from"], f"found: from {plane['from']}")
    return what, f"{how}, {pairs:,} in all" if plane["from"] != "given" else how


def share(value: float | None) -> str:
    """Return a share in percent: "0.52 %", a dash where there is none."""
    return "–" if value is None else percent(value)


def length(value: float | None) -> str:
    """Return a length, a dash where there is none."""
    return "–" if value is None else number(value)


def place(values: Sequence[float] | None) -> str:
    """Return a place as three lengths, a dash where there is none."""
    return "–" if values is None else ", ".join(number(value) for value in values)


def unit_vector(values: Sequence[float] | None) -> str:
    """Return a direction as three numbers with true minus signs, a dash where there is none."""
    if values is None:
        return "–"
    return ", ".join(f"{round(value, 3) + 0.0:.3f}".replace("-", "−") for value in values)
