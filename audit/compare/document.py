"""The contract of ``comparison.json``: what stands in it, and nothing else.

Degrees, seconds, the rigs' own units of length. Numbers are finite or None, rounded as those of the results;
differences of place and shares of the height to nine decimals, since what counts in them is smaller.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np

import audit
from audit.compare import axes as axes_limits
from audit.compare import motion as motion_limits
from audit.compare import verdicts as verdict_limits
from audit.compare.axes import AxesChange
from audit.compare.matching import Matching
from audit.compare.motion import Motion
from audit.compare.resting import RestChange
from audit.compare.verdicts import VERDICTS, Verdict
from audit.measures.offsets import aim_error
from audit.pipeline import Examination
from audit.plugins import Finding
from audit.results import Document, Row, finding_row, number, numbers
from audit.wording import axis_in_words

FINE_DECIMALS = 9

CHANGES = ("axes", "order", "kind", "curves", "parent", "motion", "rest pose")
"""What can have changed about a joint, as it stands in the field ``changed``."""

FIGURES = (
    "kind",
    "range_deg",
    "rotation_order",
    "rotation_order_from",
    "moving_channels",
    "channel_spread",
    "edit_keys",
    "aim_error_deg",
    "twist_offset_deg",
)
"""Fields of the results that are set side by side."""


@cache
def comparison_schema() -> Mapping[str, Any]:
    """Return the JSON Schema of ``comparison.json``."""
    text = files("audit.compare").joinpath("comparison.schema.json").read_text(encoding="utf-8")
    loaded: Mapping[str, Any] = json.loads(text)
    return loaded


def limits() -> dict[str, float]:
    """Return every limit that a comparison uses, by name."""
    return {
        "same_position": motion_limits.SAME_POSITION,
        "same_rotation_deg": motion_limits.SAME_ROTATION_DEG,
        "axes_turned_deg": axes_limits.CONSTANT_DEG,
        "keys_share": verdict_limits.KEYS_SHARE,
        "keys_least": verdict_limits.KEYS_LEAST,
        "spread_least": verdict_limits.SPREAD_LEAST,
    }


def document(
    before: Examination,
    after: Examination,
    matching: Matching,
    motion: Motion,
    axes: AxesChange,
    verdicts: Sequence[Verdict],
    rest: RestChange,
) -> Document:
    """Return the whole ``comparison.json``.

    Parameters
    ----------
    before, after
        The shots with their measures and findings.
    matching, motion, axes, verdicts, rest
        What was found.
    """
    rows = _joint_rows(before, after, matching, motion, axes, verdicts)
    names, other_names = before.shot.skeleton.names, after.shot.skeleton.names
    summaries = [each.document["summary"] for each in (before, after)]
    return {
        "tool": {"name": "hinge-audit", "version": audit.__version__},
        "before": before.document["source"],
        "after": after.document["source"],
        "settings": {
            **before.measures.settings.as_dict(),
            "comparison": limits(),
        },
        "motion": _motion(before, motion),
        "joints": rows,
        "renamed": [
            {"joint": row["joint"], "joint_after": row["joint_after"]}
            for row in rows
            if row["joint"] != row["joint_after"]
        ],
        "lost": [names[place] for place in matching.lost],
        "added": [other_names[place] for place in matching.added],
        "rest": {
            "new": [_rest_row(finding, other_names) for finding in rest.new],
            "gone": [_rest_row(finding, names) for finding in rest.gone],
            "kept": len(rest.kept),
        },
        "summary": {
            "joints_matched": len(rows),
            **{each: sum(row["verdict"] == each for row in rows) for each in VERDICTS},
            "axes_turned": sum("axes" in row["changed"] for row in rows),
            "orders_changed": sum("order" in row["changed"] for row in rows),
            "parents_changed": sum("parent" in row["changed"] for row in rows),
            "hinges_before": summaries[0]["hinges"],
            "hinges_after": summaries[1]["hinges"],
            "clean_hinges_before": summaries[0]["clean_hinges"],
            "clean_hinges_after": summaries[1]["clean_hinges"],
            "edit_keys_before": summaries[0]["edit_keys_now"],
            "edit_keys_after": summaries[1]["edit_keys_now"],
        },
    }


def _rest_row(finding: Finding, names: Sequence[str]) -> Row:
    return {
        "joint": None if finding.joint is None else names[finding.joint],
        **finding_row(finding),
    }


def fine(value: float | np.floating[Any]) -> float | None:
    """Return a small length or share to nine decimals, None where it is not finite."""
    plain = float(value)
    return round(plain, FINE_DECIMALS) + 0.0 if np.isfinite(plain) else None


def _motion(before: Examination, motion: Motion) -> Row:
    found, names = motion.found, before.shot.skeleton.names
    row: Row = {
        "same": motion.same,
        "because": motion.because,
        "seconds": None if motion.seconds is None else numbers(motion.seconds),
        "start": motion.start,
        "whole": motion.whole,
        "retimed_s": number(motion.retimed_s),
        "scale": None if motion.scale is None else number(motion.scale),
        "same_but_for_scale": motion.same_but_for_scale,
        "instants": 0,
        "height": None,
        "position": None,
        "share_of_height": None,
        "position_joint": None,
        "position_time_s": None,
        "rotation_deg": None,
        "rotation_joint": None,
        "rotation_time_s": None,
    }
    if found is not None:
        row |= {
            "instants": found.times,
            "height": number(found.height),
            "position": fine(found.position),
            "share_of_height": fine(found.share_of_height),
            "position_joint": names[found.position_joint],
            "position_time_s": number(found.position_time_s),
            "rotation_deg": number(found.rotation_deg),
            "rotation_joint": names[found.rotation_joint],
            "rotation_time_s": number(found.rotation_time_s),
        }
    return row


def _joint_rows(
    before: Examination,
    after: Examination,
    matching: Matching,
    motion: Motion,
    axes: AxesChange,
    verdicts: Sequence[Verdict],
) -> list[Row]:
    rows, other_rows = before.document["joints"], after.document["joints"]
    along = [_along_the_limb(each) for each in (before, after)]
    result = []
    for index, (joint, other) in enumerate(zip(matching.before, matching.after, strict=True)):
        row, its = rows[joint], other_rows[other]
        found = motion.found
        change: Row = {
            "joint": row["joint"],
            "joint_after": its["joint"],
            "matched_by": matching.how[index],
            "parent": row["parent"],
            "parent_after": its["parent"],
            "axes": {
                "twist_deg": number(axes.twist_deg[index]),
                "swing_deg": number(axes.swing_deg[index]),
                "total_deg": number(axes.total_deg[index]),
                "turn_xyzw": _positive(axes.turn_xyzw[index]) if axes.told_by[index] else None,
                "told_by": axes.told_by[index],
                "along_limb": along[0][joint],
                "along_limb_after": along[1][other],
            },
            "rest_moved_deg": number(axes.rest_moved_deg[index]),
            "own_deviation_deg": number(axes.own_deviation_deg[index]),
            "position_deviation": None if found is None else fine(found.joint_positions[index]),
            "rotation_deviation_deg": (
                None if found is None else number(found.joint_rotations_deg[index])
            ),
            "before": {name: row[name] for name in FIGURES},
            "after": {name: its[name] for name in FIGURES},
            "verdict": verdicts[index],
        }
        change["changed"] = _what_changed(change, bool(matching.changed_parents[index]))
        result.append(change)
    return result


def _positive(quaternion: np.ndarray[Any, np.dtype[np.float64]]) -> list[float] | None:
    """Return a quaternion with its scalar part not negative: one of the two that mean the same."""
    return numbers(-quaternion if quaternion[3] < 0.0 else quaternion)


def _along_the_limb(examined: Examination) -> list[str | None]:
    """Return for each joint the half-axis that lies nearest to its limb, such as "−Y"."""
    limbs = examined.shot.skeleton.limb_axes
    _, half_axes = aim_error(np.nan_to_num(limbs).T)
    return [
        None if np.isnan(limb[0]) else axis_in_words(half)
        for limb, half in zip(limbs, half_axes.T, strict=True)
    ]


def _what_changed(row: Row, parent_changed: bool) -> list[str]:
    before, after, total = row["before"], row["after"], row["axes"]["total_deg"]
    limit = axes_limits.CONSTANT_DEG
    # An order that nobody stated is found anew in each shot, so it is no change that somebody made.
    ordered = before["rotation_order_from"] != "best" and after["rotation_order_from"] != "best"
    changes = {
        "axes": total is not None and total > limit,
        "order": ordered and before["rotation_order"] != after["rotation_order"],
        "kind": before["kind"] != after["kind"],
        "curves": row["verdict"] != "same" or before["moving_channels"] != after["moving_channels"],
        "parent": parent_changed,
        "motion": row["own_deviation_deg"] is None or row["own_deviation_deg"] > limit,
        "rest pose": row["rest_moved_deg"] is not None and row["rest_moved_deg"] > limit,
    }
    return [name for name in CHANGES if changes[name]]
