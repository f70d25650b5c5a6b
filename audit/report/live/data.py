"""What the live page carries of a shot: the results, the skeleton, and a copy of the rotations.

The copy is as fine as the room allows. It is rounded to steps that no figure feels where that fits, to coarser
ones where it does not, and keys that lie on the straight way between their neighbours are left out only where
even that is too much. How far it is from the shot is measured and goes into the page.
"""

from __future__ import annotations

import base64
import json
import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from audit.measures.keys import straight_line_keys
from audit.measures.offsets import aim_error
from audit.model import Shot
from audit.model.kinematics import rest_height, rest_positions
from audit.pipeline import Examination, suggest
from audit.report.cards import Line
from audit.report.live.glance import Glance, glance
from audit.report.live.packing import (
    FINEST_BITS,
    Parcel,
    packed_integers,
    packed_numbers,
    packed_rotations,
    unpacked_rotations,
)
from audit.report.plans import aim_and_turn, in_short, planned_stage
from audit.report.views import ShotView
from audit.report.words import shown
from audit.results import Row
from audit.rotations import (
    conjugate,
    multiply,
    quaternion_between,
    rotation_vector_from_quaternion,
)
from audit.sheet import Sheet, sheet_text

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Facts = dict[str, Any]

MOST_BYTES = 8_000_000
"""Room for the rotations; as text in the page they take a third more."""

COARSER_BITS = (FINEST_BITS, 24, 20, 18, 16, 14, 12, 10)
"""Steps to one that are tried in turn, as powers of two: from a millionth of a degree to a tenth. Differences
of smooth motion are small numbers, so coarse steps save more than leaving out keys does; that comes last."""

FIGURE_BITS = 14
"""Steps for rotations that are only drawn: a hundredth of a degree."""

FIRST_TOLERANCE = 2e-3
"""How far a left-out key's quaternion may at first be from the straight way between its neighbours."""

AS_GOOD_AS_WHOLE_DEG = 2e-5
"""A copy this near to the shot gives the figures of the shot."""

SAMPLE_JOINTS = 16
"""How many joints it takes to judge how many bytes all of them will need."""

POSITION_STEPS = 2.0**15
"""Steps to the height of the figure, for how far positions are from those at rest."""

MOST_HEIGHTS = 64.0
"""Farther away than so many heights, positions are told in coarser steps."""


@dataclass(frozen=True, eq=False)
class LiveData:
    """What the page carries.

    Attributes
    ----------
    facts
        As JSON text that can stand inside a page.
    rotations
        The joints' rotations: bytes, compressed, as base64 text.
    others
        Positions, uneven times and the shot at a glance, likewise.
    error_deg
        How far the page's rotations are from the shot's, at the worst key.
    """

    facts: str
    rotations: str
    others: str
    error_deg: float


@dataclass(frozen=True, eq=False)
class _Copy:
    """The rotations of all joints as the page gets them: where each begins, and all bytes, compressed."""

    blocks: list[Facts]
    data: bytes
    error_deg: float
    left_out: int


