"""Malformed and hostile COLLADA documents: an error in words, and never anything else."""

from __future__ import annotations

import builtins
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.errors import AuditError, FormatError, InputError
from audit.formats import collada
from audit.formats.collada import _xml
from audit.plugins import Opened
from tests.formats.collada_making import Curve, Joint, bending, document, shot_of

GOOD = bending(
    Curve(
        "Knee/rotateX.ANGLE",
        [0.0, 0.5, 1.0],
        [0.0, 30.0, 10.0],
        ["BEZIER", "LINEAR", "STEP"],
        arrive=[-0.1, 0.0, 0.4, 30.0, 0.9, 10.0],
        leave=[0.1, 0.0, 0.6, 30.0, 1.1, 10.0],
    )
)


def test_the_document_that_the_others_are_made_of_is_read() -> None:
    assert shot_of(GOOD).frames == 3


@pytest.mark.parametrize(
    ("old", "new", "where", "cause"),
    [
        (
            b">0.0 30.0 10.0<",
            b">0.0 3O.0 10.0<",
            "float_array c0-v-a",
            "'3O.0' is not a finite number",
        ),
        (
            b">0.0 30.0 10.0<",
            b">0.0 nan 10.0<",
            "float_array c0-v-a",
            "'nan' is not a finite number",
        ),
        (
            b">0.0 30.0 10.0<",
            b">0.0 1e31 10.0<",
            "float_array c0-v-a",
            "'1e31' is not a finite number",
        ),
        (
            b">0.0 30.0 10.0<",
            b">0.0 1_0 10.0<",
            "float_array c0-v-a",
            "'1_0' is not a finite number",
        ),
        (
            b">0.0 30.0 10.0<",
            b">0.0 30.0<",
            "float_array c0-v-a",
            "count says 3, but the array holds 2",
        ),
        (
            b'count="3" stride="1"',
            b'count="4" stride="1"',
            "accessor",
            "reads 4 entries of an array of 3",
        ),
        (b'count="3" stride="1"', b'count="-3" stride="1"', "accessor", "count is '-3'"),
        (b'count="3" stride="1"', b'count="3" stride="0"', "accessor", "stride is below 1"),
        (b'count="3" stride="1"', b'count="99999999999999" stride="1"', "accessor", "count is"),
        (b">0.0 0.5 1.0<", b">0.0 0.5 0.5<", "sampler c0", "key 2 at 0.5 s does not come after"),
        (b'source="#c0-v-a"', b'source="#none"', "accessor", "names the array 'none'"),
        (
            b'source="#c0-v"',
            b'source="#none"',
            "input",
            "names the source 'none', which does not exist",
        ),
        (b'source="#c0-v"', b'source="other.dae#v"', "input", "other files are not opened"),
        (b'source="#c0-v"', b'source="#c0-k"', "sampler c0", "has no OUTPUT of numbers"),
        (b'semantic="INPUT"', b'semantic="INPUTS"', "sampler c0", "has no INPUT of numbers"),
        (
            b'semantic="OUT_TANGENT"',
            b'semantic="OUT"',
            "sampler c0",
            "has curves, but no OUT_TANGENT",
        ),
        (b"BEZIER LINEAR STEP", b"BSPLINE LINEAR STEP", "sampler c0", "interpolates by 'BSPLINE'"),
        (
            b"BEZIER LINEAR STEP",
            b"BEZIER LINEAR",
            "Name_array",
            "count says 3, but the array holds 2",
        ),
        (
            b"0.1 0.0 0.6 30.0 1.1 10.0",
            b"0.9 0.0 0.6 30.0 1.1 10.0",
            "sampler c0",
            "from key 0 runs back in time",
        ),
        (
            b"Knee/rotateX.ANGLE",
            b"Shin/rotateX.ANGLE",
            "channel",
            "'Shin/rotateX.ANGLE' names nothing",
        ),
        (
            b"Knee/rotateX.ANGLE",
            b"Knee/rotateW.ANGLE",
            "channel",
            "'Knee/rotateW.ANGLE' names nothing",
        ),
        (b"Knee/rotateX.ANGLE", b"Knee/rotateX.Q", "channel", "names no number of a rotate"),
        (b"Knee/rotateX.ANGLE", b"Knee/rotateX(4)", "channel", "names no number of a rotate"),
        (b"Knee/rotateX.ANGLE", b"Knee/rotateX", "channel", "4 numbers of rotate by a curve of 1"),
        (b"Knee/rotateX.ANGLE", b"Knee", "channel", "'Knee' names nothing"),
        (b'source="#c0" target', b'source="#c9" target', "channel", "names the sampler 'c9'"),
        (b">1.0 0.0 0.0 0.0<", b">0.0 0.0 0.0 0.0<", "rotate rotateX", "has no length"),
        (
            b">1.0 0.0 0.0 0.0<",
            b">1.0 0.0 0.0<",
            "rotate rotateX",
            "holds 3 numbers where 4 belong",
        ),
        (b'url="#s"', b'url="#t"', "instance_visual_scene", "has no visual scene"),
        (
            b'<visual_scene id="s">',
            b'<visual_scene id="s"/><visual_scene id="s">',
            "instance",
            "2 visual scenes",
        ),
        (b"COLLADA", b"COLLODA", "COLLODA", "its root is 'COLLODA'"),
        (b"</animation>", b"</animations>", "line 3", "is no well-formed XML"),
    ],
)
def test_refused(old: bytes, new: bytes, where: str, cause: str) -> None:
    assert old in GOOD
    with pytest.raises(FormatError) as caught:
        shot_of(GOOD.replace(old, new))
    assert caught.value.path == "takes/rig.dae"
    assert (caught.value.where or "").startswith("line ")
    assert where in (caught.value.where or "")
    assert cause in str(caught.value)
    assert caught.value.hint


