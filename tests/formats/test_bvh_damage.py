"""Files cut short or damaged at random: an error in words, or a shot, and never anything else."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.errors import FormatError
from audit.formats.bvh import read, sample

SAMPLE = sample()
NUMBERS = 18


def complete(data: bytes) -> bool:
    """Tell, without the reader, whether a file cut short still has all its numbers."""
    words = data.partition(b"Frame Time: 0.04\n")[2].split()
    return len(words) == NUMBERS and words[-1].strip(b"0123456789.") == b""


def test_a_file_cut_short_anywhere_is_refused() -> None:
    read_anyway = []
    for length in range(len(SAMPLE)):
        if complete(SAMPLE[:length]):
            assert read(SAMPLE[:length], "a.bvh").frames == 2
            read_anyway.append(length)
        else:
            with pytest.raises(FormatError) as caught:
                read(SAMPLE[:length], "a.bvh")
            assert (caught.value.where or "").startswith("line ")
            assert caught.value.hint
    # What is left of the last number, "0.0", is then "0", "0." or all of it without its line ending.
    assert read_anyway == [len(SAMPLE) - 3, len(SAMPLE) - 2, len(SAMPLE) - 1]


@settings(max_examples=500, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(0, len(SAMPLE) - 1),
            st.one_of(st.integers(0, 255), st.sampled_from(list(b"\r\n\t {}0123456789.-+eE"))),
            st.sampled_from(["put", "insert", "drop"]),
        ),
        min_size=1,
        max_size=4,
    )
)
def test_damaged_bytes_never_raise_anything_else(changes: list[tuple[int, int, str]]) -> None:
    data = bytearray(SAMPLE)
    for place, byte, what in changes:
        at = min(place, len(data) - 1)
        data[at : at + (what != "insert")] = b"" if what == "drop" else bytes([byte])
    try:
        shot = read(bytes(data), "a.bvh")
    except FormatError:
        return
    assert shot.channels is not None
    assert np.isfinite(shot.channels.values).all()
    assert shot.channels.values.shape[0] == shot.frames


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=400))
def test_nor_does_anything_after_the_first_word(rest: bytes) -> None:
    with pytest.raises(FormatError):
        read(b"HIERARCHY " + rest, "a.bvh")
