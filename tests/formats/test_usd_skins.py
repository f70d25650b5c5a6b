"""Skins of USD files: what is bound, what is inherited, and what is refused.

That the points stand where OpenUSD puts them is checked in ``tests/external/test_usd_outside.py``.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

pytest.importorskip("pxr", reason="the package usd-core is not installed")

from audit.errors import FormatError
from audit.formats.usd import FORMAT, skins, write
from audit.model import Skin
from tests.formats.skinning import carried
from tests.formats.usd_making import TEXT, binary, random_turns, shot_in, shots_in, swapped, turned

MESH = TEXT[TEXT.index('    def Mesh "Skin"') : TEXT.rindex("}")]
VERTEX = """ (
            elementSize = 1
            interpolation = "vertex"
        )
"""
CODES = np.linspace(-2.0, 33.0, 36)


def only_skin(text: str | bytes) -> Skin:
    (skin,) = skins(shot_in(text))
    return skin


@pytest.mark.parametrize("data", [TEXT.encode(), binary(TEXT)], ids=["text", "binary"])
def test_a_mesh_is_a_skin(data: bytes) -> None:
    skin = only_skin(data)
    assert FORMAT.skins is skins
    assert skin.name == "Skin"
    assert skin.joints.tolist() == [0, 1, 2, 3, 4]
    assert skin.points.tolist() == [[0, 0, 0], [1, 9, 0], [1, 7, 0.5]]
    assert skin.influences.tolist() == [[0], [4], [3]]
    assert skin.weights.tolist() == [[1], [1], [1]]
    # The hip was bound five units up, and the leg there and one to the side, a quarter turn about z.
    np.testing.assert_allclose(skin.inverse_binds[0] @ [0, 5, 0, 1], [0, 0, 0, 1], atol=1e-15)
    np.testing.assert_allclose(skin.inverse_binds[3] @ [1, 6, 0, 1], [1, 0, 0, 1], atol=1e-15)


def test_the_space_of_the_points_comes_first() -> None:
    space = "(0, 0, 1, 0), (0, 0, 0, 1))\n    }\n}"
    moved = only_skin(swapped(space, space.replace("(0, 0, 0, 1)", "(0, 5, 2, 1)"), TEXT))
    np.testing.assert_allclose(moved.inverse_binds[0] @ [0, 0, 0, 1], [0, 0, 2, 1], atol=1e-15)


def test_a_list_of_joints_of_its_own() -> None:
    own = swapped(
        "        rel skel:skeleton",
        '        uniform token[] skel:joints = ["Hip/Leg/Foot", "Hip/Leg", "Hip", "Hip/Spine", '
        '"Hip/Spine/Head"]\n        rel skel:skeleton',
    )
    skin = only_skin(own)
    assert skin.joints.tolist() == [4, 3, 0, 1, 2]
    np.testing.assert_array_equal(skin.inverse_binds[1], only_skin(TEXT).inverse_binds[3])


def test_one_value_for_all_points() -> None:
    text = swapped("[0, 4, 3]" + VERTEX, "[3, 1] (elementSize = 2)\n")
    skin = only_skin(swapped("[1, 1, 1]" + VERTEX, "[0.75, 0.25] (elementSize = 2)\n", text))
    assert skin.influences.tolist() == [[3, 1]] * 3
    assert skin.weights.tolist() == [[0.75, 0.25]] * 3


def test_values_with_indices() -> None:
    text = swapped("[0, 4, 3]", "[4, 0]")
    text = swapped(
        "        float[] primvars",
        "        int[] primvars:skel:jointIndices:indices = [1, 0, 0]\n        float[] primvars",
        text,
    )
    assert only_skin(text).influences.tolist() == [[0], [4], [4]]


def test_points_that_move_are_taken_at_their_first_sample() -> None:
    text = swapped("points = [(0, 0, 0), (1, 9, 0), (1, 7, 0.5)]", "points.timeSamples = {"
                   "4: [(1, 1, 1), (1, 9, 0), (1, 7, 0)], 9: [(2, 2, 2), (1, 9, 0), (1, 7, 0)]}")  # fmt: skip
    assert only_skin(text).points[0].tolist() == [1, 1, 1]


def test_a_binding_is_inherited() -> None:
    bare = MESH.replace("        rel skel:skeleton = </Heron/Skel>\n", "")
    above = "    rel skel:skeleton = </Heron/Skel>\n    rel skel:animationSource"
    text = swapped("    rel skel:animationSource", above)
    assert only_skin(text.replace(MESH, bare)).name == "Skin"
    group = MESH.replace('def Mesh "Skin"', 'def Xform "Group"').rstrip()[:-1]
    points = 'def Mesh "Coat"\n{\n point3f[] points = [(0, 0, 0), (1, 1, 1), (2, 2, 2)]\n}\n'
    skin = only_skin(swapped(MESH, f"{group}{points}}}\n"))
    assert skin.name == "Coat"
    assert skin.influences.tolist() == [[0], [4], [3]]


NOT_BOUND = {
    "it says so": MESH.replace("</Heron/Skel>", "None"),
    "bound elsewhere": MESH.replace("</Heron/Skel>", "</Other/Skel>"),
    "nothing carries it": "\n".join(MESH.splitlines()[:8]) + "\n    }\n",
    "inactive": MESH.replace("(\n", "(\n        active = false\n", 1),
    "no points by its type": MESH.replace("def Mesh", "def Xform"),
    "an over": MESH.replace("def Mesh", "over"),
    "outside the root": "}\n\n" + MESH.rstrip().removesuffix("}") + "    ",
}


@pytest.mark.parametrize("mesh", NOT_BOUND.values(), ids=NOT_BOUND.keys())
def test_what_is_not_bound_is_no_skin(mesh: str) -> None:
    assert skins(shot_in(swapped(MESH, mesh))) == ()


def test_a_shot_from_elsewhere_has_no_skin() -> None:
    assert skins(replace(shot_in(TEXT), origin=None)) == ()


def test_each_shot_of_a_file_gives_the_same_skins() -> None:
    walk = TEXT[TEXT.index('    def SkelAnimation "Walk"') : TEXT.index('    def Mesh "Skin"')]
    run = walk.replace('"Walk"', '"Run"')
    one, two = (skins(shot) for shot in shots_in(swapped(walk, walk + run)))
    assert len(one) == len(two) == 1
    np.testing.assert_array_equal(one[0].inverse_binds, two[0].inverse_binds)


@pytest.mark.parametrize("name", ["a.usda", "a.usdc"])
def test_a_corrected_file_keeps_every_point_in_its_place(name: str) -> None:
    shot = shot_in(TEXT)
    changed = turned(shot, random_turns(5, 8))
    (old,), (in_memory,) = skins(shot), skins(changed)
    # In memory the file is still the old one, and so are its skins.
    np.testing.assert_array_equal(in_memory.inverse_binds, old.inverse_binds)
    back = shot_in(write([changed], name)[name])
    (new,) = skins(back)
    assert np.max(np.abs(new.inverse_binds - old.inverse_binds)) > 0.1
    before = carried(shot, old, CODES / 30.0)
    np.testing.assert_allclose(carried(back, new, CODES / 30.0), before, atol=5e-6)
    assert np.max(np.abs(carried(back, old, CODES / 30.0) - before)) > 0.1


WHERE = "/Heron/Skin.primvars:skel:"


@pytest.mark.parametrize(
    ("old", "new", "where", "cause"),
    [
        ("[0, 4, 3]", "[0, 4, 5]", f"{WHERE}jointIndices", "names joint 5, but there are 5"),
        ("[0, 4, 3]", "[0, -1, 3]", f"{WHERE}jointIndices", "names joint -1"),
        ("[0, 4, 3]", "[0, 4]", f"{WHERE}jointWeights", "says 3 weights (vertex), but there are 2"),
        ("[1, 1, 1]", "[1, inf, 1]", f"{WHERE}jointWeights", "a weight that is not finite"),
        ("[1, 1, 1]" + VERTEX, "[1]\n", f"{WHERE}jointWeights", "says 1 weights (constant), but"),
        ("[1, 1, 1]", "None", f"{WHERE}jointWeights", "has no value for all time"),
        ("points = [(0, 0, 0), ", "points = [", f"{WHERE}jointWeights", "has shares for 3 points"),
        ("[(0, 0, 0), (1, 9, 0), (1, 7, 0.5)]", "None", "/Heron/Skin", "no points"),
        ("(1, 7, 0.5)]", "(1, nan, 0.5)]", "/Heron/Skin.points", "not finite"),
        ("point3f[] points", "double3[] points", "/Heron/Skin.points", "is of type double3[]"),
        ("int[] primvars", "int64[] primvars", f"{WHERE}jointIndices", "is of type int64[]"),
        ("float[] primvars:skel:jointWeights", "float[] other", f"{WHERE}jointWeights", "weights"),
        (
            "[0, 4, 3]" + VERTEX,
            "[0, 4, 3]" + VERTEX.replace("1", "2"),
            f"{WHERE}jointIndices",
            "3 values, which is no multiple of its elementSize 2",
        ),
        (
            "[0, 4, 3]" + VERTEX,
            "[0, 4, 3]" + VERTEX.replace("vertex", "faceVarying"),
            f"{WHERE}jointIndices",
            "the interpolation 'faceVarying'",
        ),
        (
            "        float[] primvars",
            "        int[] primvars:skel:jointIndices:indices = [0, 1, 3]\n        float[] primvars",
            f"{WHERE}jointIndices:indices",
            "points past its 3 elements",
        ),
        (
            "        rel skel:skeleton",
            '        uniform token[] skel:joints = ["Hip", "Tail"]\n        rel skel:skeleton',
            "/Heron/Skin.skel:joints",
            "lists 'Tail', which is no joint of /Heron/Skel",
        ),
        (
            "skel:skeleton = </Heron/Skel>",
            "skel:skeleton = [</Heron/Skel>, </Heron/B>]",
            "/Heron/Skin.skel:skeleton",
            "names 2 skeletons",
        ),
        (
            "geomBindTransform = ((1, 0, 0, 0)",
            "geomBindTransform = ((1, 0, 0, 7)",
            f"{WHERE}geomBindTransform",
            "does not end in 0, 0, 0, 1",
        ),
        (
            "(0, 5, 0, 1)),\n            ((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (0, 7",
            "(0, 5, 0, 1)),\n            ((1, 0, 0, 0), (0, 0, 0, 0), (0, 0, 1, 0), (0, 7",
            "/Heron/Skel.bindTransforms",
            "cannot be inverted",
        ),
        ("bindTransforms", "otherTransforms", "/Heron/Skel.bindTransforms", "no bindTransforms"),
    ],
)
def test_a_broken_skin_is_refused_when_it_is_asked_for(
    old: str, new: str, where: str, cause: str
) -> None:
    # Reading the shot looks at no mesh, so that a skin costs it nothing.
    shot = shot_in(swapped(old, new))
    with pytest.raises(FormatError) as caught:
        skins(shot)
    assert cause in caught.value.cause
    assert caught.value.where == where
    assert caught.value.path == "heron.usda"
    assert caught.value.hint
