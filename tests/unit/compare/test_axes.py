"""How far the axes are turned: found whatever says so, split about the limb, and not mistaken for motion."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given
from scipy.optimize import minimize_scalar
from scipy.spatial.transform import Rotation

from audit.compare.axes import twist_and_swing
from audit.model import Shot
from audit.rotations import conjugate, multiply, quaternion_from_rotation_vector
from tests.strategies import random_directions, random_quaternions, seeds, shots, turn_between
from tests.unit.compare.making import FRAMES, compared, turn, turned, walker, with_rotations

LIMB = (0.0, -1.0, 0.0)
KNEE, FOOT, HEAD = 2, 3, 8


@given(seeds)
def test_twist_is_the_turn_about_the_limb_that_leaves_least(seed: int) -> None:
    # Outside: the twist of a rotation is the nearest rotation about the limb, found by search with scipy.
    generator = np.random.default_rng(seed)
    q, limb = random_quaternions(generator), random_directions(generator)
    twist, swing, total = (float(each[0]) for each in twist_and_swing(q[:, None], limb[:, None]))
    whole = Rotation.from_quat(q)
    assume(swing < 170.0)

    def left(degrees: float) -> float:
        return float((whole * Rotation.from_rotvec(-np.deg2rad(degrees) * limb)).magnitude())

    found = minimize_scalar(
        left, bounds=(twist - 60.0, twist + 60.0), method="bounded", options={"xatol": 1e-9}
    )
    assert found.x == pytest.approx(twist, abs=1e-3)
    assert np.rad2deg(left(twist)) == pytest.approx(swing, abs=1e-6)
    assert left(twist) <= min(left(angle) for angle in np.linspace(-180.0, 180.0, 73)) + 1e-9
    assert total == pytest.approx(np.rad2deg(whole.magnitude()), abs=1e-6)
    moved = np.rad2deg(np.arccos(np.clip(whole.apply(limb) @ limb, -1.0, 1.0)))
    assert swing == pytest.approx(moved, abs=1e-4)


def test_a_plain_turn_about_the_limb_is_all_twist_and_right_handed() -> None:
    q = np.stack([turn(LIMB, 33.0), turn(LIMB, -150.0), turn((1.0, 0.0, 0.0), 12.0)], axis=1)
    limbs = np.tile(np.array(LIMB)[:, None], 3)
    twist, swing, total = twist_and_swing(q, limbs)
    assert twist == pytest.approx([33.0, -150.0, 0.0])
    assert swing == pytest.approx([0.0, 0.0, 12.0], abs=1e-9)
    assert total == pytest.approx([33.0, 150.0, 12.0])


def test_without_a_limb_axis_only_the_whole_is_told_and_a_half_turn_has_any_twist() -> None:
    q = np.stack([turn(LIMB, 33.0), turn((1.0, 0.0, 0.0), 180.0)], axis=1)
    twist, swing, total = twist_and_swing(
        q, np.array([[np.nan, 0.0], [np.nan, -1.0], [np.nan, 0.0]])
    )
    assert np.isnan(twist).all()
    assert np.isnan(swing[0])
    assert (swing[1], total[0]) == (pytest.approx(180.0), pytest.approx(33.0))


@pytest.mark.parametrize("rest", [True, False])
def test_turned_axes_are_found_with_and_without_rest_rotations(rest: bool) -> None:
    shot = walker(rest=rest)
    tipped = multiply(turn((1.0, 0.0, 0.0), 12.0), turn(LIMB, -20.0))
    _, axes = compared(shot, turned(shot, {KNEE: turn(LIMB, 33.0), FOOT: tipped}))
    assert set(axes.told_by) == {"rest" if rest else "motion"}
    assert axes.twist_deg[KNEE] == pytest.approx(33.0, abs=1e-6)
    assert axes.swing_deg[KNEE] == pytest.approx(0.0, abs=1e-6)
    assert turn_between(axes.turn_xyzw[FOOT], tipped) < 1e-9
    others = [joint for joint in range(9) if joint not in (KNEE, FOOT)]
    assert np.max(axes.total_deg[others]) < 1e-6
    assert np.max(axes.own_deviation_deg) < 1e-6


@pytest.mark.parametrize("rest", [True, False])
def test_a_joint_that_moves_otherwise_is_the_only_one_named(rest: bool) -> None:
    shot = walker(rest=rest)
    extra = quaternion_from_rotation_vector(
        np.outer((0.0, 0.0, 0.2), np.sin(np.linspace(0.0, 9.0, FRAMES)))
    )
    motion, axes = compared(
        shot, turned(with_rotations(shot, KNEE, extra), {HEAD: turn(LIMB, 40.0)})
    )
    assert motion.same == "no"
    assert list(np.flatnonzero(axes.own_deviation_deg > 0.05)) == [KNEE]
    assert axes.own_deviation_deg[KNEE] == pytest.approx(np.rad2deg(0.2), rel=0.02)
    # Rest frames still say that its axes are as they were; without them nobody can.
    assert axes.told_by[KNEE] == ("rest" if rest else None)
    assert np.isnan(axes.total_deg[KNEE]) == (not rest)
    assert abs(axes.twist_deg[HEAD]) == pytest.approx(40.0, abs=1e-6)


def test_another_rest_pose_is_not_taken_for_turned_axes() -> None:
    shot = walker()
    rests = shot.skeleton.rest_xyzw.copy()
    rests[KNEE] = multiply(rests[KNEE], turn((1.0, 0.0, 0.0), 30.0))
    other = replace(shot, skeleton=replace(shot.skeleton, rest_xyzw=rests))
    motion, axes = compared(shot, other)
    assert motion.same == "yes"
    assert axes.told_by[KNEE] == "motion"
    assert axes.total_deg[KNEE] == pytest.approx(0.0, abs=1e-6)
    assert axes.rest_moved_deg[KNEE] == pytest.approx(30.0)
    assert list(np.flatnonzero(axes.rest_moved_deg > 1e-6)) == [KNEE]


def test_a_pose_that_is_held_otherwise_is_not_taken_for_turned_axes() -> None:
    shot = walker()
    still = shot.rotations_xyzw.copy()
    still[:, HEAD] = shot.skeleton.rest_xyzw[HEAD]
    calm = replace(shot, rotations=still)
    held = with_rotations(
        calm, HEAD, np.repeat(turn((0.0, 1.0, 0.0), 10.0)[:, None], FRAMES, axis=1)
    )
    motion, axes = compared(calm, held)
    assert motion.same == "no"
    assert axes.told_by[HEAD] == "rest"
    assert axes.total_deg[HEAD] == pytest.approx(0.0, abs=1e-6)
    assert axes.own_deviation_deg[HEAD] == pytest.approx(10.0)


def test_a_held_pose_that_moves_the_children_is_no_turn_even_without_rest_rotations() -> None:
    shot = walker(rest=False)
    still = shot.rotations_xyzw.copy()
    still[:, KNEE] = (0.0, 0.0, 0.0, 1.0)
    calm = replace(shot, rotations=still)
    bent = with_rotations(
        calm, KNEE, np.repeat(turn((1.0, 0.0, 0.0), 10.0)[:, None], FRAMES, axis=1)
    )
    motion, axes = compared(calm, bent)
    assert motion.same == "no"
    assert axes.told_by[KNEE] is None
    assert axes.own_deviation_deg[KNEE] == pytest.approx(10.0)
    assert list(np.flatnonzero(axes.own_deviation_deg > 0.05)) == [KNEE]


@given(shots(), seeds)
def test_any_turns_of_any_shot_are_found_again(shot: Shot, seed: int) -> None:
    count = len(shot.skeleton)
    skeleton = replace(shot.skeleton, names=tuple(f"joint{place}" for place in range(count)))
    shot = replace(shot, skeleton=skeleton)
    turns = random_quaternions(np.random.default_rng(seed), count)
    after = turned(shot, {joint: turns[:, joint] for joint in range(count)})
    motion, axes = compared(shot, after)
    assert motion.same != "no"
    assert axes.told_by == ("rest",) * count
    assert np.max(turn_between(axes.turn_xyzw.T, turns)) < 1e-7
    assert np.max(axes.own_deviation_deg) < 1e-5
    _, back = compared(after, shot)
    assert np.max(turn_between(back.turn_xyzw.T, conjugate(turns))) < 1e-7
