"""The small shots of the checks' examples have the answers they promise."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given

from audit.conventions import ORDERS
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.rotations import rotation_vector_from_quaternion
from tests.strategies import Array, directions, orders


@given(directions(), orders)
def test_the_channels_of_a_hinge_turn_about_its_axis(axis: Array, order: str) -> None:
    angles = bend(high=100.0)
    shot = limb_shot(hinge_channels((3.0 * axis).tolist(), angles, order), order=order)
    vector = rotation_vector_from_quaternion(shot.joint_rotations([1])[:, 0])
    np.testing.assert_allclose(vector, axis[:, None] * np.deg2rad(angles), atol=1e-6)


def test_a_bend_goes_twice_from_low_to_high() -> None:
    angles = bend(low=-5.0, high=20.0, frames=97)
    assert angles.shape == (97,)
    np.testing.assert_allclose(angles[[0, 24, 48, 72, 96]], [-5, 20, -5, 20, -5], atol=1e-12)
    assert angles.min() >= -5.0
    assert angles.max() <= 20.0


@pytest.mark.parametrize("order", ORDERS)
def test_a_limb_hangs_down_and_only_its_middle_joint_turns(order: str) -> None:
    shot = limb_shot(np.full((5, 3), 30.0), name="R_Elbow", order=order, seconds=2.0)
    assert shot.skeleton.names == ("L_Thigh", "R_Elbow", "L_End")
    assert shot.skeleton.orders == (order,) * 3
    np.testing.assert_allclose(shot.skeleton.limb_axes, [[0, -1, 0]] * 3)
    assert (shot.frames, shot.seconds) == (5, 2.0)
    assert shot.channels is not None
    np.testing.assert_array_equal(shot.channels.values[0], [0, 0, 0, 30, 30, 30, 0, 0, 0])
