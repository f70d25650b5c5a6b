"""Channel spread and offsets against published shares, published axes and values from their formulas."""

from __future__ import annotations

from typing import Any, cast

import numpy as np
import numpy.typing as npt
import pytest
from scipy.spatial.transform import Rotation

from audit.conventions import AXES
from audit.measures import effective_channels, measure_shot
from audit.model import Channels, Shot, Skeleton, Source
from audit.pipeline import examine
from audit.rotations import quaternion_from_rotation_vector

Array = npt.NDArray[np.float64]

ELBOW = np.array([0.04940001, 0.03660001, 0.99810825])
"""Flexion axis of the right elbow with y along the bone and z to the side; the left one has x and y negated.

From the arm model of K. R. Holzbaur, W. M. Murray, S. L. Delp, "A model of the upper extremity for simulating
musculoskeletal surgery and analyzing neuromuscular control", Annals of Biomedical Engineering 33, 2005, as
its stored files have it."""

OBLIQUE = np.array([0.0, -1.0, 1.0]) / np.sqrt(2.0)
"""Axis of the right elbow of a humanoid whose bones lie along y: ``suite/humanoid.xml`` of dm_control."""

UPRIGHT = {"straight down": (0.0, -1.0, 0.0), "straight up": (0.0, 1.0, 0.0)}


def sweep(axis: Array, limb: tuple[float, float, float], order: str | None) -> Shot:
    """Return a shot of an elbow on an axis, turned from 0° to 130° in steps of 1°."""
    turn = np.deg2rad(np.arange(131.0))
    elbow = quaternion_from_rotation_vector(axis[:, None] * turn).T
    rotations = np.zeros((131, 3, 4))
    rotations[..., 3] = 1.0
    rotations[:, 1] = elbow
    skeleton = Skeleton.plain(
        ["Shoulder", "Elbow", "Wrist"],
        [-1, 0, 1],
        [(0.0, 0.0, 0.0), limb, limb],
        orders=order,
    )
    return Shot(skeleton, np.arange(131) / 30.0, Source("sweep"), rotations=rotations)


# --- Hill numbers -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("shares", "expected"),
    [
        # From the formula 1 / Σ p²: M. O. Hill, "Diversity and evenness: a unifying notation and its
        # consequences", Ecology 54, 1973.
        ((1, 0, 0), 1.0),
        ((0.5, 0.5, 0), 2.0),
        ((1 / 3, 1 / 3, 1 / 3), 3.0),
        ((0.8, 0.2, 0), 1.470588),
        ((0.9, 0.05, 0.05), 1.226994),
        ((0.6, 0.3, 0.1), 2.173913),
        # The shares are a published example (a chapter with DOI 10.1007/978-3-030-10991-2_6), the numbers
        # follow from the formula.
        ((50, 25, 15, 10), 2.898551),
        ((40, 30, 30), 2.941176),
        # A published table of diversities has Simpson 0.8 and its reciprocal form 5.0 beside it: five equals.
        ((1, 1, 1, 1, 1, 0), 5.0),
    ],
)
def test_effective_channels_is_hills_number_of_order_two(
    shares: tuple[float, ...], expected: float
) -> None:
    assert abs(effective_channels(np.array(shares, dtype=float)) - expected) < 5e-7
    # The unit does not matter.
    assert abs(effective_channels(37.0 * np.array(shares, dtype=float)) - expected) < 5e-7


def test_effective_channels_of_a_tutorial_spectrum() -> None:
    """The spectrum 1/i, i = 1..50, of a package tutorial on effective dimensions; value from the formula."""
    assert abs(effective_channels(1.0 / np.arange(1.0, 51.0)) - 12.456120) < 5e-7


# --- a published hinge, and an oblique one ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("axis", "order", "ranges", "spread"),
    [
        # Derived from the axes above with SciPy; the ranges are in the order of the letters.
        (ELBOW, "XYZ", (2.707, 6.260, 129.987), 1.1396),
        (ELBOW, "ZXY", (130.066, 5.622, 3.744), 1.1461),
        (ELBOW, "ZYX", (129.768, 3.729, 5.629), 1.1463),
        (OBLIQUE, "XYZ", (77.732, 45.000, 139.879), 2.4957),
        (OBLIQUE, "ZXY", (71.751, 55.225, 71.751), 2.9591),
        (OBLIQUE, "ZYX", (139.879, 45.000, 77.732), 2.4957),
    ],
)
def test_ranges_and_spread_of_a_sweep(
    axis: Array, order: str, ranges: tuple[float, ...], spread: float
) -> None:
    measures = measure_shot(sweep(axis, (0.0, -1.0, 0.0), order))
    in_order = measures.now.range_deg[1][[AXES.index(letter) for letter in order]]
    assert np.allclose(in_order, ranges, rtol=0, atol=1e-3)
    assert abs(effective_channels(in_order) - spread) < 1e-4
    # The table's spread is that of the ranges; the measure is that of the travel along the keys, which on a
    # curve that turns around once is at most the way there and back.
    travel = measures.now.travel_deg[1][[AXES.index(letter) for letter in order]]
    assert np.all(travel >= in_order - 0.5)
    assert np.all(travel <= 2.0 * in_order + 0.5)
    assert measures.now.channel_spread[1] == effective_channels(measures.now.travel_deg[1])


