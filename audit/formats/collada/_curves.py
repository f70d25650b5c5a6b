"""Animation curves: samplers, and their values at any time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from audit.formats.collada._numbers import Array, Data, data_of
from audit.formats.collada._xml import Element, children, fault, local_id

KINDS: Final = ("STEP", "LINEAR", "BEZIER", "HERMITE")
STEP, LINEAR, BEZIER, HERMITE = range(4)

MONOTONE: Final = 1e-6
"""How far a Bezier curve may run back in time, as a share of the gap between its keys: what rounding leaves."""

HALVINGS: Final = 60
"""Halvings of the interval in which a Bezier curve's parameter is sought: to the last bit."""


@dataclass(frozen=True, eq=False, slots=True)
class Curve:
    """A curve of one or more dimensions.

    Attributes
    ----------
    times_s : (K,)
        Increasing times of the keys.
    values : (K, n)
        Value of each key.
    kinds : (K,)
        How it goes on from each key: place in :data:`KINDS`. The last says nothing.
    first, second : (K, n, 2)
        Control points, time and value, of the Bezier curve from each key to the next; those of a Hermite
        curve are made into these. Only where a kind asks for them.
    """

    times_s: Array
    values: Array
    kinds: np.ndarray
    first: Array
    second: Array

    @property
    def held(self) -> bool:
        """Whether every key is held until the next."""
        return bool(np.all(self.kinds[:-1] == STEP))

    def at(self, times_s: Array) -> Array:
        """Return the values (T, n) at some times (T,); before the first key and after the last they hold."""
        if len(self.times_s) == 1:
            return np.tile(self.values, (len(times_s), 1))
        key = np.clip(
            np.searchsorted(self.times_s, times_s, side="right") - 1, 0, len(self.times_s) - 2
        )
        start, end = self.times_s[key], self.times_s[key + 1]
        share = np.clip((times_s - start) / (end - start), 0.0, 1.0)[:, None]
        before, after = self.values[key], self.values[key + 1]
        result = np.where(
            (self.kinds[key] == STEP)[:, None], before, before + (after - before) * share
        )
        curved = np.isin(self.kinds[key], (BEZIER, HERMITE))
        if np.any(curved):
            result[curved] = self._bezier(key[curved], times_s[curved])
        return np.where(share == 0.0, before, np.where(share == 1.0, after, result))

    def _bezier(self, key: np.ndarray, times_s: Array) -> Array:
        """Return values (T, n) on the Bezier curves that begin at some keys (T,)."""
        shape = (len(key), self.values.shape[1])
        start = np.broadcast_to(self.times_s[key][:, None], shape)
        end = np.broadcast_to(self.times_s[key + 1][:, None], shape)
        first, second = self.first[key], self.second[key]
        wanted = np.broadcast_to(times_s[:, None], shape)
        low, high = np.zeros(shape), np.ones(shape)
        # The parameter is not the time: the time's own cubic is solved for it, by halving, as it only rises.
        for _ in range(HALVINGS):
            middle = 0.5 * (low + high)
            early = _cubic(start, first[..., 0], second[..., 0], end, middle) < wanted
            low, high = np.where(early, middle, low), np.where(early, high, middle)
        return _cubic(
            self.values[key],
            first[..., 1],
            second[..., 1],
            self.values[key + 1],
            0.5 * (low + high),
        )


def _cubic(start: Array, first: Array, second: Array, end: Array, share: Array) -> Array:
    """Return a cubic Bezier polynomial."""
    rest = 1.0 - share
    result: Array = (
        rest**3 * start
        + 3 * share * rest**2 * first
        + 3 * share**2 * rest * second
        + share**3 * end
    )
    return result


def curve_of(path: str, sampler: Element, source: Callable[[Element, str], Element]) -> Curve:
    """Return the curve of a sampler.

    Parameters
    ----------
    path
        Of the file, for error messages.
    sampler
        The element.
    source
        Returns the source of an id, for the input that names it; raises FormatError where there is none.

    Raises
    ------
    FormatError
        Where it breaks the format's rules, or interpolates in a way that is not read.
    """
    inputs: dict[str, Data] = {}
    for each in children(sampler, "input"):
        wanted = local_id(path, each, "source")
        inputs[each.get("semantic") or ""] = data_of(path, source(each, wanted))
    for name in ("INPUT", "OUTPUT"):
        if name not in inputs or inputs[name].words is not None:
            raise fault(path, sampler, f"has no {name} of numbers", "Write the file again")
    times = inputs["INPUT"].values
    values = inputs["OUTPUT"].values
    if times.shape[1] != 1 or len(times) == 0:
        raise fault(path, sampler, "INPUT is no list of times", "Each key has one time in seconds")
    times = times[:, 0]
    if len(values) != len(times):
        raise fault(
            path,
            sampler,
            f"has {len(times)} times, but {len(values)} values",
            "Each key has one of each",
        )
    if np.any(np.diff(times) <= 0.0):
        key = int(np.argmax(np.diff(times) <= 0.0)) + 1
        raise fault(
            path,
            sampler,
            f"key {key} at {times[key]:g} s does not come after the one before",
            "Times increase from key to key; keys are counted from 0",
        )
    kinds = _kinds(path, sampler, inputs.get("INTERPOLATION"), len(times))
    first, second = _control_points(path, sampler, inputs, kinds, times, values)
    return Curve(times, values, kinds, first, second)


