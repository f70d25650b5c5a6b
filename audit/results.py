"""The results contract: what stands in ``results.json`` and in the tables, and nothing else.

Numbers are finite or None, degrees throughout, rounded to six decimals so that the same shot gives
the same text on every machine.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
import numpy.typing as npt

import audit
from audit.conventions import AXES
from audit.measures import Cost, Measures
from audit.model import Shot
from audit.plugins import SEVERITIES, Check, Finding

Row = dict[str, Any]
Document = dict[str, Any]

DECIMALS = 6
CAUSES = ("twist", "aim", "order", "own")


@cache
def schema() -> Mapping[str, Any]:
    """Return the JSON Schema of ``results.json``."""
    text = files("audit").joinpath("results.schema.json").read_text(encoding="utf-8")
    loaded: Mapping[str, Any] = json.loads(text)
    return loaded


def number(value: float | np.floating[Any]) -> float | None:
    """Return a finite number rounded for the results, None for NaN or infinity, never −0."""
    plain = float(value)
    return round(plain, DECIMALS) + 0.0 if np.isfinite(plain) else None


def numbers(values: npt.ArrayLike) -> list[float] | None:
    """Return finite numbers rounded for the results, None where any of them is not finite."""
    array = np.asarray(values, dtype=np.float64)
    if not np.isfinite(array).all():
        return None
    return [round(float(value), DECIMALS) + 0.0 for value in array]


def joint_rows(shot: Shot, measures: Measures, findings: Iterable[Finding] = ()) -> list[Row]:
    """Return one row a joint, in the skeleton's order, as the contract has them.

    Parameters
    ----------
    shot, measures
        The shot and what was measured on it.
    findings
        What the checks found; those about the shot as a whole are left out.
    """
    by_joint: dict[int, list[Finding]] = {}
    for finding in findings:
        if finding.joint is not None:
            by_joint.setdefault(finding.joint, []).append(finding)
    parents = shot.skeleton.parent_names()
    return [
        _joint_row(shot, measures, joint, parents[joint], by_joint.get(joint, []))
        for joint in range(len(shot.skeleton))
    ]


def _joint_row(
    shot: Shot,
    measures: Measures,
    joint: int,
    parent: str | None,
    findings: Sequence[Finding],
) -> Row:
    now = measures.now
    offset = bool(measures.has_offset[joint])
    return {
        "joint": shot.skeleton.names[joint],
        "parent": parent,
        "rotation_order": measures.orders[joint],
        "rotation_order_from": measures.orders_from[joint],
        "kind": measures.kind[joint],
        "range_deg": number(measures.range_deg[joint]),
        "shares": numbers(measures.shares[joint]),
        "off_axis_deg": number(measures.off_axis_deg[joint]),
        "hinge_axis": numbers(measures.hinge_axis[joint]),
        "hinge_axis_interval_deg": number(measures.hinge_axis_interval_deg[joint]),
        "limb_axis": numbers(measures.limb_axis[joint]),
        "aim_error_deg": number(measures.aim_error_deg[joint]),
        "residual_deg": number(measures.residual_deg[joint]),
        "channels": {
            letter: {
                "range_deg": number(now.range_deg[joint, axis]),
                "travel_deg": number(now.travel_deg[joint, axis]),
                "keys": int(now.keys[joint, axis]),
            }
            for axis, letter in enumerate(AXES)
        },
        "moving_channels": int(now.moving_channels[joint]),
        "channel_spread": number(now.channel_spread[joint]),
        "leak": number(now.leak[joint]),
        "edit_keys": int(now.edit_keys[joint]),
        "twist_offset_deg": number(measures.twist_offset_deg[joint]),
        "twist_interval_deg": numbers(measures.twist_interval_deg[joint]),
        "no_offset_because": measures.no_offset_because[joint],
        "after_twist": _after(measures.after_twist, joint) if offset else None,
        "full_offset_xyzw": numbers(measures.full_offset_xyzw[joint]),
        "advised_order": measures.advised_order[joint],
        "after_full": _after(measures.after_full, joint) if offset else None,
        "causes": _causes(measures.causes[joint]),
        "findings": [finding_row(finding) for finding in findings],
    }


def _after(cost: Cost, joint: int) -> Row:
    return {
        "moving_channels": int(cost.moving_channels[joint]),
        "channel_spread": number(cost.channel_spread[joint]),
        "edit_keys": int(cost.edit_keys[joint]),
    }


def _causes(causes: npt.NDArray[np.float64]) -> Row | None:
    values = numbers(causes)
    return None if values is None else dict(zip(CAUSES, values, strict=True))


def finding_row(finding: Finding) -> Row:
    """Return a finding as the contract has it."""
    return {
        "check": finding.check,
        "severity": finding.severity,
        "message": finding.message,
        "value": None if finding.value is None else number(finding.value),
        "limit": None if finding.limit is None else number(finding.limit),
    }


def summary(rows: Sequence[Row], findings: Sequence[Finding]) -> Row:
    """Return the figures of a shot as a whole.

    A hinge is clean where nothing about it needs a fix. ``edit_keys_after`` counts each joint at the
    least of what it costs now and what it would cost after either correction, since nobody applies one
    that makes things worse.
    """
    hinges = [row for row in rows if row["kind"] == "hinge"]
    clean = [
        row
        for row in hinges
        if not any(finding["severity"] == "fix" for finding in row["findings"])
    ]
    counts: Row = {
        severity: sum(finding.severity == severity for finding in findings)
        for severity in SEVERITIES
    }
    return {
        "hinges": len(hinges),
        "clean_hinges": len(clean),
        **counts,
        "edit_keys_now": sum(row["edit_keys"] for row in rows),
        "edit_keys_after": sum(edit_keys_after(row) for row in rows),
    }


def edit_keys_after(row: Row) -> int:
    """Return the edit keys of a joint row once the better of its corrections is applied, if any helps."""
    after = [row[stage]["edit_keys"] for stage in ("after_twist", "after_full") if row[stage]]
    return int(min([row["edit_keys"], *after]))


def document(
    shot: Shot,
    measures: Measures,
    findings: Sequence[Finding],
    checks: Mapping[str, Check],
) -> Document:
    """Return the whole ``results.json`` of a shot.

    Parameters
    ----------
    shot, measures, findings
        The shot, what was measured on it, and what the checks found.
    checks
        The checks that ran; their limits are written down.
    """
    rows = joint_rows(shot, measures, findings)
    limits = {name: dict(check.limits) for name, check in checks.items()}
    return {
        "tool": {"name": "hinge-audit", "version": audit.__version__},
        "source": {
            "file": shot.source.file,
            "sha256": shot.source.sha256,
            "format": shot.source.format,
            "frames": shot.frames,
            "seconds": number(shot.seconds),
            "joints": len(shot.skeleton),
            "reference": measures.settings.reference,
        },
        "settings": {**measures.settings.as_dict(), "checks": limits},
        "joints": rows,
        "findings": [finding_row(finding) for finding in findings if finding.joint is None],
        "summary": summary(rows, findings),
    }


def flat_row(row: Row) -> Row:
    """Return a joint row with one plain value a column, as tables and ``joints.csv`` have it.

    Nested fields become dotted names (``channels.X.range_deg``, ``after_twist.edit_keys``), vectors one
    column a component (``hinge_axis.x``), findings one text ("twist fix; spread fix").
    """
    flat: Row = {}
    for name, value in row.items():
        if name == "findings":
            flat[name] = "; ".join(f"{each['check']} {each['severity']}" for each in value)
        elif name in _PARTS:
            parts = _PARTS[name]
            values = value if value is not None else [None] * len(parts)
            flat.update({f"{name}.{part}": each for part, each in zip(parts, values, strict=True)})
        elif name in _NESTED:
            flat.update({f"{name}.{key}": (value or {}).get(key) for key in _NESTED[name]})
        elif name == "channels":
            for letter, figures in value.items():
                flat.update({f"channels.{letter}.{key}": each for key, each in figures.items()})
        else:
            flat[name] = value
    return flat


_PARTS: Mapping[str, tuple[str, ...]] = {
    "shares": ("1", "2", "3"),
    "hinge_axis": ("x", "y", "z"),
    "limb_axis": ("x", "y", "z"),
    "twist_interval_deg": ("low", "high"),
    "full_offset_xyzw": ("x", "y", "z", "w"),
}
_AFTER = ("moving_channels", "channel_spread", "edit_keys")
_NESTED: Mapping[str, tuple[str, ...]] = {
    "after_twist": _AFTER,
    "after_full": _AFTER,
    "causes": CAUSES,
}


def json_text(value: Document | Sequence[Document]) -> str:
    """Return results as JSON text; a number that is not finite is a fault of the program."""
    return json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
