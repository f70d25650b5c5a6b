"""What a USD file says comes out as it stands there."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest

from audit.errors import InputError
from audit.formats import usd
from audit.plugins import Opened
from tests.formats.usd_making import JOINTS, TEXT, binary, shot_in, shots_in, swapped

pytest.importorskip("pxr", reason="the package usd-core is not installed")

RUN = """
    def SkelAnimation "Run"
    {
        uniform token[] joints = ["Hip/Leg"]
        quatf[] rotations.timeSamples = { 3: [(1, 0, 0, 0)], 9: [(0.6, 0.8, 0, 0)] }
        half3[] scales = [(1, 1, 1)]
        float3[] translations = [(1, 0, 0)]
    }
"""
WITH_RUN = swapped('    def Mesh "Skin"', RUN + '    def Mesh "Skin"')
HALF = np.sqrt(0.5)


def test_joints_parents_and_rest_pose() -> None:
    skeleton = shot_in(TEXT).skeleton
    assert skeleton.names == ("Hip", "Spine", "Head", "Leg", "Foot")
    assert skeleton.parents.tolist() == [-1, 0, 1, 0, 3]
    assert skeleton.offsets.tolist() == [[0, 5, 0], [0, 2, 0], [0, 1, 0], [1, 0, 0], [4, 0, 0]]
    # Written for row vectors, (0, 1, 0) first: x goes to y, a quarter turn about z.
    np.testing.assert_allclose(skeleton.rest_xyzw[3], [0, 0, HALF, HALF], atol=1e-15)
    assert skeleton.rest_xyzw[[0, 1, 2, 4]].tolist() == [[0, 0, 0, 1]] * 4
    assert skeleton.orders == (None,) * 5
    assert skeleton.rest_scales.tolist() == [[1, 1, 1]] * 5


def test_keys_stand_at_their_own_times_and_in_the_skeletons_order() -> None:
    shot = shot_in(TEXT)
    assert shot.times_s.tolist() == [0.0, 0.2, 0.5, 1.0]
    assert shot.tracks is not None
    rotations, positions = shot.tracks.rotations, shot.tracks.positions
    assert [track is None for track in rotations] == [False, True, True, False, False]
    foot, hip = rotations[4], rotations[0]
    assert foot is not None
    assert hip is not None
    assert foot.times_s.tolist() == [0.0, 0.2, 0.5]
    np.testing.assert_allclose(foot.values[1], [0.6, 0, 0, 0.8], atol=1e-7)
    assert hip.values[1].tolist() == [0, 0, 0, -1]  # the sign stays
    assert positions[0] is not None
    assert positions[0].times_s.tolist() == [0.0, 1.0]
    assert positions[0].values.tolist() == [[0, 5, 0], [3, 5, 1]]
    assert shot.tracks.scales == (None,) * 5
    assert max(shot.tracks.length_errors or ()) < 1e-7


def test_binary_says_the_same_as_text() -> None:
    text, made = shot_in(TEXT), shot_in(binary(TEXT))
    assert made.skeleton.names == text.skeleton.names
    for name in ("rest_xyzw", "offsets", "parents"):
        assert np.array_equal(getattr(made.skeleton, name), getattr(text.skeleton, name))
    assert np.array_equal(made.rotations_xyzw, text.rotations_xyzw)
    assert np.array_equal(made.local_positions, text.local_positions)


def test_source_and_origin_name_the_file() -> None:
    shot = shot_in(TEXT)
    assert shot.source.file == "heron.usda"
    assert shot.source.format == "usd"
    assert shot.source.sha256 == hashlib.sha256(TEXT.encode()).hexdigest()


@pytest.mark.parametrize(
    ("old", "new", "seconds"),
    [
        ("timeCodesPerSecond = 30", "timeCodesPerSecond = 60", 0.5),
        ("timeCodesPerSecond = 30", "framesPerSecond = 15", 2.0),
        (
            "timeCodesPerSecond = 30",
            "framesPerSecond = 15\n timeCodesPerSecond = 60",
            0.5,
        ),
        ("    timeCodesPerSecond = 30\n", "", 1.25),
    ],
)
def test_seconds_come_from_the_time_codes(old: str, new: str, seconds: float) -> None:
    assert shot_in(swapped(old, new)).seconds == pytest.approx(seconds, abs=1e-15)


def test_each_animation_is_a_shot_of_one_skeleton() -> None:
    walk, run = shots_in(WITH_RUN)
    assert [walk.source.file, run.source.file] == ["heron.usda#Walk", "heron.usda#Run"]
    assert walk.skeleton is run.skeleton
    assert run.times_s.tolist() == [0.1, 0.3]
    assert run.tracks is not None
    assert [track is not None for track in run.tracks.rotations] == [0, 0, 0, 1, 0]


def test_animations_of_one_name_are_told_apart_by_their_paths() -> None:
    text = swapped('    def Mesh "Skin"', f'    def "More" {{ {RUN} }}\n    def Mesh "Skin"', TEXT)
    text = text.replace('"Run"', '"Walk"')
    assert [shot.source.file for shot in shots_in(text)] == [
        "heron.usda#/Heron/Walk",
        "heron.usda#/Heron/More/Walk",
    ]


def test_without_a_binding_the_animation_that_fits_is_taken() -> None:
    text = swapped("    rel skel:animationSource = </Heron/Walk>\n", "")
    assert shot_in(text).frames == 4
    stranger = text.replace(
        '["Hip/Leg/Foot", "Hip/Leg", "Hip"]', '["Hip/Leg/Foot", "Hip/Leg", "Hat"]'
    )
    assert shot_in(stranger).frames == 1


def test_a_bound_animation_may_move_joints_that_the_skeleton_lacks() -> None:
    shot = shot_in(
        swapped('["Hip/Leg/Foot", "Hip/Leg", "Hip"]', '["Hip/Leg/Foot", "Hip/Leg", "Hat"]')
    )
    assert shot.tracks is not None
    assert [track is not None for track in shot.tracks.rotations] == [0, 0, 0, 1, 1]


def test_the_nearest_binding_counts() -> None:
    text = WITH_RUN.replace(
        "        uniform matrix4d[] bindT",
        "        rel skel:animationSource = </Heron/Run>\n        uniform matrix4d[] bindT",
    )
    # Walk is bound by nobody now, and fits: still a shot.
    assert [shot.source.label for shot in shots_in(text)] == ["heron Walk", "heron Run"]
    taken = text.replace('["Hip/Leg/Foot", "Hip/Leg", "Hip"]', '["Hip/Leg/Foot", "X", "Hip"]')
    (run,) = shots_in(taken)
    assert run.times_s.tolist() == [0.1, 0.3]


def test_a_skeleton_without_an_animation_is_one_frame_at_rest() -> None:
    text = TEXT[: TEXT.index("    def SkelAnimation")] + "}\n"
    shot = shot_in(text.replace("    rel skel:animationSource = </Heron/Walk>\n", ""))
    assert shot.times_s.tolist() == [0.0]
    np.testing.assert_array_equal(shot.rotations_xyzw[0], shot.skeleton.rest_xyzw)
    np.testing.assert_array_equal(shot.local_positions[0], shot.skeleton.offsets)


def test_an_animation_of_blend_shapes_alone_leaves_the_joints_at_rest() -> None:
    assert shot_in(swapped('["Hip/Leg/Foot", "Hip/Leg", "Hip"]', "[]")).frames == 1


def test_one_value_for_all_time_is_one_key() -> None:
    shot = shot_in(
        swapped(
            "half3[] scales = [(1, 1, 1), (1, 1, 1), (1, 1, 1)]",
            "half3[] scales = [(1, 1, 1), (2, 2, 2), (1, 1, 1)]",
        )
    )
    assert shot.tracks is not None
    (scaled,) = [joint for joint, track in enumerate(shot.tracks.scales) if track is not None]
    track = shot.tracks.scales[scaled]
    assert scaled == 3
    assert track is not None
    assert track.times_s.tolist() == [0.0]
    assert track.values.tolist() == [[2, 2, 2]]


def test_other_lengths_are_made_unit_length_and_told() -> None:
    shot = shot_in(
        swapped("0: [(1, 0, 0, 0), (0.8, 0, 0, 0.6)", "0: [(1, 0, 0, 0), (-1.6, 0, 0, 1.2)")
    )
    assert shot.tracks is not None
    leg = shot.tracks.rotations[3]
    assert leg is not None
    np.testing.assert_allclose(leg.values[0], [0, 0, 0.6, -0.8], atol=1e-7)
    assert shot.tracks.length_errors is not None
    assert shot.tracks.length_errors[3] == pytest.approx(1.0, abs=1e-6)
    assert shot.tracks.length_errors[4] == 0.0


def test_the_parent_is_the_nearest_joint_above() -> None:
    shot = shot_in(TEXT.replace("Hip/Spine/Head", "Hip/Spine/Neck/Bones/Head"))
    assert shot.skeleton.parents.tolist() == [-1, 0, 1, 0, 3]


def test_joints_that_share_a_last_name_go_by_their_paths() -> None:
    names = shot_in(TEXT.replace("Hip/Spine/Head", "Hip/Spine/Leg")).skeleton.names
    assert names == ("Hip", "Spine", "Hip/Spine/Leg", "Hip/Leg", "Foot")


def test_stated_names_count() -> None:
    stated = 'uniform token[] jointNames = ["a", "b c", "d:e", "f", "g"]\n        uniform matrix4d[] bind'
    names = shot_in(swapped("uniform matrix4d[] bind", stated)).skeleton.names
    assert names == ("a", "b c", "d:e", "f", "g")


def test_the_bind_pose_serves_where_there_is_no_rest_pose() -> None:
    text = TEXT.replace("restTransforms", "formerTransforms")
    bind, rest = shot_in(text).skeleton, shot_in(TEXT).skeleton
    np.testing.assert_allclose(bind.offsets, rest.offsets, atol=1e-15)
    np.testing.assert_allclose(bind.rest_xyzw, rest.rest_xyzw, atol=1e-15)


def test_rest_scales_and_mirrors_are_kept() -> None:
    text = swapped(
        "((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (0, 2, 0, 1)),",
        "((2, 0, 0, 0), (0, 3, 0, 0), (0, 0, 4, 0), (0, 2, 0, 1)),",
    )
    text = swapped(
        "((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (0, 1, 0, 1)),",
        "((-1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (0, 1, 0, 1)),",
        text,
    )
    skeleton = shot_in(text).skeleton
    assert skeleton.rest_scales[1].tolist() == [2, 3, 4]
    assert skeleton.rest_scales[2].tolist() == [-1, -1, -1]
    np.testing.assert_allclose(np.abs(skeleton.rest_xyzw[2]), [1, 0, 0, 0], atol=1e-15)


def test_inactive_prims_classes_and_overs_are_left_out() -> None:
    second = TEXT[TEXT.index('    def Skeleton "Skel"') : TEXT.index("    def SkelAnimation")]
    second = second.replace("(0, 2, 0, 1)", "(0, 3, 0, 1)")
    for kind in (
        second.replace('def Skeleton "Skel" (', 'def Skeleton "Old" (\n        active = false'),
        second.replace('def Skeleton "Skel"', 'class Skeleton "Old"'),
        second.replace('def Skeleton "Skel"', 'over Skeleton "Old"'),
    ):
        assert shot_in(swapped("    def SkelAnimation", kind + "    def SkelAnimation")).frames == 4


def test_another_skeleton_that_nothing_moves_is_left_out() -> None:
    prop = """
