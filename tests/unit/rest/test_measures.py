"""What is measured on a rest pose: directions, units, bends, aim, and what others are told of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from audit.errors import ShapeError, UsageError
from audit.measures import Measures, measure_shot
from audit.model import Shot, Skeleton, Source
from audit.rest import RestMeasures, measure_rest
from audit.rest.facing import direction
from audit.rest.mirror import turn_vectors, usual_way
from audit.rest.sample import figure, sleeve
from audit.rest.sections import outline
from audit.rest.trunk import twist_between
from audit.rest.words import move_in_words, number, precise, turn_about_in_words
from tests.unit.rest.bodies import clean_rig
from tests.unit.rest.rigs import Rig

SEEDS = range(700, 716)


def without_axes(skeleton: Skeleton, rest: RestMeasures, *, root: bool = True) -> Skeleton:
    """Return a skeleton as a format without rest rotations has it, its root placed or at the origin."""
    places = rest.world.positions
    offsets = places - places[skeleton.parents] * (skeleton.parents >= 0)[:, None]
    if not root:
        offsets[0] = 0.0
    identity = np.tile([0.0, 0.0, 0.0, 1.0], (len(skeleton), 1))
    tips = rest.world.tips - places[skeleton.tip_joints]
    return replace(skeleton, offsets=offsets, rest_xyzw=identity, tip_offsets=tips)


def swinging(skeleton: Skeleton, joint: str, axis: np.ndarray) -> Measures:
    """Return the measures of a shot in which one joint turns about an axis of its own, up to 60°."""
    turns = Rotation.from_rotvec(np.linspace(0.0, 60.0, 40)[:, None] * axis, degrees=True)
    rotations = np.tile(skeleton.rest_xyzw, (40, 1, 1))
    place = skeleton.names.index(joint)
    rest = Rotation.from_quat(skeleton.rest_xyzw[place])
    rotations[:, place] = (rest * turns).as_quat()
    return measure_shot(Shot(skeleton, np.arange(40) / 30.0, Source("swing"), rotations=rotations))


class TestDirections:
    @pytest.mark.parametrize("seed", SEEDS)
    def test_up_and_facing_are_found(self, seed: int) -> None:
        _, rig = clean_rig(seed)
        rest = measure_rest(rig.skeleton())
        assert np.allclose(rest.up, rig.turn @ [0.0, 1.0, 0.0])
        assert np.allclose(rest.facing, rig.turn @ [0.0, 0.0, 1.0], atol=1e-9)
        assert np.allclose(rest.forward, rig.turn @ [0.0, 0.0, 1.0])
        assert rest.facing_sure

    @pytest.mark.parametrize("seed", SEEDS)
    def test_up_is_found_without_names(self, seed: int) -> None:
        _, rig = clean_rig(seed)
        bare = replace(rig.skeleton(), names=tuple(f"j{n}" for n in range(len(rig))))
        rest = measure_rest(bare)
        assert np.allclose(rest.up, rig.turn @ [0.0, 1.0, 0.0])
        assert not rest.up_sure
        # Which of the two ways along the mirror plane it faces, nobody can tell.
        assert np.allclose(np.abs(rest.facing), np.abs(rig.turn @ [0.0, 0.0, 1.0]), atol=1e-9)
        assert not rest.facing_sure

    def test_what_is_given_holds(self) -> None:
        rest = measure_rest(figure(), up="z", facing="-x", unit_to_m=0.01)
        assert np.array_equal(rest.up, [0.0, 0.0, 1.0])
        assert (rest.up_from, rest.forward_from, rest.unit_from) == ("given",) * 3
        assert np.array_equal(rest.forward, [-1.0, 0.0, 0.0])
        assert rest.unit_to_m == 0.01

    def test_toes_tell_the_way_where_names_do_not(self) -> None:
        names = {name: name.replace("L_", "p").replace("R_", "q") for name in figure().names}
        rest = measure_rest(figure(renamed=names, facing_deg=180.0))
        assert np.allclose(rest.facing, [0.0, 0.0, -1.0]) or not rest.facing_sure

    @pytest.mark.parametrize(
        ("text", "vector"), [("Y", [0, 1, 0]), ("+z", [0, 0, 1]), (" -X", [-1, 0, 0])]
    )
    def test_letters(self, text: str, vector: list[float]) -> None:
        assert np.array_equal(direction(text), vector)

    def test_vectors(self) -> None:
        assert np.allclose(direction([0.0, 3.0, 4.0]), [0.0, 0.6, 0.8])

    @pytest.mark.parametrize("wrong", ["W", "", "XY", [0.0, 0.0, 0.0], [1.0, 2.0], [np.nan, 0, 0]])
    def test_what_is_no_direction_is_refused(self, wrong: str | list[float]) -> None:
        with pytest.raises(UsageError, match="direction"):
            direction(wrong)

    def test_a_plane_without_direction_is_refused(self) -> None:
        with pytest.raises(ShapeError, match="normal"):
            measure_rest(figure(), plane=(np.zeros(3), 0.0))


class TestSize:
    @pytest.mark.parametrize(
        ("size", "metres"), [(1.0, 1.0), (100.0, 0.01), (1000.0, 0.001), (39.37, 0.0254)]
    )
    def test_the_unit_of_a_person_is_guessed(self, size: float, metres: float) -> None:
        rest = measure_rest(figure(size=size))
        assert (rest.unit_to_m, rest.unit_from) == (metres, "guessed")
        assert rest.height == pytest.approx(1.75 * size)

    def test_a_giant_has_no_unit(self) -> None:
        rest = measure_rest(figure(size=4.0))
        assert np.isnan(rest.unit_to_m)
        assert rest.unit_from == "unknown"

    def test_only_people_are_upright(self) -> None:
        for seed in range(600, 616):
            kind, rig = clean_rig(seed)
            assert measure_rest(rig.skeleton()).upright == (kind == "human")

    def test_the_lowest_point_is_that_of_the_skin(self) -> None:
        rig = figure()
        skin = sleeve(rig, "L_Shin", (0.0, -1.0, 0.0))
        rest = measure_rest(rig, [skin])
        assert rest.lowest == -1
        assert rest.low == pytest.approx(float(np.min(skin.points[:, 1])))
        assert np.allclose(rest.sections.points, skin.points, atol=1e-12)


class TestBends:
    def test_knees_and_elbows_have_a_way(self) -> None:
        rest = measure_rest(figure())
        names = figure().names
        ways = {names[j]: int(rest.bends.named[j]) for j in np.flatnonzero(rest.bends.named)}
        assert ways == {"L_Shin": -1, "R_Shin": -1, "L_Forearm": 1, "R_Forearm": 1}
        assert rest.bends.right_way[rest.bends.named != 0].tolist() == [1] * 4

    def test_a_bend_is_the_angle_between_its_limbs(self) -> None:
        rig = figure()
        rest = measure_rest(rig)
        thigh, shin, foot = (
            rest.world.positions[rig.names.index(n)] for n in ("L_Thigh", "L_Shin", "L_Foot")
        )
        cosine = (shin - thigh) @ (foot - shin)
        cosine /= np.linalg.norm(shin - thigh) * np.linalg.norm(foot - shin)
        found = rest.bends.bend_deg[rig.names.index("L_Shin")]
        assert found == pytest.approx(np.rad2deg(np.arccos(cosine)), abs=1e-6)

    @pytest.mark.parametrize(("sign", "way"), [(1.0, 1), (-1.0, -1)])
    def test_the_motion_says_which_way_is_right(self, sign: float, way: int) -> None:
        # The bend's normal is where a right-handed turn bends further; here in the joint's own axes.
        rig = figure()
        joint = rig.names.index("L_Shin")
        still = measure_rest(rig)
        axis = sign * still.world.axes[joint].T @ still.bends.normal[joint]
        rest = measure_rest(rig, motion=swinging(rig, "L_Shin", axis))
        assert rest.bends.right_way[joint] == way
        assert rest.bends.way_from[joint] == "the motion"
        assert rest.bends.way_from[rig.names.index("R_Shin")] == "its name"

    def test_the_first_of_a_chain_counts(self) -> None:
        names = ["Hip", "L_Thigh", "L_Knee", "L_Shin", "L_Foot"]
        places = np.array([[0, 4, 0], [1, 0, 0], [0, -1, 0.1], [0, -0.5, 0], [0, -1, -0.1]])
        rest = measure_rest(Skeleton.plain(names, [-1, 0, 1, 2, 3], places))
        assert rest.bends.named.tolist() == [0, 0, -1, 0, 0]


class TestWithoutRestRotations:
    @pytest.mark.parametrize("seed", SEEDS)
    def test_places_say_what_they_said(self, seed: int) -> None:
        _, rig = clean_rig(seed)
        skeleton = rig.skeleton()
        rest = measure_rest(skeleton)
        bare = measure_rest(without_axes(skeleton, rest))
        assert not bare.has_axes
        assert np.allclose(bare.world.positions, rest.world.positions)
        assert np.array_equal(bare.pairs.partner, rest.pairs.partner)
        assert np.allclose(bare.facing, rest.facing)
        assert np.allclose(bare.bends.bend_deg, rest.bends.bend_deg, equal_nan=True, atol=1e-6)


class TestArithmetic:
    def test_turn_vectors_are_those_of_scipy(self) -> None:
        rng = np.random.default_rng(8)
        turns = Rotation.random(200, rng=rng)
        assert np.allclose(turn_vectors(turns.as_matrix()), turns.as_rotvec(), atol=1e-9)

    @pytest.mark.parametrize("angle", [1e-7, 1e-3, 90.0, 179.9, 179.99999, 180.0])
    def test_turn_vectors_of_hard_angles(self, angle: float) -> None:
        rng = np.random.default_rng(9)
        axes = rng.normal(size=(50, 3))
        axes /= np.linalg.norm(axes, axis=1)[:, None]
        vectors = turn_vectors(Rotation.from_rotvec(angle * axes, degrees=True).as_matrix())
        found = np.rad2deg(np.linalg.norm(vectors, axis=1))
        assert np.allclose(found, angle, rtol=1e-6, atol=1e-9)
        assert np.allclose(np.abs(np.sum(vectors * axes, axis=1)), np.deg2rad(angle), rtol=1e-6)

    def test_the_usual_way_is_that_of_most_branches_not_of_most_fingers(self) -> None:
        plain, odd = np.diag([-1.0, 1.0, 1.0]), np.diag([1.0, 1.0, -1.0])
        images = np.array([plain] * 3 + [odd] * 10)
        above = np.array([-1, -1, -1, 0, *range(3, 12)])
        assert np.array_equal(usual_way(images, above), plain)

    def test_the_usual_way_need_not_be_along_axes(self) -> None:
        turn = Rotation.from_rotvec([0.0, 20.0, 0.0], degrees=True).as_matrix()
        image = turn @ np.diag([-1.0, 1.0, 1.0]) @ turn.T
        assert np.allclose(usual_way(np.array([image] * 4), np.full(4, -1)), image)

    def test_twist_is_right_handed_about_the_axis(self) -> None:
        found = twist_between(
            np.array([[1.0, 0.0, 5.0]]), np.array([[0.0, 2.0, 1.0]]), np.array([[0.0, 0.0, 1.0]])
        )
        assert found == pytest.approx([90.0])

    def test_the_middle_of_an_outline_does_not_follow_the_dense_side(self) -> None:
        rng = np.random.default_rng(3)
        angle = np.concatenate((np.linspace(0, 2 * np.pi, 400), rng.uniform(0, 0.5, 4000)))
        points = np.stack((np.cos(angle), np.sin(angle), np.zeros(len(angle))), axis=1)
        found = outline(points + np.array([0.2, 0.1, 0.0]), np.array([0.0, 0.0, 1.0]))
        assert found is not None
        assert np.allclose(found[0], [0.2, 0.1, 0.0], atol=1e-4)
        assert found[1] == pytest.approx(2.0, rel=1e-3)

    def test_points_on_a_line_have_no_outline(self) -> None:
        line = np.linspace(0, 1, 20)[:, None] * [1.0, 0.0, 0.0]
        assert outline(line, np.array([0.0, 0.0, 1.0])) is None
        assert outline(line[:3], np.array([0.0, 0.0, 1.0])) is None


class TestWords:
    @pytest.mark.parametrize(
        ("value", "text"),
        [
            (0.5, "0.5"),
            (-12.3456, "−12.35"),
            (0.0, "0"),
            (1e-5, "0.000010"),
            (1234567.0, "1234567"),
        ],
    )
    def test_lengths(self, value: float, text: str) -> None:
        assert number(value) == text

    def test_moves(self) -> None:
        assert move_in_words(np.array([0.0, -0.52, 0.0])) == "−0.52 along Y"
        assert move_in_words(np.array([1.0, 2.0, 3.0])) == "1 along X, 2 along Y and 3 along Z"

    def test_turns(self) -> None:
        limb = np.array([1.0, 0.0, 0.0])
        assert turn_about_in_words(np.array([-3.0, 0.0, 0.0]), limb) == "−3° about the limb"
        assert turn_about_in_words(np.array([0.0, -3.0, 0.0]), limb) == "−3° about its own Y"
        assert precise(0.0567) == "0.057°"
        assert precise(180.0) == "180°"


def test_all_arrays_are_read_only() -> None:
    rest = measure_rest(figure())
    for part in (rest, rest.world, rest.limbs, rest.trunk, rest.bends, rest.sections, rest.mirror):
        for value in vars(part).values():
            if isinstance(value, np.ndarray):
                assert not value.flags.writeable


def test_the_drawing_is_what_it_says() -> None:
    """The rigs of these tests by themselves: forward kinematics gives back the places and axes drawn."""
    _, rig = clean_rig(4)
    assert isinstance(rig, Rig)
    rest = measure_rest(rig.skeleton())
    assert np.allclose(rest.world.positions * rig.unit_to_m, rig.places @ rig.turn.T, atol=1e-12)
    assert np.allclose(rest.world.axes, rig.turn @ rig.axes, atol=1e-12)
