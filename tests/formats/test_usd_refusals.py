"""What a USD file may not say, and how the error names the place."""

from __future__ import annotations

import sys

import pytest

from audit.errors import FormatError, InputError
from audit.formats import usd
from audit.formats.usd._layer import careful, library
from audit.plugins import Opened
from tests.formats.usd_making import TEXT, shot_in, swapped

pytest.importorskip("pxr", reason="the package usd-core is not installed")

JOINTS = '["Hip", "Hip/Spine", "Hip/Spine/Head", "Hip/Leg", "Hip/Leg/Foot"]'
MOVED = '["Hip/Leg/Foot", "Hip/Leg", "Hip"]'
SPINE = "((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (0, 2, 0, 1)),"
SAMPLE = "6: [(0.8, 0.6, 0, 0), (0.6, 0, 0, 0.8), (-1, 0, 0, 0)],"
BINDING = "    rel skel:animationSource = </Heron/Walk>\n"


def refused(text: str | bytes) -> FormatError:
    with pytest.raises(FormatError) as caught:
        shot_in(text)
    assert caught.value.path == "heron.usda"
    assert caught.value.where
    assert caught.value.hint
    return caught.value


@pytest.mark.parametrize(
    ("old", "new", "where", "cause"),
    [
        (JOINTS, "[]", "/Heron/Skel.joints", "no joints"),
        (JOINTS, JOINTS.replace("Spine/Head", "Spine"), "/Heron/Skel.joints", "'Hip/Spine' twice"),
        (
            JOINTS,
            '["Hip/Spine", "Hip", "Hip/Spine/Head", "Hip/Leg", "Hip/Leg/Foot"]',
            "/Heron/Skel.joints",
            "'Hip/Spine' comes before its parent",
        ),
        (JOINTS, JOINTS.replace("Hip/Leg/Foot", "Hip//Foot"), "/Heron/Skel.joints", "without a name"),
        (JOINTS, JOINTS.replace(', "Hip/Leg/Foot"', ""), "/Heron/Skel.restTransforms", "5 values for 4"),
        ("timeCodesPerSecond = 30", "timeCodesPerSecond = 0", "timeCodesPerSecond", "0 time codes"),
        ("timeCodesPerSecond = 30", "timeCodesPerSecond = nan", "timeCodesPerSecond", "nan time codes"),
        ("timeCodesPerSecond = 30", "timeCodesPerSecond = 1e-320", "/Heron/Walk", "one time"),
        (SPINE, SPINE.replace("(0, 2, 0, 1)", "(0, 0, 0, 2)"), "restTransforms", "0, 0, 0, 1"),
        (SPINE, "((1, 0, 0, 0), (0, 1, 0, 2), (0, 0, 1, 0), (0, 0, 0, 1)),", "restTransforms", "0, 0, 0, 1"),
        (SPINE, SPINE.replace("(0, 2, 0, 1)", "(0, inf, 0, 1)"), "restTransforms", "not finite"),
        (SPINE, SPINE.replace("(0, 2, 0, 1)", "(0, 1e200, 0, 1)"), "restTransforms", "far too large"),
        (SPINE, SPINE.replace("(0, 1, 0, 0)", "(0.1, 1, 0, 0)"), "joint Hip/Spine", "sheared"),
        (SPINE, SPINE.replace("(0, 1, 0, 0)", "(0, 0, 0, 0)"), "joint Hip/Spine", "scale of 0"),
        (SAMPLE, "6: [(0.8, 0.6, 0, 0), (0.6, 0, 0, 0.8)],", "rotations, time code 6", "2 values for 3"),
        (SAMPLE, "6: None,", "rotations, time code 6", "no value"),
        (SAMPLE, SAMPLE.replace("0.6, 0, 0, 0.8", "0, 0, 0, 0"), "time code 6, joint Hip/Leg", "length 0"),
        (SAMPLE, SAMPLE.replace("0.6, 0, 0, 0.8", "nan, 0, 0, 0"), "time code 6, joint Hip/Leg", "not finite"),
        ("(3, 5, 1)", "(3, 5, inf)", "translations, time code 30, joint Hip", "not finite"),
        ("half3[] scales", "half3[] sizes", "/Heron/Walk", "has no scales"),
        ("half3[] scales", "float3[] scales", "/Heron/Walk.scales", "type float3[], not half3[]"),
        ("half3[] scales = [(1, 1, 1),", "half3[] scales = [", "/Heron/Walk.scales", "2 values for 3"),
        (MOVED, '["a", "b", "c"]', "/Heron/Walk.joints", "none of the joints"),
        (BINDING, BINDING.replace("Walk", "Gone"), "/Heron/Skel", "bound to /Heron/Gone"),
        (BINDING, BINDING.replace("Walk", "Skin"), "/Heron/Skel", "bound to /Heron/Skin"),
        (
            BINDING,
            BINDING.replace("</Heron/Walk>", "[</Heron/Walk>, </Heron/Run>]"),
            "skel:animationSource",
            "2 animations",
        ),
        ("uniform matrix4d[] bind", 'uniform token[] jointNames = ["a"]\n uniform matrix4d[] bind',
         "/Heron/Skel.jointNames", "names 1 joints"),
        ("quatf[] rotations = [(1, 0, 0, 0), (0.8, 0, 0.6, 0), (1, 0, 0, 0)]",
         "quatf[] rotations = [(1, 0, 0, 0)", "line 46, column 9", "rules of USD text"),
    ],
)  # fmt: skip
def test_a_fault_is_named_with_its_place(old: str, new: str, where: str, cause: str) -> None:
    error = refused(swapped(old, new))
    assert where in (error.where or "")
    assert cause in error.cause


