"""What riggers and animators take for granted. Common practice, no source: every statement in this file.

Motion is made with scipy, in the order and the axes that each statement names.
"""

from __future__ import annotations

from typing import Any, cast

import numpy as np
import numpy.typing as npt
import pytest
from scipy.spatial.transform import Rotation

from audit.conventions import AXES, ORDERS
from audit.measures import Measures, joint_curves, measure_shot
from audit.model import Channels, Shot, Skeleton, Source
from audit.model.names import says_hinge
from audit.pipeline import examine

Array = npt.NDArray[np.float64]

FRAMES = 120
BEND = 35.0 * (1.0 - np.cos(np.linspace(0.0, 4.0 * np.pi, FRAMES)))
"""A bend from 0° to 70° and back, twice."""

DOWN = (0.0, -1.0, 0.0)


def limb(
    motion: Rotation,
    order: str,
    *,
    name: str = "L_Knee",
    direction: tuple[float, float, float] = DOWN,
) -> Shot:
    """Return a shot of a limb along one direction whose middle joint makes a motion."""
    values = np.zeros((FRAMES, 9))
    values[:, 3:6] = motion.as_euler(cast("Any", order), degrees=True)
    columns = np.zeros((3, 3), dtype=np.int64)
    columns[:, [AXES.index(letter) for letter in order]] = np.arange(9).reshape(3, 3)
    skeleton = Skeleton.plain(
        ["Top", name, "End"], [-1, 0, 1], [(0.0, 0.0, 0.0), direction, direction], orders=order
    )
    channels = Channels(values, columns, np.full((3, 3), -1))
    return Shot(skeleton, np.arange(FRAMES) / 30.0, Source("limb"), channels)


def hinge(axis: npt.ArrayLike, bend: Array = BEND) -> Rotation:
    direction = np.asarray(axis, dtype=np.float64)
    direction = direction / np.linalg.norm(direction)
    return Rotation.from_rotvec(np.deg2rad(bend)[:, None] * direction)


def turned_about_limb(
    motion: Rotation, degrees: float, direction: tuple[float, float, float] = DOWN
) -> Rotation:
    """Return what a joint's channels have to hold for the same motion once its axes are turned."""
    axes = Rotation.from_rotvec(np.deg2rad(degrees) * np.array(direction))
    return axes.inv() * motion * axes


def cost(measures: Measures) -> tuple[int, int, float]:
    now = measures.now
    return int(now.moving_channels[1]), int(now.edit_keys[1]), float(now.channel_spread[1])


@pytest.mark.parametrize(
    "name", ["L_Shin", "RightForeArm", "l_calf", "lower_leg", "R_Elbow", "L_Knee"]
)
def test_shin_and_forearm_turn_on_one_axis(name: str) -> None:
    assert says_hinge(name)
    rng = np.random.default_rng(61)
    clean = examine(limb(hinge((1, 0, 0)), "ZYX", name=name))
    assert "not-a-hinge" not in {finding.check for finding in clean.findings}
    sideways = 25.0 * np.sin(np.linspace(0.0, 11.0, FRAMES) + rng.uniform(0.0, 1.0))
    loose = examine(limb(hinge((1, 0, 0)) * hinge((0, 0, 1), sideways), "ZYX", name=name))
    assert "not-a-hinge" in {finding.check for finding in loose.findings}


@pytest.mark.parametrize("name", ["L_Hip", "L_Shoulder", "Spine2", "Neck", "R_UpperArm", "Thigh"])
def test_hips_shoulders_and_spine_are_expected_to_move_freely(name: str) -> None:
    sideways = 25.0 * np.sin(np.linspace(0.0, 11.0, FRAMES))
    loose = examine(limb(hinge((1, 0, 0)) * hinge((0, 0, 1), sideways), "ZYX", name=name))
    assert "not-a-hinge" not in {finding.check for finding in loose.findings}