def Skeleton "Prop"
{
    uniform token[] joints = ["Stick"]
    uniform matrix4d[] restTransforms = [((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (0, 0, 0, 1))]
}
"""
    assert shot_in(TEXT + prop).skeleton.names[0] == "Hip"


def test_a_copy_of_the_skeleton_counts_as_the_same() -> None:
    copy = TEXT[TEXT.index('    def Skeleton "Skel"') : TEXT.index("    def SkelAnimation")]
    copy = copy.replace('"Skel" (', '"Copy" (')
    assert shot_in(swapped("    def SkelAnimation", copy + "    def SkelAnimation")).frames == 4


def test_arcs_beside_a_skeleton_are_not_followed_and_no_fault() -> None:
    text = swapped('doc = "An', 'subLayers = [ @/etc/other.usda@ ]\n    doc = "An')
    text = swapped(
        'def Mesh "Skin" (', 'def Mesh "Skin" (\n        references = @./skin.usda@', text
    )
    assert shot_in(text).frames == 4


def test_a_separate_skeleton_is_refused() -> None:
    with pytest.raises(InputError, match="holds its own skeleton"):
        usd.read(Opened(TEXT.encode(), "a.usda", Opened(b"", "b.usda")))


def test_it_is_recognised_as_text_and_as_binary() -> None:
    assert usd.recognises(TEXT.encode()[:4096])
    assert usd.recognises(binary(TEXT)[:4096])
    assert not usd.recognises(b"usda 1.0")
    assert len(JOINTS) == 5
