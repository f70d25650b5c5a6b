"""A long GLB made in code, and the yardstick that its correction is held against."""

from __future__ import annotations

import json
import struct
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.spatial.transform import Rotation

from audit.sheet import Offset, Sheet

Array = npt.NDArray[np.float64]

JOINTS, FRAMES, HINGES = 61, 4000, 30


def long_glb(joints: int = JOINTS, frames: int = FRAMES, seed: int = 0) -> bytes:
    """Return a GLB in which every joint turns and the first one travels, with a key at every frame.

    The joints hang in three chains. Hinges with secret twists come first, then joints that move freely.
    """
    chance = np.random.default_rng(seed)
    times = (np.arange(frames) / 60.0).astype("<f4")
    parts = [times.tobytes()]
    accessors: list[dict[str, Any]] = [
        {
            "bufferView": 0,
            "componentType": 5126,
            "count": frames,
            "type": "SCALAR",
            "min": [float(times[0])],
            "max": [float(times[-1])],
        }
    ]
    nodes: list[dict[str, Any]] = []
    channels: list[dict[str, Any]] = []

    def moved(joint: int, path: str, values: Array) -> None:
        width = values.shape[1]
        channels.append({"sampler": len(channels), "target": {"node": joint, "path": path}})
        accessors.append(
            {
                "bufferView": len(parts),
                "componentType": 5126,
                "count": frames,
                "type": f"VEC{width}",
            }
        )
        parts.append(values.astype("<f4").tobytes())

    for joint in range(joints):
        nodes.append({"name": f"joint{joint}", "translation": [0.0, -1.0 if joint else 0.0, 0.0]})
        if joint:
            parent = 0 if joint % 20 == 1 else joint - 1
            nodes[parent].setdefault("children", []).append(joint)
        rate, phase = chance.uniform(0.1, 0.8, (3, 3, 1)), chance.uniform(0.0, 6.0, (3, 3, 1))
        waves = np.sum(np.sin(2.0 * np.pi * rate * times + phase), axis=1) / 2.0
        if joint < HINGES:
            twist = np.deg2rad(chance.uniform(-40.0, 40.0))
            axis = np.array([np.cos(twist), 0.0, -np.sin(twist)])
            turns = Rotation.from_rotvec(np.deg2rad(45.0 + 35.0 * waves[0])[:, None] * axis)
        else:
            turns = Rotation.from_euler("ZXY", 25.0 * waves.T, degrees=True)
        moved(joint, "rotation", turns.as_quat())
    moved(0, "translation", np.stack((times, np.sin(times), 0.0 * times), axis=1))

    views, start = [], 0
    for part in parts:
        views.append({"buffer": 0, "byteOffset": start, "byteLength": len(part)})
        start += len(part)
    top = {
        "asset": {"version": "2.0"},
        "nodes": nodes,
        "scenes": [{"nodes": [0]}],
        "skins": [{"joints": list(range(joints))}],
        "animations": [
            {
                "name": "long",
                "channels": channels,
                "samplers": [{"input": 0, "output": 1 + each} for each in range(len(channels))],
            }
        ],
        "accessors": accessors,
        "bufferViews": views,
        "buffers": [{"byteLength": start}],
    }
    text = json.dumps(top).encode()
    text += b" " * (-len(text) % 4)
    binary = b"".join(parts)
    return b"".join(
        (
            struct.pack("<4sII", b"glTF", 2, 28 + len(text) + len(binary)),
            struct.pack("<I4s", len(text), b"JSON"),
            text,
            struct.pack("<I4s", len(binary), b"BIN\0"),
            binary,
        )
    )


def twisted(joints: int = JOINTS, seed: int = 1) -> Sheet:
    """Return a sheet that turns every joint of :func:`long_glb` about its limb."""
    angles = np.random.default_rng(seed).uniform(-40.0, 40.0, joints)
    return Sheet(
        tuple(
            Offset(f"joint{joint}", twist_offset_deg=float(angle))
            for joint, angle in enumerate(angles)
        )
    )


def read_with_json_and_numpy(path: Path) -> dict[str, Array]:
    """Read a GLB with nothing but json and numpy: all accessors, as one float64 array a kind."""
    data = path.read_bytes()
    (length,) = struct.unpack_from("<I", data, 12)
    top = json.loads(data[20 : 20 + length])
    binary = 28 + length
    found: dict[str, list[npt.NDArray[np.float32]]] = {}
    for accessor in top["accessors"]:
        view = top["bufferViews"][accessor["bufferView"]]
        width = {"SCALAR": 1, "VEC3": 3, "VEC4": 4}[accessor["type"]]
        values = np.frombuffer(
            data, "<f4", accessor["count"] * width, binary + view["byteOffset"]
        ).reshape(-1, width)
        found.setdefault(accessor["type"], []).append(values)
    return {kind: np.concatenate(each, dtype=np.float64) for kind, each in found.items()}
