"""How sure the axis is: nothing to doubt without noise, and as much as the noise with it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from audit.measures.hinge import Certainty, block_lengths, certainty, fit_hinge
from audit.rotations import multiply, quaternion_from_rotation_vector
from tests.strategies import Array, directions, seeds
from tests.unit.measures.making import turn


def even(frames: int) -> Array:
    return np.full(frames, 1.0 / frames)


def noisy_hinges(joints: int, frames: int, noise_deg: float, *, wobble: float = 0.0) -> Array:
    """Return rotations (4, N, F) of hinges about X over 60°, with noise on all three axes.

    ``wobble`` is the correlation of the noise between neighbouring keys.
    """
    generator = np.random.default_rng(7)
    noise = np.deg2rad(noise_deg) * generator.normal(size=(3, joints, frames))
    if wobble:
        for key in range(1, frames):
            noise[..., key] = (
                wobble * noise[..., key - 1] + np.sqrt(1 - wobble**2) * noise[..., key]
            )
    clean = turn([1, 0, 0], 30.0 * (1 - np.cos(np.linspace(0, 4 * np.pi, frames))))
    return multiply(clean[:, None], quaternion_from_rotation_vector(noise))


@given(directions(), st.sampled_from([8, 30, 97]), st.floats(5.0, 150.0))
def test_without_noise_nothing_is_unsure(axis: Array, frames: int, reach: float) -> None:
    angles = reach * np.sin(np.linspace(0.0, 5.0, frames))
    fit = fit_hinge(turn(axis, angles)[:, None], even(frames))
    sure = certainty(fit, even(frames))
    assert np.rad2deg(sure.axis_half_angle(0.95))[0] < 1e-5
    assert np.abs(sure.tilt).max() < 1e-14


def test_white_noise_tilts_the_axis_as_much_as_it_says() -> None:
    # 600 joints, each with its own noise: the tilts that really happen against the tilts foretold.
    frames = 120
    fit = fit_hinge(noisy_hinges(600, frames, 1.0), even(frames))
    foretold = certainty(fit, even(frames)).tilt
    tilts = fit.axes[0, 1:]  # components off X: small angles
    happened = np.mean(tilts**2)
    np.testing.assert_allclose(np.mean(foretold[0, 0] + foretold[1, 1]) / 2, happened, rtol=0.1)


def test_the_mean_rotation_moves_with_the_noise_on_the_right_side() -> None:
    # A hinge between −20° and 20°, with noise on Y and twice as much on Z, of opposite signs at the two
    # ends. Half the noise goes into the mean rotation, and tilts the axis that is seen from there: it takes
    # some of the tilt towards Y away, and adds to the one towards Z. With the other sign it is the reverse.
    frames, hinges = 200, 1500
    side = np.where(np.arange(frames) % 2 == 0, 1.0, -1.0)
    noise = np.deg2rad(0.1) * np.random.default_rng(5).normal(size=(hinges, frames))
    bent = np.broadcast_to(np.deg2rad(20.0) * side, (hinges, frames))
    quaternion = quaternion_from_rotation_vector(np.stack((bent, noise, 2.0 * side * noise)))
    fit = fit_hinge(quaternion, even(frames))
    tilt = certainty(fit, even(frames)).tilt
    happened_y, happened_z = np.mean(fit.axes[0, 1:] ** 2, axis=1)
    # The second principal axis is Z, where there is more noise.
    assert np.all(np.abs(fit.axes[1, 2]) > 0.9)
    np.testing.assert_allclose(np.mean(tilt[0, 0]), happened_z, rtol=0.2)
    np.testing.assert_allclose(np.mean(tilt[1, 1]), happened_y, rtol=0.2)


def test_noise_that_neighbours_share_is_not_taken_for_many_witnesses() -> None:
    frames = 240
    quaternion = noisy_hinges(300, frames, 1.0, wobble=0.8)
    fit = fit_hinge(quaternion, even(frames))
    sure = certainty(fit, even(frames))
    happened = np.mean(fit.axes[0, 1:] ** 2)
    foretold = np.mean(sure.tilt[0, 0] + sure.tilt[1, 1]) / 2
    assert 0.7 < foretold / happened < 1.3
    white = certainty(fit_hinge(noisy_hinges(300, frames, 1.0), even(frames)), even(frames))
    assert foretold > 3.0 * np.mean(white.tilt[0, 0] + white.tilt[1, 1]) / 2


def test_twice_the_noise_is_four_times_the_variance() -> None:
    small, large = (
        certainty(fit_hinge(noisy_hinges(50, 120, size), even(120)), even(120)).tilt
        for size in (0.1, 0.2)
    )
    np.testing.assert_allclose(
        np.mean(large[0, 0] + large[1, 1]), 4.0 * np.mean(small[0, 0] + small[1, 1]), rtol=0.02
    )


def test_covariances_are_symmetric_and_not_negative() -> None:
    tilt = certainty(fit_hinge(noisy_hinges(40, 60, 2.0, wobble=0.5), even(60)), even(60)).tilt
    np.testing.assert_allclose(tilt[0, 1], tilt[1, 0])
    assert np.all(tilt[0, 0] * tilt[1, 1] - tilt[0, 1] ** 2 >= -1e-18)


def test_joints_do_not_matter_to_each_other() -> None:
    white, wobbling = noisy_hinges(2, 90, 1.0), noisy_hinges(2, 90, 1.0, wobble=0.9)
    together = certainty(fit_hinge(np.concatenate((white, wobbling), axis=1), even(90)), even(90))
    for row, quaternion in enumerate(
        (white[:, :1], white[:, 1:], wobbling[:, :1], wobbling[:, 1:])
    ):
        alone = certainty(fit_hinge(quaternion, even(90)), even(90))
        np.testing.assert_allclose(together.tilt[..., row], alone.tilt[..., 0], rtol=1e-9)
        np.testing.assert_allclose(together.freedom[row], alone.freedom[0])


class TestBlockLengths:
    def test_keys_that_have_nothing_to_do_with_each_other_stand_alone(self) -> None:
        moves = np.random.default_rng(0).normal(size=(2, 1, 20_000))
        assert block_lengths(moves)[0] <= 2
        alternating = np.tile([1.0, -1.0], (2, 3, 40))
        np.testing.assert_array_equal(block_lengths(alternating), 1)

    def test_no_motion_stands_alone_too(self) -> None:
        np.testing.assert_array_equal(block_lengths(np.zeros((2, 3, 50))), 1)

    def test_slower_wobbles_take_longer_blocks(self) -> None:
        noise = np.random.default_rng(0).normal(size=(2, 1, 4000))
        lengths = []
        for wobble in (0.0, 0.5, 0.9, 0.97):
            moves = noise.copy()
            for key in range(1, 4000):
                moves[..., key] += wobble * moves[..., key - 1]
            lengths.append(int(block_lengths(moves)[0]))
        assert lengths == sorted(lengths)
        assert lengths[-1] > 4 * lengths[0]

    @given(seeds, st.integers(8, 300), st.floats(0.0, 0.99))
    def test_they_are_powers_of_two_and_at_most_a_quarter_of_the_keys(
        self, seed: int, frames: int, wobble: float
    ) -> None:
        moves = np.random.default_rng(seed).normal(size=(2, 2, frames))
        for key in range(1, frames):
            moves[..., key] += wobble * moves[..., key - 1]
        moves -= moves.mean(axis=-1, keepdims=True)
        for length in block_lengths(moves):
            assert length >= 1
            assert int(length).bit_count() == 1
            assert length <= frames / 4


class TestQuantiles:
    @pytest.mark.parametrize("confidence", [0.5, 0.9, 0.95, 0.99])
    def test_students_t_from_a_general_library(self, confidence: float) -> None:
        freedom = np.array([1.0, 2.5, 10.0, 200.0])
        found = Certainty(np.zeros((2, 2, 4)), freedom).quantile(confidence)
        np.testing.assert_allclose(found, stats.t.ppf(0.5 + confidence / 2, freedom), rtol=1e-9)

    @pytest.mark.parametrize("confidence", [0.5, 0.95, 0.99])
    @pytest.mark.parametrize("freedom", [3.0, 10.0, 100.0, 1e4])
    def test_the_cone_is_that_of_hotelling(self, confidence: float, freedom: float) -> None:
        # H. Hotelling 1931: with two components T² = 2 m / (m − 1) · F(2, m − 1).
        variance = 1e-4
        tilt = np.array([[variance, 0.0], [0.0, 0.25 * variance]])[..., None]
        quantile = stats.f.ppf(confidence, 2, freedom - 1)
        expected = np.arctan(np.sqrt(2 * freedom / (freedom - 1) * quantile * variance))
        found = Certainty(tilt, np.array([freedom])).axis_half_angle(confidence)
        np.testing.assert_allclose(found, expected, rtol=1e-9)

    @given(st.floats(0.0, np.pi))
    def test_the_cone_does_not_depend_on_where_the_tilt_points(self, angle: float) -> None:
        sine, cosine = np.sin(angle), np.cos(angle)
        spun = np.array([[cosine, -sine], [sine, cosine]])
        tilt = spun @ np.diag([3e-4, 1e-5]) @ spun.T
        found = Certainty(tilt[..., None], np.array([50.0])).axis_half_angle(0.95)
        plain = Certainty(np.diag([3e-4, 1e-5])[..., None], np.array([50.0])).axis_half_angle(0.95)
        np.testing.assert_allclose(found, plain, rtol=1e-9)

    def test_it_never_passes_a_right_angle(self) -> None:
        wide = Certainty(np.full((2, 2, 1), 1e9), np.array([1.0])).axis_half_angle(0.999)
        assert 0.0 < wide[0] <= np.pi / 2
