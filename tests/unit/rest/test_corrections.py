"""The turns of axes that mend a rest pose: with them, the same checks have nothing left to say."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from audit.model import Skeleton
from audit.rest import axis_corrections, measure_rest
from audit.rest.sample import figure
from audit.rest_checks import rest_checks
from tests.unit.rest.bodies import clean_rig
from tests.unit.rest.breaking import Broken, swing
from tests.unit.rest.faults import aim, bend_plane, midline_twist, mirror_axes

ABOUT_AXES = ("rest-aim", "rest-bend-plane", "rest-midline-twist", "rest-mirror")


def corrected(skeleton: Skeleton, axes: np.ndarray) -> Skeleton:
    """Return a skeleton in new axes, by scipy: R' = A_p⁻¹ R A, and offsets and tips seen from the new ones."""
    turns = Rotation.from_quat(axes)
    above = np.where(skeleton.parents >= 0, skeleton.parents, 0)
    rooted = skeleton.parents >= 0
    lead = Rotation.from_quat(np.where(rooted[:, None], axes[above], [0.0, 0.0, 0.0, 1.0]))
    return Skeleton(
        skeleton.names,
        skeleton.parents,
        lead.inv().apply(skeleton.offsets.copy()),
        (lead.inv() * Rotation.from_quat(skeleton.rest_xyzw.copy()) * turns).as_quat(),
        skeleton.orders,
        skeleton.tip_joints,
        turns[skeleton.tip_joints.copy()].inv().apply(skeleton.tip_offsets.copy())
        if len(skeleton.tip_joints)
        else skeleton.tip_offsets,
    )


def fixes(skeleton: Skeleton) -> list[str]:
    rest = measure_rest(skeleton)
    return [
        f"{each.check}: {each.message}"
        for name in ABOUT_AXES
        for each in rest_checks()[name].run(skeleton, rest, rest_checks()[name].limits)
        if each.severity == "fix"
    ]


FAULTS = {fault.__name__: fault for fault in (aim, bend_plane, midline_twist, mirror_axes)}


def broken_axes(fault: str, seed: int) -> Broken | None:
    """Return a rig with broken axes; None for a body that has no joint to break so."""
    broken = Broken(clean_rig(seed)[1])
    return broken if FAULTS[fault](broken, np.random.default_rng([4, seed])) else None


@pytest.mark.parametrize(
    ("fault", "seed"),
    [(fault, seed) for fault in FAULTS for seed in range(300, 316) if broken_axes(fault, seed)],
)
def test_broken_axes_are_mended_and_nothing_moves(fault: str, seed: int) -> None:
    broken = broken_axes(fault, seed)
    assert broken is not None
    skeleton = broken.rig.skeleton()
    before = measure_rest(skeleton)
    assert fixes(skeleton)
    axes, reasons = axis_corrections(skeleton, before)
    asked = {joint for joint, reason in enumerate(reasons) if reason}
    assert asked <= {joint for each in broken.faults for joint in each.joints}
    assert asked
    mended = corrected(skeleton, axes)
    assert fixes(mended) == []
    after = measure_rest(mended)
    assert np.allclose(after.world.positions, before.world.positions, atol=1e-9 * before.height)
    assert np.allclose(after.world.tips, before.world.tips, atol=1e-9 * before.height)


def test_the_turn_is_the_one_that_was_made() -> None:
    made = Rotation.from_rotvec([0.0, 0.0, 4.0], degrees=True)
    rig = figure(turned={"L_Forearm": (0.0, 0.0, 4.0), "R_Forearm": (0.0, 0.0, 4.0)})
    axes, reasons = axis_corrections(rig, measure_rest(rig))
    for name in ("L_Forearm", "R_Forearm"):
        joint = rig.names.index(name)
        assert reasons[joint] == "rest-aim"
        assert (Rotation.from_quat(axes[joint]) * made).magnitude() < 1e-9
    others = [joint for joint, reason in enumerate(reasons) if reason is None]
    assert len(others) == len(rig) - 2
    assert np.array_equal(axes[others], np.tile([0.0, 0.0, 0.0, 1.0], (len(others), 1)))


def test_several_reasons_are_named() -> None:
    turned = {"L_Forearm": (20.0, 0.0, 4.0), "R_Forearm": (20.0, 0.0, 4.0)}
    rig = figure(turned=turned)
    axes, reasons = axis_corrections(rig, measure_rest(rig))
    assert reasons[rig.names.index("L_Forearm")] == "rest-aim, rest-bend-plane"
    assert fixes(corrected(rig, axes)) == []


@pytest.mark.parametrize("seed", range(300, 308))
def test_clean_axes_are_left_alone(seed: int) -> None:
    _, rig = clean_rig(seed)
    skeleton = rig.skeleton()
    axes, reasons = axis_corrections(skeleton, measure_rest(skeleton))
    assert set(reasons) == {None}
    assert np.array_equal(axes, np.tile([0.0, 0.0, 0.0, 1.0], (len(rig), 1)))


def test_a_rig_without_rest_rotations_is_left_alone() -> None:
    leg = np.array([[0.1, 0, 0], [0.05, -0.4, 0.1], [0, -0.4, -0.2]])
    rig = Skeleton.plain(
        ["Hips", "L_Thigh", "L_Shin", "L_Foot", "R_Thigh", "R_Shin", "R_Foot"],
        [-1, 0, 1, 2, 0, 4, 5],
        np.array([[0, 1, 0], *leg, *(leg * [-1, 1, 1])]),
    )
    _, reasons = axis_corrections(rig, measure_rest(rig))
    assert set(reasons) == {None}


def test_a_limb_that_is_turned_as_a_whole_keeps_its_axes() -> None:
    """There the pose is at fault: axes that fit the limb must not be taken from it."""
    _, rig = clean_rig(300)
    arm = next(n for n, name in enumerate(rig.names) if "UpperArm" in name)
    swing(rig, arm, Rotation.from_rotvec([0.0, 0.0, 5.0], degrees=True).as_matrix())
    skeleton = rig.skeleton()
    assert any("limb direction" in each for each in fixes(skeleton))
    _, reasons = axis_corrections(skeleton, measure_rest(skeleton))
    assert set(reasons) == {None}
