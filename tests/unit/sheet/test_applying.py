"""From a sheet to the axes of a rig: which rows count, what they turn, and which do not fit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from scipy.spatial.transform import Rotation

from audit.errors import FormatError
from audit.model import Skeleton
from audit.sheet import Offset, Only, Sheet, joint_labels, read_sheet, sheet_text, wanted_axes
from tests.strategies import random_quaternions, seeds, skeletons, turn_between

FULL = (0.0, 0.6, 0.0, 0.8)


def leg() -> Skeleton:
    return Skeleton.plain(
        ["Hip", "Knee", "Foot"], [-1, 0, 1], [[0, 4, 0], [0, -2, 0], [0, -2, 0]], orders="ZXY"
    )


def about_limb(degrees: float, axis: tuple[float, float, float] = (0.0, -1.0, 0.0)) -> np.ndarray:
    return Rotation.from_rotvec(np.deg2rad(degrees) * np.array(axis)).as_quat()


class TestAxes:
    def test_a_twist_is_right_handed_about_the_limb(self) -> None:
        wanted = wanted_axes(Sheet((Offset("Hip", twist_offset_deg=30.0),)), leg())
        np.testing.assert_allclose(wanted.axes[0], about_limb(30.0))
        np.testing.assert_array_equal(wanted.axes[1:], [[0, 0, 0, 1]] * 2)
        assert wanted.missing == ()

    def test_about_the_limb_axis_of_the_sheet(self) -> None:
        """A limb axis that is a little off the rig's is the sheet's to say."""
        near = (0.01, -0.99995, 0.0)
        row = Offset("Knee", limb_axis=near, twist_offset_deg=-40.0)
        axes = wanted_axes(Sheet((row,)), leg()).axes
        unit = np.array(near) / np.linalg.norm(near)
        np.testing.assert_allclose(axes[1], about_limb(-40.0, tuple(unit)), atol=1e-12)

    def test_a_leaf_without_a_tip_takes_its_parents_limb(self) -> None:
        axes = wanted_axes(Sheet((Offset("Foot", twist_offset_deg=30.0),)), leg()).axes
        np.testing.assert_allclose(axes[2], about_limb(30.0))

    @pytest.mark.parametrize(
        ("row", "only", "expected"),
        [
            (Offset("Knee", twist_offset_deg=30.0), None, about_limb(30.0)),
            (Offset("Knee", twist_offset_deg=30.0), "twist", about_limb(30.0)),
            (Offset("Knee", twist_offset_deg=30.0), "full", about_limb(0.0)),
            (Offset("Knee", full_offset_xyzw=FULL), None, FULL),
            (Offset("Knee", full_offset_xyzw=FULL), "twist", about_limb(0.0)),
            (Offset("Knee", full_offset_xyzw=FULL), "full", FULL),
            (Offset("Knee", None, 30.0, full_offset_xyzw=FULL), None, FULL),
            (Offset("Knee", None, 30.0, full_offset_xyzw=FULL), "twist", about_limb(30.0)),
            (Offset("Knee", None, 30.0, full_offset_xyzw=FULL), "full", FULL),
        ],
    )
    @pytest.mark.parametrize("carried", [False, True])
    def test_which_of_the_two_counts(
        self, row: Offset, only: Only | None, expected: np.ndarray, carried: bool
    ) -> None:
        row = replace(row, advised_order="YZX")
        wanted = wanted_axes(Sheet((row,)), leg(), only, carried=carried)
        np.testing.assert_allclose(wanted.axes[1], expected, atol=1e-15)
        # A row of which nothing is taken changes no order either, and a twist alone only where it stays
        # in the channels.
        turns = bool(np.any(np.asarray(expected)[:3] != 0.0))
        assert wanted.orders == ({1: "YZX"} if turns and (carried or only != "twist") else {})

    def test_a_full_offset_is_brought_to_unit_length(self) -> None:
        row = Offset("Knee", full_offset_xyzw=(0.0, 0.6005, 0.0, 0.8))
        assert np.linalg.norm(wanted_axes(Sheet((row,)), leg()).axes[1]) == pytest.approx(1.0)

    def test_orders_of_children_where_the_turn_remains_in_the_channels(self) -> None:
        rows = (Offset("Hip", twist_offset_deg=30.0), Offset("Knee", advised_order="YZX"))
        assert wanted_axes(Sheet(rows), leg(), carried=True).orders == {1: "YZX"}
        assert wanted_axes(Sheet(rows), leg()).orders == {}


class TestFits:
    def test_joints_that_the_rig_lacks_are_told(self) -> None:
        rows = (Offset("Tail", twist_offset_deg=1.0), Offset("Hip", twist_offset_deg=1.0))
        assert wanted_axes(Sheet(rows), leg()).missing == ("Tail",)
        # A row that asks for nothing is not missed.
        assert wanted_axes(Sheet((Offset("Tail"), rows[1])), leg()).missing == ()

    def test_none_of_them_is_the_wrong_sheet(self) -> None:
        sheet = Sheet((Offset("Knees", twist_offset_deg=1.0),), file="offsets.csv")
        with pytest.raises(FormatError, match="did you mean Knee") as caught:
            wanted_axes(sheet, leg())
        assert caught.value.path == "offsets.csv"

    def test_other_limb_axes_are_another_rigs(self) -> None:
        text = "joint,twist_offset_deg,limb_axis_x,limb_axis_y,limb_axis_z\nHip,1,0,-1,0\nKnee,1,0,1,0\n"
        sheet = read_sheet(text.encode(), "offsets.csv")
        with pytest.raises(FormatError, match=r"limb axis of Knee is 180\.0° away") as caught:
            wanted_axes(sheet, leg())
        assert caught.value.where == "row 3, column limb_axis_x"

    def test_a_row_that_asks_for_nothing_may_have_any_limb(self) -> None:
        rows = (Offset("Knee", limb_axis=(0.0, 1.0, 0.0)), Offset("Hip", twist_offset_deg=1.0))
        assert wanted_axes(Sheet(rows), leg()).missing == ()

    def test_a_twist_needs_a_limb(self) -> None:
        point = Skeleton.plain(["Hip"], [-1], [[0.0, 0.0, 0.0]])
        with pytest.raises(FormatError, match="no limb"):
            wanted_axes(Sheet((Offset("Hip", twist_offset_deg=1.0),)), point)
        row = Offset("Hip", limb_axis=(0.0, 1.0, 0.0), twist_offset_deg=90.0)
        axes = wanted_axes(Sheet((row,)), point).axes
        np.testing.assert_allclose(axes[0], about_limb(90.0, (0.0, 1.0, 0.0)))


class TestLabels:
    def test_names_that_are_shared_become_paths(self) -> None:
        skeleton = Skeleton.plain(
            ["Body", "Arm", "Hand", "Other", "Hand"], [-1, 0, 1, 0, 3], np.eye(5)[:, :3]
        )
        assert joint_labels(skeleton) == (
            "Body",
            "Arm",
            "Body/Arm/Hand",
            "Other",
            "Body/Other/Hand",
        )

    @pytest.mark.parametrize(
        ("names", "parents", "labels"),
        [
            (["A", "B", "B"], [-1, 0, 0], ("A", "A/B", "A/B (2)")),
            (["B", "B", "B"], [-1, -1, -1], ("B", "B (2)", "B (3)")),
            (["B", "B", "B (2)"], [-1, -1, -1], ("B", "B (3)", "B (2)")),
            (["A", "B", "B", "A/B"], [-1, 0, 0, 0], ("A", "A/B", "A/B (2)", "A/B (3)")),
            (["", " ", "joint 1"], [-1, 0, 1], ("joint 1", "joint 2", "joint 1/joint 2/joint 1")),
            ([" knee ", "knee"], [-1, 0], ("knee", "knee/knee")),
        ],
    )
    def test_every_joint_has_a_label_of_its_own(
        self, names: list[str], parents: list[int], labels: tuple[str, ...]
    ) -> None:
        found = joint_labels(Skeleton.plain(names, parents, np.zeros((len(names), 3))))
        assert len(set(found)) == len(names)
        assert found == labels

    @given(skeletons(), seeds)
    def test_a_sheet_of_any_rig_reads_back_and_fits_it(self, skeleton: Skeleton, seed: int) -> None:
        generator = np.random.default_rng(seed)
        axes = random_quaternions(generator, len(skeleton)).T
        rows = tuple(
            Offset(label, full_offset_xyzw=(own[0], own[1], own[2], own[3]))
            for label, own in zip(joint_labels(skeleton), axes.tolist(), strict=True)
        )
        sheet = read_sheet(sheet_text(Sheet(rows)).encode(), "offsets.csv")
        assert turn_between(wanted_axes(sheet, skeleton).axes.T, axes.T).max() < 1e-8
