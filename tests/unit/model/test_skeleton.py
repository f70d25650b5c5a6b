"""Skeletons: what is refused, which child is the main one, and where the limb goes."""

from __future__ import annotations

import pickle
from dataclasses import FrozenInstanceError
from typing import Any

import numpy as np
import pytest
from hypothesis import given

from audit.errors import ShapeError
from audit.model import Skeleton
from audit.rotations import quaternion_from_rotation_vector, rotate
from tests.strategies import read_only, skeletons

IDENTITY = (0.0, 0.0, 0.0, 1.0)
NAN3 = [np.nan] * 3


def quarter_about_z() -> tuple[float, ...]:
    return tuple(quaternion_from_rotation_vector(np.array([0.0, 0.0, np.pi / 2])).tolist())


def skeleton(**changes: Any) -> Skeleton:
    """Return a thigh, a knee and a foot along −Y, with some fields changed."""
    fields: dict[str, Any] = {
        "names": ("Thigh", "Knee", "Foot"),
        "parents": [-1, 0, 1],
        "offsets": [[0.0, 9.0, 0.0], [0.0, -4.0, 0.0], [0.0, -4.0, 0.0]],
        "rest_xyzw": [IDENTITY] * 3,
        "orders": ("ZXY", None, "XYZ"),
    }
    return Skeleton(**(fields | changes))


class TestRefusal:
    @pytest.mark.parametrize(
        ("changes", "message"),
        [
            ({"parents": [-1, 0]}, r"parents should have shape \(3\), got \(2,\)"),
            ({"parents": [[-1, 0, 1]]}, "parents should have shape"),
            ({"offsets": [[0.0, 1.0]] * 3}, r"offsets should have shape \(3, 3\), got \(3, 2\)"),
            (
                {"offsets": [NAN3, [0, 0, 0], [0, 0, 0]]},
                "offsets holds a number that is not finite",
            ),
            ({"offsets": [[np.inf, 0, 0]] * 3}, "offsets holds a number that is not finite"),
            ({"rest_xyzw": [IDENTITY] * 2}, "rest_xyzw should have shape"),
            (
                {"rest_xyzw": [(0, 0, 0, 1.01)] * 3},
                "rest_xyzw should hold quaternions of unit length",
            ),
            ({"rest_xyzw": [(0, 0, 0, 0)] * 3}, "rest_xyzw should hold quaternions of unit length"),
            ({"orders": ("ZXY", None)}, "orders should name 3 joints, got 2"),
            ({"orders": ("ZXY", None, "ZXZ")}, "'ZXZ' is not one of the orders XYZ, XZY, YXZ"),
            ({"orders": ("zxy", None, None)}, "'zxy' is not one of the orders"),
            ({"parents": [-1, 1, 0]}, "every parent should come before its children"),
            ({"parents": [-1, 2, 0]}, "every parent should come before its children"),
            ({"parents": [-2, 0, 1]}, "a root has parent -1"),
            ({"parents": [0, 0, 1]}, "every parent should come before its children"),
            (
                {"tip_joints": [3], "tip_offsets": [[0, 1, 0]]},
                "a tip belongs to a joint that does not",
            ),
            (
                {"tip_joints": [-1], "tip_offsets": [[0, 1, 0]]},
                "a tip belongs to a joint that does not",
            ),
            ({"tip_joints": [1]}, r"tip_offsets should have shape \(1, 3\), got \(0, 3\)"),
            ({"tip_offsets": [[0, 1, 0]]}, r"tip_offsets should have shape \(0, 3\), got \(1, 3\)"),
        ],
    )
    def test_what_does_not_fit_is_named(self, changes: dict[str, Any], message: str) -> None:
        with pytest.raises(ShapeError, match=message):
            skeleton(**changes)

    def test_rest_scales_are_one_unless_given(self) -> None:
        np.testing.assert_array_equal(skeleton().rest_scales, np.ones((3, 3)))
        doubled = skeleton(rest_scales=np.full((3, 3), 2.0))
        np.testing.assert_array_equal(doubled.rest_scales, np.full((3, 3), 2.0))
        with pytest.raises(ShapeError, match="rest_scales should have shape"):
            skeleton(rest_scales=[[2, 2, 2]])

    def test_no_joints(self) -> None:
        with pytest.raises(ShapeError, match="at least one joint"):
            Skeleton.plain([], [], np.zeros((0, 3)))

    def test_what_fits_is_taken(self) -> None:
        made = skeleton(parents=[-1, -1, 0], tip_joints=[2, 2], tip_offsets=[[0, 1, 0], [0, 0, 0]])
        assert len(made) == 3
        assert made.parent_names() == (None, None, "Thigh")


