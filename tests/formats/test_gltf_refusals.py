"""What is refused in glTF files: each time with the place, the cause, and what to do."""

from __future__ import annotations

import json
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.errors import AuditError, FormatError
from audit.formats.gltf import _accessors, read, sample
from audit.plugins import Opened
from tests.formats.gltf_making import Making, hinge, packed, read_all, split
from tests.formats.test_gltf_writing import rig

Top = dict[str, Any]


def refused(data: bytes, path: str = "takes/shot.glb") -> FormatError:
    with pytest.raises(FormatError) as caught:
        read(Opened(data, path))
    assert caught.value.path == path
    assert caught.value.where
    assert caught.value.hint
    assert "\n" not in str(caught.value)
    return caught.value


def changed(change: Callable[[Top], object], making: Making | None = None) -> bytes:
    """Return the hinge with its JSON changed."""
    making = making or hinge(Making())
    top = json.loads(json.dumps(making.finished()))
    change(top)
    return packed(json.dumps(top), bytes(making.data))


def put(*way: Any) -> Callable[[Top], None]:
    """Return a change that puts the last value at the place that the others lead to."""

    def change(top: Top) -> None:
        holder: Any = top
        for key in way[:-2]:
            holder = holder[key]
        holder[way[-2]] = way[-1]

    return change


SAMPLER = ("animations", 0, "samplers", 0)
CHANNEL = ("animations", 0, "channels", 0)
HUGE = 10**40

