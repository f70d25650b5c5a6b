"""Quaternions of matrices, against SciPy and where each of the four numbers is the largest."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from audit.rotations import matrix_from_quaternion
from audit.rotations.matrices import quaternion_from_matrix


@pytest.mark.parametrize("shape", [(), (500,), (7, 11)])
def test_it_is_the_inverse_of_the_matrix(shape: tuple[int, ...]) -> None:
    rng = np.random.default_rng(3)
    quaternions = rng.normal(size=(4, *shape))
    quaternions /= np.linalg.norm(quaternions, axis=0)
    quaternions *= np.where(quaternions[3] < 0.0, -1.0, 1.0)
    found = quaternion_from_matrix(matrix_from_quaternion(quaternions))
    assert found.shape == (4, *shape)
    np.testing.assert_allclose(found, quaternions, atol=1e-14)


@pytest.mark.parametrize("axis", [0, 1, 2])
@pytest.mark.parametrize("degrees", [0.0, 1e-7, 90.0, 179.999999, 180.0])
def test_every_angle_has_an_answer(axis: int, degrees: float) -> None:
    turn = Rotation.from_euler("xyz"[axis], degrees, degrees=True)
    found = quaternion_from_matrix(turn.as_matrix())
    assert abs(found @ turn.as_quat()) == pytest.approx(1.0, abs=1e-15)
    assert found[3] >= 0.0


def test_a_matrix_that_is_a_little_off_gives_the_nearest_rotation() -> None:
    """The nearest in the sum of squares is what the singular values give (a published property of both)."""
    rng = np.random.default_rng(5)
    matrix = Rotation.random(rng=5).as_matrix() + rng.normal(size=(3, 3)) * 1e-4
    left, _, right = np.linalg.svd(matrix)
    nearest = Rotation.from_matrix(left @ right).as_quat()
    assert abs(quaternion_from_matrix(matrix) @ nearest) == pytest.approx(1.0, abs=1e-9)
