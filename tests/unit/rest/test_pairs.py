"""Mirror pairs and the plane between them, from names, from places, and from broken rigs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from audit.errors import ShapeError
from audit.model import Skeleton
from audit.rest import find_pairs
from audit.rest.marks import paired_by_name, readings
from tests.unit.rest.bodies import clean_rig, human
from tests.unit.rest.rigs import Rig

SEEDS = range(16)


def turned(rig: Rig, joint: int, degrees: float) -> Rig:
    """Return a rig with a whole branch turned about the Z axis."""
    result = rig.copy()
    angle = np.deg2rad(degrees)
    turn = np.array(
        [[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1.0]]
    )
    for each in rig.below(joint):
        result.places[each] = rig.places[joint] + turn @ (rig.places[each] - rig.places[joint])
        result.axes[each] = turn @ rig.axes[each]
    return result


class TestNames:
    @pytest.mark.parametrize(
        ("left", "right"),
        [
            ("L_Knee", "R_Knee"),
            ("knee_l", "knee_r"),
            ("Knee.L", "Knee.R"),
            ("Knee.l.001", "Knee.r.001"),
            ("LeftKnee", "RightKnee"),
            ("KneeLeft", "KneeRight"),
            ("leftknee", "rightknee"),
            ("LEFT-KNEE", "RIGHT-KNEE"),
            ("hero:arm_L_twist01", "hero:arm_R_twist01"),
            ("LKnee", "RKnee"),
            ("ltibia", "rtibia"),
            ("lf_hand", "rt_hand"),
            ("hand Lft", "hand Rgt"),
            ("LF_paw", "RF_paw"),
            ("body/L_arm/L_hand", "body/R_arm/R_hand"),
        ],
    )
    def test_marks_of_left_and_right(self, left: str, right: str) -> None:
        partner, mark = paired_by_name(["root", right, left, "neck"], np.array([-1, 0, 0, 0]))
        assert partner.tolist() == [-1, 2, 1, -1]
        assert mark.tolist() == [0, -1, 1, 0]

    @pytest.mark.parametrize(
        "names",
        [
            ("L5", "L4", "T12"),  # vertebrae
            ("L_Knee", "knee_R", "neck"),  # the mark stands elsewhere
            ("L_Knee", "R_Elbow", "neck"),
            ("lower", "upper", "roller"),
            ("leftover", "neck", "right"),
        ],
    )
    def test_other_names_make_no_pairs(self, names: tuple[str, ...]) -> None:
        partner, _ = paired_by_name(["root", *names], np.array([-1, 0, 0, 0]))
        assert partner.tolist() == [-1] * 4

    def test_vertebrae_have_no_side_but_a_lone_hand_has_one(self) -> None:
        names = ["root", "Left Arm", "Right Arm", "Left Hand", "L5"]
        _, mark = paired_by_name(names, np.array([-1, 0, 0, 1, 0]))
        assert mark.tolist() == [0, 1, -1, 1, 0]

    def test_repeated_names_pair_below_partners(self) -> None:
        names = [
            "root",
            "L_front",
            "R_front",
            "L_hind",
            "R_hind",
            "L_toe",
            "R_toe",
            "R_toe",
            "L_toe",
        ]
        parents = np.array([-1, 0, 0, 0, 0, 1, 4, 2, 3])
        partner, _ = paired_by_name(names, parents)
        assert partner.tolist() == [-1, 2, 1, 4, 3, 7, 8, 5, 6]

    def test_words_come_before_letters_inside_words(self) -> None:
        first = next(readings("L_lower"))
        assert (first.side, first.rest) == (1, ("", "lower"))


class TestPlane:
    @pytest.mark.parametrize("seed", SEEDS)
    def test_clean_rigs(self, seed: int) -> None:
        _, rig = clean_rig(seed)
        skeleton = rig.skeleton()
        pairs = find_pairs(skeleton)
        across = rig.turn @ [1.0, 0.0, 0.0]
        assert np.allclose(pairs.normal, across, rtol=0, atol=1e-12)
        assert abs(pairs.distance) < 1e-12 * max(1.0, rig.height() / rig.unit_to_m)
        assert pairs.plane_from == "pairs by name"
        counted = np.arange(len(rig))
        paired = pairs.partner >= 0
        assert np.array_equal(pairs.partner[pairs.partner[paired]], counted[paired])
        on_left = rig.places[:, 0] > 1e-9
        on_right = rig.places[:, 0] < -1e-9
        assert np.array_equal(pairs.side, on_left.astype(int) - on_right.astype(int))
        assert np.array_equal(paired, on_left | on_right)
        assert np.allclose(rig.places[pairs.left] * [-1, 1, 1], rig.places[pairs.right], atol=1e-12)

    @pytest.mark.parametrize("seed", SEEDS)
    def test_without_names_places_say_the_same(self, seed: int) -> None:
        _, rig = clean_rig(seed)
        skeleton = rig.skeleton()
        bare = replace(skeleton, names=tuple(f"joint{n}" for n in range(len(rig))))
        named, placed = find_pairs(skeleton), find_pairs(bare)
        assert np.array_equal(named.partner, placed.partner)
        assert placed.plane_from == "pairs by place"
        assert abs(abs(named.normal @ placed.normal) - 1.0) < 1e-12
        assert {each for each in placed.found_by if each} == {"place"}

    @pytest.mark.parametrize("seed", SEEDS)
    def test_a_misspelt_name_is_paired_by_place(self, seed: int) -> None:
        _, rig = clean_rig(seed)
        whole = find_pairs(rig.skeleton())
        joint = int(whole.left[seed % len(whole.left)])
        rig.names[joint] += "x"
        pairs = find_pairs(rig.skeleton())
        assert np.array_equal(pairs.partner, whole.partner)
        assert pairs.found_by[joint] == "place"
        assert pairs.found_by.count("place") == 2

    @pytest.mark.parametrize("seed", range(0, 40, 4))
    def test_a_swung_arm_does_not_move_the_plane(self, seed: int) -> None:
        _, rig = clean_rig(seed)
        arm = next(n for n, name in enumerate(rig.names) if "UpperArm" in name)
        pairs = find_pairs(turned(rig, arm, 2.0).skeleton())
        assert np.allclose(pairs.normal, rig.turn @ [1.0, 0.0, 0.0], rtol=0, atol=1e-12)
        assert abs(pairs.distance) < 1e-9 * rig.height() / rig.unit_to_m

    @pytest.mark.parametrize("seed", range(0, 40, 4))
    def test_a_spine_off_the_middle_does_not_move_the_plane(self, seed: int) -> None:
        _, rig = clean_rig(seed)
        shift = 0.006 * rig.height()
        rig.places[rig.below(rig.at("Chest")), 0] += shift
        pairs = find_pairs(rig.skeleton())
        assert np.allclose(pairs.normal, rig.turn @ [1.0, 0.0, 0.0], rtol=0, atol=1e-12)
        assert abs(pairs.distance) < 1e-9 * rig.height() / rig.unit_to_m

    def test_a_character_beside_the_origin_and_turned(self) -> None:
        rig = human(np.random.default_rng(3))
        angle = np.deg2rad(20.0)
        turn = np.array(
            [[np.cos(angle), 0, np.sin(angle)], [0, 1, 0], [-np.sin(angle), 0, np.cos(angle)]]
        )
        rig.places = rig.places @ turn.T + [0.4, 0.0, 0.1]
        rig.axes = turn @ rig.axes
        rig.tips = {joint: turn @ place + [0.4, 0.0, 0.1] for joint, place in rig.tips.items()}
        pairs = find_pairs(rig.skeleton())
        assert np.allclose(pairs.normal, rig.turn @ turn @ [1.0, 0, 0], atol=1e-12)
        stated = (rig.turn @ [0.4, 0.0, 0.1]) @ pairs.normal / rig.unit_to_m
        assert abs(pairs.distance - stated) < 1e-9 / rig.unit_to_m

    def test_a_given_plane_is_kept(self) -> None:
        rig = human(np.random.default_rng(4))
        pairs = find_pairs(rig.skeleton(), (rig.turn @ [2.0, 0.0, 0.0], 0.25))
        assert pairs.plane_from == "given"
        assert np.allclose(pairs.normal, rig.turn @ [1.0, 0, 0])
        assert pairs.distance == 0.25

    @pytest.mark.parametrize("normal", [[0.0, 0.0, 0.0], [1.0, 0.0], [np.nan, 0.0, 1.0]])
    def test_a_plane_without_direction_is_refused(self, normal: list[float]) -> None:
        with pytest.raises(ShapeError, match="normal"):
            find_pairs(Skeleton.plain(["a"], [-1], np.zeros((1, 3))), (np.array(normal), 0.0))


class TestWhereThereIsNoPlane:
    def test_one_joint(self) -> None:
        pairs = find_pairs(Skeleton.plain(["only"], [-1], [[0.0, 1.0, 0.0]]))
        assert not pairs.has_plane
        assert pairs.plane_from == "nothing"
        assert pairs.partner.tolist() == [-1]
        assert pairs.side.tolist() == [0]

    def test_a_chain(self) -> None:
        places = np.tile([0.0, 1.0, 0.0], (5, 1))
        pairs = find_pairs(Skeleton.plain(list("abcde"), [-1, 0, 1, 2, 3], places))
        assert not pairs.has_plane
        assert pairs.found_by == (None,) * 5

    def test_partners_in_one_place(self) -> None:
        pairs = find_pairs(Skeleton.plain(["a", "L_x", "R_x"], [-1, 0, 0], np.zeros((3, 3))))
        assert not pairs.has_plane
        assert pairs.partner.tolist() == [-1, 2, 1]
        assert pairs.side.tolist() == [0, 1, -1]

    def test_a_body_that_is_not_symmetric(self) -> None:
        places = np.array([[0, 0, 0], [1, 0, 0], [0, 2, 0], [1, 1, 0.5], [3, 0, 1.0]])
        pairs = find_pairs(Skeleton.plain(list("abcde"), [-1, 0, 0, 1, 2], places))
        assert not pairs.has_plane


def test_pairs_are_read_only() -> None:
    pairs = find_pairs(human(np.random.default_rng(5)).skeleton())
    for array in (pairs.partner, pairs.side, pairs.mark, pairs.normal):
        assert not array.flags.writeable
