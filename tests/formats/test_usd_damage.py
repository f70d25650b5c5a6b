"""USD files cut short or damaged at random: an error in words, or a shot, and never anything else."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.errors import FormatError
from audit.formats import usd
from audit.formats.usd import _layer
from audit.model import Shot
from audit.plugins import Opened
from tests.formats.usd_making import TEXT, binary

pytest.importorskip("pxr", reason="the package usd-core is not installed")

SAMPLE = TEXT.encode()
END = SAMPLE.rindex(b"}")


def shots_or_error(data: bytes) -> FormatError | None:
    """Read a file; return its error where it has one, and check what comes out where it has none."""
    caught = None
    shots: tuple[Shot, ...] = ()
    try:
        shots = usd.read(Opened(data, "a.usd"))
    except FormatError as error:
        caught = error
    if caught is not None:
        assert caught.path == "a.usd"
        assert caught.where
        assert caught.hint
    for shot in shots:
        assert np.isfinite(shot.rotations_xyzw).all()
        assert np.isfinite(shot.local_positions).all()
    return caught


def test_text_cut_short_anywhere_is_refused() -> None:
    for length in range(0, END + 1, 7):
        assert shots_or_error(SAMPLE[:length]) is not None
    assert shots_or_error(SAMPLE[: END + 1]) is None


@settings(max_examples=400, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(0, len(SAMPLE) - 1),
            st.one_of(
                st.integers(0, 255),
                st.sampled_from(list(b"\r\n\t {}()[]<>@#\"'0123456789.-eE/:,=")),
            ),
            st.sampled_from(["put", "insert", "drop"]),
        ),
        min_size=1,
        max_size=4,
    )
)
def test_damaged_text_never_raises_anything_else(changes: list[tuple[int, int, str]]) -> None:
    data = bytearray(SAMPLE)
    for place, byte, what in changes:
        at = min(place, len(data) - 1)
        data[at : at + (what != "insert")] = b"" if what == "drop" else bytes([byte])
    shots_or_error(bytes(data))


@settings(max_examples=150, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 40), st.integers(0, 10**6))
def test_pieces_of_text_in_other_places_raise_nothing_else(start: int, size: int, to: int) -> None:
    piece = SAMPLE[start % len(SAMPLE) :][:size]
    place = to % len(SAMPLE)
    shots_or_error(SAMPLE[:place] + piece + SAMPLE[place:])


def test_damaged_binary_is_refused_or_read() -> None:
    data = binary(TEXT)
    rng = np.random.default_rng(5)
    refused = 0
    for _ in range(24):
        mutant = bytearray(data)
        for place in rng.integers(len(data), size=rng.integers(1, 4)):
            mutant[place] ^= 1 << rng.integers(8)
        refused += shots_or_error(bytes(mutant)) is not None
    assert refused > 10
    for length in (8, 60, len(data) // 3, len(data) - 40, len(data) - 1):
        assert shots_or_error(data[:length]) is not None


@pytest.mark.slow
def test_much_damaged_binary_is_refused_or_read() -> None:
    data = binary(TEXT)
    rng = np.random.default_rng(6)
    for _ in range(400):
        mutant = bytearray(data)
        for place in rng.integers(len(data), size=rng.integers(1, 6)):
            mutant[place] = rng.integers(256)
        shots_or_error(bytes(mutant))


@pytest.mark.parametrize(
    ("script", "cause"),
    [
        ("import os; os.abort()", "breaks the rules of binary USD"),
        ("import ctypes; ctypes.string_at(0)", "breaks the rules of binary USD"),
        ("import time; time.sleep(60)", "took more than 1 seconds"),
    ],
)
def test_a_reader_that_ends_or_hangs_is_an_error(
    script: str, cause: str, monkeypatch: pytest.MonkeyPatch, tmp_path: object
) -> None:
    from pathlib import Path

    stand_in = Path(str(tmp_path), "_layer.py")
    stand_in.with_name("_clean.py").write_text(script)
    monkeypatch.setattr(_layer, "__file__", str(stand_in))
    monkeypatch.setattr(_layer, "SECONDS", 1.0)
    error = shots_or_error(b"PXR-USDC" + bytes(80))
    assert error is not None
    assert cause in error.cause


def test_one_array_named_very_often_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    from audit.formats.usd import _parts

    monkeypatch.setattr(_parts, "MOST_KEYS", 8)
    error = shots_or_error(SAMPLE)
    assert error is not None
    assert (error.cause, error.where) == ("has more than 8 keys", "/Heron/Walk.rotations")
    monkeypatch.setattr(_parts, "MOST_JOINTS", 4)  # the animation moves three
    error = shots_or_error(SAMPLE)
    assert error is not None
    assert error.where == "/Heron/Skel.joints"
