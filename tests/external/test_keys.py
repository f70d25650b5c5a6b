"""Straight-line keys against a geometry library's simplification and against the exact minimum."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from audit.measures.keys import straight_line_keys, travel

Array = npt.NDArray[np.float64]

STRETCH = 1e6
"""Seconds are stretched by this much before the library sees the curve: it measures at right angles to the
line, and on a line that is as good as level that is the distance in value."""

TOLERANCE = 0.25


@pytest.fixture(scope="module")
def shapely() -> Any:
    return pytest.importorskip(
        "shapely", reason="shapely, which this checks against, is not installed"
    )


def curves_of(kind: str, count: int, frames: int, rng: np.random.Generator) -> tuple[Array, Array]:
    """Return random curves (count, frames) in degrees and their times (frames,) in seconds."""
    times = np.arange(frames) / 30.0
    if kind == "uneven":
        times = np.cumsum(rng.uniform(0.01, 0.08, frames))
    rates = rng.uniform(0.05, 0.5, (count, 4, 1))
    phases = rng.uniform(0.0, 2.0 * np.pi, (count, 4, 1))
    sizes = rng.uniform(0.5, 15.0, (count, 4, 1))
    smooth = np.sum(sizes * np.sin(2.0 * np.pi * rates * times + phases), axis=1)
    if kind == "noisy":
        smooth += rng.normal(scale=0.1, size=smooth.shape)
    if kind == "jagged":
        smooth = np.cumsum(rng.normal(scale=0.2, size=smooth.shape), axis=1)
    if kind == "small":
        smooth *= TOLERANCE / 10.0
    if kind == "held":
        # Not quite level, so that no two points of a step are equally far from a line: which one of equals
        # becomes the key is nobody's rule.
        smooth = np.round(smooth / 15.0) * 15.0 + rng.uniform(-1e-3, 1e-3, smooth.shape)
    return smooth, times


def by_library(shapely: Any, curve: Array, times: Array, tolerance: float) -> Array:
    """Return the times of the points that the library keeps: U. Ramer 1972, Douglas and Peucker 1973."""
    line = shapely.LineString(np.column_stack((times * STRETCH, curve)))
    kept = shapely.simplify(line, tolerance, preserve_topology=False)
    points: Array = np.asarray(kept.coords)[:, 0] / STRETCH
    return points


@pytest.mark.parametrize("kind", ["smooth", "noisy", "jagged", "small", "held", "uneven"])
def test_keys_are_the_ones_that_shapely_keeps(shapely: Any, kind: str) -> None:
    rng = np.random.default_rng(21)
    compared = 0
    for frames in (2, 3, 4, 40, 400):
        curves, times = curves_of(kind, 40, frames, rng)
        kept = straight_line_keys(curves, times, TOLERANCE)
        for curve, mask in zip(curves, kept, strict=True):
            if np.max(np.abs(curve - curve[0])) <= TOLERANCE:
                # A curve that stays where it starts needs one key, not the two ends that the library gives.
                assert np.flatnonzero(mask).tolist() == [0]
                continue
            theirs = by_library(shapely, curve, times, TOLERANCE)
            assert np.allclose(times[mask], theirs, rtol=0, atol=1e-9)
            compared += 1
    assert compared >= (40 if kind == "small" else 80)


def test_a_point_at_exactly_the_tolerance_is_dropped(shapely: Any) -> None:
    """The rule of Ramer and of Douglas and Peucker: only a point that is *farther* stays.

    Quarters are exact in binary, so the distance is the tolerance to the last bit.
    """
    times = np.arange(5.0)
    at, beyond = np.array([0.0, 1.25, 2.0, 3.0, 4.0]), np.array([0.0, 1.25 + 2e-9, 2.0, 3.0, 4.0])
    kept = straight_line_keys(np.stack((at, beyond)), times, 0.25)
    assert np.flatnonzero(kept[0]).tolist() == [0, 4]
    assert np.flatnonzero(kept[1]).tolist() == [0, 1, 4]
    level = np.array([0.0, 0.25, 0.0])
    assert by_library(shapely, level, np.arange(3.0), 0.25).tolist() == [0.0, 2.0]
    beyond_level = np.array([0.0, 0.2500001, 0.0, 9.0])
    assert np.count_nonzero(straight_line_keys(np.array([level]), np.arange(3.0), 0.25)) == 1
    assert np.count_nonzero(straight_line_keys(np.array([beyond_level]), np.arange(4.0), 0.25)) > 1


def test_lines_between_the_keys_stay_within_the_tolerance() -> None:
    rng = np.random.default_rng(22)
    for kind in ("smooth", "noisy", "jagged", "held", "uneven"):
        curves, times = curves_of(kind, 30, 300, rng)
        kept = straight_line_keys(curves, times, TOLERANCE)
        for curve, mask in zip(curves, kept, strict=True):
            line = np.interp(times, times[mask], curve[mask])
            assert np.max(np.abs(line - curve)) <= TOLERANCE * (1.0 + 1e-9)


def test_travel_is_the_length_of_the_simplified_line_in_value(shapely: Any) -> None:
    """With time squeezed to nothing the length of the library's line is the way up and down."""
    rng = np.random.default_rng(23)
    curves, times = curves_of("smooth", 30, 200, rng)
    kept = straight_line_keys(curves, times, TOLERANCE)
    ours = travel(curves, kept)
    for curve, length in zip(curves, ours, strict=True):
        at = by_library(shapely, curve, times, TOLERANCE)
        values = curve[np.searchsorted(times, at - 1e-9)]
        squeezed = shapely.LineString(np.column_stack((np.zeros(len(values)), values)))
        assert abs(length - squeezed.length) < 1e-9