JSON_FAULTS = {
    "version 1": (put("asset", "version", "1.0"), "asset.version", "'1.0' is not read"),
    "no version": (put("asset", {}), "asset.version", "is missing"),
    "a number as version": (put("asset", "version", 2.0), "asset.version", "is not read"),
    "asset a list": (put("asset", []), "top.asset", "an object"),
    "a later version": (put("asset", "minVersion", "2.1"), "asset.minVersion", "at least"),
    "compressed": (
        put("extensionsRequired", ["KHR_texture_transform", "EXT_meshopt_compression"]),
        "extensionsRequired[1]",
        "'EXT_meshopt_compression', which is not read",
    ),
    "compressed otherwise": (
        put("extensionsRequired", ["KHR_draco_mesh_compression"]),
        "extensionsRequired[0]",
        "'KHR_draco_mesh_compression', which is not read",
    ),
    "extensions no list": (put("extensionsRequired", "X"), "extensionsRequired", "a list"),
    "extension no text": (put("extensionsRequired", [[1]]), "extensionsRequired[0]", "not read"),
    "nodes no list": (put("nodes", {}), "nodes", "a list"),
    "a node no object": (put("nodes", 1, 5), "nodes[1]", "an object"),
    "child not there": (put("nodes", 0, "children", [99]), "nodes[0].children[0]", "99 is none"),
    "child negative": (put("nodes", 0, "children", [-1]), "nodes[0].children[0]", "-1 is none"),
    "child a truth": (put("nodes", 0, "children", [True]), "nodes[0].children[0]", "none of"),
    "child text": (put("nodes", 0, "children", ["1"]), "nodes[0].children[0]", "'1' is none"),
    "child an object": (put("nodes", 0, "children", [{}]), "nodes[0].children[0]", "this is none"),
    "children no list": (put("nodes", 0, "children", 1), "nodes[0].children", "a list"),
    "child twice": (put("nodes", 0, "children", [1, 1]), "nodes[0].children", "twice"),
    "two parents": (put("nodes", 0, "children", [1, 2]), "nodes[1].children", "a child of node 0"),
    "own child": (put("nodes", 2, "children", [2]), "nodes[2].children", "a child of node 1 too"),
    "a circle": (put("nodes", 2, "children", [0]), "nodes[0]", "below itself"),
    "name no text": (put("nodes", 1, "name", 5), "nodes[1].name", "text"),
    "translation short": (
        put("nodes", 1, "translation", [1, 2]),
        "nodes[1].translation",
        "3 finite",
    ),
    "translation huge": (
        put("nodes", 1, "translation", [10**400, 0, 0]),
        "nodes[1].translation",
        "3 finite",
    ),
    "rotation text": (put("nodes", 1, "rotation", ["0", 0, 0, 1]), "nodes[1].rotation", "4 finite"),
    "rotation a truth": (
        put("nodes", 1, "rotation", [0, 0, 0, True]),
        "nodes[1].rotation",
        "4 finite",
    ),
    "rotation zero": (put("nodes", 1, "rotation", [0, 0, 0, 0]), "nodes[1].rotation", "no length"),
    "scale no list": (put("nodes", 1, "scale", 2), "nodes[1].scale", "3 finite"),
    "matrix and parts": (
        lambda top: top["nodes"][0].update(matrix=np.eye(4).ravel().tolist(), scale=[1, 1, 1]),
        "nodes[0]",
        "both a matrix and parts",
    ),
    "a shear": (
        put("nodes", 0, "matrix", [1, 0, 0, 0, 0.1, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1]),
        "nodes[0].matrix",
        "it shears: two of its axes are 5.71° away",
    ),
    "flat": (
        put("nodes", 0, "matrix", [1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1]),
        "nodes[0].matrix",
        "flattens",
    ),
    "nothing": (put("nodes", 0, "matrix", [0] * 15 + [1]), "nodes[0].matrix", "flattens"),
    "beyond measure": (
        put("nodes", 0, "matrix", [1e300, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1]),
        "nodes[0].matrix",
        "beyond measure",
    ),
    "a projection": (put("nodes", 0, "matrix", [1] * 16), "nodes[0].matrix", "fourth row"),
    "an animated matrix": (
        lambda top: top["nodes"][1].update(matrix=np.eye(4).ravel().tolist()),
        "nodes[1].matrix",
        "animated node has no matrix",
    ),
    "skins no list": (put("skins", 5), "skins", "a list"),
    "no joints": (put("skins", 0, "joints", []), "skins[0].joints", "names no joint"),
    "joint not there": (put("skins", 0, "joints", [0, 7]), "skins[0].joints[1]", "7 is none"),
    "joint twice": (put("skins", 0, "joints", [0, 0]), "skins[0].joints", "twice"),
    "bind not there": (
        put("skins", 0, "inverseBindMatrices", 9),
        "skins[0].inverseBindMatrices",
        "9 is none",
    ),
    "bind no matrices": (put("skins", 0, "inverseBindMatrices", 1), "accessors[1]", "needs MAT4"),
    "no joints at all": (
        lambda top: (top.pop("skins"), top.pop("animations")),
        "skins, animations",
        "no joints",
    ),
    "animation name": (put("animations", 0, "name", []), "animations[0].name", "text"),
    "channels no list": (put("animations", 0, "channels", {}), "animations[0].channels", "a list"),
    "target no object": (put(*CHANNEL, "target", 1), "animations[0].channels[0].target", "object"),
    "target not there": (
        put(*CHANNEL, "target", "node", 5),
        "animations[0].channels[0].target.node",
        "5 is none",
    ),
    "sampler not there": (
        put(*CHANNEL, "sampler", 3),
        "animations[0].channels[0].sampler",
        "3 is none",
    ),
    "no sampler": (
        lambda top: top["animations"][0]["channels"][0].pop("sampler"),
        "animations[0].channels[0].sampler",
        "missing",
    ),
    "moved twice": (
        lambda top: top["animations"][0]["channels"].append(top["animations"][0]["channels"][0]),
        "animations[0].channels[1].target",
        "the rotation of node 1 is moved by channel 0 too",
    ),
    "moved by a pointer": (
        lambda top: top["animations"][0]["channels"].append(
            {
                "sampler": 0,
                "target": {
                    "path": "pointer",
                    "extensions": {"KHR_animation_pointer": {"pointer": "/nodes/2/rotation"}},
                },
            }
        ),
        "animations[0].channels[1].target",
        "'/nodes/2/rotation', which is not read",
    ),
    "interpolation": (
        put(*SAMPLER, "interpolation", "SMOOTH"),
        "animations[0].samplers[0].interpolation",
        "STEP, LINEAR, CUBICSPLINE",
    ),
    "interpolation no text": (
        put(*SAMPLER, "interpolation", []),
        "animations[0].samplers[0].interpolation",
        "none of",
    ),
    "no input": (
        lambda top: top["animations"][0]["samplers"][0].pop("input"),
        "animations[0].samplers[0].input",
        "none of the 2 accessors",
    ),
    "input values": (put(*SAMPLER, "input", 1), "accessors[1]", "input needs SCALAR of floats"),
    "output times": (
        put(*SAMPLER, "output", 0),
        "accessors[0]",
        "needs VEC4 of floats or normalised",
    ),
    "output for another path": (
        put(*CHANNEL, "target", "path", "scale"),
        "accessors[1]",
        "needs VEC3",
    ),
    "too few for cubic": (
        put(*SAMPLER, "interpolation", "CUBICSPLINE"),
        "animations[0].samplers[0].output",
        "has 2 values, but CUBICSPLINE with 2 times needs 6",
    ),
    "counts differ": (
        put("accessors", 1, "count", 1),
        "animations[0].samplers[0].output",
        "has 1 values, but LINEAR with 2",
    ),
    "not normalised": (
        put("accessors", 1, "componentType", 5122),
        "accessors[1]",
        "normalized false",
    ),
    "component": (put("accessors", 1, "componentType", [5126]), "accessors[1]", "componentType"),
    "type": (put("accessors", 1, "type", ["VEC4"]), "accessors[1]", "needs VEC4"),
    "count 0": (put("accessors", 1, "count", 0), "accessors[1].count", "from 1"),
    "count text": (put("accessors", 1, "count", "2"), "accessors[1].count", "a whole number"),
    "count past the view": (
        put("accessors", 1, "count", 3),
        "accessors[1]",
        "end at byte 48 of bufferViews[1], which has 32",
    ),
    "count huge": (put("accessors", 1, "count", HUGE), "accessors[1]", "numbers to read"),
    "offset past the view": (
        put("accessors", 1, "byteOffset", 4),
        "accessors[1]",
        "end at byte 36",
    ),
    "offset negative": (put("accessors", 1, "byteOffset", -4), "accessors[1].byteOffset", "from 0"),
    "view not there": (
        put("accessors", 1, "bufferView", 5),
        "accessors[1].bufferView",
        "5 is none",
    ),
    "view without buffer": (
        put("bufferViews", 1, "buffer", None),
        "bufferViews[1].buffer",
        "none of the 1 buffers",
    ),
    "view past the buffer": (
        put("bufferViews", 1, "byteLength", 33),
        "bufferViews[1]",
        "past its buffer of 40",
    ),
    "view offset huge": (
        put("bufferViews", 1, "byteOffset", HUGE),
        "bufferViews[1]",
        "past its buffer",
    ),
    "stride too short": (
        put("bufferViews", 1, "byteStride", 8),
        "bufferViews[1].byteStride",
        "shorter than the elements of 16",
    ),
    "stride too long": (put("bufferViews", 1, "byteStride", 20), "accessors[1]", "end at byte 36"),
    "stride text": (
        put("bufferViews", 1, "byteStride", "16"),
        "bufferViews[1].byteStride",
        "from 4",
    ),
    "zeros without end": (
        lambda top: (
            top["accessors"][1].pop("bufferView"),
            top["accessors"][1].update(count=10**9),
        ),
        "accessors[1]",
        "more than 100,000,000 numbers",
    ),
    "buffer too short": (
        put("buffers", 0, "byteLength", 41),
        "buffers[0]",
        "byteLength says 41, but there are 40",
    ),
    "buffer of no length": (put("buffers", 0, "byteLength", 0), "buffers[0].byteLength", "from 1"),
    "buffer elsewhere": (
        put("buffers", 0, "uri", "https://example.org/a.bin"),
        "buffers[0].uri",
        "is no file beside",
    ),
    "buffer on a drive": (
        put("buffers", 0, "uri", "C:\\a.bin"),
        "buffers[0].uri",
        "is no file beside",
    ),
    "buffer outside": (
        put("buffers", 0, "uri", "../a.bin"),
        "buffers[0].uri",
        "not in its own folder",
    ),
    "buffer outside, hidden": (
        put("buffers", 0, "uri", "%2e%2e/a.bin"),
        "buffers[0].uri",
        "not in its own folder",
    ),
    "buffer a root": (
        put("buffers", 0, "uri", "/etc/passwd"),
        "buffers[0].uri",
        "not in its own folder",
    ),
    "buffer not there": (
        put("buffers", 0, "uri", "none.bin"),
        "buffers[0].uri",
        "cannot be read: cannot be opened",
    ),
    "buffer a folder": (put("buffers", 0, "uri", "."), "buffers[0].uri", "cannot be read"),
    "buffer with a zero": (
        put("buffers", 0, "uri", "a%00b"),
        "buffers[0].uri",
        "is no file beside",
    ),
    "buffer of a long name": (
        put("buffers", 0, "uri", "a" * 5000),
        "buffers[0].uri",
        "cannot be read",
    ),
    "uri no text": (put("buffers", 0, "uri", 5), "buffers[0].uri", "text"),
    "data not base64": (put("buffers", 0, "uri", "data:,abc"), "buffers[0].uri", "not base64"),
    "data damaged": (put("buffers", 0, "uri", "data:;base64,!!"), "buffers[0].uri", "damaged"),
    "sparse no object": (put("accessors", 1, "sparse", 1), "accessors[1].sparse", "an object"),
    "sparse without count": (
        put("accessors", 1, "sparse", {}),
        "accessors[1].sparse.count",
        "missing",
    ),
    "sparse places": (
        put(
            "accessors",
            1,
            "sparse",
            {"count": 1, "indices": {"bufferView": 0, "componentType": 5126}},
        ),
        "accessors[1].sparse.indices.componentType",
        "5121, 5123 or 5125",
    ),
    "sparse out of range": (
        put(
            "accessors",
            1,
            "sparse",
            {
                "count": 1,
                "indices": {"bufferView": 0, "byteOffset": 4, "componentType": 5125},
                "values": {"bufferView": 1},
            },
        ),
        "accessors[1].sparse.indices",
        "stay below the count of 2",
    ),
    "sparse repeated": (
        put(
            "accessors",
            1,
            "sparse",
            {
                "count": 2,
                "indices": {"bufferView": 0, "componentType": 5121},
                "values": {"bufferView": 1},
            },
        ),
        "accessors[1].sparse.indices",
        "should increase",
    ),
    "sparse without values": (
        put(
            "accessors",
            1,
            "sparse",
            {"count": 1, "indices": {"bufferView": 0, "componentType": 5121}},
        ),
        "accessors[1].sparse.values.bufferView",
        "none of the 2 bufferViews",
    ),
}