class TestPlain:
    def test_one_order_holds_for_all(self) -> None:
        made = Skeleton.plain(["a", "b"], [-1, 0], [[0, 0, 0], [1, 0, 0]], orders="YXZ")
        assert made.orders == ("YXZ", "YXZ")
        np.testing.assert_array_equal(made.rest_xyzw, [IDENTITY] * 2)
        assert len(made.tip_joints) == 0

    def test_one_order_each(self) -> None:
        made = Skeleton.plain(["a", "b"], [-1, 0], [[0, 0, 0], [1, 0, 0]], orders=["YXZ", None])
        assert made.orders == ("YXZ", None)

    def test_none_stated(self) -> None:
        assert Skeleton.plain(["a"], [-1], [[0, 0, 0]]).orders == (None,)


class TestMainChild:
    @staticmethod
    def of(
        parents: list[int], lengths: list[float], tips: dict[int, float] | None = None
    ) -> list[int]:
        """Return the main children where every offset lies along X with the given length."""
        tips = tips or {}
        made = Skeleton(
            tuple("abcdefgh"[: len(parents)]),
            np.array(parents),
            np.array([[length, 0.0, 0.0] for length in lengths]),
            np.array([IDENTITY] * len(parents)),
            (None,) * len(parents),
            np.array(list(tips), dtype=np.int64),
            np.array([[length, 0.0, 0.0] for length in tips.values()]).reshape(-1, 3),
        )
        return [int(child) for child in made.main_child]

    def test_the_longest_chain_wins_not_the_longest_bone(self) -> None:
        assert self.of([-1, 0, 0, 2], [0, 3, 1, 2.5]) == [2, -1, 3, -1]

    def test_the_first_of_equals_wins(self) -> None:
        assert self.of([-1, 0, 0, 0], [0, 2, 2, 2]) == [1, -1, -1, -1]
        assert self.of([-1, 0, 0, 1, 2], [0, 1, 1, 1, 1])[0] == 1

    def test_end_points_count_as_length(self) -> None:
        assert self.of([-1, 0, 0], [0, 2, 1], {2: 1.5})[0] == 2
        assert self.of([-1, 0, 0], [0, 2, 1], {2: 0.5})[0] == 1

    def test_the_farthest_of_several_end_points_counts(self) -> None:
        made = skeleton(
            parents=[-1, 0, 0],
            offsets=[[0, 0, 0], [2, 0, 0], [1, 0, 0]],
            tip_joints=[2, 2],
            tip_offsets=[[3.0, 0, 0], [0.1, 0, 0]],
        )
        assert made.main_child[0] == 2

    def test_the_own_offset_of_a_root_does_not_count(self) -> None:
        assert self.of([-1, -1, 0, 1], [100, 0, 1, 1]) == [2, 3, -1, -1]

    def test_a_child_without_length_is_still_a_child(self) -> None:
        assert self.of([-1, 0], [0, 0]) == [1, -1]
        assert self.of([-1, 0, 0], [0, 0, 0]) == [1, -1, -1]

    def test_lengths_run_around_corners(self) -> None:
        made = skeleton(
            names=tuple("abcd"),
            parents=[-1, 0, 1, 0],
            offsets=[[0, 0, 0], [3, 0, 0], [-3, 0, 0], [0, 5, 0]],
            rest_xyzw=[IDENTITY] * 4,
            orders=(None,) * 4,
        )
        assert made.main_child[0] == 1

    @given(skeletons())
    def test_a_main_child_is_a_child_and_only_leaves_have_none(self, made: Skeleton) -> None:
        for joint, child in enumerate(made.main_child):
            children = np.flatnonzero(made.parents == joint)
            assert child in children if len(children) else child == -1