@pytest.mark.parametrize("side", ["right", "left"])
@pytest.mark.parametrize("limb", UPRIGHT.values(), ids=UPRIGHT)
@pytest.mark.parametrize("order", ["XYZ", "ZXY", "ZYX", None])
def test_published_elbow_gets_its_twist_and_its_residual(
    side: str, limb: tuple[float, float, float], order: str | None
) -> None:
    """From the published axis: 2.8335° about the bone, and 2.0975° along it that no twist removes."""
    axis = ELBOW if side == "right" else ELBOW * [-1.0, -1.0, 1.0]
    sign = limb[1] * (1.0 if side == "right" else -1.0)
    measures = measure_shot(sweep(axis, limb, order))
    assert measures.kind[1] == "hinge"
    assert np.allclose(measures.hinge_axis[1], axis, rtol=0, atol=1e-8)
    assert abs(measures.twist_offset_deg[1] - sign * 2.8335) < 5e-5
    assert abs(measures.residual_deg[1] - 2.0975) < 5e-5
    assert measures.aim_error_deg[1] == 0.0
    # Independently: the axes turned by the suggestion see the hinge as near to z as the residual.
    turned = Rotation.from_rotvec(np.array(limb) * np.deg2rad(measures.twist_offset_deg[1]))
    seen = turned.inv().apply(axis)
    assert abs(np.rad2deg(np.arctan2(np.hypot(*seen[:2]), seen[2])) - 2.0975) < 5e-5
    assert abs(seen[0]) < 1e-9


@pytest.mark.parametrize("limb", UPRIGHT.values(), ids=UPRIGHT)
@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("order", ["XYZ", "ZXY", "ZYX", None])
def test_oblique_elbow_is_said_to_be_beyond_any_twist(
    limb: tuple[float, float, float], mirrored: bool, order: str | None
) -> None:
    """Half of this hinge lies along the bone: 45.0° of residual, and a turn about the bone mends nothing."""
    axis = OBLIQUE * [1.0, 1.0, -1.0] if mirrored else OBLIQUE
    examined = examine(sweep(axis, limb, order))
    measures = examined.measures
    assert measures.kind[1] == "hinge"
    assert abs(measures.residual_deg[1] - 45.0) < 1e-6
    assert abs(measures.twist_offset_deg[1]) < 1e-6
    assert measures.now.moving_channels[1] == 3
    assert measures.after_twist.channel_spread[1] >= measures.now.channel_spread[1] - 1e-6
    assert measures.causes[1, 0] < 1e-6
    assert measures.causes[1, 1] < 1e-6
    assert measures.after_full.channel_spread[1] > 2.0
    said = {finding.check: finding for finding in examined.findings if finding.joint == 1}
    assert "twist" not in said
    assert "spread" in said
    assert "45.0°" in said["spread"].message
    assert "no turn about the limb" in said["spread"].message


# --- the same through channels ------------------------------------------------------------------------------


@pytest.mark.parametrize("order", ["XYZ", "YXZ", "ZXY"])
def test_channels_made_by_scipy_measure_as_the_rotations_do(order: str) -> None:
    whole = sweep(ELBOW, (0.0, -1.0, 0.0), order)
    assert whole.rotations is not None
    elbow = Rotation.from_quat(whole.rotations[:, 1])
    angles = elbow.as_euler(cast("Any", order), degrees=True)
    values = np.zeros((131, 9))
    values[:, 3:6] = angles
    columns = np.full((3, 3), -1)
    columns[:, [AXES.index(letter) for letter in order]] = np.arange(9).reshape(3, 3)
    channels = Channels(values, columns, np.full((3, 3), -1))
    stored = Shot(whole.skeleton, whole.times_s, whole.source, channels)
    one, two = measure_shot(whole), measure_shot(stored)
    assert np.allclose(one.now.range_deg, two.now.range_deg, rtol=0, atol=1e-9)
    assert abs(one.twist_offset_deg[1] - two.twist_offset_deg[1]) < 1e-9
    assert one.now.keys.tolist() == two.now.keys.tolist()
