"""glTF files built in code, a corrector that turns joints, and a player that knows nothing of the reader."""

from __future__ import annotations

import base64
import json
import struct
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.spatial.transform import Rotation, Slerp

from audit.formats.gltf import read
from audit.formats.gltf._origin import Origin
from audit.model import Shot, Track, Tracks
from audit.plugins import Opened
from audit.rotations import conjugate, multiply, rotate

Array = npt.NDArray[np.float64]
Json = Any

TYPES = {1: "SCALAR", 3: "VEC3", 4: "VEC4", 16: "MAT4"}
CODES = {"i1": 5120, "u1": 5121, "i2": 5122, "u2": 5123, "u4": 5125, "f4": 5126}


class Making:
    """A glTF file that grows part by part."""

    def __init__(self) -> None:
        self.top: dict[str, Json] = {"asset": {"version": "2.0"}}
        self.data = bytearray()

    def _append(self, name: str, value: Json) -> int:
        listed = self.top.setdefault(name, [])
        listed.append(value)
        return len(listed) - 1

    def view(self, data: bytes, **more: Json) -> int:
        """Add bytes as a buffer view of their own."""
        self.data += bytes(-len(self.data) % 4)
        start = len(self.data)
        self.data += data
        return self._append(
            "bufferViews",
            {"buffer": 0, "byteOffset": start, "byteLength": len(data), **more},
        )

    def accessor(self, values: npt.ArrayLike, dtype: str = "f4", **more: Json) -> int:
        """Add values (K, n) as they are; integers are not scaled."""
        array = np.asarray(values, dtype="<" + dtype)
        array = array.reshape(len(array), -1)
        accessor = {
            "bufferView": self.view(array.tobytes()),
            "componentType": CODES[dtype],
            "count": len(array),
            "type": TYPES[array.shape[1]],
            **more,
        }
        return self._append("accessors", accessor)

    def times(self, values: Sequence[float]) -> int:
        stored = np.asarray(values, dtype="f4")
        return self.accessor(stored, min=[float(stored.min())], max=[float(stored.max())])

    def node(self, **members: Json) -> int:
        return self._append("nodes", members)

    def skin(self, joints: Sequence[int], bind: npt.ArrayLike | None = None, **more: Json) -> int:
        """Add a skin; ``bind`` holds inverse bind matrices (K, 4, 4) for column vectors."""
        skin: dict[str, Json] = {"joints": list(joints), **more}
        if bind is not None:
            flat = np.swapaxes(np.asarray(bind), 1, 2).reshape(-1, 16)
            skin["inverseBindMatrices"] = self.accessor(flat)
        return self._append("skins", skin)

    def animation(self, *channels: tuple[int, str, int, int], name: str | None = None) -> int:
        """Add an animation of (node, path, input accessor, output accessor), all linear."""
        return self._append(
            "animations",
            {
                **({} if name is None else {"name": name}),
                "channels": [
                    {"sampler": place, "target": {"node": node, "path": path}}
                    for place, (node, path, _, _) in enumerate(channels)
                ],
                "samplers": [
                    {"input": times, "output": values} for _, _, times, values in channels
                ],
            },
        )

    def finished(self, **buffer: Json) -> dict[str, Json]:
        if self.data:
            return {**self.top, "buffers": [{"byteLength": len(self.data), **buffer}]}
        return self.top

    def glb(self, text: str | None = None) -> bytes:
        text = json.dumps(self.finished()) if text is None else text
        return packed(text, bytes(self.data) if self.data else None)

    def with_text_data(self) -> bytes:
        """Return a .gltf whose buffer stands in the JSON."""
        data = base64.b64encode(bytes(self.data)).decode()
        uri = f"data:application/octet-stream;base64,{data}"
        return json.dumps(self.finished(uri=uri), indent=1).encode()


