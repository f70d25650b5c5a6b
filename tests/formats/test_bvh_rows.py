"""The quick ways through the rows against the slow one, which works word by word in plain Python.

Plain numbers are read by compiled code where the package was built with it; then each way is tested.
"""

import hashlib
import random
from concurrent.futures import ThreadPoolExecutor
from typing import Any
from unittest import mock

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.errors import FormatError
from audit.formats.bvh import _rows, read
from audit.formats.bvh._header import Header, read_header

plain: Any = _rows._plain_numbers
needs_compiled = pytest.mark.skipif(plain is None, reason="built without the compiled reader")

SKELETON = b"HIERARCHY ROOT a { OFFSET 0 0 0 CHANNELS 3 Zrotation Xrotation Yrotation }\nMOTION\n"

numbers = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
    st.from_regex(
        r"[+-]?([0-9]{1,5}\.?[0-9]{0,20}|\.[0-9]{1,9})([eE][+-]?[0-9]{1,3})?", fullmatch=True
    ),
)
spellings = st.one_of(numbers, st.text("0123456789+-.eE", min_size=1, max_size=9))
strays = st.sampled_from(
    ["nan", "inf", "-Infinity", "#", "1_0", "_1", "x", "\x00", "1\x0c2", "é", '"1"', "1,5"]
)
decimals = st.decimals(-(10**6), 10**6, places=6, allow_nan=False, allow_infinity=False).map(str)
gaps = st.sampled_from([" ", "\n", "\r\n", "\r", "\t", "  ", " \n\n ", "\t\r"])


def quick(data: bytes, header: Header) -> np.ndarray | None:
    """Return what the quick way makes of the rows, None where it hands over to the slow way."""
    rows = _rows._Rows(data, header)
    with ThreadPoolExecutor(1) as pool:
        helper = pool.submit(rows.fill, from_the_end=True)
        rows.fill()
        helper.result()
    return rows.values_of_whole_rows()


def slow(data: bytes, header: Header) -> np.ndarray | None:
    """Return what the slow way makes of the rows, None where it refuses them."""
    try:
        return _rows.rows_one_by_one(data, header, "a.bvh")
    except FormatError:
        return None


def agree(body: str, frames: int, piece: int) -> bool:
    """Check that both ways agree on rows, and return whether they took them."""
    data = SKELETON + f"Frames: {frames}\nFrame Time: 0.1\n{body}".encode()
    header = read_header(data, "a.bvh")
    other = slow(data, header)
    for compiled in {plain, None}:
        with (
            mock.patch.object(_rows, "PIECE", piece),
            mock.patch.object(_rows, "_plain_numbers", compiled),
        ):
            one = quick(data, header)
        assert (one is None) == (other is None)
        if one is not None and other is not None:
            assert one.shape == other.shape == (frames, 3)
            assert one.tobytes() == other.tobytes()
    return other is not None


