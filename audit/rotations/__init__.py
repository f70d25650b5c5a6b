"""Rotations as bare arrays: quaternions and rotation channels, in closed form, component first.

Own code on purpose: at a million keys it is about ten times as fast as the general-purpose library it is
tested against, and the measures of this project are made of nothing else.
"""

from audit.rotations.channels import (
    Angles,
    angles_from_quaternion,
    continuous_angles,
    leaps,
    middle_angle_sine,
    quaternion_from_angles,
)
from audit.rotations.quaternions import (
    conjugate,
    matrix_from_quaternion,
    mean_quaternion,
    multiply,
    quaternion_between,
    quaternion_from_rotation_vector,
    rotate,
    rotation_vector_from_quaternion,
)

__all__ = [
    "Angles",
    "angles_from_quaternion",
    "conjugate",
    "continuous_angles",
    "leaps",
    "matrix_from_quaternion",
    "mean_quaternion",
    "middle_angle_sine",
    "multiply",
    "quaternion_between",
    "quaternion_from_angles",
    "quaternion_from_rotation_vector",
    "rotate",
    "rotation_vector_from_quaternion",
]
