"""What the offsets would change: the margin to the lock, and the rotation order that keeps it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from scipy.spatial.transform import Rotation

from audit.measures.joints import MARGIN_WORTH_A_CHANGE_DEG
from audit.model import Shot
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.reorient import turn_axes
from audit.settings import Settings
from audit.suggestion import Outlook

Array = npt.NDArray[np.float64]


def turned_by(order: str, *degrees: float) -> Array:
    return Rotation.from_euler(order, degrees, degrees=True).as_quat()


def limb(angles_deg: Array | None = None, order: str = "YZX", *, rests: bool = False) -> Shot:
    """Return a limb whose knee bends about X; of a format without rest rotations where not said otherwise."""
    channels = hinge_channels((1.0, 0.0, 0.0), bend(), order) if angles_deg is None else angles_deg
    return replace(limb_shot(channels, order=order), has_rest_rotations=rests)


def outlook_on(axes: Array, *shots: Shot) -> Outlook:
    """Return what new axes of the knee would change in some shots."""
    outlook = Outlook(
        shots[0].skeleton, np.array([1]), axes[None], axes[None], np.array([0]), Settings()
    )
    for shot in shots:
        outlook.add(shot)
    return outlook


def margin_deg(shot: Shot, axes: Array, order: str) -> float:
    """Return how near the middle channel of the turned knee comes to ±90°."""
    every = np.tile([0.0, 0.0, 0.0, 1.0], (3, 1))
    every[1] = axes
    after, _ = turn_axes(shot, every, {1: order})
    assert after.channels is not None
    middle = after.channels.rotation_columns[1]["XYZ".index(order[1])]
    return float(90.0 - np.abs(after.channels.values[:, middle]).max())


@pytest.mark.parametrize("rests", [False, True])
@pytest.mark.parametrize(
    "axes", [turned_by("Z", 88.0), turned_by("Y", 60.0), turned_by("ZYX", 35.0, -20.0, 10.0)]
)
def test_the_margins_are_those_of_the_turned_shot(axes: Array, rests: bool) -> None:
    shot = limb(rests=rests)
    outlook = outlook_on(axes, shot)
    wanted = [margin_deg(shot, axes, order) for order in outlook.orders[0]]
    assert outlook.orders == (("YZX", "ZYX"),)
    assert outlook.margin_deg[:, 0] == pytest.approx(wanted, abs=1e-6)


@pytest.mark.parametrize(
    ("axes", "wanted"),
    [
        # The constant stands on the outer two channels. Of YZX, Z is the middle one; of ZYX, Y.
        (turned_by("Z", 88.0), "ZYX"),
        (turned_by("Y", 88.0), "YZX"),
    ],
)
@pytest.mark.parametrize("stated", ["YZX", "ZYX", "XYZ"])
def test_the_order_that_keeps_away_from_the_lock(axes: Array, wanted: str, stated: str) -> None:
    shot = limb(order=stated)
    margins = {order: margin_deg(shot, axes, order) for order in ("YZX", "ZYX")}
    assert margins[wanted] > max(margins.values()) - 1e-9
    assert min(margins.values()) < 5.0
    outlook = outlook_on(axes, shot)
    order, row = outlook.advised_order(0)
    assert order == wanted
    assert outlook.orders[0][row - 2] == wanted


@pytest.mark.parametrize("stated", ["YZX", "ZYX"])
@pytest.mark.parametrize("axes", [turned_by("X", 30.0), turned_by("X", 0.0)])
def test_an_order_that_is_as_good_stays(axes: Array, stated: str) -> None:
    assert outlook_on(axes, limb(order=stated)).advised_order(0) == (stated, 2)


@pytest.mark.parametrize(("stated", "advised"), [("YZX", "YZX"), ("XYZ", "ZYX")])
def test_a_small_gain_is_worth_a_change_only_where_the_order_changes_anyway(
    stated: str, advised: str
) -> None:
    outlook = outlook_on(turned_by("Z", 3.0), limb(np.zeros((5, 3)), order=stated))
    gain = outlook.margin_deg[1, 0] - outlook.margin_deg[0, 0]
    assert 1.0 < gain < MARGIN_WORTH_A_CHANGE_DEG
    assert outlook.advised_order(0)[0] == advised


def test_the_worst_of_all_shots_counts() -> None:
    axes = turned_by("Z", 60.0)
    still = limb(np.zeros((5, 3)))
    near_lock = limb(np.tile([0.0, 0.0, 28.0], (5, 1)))
    assert outlook_on(axes, still).advised_order(0)[0] == "ZYX"
    assert margin_deg(near_lock, axes, "YZX") < 5.0
    together = outlook_on(axes, still, near_lock)
    assert together.advised_order(0)[0] == "ZYX"
    assert together.margin_deg[0, 0] == pytest.approx(2.0)


def test_with_rest_rotations_a_constant_turn_costs_no_margin() -> None:
    axes = turned_by("Z", 88.0)
    still = np.zeros((5, 3))
    assert outlook_on(axes, limb(still)).margin_deg[0, 0] == pytest.approx(2.0)
    outlook = outlook_on(axes, limb(still, rests=True))
    assert outlook.margin_deg[:, 0] == pytest.approx([90.0, 90.0])
    assert outlook.advised_order(0) == ("YZX", 2)