def _kinds(path: str, sampler: Element, words: Data | None, keys: int) -> np.ndarray:
    """Return how the curve goes on from each key; linear where the file does not say."""
    if words is None:
        return np.full(keys, LINEAR)
    if words.words is None or len(words.words) != keys:
        raise fault(
            path, sampler, "INTERPOLATION does not name one kind a key", "Write the file again"
        )
    for word in set(words.words):
        if word not in KINDS:
            raise fault(
                path,
                sampler,
                f"interpolates by {word[:20]!r}, which is not read",
                f"Write the curves as one of {', '.join(KINDS)}",
            )
    return np.array([KINDS.index(word) for word in words.words])


def _control_points(
    path: str,
    sampler: Element,
    inputs: dict[str, Data],
    kinds: np.ndarray,
    times: Array,
    values: Array,
) -> tuple[Array, Array]:
    """Return the inner control points (K, n, 2) of the curve from each key to the next."""
    keys, width = values.shape
    first, second = np.zeros((keys, width, 2)), np.zeros((keys, width, 2))
    curved = np.isin(kinds, (BEZIER, HERMITE))
    if keys == 1 or not np.any(curved[:-1]):
        return first, second
    leave = _tangents(path, sampler, inputs, "OUT_TANGENT", keys, width)[:-1]
    arrive = _tangents(path, sampler, inputs, "IN_TANGENT", keys, width)[1:]
    start = np.stack(np.broadcast_arrays(times[:-1, None], values[:-1]), axis=-1)
    end = np.stack(np.broadcast_arrays(times[1:, None], values[1:]), axis=-1)
    if leave.shape[-1] == 1 or arrive.shape[-1] == 1:
        if leave.shape != arrive.shape:
            raise fault(
                path, sampler, "tangents have one number here and two there", "Write the file again"
            )
        # Older files hold the change of value over the whole gap; the control points stand at its thirds.
        gap = np.broadcast_to((times[1:] - times[:-1])[:, None, None], leave.shape)
        first[:-1] = start + np.concatenate((gap, leave), axis=-1) / 3.0
        second[:-1] = end - np.concatenate((gap, arrive), axis=-1) / 3.0
        return first, second
    hermite = (kinds[:-1] == HERMITE)[:, None, None]
    first[:-1] = np.where(hermite, start + leave / 3.0, leave)
    second[:-1] = np.where(hermite, end - arrive / 3.0, arrive)
    _check_times(
        path, sampler, curved[:-1], start[..., 0], first[:-1, :, 0], second[:-1, :, 0], end[..., 0]
    )
    return first, second


def _tangents(
    path: str, sampler: Element, inputs: dict[str, Data], name: str, keys: int, width: int
) -> Array:
    """Return tangents (K, n, 2) of time and value, or (K, n, 1) of value alone."""
    data = inputs.get(name)
    if data is None or data.words is not None:
        raise fault(path, sampler, f"has curves, but no {name}", "Write the file again")
    if len(data.values) != keys or data.values.shape[1] not in (width, 2 * width):
        raise fault(
            path,
            sampler,
            f"{name} is {len(data.values)} times {data.values.shape[1]} numbers",
            f"For {keys} keys of {width} it is {keys} times {2 * width}, "
            f"or {keys} times {width} in older files",
        )
    return data.values.reshape(keys, width, -1)


def _check_times(
    path: str,
    sampler: Element,
    curved: np.ndarray,
    start: Array,
    first: Array,
    second: Array,
    end: Array,
) -> None:
    """Raise FormatError where a curve runs back in time."""
    # The derivative is a Bezier curve of degree two with these points; its least value on [0, 1]:
    a, b, c = first - start, second - first, end - second
    bend = a - 2 * b + c
    turning = np.clip(
        np.where(bend > 0.0, (a - b) / np.where(bend > 0.0, bend, 1.0), 0.0), 0.0, 1.0
    )
    lowest = (1 - turning) ** 2 * a + 2 * turning * (1 - turning) * b + turning**2 * c
    lowest = np.minimum(np.minimum(a, c), lowest)
    wrong = np.any(lowest < -MONOTONE * (end - start), axis=1) & curved
    if np.any(wrong):
        raise fault(
            path,
            sampler,
            f"the curve from key {int(np.argmax(wrong))} runs back in time",
            "Move the control points between the times of the two keys; keys are counted from 0",
        )
