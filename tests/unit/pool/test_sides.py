"""Left and right through the mirror, against published axes and against evidence that differs."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from audit.model import Skeleton
from audit.model.kinematics import world_rest
from audit.pool import (
    Pool,
    bends_alike,
    evidence_of,
    hinge_channels,
    mirrored_axes,
    passage,
    with_mirrored_offsets,
)
from tests.strategies import Array
from tests.unit.pool.making import hinge, noisy, shot_of, wave

# Elbow flexion axes of a published arm model (Holzbaur, Murray and Delp, Annals of Biomedical Engineering
# 33, 2005), in the axes of the upper arm with the bone along Y and Z to the right; the left one has x and y
# negated.
RIGHT_ELBOW = np.array([0.04940001, 0.03660001, 0.99810825])
LEFT_ELBOW = np.array([-0.04940001, -0.03660001, 0.99810825])

PARTNER = np.array([1, 0])
SURE = np.tile(np.deg2rad(0.5) ** 2 * np.eye(3), (2, 1, 1))
PLAIN = np.tile([[0.0], [0.0], [0.0], [1.0]], 2)
SIDEWAYS = np.array([1.0, 0.0, 0.0])


def test_the_published_left_elbow_is_the_mirror_of_the_right_one() -> None:
    axes = np.stack((RIGHT_ELBOW, LEFT_ELBOW))
    freedom = np.full(2, 50.0)
    found = mirrored_axes(axes, SURE, freedom, PLAIN, PARTNER, np.array([0.0, 0.0, 1.0]))
    np.testing.assert_allclose(found.apart_deg, 0.0, atol=1e-6)
    np.testing.assert_allclose(found.axis, axes, atol=1e-8)
    assert found.agreed.all()


@pytest.mark.parametrize("seed", range(5))
def test_rest_frames_may_be_anything(seed: int) -> None:
    """The passage agrees with mirroring the turned points themselves."""
    rng = np.random.default_rng(seed)
    world = Rotation.random(2, random_state=seed)
    normal = rng.normal(size=3)
    normal /= np.linalg.norm(normal)
    mirror = np.eye(3) - 2.0 * np.outer(normal, normal)
    axis = rng.normal(size=3)
    axis /= np.linalg.norm(axis)
    # The partner turns by 0.7 about its axis; seen in the mirror that is M R M.
    turn = (world[1] * Rotation.from_rotvec(0.7 * axis) * world[1].inv()).as_matrix()
    seen = Rotation.from_matrix(mirror @ turn @ mirror)
    wanted = world[0].inv().apply(seen.as_rotvec() / 0.7)
    carried = -passage(world.as_quat().T, PARTNER, normal)[0] @ axis
    np.testing.assert_allclose(carried, wanted, atol=1e-12)


def two_axes(off_deg: float) -> Array:
    """Return a left axis and a right one whose mirror image is off by some degrees about Y."""
    left = np.array([1.0, 0.0, 0.0])
    right = Rotation.from_euler("y", off_deg, degrees=True).apply(left)
    return np.stack((left, right))


def test_sides_are_weighed_by_how_sure_they_are() -> None:
    covariance = SURE * np.array([1.0, 4.0])[:, None, None]
    found = mirrored_axes(two_axes(1.0), covariance, np.full(2, 60.0), PLAIN, PARTNER, SIDEWAYS)
    assert found.agreed.all()
    angle = np.rad2deg(np.arctan2(-found.axis[0, 2], found.axis[0, 0]))
    # A mirror across X turns the sense of a turn about Y round: the right axis counts as −1°.
    np.testing.assert_allclose(angle, -1.0 / 5.0, atol=0.01)
    image = -passage(PLAIN, PARTNER, SIDEWAYS)[0] @ found.axis[1]
    np.testing.assert_allclose(abs(image @ found.axis[0]), 1.0, atol=1e-14)
    np.testing.assert_allclose(found.covariance[0, 2, 2], SURE[0, 2, 2] * 4.0 / 5.0, rtol=0.02)


def test_sides_that_contradict_each_other_keep_their_own() -> None:
    axes = two_axes(8.0)
    found = mirrored_axes(axes, SURE, np.full(2, 60.0), PLAIN, PARTNER, SIDEWAYS)
    assert not found.agreed.any()
    assert found.probability[0] < 1e-6
    np.testing.assert_array_equal(found.axis, axes)
    np.testing.assert_allclose(found.apart_deg, 8.0, atol=1e-6)


def test_an_unsure_side_takes_the_other_ones_axis() -> None:
    covariance = SURE.copy()
    covariance[1] = np.nan
    found = mirrored_axes(
        two_axes(8.0), covariance, np.array([60.0, 0.0]), PLAIN, PARTNER, SIDEWAYS
    )
    assert found.agreed.all()
    np.testing.assert_allclose(found.axis[0], [1.0, 0.0, 0.0], atol=1e-4)
    np.testing.assert_allclose(np.abs(found.axis[1]), [1.0, 0.0, 0.0], atol=1e-4)


def test_a_side_without_an_axis_may_borrow_one() -> None:
    axes = two_axes(0.0)
    axes[1] = np.nan
    found = mirrored_axes(axes, SURE, np.full(2, 60.0), PLAIN, PARTNER, SIDEWAYS)
    assert not found.agreed.any()
    np.testing.assert_allclose(np.abs(found.borrowed[1]), [1.0, 0.0, 0.0], atol=1e-12)
    assert np.isnan(found.borrowed[0]).all()


def test_a_joint_without_a_partner_is_left_alone() -> None:
    axes = two_axes(3.0)
    found = mirrored_axes(axes, SURE, np.full(2, 60.0), PLAIN, np.array([-1, -1]), SIDEWAYS)
    np.testing.assert_array_equal(found.axis, axes)
    assert np.isnan(found.apart_deg).all()
    assert not found.agreed.any()


def test_chance_excludes_few_pairs_that_are_alike() -> None:
    """Over 400 drawn pairs with one true axis, each looked at by itself, about 5 % are told apart."""
    rng = np.random.default_rng(3)
    told = 0
    for _ in range(400):
        axes = two_axes(0.0) + np.deg2rad(0.5) * rng.normal(size=(2, 3)) * [0.0, 1.0, 1.0]
        axes /= np.linalg.norm(axes, axis=1, keepdims=True)
        found = mirrored_axes(axes, SURE, np.full(2, 500.0), PLAIN, PARTNER, SIDEWAYS)
        told += not found.agreed[0]
    assert 5 <= told <= 36


class TestWholeWay:
    """Two knees whose rest frames differ: the left one's twist is seen well, the right one's hardly."""

    skeleton = Skeleton(
        ("L_Knee", "R_Knee"),
        np.array([-1, -1]),
        np.array([[10.0, 0.0, 0.0], [-10.0, 0.0, 0.0]]),
        np.stack(([0.0, 0.0, 0.0, 1.0], Rotation.from_euler("y", 180, degrees=True).as_quat())),
        (None, None),
        np.array([0, 1]),
        np.array([[0.0, -1.0, 0.0], [0.0, -1.0, 0.0]]),
    )

    def pool(self, right_off_deg: float) -> Pool:
        left = Rotation.from_euler("y", -20, degrees=True).apply([1, 0, 0])  # twist +20 about −Y
        # Mirrored across X: (1, 0, z) → (1, 0, −z) as an axis; in a frame turned by 180° about Y: −(1, 0, −z).
        mirrored = Rotation.from_euler("y", 20 + right_off_deg, degrees=True).apply([1, 0, 0])
        right = Rotation.from_euler("y", 180, degrees=True).inv().apply(mirrored)
        pool = Pool(self.skeleton)
        for number in range(12):
            turns = [
                self.rest(0) * noisy(hinge(left, wave(0, 40)), 0.5, number),
                self.rest(1) * noisy(hinge(right, wave(0, 8)), 1.0, 50 + number),
            ]
            pool.add(evidence_of(shot_of(turns, skeleton=self.skeleton)))
        return pool

    def rest(self, joint: int) -> Rotation:
        return Rotation.from_quat(self.skeleton.rest_xyzw[joint])

    def test_both_get_one_answer(self) -> None:
        own = self.pool(0.0).result()
        both, found = with_mirrored_offsets(own, self.skeleton, PARTNER, SIDEWAYS)
        assert found.agreed.all()
        np.testing.assert_allclose(both.twist_offset_deg[0], 20.0, atol=0.3)
        np.testing.assert_allclose(both.twist_offset_deg[1], -both.twist_offset_deg[0], atol=1e-6)
        # The side that was seen badly gains most.
        widths = np.ptp(both.twist_interval_deg, axis=1) / np.ptp(own.twist_interval_deg, axis=1)
        assert widths[1] < 0.6
        low, high = both.twist_interval_deg[1]
        assert low < -20.0 < high

    def test_sides_that_really_differ_stay_as_they_are(self) -> None:
        own = self.pool(15.0).result()
        both, found = with_mirrored_offsets(own, self.skeleton, PARTNER, SIDEWAYS)
        assert not found.agreed.any()
        np.testing.assert_array_equal(both.twist_offset_deg, own.twist_offset_deg)

    def test_which_way_a_positive_value_bends(self) -> None:
        result, _ = with_mirrored_offsets(self.pool(0.0).result(), self.skeleton, PARTNER, SIDEWAYS)
        channel = hinge_channels(result)
        np.testing.assert_allclose(
            np.abs(np.sum(channel * result.hinge_axis, axis=1)), 1.0, atol=1e-3
        )
        # Right frame turned by 180° about Y: its X points the other way, so the same value bends it backwards.
        world = world_rest(self.skeleton)
        np.testing.assert_array_equal(bends_alike(channel, world, PARTNER, SIDEWAYS), [-1, -1])


@pytest.mark.parametrize(
    ("left", "right", "says"),
    [
        # Legs under a mirror across X: turning about X moves both feet to the same side, front or back.
        ([1.0, 0.0, 0.0], [1.0, 0.0, 0.0], 1),
        ([1.0, 0.0, 0.0], [-1.0, 0.0, 0.0], -1),
        # About Z the same value swings both feet to the left: not mirror images.
        ([0.0, 0.0, 1.0], [0.0, 0.0, 1.0], -1),
        ([0.0, 0.0, 1.0], [0.0, 0.0, -1.0], 1),
        ([1.0, 0.0, 0.0], [0.0, 0.0, 1.0], 0),
    ],
)
def test_the_same_value_on_both_sides(left: list[float], right: list[float], says: int) -> None:
    found = bends_alike(np.array([left, right]), PLAIN, PARTNER, SIDEWAYS)
    np.testing.assert_array_equal(found, says)
