"""Straight-line keys against the recursion that the papers print, and the travel along them."""

from __future__ import annotations

from collections.abc import Iterator
from unittest import mock

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.measures import keys as keys_module
from audit.measures.keys import ROUNDING, straight_line_keys, travel
from tests.strategies import Array, read_only, seeds

compiled = keys_module._mark_keys


@pytest.fixture(autouse=True, scope="module", params=["compiled", "arrays"])
def way(request: pytest.FixtureRequest) -> Iterator[str]:
    """Run each test with the compiled code, where the package was built with it, and with arrays alone."""
    if request.param == "compiled" and compiled is None:
        pytest.skip("built without the compiled code")
    with mock.patch.object(
        keys_module, "_mark_keys", compiled if request.param == "compiled" else None
    ):
        yield request.param


def plain_keys(values: Array, times: Array, tolerance: float) -> list[int]:
    """Return the keys of one curve, split by recursion as in Ramer 1972 and Douglas and Peucker 1973."""
    if np.all(np.abs(values - values[0]) <= tolerance):
        return [0]
    kept = {0, len(values) - 1}

    def split(first: int, last: int) -> None:
        if last - first < 2:
            return
        inner = np.arange(first + 1, last)
        slope = (values[last] - values[first]) / (times[last] - times[first])
        away = np.abs(values[inner] - values[first] - slope * (times[inner] - times[first]))
        farthest = int(np.argmax(away >= away.max() - ROUNDING * tolerance))
        if away[farthest] > tolerance:
            middle = int(inner[farthest])
            kept.add(middle)
            split(first, middle)
            split(middle, last)

    split(0, len(values) - 1)
    return sorted(kept)


def keys_of(values: list[float], tolerance: float, times: list[float] | None = None) -> list[int]:
    clock = np.arange(len(values), dtype=float) if times is None else np.array(times)
    return [
        int(k) for k in np.flatnonzero(straight_line_keys(np.array([values]), clock, tolerance))
    ]


@st.composite
def curves(draw: st.DrawFn) -> tuple[Array, Array]:
    """Return curves (C, F), smooth, noisy, stepped or flat, and their times, even or not."""
    generator = np.random.default_rng(draw(seeds))
    count, frames = draw(st.integers(1, 5)), draw(st.integers(1, 80))
    times = np.arange(frames) / 30.0
    if draw(st.booleans()):
        times = np.cumsum(generator.uniform(0.001, 0.5, frames))
    rows = []
    for _ in range(count):
        wave = 40.0 * np.sin(generator.uniform(0.2, 9.0) * times + generator.uniform(0.0, 6.0))
        noise = generator.normal(size=frames)
        rows.append(
            {
                "smooth": wave,
                "noisy": wave + noise,
                "walk": np.cumsum(noise),
                "steps": 50.0 * np.floor(wave / 20.0) + 1e-3 * noise,
                "flat": np.full(frames, 7.0),
            }[draw(st.sampled_from(["smooth", "noisy", "walk", "steps", "flat"]))]
        )
    return np.array(rows), times


