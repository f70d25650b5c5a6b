"""Pops lose their weight; motion, noise and a second freedom keep theirs."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from audit.pool import key_weights
from tests.strategies import Array, read_only
from tests.unit.pool.making import hinge, noisy, wave, with_pops

CLOCK = np.arange(90) / 30.0


def weights_of(turns: Rotation, times: Array = CLOCK) -> Array:
    weights: Array = key_weights(read_only(turns.as_quat().T[:, None]), read_only(times))[0]
    return weights


@pytest.mark.parametrize("frames", [90, 240])
@pytest.mark.parametrize("range_deg", [2.0, 20.0, 120.0])
@pytest.mark.parametrize("cycles_a_second", [0.2, 0.7, 2.0])
def test_smooth_motion_keeps_its_whole_weight(
    frames: int, range_deg: float, cycles_a_second: float
) -> None:
    bend = wave(-10.0, range_deg - 10.0, frames, cycles_a_second * frames / 30.0)
    weights = weights_of(hinge([1, 2, 3], bend), np.arange(frames) / 30.0)
    assert np.mean(weights) > 0.99


@pytest.mark.parametrize("noise", [0.1, 1.0, 3.0])
def test_noise_keeps_its_whole_weight(noise: float) -> None:
    lost = [
        1.0 - np.mean(weights_of(noisy(hinge([1, 0, 0], wave(0, 30)), noise, seed)))
        for seed in range(30)
    ]
    assert np.mean(lost) < 2e-3


def test_a_second_freedom_keeps_its_whole_weight() -> None:
    """A wag at three times the speed of the bend leaves the hinge by 15°, and takes its neighbours along."""
    turns = hinge([1, 0, 0], wave(0, 40)) * hinge([0, 0, 1], wave(-15, 15, cycles=4.0))
    assert np.min(weights_of(turns)) == 1.0


@pytest.mark.parametrize("places", [[40], [0], [89], [40, 41], [10, 30, 31, 50, 70], [1, 3, 5]])
def test_pops_lose_their_weight_and_nothing_else_does(places: list[int]) -> None:
    turns = with_pops(noisy(hinge([1, 0, 0], wave(0, 30)), 0.3, 3), places, 4)
    weights = weights_of(turns)
    assert np.max(weights[places]) < 0.05
    assert np.min(np.delete(weights, places)) > 0.9


def test_three_of_five_keys_may_be_pops() -> None:
    weights = weights_of(with_pops(hinge([1, 0, 0], wave(0, 30)), [40, 41, 43], 5))
    assert np.max(weights[[40, 41, 43]]) == 0.0
    assert np.sum(weights) > 85.0


def test_a_kick_of_some_keys_is_no_pop() -> None:
    bend = np.zeros(90)
    bend[40:49] = [10, 30, 50, 60, 60, 50, 30, 20, 10]
    assert np.min(weights_of(hinge([1, 0, 0], bend))) == 1.0


def test_a_spike_in_a_hold_is_a_pop() -> None:
    bend = np.full(90, 25.0)
    bend[60] = 45.0
    weights = weights_of(hinge([1, 0, 0], bend))
    assert weights[60] == 0.0
    assert np.sum(weights) == 89.0


def test_poses_that_somebody_set_are_never_pops() -> None:
    """The same spike, with keys half a second apart, is a pose."""
    bend = np.full(20, 25.0)
    bend[10] = 45.0
    assert np.min(weights_of(hinge([1, 0, 0], bend), np.linspace(0.0, 9.5, 20))) == 1.0


@pytest.mark.parametrize("frames", [1, 2, 3, 6])
def test_few_keys_keep_their_weight(frames: int) -> None:
    turns = hinge([1, 0, 0], np.linspace(0, 90, frames))
    assert np.all(weights_of(turns, np.arange(frames) / 30.0) == 1.0)


def test_signs_of_quaternions_and_other_joints_do_not_matter() -> None:
    turns = with_pops(noisy(hinge([1, 0, 0], wave(0, 30)), 0.5, 8), [20, 55], 9).as_quat().T
    calm = hinge([0, 1, 0], wave(0, 50)).as_quat().T
    alone = key_weights(turns[:, None], CLOCK)[0]
    sign = np.random.default_rng(1).choice([-1.0, 1.0], 90)
    both = key_weights(np.stack((calm, turns * sign), axis=1), CLOCK)
    np.testing.assert_array_equal(both[1], alone)
    assert np.min(both[0]) == 1.0


def test_duplicated_keys_are_no_pops() -> None:
    turns = hinge([1, 0, 0], np.repeat(wave(0, 60, 45, 2.0), 2))
    assert np.min(weights_of(turns)) == 1.0