@settings(max_examples=400, deadline=None)
@given(
    st.lists(st.tuples(st.one_of(numbers, decimals), gaps), max_size=24),
    st.integers(1, 8),
    st.integers(1, 60),
    st.booleans(),
)
def test_both_ways_agree_on_layout(
    words: list[tuple[str, str]], frames: int, piece: int, fit: bool
) -> None:
    if fit:
        frames = max(1, len(words) // 3)
        words = words[: 3 * frames]
    agree("".join(word + gap for word, gap in words), frames, piece)


@settings(max_examples=400, deadline=None)
@given(
    st.lists(st.one_of(numbers, decimals, spellings, strays), min_size=3, max_size=3),
    st.integers(1, 60),
)
def test_both_ways_agree_on_spelling(words: list[str], piece: int) -> None:
    agree(" ".join(words) + "\n", 1, piece)


@settings(max_examples=100, deadline=None)
@given(
    st.lists(numbers, min_size=3, max_size=60),
    st.integers(1, 60),
    st.randoms(use_true_random=False),
)
def test_whole_rows_are_taken_however_they_are_wrapped(
    words: list[str], piece: int, rng: random.Random
) -> None:
    frames = len(words) // 3
    body = ""
    for place, word in enumerate(words[: 3 * frames]):
        at_row_end = place % 3 == 2
        body += word + ("\n" if at_row_end else rng.choice([" ", "\n", "\t\n "]))
    assert agree(body, frames, piece) == all(
        np.isfinite(float(word)) for word in words[: 3 * frames]
    )


def test_two_threads_put_every_number_in_its_place() -> None:
    rng = np.random.default_rng(3)
    values = rng.normal(size=(30_000, 3))
    rows = "\n".join(" ".join(map(repr, row)) for row in values.tolist())
    data = SKELETON + f"Frames: 30000\nFrame Time: 0.1\n{rows}".encode()
    for piece in (1 << 10, 1 << 14, 1 << 18, 1 << 24):
        with mock.patch.object(_rows, "PIECE", piece):
            shot = read(data, "a.bvh")
        assert shot.channels is not None
        assert np.array_equal(shot.channels.values, values)
    assert shot.source.sha256 == hashlib.sha256(data).hexdigest()


def test_a_count_of_frames_that_cannot_be_asks_for_no_memory() -> None:
    data = SKELETON + b"Frames: 999999999999999\nFrame Time: 0.1\n1 2 3\n"
    header = read_header(data, "a.bvh")
    assert len(_rows._Rows(data, header).values) == 0


PLAIN = (
    "0.0 -0.0 +1.5 5. .5 -12.345678 1234.1234567 1e-5 1E+5 -7 0.000001 9007199254740992 123456789.25 12345.5 "
    "0.12345678 179.9999999"
)
NOT_PLAIN = (
    "9007199254740993 0.1234567890123456789 1e23 1e-30 1e99999999999999999999 . - + e5 1e 1e+ --5 +-5 1.2.3 "
    "1,5 0x1p3 nan -inf 1.5\x00 \x001.5 1.5\x0b 1.\xff5 12.3456\x7f 1_0 1.5f 1.:5 1./5 :1.5"
)


def plain_numbers(text: bytes, room: int = 64) -> tuple[list[float], list[int]] | None:
    """Return what the compiled reader makes of a text: the numbers, and how many stand before each line end."""
    values, ends = np.zeros(room), np.zeros(room, dtype=np.int64)
    found = plain(text, 0, len(text), values, ends)
    return found and (values[: found[0]].tolist(), ends[: found[1]].tolist())


@needs_compiled
@settings(max_examples=1000, deadline=None)
@given(st.lists(st.one_of(decimals, numbers, spellings), min_size=1, max_size=4), st.booleans())
def test_what_the_compiled_reader_takes_it_gives_to_the_last_bit(
    words: list[str], far_from_the_end: bool
) -> None:
    # The last sixteen bytes of a text are read in another way than those before.
    text = " ".join(words) + " " * (40 * far_from_the_end)
    found = plain_numbers(text.encode())
    if found is not None:
        assert np.array(found[0]).tobytes() == np.array([float(word) for word in words]).tobytes()


@needs_compiled
@pytest.mark.parametrize("after", ["", " " * 40])
@pytest.mark.parametrize(
    "word",
    PLAIN.split(),
)
def test_the_compiled_reader_takes_what_files_are_full_of(word: str, after: str) -> None:
    found = plain_numbers((word + after).encode())
    assert found is not None
    assert np.array(found[0]).tobytes() == np.array([float(word)]).tobytes()


@needs_compiled
@pytest.mark.parametrize("after", ["", " " * 40, " 1.5" * 10])
@pytest.mark.parametrize(
    "word",
    NOT_PLAIN.split(" "),
)
def test_the_compiled_reader_leaves_what_is_not_plain(word: str, after: str) -> None:
    assert plain_numbers(("2.5 " + after).encode()) is not None
    assert plain_numbers(("2.5 " + word + after).encode("latin-1")) is None


@needs_compiled
def test_the_compiled_reader_counts_numbers_before_each_line_end() -> None:
    assert plain_numbers(b"\n1.5 2\t3.25\r\n\n 4 \r5") == ([1.5, 2, 3.25, 4, 5], [0, 3, 3, 3, 4])
    assert plain_numbers(b"") == ([], [])


@needs_compiled
def test_the_compiled_reader_keeps_within_its_buffers() -> None:
    text = b"1.5 2.5 3.5\n4.5\n"
    ends = np.zeros(4, dtype=np.int64)
    for room in range(4):
        values = np.full(8, -1.0)
        assert plain(text, 0, len(text), values[:room], ends) is None
        assert np.all(values[room:] == -1.0)
    assert plain(text, 0, len(text), np.zeros(4), ends[:1]) is None
    assert plain(text, 4, 11, np.zeros(4), ends) == (2, 0)
    for start, end in ((-1, 4), (5, 4), (0, len(text) + 1)):
        with pytest.raises(ValueError, match="do not lie in the text"):
            plain(text, start, end, np.zeros(4), ends)
    with pytest.raises((BufferError, ValueError, TypeError)):
        plain(text, 0, 4, b"12345678", ends)