@pytest.mark.parametrize("name", JSON_FAULTS)
def test_a_fault_in_the_json(name: str) -> None:
    change, where, cause = JSON_FAULTS[name]
    error = refused(changed(change))
    assert (error.where or "").split(", element")[0] == where
    assert cause in error.cause


def test_the_hinge_itself_is_read() -> None:
    assert read_all(changed(lambda _: None))[0].frames == 2


@pytest.mark.parametrize(
    ("times", "element", "cause"),
    [
        ([0.0, 0.0], 1, "follows 0 s"),
        ([1.0, 0.5], 1, "0.5 s follows 1 s"),
        ([-0.5, 1.0], 0, "-0.5 s is before 0"),
        ([0.0, np.nan], 1, "NaN or infinite"),
        ([0.0, np.inf], 1, "NaN or infinite"),
    ],
)
def test_times(times: list[float], element: int, cause: str) -> None:
    making = hinge(Making())
    stored = making.accessor(times)
    error = refused(changed(put(*SAMPLER, "input", stored), making))
    assert error.where == f"accessors[2], element {element}"
    assert cause in error.cause


def test_values_that_are_no_rotations() -> None:
    making = hinge(Making())
    stored = making.accessor([[0, 0, 0, 1], [0, 0, 0, 0]])
    error = refused(changed(put(*SAMPLER, "output", stored), making))
    assert error.where == "animations[0].samplers[0].output, key 1"
    signalling = np.array([0, 0, 0x7F800001, 1], dtype="<u4").view("<f4")
    infinite = np.array([0, 0, -np.inf, np.inf], dtype="<f4")
    stored = making.accessor(np.stack((signalling, infinite)))
    assert (
        refused(changed(put(*SAMPLER, "output", stored), making)).where == "accessors[3], element 0"
    )