def packed(text: str, binary: bytes | None) -> bytes:
    body = text.encode()
    body += b" " * (-len(body) % 4)
    chunks = struct.pack("<I4s", len(body), b"JSON") + body
    if binary is not None:
        binary += bytes(-len(binary) % 4)
        chunks += struct.pack("<I4s", len(binary), b"BIN\0") + binary
    return struct.pack("<4sII", b"glTF", 2, 12 + len(chunks)) + chunks


def split(glb: bytes) -> tuple[str, bytes]:
    """Return the JSON text of a GLB without its padding, and the binary chunk."""
    (length,) = struct.unpack_from("<I", glb, 12)
    return glb[20 : 20 + length].decode().rstrip(" "), glb[28 + length :]


def read_all(data: bytes, path: str = "takes/shot.glb") -> tuple[Shot, ...]:
    return read(Opened(data, path))


def read_one(making: Making) -> Shot:
    (shot,) = read_all(making.glb())
    return shot


def joints_of(shot: Shot) -> tuple[int, ...]:
    """Return the node of each joint."""
    assert isinstance(shot.origin, Origin)
    return shot.origin.joints


def hinge(making: Making, **members: Json) -> Making:
    """Add a thigh, a knee and a foot in a skin; the knee turns about z, to 90° in a second."""
    first = len(making.top.get("nodes", []))
    making.node(name="thigh", children=[first + 1])
    making.node(name="knee", translation=[0, -2, 0], children=[first + 2], **members)
    making.node(name="foot", translation=[0, -1.5, 0.25])
    making.skin([first, first + 1, first + 2])
    half = np.sqrt(0.5)
    making.animation(
        (
            first + 1,
            "rotation",
            making.times([0, 1]),
            making.accessor([[0, 0, 0, 1], [0, 0, half, half]]),
        )
    )
    return making


def turned(shot: Shot, axes: Array) -> Shot:
    """Return a shot whose joints have new axes (J, 4), each in the joint's present ones; nothing else moves.

    Local rotations become ``A_p⁻¹ R A``, positions ``A_p⁻¹ t``, with p the parent.
    """
    skeleton, tracks = shot.skeleton, shot.tracks
    assert tracks is not None
    back = np.tile([0.0, 0.0, 0.0, 1.0], (len(skeleton), 1))
    for joint, parent in enumerate(skeleton.parents):
        if parent >= 0:
            back[joint] = conjugate(axes[parent])
    rests = [
        multiply(multiply(one, rest), two)
        for one, rest, two in zip(back, skeleton.rest_xyzw, axes, strict=True)
    ]
    changed = replace(
        skeleton,
        rest_xyzw=np.array(rests),
        offsets=np.array([rotate(q, v) for q, v in zip(back, skeleton.offsets, strict=True)]),
        tip_offsets=np.array(
            [
                rotate(conjugate(axes[joint]), v)
                for joint, v in zip(skeleton.tip_joints, skeleton.tip_offsets, strict=True)
            ]
        ).reshape(-1, 3),
    )

    def through(track: Track | None, joint: int, *, rotates: bool) -> Track | None:
        if track is None:
            return None

        def each(values: Array | None) -> Array | None:
            if values is None:
                return None
            if not rotates:
                return rotate(back[joint][:, None], values.T).T
            return multiply(multiply(back[joint][:, None], values.T), axes[joint][:, None]).T

        values = each(track.values)
        assert values is not None
        return Track(
            track.times_s,
            values,
            track.interpolation,
            each(track.in_tangents),
            each(track.out_tangents),
        )

    count = range(len(skeleton))
    moved = Tracks(
        tuple(through(tracks.rotations[joint], joint, rotates=True) for joint in count),
        tuple(through(tracks.positions[joint], joint, rotates=False) for joint in count),
        tracks.scales,
        tracks.length_errors,
    )
    before = shot.turned if shot.turned is not None else np.tile([0.0, 0, 0, 1], (len(skeleton), 1))
    product = np.array([multiply(one, two) for one, two in zip(before, axes, strict=True)])
    return replace(shot, skeleton=changed, tracks=moved, turned=product)