def live_data(view: ShotView, offsets: Sheet | None = None) -> LiveData:
    """Return what the page of a shot carries beyond what it shows.

    Parameters
    ----------
    view
        What the page shows; joints that it leaves out are drawn in the figure all the same.
    offsets
        The sheet that can be taken away from the page, such as one that all shots of the rig suggest together;
        what this shot suggests alone where None.
    """
    examined = view.examined
    shot = examined.shot
    seen = glance(examined)
    clocks, of_joint = _clocks(shot)
    copy = _copied(examined)
    parcel = Parcel()
    facts: Facts = {
        "shot": shown(view.label),
        "frames": shot.frames,
        "seconds": shot.seconds,
        "clocks": [_clock(times - shot.times_s[0], parcel) for times in clocks],
        "errorDeg": copy.error_deg,
        "whole": copy.error_deg <= AS_GOOD_AS_WHOLE_DEG,
        "leftOut": copy.left_out,
        "toleranceDeg": examined.measures.settings.key_tolerance_deg,
        "movingDeg": examined.measures.settings.moving_range_deg,
        "confidence": examined.measures.settings.confidence,
        "reference": examined.measures.settings.reference,
        "joints": [_joint(examined, line, seen, of_joint[line.place]) for line in view.lines],
        "skeleton": _skeleton(examined, parcel, of_joint, copy.blocks),
        "glance": _glance(seen, [line.place for line in view.lines], parcel),
        "sheet": sheet_text(offsets or suggest(shot, examined.measures.settings)),
        "sheetOf": "shot" if offsets is None else "rig",
    }
    return LiveData(
        facts=_json_in_a_page(facts),
        rotations=base64.b64encode(copy.data).decode("ascii"),
        others=base64.b64encode(zlib.compress(parcel.whole(), 6)).decode("ascii"),
        error_deg=copy.error_deg,
    )


