"""What is said of each joint: kind, reference, rotation order, and why there is no offset."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.conventions import ORDER_WITHOUT_CHOICE, ORDERS
from audit.measures import Measures, measure_shot
from audit.model import Channels, Shot, Skeleton
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.rotations import multiply, quaternion_from_rotation_vector
from audit.settings import Settings
from tests.strategies import Array, directions, orders, random_quaternions, seeds, shots
from tests.unit.measures.making import IDENTITY, KNEE, limb_of, turn

WAVE = np.linspace(0.0, 4.0 * np.pi, 97)


def two_axes(first: float, second: float, third: float = 0.0) -> Array:
    """Return rotations (4, 97) with independent waves of the given sizes, in degrees, on X, Z and Y."""
    waves = np.stack(
        (first * np.sin(WAVE), third * np.sin(2.5 * WAVE), second * np.cos(1.5 * WAVE))
    )
    return quaternion_from_rotation_vector(np.deg2rad(waves))


class TestKind:
    @pytest.mark.parametrize(
        ("quaternion", "kind"),
        [
            (two_axes(0.0, 0.0), "still"),
            (turn([1, 0, 0], bend(high=0.99)), "still"),
            (turn([1, 0, 0], bend(high=1.01)), "hinge"),
            (turn([1, 2, 3], bend(high=60)), "hinge"),
            (two_axes(40.0, 8.0), "hinge"),
            (two_axes(40.0, 10.0), "two-axis"),
            (two_axes(40.0, 30.0), "two-axis"),
            (two_axes(40.0, 30.0, 5.0), "two-axis"),
            (two_axes(40.0, 30.0, 15.0), "free"),
            (turn([0, 1, 0], np.linspace(0, 720, 97)), "hinge"),
        ],
    )
    def test_known_motions(self, quaternion: Array, kind: str) -> None:
        assert measure_shot(limb_of(quaternion, order="ZXY")).kind == ("still", kind, "still")

    @given(shots())
    def test_it_follows_from_range_and_shares(self, shot: Shot) -> None:
        measures = measure_shot(shot)
        first, second, _ = measures.shares.T
        for joint, kind in enumerate(measures.kind):
            if measures.range_deg[joint] < 1.0:
                expected = "still"
            elif first[joint] >= 0.95:
                expected = "hinge"
            else:
                expected = "two-axis" if first[joint] + second[joint] >= 0.97 else "free"
            assert kind == expected

    def test_the_limits_are_those_of_the_settings(self) -> None:
        shot = limb_of(two_axes(40.0, 10.0), order="ZXY")
        assert measure_shot(shot, Settings(hinge_share=0.9)).kind[KNEE] == "hinge"
        assert measure_shot(shot, Settings(still_range_deg=90.0)).kind[KNEE] == "still"
        free = limb_of(two_axes(40.0, 30.0, 15.0), order="ZXY")
        assert measure_shot(free, Settings(two_axis_share=0.8)).kind[KNEE] == "two-axis"

    @pytest.mark.parametrize("held", [(10.0, 20.0, 30.0), (90.0, 0.0, 0.0), (-170.0, 80.0, 5.0)])
    def test_a_held_pose_has_no_shares(self, held: tuple[float, float, float]) -> None:
        # Else they are the last digits of the arithmetic, and differ from machine to machine.
        measures = measure_shot(limb_shot(np.tile(held, (20, 1))))
        assert measures.kind[KNEE] == "still"
        np.testing.assert_array_equal(np.round(measures.shares[KNEE], 6), [0.0, 0.0, 0.0])


class TestReason:
    @pytest.mark.parametrize(
        ("quaternion", "reason"),
        [
            (two_axes(0.0, 0.0), "it hardly moves in this shot (0.0°)"),
            (turn([1, 0, 0], bend(high=0.8)), "it hardly moves in this shot (0.8°)"),
            (
                turn([1, 0, 0], bend(high=4.9)),
                "it turns only 4.9°, and an axis cannot be told well",
            ),
            (two_axes(2.0, 2.0), "it turns only 4.0°, and an axis cannot be told well"),
            (two_axes(40.0, 30.0), "it moves on two axes, so no single axis can be put on one"),
            (two_axes(40.0, 30.0, 15.0), "it moves freely, so no single axis can be put on one"),
            (
                turn([0, 1, 0], bend()),
                "it turns about its own limb, and a turn about the limb has no",
            ),
            (
                turn([0.5, 1, 0], bend()),
                "it turns about its own limb, and a turn about the limb has",
            ),
        ],
    )
    def test_there_is_no_offset(self, quaternion: Array, reason: str) -> None:
        measures = measure_shot(limb_of(quaternion, order="ZXY"))
        said = measures.no_offset_because[KNEE]
        assert said is not None
        assert said.startswith(reason)
        assert not measures.has_offset[KNEE]
        assert measures.advised_order[KNEE] is None
        assert measures.target_axis[KNEE] == -1
        for figure in ("twist_offset_deg", "twist_interval_deg", "full_offset_xyzw"):
            assert np.isnan(getattr(measures, figure)[KNEE]).all()

    def test_no_limb_axis(self) -> None:
        alone = Skeleton.plain(["Wheel"], [-1], [[0.0, 1.0, 0.0]], orders="ZXY")
        rotations = turn([1, 0, 0], bend()).T[:, None]
        measures = measure_shot(Shot(alone, np.arange(97.0), rotations=rotations))
        reason = "it has no limb axis: no child, no tip and no parent with a direction"
        assert measures.no_offset_because == (reason,)
        assert measures.kind == ("hinge",)
        assert np.isfinite(measures.hinge_axis).all()
        assert np.isnan(measures.limb_axis).all()
        assert np.isnan(measures.aim_error_deg).all()
        assert np.isnan(measures.residual_deg).all()

    @pytest.mark.parametrize(("lean", "given_one"), [(59.0, True), (61.0, False)])
    def test_the_limit_of_turning_about_the_limb(self, lean: float, given_one: bool) -> None:
        axis = (np.cos(np.deg2rad(lean)), np.sin(np.deg2rad(lean)), 0.0)
        measures = measure_shot(limb_of(turn(axis, bend()), order="ZXY"))
        np.testing.assert_allclose(measures.residual_deg[KNEE], lean, atol=1e-6)
        assert measures.has_offset[KNEE] == given_one

    @given(shots())
    def test_there_is_an_offset_or_a_reason_never_both(self, shot: Shot) -> None:
        measures = measure_shot(shot)
        for joint, reason in enumerate(measures.no_offset_because):
            assert (reason is None) == bool(measures.has_offset[joint])
            if measures.has_offset[joint]:
                assert measures.kind[joint] == "hinge"
                assert measures.range_deg[joint] >= 5.0
                assert measures.advised_order[joint] in ORDERS

    def test_the_least_range_is_that_of_the_settings(self) -> None:
        shot = limb_of(turn([1, 0, 0], bend(high=20.0)), order="ZXY")
        assert measure_shot(shot).has_offset[KNEE]
        said = measure_shot(shot, Settings(suggestion_range_deg=25.0)).no_offset_because[KNEE]
        assert said is not None
        assert "less than 25°" in said


class TestReference:
    REST = turn([0, 0, 1], 35.0)

    def test_rest_measures_the_turn_away_from_rest(self) -> None:
        shot = limb_of(turn([1, 0, 0], bend()), order="YZX", rest=self.REST)
        measures = measure_shot(shot)
        np.testing.assert_allclose(measures.hinge_axis[KNEE], [1, 0, 0], atol=1e-9)
        np.testing.assert_allclose(measures.excursion_deg[KNEE], [0.0, 70.0], atol=1e-6)
        np.testing.assert_allclose(measures.now.channel_spread[KNEE], 1.0, atol=1e-9)

    def test_parent_measures_the_plain_local_rotation(self) -> None:
        shot = limb_of(turn([1, 0, 0], bend()), order="ZXY", rest=self.REST)
        away = measure_shot(shot)
        plain = measure_shot(shot, Settings(reference="parent"))
        # The axis that the joint's own axes see is the same; the channels hold the rest rotation too.
        np.testing.assert_allclose(np.abs(plain.hinge_axis[KNEE]), [1, 0, 0], atol=1e-9)
        np.testing.assert_allclose(plain.range_deg[KNEE], 70.0, atol=1e-6)
        assert plain.now.moving_channels[KNEE] == 1
        other = limb_of(turn([1, 0, 0], bend()), order="YZX", rest=turn([0, 1, 2], 50.0))
        assert measure_shot(other, Settings(reference="parent")).now.moving_channels[KNEE] == 1
        order = limb_of(turn([1, 0, 0], bend()), order="XYZ", rest=self.REST)
        assert measure_shot(order, Settings(reference="parent")).now.moving_channels[KNEE] == 3
        assert away.settings.reference == "rest"

    @given(shots(made_of="rotations", rests=False))
    def test_without_rest_rotations_they_are_one(self, shot: Shot) -> None:
        rest, parent = measure_shot(shot), measure_shot(shot, Settings(reference="parent"))
        for name in ("range_deg", "twist_offset_deg", "causes", "hinge_axis"):
            np.testing.assert_array_equal(getattr(rest, name), getattr(parent, name))

    def test_channels_with_a_rest_rotation_are_measured_away_from_it(self) -> None:
        sample = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend()))
        rests = np.tile(IDENTITY, (3, 1))
        rests[KNEE] = turn([1, 0, 0], 20.0)
        shot = replace(sample, skeleton=replace(sample.skeleton, rest_xyzw=rests))
        # Channels hold the turn away from rest; the parent sees the rest rotation too.
        np.testing.assert_allclose(measure_shot(shot).excursion_deg[KNEE], [0, 70], atol=1e-6)
        plain = measure_shot(shot, Settings(reference="parent"))
        np.testing.assert_allclose(plain.excursion_deg[KNEE], [20, 90], atol=1e-6)


class TestRotationOrder:
    def test_the_files_own_goes_before_the_given_one(self) -> None:
        quaternion = turn([1, 0.5, 0], bend())
        stated = measure_shot(limb_of(quaternion, order="XZY"), Settings(order="ZXY"))
        assert stated.orders == ("XZY",) * 3
        assert stated.orders_from == ("file",) * 3

    @given(seeds, orders)
    def test_a_given_order_is_as_good_as_a_stated_one(self, seed: int, order: str) -> None:
        generator = np.random.default_rng(seed)
        axis = generator.normal(size=3)
        quaternion = turn(axis, bend(high=80.0))
        stated = measure_shot(limb_of(quaternion, order=order))
        given_one = measure_shot(limb_of(quaternion), Settings(order=order))
        assert given_one.orders == stated.orders
        assert given_one.orders_from == ("given",) * 3
        for name in ("twist_offset_deg", "causes", "gimbal_margin_deg"):
            np.testing.assert_array_equal(getattr(given_one, name), getattr(stated, name))
        np.testing.assert_array_equal(given_one.now.keys, stated.now.keys)

    @given(directions(), seeds)
    def test_without_any_it_is_the_best_of_the_six(self, axis: Array, seed: int) -> None:
        constant = random_quaternions(np.random.default_rng(seed))
        quaternion = multiply(constant[:, None], turn(axis, bend(high=80.0)))
        best = measure_shot(limb_of(quaternion))
        assert best.orders_from == ("best",) * 3
        each = {order: measure_shot(limb_of(quaternion, order=order)) for order in ORDERS}
        spreads = {order: one.now.channel_spread[KNEE] for order, one in each.items()}
        assert best.now.channel_spread[KNEE] <= min(spreads.values()) + 1e-6
        chosen = each[best.orders[KNEE]]
        np.testing.assert_allclose(best.now.range_deg[KNEE], chosen.now.range_deg[KNEE])
        np.testing.assert_array_equal(best.now.keys[KNEE], chosen.now.keys[KNEE])
        np.testing.assert_allclose(best.causes[KNEE], chosen.causes[KNEE])
        np.testing.assert_allclose(best.gimbal_margin_deg[KNEE], chosen.gimbal_margin_deg[KNEE])

    def test_the_best_may_differ_from_joint_to_joint(self) -> None:
        skeleton = Skeleton.plain(["a", "b"], [-1, 0], [[0, 0, 0], [0, -1, 0]])
        constant = turn([1, 2, 3], 100.0)[:, None]
        rotations = np.stack(
            [multiply(constant, turn(axis, bend())).T for axis in ([1, 0, 0], [0, 0, 1])], axis=1
        )
        measures = measure_shot(Shot(skeleton, np.arange(97.0), rotations=rotations))
        assert [order[2] for order in measures.orders] == ["X", "Z"]
        np.testing.assert_allclose(measures.now.channel_spread, 1.0, atol=1e-9)

    def test_a_joint_that_never_turns_gets_the_order_without_choice(self) -> None:
        # audit.conventions says which order joints get on which it makes no difference.
        measures = measure_shot(limb_of(two_axes(0.0, 0.0)))
        assert measures.orders == (ORDER_WITHOUT_CHOICE,) * 3

    def test_some_stated_some_not(self) -> None:
        skeleton = Skeleton.plain(
            ["a", "b"], [-1, 0], [[0, 0, 0], [0, -1, 0]], orders=["YXZ", None]
        )
        rotations = np.repeat(turn([1, 0, 0], bend()).T[:, None], 2, axis=1)
        shot = Shot(skeleton, np.arange(97.0), rotations=rotations)
        assert measure_shot(shot).orders_from == ("file", "best")
        given_one = measure_shot(shot, Settings(order="ZXY"))
        assert given_one.orders_from == ("file", "given")
        assert given_one.orders == ("YXZ", "ZXY")


class TestShortShots:
    @pytest.mark.parametrize("order", [None, "ZXY"])
    def test_one_frame(self, order: str | None) -> None:
        measures = measure_shot(limb_of(turn([1, 2, 0], np.array([40.0])), order=order))
        assert measures.kind == ("still",) * 3
        assert not measures.has_offset.any()
        np.testing.assert_array_equal(measures.now.keys, 1)
        np.testing.assert_array_equal(measures.now.edit_keys, 0)
        assert np.isnan(measures.now.channel_spread).all()
        assert np.isnan(measures.causes).all()

    @pytest.mark.parametrize("order", [None, "ZXY"])
    def test_two_frames_give_an_offset_but_no_interval(self, order: str | None) -> None:
        measures = measure_shot(limb_of(turn([0.8, 0, 0.6], np.array([0.0, 40.0])), order=order))
        assert measures.kind[KNEE] == "hinge"
        np.testing.assert_allclose(measures.range_deg[KNEE], 40.0)
        # The limb points down: a turn about it from X towards Z is right-handed.
        np.testing.assert_allclose(
            measures.twist_offset_deg[KNEE], np.rad2deg(np.arctan2(0.6, 0.8))
        )
        assert np.isnan(measures.twist_interval_deg[KNEE]).all()
        assert np.isnan(measures.hinge_axis_interval_deg[KNEE])

    @pytest.mark.parametrize(("frames", "told"), [(7, False), (8, True)])
    def test_eight_frames_give_an_interval(self, frames: int, told: bool) -> None:
        measures = measure_shot(limb_of(turn([1, 0, 0], np.linspace(0, 40, frames)), order="ZXY"))
        assert np.isfinite(measures.twist_interval_deg[KNEE]).all() == told
        assert np.isfinite(measures.hinge_axis_interval_deg[KNEE]) == told


@given(shots())
def test_figures_are_where_they_can_be(shot: Shot) -> None:
    measures: Measures = measure_shot(shot)
    assert np.all(measures.range_deg >= 0.0)
    assert np.all(measures.off_axis_deg >= 0.0)
    sums = measures.shares.sum(axis=1)
    assert np.all((np.abs(sums - 1.0) < 1e-9) | (sums == 0.0))
    low, high = measures.excursion_deg.T
    np.testing.assert_allclose(high - low, measures.range_deg, atol=1e-6)
    assert np.all(high >= -low - 1e-6)
    assert np.all((measures.gimbal_margin_deg >= 0.0) & (measures.gimbal_margin_deg <= 90.0))
    assert np.all((measures.near_lock >= 0.0) & (measures.near_lock <= 1.0))
    known = ~np.isnan(measures.now.channel_spread)
    assert np.all(measures.now.channel_spread[known] >= 1.0 - 1e-12)
    assert np.all(measures.now.channel_spread[known] <= 3.0 + 1e-12)
    hinge = np.array([kind == "hinge" for kind in measures.kind])
    np.testing.assert_array_equal(np.isfinite(measures.hinge_axis[:, 0]), hinge)


@given(st.integers(1, 5))
def test_progress_counts_all_joints(blocks: int) -> None:
    names = [f"joint{place}" for place in range(7)]
    skeleton = Skeleton.plain(
        names, [-1] * 7, np.zeros((7, 3)), orders=["ZXY"] * blocks + ["XYZ"] * (7 - blocks)
    )
    channels = Channels(np.zeros((4, 1)), np.full((7, 3), -1), np.full((7, 3), -1))
    done: list[int] = []
    measure_shot(Shot(skeleton, np.arange(4.0), channels=channels), progress=done.append)
    assert sum(done) == 7