class Player:
    """Plays a GLB with plain matrices; it shares nothing with the reader."""

    def __init__(self, glb: bytes) -> None:
        text, self.binary = split(glb)
        self.top = json.loads(text)

    def numbers(self, accessor_number: int) -> Array:
        accessor = self.top["accessors"][accessor_number]
        view = self.top["bufferViews"][accessor["bufferView"]]
        code = {number: name for name, number in CODES.items()}[accessor["componentType"]]
        width = {name: width for width, name in TYPES.items()}[accessor["type"]]
        start = view.get("byteOffset", 0) + accessor.get("byteOffset", 0)
        flat = np.frombuffer(self.binary, "<" + code, accessor["count"] * width, start)
        values = flat.reshape(-1, width).astype(float)
        if accessor.get("normalized"):
            values = np.maximum(values / np.iinfo(code).max, -1.0)
        return values

    def value(self, sampler: dict[str, Json], time: float) -> Array:
        times, values = self.numbers(sampler["input"])[:, 0], self.numbers(sampler["output"])
        kind = sampler.get("interpolation", "LINEAR")
        time = float(np.clip(time, times[0], times[-1]))
        if kind == "CUBICSPLINE":
            three = values.reshape(-1, 3, values.shape[1])
            place = int(np.clip(np.searchsorted(times, time, "right") - 1, 0, len(times) - 2))
            gap = times[place + 1] - times[place]
            t = (time - times[place]) / gap
            result: Array = (
                (2 * t**3 - 3 * t**2 + 1) * three[place, 1]
                + gap * (t**3 - 2 * t**2 + t) * three[place, 2]
                + (-2 * t**3 + 3 * t**2) * three[place + 1, 1]
                + gap * (t**3 - t**2) * three[place + 1, 0]
            )
            return result
        if kind == "STEP" or len(times) == 1:
            step: Array = values[np.searchsorted(times, time, "right") - 1]
            return step
        if values.shape[1] == 4:
            turned_to: Array = Slerp(times, Rotation.from_quat(values))(time).as_quat()
            return turned_to
        return np.array([np.interp(time, times, column) for column in values.T])

    def worlds(self, time: float | None = None, animation: int = 0) -> list[Array]:
        """Return the world matrix (4, 4) of each node at a time of an animation, or at rest."""
        nodes = [dict(node) for node in self.top["nodes"]]
        if time is not None:
            moving = self.top["animations"][animation]
            for channel in moving["channels"]:
                target = channel["target"]
                if target["path"] in ("rotation", "translation", "scale"):
                    value = self.value(moving["samplers"][channel["sampler"]], time)
                    nodes[target["node"]][target["path"]] = value
        local = []
        for node in nodes:
            if "matrix" in node:
                local.append(np.array(node["matrix"], dtype=float).reshape(4, 4).T)
                continue
            matrix = np.eye(4)
            turn = Rotation.from_quat(node.get("rotation", [0, 0, 0, 1])).as_matrix()
            matrix[:3, :3] = turn * np.array(node.get("scale", [1, 1, 1]))
            matrix[:3, 3] = node.get("translation", [0, 0, 0])
            local.append(matrix)
        parents = {
            child: parent for parent, node in enumerate(nodes) for child in node.get("children", [])
        }

        def world(number: int) -> Array:
            if number not in parents:
                return local[number]
            result: Array = world(parents[number]) @ local[number]
            return result

        return [world(number) for number in range(len(nodes))]

    def skinned(self, time: float | None = None, animation: int = 0) -> list[Array]:
        """Return for each skin the matrices (K, 4, 4) that carry its vertices."""
        worlds = self.worlds(time, animation)
        found = []
        for skin in self.top.get("skins", []):
            count = len(skin["joints"])
            bind = np.tile(np.eye(4), (count, 1, 1))
            if "inverseBindMatrices" in skin:
                flat = self.numbers(skin["inverseBindMatrices"])[:count]
                bind = np.swapaxes(flat.reshape(-1, 4, 4), 1, 2)
            found.append(np.stack([worlds[node] for node in skin["joints"]]) @ bind)
        return found
