"""Writing a shot back into the file it came from: only what has changed is written, all else stays."""

from __future__ import annotations

import base64
from collections import Counter
from collections.abc import Sequence
from pathlib import PurePath
from urllib.parse import quote

import numpy as np
import numpy.typing as npt

from audit.errors import UsageError
from audit.formats.gltf._accessors import Accessors
from audit.formats.gltf._added import INTERPOLATIONS, Added
from audit.formats.gltf._container import MAGIC, Bytes, packed
from audit.formats.gltf._document import Document
from audit.formats.gltf._json import REMOVED, Json, Path, Source
from audit.formats.gltf._nodes import stated_parts
from audit.formats.gltf._origin import Origin
from audit.model import Shot, Track
from audit.rotations import conjugate, matrix_from_quaternion, multiply, rotate

Array = npt.NDArray[np.float64]

PLACED = ("KHR_lights_punctual", "EXT_mesh_gpu_instancing")
"""Extensions of a node that put something where the node is, and turn it with the node."""


def patched(shots: Sequence[Shot], origins: Sequence[Origin], name: str) -> dict[str, bytes]:
    """Return the files of shots that were read from one glTF file and changed since.

    Parameters
    ----------
    shots, origins
        The shots, and what each keeps of the file.
    name
        Name of the file to write.

    Raises
    ------
    UsageError
        Where shots of the file are missing although its joints have changed, where they were changed
        differently, or in a way that the file cannot take up.
    """
    patch = _Patch(shots[0], origins[0], _buffer_for_more(origins[0].document))
    _check_together(shots, origins)
    patch.rests()
    if patch.changes:
        _check_complete(origins)
    for number in np.flatnonzero(patch.turned):
        patch.what_hangs_on(int(number))
    patch.skins()
    for shot, origin in zip(shots, origins, strict=True):
        patch.keys(shot, origin)
    return _files(patch, name)


def _check_together(shots: Sequence[Shot], origins: Sequence[Origin]) -> None:
    first = shots[0]
    for shot in shots[1:]:
        same = all(
            np.array_equal(getattr(shot.skeleton, part), getattr(first.skeleton, part))
            for part in ("rest_xyzw", "offsets", "rest_scales")
        )
        if not same or not np.array_equal(_turned(shot), _turned(first)):
            raise UsageError(
                "the shots of one glTF file share its joints, but these have turned them differently",
                hint="Apply the same offsets to all shots of the file",
            )
    counts = Counter(_number(origin) for origin in origins)
    if max(counts.values()) > 1:
        raise UsageError("one shot of the file is given twice", hint="Give each shot once")


def _check_complete(origins: Sequence[Origin]) -> None:
    missing = len(origins[0].animations) - len(origins)
    if origins[0].animation is not None and missing:
        raise UsageError(
            f"{missing} of the file's {len(origins[0].animations)} shots are missing: their keys would no "
            "longer fit its joints",
            hint="Give all shots of the file together",
        )


def _number(origin: Origin) -> int:
    return -1 if origin.animation is None else origin.animation.number


def _turned(shot: Shot) -> Array:
    return (
        np.tile([0.0, 0.0, 0.0, 1.0], (len(shot.skeleton), 1))
        if shot.turned is None
        else shot.turned
    )


def _buffer_for_more(document: Document) -> int:
    """Return the number of the buffer that new data goes to, which may be one past the last.

    The binary chunk's, or else the first in a file of its own. A GLB without buffers gets a chunk; text in the
    JSON is left alone.
    """
    for kind in ("chunk", "file"):
        for number, buffer in enumerate(document.buffers):
            if buffer.kind == kind:
                return number
    return len(document.buffers)


