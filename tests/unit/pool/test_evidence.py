"""What one shot says, on motions whose axis is known."""

from __future__ import annotations

import pickle

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from audit.conventions import ORDERS
from audit.demo import demo_shots
from audit.measures import measure_shot
from audit.pool import ShotEvidence, evidence_of
from tests.strategies import Array
from tests.unit.pool.making import KNEE_AXIS, hinge, noisy, shot_of, wave, with_pops


def first_axis(matrix: Array) -> Array:
    axis: Array = np.linalg.eigh(matrix)[1][:, 2]
    return axis


def apart_deg(one: Array, other: Array) -> float:
    return float(np.rad2deg(np.arccos(min(1.0, abs(float(one @ other))))))


def test_a_hinge_shows_its_axis_whatever_stands_in_front() -> None:
    before = Rotation.from_rotvec([0.3, -0.8, 0.5])
    evidence = evidence_of(shot_of([hinge(KNEE_AXIS, wave(0, 40), before)]))
    assert apart_deg(first_axis(evidence.scatter[0]), KNEE_AXIS) < 1e-5
    np.testing.assert_allclose(
        evidence.scatter[0] - np.trace(evidence.scatter[0]) * np.outer(KNEE_AXIS, KNEE_AXIS),
        0.0,
        atol=1e-12,
    )
    assert evidence.off_axis[0] < 1e-6


def test_figures_are_those_of_the_measures() -> None:
    """A clean shot gives the range, excursion and axis that the measure of one shot gives."""
    for shot in demo_shots().values():
        evidence, measures = evidence_of(shot), measure_shot(shot)
        ranges = np.rad2deg(np.ptp(evidence.excursion, axis=1))
        np.testing.assert_allclose(ranges, measures.range_deg, atol=1e-6)
        np.testing.assert_allclose(np.rad2deg(evidence.off_axis), measures.off_axis_deg, atol=1e-6)
        hinges = np.flatnonzero([kind == "hinge" for kind in measures.kind])
        assert len(hinges)
        cosine = np.abs(np.sum(evidence.axis * measures.hinge_axis, axis=1))[hinges]
        np.testing.assert_allclose(cosine, 1.0, atol=1e-9)
        assert np.all(evidence.wild_keys == 0)


def test_time_and_not_keys_is_what_counts() -> None:
    """Twice the keys in one half of the shot: the scatter is that of the motion over time."""
    even = np.linspace(0.0, 6.0, 241)
    uneven = np.concatenate((np.linspace(0.0, 3.0, 241)[:-1], np.linspace(3.0, 6.0, 121)))

    def bend(times: Array) -> Array:
        return np.where(times < 3.0, 10.0 * np.sin(times * 2.0), 25.0 * np.sin(times * 2.0))

    one = evidence_of(shot_of([hinge(KNEE_AXIS, bend(even))], times=even))
    other = evidence_of(shot_of([hinge(KNEE_AXIS, bend(uneven))], times=uneven))
    np.testing.assert_allclose(other.scatter, one.scatter, rtol=0.01, atol=1e-12)
    np.testing.assert_allclose(other.seconds, one.seconds, rtol=0.01)


def test_jitter_is_told_from_motion() -> None:
    turns = noisy(hinge(KNEE_AXIS, wave(0, 40, 600, 4.0)), 1.0, 2)
    evidence = evidence_of(shot_of([turns]))
    sizes = np.rad2deg(np.sqrt(np.diag(evidence.jitter[0])))
    np.testing.assert_allclose(sizes, 1.0, rtol=0.12)
    clean = evidence_of(shot_of([hinge(KNEE_AXIS, wave(0, 40, 600, 4.0))]))
    assert np.rad2deg(np.sqrt(np.trace(clean.jitter[0]))) < 0.1


def test_jitter_never_eats_the_motion() -> None:
    """A shiver of the hinge itself, key by key, is still the hinge's motion."""
    bend = np.tile([0.0, 10.0], 45)
    evidence = evidence_of(shot_of([hinge(KNEE_AXIS, bend)]))
    left = evidence.scatter[0] - evidence.jitter[0]
    assert apart_deg(first_axis(left), KNEE_AXIS) < 1e-4
    assert np.trace(left) > 0.2 * np.trace(evidence.scatter[0])


