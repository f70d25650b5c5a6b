"""Writing shots from elsewhere as a new USD file: one skeleton, one animation a shot."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from audit.errors import UsageError
from audit.formats.usd._layer import bytes_of_layer, library
from audit.model import Shot, Skeleton, Track
from audit.model.skeleton import Array
from audit.rotations import matrix_from_quaternion

CODES_PER_SECOND = 24.0
"""Time codes a second for uneven times and for one frame: what USD takes where a file says nothing."""

EVEN_TIMES = 1e-3
"""How far gaps between frames may differ, as a share; times kept as 32-bit numbers stray that far."""


def fresh(shots: Sequence[Shot], *, text: bool) -> bytes:
    """Return a new file of some shots.

    Parameters
    ----------
    shots
        Of one skeleton.
    text
        True for text, False for binary.

    Raises
    ------
    UsageError
        Where the shots have different skeletons, or keys between which USD cannot go as they do.
    """
    skeleton = shots[0].skeleton
    for shot in shots:
        if not _alike(shot.skeleton, skeleton):
            raise UsageError(
                "the shots have different skeletons",
                path=shot.source.file,
                hint="Write one file a skeleton",
            )
    sdf = library("Sdf")
    layer = sdf.Layer.CreateAnonymous(".usda" if text else ".usdc")
    layer.defaultPrim = "Model"
    rate = _codes_per_second(shots)
    layer.timeCodesPerSecond = layer.framesPerSecond = rate
    layer.startTimeCode = min(float(shot.times_s[0]) for shot in shots) * rate
    layer.endTimeCode = max(float(shot.times_s[-1]) for shot in shots) * rate
    model = _prim(layer.pseudoRoot, "Model", "SkelRoot")
    bones = _prim(model, "Skeleton", "Skeleton", bound=True)
    joints = _joint_paths(skeleton)
    _set(bones, "joints", "TokenArray", joints, uniform=True)
    unique = len(set(skeleton.names)) == len(skeleton)
    if unique and [joint.rpartition("/")[2] for joint in joints] != list(skeleton.names):
        _set(bones, "jointNames", "TokenArray", list(skeleton.names), uniform=True)
    vt = library("Vt")
    for name, matrices in (
        ("bindTransforms", _world(skeleton)),
        ("restTransforms", _local(skeleton)),
    ):
        value = vt.Matrix4dArray.FromNumpy(np.ascontiguousarray(matrices.swapaxes(1, 2)))
        _set(bones, name, "Matrix4dArray", value, uniform=True)
    taken: set[str] = {"Skeleton"}
    for number, shot in enumerate(shots):
        named = shot.source.own_name or shot.source.label
        name = _unique(named.rpartition("/")[2] or "Animation", taken)
        motion = _prim(model, name, "SkelAnimation")
        _set(motion, "joints", "TokenArray", joints, uniform=True)
        _write_keys(motion, shot, rate)
        if number == 0:
            source = sdf.RelationshipSpec(bones, "skel:animationSource", False)
            source.targetPathList.explicitItems = [motion.path]
    return bytes_of_layer(layer, text=text)


def _alike(one: Skeleton, other: Skeleton) -> bool:
    """Tell whether two skeletons are the same."""
    return one is other or (
        one.names == other.names
        and np.array_equal(one.parents, other.parents)
        and np.array_equal(one.offsets, other.offsets)
        and np.array_equal(one.rest_xyzw, other.rest_xyzw)
        and np.array_equal(one.rest_scales, other.rest_scales)
    )


def _codes_per_second(shots: Sequence[Shot]) -> float:
    """Return time codes a second that put evenly spaced frames on whole numbers, where there are any."""
    gaps = np.concatenate([np.diff(shot.times_s) for shot in shots])
    if not len(gaps) or np.ptp(gaps) > EVEN_TIMES * float(np.median(gaps)):
        return CODES_PER_SECOND
    rate = 1.0 / float(np.median(gaps))
    near = float(np.round(rate))
    return near if near >= 1.0 and abs(rate - near) < EVEN_TIMES * rate else rate


def _prim(parent: Any, name: str, kind: str, *, bound: bool = False) -> Any:
    """Return a new prim; ``bound`` says in it that it is bound to an animation."""
    sdf = library("Sdf")
    holder = parent.layer if parent.path.IsAbsoluteRootPath() else parent
    prim = sdf.PrimSpec(holder, name, sdf.SpecifierDef, kind)
    if bound:
        applied = sdf.TokenListOp()
        applied.prependedItems = ["SkelBindingAPI"]
        prim.SetInfo("apiSchemas", applied)
    return prim


def _set(prim: Any, name: str, kind: str, value: Any, *, uniform: bool = False) -> Any:
    """Return a new attribute with a value for all time."""
    sdf = library("Sdf")
    variability = sdf.VariabilityUniform if uniform else sdf.VariabilityVarying
    attribute = sdf.AttributeSpec(prim, name, getattr(sdf.ValueTypeNames, kind), variability)
    if value is not None:
        attribute.default = value
    return attribute


def _unique(name: str, taken: set[str]) -> str:
    """Return a name that a prim may have and that none has so far."""
    base = name = library("Tf").MakeValidIdentifier(name)
    number = 1
    while name in taken:
        number += 1
        name = f"{base}_{number}"
    taken.add(name)
    return name


def _joint_paths(skeleton: Skeleton) -> list[str]:
    """Return the path of each joint, made of names that USD allows."""
    paths: list[str] = []
    taken: dict[int, set[str]] = {}
    for name, parent in zip(skeleton.names, skeleton.parents.tolist(), strict=True):
        own = _unique(name, taken.setdefault(parent, set()))
        paths.append(own if parent < 0 else f"{paths[parent]}/{own}")
    return paths


def _local(skeleton: Skeleton) -> Array:
    """Return the rest pose as matrices (J, 4, 4), column form."""
    matrices = np.zeros((len(skeleton), 4, 4))
    matrices[:, 3, 3] = 1.0
    axes = np.moveaxis(matrix_from_quaternion(skeleton.rest_xyzw.T), 2, 0)
    matrices[:, :3, :3] = axes * skeleton.rest_scales[:, None, :]
    matrices[:, :3, 3] = skeleton.offsets
    return matrices


def _world(skeleton: Skeleton) -> Array:
    """Return the rest pose in the world as matrices (J, 4, 4), column form."""
    matrices = _local(skeleton)
    for joint, parent in enumerate(skeleton.parents):
        if parent >= 0:
            matrices[joint] = matrices[parent] @ matrices[joint]
    return matrices


def _write_keys(motion: Any, shot: Shot, rate: float) -> None:
    """Write the rotations, translations and scales of a shot into an animation."""
    skeleton, tracks = shot.skeleton, shot.tracks
    rest = {
        "rotations": skeleton.rest_xyzw,
        "translations": skeleton.offsets,
        "scales": skeleton.rest_scales,
    }
    if tracks is not None:
        given = {
            "rotations": tracks.rotations,
            "translations": tracks.positions,
            "scales": tracks.scales,
        }
        keys = {name: _together(shot, given[name], rest[name]) for name in rest}
    else:
        positions = shot.local_positions
        still = np.array_equal(positions, np.broadcast_to(skeleton.offsets, positions.shape))
        keys = {
            "rotations": (shot.times_s, shot.rotations_xyzw),
            "translations": (shot.times_s[:0], positions[:1])
            if still
            else (shot.times_s, positions),
            "scales": (shot.times_s[:0], skeleton.rest_scales[None]),
        }
    for name, kind, numbers, array in (
        ("rotations", "QuatfArray", np.float32, "QuatfArray"),
        ("scales", "Half3Array", np.float16, "Vec3hArray"),
        ("translations", "Float3Array", np.float32, "Vec3fArray"),
    ):
        times_s, values = keys[name]
        made = getattr(library("Vt"), array).FromNumpy
        rows = [made(np.ascontiguousarray(row, dtype=numbers)) for row in values]
        attribute = _set(motion, name, kind, None if len(times_s) else rows[0])
        for time_s, row in zip(times_s.tolist(), rows, strict=bool(len(times_s))):
            motion.layer.SetTimeSample(attribute.path, time_s * rate, row)


def _together(shot: Shot, tracks: Sequence[Track | None], rest: Array) -> tuple[Array, Array]:
    """Return times (K,) and values (K, J, n) of all joints at the times at which any of them has a key.

    The straight way between two keys goes through every point on it, so that nothing moves. Where no joint
    has a key there are no times, and one value.
    """
    keyed = [track for track in tracks if track is not None]
    if not keyed:
        return np.zeros(0), rest[None]
    for joint, track in enumerate(tracks):
        if track is not None and track.interpolation != "linear" and len(track.times_s) > 1:
            raise UsageError(
                f"joint {shot.skeleton.names[joint]!r} has {track.interpolation} keys, but USD goes "
                "straight from key to key",
                path=shot.source.file,
                hint="Write its own format, or resample the shot first",
            )
    times_s = np.unique(np.concatenate([track.times_s for track in keyed]))
    values = [
        np.tile(own, (len(times_s), 1)) if track is None else track.at(times_s)
        for track, own in zip(tracks, rest, strict=True)
    ]
    return times_s, np.stack(values, axis=1)
