"""What every format promises. A new format is found here by itself."""

from __future__ import annotations

import dataclasses
import hashlib
import inspect
import sys
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest

from audit.errors import AuditError, FormatError
from audit.formats import formats
from audit.model import Shot
from audit.plugins import Format, Opened, read_shots

FORMATS = list(formats().values())
WRITERS = [each for each in FORMATS if each.write is not None]

every_format = pytest.mark.parametrize("each", FORMATS, ids=lambda each: each.name)
every_writer = pytest.mark.parametrize("each", WRITERS, ids=lambda each: each.name)


def arrays_of(thing: object) -> list[np.ndarray]:
    """Return the arrays of a shot, of its skeleton and of its channels."""
    found: list[np.ndarray] = []
    for field in dataclasses.fields(thing):  # type: ignore[arg-type]
        value = getattr(thing, field.name)
        if isinstance(value, np.ndarray):
            found.append(value)
        elif dataclasses.is_dataclass(value):
            found += arrays_of(value)
    return found


def same(left: Shot, right: Shot) -> bool:
    """Tell whether two shots hold the same arrays to the last bit, and the same names and orders."""
    one, other = arrays_of(left), arrays_of(right)
    return (
        left.skeleton.names == right.skeleton.names
        and left.skeleton.orders == right.skeleton.orders
        and [each.shape for each in one] == [each.shape for each in other]
        and all(a.tobytes() == b.tobytes() for a, b in zip(one, other, strict=True))
    )


def test_there_are_formats_and_one_can_be_written() -> None:
    assert FORMATS
    assert WRITERS


def test_no_two_formats_claim_a_suffix() -> None:
    suffixes = [suffix for each in FORMATS for suffix in each.suffixes]
    assert len(suffixes) == len(set(suffixes))


def first_of(
    each: Format, data: bytes, path: str, files: Mapping[str, bytes] | None = None
) -> Shot:
    """Read a file of a format, with a skeleton where the format keeps it apart, and return the first shot.

    The skeleton is the sample's, or the second of the files that were written together.
    """
    skeleton = each.sample().skeleton
    if skeleton is not None and files is not None:
        name = next(name for name in files if files[name] is not data)
        skeleton = Opened(files[name], name)
    return each.read(Opened(data, path, skeleton))[0]


def beside(each: Format, folder: Path) -> Path | None:
    """Write the sample's separate skeleton into a folder and return its path, None where there is none."""
    skeleton = each.sample().skeleton
    if skeleton is None:
        return None
    path = folder / skeleton.path
    path.write_bytes(skeleton.data)
    return path


@every_format
def test_its_name_title_and_suffixes(each: Format) -> None:
    assert each.name == each.name.lower()
    assert each.title
    assert "\n" not in each.title
    assert each.suffixes
    assert all(suffix == suffix.lower() and suffix.startswith(".") for suffix in each.suffixes)


@every_format
def test_its_module_says_what_is_read_and_what_is_refused(each: Format) -> None:
    page = inspect.getdoc(sys.modules[each.read.__module__]) or ""
    assert "What is read" in page
    assert "What is refused" in page


@every_format
def test_its_sample_is_a_shot(each: Format) -> None:
    shot = first_of(each, each.sample().data, "takes/first.one")
    assert shot.frames >= 1
    assert len(shot.skeleton) >= 1
    assert shot.rotations_xyzw.shape == (shot.frames, len(shot.skeleton), 4)
    assert shot.source.file == "takes/first.one"
    assert shot.source.format == each.name
    assert shot.source.sha256 == hashlib.sha256(each.sample().data).hexdigest()


@every_format
def test_its_sample_is_recognised_by_content_and_by_no_other_format(
    each: Format, tmp_path: Path
) -> None:
    assert [other.name for other in FORMATS if other.recognises(each.sample().data[:4096])] == [
        each.name
    ]
    misnamed = tmp_path / "shot.dat"
    misnamed.write_bytes(each.sample().data)
    assert read_shots(misnamed, formats(), beside(each, tmp_path))[0].source.format == each.name


@every_format
@pytest.mark.parametrize("other", [b"", b"\0" * 64, b"\xff\xfe\xfd", b"Lorem ipsum\n", b"{}"])
def test_other_content_is_not_recognised(each: Format, other: bytes) -> None:
    assert not each.recognises(other)


@every_format
def test_a_sample_cut_short_is_refused(each: Format) -> None:
    data = each.sample().data
    for length in (0, 1, len(data) // 4, len(data) // 2, len(data) * 3 // 4):
        with pytest.raises(FormatError) as caught:
            first_of(each, data[:length], "takes/first.one")
        assert caught.value.path == "takes/first.one"
        assert caught.value.where
        assert caught.value.hint


@every_format
def test_damage_anywhere_in_the_sample_is_an_error_of_ours_or_none(each: Format) -> None:
    rng = np.random.default_rng(20)
    for _ in range(200):
        data = bytearray(each.sample().data)
        for place in rng.integers(len(data), size=3):
            data[place] = rng.integers(256)
        try:
            shot = first_of(each, bytes(data), "takes/first.one")
        except AuditError:
            continue
        assert np.isfinite(shot.rotations_xyzw).all()


@every_format
def test_it_gives_the_same_twice(each: Format) -> None:
    assert same(first_of(each, each.sample().data, "a"), first_of(each, each.sample().data, "a"))


@every_format
def test_its_arrays_are_read_only(each: Format) -> None:
    shot = first_of(each, each.sample().data, "a")
    arrays = [*arrays_of(shot), shot.rotations_xyzw, shot.local_positions]
    assert arrays
    assert not any(array.flags.writeable for array in arrays)


@every_writer
def test_what_it_writes_reads_back(each: Format) -> None:
    assert each.write is not None
    shot = first_of(each, each.sample().data, "a")
    suffix = each.suffixes[0]
    files = each.write([shot], f"again{suffix}")
    assert next(iter(files)) == f"again{suffix}"
    again = first_of(each, files[f"again{suffix}"], "a", files)
    assert same(again, shot)
    assert each.write([again], f"again{suffix}") == files