def test_a_cubic_of_one_key() -> None:
    making = hinge(Making())
    sampler = {
        "input": making.times([0.5]),
        "output": making.accessor([[0, 0, 0, 1]] * 3),
        "interpolation": "CUBICSPLINE",
    }
    error = refused(changed(put(*SAMPLER, sampler), making))
    assert "at least two keys" in error.cause


def test_too_few_bind_matrices() -> None:
    making = hinge(Making())
    making.top["skins"][0]["inverseBindMatrices"] = making.accessor(np.eye(4).reshape(1, 16))
    error = refused(making.glb())
    assert error.where == "skins[0].inverseBindMatrices"
    assert "1 matrices for 3 joints" in error.cause


def test_a_buffer_without_data_is_missed_where_it_is_needed() -> None:
    making = hinge(Making())
    error = refused(packed(json.dumps(making.finished()), None))
    assert error.where == "buffers[0]"
    assert "has no data, but accessors[0] needs some" in error.cause


def test_the_same_data_named_again_and_again_is_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    making = Making()
    clock = making.times(list(range(100)))
    out = making.accessor(np.ones((100, 3)))
    for _ in range(50):
        making.node()
    making.animation(*((node, "translation", clock, out) for node in range(50)))
    read_all(making.glb())
    monkeypatch.setattr(_accessors, "MOST_NUMBERS", 20_000)
    assert "more than 20,000 numbers" in refused(making.glb()).cause