class TestKeys:
    @given(curves(), st.sampled_from([0.01, 0.25, 3.0]))
    def test_they_are_those_of_the_plain_recursion(
        self, made: tuple[Array, Array], tolerance: float
    ) -> None:
        values, times = made
        kept = straight_line_keys(values, times, tolerance)
        for row, mask in zip(values, kept, strict=True):
            assert np.flatnonzero(mask).tolist() == plain_keys(row, times, tolerance)

    @given(curves(), st.sampled_from([0.01, 0.25, 3.0]))
    def test_lines_between_them_stay_within_the_tolerance(
        self, made: tuple[Array, Array], tolerance: float
    ) -> None:
        values, times = made
        for row, mask in zip(values, straight_line_keys(values, times, tolerance), strict=True):
            drawn = np.interp(times, times[mask], row[mask])
            assert np.abs(drawn - row).max() <= tolerance + 1e-9

    @given(curves())
    def test_a_curve_does_not_depend_on_its_neighbours(self, made: tuple[Array, Array]) -> None:
        values, times = made
        kept = straight_line_keys(values, times, 0.25)
        for row, mask in zip(values, kept, strict=True):
            np.testing.assert_array_equal(mask, straight_line_keys(row[None], times, 0.25)[0])

    @given(curves(), st.floats(0.01, 100.0), st.floats(-1e3, 1e3))
    def test_the_unit_and_the_start_of_time_do_not_matter(
        self, made: tuple[Array, Array], unit: float, start: float
    ) -> None:
        values, times = made
        np.testing.assert_array_equal(
            straight_line_keys(values, times, 0.25),
            straight_line_keys(values, unit * times + start, 0.25),
        )

    @settings(max_examples=300)
    @given(curves(), st.sampled_from([1e-6, 0.01, 0.25, 3.0]))
    def test_compiled_code_and_arrays_keep_the_same(
        self, made: tuple[Array, Array], tolerance: float
    ) -> None:
        values, times = made
        np.testing.assert_array_equal(
            straight_line_keys(values, times, tolerance),
            keys_module._by_arrays(
                values, times, tolerance * (1.0 + ROUNDING), tolerance * ROUNDING
            ),
        )

    @pytest.mark.parametrize("shift", [0.0, 1e-13, -1e-13])
    def test_of_equally_far_points_the_first_becomes_the_key(self, shift: float) -> None:
        assert keys_of([0.0, 5.0, 1.0, 5.0 + shift, 0.0], 6.0) == [0]
        assert keys_of([0.0, 5.0, 0.0, 5.0 + shift, 0.0], 4.0) == [0, 1, 4]
        assert keys_of([0.0, 5.0, 0.0, 5.0 + shift, 0.0, 5.0], 0.1) == [0, 1, 2, 3, 4, 5]

    def test_periodic_motion_does_not_hang_on_the_last_digit(self) -> None:
        times = np.arange(601) / 60.0
        wave = 40.0 * np.sin(2.0 * np.pi * times / 2.5) + 10.0 * np.cos(2.0 * np.pi * times / 1.25)
        noise = np.random.default_rng(4).choice([-1.0, 0.0, 1.0], (20, len(times)))
        kept = straight_line_keys(wave + 2e-14 * noise, times, 0.25)
        assert np.all(kept == straight_line_keys(wave[None], times, 0.25))

    def test_known_curves(self) -> None:
        assert keys_of([5.0] * 9, 0.25) == [0]
        assert keys_of([5.0, 5.2, 4.8, 5.25], 0.25) == [0]
        assert keys_of([0.0, 1.0, 2.0, 3.0], 0.25) == [0, 3]
        assert keys_of([0.0, 1.0, 2.0, 1.0, 0.0], 0.25) == [0, 2, 4]
        assert keys_of([0.0, 0.0, 9.0, 0.0, 0.0], 0.25) == [0, 1, 2, 3, 4]

    def test_exactly_the_tolerance_away_is_within(self) -> None:
        assert keys_of([0.0, 1.25, 2.0], 0.25) == [0, 2]
        assert keys_of([0.0, 1.2500001, 2.0], 0.25) == [0, 1, 2]
        assert keys_of([0.0, 0.25, -0.25], 0.25) == [0]
        assert keys_of([0.0, 0.1, -0.2500001], 0.25) == [0, 2]

    def test_distance_is_taken_at_the_keys_own_time(self) -> None:
        # A straight line in uneven time is no straight line by place.
        assert keys_of([0.0, 9.0, 10.0], 0.25, times=[0.0, 0.9, 1.0]) == [0, 2]
        assert keys_of([0.0, 9.0, 10.0], 0.25) == [0, 1, 2]

    def test_the_first_of_equally_far_keys_is_taken(self) -> None:
        # All three are 4 away at first; from the first of them on, none is further than 2⅔.
        assert keys_of([0.0, 4.0, 4.0, 4.0, 0.0], 3.0) == [0, 1, 4]

    @pytest.mark.parametrize("frames", [1, 2])
    def test_short_curves(self, frames: int) -> None:
        curve = [0.0, 3.0][:frames]
        assert keys_of(curve, 0.25) == list(range(frames))

    def test_inputs_stay_as_they_are(self) -> None:
        values = read_only(np.random.default_rng(0).normal(size=(3, 20)))
        times = read_only(np.arange(20.0))
        travel(values, straight_line_keys(values, times, 0.1))

    @pytest.mark.skipif(compiled is None, reason="built without the compiled code")
    def test_the_compiled_code_keeps_within_its_buffers(self) -> None:
        assert compiled is not None
        for times, kept in ((np.zeros(0), 6), (np.zeros(4), 6), (np.arange(3.0), 5)):
            with pytest.raises(ValueError, match="do not fit"):
                compiled(np.zeros((2, 3)), times, 0.25, 0.0, np.zeros(kept, dtype=bool))


class TestTravel:
    def test_known_curves(self) -> None:
        values = np.array([[0.0, 5.0, 1.0, 3.0], [2.0, 2.0, 2.0, 2.0], [0.0, 1.0, 2.0, -4.0]])
        kept = np.array([[1, 1, 1, 1], [1, 0, 0, 0], [1, 0, 0, 1]], dtype=bool)
        np.testing.assert_array_equal(travel(values, kept), [5.0 + 4.0 + 2.0, 0.0, 4.0])

    @given(curves())
    def test_it_is_the_sum_along_the_keys(self, made: tuple[Array, Array]) -> None:
        values, times = made
        kept = straight_line_keys(values, times, 0.25)
        plain = [np.abs(np.diff(row[mask])).sum() for row, mask in zip(values, kept, strict=True)]
        np.testing.assert_allclose(travel(values, kept), plain, atol=1e-9)

    @given(curves())
    def test_it_lies_between_the_range_and_the_way_along_all_keys(
        self, made: tuple[Array, Array]
    ) -> None:
        values, times = made
        along = travel(values, straight_line_keys(values, times, 0.25))
        assert np.all(along <= np.abs(np.diff(values, axis=1)).sum(axis=1) + 1e-9)
        assert np.all(along >= np.ptp(values, axis=1) - 2 * 0.25 - 1e-9)
