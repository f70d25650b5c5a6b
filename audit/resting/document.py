"""The contract of ``rest.json``: what stands in it, and nothing else.

Degrees, and lengths in the file's unit unless a name says otherwise. Directions and places are in the world of
the rest pose. Numbers are finite or None, rounded as those of the results; lengths to nine decimals, since a
rig may be made in kilometres.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

import audit
from audit.conventions import AXES
from audit.plugins import SEVERITIES
from audit.rest.measures import UNITS
from audit.rest.mirror import Deviations, reflection
from audit.rest_checks import rest_checks
from audit.results import Document, Row, number, numbers
from audit.wording import axis_in_words

if TYPE_CHECKING:
    from audit.resting.examination import RestExamination

Array = npt.NDArray[np.float64]

FINE_DECIMALS = 9

SWINGS_CLEARLY = 0.7
"""Cosine from which a positive value of a channel swings both sides about the same line: below, about two."""

SIDES = {1: "left", 0: "middle", -1: "right"}


@cache
def rest_schema() -> Mapping[str, Any]:
    """Return the JSON Schema of ``rest.json``."""
    text = files("audit").joinpath("rest.schema.json").read_text(encoding="utf-8")
    loaded: Mapping[str, Any] = json.loads(text)
    return loaded


def document(examined: RestExamination) -> Document:
    """Return the whole ``rest.json`` of a rig."""
    findings = _findings(examined)
    joints = _joints(examined)
    return {
        "tool": {"name": "hinge-audit", "version": audit.__version__},
        "source": {
            "file": examined.source.file,
            "sha256": examined.source.sha256,
            "format": examined.source.format,
            "joints": len(examined.skeleton),
            "skins": len(examined.skins),
            "skin_points": sum(len(skin.points) for skin in examined.skins),
            "skin_problem": examined.skin_problem,
            "has_rest_rotations": examined.has_rest_rotations,
            "has_axes": examined.measures.has_axes,
            "with_motion": examined.with_motion,
        },
        "settings": _settings(examined),
        "world": _world(examined),
        "joints": joints,
        "pairs": _pairs(examined),
        "findings": findings,
        "summary": {
            **{
                severity: sum(
                    each["severity"] == severity and each["waiver"] is None for each in findings
                )
                for severity in SEVERITIES
            },
            "waived": sum(each["waiver"] is not None for each in findings),
            "pairs": len(examined.measures.pairs.left),
            "axes_to_turn": sum(row["mend"] is not None for row in joints),
        },
    }


def fine(value: float | np.floating[Any]) -> float | None:
    """Return a length to nine decimals, None where it is not finite."""
    plain = float(value)
    return round(plain, FINE_DECIMALS) + 0.0 if np.isfinite(plain) else None


def _place(values: Array) -> list[float] | None:
    if not np.isfinite(values).all():
        return None
    return [round(float(value), FINE_DECIMALS) + 0.0 for value in values]


def _settings(examined: RestExamination) -> Row:
    """Return the limits that hold for all joints, and where they come from."""
    if examined.ruling is None:
        limits = {name: dict(each.limits) for name, each in rest_checks().items()}
        return {"checks": limits, "policy": None}
    policy = examined.ruling.policy
    rules = policy.for_joint(None)
    return {
        "checks": {name: rules.limits(name) for name in rest_checks()},
        "policy": None if policy.path is None else {"file": policy.path, "sha256": policy.sha256},
    }


def _findings(examined: RestExamination) -> list[Row]:
    names, partner = examined.skeleton.names, examined.measures.pairs.partner
    rows = []
    for place, told in enumerate(examined.told, start=1):
        finding, waiver = told.finding, told.waiver
        joint = finding.joint
        other = -1 if joint is None else int(partner[joint])
        rows.append(
            {
                "number": place,
                "check": finding.check,
                "severity": finding.severity,
                "own_severity": told.own,
                "joint": None if joint is None else names[joint],
                "place": joint,
                "partner": names[other] if other >= 0 else None,
                "message": finding.message,
                "value": None if finding.value is None else number(finding.value),
                "limit": None if finding.limit is None else number(finding.limit),
                "waiver": None
                if waiver is None
                else {
                    "reason": waiver.reason,
                    "who": waiver.who,
                    "until": waiver.until.isoformat(),
                    "line": waiver.line,
                },
            }
        )
    return rows


def _world(examined: RestExamination) -> Row:
    rest = examined.measures
    metres = float(rest.unit_to_m)
    lowest = None if rest.lowest < 0 else examined.skeleton.names[rest.lowest]
    return {
        "up": {"direction": numbers(rest.up), "from": examined.up_from, "sure": rest.up_sure},
        "facing": {
            "direction": numbers(rest.facing),
            "from": rest.facing_from,
            "sure": rest.facing_sure,
            "should_be": numbers(rest.forward),
            "should_be_from": examined.forward_from,
        },
        "unit": {
            "metres": fine(metres),
            "name": next((name for name, each in UNITS if each == metres), None),
            "from": examined.unit_from,
        },
        "height": {
            "units": fine(rest.height),
            "metres": fine(rest.height * metres),
            "top_seen": rest.seen_share >= 1.0,
        },
        "floor": {"lowest_at": fine(rest.low), "lowest": lowest, "is_skin": rest.lowest < 0},
        "plane": {
            "normal": numbers(rest.pairs.normal),
            "distance": fine(rest.pairs.distance),
            "from": rest.pairs.plane_from,
        },
        "extent": fine(rest.world.height),
    }


def _joints(examined: RestExamination) -> list[Row]:
    skeleton, rest = examined.skeleton, examined.measures
    turns, reasons = examined.corrections
    parents = skeleton.parent_names()
    sections = rest.sections
    with np.errstate(invalid="ignore"):
        off_centre = 100.0 * np.linalg.norm(sections.off, axis=1) / sections.thickness
    rows: list[Row] = []
    for joint, name in enumerate(skeleton.names):
        partner = int(rest.pairs.partner[joint])
        limb = rest.limbs.limb[joint]
        reason = reasons[joint]
        aimed = np.isfinite(rest.limbs.aim_deg[joint]) and rest.has_axes
        rows.append(
            {
                "joint": name,
                "parent": parents[joint],
                "side": SIDES[int(rest.pairs.side[joint])],
                "partner": skeleton.names[partner] if partner >= 0 else None,
                "rotation_order": skeleton.orders[joint],
                "position": _place(rest.world.positions[joint]),
                "axes": {
                    letter: numbers(rest.world.axes[joint, :, axis])
                    for axis, letter in enumerate(AXES)
                },
                "limb": numbers(limb),
                "limb_length": fine(rest.limbs.length[joint]),
                "aims_with": axis_in_words(rest.limbs.aim_axis[joint]) if aimed else None,
                "aim_error_deg": number(rest.limbs.aim_deg[joint]) if aimed else None,
                "bend_deg": number(rest.bends.bend_deg[joint]),
                "bend_plane_deg": number(rest.bends.plane_deg[joint]) if rest.has_axes else None,
                "off_plane": fine(rest.trunk.off[joint]),
                "off_plane_own": fine(rest.trunk.off_own[joint]),
                "twist_deg": number(rest.trunk.twist_deg[joint]) if rest.has_axes else None,
                "off_centre_percent": number(off_centre[joint]),
                "mend": None
                if reason is None
                else {"axes_xyzw": numbers(turns[joint]), "because": reason.split(", ")},
            }
        )
    return rows


def _pairs(examined: RestExamination) -> list[Row]:
    rest, names = examined.measures, examined.skeleton.names
    rows: list[Row] = []
    mirror = rest.mirror
    for left, right in zip(rest.pairs.left.tolist(), rest.pairs.right.tolist(), strict=True):
        row: Row = {
            "left": names[left],
            "right": names[right],
            "left_place": left,
            "right_place": right,
            "found_by": rest.pairs.found_by[left],
            "off_percent": None,
            "off_own_percent": None,
            "limb_apart_deg": None,
            "axes_apart_deg": None,
            "axes_own_deg": None,
            "swings": None,
        }
        found = [] if mirror is None else np.flatnonzero(mirror.left == left).tolist()
        if found and mirror is not None:
            row |= _deviation(examined, mirror, found[0])
        rows.append(row)
    return rows


def _deviation(examined: RestExamination, mirror: Deviations, row: int) -> Row:
    """Return how far one pair is from mirrored, in place, limb direction and axes."""
    rest = examined.measures
    left, right = int(mirror.left[row]), int(mirror.right[row])
    flip = reflection(rest.pairs.normal)
    size = rest.world.height
    share = 100.0 / size if size > 0.0 else np.nan
    limbs = flip @ rest.limbs.limb[left], rest.limbs.limb[right]
    apart = np.arctan2(np.linalg.norm(np.cross(*limbs)), float(limbs[0] @ limbs[1]))
    turn, own = (np.linalg.norm(each[row]) for each in (mirror.turn, mirror.turn_own))
    image = rest.world.axes[right].T @ flip @ rest.world.axes[left]
    return {
        "off_percent": number(share * np.linalg.norm(mirror.place[row])),
        "off_own_percent": number(share * np.linalg.norm(mirror.place_own[row])),
        "limb_apart_deg": number(np.rad2deg(apart)),
        "axes_apart_deg": number(np.rad2deg(turn)) if rest.has_axes else None,
        "axes_own_deg": number(np.rad2deg(own)) if rest.has_axes else None,
        "swings": {letter: _swing(float(image[axis, axis])) for axis, letter in enumerate(AXES)}
        if rest.has_axes
        else None,
    }


def _swing(value: float) -> str:
    """Return how one positive value on both sides swings them, as ``rest-mirror`` says it."""
    if abs(value) < SWINGS_CLEARLY:
        return "about different axes"
    return "alike" if value < 0.0 else "opposite ways"
