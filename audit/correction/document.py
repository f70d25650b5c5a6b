"""``proof.json``: what was done to the files of a folder, and the proof that nothing moved."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

import audit
from audit.correction.corrected import LIMIT, Corrected
from audit.errors import InputError
from audit.plugins import bytes_of
from audit.sheet import Only, Sheet, joint_labels

PROOF = "proof.json"
PARTS = ("file", "written", "source", "offsets", "turned", "refused", "missing", "shots")
"""What stands in the proof of each file."""

DIGITS = 4

Entry = dict[str, Any]


def entry_of(
    path: Path,
    files: dict[str, bytes],
    offsets: Sheet,
    only: Only | None,
    shots: Sequence[Corrected],
) -> Entry:
    """Return what stands in the proof of a file."""
    first = shots[0]
    sheet = Path(offsets.file) if offsets.file else None
    return {
        "file": path.name,
        "written": [{"file": name, "sha256": _digest(data)} for name, data in files.items()],
        "source": {"file": str(path), "sha256": first.before.source.sha256},
        "offsets": {
            "file": None if sheet is None else str(sheet),
            "sha256": None if sheet is None else _digest(bytes_of(sheet)),
            "only": only,
        },
        "turned": _turns(first),
        "refused": [
            {"joint": joint, "reason": reason} for joint, reason in first.turned.refused.items()
        ],
        "missing": list(first.turned.missing),
        "shots": [_proof(shot) for shot in shots],
    }


def _turns(shot: Corrected) -> list[Entry]:
    """Return what was done to each joint: turned axes, a new rotation order, or both."""
    before, after = shot.before.skeleton, shot.after.skeleton
    rows = []
    for joint, name in enumerate(joint_labels(before)):
        axes = shot.turned.axes[joint]
        orders = before.orders[joint], after.orders[joint]
        if axes[3] == 1.0 and orders[0] == orders[1]:
            continue
        angle = np.rad2deg(2.0 * np.arctan2(np.linalg.norm(axes[:3]), abs(axes[3])))
        rows.append(
            {
                "joint": name,
                "angle_deg": round(float(angle), 6),
                "axes_xyzw": [round(float(each), 9) + 0.0 for each in axes],
                "order_before": orders[0],
                "order_after": orders[1],
            }
        )
    return rows


def _proof(shot: Corrected) -> Entry:
    """Return the figures of one shot."""
    found, names = shot.found, shot.before.skeleton.names
    return {
        "shot": shot.before.source.label,
        "frames": shot.before.frames,
        "instants": found.times,
        "height": _short(found.height),
        "position": _short(found.position),
        "share_of_height": _short(found.share_of_height),
        "position_joint": names[found.position_joint],
        "position_time_s": round(found.position_time_s, 6),
        "rotation_deg": _short(found.rotation_deg),
        "rotation_joint": names[found.rotation_joint],
        "rotation_time_s": round(found.rotation_time_s, 6),
        "skin": None if shot.skin is None else _short(shot.skin),
        "limit_share_of_height": LIMIT,
        "hinges": _hinges(shot),
        "messier": list(shot.messier),
    }


def _hinges(shot: Corrected) -> Entry | None:
    """Return how the hinges fare: how many there are, and how many move on one channel and their edit keys."""
    if shot.measures is None:
        return None
    hinge = np.array([kind == "hinge" for kind in shot.measures[0].kind])
    figures: Entry = {"count": int(np.sum(hinge))}
    for when, measures in zip(("before", "after"), shot.measures, strict=True):
        now = measures.now
        figures[f"on_one_channel_{when}"] = int(np.sum(now.moving_channels[hinge] <= 1))
        figures[f"edit_keys_{when}"] = int(np.sum(now.edit_keys[hinge]))
    return figures


def _short(value: float) -> float:
    return float(f"{value:.{DIGITS}g}")


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def read_proof(path: Path) -> Entry:
    """Return a ``proof.json``, an empty one where there is none.

    Raises
    ------
    InputError
        Where the file is something else.
    """
    empty: Entry = {"tool": {"name": "hinge-audit", "version": audit.__version__}, "files": []}
    if not path.exists():
        return empty
    try:
        found = json.loads(bytes_of(path))
        named = found["tool"]["name"] == "hinge-audit" and all(
            set(PARTS) <= set(each) for each in found["files"]
        )
    except (ValueError, TypeError, KeyError):
        named = False
    if not named:
        raise InputError(
            "is not a proof that hinge-audit wrote",
            path=path,
            hint="Move it away, or choose another folder with --out",
        )
    return empty | {"files": found["files"]}


def noted(path: Path, entry: Entry) -> bytes:
    """Return the proof of a folder with a file added, in place of an earlier entry of the same name."""
    proof = read_proof(path)
    files = [each for each in proof["files"] if each["file"] != entry["file"]]
    files = sorted([*files, entry], key=lambda each: str(each["file"]))
    text = json.dumps(proof | {"files": files}, indent=2, ensure_ascii=False, allow_nan=False)
    return (text + "\n").encode("utf-8", errors="backslashreplace")