@pytest.mark.parametrize("order", ORDERS)
def test_axes_turned_by_half_a_turn_swing_the_other_way_and_cost_nothing(order: str) -> None:
    """The same positive value bends the limb the other way: the hinge channel changes its sign."""
    plain = limb(hinge((1, 0, 0)), order)
    half_turn = limb(turned_about_limb(hinge((1, 0, 0)), 180.0), order)
    one, two = measure_shot(plain), measure_shot(half_turn)
    before, after = joint_curves(plain, one, 1).now, joint_curves(half_turn, two, 1).now
    assert np.allclose(before[0], BEND, rtol=0, atol=1e-9)
    assert np.allclose(after[0], -before[0], rtol=0, atol=1e-9)
    assert np.allclose(after[1:], 0.0, rtol=0, atol=1e-9)
    assert cost(one)[0] == 1
    assert cost(one) == pytest.approx(cost(two), abs=1e-9)
    assert abs(two.twist_offset_deg[1]) < 1e-9
    assert not {f.check for f in examine(half_turn).findings} & {"twist", "spread", "aim", "order"}


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_axes_turned_by_an_eighth_of_a_turn_need_two_curves_or_more(
    order: str, sign: float
) -> None:
    examined = examine(limb(turned_about_limb(hinge((1, 0, 0)), sign * 45.0), order))
    measures = examined.measures
    assert measures.now.moving_channels[1] >= 2
    assert measures.now.channel_spread[1] > 1.9
    assert abs(abs(measures.twist_offset_deg[1]) - 45.0) < 1e-6
    assert measures.after_twist.moving_channels[1] == 1
    assert measures.after_twist.channel_spread[1] < 1.0 + 1e-6
    assert measures.after_twist.edit_keys[1] < measures.now.edit_keys[1]
    fixes = {f.check for f in examined.findings if f.severity == "fix" and f.joint == 1}
    assert {"twist", "spread"} <= fixes


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("degrees", [3.0, 15.0, 30.0, -22.0])
def test_turned_axes_cost_more_until_they_are_turned_back(order: str, degrees: float) -> None:
    """Turning them by what is suggested gives the clean joint again, in the same order."""
    clean = measure_shot(limb(hinge((1, 0, 0)), order))
    off = measure_shot(limb(turned_about_limb(hinge((1, 0, 0)), degrees), order))
    assert cost(off)[0] > cost(clean)[0]
    assert cost(off)[1] > cost(clean)[1]
    assert cost(off)[2] > cost(clean)[2] + 0.05
    assert abs(off.twist_offset_deg[1] + degrees) < 1e-6
    back = measure_shot(
        limb(
            turned_about_limb(
                turned_about_limb(hinge((1, 0, 0)), degrees), float(off.twist_offset_deg[1])
            ),
            order,
        )
    )
    assert cost(back) == pytest.approx(cost(clean), abs=1e-6)
    assert int(off.after_twist.edit_keys[1]) == cost(clean)[1]


@pytest.mark.parametrize("order", ORDERS)
def test_which_cross_axis_carries_the_hinge_does_not_matter(order: str) -> None:
    """Four half-axes lie across a limb along y; a hinge on any of them is one clean curve."""
    costs = set()
    for axis in ((1, 0, 0), (-1, 0, 0), (0, 0, 1), (0, 0, -1)):
        examined = examine(limb(hinge(axis), order))
        measures = examined.measures
        assert measures.kind[1] == "hinge"
        assert abs(measures.twist_offset_deg[1]) < 1e-9
        assert np.allclose(measures.hinge_axis[1], axis, rtol=0, atol=1e-9)
        assert not {f.check for f in examined.findings} & {"twist", "spread", "aim", "order"}
        costs.add((*cost(measures)[:2], round(cost(measures)[2], 9)))
    assert len(costs) == 1


@pytest.mark.parametrize("direction", [(0, 1, 0), (1, 0, 0), (0, 0, -1)], ids=str)
def test_which_axis_lies_along_the_limb_does_not_matter(
    direction: tuple[float, float, float],
) -> None:
    across = np.roll(direction, 1)
    examined = examine(limb(hinge(across), "ZXY", direction=direction))
    assert abs(examined.measures.twist_offset_deg[1]) < 1e-9
    assert cost(examined.measures)[0] == 1
    off = examine(
        limb(turned_about_limb(hinge(across), 20.0, direction), "ZXY", direction=direction)
    )
    assert abs(off.measures.twist_offset_deg[1] + 20.0) < 1e-6


def test_a_midline_twist_of_zero_is_found_as_zero() -> None:
    """A spine that nods about the axis across the body has nothing to turn: it stands on the midline."""
    names = ["Hips", "Spine1", "Spine2", "Neck", "Head"]
    skeleton = Skeleton.plain(
        names, [-1, 0, 1, 2, 3], [(0.0, 0.0, 0.0), *[(0.0, 0.25, 0.0)] * 4], orders="ZXY"
    )
    rotations = np.zeros((FRAMES, 5, 4))
    rotations[..., 3] = 1.0
    for joint in range(1, 4):
        rotations[:, joint] = hinge((1, 0, 0), (BEND - 20.0) / (2.0 + joint)).as_quat()
    examined = examine(Shot(skeleton, np.arange(FRAMES) / 30.0, Source("nod"), rotations=rotations))
    measures = examined.measures
    for joint in range(1, 4):
        assert measures.kind[joint] == "hinge"
        assert abs(measures.twist_offset_deg[joint]) < 1e-9
        low, high = measures.twist_interval_deg[joint]
        assert low <= 1e-9
        assert high >= -1e-9
        assert high - low < 1e-6
    assert not [f for f in examined.findings if f.severity == "fix"]


@pytest.mark.parametrize("order", ORDERS)
def test_a_pose_key_at_rest_and_one_at_the_end_make_a_bend_of_two_keys(order: str) -> None:
    """A steady bend on clean axes is one curve with a key at either end."""
    steady = measure_shot(limb(hinge((1, 0, 0), np.linspace(0.0, 80.0, FRAMES)), order))
    assert cost(steady) == (1, 2, 1.0)
