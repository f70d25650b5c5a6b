"""Rotation orders where the turn of the axes remains in the channels."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from scipy.spatial.transform import Rotation

from audit.model import Shot
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.reorient import orders_with_margin, turn_axes

Array = npt.NDArray[np.float64]


def turned_by(order: str, *degrees: float) -> Array:
    return Rotation.from_euler(order, degrees, degrees=True).as_quat()


def plain(angles_deg: Array | None = None) -> Shot:
    """Return a limb of a format without rest rotations whose knee bends about X."""
    channels = hinge_channels((1.0, 0.0, 0.0), bend()) if angles_deg is None else angles_deg
    return replace(limb_shot(channels), has_rest_rotations=False)


def axes_of_knee(axes: Array) -> Array:
    every = np.tile([0.0, 0.0, 0.0, 1.0], (3, 1))
    every[1] = axes
    return every


def margin_deg(shot: Shot, axes: Array, order: str) -> float:
    """Return how near the middle channel of the turned knee comes to ±90°."""
    after, _ = turn_axes(shot, axes, {1: order})
    assert after.channels is not None
    middle = after.channels.rotation_columns[1]["XYZ".index(order[1])]
    return float(90.0 - np.abs(after.channels.values[:, middle]).max())


@pytest.mark.parametrize(
    ("axes", "wanted"),
    [
        # The constant stands on the outer two channels. Of YZX, Z is the middle one; of ZYX, Y.
        (turned_by("Z", 88.0), "ZYX"),
        (turned_by("Y", 88.0), "YZX"),
    ],
)
def test_the_order_that_keeps_away_from_the_lock(axes: Array, wanted: str) -> None:
    shot, every = plain(), axes_of_knee(axes)
    margins = {order: margin_deg(shot, every, order) for order in ("YZX", "ZYX")}
    assert margins[wanted] > max(margins.values()) - 1e-9
    assert min(margins.values()) < 5.0
    for asked in ("YZX", "ZYX"):
        assert orders_with_margin([shot], every, {1: asked}) == {1: wanted}


def test_an_order_that_is_as_good_stays() -> None:
    every = axes_of_knee(turned_by("X", 30.0))
    for asked in ("YZX", "ZYX"):
        assert orders_with_margin([plain()], every, {1: asked}) == {1: asked}


def test_the_worst_of_all_shots_counts() -> None:
    every = axes_of_knee(turned_by("Z", 60.0))
    still = plain(np.zeros((5, 3)))
    near_lock = plain(np.tile([0.0, 0.0, 28.0], (5, 1)))
    assert orders_with_margin([still], every, {1: "YZX"}) == {1: "ZYX"}
    assert margin_deg(near_lock, every, "YZX") < 5.0
    assert orders_with_margin([still, near_lock], every, {1: "YZX"}) == {1: "ZYX"}


def test_with_rest_rotations_orders_are_as_asked() -> None:
    shot = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend()))
    every = axes_of_knee(turned_by("Z", 88.0))
    assert orders_with_margin([shot], every, {1: "YZX", 2: "XYZ"}) == {1: "YZX", 2: "XYZ"}


def test_joints_that_nothing_turns_are_as_asked() -> None:
    every = np.tile([0.0, 0.0, 0.0, 1.0], (3, 1))
    assert orders_with_margin([plain()], every, {1: "YZX"}) == {1: "YZX"}
