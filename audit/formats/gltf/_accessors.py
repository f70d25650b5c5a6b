"""Accessors: the arrays of numbers in a glTF file, in all the ways in which they may be stored."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from audit.formats.gltf._document import Document
from audit.formats.gltf._json import Json

Array = npt.NDArray[np.float64]

COMPONENTS: dict[int, np.dtype[Any]] = {
    5120: np.dtype("i1"),
    5121: np.dtype("u1"),
    5122: np.dtype("<i2"),
    5123: np.dtype("<u2"),
    5125: np.dtype("<u4"),
    5126: np.dtype("<f4"),
}
FLOAT = 5126
SMALL = (5120, 5121, 5122, 5123)
UNSIGNED = (5121, 5123)
"""Component types: integers of 8 and 16 bits, and those of them without a sign."""

WIDTHS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT2": 4, "MAT3": 9, "MAT4": 16}

MOST_NUMBERS = 100_000_000
"""Numbers that are decoded of one file, 800 MB of them: a small file can name the same data a thousand times,
or none at all for zeros. 300 joints with 30,000 keys need two thirds of it."""


@dataclass(frozen=True, eq=False)
class Stored:
    """The numbers of an accessor.

    Attributes
    ----------
    values : (K, n)
        Decoded; nobody else holds them.
    rounding
        Largest error that storing a number between −1 and 1 brings: half a step for normalised integers, 0 for
        floats.
    """

    values: Array
    rounding: float


class Accessors:
    """Decodes the accessors of a document, and keeps count of how much that was."""

    def __init__(self, document: Document) -> None:
        self._document = document
        self._numbers = 0
        self._room = np.zeros(0)

    def make_room(self, numbers: int) -> None:
        """Make room for numbers that are about to be decoded, in one block.

        Asking the system for many middling arrays, page by page, takes longer than decoding them. What turns
        out to need more than this gets arrays of its own.
        """
        # A number takes a byte or more of the file, or it is a zero that needs no room beforehand.
        self._room = np.zeros(min(numbers, len(self._document.data), MOST_NUMBERS))

    def _taken(self, count: int, width: int) -> Array:
        """Return an array (count, width) to fill, out of the room where it fits."""
        numbers = count * width
        if numbers > len(self._room):
            return np.zeros((count, width))
        taken, self._room = self._room[:numbers], self._room[numbers:]
        return taken.reshape(count, width)

    def count(self, numbers: int, where: str) -> None:
        """Count numbers that are about to be made; FormatError where they become too many."""
        self._numbers += numbers
        if self._numbers > MOST_NUMBERS:
            raise self._document.refusal(
                where,
                f"with this there are more than {MOST_NUMBERS:,} numbers to read",
                "Split the file into several with fewer keys",
            )

    def numbers(
        self,
        reference: Json,
        kind: str,
        where: str,
        *,
        floats: bool = True,
        normalised: Collection[int] = (),
        plain: Collection[int] = (),
    ) -> Stored:
        """Return the numbers of an accessor of a certain kind.

        Parameters
        ----------
        reference
            Its number, as the JSON has it.
        kind
            ``SCALAR``, ``VEC3``, ``VEC4`` or ``MAT4``.
        where
            What refers to it.
        floats
            True where it may hold floats.
        normalised
            Component types of the integers that it may hold as shares of the largest one.
        plain
            Component types of the integers that it may hold as they are.

        Raises
        ------
        FormatError
            Where it is of another kind, its data is not all there, or a number is not finite.
        """
        document = self._document
        number = document.index(reference, "accessors", where)
        accessor = document.objects("accessors")[number]
        place = f"accessors[{number}]"
        component, found = accessor.get("componentType"), accessor.get("type")
        scaled = accessor.get("normalized", False)
        forms = (
            (floats, "floats", floats and component == FLOAT),
            (normalised, "normalised integers", scaled is True and component in normalised),
            (plain, "integers", scaled is False and component in plain),
        )
        if found != kind or not any(fits for _, _, fits in forms):
            wanted = " or ".join(name for allowed, name, _ in forms if allowed)
            raise document.refusal(
                place,
                f"{where} needs {kind} of {wanted}, but type {str(found)[:10]!r}, componentType "
                f"{str(component)[:10]} and normalized {str(scaled)[:10].lower()} are given",
                "Correct the reference, or write the file again",
            )
        return self._decode(accessor, place, scaled=scaled is True and component != FLOAT)

    def _decode(self, accessor: dict[str, Json], where: str, *, scaled: bool) -> Stored:
        document = self._document
        dtype = COMPONENTS[accessor["componentType"]]
        width = WIDTHS[accessor["type"]]
        count = document.whole(accessor, "count", where, least=1)
        self.count(count * width, where)
        if "bufferView" in accessor:
            offset = document.whole(accessor, "byteOffset", where, default=0)
            raw = self._viewed(accessor["bufferView"], offset, count, width, dtype, where)
        else:
            raw = np.zeros((count, width), dtype)
        if "sparse" in accessor:
            raw = self._sparse(accessor, raw, where)
        if dtype.kind == "f" and not np.isfinite(raw).all():
            bad = np.flatnonzero(~np.isfinite(raw).all(axis=1))[0]
            raise document.refusal(
                f"{where}, element {bad}",
                "a number is NaN or infinite",
                "Write the file again with finite numbers",
            )
        values = self._taken(count, width)
        values[:] = raw
        rounding = 0.0
        if scaled:
            largest = float(np.iinfo(dtype).max)
            np.maximum(values / largest, -1.0, out=values)
            rounding = 0.5 / largest
        return Stored(values, rounding)

    def _viewed(
        self,
        reference: Json,
        offset: int,
        count: int,
        width: int,
        dtype: np.dtype[Any],
        where: str,
    ) -> npt.NDArray[Any]:
        """Return elements of a buffer view as an array (count, width) that shares the buffer's memory."""
        document = self._document
        number = document.index(reference, "bufferViews", f"{where}.bufferView")
        view = document.objects("bufferViews")[number]
        place = f"bufferViews[{number}]"
        buffer_number = document.index(view.get("buffer"), "buffers", f"{place}.buffer")
        buffer = document.buffers[buffer_number]
        start = document.whole(view, "byteOffset", place, default=0)
        length = document.whole(view, "byteLength", place, least=1)
        if buffer.kind == "nowhere":
            raise document.refusal(
                f"buffers[{buffer_number}]",
                f"has no data, but {where} needs some",
                "Write the file again with plain, uncompressed buffers",
            )
        if start + length > buffer.end - buffer.start:
            raise document.refusal(
                place,
                f"ends at byte {start + length:,}, past its buffer of {buffer.end - buffer.start:,}",
                "The file is damaged; write it again",
            )
        size = width * dtype.itemsize
        stride = (
            document.whole(view, "byteStride", place, least=4, default=size)
            if "byteStride" in view
            else size
        )
        if stride < size:
            raise document.refusal(
                f"{place}.byteStride",
                f"steps of {stride} bytes are shorter than the elements of {size}",
                "Correct it, or write the file again",
            )
        end = offset + (count - 1) * stride + size
        if end > length:
            raise document.refusal(
                where,
                f"its {count:,} elements end at byte {end:,} of {place}, which has {length:,}",
                "The file is damaged; write it again",
            )
        return np.ndarray(
            (count, width),
            dtype,
            buffer.content,
            buffer.start + start + offset,
            (stride, dtype.itemsize),
        )

    def _sparse(
        self, accessor: dict[str, Json], base: npt.NDArray[Any], where: str
    ) -> npt.NDArray[Any]:
        """Return the elements with those replaced that the accessor lists apart."""
        document = self._document
        where = f"{where}.sparse"
        sparse = document.object(accessor, "sparse", where.removesuffix(".sparse"))
        count = document.whole(sparse, "count", where, least=1)
        parts = []
        for name in ("indices", "values"):
            part = document.object(sparse, name, where)
            dtype, width = base.dtype, base.shape[1]
            if name == "indices":
                component = part.get("componentType")
                if component not in (5121, 5123, 5125):
                    raise document.refusal(
                        f"{where}.indices.componentType",
                        "should be 5121, 5123 or 5125",
                        "Correct it, or write the file again",
                    )
                dtype, width = COMPONENTS[component], 1
            offset = document.whole(part, "byteOffset", f"{where}.{name}", default=0)
            parts.append(
                self._viewed(part.get("bufferView"), offset, count, width, dtype, f"{where}.{name}")
            )
        places = parts[0][:, 0].astype(np.int64)
        if np.any(np.diff(places) <= 0) or places[-1] >= len(base):
            raise document.refusal(
                f"{where}.indices",
                f"should increase and stay below the count of {len(base):,}",
                "The file is damaged; write it again",
            )
        filled = base.copy()
        filled[places] = parts[1]
        return filled
