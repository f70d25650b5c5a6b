"""Writing a shot that did not come from glTF: a small file with the joints and their keys, and nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePath
from urllib.parse import quote

import numpy as np

from audit.errors import UsageError
from audit.formats.gltf._added import Added
from audit.formats.gltf._container import packed
from audit.formats.gltf._json import Json, text_of
from audit.model import Shot, Skeleton, Track


def fresh(shots: Sequence[Shot], name: str) -> dict[str, bytes]:
    """Return the files of shots that share a skeleton, written anew.

    Raises
    ------
    UsageError
        Where their skeletons differ, or glTF cannot hold their times or values.
    """
    skeleton = shots[0].skeleton
    if not all(_same(skeleton, shot.skeleton) for shot in shots[1:]):
        raise UsageError(
            "the shots of one glTF file share a skeleton, but these have different ones",
            hint="Write one file a shot",
        )
    added = Added(0, 0, 0, 0)
    animations = [each for shot in shots if (each := _animation(shot, added))["channels"]]
    top: dict[str, Json] = {
        "asset": {"version": "2.0", "generator": "hinge-audit"},
        "scene": 0,
        "scenes": [{"nodes": np.flatnonzero(skeleton.parents < 0).tolist()}],
        "nodes": _nodes(skeleton),
        "skins": _skins(skeleton),
    }
    if not added:
        return {name: _file(top, None, name)}
    top["animations"] = animations
    top["accessors"], top["bufferViews"] = added.accessors(), added.views()
    pieces = added.pieces()
    buffer: dict[str, Json] = {"byteLength": sum(map(len, pieces))}
    top["buffers"] = [buffer]
    if name.lower().endswith(".glb"):
        return {name: _file(top, pieces, name)}
    beside = PurePath(name).with_suffix(".bin")
    buffer["uri"] = quote(beside.name)
    return {name: _file(top, None, name), str(beside): b"".join(pieces)}


def _file(top: dict[str, Json], data: Sequence[bytes] | None, name: str) -> bytes:
    try:
        if name.lower().endswith(".glb"):
            return packed(text_of(top), data)
        return (text_of(top) + "\n").encode("utf-8")
    except UnicodeEncodeError as error:
        raise UsageError(
            f"a name holds {error.object[error.start]!r}, which is no character",
            hint="Rename the joint",
        ) from error


def _same(one: Skeleton, two: Skeleton) -> bool:
    return one is two or (
        one.names == two.names
        and all(
            np.array_equal(getattr(one, name), getattr(two, name))
            for name in (
                "parents",
                "offsets",
                "rest_xyzw",
                "rest_scales",
                "tip_joints",
                "tip_offsets",
            )
        )
    )


def _nodes(skeleton: Skeleton) -> list[dict[str, Json]]:
    """Return a node for each joint, then one for each tip."""
    nodes: list[dict[str, Json]] = []
    for joint, joint_name in enumerate(skeleton.names):
        node: dict[str, Json] = {"name": joint_name} if joint_name else {}
        node["translation"] = skeleton.offsets[joint].tolist()
        node["rotation"] = skeleton.rest_xyzw[joint].tolist()
        if np.any(skeleton.rest_scales[joint] != 1.0):
            node["scale"] = skeleton.rest_scales[joint].tolist()
        nodes.append(node)
    for joint, parent in enumerate(skeleton.parents):
        if parent >= 0:
            nodes[parent].setdefault("children", []).append(joint)
    for joint, offset in zip(skeleton.tip_joints, skeleton.tip_offsets, strict=True):
        nodes[joint].setdefault("children", []).append(len(nodes))
        nodes.append({"name": f"{skeleton.names[joint]}_tip", "translation": offset.tolist()})
    return nodes


def _skins(skeleton: Skeleton) -> list[dict[str, Json]]:
    """Return a skin without a mesh for each tree, as it says which nodes are joints."""
    root_of = np.arange(len(skeleton))
    for joint, parent in enumerate(skeleton.parents):
        if parent >= 0:
            root_of[joint] = root_of[parent]
    return [
        {"joints": np.flatnonzero(root_of == root).tolist()}
        for root in np.flatnonzero(skeleton.parents < 0)
    ]


def _animation(shot: Shot, added: Added) -> dict[str, Json]:
    samplers: list[dict[str, Json]] = []
    channels: list[dict[str, Json]] = []
    for path, tracks in _tracks(shot).items():
        for joint, track in enumerate(tracks):
            if track is not None:
                channels.append({"sampler": len(samplers), "target": {"node": joint, "path": path}})
                samplers.append(added.sampler(track))
    name = shot.source.own_name or shot.source.label
    return {"name": name, "channels": channels, "samplers": samplers}


def _tracks(shot: Shot) -> dict[str, Sequence[Track | None]]:
    """Return the tracks of a shot; those of frames have a key on every frame."""
    if shot.tracks is not None:
        return {
            "rotation": shot.tracks.rotations,
            "translation": shot.tracks.positions,
            "scale": shot.tracks.scales,
        }
    positions = shot.local_positions
    moving = np.any(positions != shot.skeleton.offsets, axis=(0, 2))
    return {
        "rotation": [
            Track(shot.times_s, shot.rotations_xyzw[:, joint])
            for joint in range(len(shot.skeleton))
        ],
        "translation": [
            Track(shot.times_s, positions[:, joint]) if moves else None
            for joint, moves in enumerate(moving)
        ],
    }
