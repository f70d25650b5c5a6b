"""Read-only arrays: a shot that has been read is never changed by what looks at it."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np
import numpy.typing as npt

from audit.errors import ShapeError


def frozen_array(
    values: npt.ArrayLike,
    name: str,
    shape: tuple[int | None, ...],
    dtype: npt.DTypeLike = np.float64,
    *,
    copy: bool = True,
) -> npt.NDArray[Any]:
    """Return values as a read-only array of the wanted shape and type.

    Parameters
    ----------
    values
        Anything that numpy makes an array of.
    name
        What to call it in an error.
    shape
        Wanted length of each axis; None for an axis of any length.
    dtype
        Wanted type of number.
    copy
        Pass False for an array that nobody else holds, which saves the time of copying it.

    Raises
    ------
    ShapeError
        Where the shape differs, or a number is NaN or infinite.
    """
    array = np.array(values, dtype=dtype, order="C") if copy else np.asarray(values, dtype=dtype)
    fits = array.ndim == len(shape) and all(
        want is None or want == have for want, have in zip(shape, array.shape, strict=True)
    )
    if not fits:
        wanted = ", ".join("any" if want is None else str(want) for want in shape)
        raise ShapeError(f"{name} should have shape ({wanted}), got {array.shape}")
    if array.dtype.kind == "f" and not np.isfinite(array).all():
        raise ShapeError(f"{name} holds a number that is not finite")
    array.setflags(write=False)
    return array


class Frozen:
    """Base of the dataclasses that hold read-only arrays: they stay read-only on the way between processes.

    Pickling makes arrays writable again and would carry cached figures along; both are seen to here.
    """

    def __getstate__(self) -> dict[str, Any]:
        """Return the fields, without what was worked out from them."""
        return {each.name: getattr(self, each.name) for each in fields(self)}  # type: ignore[arg-type]

    def __setstate__(self, state: dict[str, Any]) -> None:
        """Restore the fields, with their arrays read-only."""
        for value in state.values():
            if isinstance(value, np.ndarray):
                value.setflags(write=False)
        self.__dict__.update(state)