def test_no_rest_and_no_bind_pose() -> None:
    text = TEXT.replace("restTransforms", "r").replace("bindTransforms", "b")
    assert "neither restTransforms nor bindTransforms" in refused(text).cause
    flat = TEXT.replace("restTransforms", "r").replace("(0, 1, 0, 0), (0, 0, 1, 0), (0, 7,",
                                                       "(0, 0, 0, 0), (0, 0, 1, 0), (0, 7,")  # fmt: skip
    assert "cannot be inverted" in refused(flat).cause


def test_no_skeleton_says_what_was_not_followed() -> None:
    assert refused("#usda 1.0\n").cause == "holds no skeleton"
    assert "Not followed" not in (refused("#usda 1.0\n").hint or "")
    text = """#usda 1.0
(
    subLayers = [ @other.usda@ ]
)
def "A" (
    references = @a.usda@
    payload = @b.usda@
    inherits = </C>
    specializes = </D>
    variants = { string look = "red" }
    prepend variantSets = "look"
    clips = { dictionary default = { string primPath = "/A" } }
)
{
    over Skeleton "S" { }
}
"""
    assert (
        "Not followed here: inherits, payloads, references, specializes, sublayers, value clips, "
        "variants. Flatten it to one layer"
    ) in (refused(text).hint or "")


def test_a_bound_animation_in_another_file_is_told() -> None:
    text = (
        TEXT[: TEXT.index("    def SkelAnimation")]
        + '    def "Walk" ( references = @w.usda@ ) { }\n}\n'
    )
    error = refused(text)
    assert "no SkelAnimation of this file" in error.cause
    assert "Not followed here: references" in (error.hint or "")


def test_different_skeletons_that_are_moved_are_named() -> None:
    other = (
        TEXT[TEXT.index("def SkelRoot") :]
        .replace("Heron", "Crane")
        .replace("(0, 2, 0,", "(0, 3, 0,")
    )
    error = refused(TEXT + other)
    assert "2 different skeletons" in error.cause
    assert "/Heron/Skel and /Heron/Walk, /Crane/Skel and /Crane/Walk" in error.cause


def test_a_shared_animation_of_equal_skeletons_is_one_shot() -> None:
    other = TEXT[TEXT.index("def SkelRoot") :].replace('"Heron"', '"Crane"')
    other = other[: other.index("    def SkelAnimation")] + "}\n"
    assert shot_in(TEXT + other).source.file == "heron.usda"


def test_other_bytes() -> None:
    assert refused(b"").where == "first bytes"
    assert "usdz" in refused(b"PK\x03\x04" + b"\0" * 50).cause
    assert refused(b"PXR-USDC" + b"\0" * 80).where == "the binary layer"
    bad = TEXT.encode().replace(b"nobody", b"nob\xffdy")
    assert (refused(bad).where, refused(bad).cause) == ("line 6", "is not UTF-8, as USD text is")
    assert refused(TEXT.encode().replace(b"nobody", b"nob\0dy")).where == "line 6"


@pytest.mark.parametrize(
    "text",
    [
        'def "a" {\n' * 30_000 + "}\n" * 30_000,
        "def \"a\" { float[] x = " + "[" * 200_000 + "]" * 200_000 + "\n}\n",
        'def "a" { pathExpression x = "' + "(" * 200_000 + "/a" + ")" * 200_000 + '"\n}\n',
        # Brackets that are closed in a comment only are still open.
        "def \"a\" { float[] x = " + "[ # ]\n" * 200_000 + "\n}\n",
        'def "a" (doc = """never closed ' + '{ \\""" ' * 50_000,
        '"\\' * 200_000,
    ],
)  # fmt: skip
def test_deep_nesting_is_refused_before_it_ends_the_process(text: str) -> None:
    refused("#usda 1.0\n" + text)


def test_brackets_in_texts_and_comments_do_not_count() -> None:
    many = "({[ " * 60
    text = swapped('doc = "An', f"doc = '''{many}'''\n    # {many * 9}\n    owner = \"An")
    assert shot_in(text).frames == 4


def test_nothing_is_said_on_the_error_stream(capfd: pytest.CaptureFixture[str]) -> None:
    shot_in(TEXT)
    refused(TEXT[:-200])
    refused(TEXT.replace('"Walk"', '"Wa:lk"'))
    refused(b"PXR-USDC" + b"\1" * 80)
    with careful("a.usda", "here"):
        library("Sdf").Path("no:path")  # the library warns of this
    heard = capfd.readouterr()
    assert (heard.out, heard.err) == ("", "")


def test_a_missing_package_says_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [name for name in sys.modules if name.split(".")[0] == "pxr"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "pxr", None)
    for call in (
        lambda: usd.read(Opened(TEXT.encode(), "a.usda")),
        lambda: usd.read(Opened(b"PXR-USDC", "a.usdc")),
    ):
        with pytest.raises(InputError) as caught:
            call()
        assert not isinstance(caught.value, FormatError)
        assert caught.value.hint == "pip install 'hinge-audit[usd]'"