def refused(data: bytes) -> str:
    with pytest.raises(FormatError) as caught:
        shot_of(data)
    return str(caught.value)


def test_stacks_that_are_no_joint() -> None:
    square = [("rotate", "r", (0.0, 0.0, 1.0, 45.0)), ("scale", "s", (1.0, 2.0, 1.0))]
    assert shot_of(document([Joint("J", square)])).skeleton.rest_scales.tolist() == [
        [1.0, 2.0, 1.0]
    ]
    assert "the joint 'J' is sheared" in refused(document([Joint("J", [square[1], square[0]])]))
    flat = [("scale", "s", (1.0, 0.0, 1.0)), ("rotate", "r", (0.0, 0.0, 1.0, 90.0))]
    assert "scale of zero" in refused(document([Joint("J", flat)]))
    huge = [("scale", f"s{n}", (1e30, 1e30, 1e30)) for n in range(12)]
    assert "too large" in refused(document([Joint("J", huge)]))
    assert "too large" in refused(
        document([Joint("J", [*huge, ("scale", "u", (1.0, 2.0, 3.0)), square[0]])])
    )
    skew = [("skew", "k", (30.0, 1.0, 0.0, 0.0, 0.0, 1.0, 0.0))]
    assert "has a skew, which is not read" in refused(document([Joint("J", skew)]))
    look = [("lookat", "l", (0.0,) * 9)]
    assert "has a lookat, which is not read" in refused(document([Joint("J", look)]))
    matrix = np.eye(4)
    matrix[3, 0] = 1.0
    assert "last row" in refused(
        document([Joint("J", [("matrix", "m", np.ravel(matrix).tolist())])])
    )


def test_a_node_that_is_no_joint_may_be_anything() -> None:
    camera = Joint("Camera", [("lookat", "l", (0.0,) * 9)], type="NODE")
    assert shot_of(document([Joint("J"), camera])).skeleton.names == ("J",)


def test_animated_twice() -> None:
    curve = Curve("Knee/rotateX.ANGLE", [0.0, 1.0], [0.0, 1.0])
    assert "is animated twice" in refused(bending(curve, curve))
    whole = Curve("Knee/rotateX", [0.0, 1.0], [0.0] * 8)
    assert "is animated twice" in refused(bending(curve, whole))
    assert "is animated twice" in refused(bending(whole, curve))


def test_an_id_that_is_there_twice() -> None:
    joint = Joint("J", [("rotate", "r", (1.0, 0.0, 0.0, 0.0))])
    assert "the id 'J' is there 2 times" in refused(
        document([joint, joint], [Curve("J/r.ANGLE", [0.0, 1.0], [0.0, 1.0])])
    )


def test_tangents_of_another_size() -> None:
    curve = Curve(
        "Knee/rotateX.ANGLE", [0.0, 1.0], [0.0, 1.0], "BEZIER", arrive=[0.0] * 6, leave=[0.0] * 6
    )
    assert "IN_TANGENT is 2 times 3 numbers" in refused(
        bending(curve)
    ) or "OUT_TANGENT is 2 times 3" in refused(bending(curve))
    mixed = Curve(
        "Knee/rotateX.ANGLE", [0.0, 1.0], [0.0, 1.0], "BEZIER", arrive=[0.0] * 2, leave=[0.0] * 4
    )
    assert "one number here and two there" in refused(bending(mixed))


def test_no_joint() -> None:
    assert "has no joint" in refused(document([Joint("Lamp", type="NODE")]))


def test_a_skeleton_apart_is_not_wanted() -> None:
    with pytest.raises(InputError, match="holds its own skeleton"):
        collada.read(Opened(GOOD, "a.dae", Opened(b"", "a.asf")))