class TestLimbAxes:
    def test_from_the_joint_to_its_main_child(self) -> None:
        made = skeleton(offsets=[[0, 9, 0], [3, 0, 4], [0, -4, 0]])
        np.testing.assert_allclose(made.limb_axes[0], [0.6, 0.0, 0.8])

    def test_the_rest_rotation_of_the_child_does_not_matter(self) -> None:
        # An offset is in the parent's axes, which are the joint's own.
        made = skeleton(rest_xyzw=[quarter_about_z()] * 3)
        np.testing.assert_allclose(made.limb_axes[:2], [[0, -1, 0], [0, -1, 0]], atol=1e-15)

    def test_a_leaf_goes_to_its_farthest_tip(self) -> None:
        made = skeleton(
            tip_joints=[2, 2, 1],
            tip_offsets=[[0.0, 0.0, 1.0], [2.0, 0.0, 0.0], [0.0, 0.0, 50.0]],
        )
        np.testing.assert_allclose(made.limb_axes, [[0, -1, 0], [0, -1, 0], [1, 0, 0]])

    def test_the_first_of_equally_far_tips(self) -> None:
        made = skeleton(tip_joints=[2, 2], tip_offsets=[[0, 0, 2], [2, 0, 0]])
        np.testing.assert_allclose(made.limb_axes[2], [0, 0, 1])

    def test_a_leaf_without_a_tip_takes_the_parents_in_its_own_axes(self) -> None:
        made = skeleton(rest_xyzw=[IDENTITY, IDENTITY, quarter_about_z()])
        # −Y of the parent, seen from axes that are turned a quarter about Z: x' = y, y' = −x.
        np.testing.assert_allclose(made.limb_axes[2], [-1, 0, 0], atol=1e-15)

    def test_a_tip_without_length_is_no_direction(self) -> None:
        made = skeleton(tip_joints=[2], tip_offsets=[[0.0, 0.0, 0.0]])
        np.testing.assert_allclose(made.limb_axes[2], [0, -1, 0])

    def test_a_child_without_length_hands_its_own_up(self) -> None:
        made = skeleton(
            offsets=[[0, 0, 0], [0, 0, 0], [2, 0, 0]],
            rest_xyzw=[IDENTITY, quarter_about_z(), IDENTITY],
        )
        # X of the child is Y of the joint.
        np.testing.assert_allclose(made.limb_axes[0], [0, 1, 0], atol=1e-15)

    def test_a_whole_chain_without_length_passes_it_on(self) -> None:
        made = skeleton(offsets=np.zeros((3, 3)), tip_joints=[2], tip_offsets=[[0.0, 0.0, 3.0]])
        np.testing.assert_allclose(made.limb_axes, [[0, 0, 1]] * 3)

    def test_the_child_goes_before_the_parent(self) -> None:
        made = skeleton(
            offsets=[[0, 0, 0], [0, -1, 0], [0, 0, 0]], tip_joints=[2], tip_offsets=[[5, 0, 0]]
        )
        np.testing.assert_allclose(made.limb_axes, [[0, -1, 0], [1, 0, 0], [1, 0, 0]])

    def test_none_where_nothing_has_any_length(self) -> None:
        assert np.isnan(skeleton(offsets=[[0, 9, 0], [0, 0, 0], [0, 0, 0]]).limb_axes).all()
        assert np.isnan(Skeleton.plain(["a"], [-1], [[0, 9, 0]]).limb_axes).all()

    def test_an_offset_without_length_is_no_direction(self) -> None:
        assert np.isnan(skeleton(offsets=[[0, 9, 0], [0, 1e-12, 0], [0, 0, 0]]).limb_axes).all()

    @given(skeletons())
    def test_they_are_unit_vectors_or_none(self, made: Skeleton) -> None:
        axes = made.limb_axes
        missing = np.isnan(axes)
        np.testing.assert_array_equal(missing.any(axis=1), missing.all(axis=1))
        np.testing.assert_allclose(np.linalg.norm(axes[~missing[:, 0]], axis=1), 1.0, atol=1e-12)

    @given(skeletons())
    def test_where_a_leaf_has_no_tip_it_points_as_its_parent_does(self, made: Skeleton) -> None:
        for joint, parent in enumerate(made.parents):
            leaf = made.main_child[joint] < 0 and joint not in made.tip_joints
            if leaf and parent >= 0:
                in_parent = rotate(made.rest_xyzw[joint], made.limb_axes[joint])
                np.testing.assert_allclose(in_parent, made.limb_axes[parent], atol=1e-12)


class TestFrozen:
    def test_fields_cannot_be_set(self) -> None:
        with pytest.raises(FrozenInstanceError):
            skeleton().names = ("other",)  # type: ignore[misc]

    @pytest.mark.parametrize(
        "name",
        [
            "parents",
            "offsets",
            "rest_xyzw",
            "rest_scales",
            "tip_joints",
            "tip_offsets",
            "main_child",
            "limb_axes",
        ],
    )
    def test_arrays_cannot_be_written_to(self, name: str) -> None:
        array = getattr(skeleton(tip_joints=[2], tip_offsets=[[0, 1, 0]]), name)
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 0

    def test_the_callers_arrays_stay_the_callers(self) -> None:
        offsets = np.zeros((3, 3))
        made = skeleton(offsets=offsets)
        offsets[1] = 7.0
        assert made.offsets[1, 0] == 0.0

    def test_read_only_input_is_taken(self) -> None:
        offsets = read_only(np.ones((3, 3)))
        np.testing.assert_array_equal(skeleton(offsets=offsets).offsets, offsets)

    def test_lists_of_names_become_tuples(self) -> None:
        made = skeleton(names=["a", "b", "c"], orders=["XYZ", None, None])
        assert made.names == ("a", "b", "c")
        assert made.orders == ("XYZ", None, None)

    @given(skeletons())
    def test_it_travels_between_processes(self, made: Skeleton) -> None:
        again = pickle.loads(pickle.dumps(made))
        assert (again.names, again.orders) == (made.names, made.orders)
        for name in ("parents", "offsets", "rest_xyzw", "tip_joints", "tip_offsets", "limb_axes"):
            np.testing.assert_array_equal(getattr(again, name), getattr(made, name))

    @pytest.mark.parametrize(
        "name", ["parents", "offsets", "rest_xyzw", "tip_joints", "tip_offsets"]
    )
    def test_its_arrays_are_read_only_after_the_journey(self, name: str) -> None:
        made = skeleton(tip_joints=[2], tip_offsets=[[0, 1, 0]])
        again = pickle.loads(pickle.dumps(made))
        assert not getattr(again, name).flags.writeable
