"""The quick way through the rows against the slow one, which works word by word in plain Python."""

import hashlib
import random
from concurrent.futures import ThreadPoolExecutor
from unittest import mock

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.errors import FormatError
from audit.formats.bvh import _rows, read
from audit.formats.bvh._header import Header, read_header

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
    with mock.patch.object(_rows, "PIECE", piece):
        one, other = quick(data, header), slow(data, header)
    assert (one is None) == (other is None)
    if one is None or other is None:
        return False
    assert one.shape == other.shape == (frames, 3)
    assert one.tobytes() == other.tobytes()
    return True


@settings(max_examples=400, deadline=None)
@given(
    st.lists(st.tuples(numbers, gaps), max_size=24),
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
@given(st.lists(st.one_of(numbers, spellings, strays), min_size=3, max_size=3), st.integers(1, 60))
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