def test_the_covariance_is_the_one_that_repeated_shots_have() -> None:
    """Spread of the six numbers over 400 shots that differ in their noise alone, along and off the axis."""
    shots = shot_of([noisy(hinge([1, 0, 0], wave(0, 20, 240)), 1.0, seed) for seed in range(400)])
    evidence = evidence_of(shots)
    left = evidence.scatter - evidence.jitter
    for row, column in ((0, 1), (0, 2)):
        six = {(0, 1): 3, (0, 2): 4}[row, column]
        drawn = np.std(left[:, row, column])
        told = np.sqrt(np.mean(evidence.covariance[:, six, six]))
        assert 0.85 < told / drawn < 1.2


@pytest.mark.parametrize("frames", [1, 2, 7])
def test_few_keys_have_no_covariance(frames: int) -> None:
    evidence = evidence_of(shot_of([hinge(KNEE_AXIS, np.linspace(0, 30, frames))]))
    assert evidence.freedom[0] == 0.0
    assert not np.any(evidence.covariance)
    assert np.all(np.isfinite(evidence.excursion))


def test_a_joint_that_stands_still_says_nothing() -> None:
    evidence = evidence_of(shot_of([hinge([1, 0, 0], np.full(60, 33.0))]))
    assert not np.any(evidence.scatter)
    np.testing.assert_allclose(np.ptp(evidence.excursion), 0.0, atol=1e-12)


def test_pops_are_left_out_and_counted() -> None:
    places = [20, 47, 70]
    clean = hinge(KNEE_AXIS, wave(0, 15))
    evidence = evidence_of(shot_of([with_pops(clean, places, 6), clean]))
    assert list(evidence.wild_keys) == [3, 0]
    np.testing.assert_allclose(evidence.scatter[0], evidence.scatter[1], rtol=0.2, atol=1e-6)
    assert apart_deg(first_axis(evidence.scatter[0]), KNEE_AXIS) < 1e-4
    np.testing.assert_allclose(evidence.excursion[0], evidence.excursion[1], atol=np.deg2rad(0.2))


def test_margins_are_counted_in_all_orders() -> None:
    """A turn about X alone is the middle channel of YXZ and ZXY, which lock at 90°, and of no other order."""
    bend = np.linspace(0.0, 80.0, 161)
    evidence = evidence_of(shot_of([hinge([1, 0, 0], bend)]))
    margin = np.rad2deg(evidence.least_margin[0])
    expected = [10.0 if order[1] == "X" else 90.0 for order in ORDERS]
    np.testing.assert_allclose(margin, expected, atol=1e-6)
    seconds = evidence.margin_seconds[0]
    np.testing.assert_allclose(np.sum(seconds, axis=1), evidence.seconds[0], rtol=1e-12)
    middle = ORDERS.index("YXZ")
    # 75° to 80° of 80° are nearer than 15° to the lock; the keys are half a degree apart.
    np.testing.assert_allclose(seconds[middle, 0] / evidence.seconds[0], 5.0 / 80.0, atol=0.01)
    np.testing.assert_allclose(seconds[middle, 1:5] / evidence.seconds[0], 15.0 / 80.0, atol=0.01)


def test_taking_joints_in_another_order() -> None:
    shot = shot_of([hinge([1, 0, 0], wave(0, 20)), hinge([0, 0, 1], wave(0, 50))])
    evidence = evidence_of(shot)
    other = evidence.take(np.array([1, 0]))
    np.testing.assert_array_equal(other.scatter, evidence.scatter[::-1])
    assert other.shot == evidence.shot


def test_arrays_stay_read_only_between_processes() -> None:
    evidence = evidence_of(shot_of([hinge([1, 0, 0], wave(0, 20))]))
    again: ShotEvidence = pickle.loads(pickle.dumps(evidence))
    with pytest.raises(ValueError, match="read-only"):
        again.scatter[0, 0, 0] = 1.0
    np.testing.assert_array_equal(again.covariance, evidence.covariance)
