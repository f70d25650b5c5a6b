"""Read-only arrays of a wanted shape."""

from __future__ import annotations

import numpy as np
import pytest

from audit.errors import ShapeError
from audit.model import frozen_array


def test_it_copies_converts_and_freezes() -> None:
    values = np.arange(6, dtype=np.float32).reshape(2, 3)
    made = frozen_array(values, "values", (2, 3))
    assert made.dtype == np.float64
    assert not made.flags.writeable
    assert values.flags.writeable
    assert not np.shares_memory(made, values)


def test_any_length_is_none() -> None:
    assert frozen_array([[1, 2, 3]], "values", (None, 3)).shape == (1, 3)
    with pytest.raises(ShapeError, match=r"values should have shape \(any, 3\), got \(1, 2\)"):
        frozen_array([[1, 2]], "values", (None, 3))


def test_the_number_of_axes_counts_too() -> None:
    with pytest.raises(ShapeError, match=r"values should have shape \(any\), got \(1, 2\)"):
        frozen_array([[1, 2]], "values", (None,))


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_numbers_are_finite(bad: float) -> None:
    with pytest.raises(ShapeError, match="values holds a number that is not finite"):
        frozen_array([0.0, bad], "values", (None,))


def test_without_a_copy_the_same_memory_is_frozen() -> None:
    values = np.zeros(3)
    made = frozen_array(values, "values", (3,), copy=False)
    assert np.shares_memory(made, values)
    assert not made.flags.writeable


def test_arrays_in_another_memory_order_become_rows_first() -> None:
    assert frozen_array(np.zeros((2, 3)).T, "values", (3, 2)).flags.c_contiguous


def test_whole_numbers() -> None:
    assert frozen_array([1, 2], "places", (None,), np.int64).dtype == np.int64