def test_a_missing_package_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def without(name: str, *rest: Any, **more: Any) -> Any:
        if name.startswith("lxml"):
            raise ImportError(name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(
        InputError,
        match=r"needs the package lxml\. Install it: pip install 'hinge-audit\[collada\]'",
    ):
        collada.read(Opened(GOOD, "a.dae"))


# --- hostile documents --------------------------------------------------------------------------------------


def with_doctype(doctype: str, inside: str = "") -> bytes:
    return GOOD.replace(b"?>\n", b"?>\n" + doctype.encode() + b"\n", 1).replace(
        b"<asset>", f"<asset><title>{inside}</title>".encode()
    )


@pytest.mark.parametrize("padding", [0, 11_000_000])
def test_document_types_are_refused(padding: int, tmp_path: Path) -> None:
    secret = tmp_path / "secret.txt"
    secret.write_text("kept to itself")
    laughs = "".join(f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">' for n in range(1, 10))
    for doctype, inside in (
        (f'<!DOCTYPE COLLADA [<!ENTITY a0 "ha">{laughs}]>', "&a9;"),
        (f'<!DOCTYPE COLLADA [<!ENTITY x SYSTEM "{secret.as_uri()}">]>', "&x;"),
        (f'<!DOCTYPE COLLADA SYSTEM "{secret.as_uri()}">', ""),
    ):
        data = with_doctype(doctype, inside) + b" " * padding
        text = refused(data)
        assert "kept to itself" not in text
        assert "document type" in text or "no well-formed XML" in text


def test_a_long_document_in_an_encoding_that_could_hide_one_is_refused() -> None:
    long = GOOD + b" " * 9_500_000
    assert shot_of(long).frames == 3
    assert "unusual encoding" in refused(long.replace(b'encoding="utf-8"', b'encoding="utf-7"', 1))
    assert "unusual encoding" in refused(long.decode().replace("utf-8", "utf-16").encode("utf-16"))


def test_the_largest_file(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_xml, "LARGEST_FILE", 100)
    with pytest.raises(InputError, match="is larger than"):
        shot_of(GOOD)


def test_a_deep_document_is_an_error() -> None:
    deep = b"<COLLADA>" + b"<node>" * 100_000 + b"</node>" * 100_000 + b"</COLLADA>"
    assert "no well-formed XML" in refused(deep)


def test_cut_short_anywhere() -> None:
    for length in range(0, len(GOOD.rstrip()), 7):
        text = refused(GOOD[:length])
        assert "takes/rig.dae: line " in text


@settings(max_examples=300, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(0, len(GOOD) - 1),
            st.one_of(st.integers(0, 255), st.sampled_from(list(b"<>/\"'&;# 0123456789.-eE"))),
            st.sampled_from(["put", "insert", "drop"]),
        ),
        min_size=1,
        max_size=4,
    )
)
def test_damaged_bytes_never_raise_anything_else(changes: list[tuple[int, int, str]]) -> None:
    data = bytearray(GOOD)
    for place, byte, what in changes:
        at = min(place, len(data) - 1)
        data[at : at + (what != "insert")] = b"" if what == "drop" else bytes([byte])
    try:
        shot = shot_of(bytes(data))
    except AuditError:
        return
    assert np.isfinite(shot.rotations_xyzw).all()


NUMBERS = [0.0, -0.0, 1.0, -1.0, 1e-30, 1e30, -1e30, 5e-324, 90.0, 180.0, 1e15]


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["rotate", "scale", "translate", "matrix"]), st.integers(0, 2**32 - 1)
        ),
        min_size=1,
        max_size=5,
    ),
    st.booleans(),
)
def test_extreme_numbers_never_raise_anything_else(
    stack: list[tuple[str, int]], wild: bool
) -> None:
    counts = {"rotate": 4, "scale": 3, "translate": 3, "matrix": 16}
    transforms, curves = [], []
    for place, (kind, seed) in enumerate(stack):
        rng = np.random.default_rng(seed)
        numbers = (
            rng.choice(NUMBERS, 3 * counts[kind]) if wild else rng.normal(size=3 * counts[kind])
        )
        if kind == "matrix":
            numbers.reshape(3, 4, 4)[:, 3] = [0.0, 0.0, 0.0, 1.0]
        transforms.append((kind, f"t{place}", numbers[: counts[kind]].tolist()))
        if rng.uniform() < 0.5:
            curves.append(Curve(f"J/t{place}", [0.0, 0.5, 1.0 + place], numbers.tolist()))
    try:
        shot = shot_of(document([Joint("J", transforms)], curves))
    except FormatError:
        return
    assert np.isfinite(shot.rotations_xyzw).all()
    assert np.isfinite(shot.local_positions).all()