def _json_in_a_page(facts: Facts) -> str:
    """Return JSON in which nothing ends the element that it stands in."""
    text = json.dumps(facts, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _clocks(shot: Shot) -> tuple[list[Array], list[int]]:
    """Return the different key times of a shot, those of its frames first, and which of them each joint has."""
    clocks, known = [shot.times_s], {shot.times_s.tobytes(): 0}
    places = []
    for joint in range(len(shot.skeleton)):
        times = shot.joint_times(joint)
        stamp = times.tobytes()
        if stamp not in known:
            known[stamp] = len(clocks)
            clocks.append(times)
        places.append(known[stamp])
    return clocks, places


def _clock(times_s: Array, parcel: Parcel) -> Facts:
    """Return key times: their step where they are even, else the place of their bytes."""
    count = len(times_s)
    step = float(times_s[-1] / (count - 1)) if count > 1 else 0.0
    if np.max(np.abs(times_s - step * np.arange(count))) < 1e-12 * max(1.0, count * step):
        return {"n": count, "step": step}
    return {"n": count, "at": parcel.add(times_s.astype("<f8").tobytes())}


def away_from_rest(examined: Examination, joint: int) -> Array:
    """Return the rotations (4, K) of a joint that the measures are taken on, at its own keys."""
    shot = examined.shot
    rotations = shot.joint_rotations([joint])[:, 0]
    if examined.measures.settings.reference == "parent":
        return rotations
    rest = shot.skeleton.rest_xyzw[joint]
    return multiply(conjugate(rest)[:, None], rotations)


def _copied(examined: Examination) -> _Copy:
    """Return the finest copy of all rotations that fits."""
    rotations = [away_from_rest(examined, joint) for joint in range(len(examined.shot.skeleton))]
    for bits in COARSER_BITS[_first_to_try(rotations) :]:
        copy = _copy(rotations, bits)
        if len(copy.data) <= MOST_BYTES:
            return copy
    tolerance = FIRST_TOLERANCE
    while True:
        copy = _copy(rotations, COARSER_BITS[-1], tolerance)
        if len(copy.data) <= MOST_BYTES or tolerance > 1.0:
            return copy
        tolerance *= 2.0


def _first_to_try(rotations: list[Array]) -> int:
    """Return the place of the finest steps that may fit, judged by some of the joints."""
    some = rotations[:: max(1, len(rotations) // SAMPLE_JOINTS)]
    share = sum(each.shape[1] for each in some) / sum(each.shape[1] for each in rotations)
    for place, bits in enumerate(COARSER_BITS[:-1]):
        parcel = Parcel()
        for each in some:
            packed_rotations(each, bits, parcel)
        if len(zlib.compress(parcel.whole(), 6)) <= share * MOST_BYTES * 1.1:
            return place
    return len(COARSER_BITS) - 1


def _copy(rotations: list[Array], bits: int, tolerance: float | None = None) -> _Copy:
    """Return a copy of rotations in given steps, without keys nearer than a tolerance to the straight way."""
    parcel = Parcel()
    blocks = []
    kept = [None if tolerance is None else _kept(each, tolerance) for each in rotations]
    for each, places in zip(rotations, kept, strict=True):
        if places is None:
            blocks.append(packed_rotations(each, bits, parcel))
            continue
        block = packed_rotations(each[:, places], bits, parcel)
        data, order, planes = packed_integers(places[None])
        layout = {"at": parcel.add(data), "n": len(places), "order": order, "planes": planes}
        blocks.append({**block, "kept": layout, "of": each.shape[1]})
    whole = parcel.whole()
    error, left_out = 0.0, 0
    for each, block, places in zip(rotations, blocks, kept, strict=True):
        copied = unpacked_rotations(whole, block)
        if places is not None:
            copied = _filled(copied, places, each.shape[1])
            left_out += each.shape[1] - len(places)
        error = max(error, _furthest(each, copied))
    return _Copy(blocks, zlib.compress(whole, 6), float(np.rad2deg(error)), left_out)


def _kept(quaternion: Array, tolerance: float) -> Indices:
    """Return the keys of a joint that straight lines need, in all four components, extremes among them."""
    near = np.sum(quaternion[:, 1:] * quaternion[:, :-1], axis=0) < 0.0
    flipped = np.logical_xor.accumulate(np.concatenate(([False], near)))
    steady = np.where(flipped, -quaternion, quaternion)
    places = np.arange(quaternion.shape[1], dtype=np.float64)
    kept = np.any(straight_line_keys(steady, places, tolerance), axis=0)
    kept[[0, -1]] = True
    return np.flatnonzero(kept)


def _filled(quaternion: Array, kept: Indices, count: int) -> Array:
    """Return rotations (4, count) with straight ways between the kept ones, made unit length."""
    near = np.sum(quaternion[:, 1:] * quaternion[:, :-1], axis=0) < 0.0
    flipped = np.logical_xor.accumulate(np.concatenate(([False], near)))
    steady = np.where(flipped, -quaternion, quaternion)
    rows = np.stack([np.interp(np.arange(count), kept, row) for row in steady])
    unit: Array = rows / np.sqrt(np.sum(rows * rows, axis=0))
    return unit


def _furthest(one: Array, other: Array) -> float:
    """Return the largest angle in radians between rotations (4, N) at the same keys."""
    vector = rotation_vector_from_quaternion(multiply(conjugate(one), other))
    return float(np.sqrt(np.max(np.sum(vector * vector, axis=0))))


def _joint(examined: Examination, line: Line, seen: Glance, clock: int) -> Facts:
    """Return what the page knows of a joint that it lists."""
    row = line.row
    return {
        "place": line.place,
        "name": shown(row["joint"]),
        "row": _plain_row(row),
        "plan": _plan(line),
        "severity": line.severity,
        "keysAfter": line.keys_after,
        "cause": line.cause,
        "clock": clock,
        "first": [round(float(value), 6) for value in seen.first_deg[line.place]],
        "aim": _aim(row, examined.measures.settings.aim_limit_deg),
    }


def _plan(line: Line) -> Facts | None:
    """Return what a joint asks for as a state of the page, and its cost then; None for nothing."""
    plan, stage = line.plan, planned_stage(line.row)
    if stage is None:
        return None
    return {
        "words": in_short(plan),
        "twist": plan.turn_deg or 0.0,
        "aim": plan.aim is not None,
        "order": plan.orders[1] if plan.orders else None,
        "after": stage,
    }


def _plain_row(row: Row) -> Row:
    """Return a joint row of the results without its names, which the page has in a form that can be shown."""
    left_out = ("joint", "parent", "no_offset_because")
    plain = {name: value for name, value in row.items() if name not in left_out}
    plain["findings"] = [
        {**finding, "message": shown(finding["message"])} for finding in row["findings"]
    ]
    return {**plain, "no_offset_because": row["no_offset_because"]}


def _aim(row: Row, limit_deg: float) -> Facts | None:
    """Return the aim of a joint as a turn of its axes, and the twist that follows; None where it is aimed."""
    if row["limb_axis"] is None or (row["aim_error_deg"] or 0.0) <= limit_deg:
        return None
    limb = np.array(row["limb_axis"])[:, None]
    limb = limb / np.sqrt(np.sum(limb * limb))
    _, half_axis = aim_error(limb)
    aimed = quaternion_between(half_axis, limb)[:, 0]
    axis = "XYZ"[int(np.argmax(np.abs(half_axis[:, 0])))]
    sign = "+" if half_axis.max() > 0 else "−"
    has_full = row["full_offset_xyzw"] is not None
    return {
        "axes": [float(each) for each in aimed],
        "axis": f"{sign}{axis}",
        "twistDeg": aim_and_turn(row)[2] if has_full else None,
    }


def _skeleton(
    examined: Examination, parcel: Parcel, of_joint: list[int], blocks: list[Facts]
) -> Facts:
    """Return what it takes to draw the figure at every frame."""
    shot = examined.shot
    skeleton = shot.skeleton
    height = rest_height(skeleton)
    away = shot.local_positions - skeleton.offsets
    farthest = np.max(np.abs(away), axis=(0, 2))
    step = max(height, float(np.max(farthest)) / MOST_HEIGHTS, 1e-9) / POSITION_STEPS
    moved = {
        str(int(joint)): packed_numbers(away[:, joint].T, step, parcel)
        for joint in np.flatnonzero(farthest > step)
    }
    scales = np.any(np.abs(skeleton.rest_scales - 1.0) > 1e-9)
    facts: Facts = {
        "parents": skeleton.parents.tolist(),
        "offsets": _rounded(skeleton.offsets),
        "rest": _rounded(skeleton.rest_xyzw, 9),
        "scales": _rounded(skeleton.rest_scales) if scales else None,
        "tipJoints": skeleton.tip_joints.tolist(),
        "tipOffsets": _rounded(skeleton.tip_offsets),
        "height": height,
        "moved": moved,
        "up": _up(examined),
        "rotations": blocks,
    }
    drawn = {}
    for joint in np.flatnonzero(np.array(of_joint)):
        # Keys at times of its own cannot be drawn frame by frame, so the figure has frames of its own.
        rotations = shot.rotations_xyzw[:, joint].T
        if examined.measures.settings.reference == "rest":
            rotations = multiply(conjugate(skeleton.rest_xyzw[joint])[:, None], rotations)
        drawn[str(int(joint))] = packed_rotations(rotations, FIGURE_BITS, parcel)
    facts["drawn"] = drawn
    if shot.tracks is not None:
        scaled = [
            (joint, track) for joint, track in enumerate(shot.tracks.scales) if track is not None
        ]
        facts["scaled"] = {
            str(joint): packed_numbers(track.at(shot.times_s).T, 1e-4, parcel)
            for joint, track in scaled
        }
    return facts


def _up(examined: Examination) -> str:
    """Return the letter of the axis that the figure stands along: Y, unless it is much taller along Z.

    Files do not say which way is up. The user of the page can choose another.
    """
    extent = np.ptp(rest_positions(examined.shot.skeleton), axis=0)
    return "Z" if extent[2] > 1.5 * extent[1] else "Y"


def _glance(seen: Glance, places: list[int], parcel: Parcel) -> Facts:
    """Return the shot at a glance, for the joints that the page lists."""
    return {
        "columns": seen.off_channel.shape[1],
        "fastest": seen.fastest,
        "off": parcel.add(seen.off_channel[places].tobytes()),
        "margin": parcel.add(seen.margin[places].tobytes()),
    }


def _rounded(values: Array, decimals: int = 6) -> list[Any]:
    rounded: list[Any] = (np.round(values, decimals) + 0.0).tolist()
    return rounded