@pytest.mark.parametrize(
    ("text", "where", "cause"),
    [
        ("", "JSON line 1, column 1", "not JSON"),
        ('{"asset": {"version": "2.0"}', "JSON line 1, column 29", "not JSON"),
        ('{"asset": {"version": "2.0"}} {}', "JSON line 1, column 31", "not JSON"),
        ("[]", "JSON", "one JSON object"),
        ('{"a": NaN}', "JSON", "NaN is no number"),
        ('{"a": -Infinity}', "JSON", "-Infinity is no number"),
        ('{"a": 1e999}', "JSON", "'1e999' is too large"),
        ('{"a": {"b": 1, "c": 2, "b": 3}}', "JSON", "the key 'b' twice"),
        ('{"a": ' + "9" * 5000 + "}", "JSON", "too many digits"),
        ('{"a": ' + "[" * 101 + "]" * 101 + "}", "JSON", "more than 100 levels"),
        ('{"a": ' + "[" * 100_000, "JSON", "more than 100 levels"),
        ('{"a": ' + '{"b":' * 200 + "1" + "}" * 201, "JSON", "more than 100 levels"),
    ],
)
def test_the_json_itself(text: str, where: str, cause: str) -> None:
    for data in (packed(text, None), b"{" + text.encode()[1:] if text[:1] == "{" else None):
        if data is None:
            continue
        error = refused(data)
        assert error.where == where
        assert cause in error.cause