class _Patch:
    """The changes to one file, as they come together."""

    def __init__(self, shot: Shot, origin: Origin, buffer: int) -> None:
        self.shot, self.origin = shot, origin
        self.document = origin.document
        self.buffer = buffer
        held = self.content(buffer) if buffer < len(self.document.buffers) else ()
        self.added = Added(
            len(self.document.objects("accessors")),
            len(self.document.objects("bufferViews")),
            buffer,
            len(held) + -len(held) % 4,
        )
        self.changes: dict[Path, Json] = {}
        self.turns = _turned(shot)
        self.turned = np.any(self.turns[:, :3] != 0.0, axis=1)
        self._places = {node: joint for joint, node in enumerate(origin.joints)}
        self._nodes_added = 0
        self._samplers_added: dict[int, int] = {}

    def content(self, number: int) -> memoryview:
        """Return all bytes that a buffer's place holds, those past its length too, without a copy."""
        buffer = self.document.buffers[number]
        if buffer.kind == "chunk" and self.document.contents.binary is not None:
            start, end = self.document.contents.binary
            return memoryview(self.document.data)[start:end]
        return memoryview(buffer.content)

    def rests(self) -> None:
        """Change the rest transforms of joints."""
        now, before = self.shot.skeleton, self.origin.skeleton
        for joint, node in enumerate(self.origin.joints):
            parts = {
                name: getattr(now, field)[joint]
                for name, field in (
                    ("translation", "offsets"),
                    ("rotation", "rest_xyzw"),
                    ("scale", "rest_scales"),
                )
                if not np.array_equal(getattr(now, field)[joint], getattr(before, field)[joint])
            }
            if parts and "matrix" in self.document.objects("nodes")[node]:
                matrix = np.eye(4)
                matrix[:3, :3] = matrix_from_quaternion(now.rest_xyzw[joint])
                matrix[:3, :3] *= now.rest_scales[joint]
                matrix[:3, 3] = now.offsets[joint]
                self.changes["nodes", node, "matrix"] = matrix.T.ravel().tolist()
                continue
            for name, value in parts.items():
                self.changes["nodes", node, name] = value.tolist()

    def what_hangs_on(self, joint: int) -> None:
        """Turn what hangs on a joint, and is no joint itself, back by as much as the joint was turned."""
        back = conjugate(self.turns[joint])
        node = self.origin.joints[joint]
        for child in self.origin.tree.children[node]:
            if child in self._places:
                continue
            given = stated_parts(self.document, child)
            if "matrix" in given:
                matrix = _matrix(back) @ np.array(given["matrix"]).reshape(4, 4).T
                self.changes["nodes", child, "matrix"] = matrix.T.ravel().tolist()
                continue
            rotation = np.array(given.get("rotation", (0.0, 0.0, 0.0, 1.0)))
            self.changes["nodes", child, "rotation"] = multiply(back, rotation).tolist()
            if "translation" in given:
                moved = rotate(back, np.array(given["translation"]))
                self.changes["nodes", child, "translation"] = moved.tolist()
        self._move_content(node, back)

    def _move_content(self, node: int, back: Array) -> None:
        """Put a mesh, camera or light that a turned joint carries itself on a new node below it.

        A mesh with a skin stays: it does not follow the node that carries it.
        """
        nodes = self.document.objects("nodes")
        held = nodes[node]
        content: dict[str, Json] = {}
        if "mesh" in held and "skin" not in held:
            content |= {key: held[key] for key in ("mesh", "weights") if key in held}
        if "camera" in held:
            content["camera"] = held["camera"]
        extensions = self.document.object(held, "extensions", f"nodes[{node}]")
        placed = {key: extensions[key] for key in PLACED if key in extensions}
        if not content and not placed:
            return
        for key in content:
            self.changes["nodes", node, key] = REMOVED
        for key in placed:
            self.changes["nodes", node, "extensions", key] = REMOVED
        new = len(nodes) + self._nodes_added
        self._nodes_added += 1
        if placed:
            content["extensions"] = placed
        if "name" in held:
            content["name"] = f"{held['name']}_content"
        self.changes["nodes", new] = {**content, "rotation": back.tolist()}
        children = self.origin.tree.children[node]
        if children:
            self.changes["nodes", node, "children", len(children)] = new
        else:
            self.changes["nodes", node, "children"] = [new]
        self._follow(node, new)

    def _follow(self, node: int, new: int) -> None:
        """Let the channels that change the shape of a mesh follow it to another node."""
        for number, animation in enumerate(self.document.objects("animations")):
            for place, channel in enumerate(animation.get("channels", [])):
                target = channel.get("target", {})
                if target.get("path") == "weights" and target.get("node") == node:
                    path = ("animations", number, "channels", place, "target", "node")
                    self.changes[path] = new
                elif target.get("path") == "pointer" and f"/nodes/{node}/" in str(target):
                    raise UsageError(
                        f"node {node} carries a mesh, camera or light that an animation points at, and it "
                        "cannot be turned without what it carries",
                        hint="Leave this joint out of the offsets",
                    )

    def skins(self) -> None:
        """Give each skin with turned joints inverse bind matrices that fit them."""
        accessors = Accessors(self.document)
        for number, skin in enumerate(self.origin.tree.skins):
            places = [self._places[node] for node in skin.joints]
            if not np.any(self.turned[places]):
                continue
            if skin.inverse_bind is None:
                matrices = np.tile(np.eye(4), (len(places), 1, 1))
            else:
                where = f"skins[{number}].inverseBindMatrices"
                flat = accessors.numbers(skin.inverse_bind, "MAT4", where).values
                matrices = np.swapaxes(flat.reshape(-1, 4, 4), 1, 2).copy()
            for row, joint in enumerate(places):
                if self.turned[joint]:
                    matrices[row] = _matrix(conjugate(self.turns[joint])) @ matrices[row]
            self.changes["skins", number, "inverseBindMatrices"] = self.added.matrices(matrices)

    def keys(self, shot: Shot, origin: Origin) -> None:
        """Write the tracks of a shot that are not as they were read."""
        if shot.tracks is None:
            raise UsageError(
                "the shot was read from a glTF file, but holds frames in place of keys now",
                hint="Write it without its origin, as a new file",
            )
        for path, field in (
            ("rotation", "rotations"),
            ("translation", "positions"),
            ("scale", "scales"),
        ):
            pairs = zip(getattr(shot.tracks, field), getattr(origin.tracks, field), strict=True)
            for joint, (now, before) in enumerate(pairs):
                if not _equal(now, before):
                    self._write_track(origin, origin.joints[joint], path, now, before)

    def _write_track(
        self, origin: Origin, node: int, path: str, now: Track | None, before: Track | None
    ) -> None:
        if origin.animation is None or now is None or before is None:
            raise UsageError(
                f"the {path} of {self._name(node)} has keys in only one of the file and the shot",
                hint="Write the shot without its origin, as a new file",
            )
        number = origin.animation.number
        channel = next(
            each for each in origin.animation.channels if (each.node, each.path) == (node, path)
        )
        animation = self.document.objects("animations")[number]
        sampler = dict(animation["samplers"][channel.sampler])
        new: dict[str, Json] = {"output": self.added.values(now)}
        if not np.array_equal(now.times_s, before.times_s):
            new["input"] = self.added.times(now.times_s)
        if now.interpolation != before.interpolation:
            new["interpolation"] = INTERPOLATIONS[now.interpolation]
        users = sum(each.get("sampler") == channel.sampler for each in animation["channels"])
        way: Path = ("animations", number)
        if users == 1:
            for key, value in new.items():
                self.changes[(*way, "samplers", channel.sampler, key)] = value
            return
        added = self._samplers_added.get(number, 0)
        self._samplers_added[number] = added + 1
        place = len(animation["samplers"]) + added
        self.changes[(*way, "samplers", place)] = sampler | new
        self.changes[(*way, "channels", channel.number, "sampler")] = place

    def _name(self, node: int) -> str:
        return self.origin.skeleton.names[self._places[node]]

    def append(self, name: str, values: Sequence[Json]) -> None:
        """Add values behind those of a list at the top, which need not be there yet."""
        count = len(self.document.objects(name))
        if name not in self.document.top:
            self.changes[(name,)] = list(values)
            return
        for number, value in enumerate(values):
            self.changes[name, count + number] = value