def fewest_keys(curve: Array, times: Array, tolerance: float) -> int:
    """Return the fewest keys, taken from the samples, that keep straight lines within a tolerance.

    H. Imai and M. Iri, "Polygonal approximations of a curve: formulations and algorithms", in Computational
    Morphology, 1988: a shortest path over the samples, with a step from i to j where the line between them
    passes every sample in between closely enough. Whether it does is a running cone of slopes seen from i.
    """
    frames = len(curve)
    fewest = np.full(frames, frames + 1)
    fewest[0] = 1
    for i in range(frames - 1):
        ahead = times[i + 1 :] - times[i]
        rise = curve[i + 1 :] - curve[i]
        low = np.maximum.accumulate((rise - tolerance) / ahead)
        high = np.minimum.accumulate((rise + tolerance) / ahead)
        slope = rise / ahead
        sees = np.ones(frames - 1 - i, dtype=bool)
        sees[1:] = (slope[1:] >= low[:-1] - 1e-12) & (slope[1:] <= high[:-1] + 1e-12)
        reached = np.flatnonzero(sees) + i + 1
        fewest[reached] = np.minimum(fewest[reached], fewest[i] + 1)
    return int(fewest[-1])


def test_the_exact_minimum_is_exact() -> None:
    """On curves short enough to try every set of keys, it is what trying finds."""
    rng = np.random.default_rng(24)
    frames = 9
    times = np.arange(frames, dtype=float)
    for _ in range(40):
        curve = np.cumsum(rng.normal(scale=0.4, size=frames))
        tried = frames
        for chosen in range(2 ** (frames - 2)):
            keys = [0, *(i + 1 for i in range(frames - 2) if chosen >> i & 1), frames - 1]
            line = np.interp(times, times[keys], curve[keys])
            if np.max(np.abs(line - curve)) <= TOLERANCE:
                tried = min(tried, len(keys))
        assert fewest_keys(curve, times, TOLERANCE) == tried


@pytest.mark.parametrize(
    ("kind", "bound"), [("smooth", 1.4), ("noisy", 1.4), ("jagged", 1.5), ("held", 1.1)]
)
def test_keys_are_not_many_more_than_the_fewest_possible(
    kind: str, bound: float, record_property: Any
) -> None:
    """How much the simplification gives away; the bounds are a little above what was measured."""
    rng = np.random.default_rng(25)
    curves, times = curves_of(kind, 60, 240, rng)
    ours = np.count_nonzero(straight_line_keys(curves, times, TOLERANCE), axis=1)
    fewest = np.array([fewest_keys(curve, times, TOLERANCE) for curve in curves])
    assert np.all(ours >= fewest)
    ratio = ours / fewest
    record_property("mean_ratio", float(np.mean(ratio)))
    print(
        f"{kind:>7}: {np.mean(ours):.1f} keys on average where {np.mean(fewest):.1f} is the fewest; "
        f"ratio {np.mean(ratio):.3f} on average, {np.max(ratio):.3f} at most"
    )
    assert np.mean(ratio) < bound
