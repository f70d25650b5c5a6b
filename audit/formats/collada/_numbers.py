"""Numbers in elements and in sources."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from audit.errors import FormatError
from audit.formats.collada._xml import Element, children, fault, first, local_id

Array = npt.NDArray[np.float64]

LARGEST = 1e30
"""Larger numbers are refused (our choice): a product of a few of them would not be finite any more."""


def numbers_in(path: str, element: Element, count: int | None = None) -> Array:
    """Return the numbers that stand in an element.

    Raises
    ------
    FormatError
        Where a word is no finite number, or there are not ``count`` of them.
    """
    words = (element.text or "").split()
    if count is not None and len(words) != count:
        raise fault(
            path, element, f"holds {len(words)} numbers where {count} belong", "Correct the element"
        )
    try:
        values = np.array(list(map(float, words)), dtype=np.float64)
    except ValueError:
        values = np.full(1, np.nan)
    # float() takes 1_000, which no other reader does.
    if not np.all(np.abs(values) <= LARGEST) or any("_" in word for word in words):
        wrong = next((word for word in words if not _fine(word)), "a word")
        raise fault(
            path,
            element,
            f"{wrong[:40]!r} is not a finite number",
            "Only numbers such as 12.5 or -1e-3 may stand there",
        )
    return values


def _fine(word: str) -> bool:
    try:
        return abs(float(word)) <= LARGEST and "_" not in word
    except ValueError:
        return False


@dataclass(frozen=True, slots=True)
class Data:
    """What a source holds: one row for each entry of its accessor; words are None for numbers."""

    values: Array
    words: tuple[str, ...] | None


def data_of(path: str, source: Element) -> Data:
    """Return what a source holds.

    Raises
    ------
    FormatError
        Where its accessor points past its array, or its numbers are none.
    """
    common = first(source, "technique_common")
    accessor = None if common is None else first(common, "accessor")
    if accessor is None:
        raise fault(path, source, "has no accessor in technique_common", "Write the file again")
    wanted = local_id(path, accessor, "source")
    array = next(
        (
            child
            for child in children(source, "float_array", "Name_array", "IDREF_array")
            if child.get("id") == wanted
        ),
        None,
    )
    if array is None:
        raise fault(
            path, accessor, f"names the array {wanted!r}, which the source lacks", "Correct it"
        )
    count, stride, offset = (
        _whole(path, accessor, name, default)
        for name, default in (("count", None), ("stride", 1), ("offset", 0))
    )
    if stride < 1:
        raise fault(path, accessor, "stride is below 1", "Correct it")
    words = tuple((array.text or "").split()) if not array.tag.endswith("float_array") else None
    flat = numbers_in(path, array) if words is None else np.zeros(len(words))
    stated = array.get("count")
    if stated is not None and stated.strip() != str(len(flat)):
        raise fault(
            path,
            array,
            f"count says {stated[:20]}, but the array holds {len(flat)}",
            "The file seems to be cut short, or the count is wrong",
        )
    if offset + count * stride > len(flat):
        raise fault(
            path,
            accessor,
            f"reads {offset + count * stride} entries of an array of {len(flat)}",
            "Correct count, stride or offset",
        )
    if words is not None:
        return Data(np.zeros((count, 0)), words[offset : offset + count * stride : stride])
    rows = flat[offset : offset + count * stride].reshape(count, stride)
    return Data(rows[:, _columns(accessor, stride)], None)


def _columns(accessor: Element, stride: int) -> list[int]:
    """Return the columns that an accessor hands on: those of its params without a name are left out.

    Many files name none of their params and mean all of them; then all are taken.
    """
    params = list(children(accessor, "param"))
    named = [number for number, param in enumerate(params) if param.get("name")]
    if named and len(params) == stride:
        return named
    return list(range(stride))


def _whole(path: str, element: Element, attribute: str, default: int | None) -> int:
    """Return an attribute that is a whole number from 0 up."""
    text = element.get(attribute)
    if text is None and default is not None:
        return default
    if text is None or not (text.strip().isascii() and text.strip().isdigit() and len(text) < 13):
        raise FormatError(
            f"{attribute} is {text!r}",
            path=path,
            where=f"line {element.sourceline or 'unknown'}, accessor",
            hint="It is a whole number from 0 up",
        )
    return int(text)