def _matrix(quaternion: Array) -> Array:
    """Return the matrix (4, 4) of a rotation."""
    matrix = np.eye(4)
    matrix[:3, :3] = matrix_from_quaternion(quaternion)
    return matrix


def _equal(one: Track | None, two: Track | None) -> bool:
    """Tell whether two tracks hold the same keys."""
    if one is None or two is None or one is two:
        return one is two
    return one.interpolation == two.interpolation and all(
        left is right or (left is not None and right is not None and np.array_equal(left, right))
        for left, right in (
            (one.times_s, two.times_s),
            (one.values, two.values),
            (one.in_tangents, two.in_tangents),
            (one.out_tangents, two.out_tangents),
        )
    )


def _files(patch: _Patch, name: str) -> dict[str, bytes]:
    """Return the files: the named one, and a new one for each buffer that is a file of its own."""
    document = patch.document
    as_glb = name.lower().endswith(".glb")
    is_glb = document.data.startswith(MAGIC)
    kinds = [buffer.kind for buffer in document.buffers]
    if not patch.changes and not patch.added and as_glb == is_glb and "file" not in kinds:
        return {name: document.data}
    if patch.added:
        patch.append("accessors", patch.added.accessors())
        patch.append("bufferViews", patch.added.views())
    contents: dict[int, list[Bytes]] = {
        number: [patch.content(number)]
        for number, kind in enumerate(kinds)
        if kind in ("chunk", "file")
    }
    if patch.added:
        pieces = contents.setdefault(patch.buffer, [])
        pieces += [bytes(-sum(map(len, pieces)) % 4), *patch.added.pieces()]
        length = sum(map(len, pieces))
        if patch.buffer < len(kinds):
            patch.changes["buffers", patch.buffer, "byteLength"] = length
        else:
            entry: dict[str, Json] = {"byteLength": length}
            if patch.buffer or not as_glb:
                text = base64.b64encode(b"".join(contents.pop(patch.buffer))).decode("ascii")
                entry["uri"] = f"data:application/octet-stream;base64,{text}"
            patch.append("buffers", [entry])
    binary = contents.pop(0, None) if as_glb else None
    if binary is not None and kinds[:1] == ["file"]:
        patch.changes["buffers", 0, "uri"] = REMOVED
    beside = {}
    for number, pieces in contents.items():
        path = PurePath(name)
        path = path.with_name(f"{path.stem}{f'_{number}' if number else ''}.bin")
        patch.changes["buffers", number, "uri"] = quote(path.name)
        beside[str(path)] = b"".join(pieces)
    text = Source(document.contents.text).changed(patch.changes)
    if not as_glb:
        return {name: text.encode("utf-8")} | beside
    data = memoryview(document.data)
    others = [(kind, data[start:end]) for kind, start, end in document.contents.others]
    return {name: packed(text.rstrip(" "), binary, others)} | beside