def test_a_hundred_levels_are_read() -> None:
    making = hinge(Making())
    deep: Any = 1
    for _ in range(97):
        deep = [deep]
    making.top["extras"] = deep
    read_all(making.glb())


def test_the_container() -> None:
    good = hinge(Making()).glb()
    faults = [
        (good[:10], "byte 0", "header"),
        (good[:4] + struct.pack("<I", 1) + good[8:], "byte 4", "version 1"),
        (good + b"\0\0\0\0", "byte 8", "the header says"),
        (good[:-4], "byte 8", "the header says"),
        (struct.pack("<4sII", b"glTF", 2, 12), "byte 12", "first chunk"),
        (struct.pack("<4sII", b"glTF", 2, 16) + bytes(4), "byte 12", "head of a chunk"),
        (good[:16] + b"BIN\0" + good[20:], "byte 12", "first chunk is not JSON"),
        (good[:12] + struct.pack("<I", 10**6) + good[16:], "byte 12", "a chunk of 1,000,000"),
        (good[:20] + b"\xff" + good[21:], "JSON byte 0", "not UTF-8"),
    ]
    (length,) = struct.unpack_from("<I", good, 12)
    odd = good[:12] + struct.pack("<I", length + 1) + good[16:]
    faults.append((odd, "byte 12", "no multiple of four"))
    for data, where, cause in faults:
        error = refused(data)
        assert error.where == where
        assert cause in error.cause


def test_a_link_out_of_the_folder_is_not_followed(tmp_path: Path) -> None:
    making = hinge(Making())
    inside = tmp_path / "inside"
    inside.mkdir()
    (tmp_path / "keys.bin").write_bytes(bytes(making.data))
    (inside / "keys.bin").symlink_to(tmp_path / "keys.bin")
    data = json.dumps(making.finished(uri="keys.bin")).encode()
    with pytest.raises(FormatError, match="not in its own folder"):
        read(Opened(data, str(inside / "shot.gltf")))


def survives(data: bytes, path: str) -> None:
    """Assert that a file is read, or refused with an error of ours."""
    try:
        found = read(Opened(data, path))
    except AuditError as error:
        if not (isinstance(error, FormatError) and error.where and error.hint):
            raise AssertionError(f"not as it should be: {error!r}") from error
    else:
        for shot in found:
            assert np.isfinite(shot.rotations_xyzw).all()


@given(st.integers(0, 2**32 - 1))
def test_flipped_bytes(seed: int) -> None:
    generator = np.random.default_rng(seed)
    for good in (sample(), rig(seed % 7).glb()):
        for _ in range(20):
            data = bytearray(good)
            for place in generator.integers(len(data), size=int(generator.integers(1, 5))):
                data[place] = generator.integers(256)
            survives(bytes(data), "a.glb")
        survives(good[: int(generator.integers(len(good)))], "a.glb")


junk = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-2, 70_000)
    | st.sampled_from([1e308, 0.5, 10**30, "", "VEC4", "rotation", "../x", "data:;base64,AAAA"]),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["node", "count", "path", "input"]), inner, max_size=2)
    ),
    max_leaves=4,
)


@given(st.integers(0, 30), st.data())
def test_any_value_anywhere(seed: int, data: st.DataObject) -> None:
    text, binary = split(rig(seed).glb())
    top = json.loads(text)
    for _ in range(data.draw(st.integers(1, 3))):
        holder: Any = top
        while True:
            keys = list(holder) if isinstance(holder, dict) else list(range(len(holder)))
            key = data.draw(st.sampled_from(keys))
            below = holder[key]
            if not isinstance(below, dict | list) or not below or data.draw(st.integers(0, 3)) == 0:
                break
            holder = below
        if data.draw(st.booleans()) and isinstance(holder, dict) and len(holder) > 1:
            del holder[key]
        else:
            holder[key] = data.draw(junk)
    survives(packed(json.dumps(top), binary), "a.glb")
