"""Cleaner, same or messier: one plain rule, the same both ways."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.compare import verdict


def row(keys: int, spread: float | None, channels: int = 1) -> dict[str, Any]:
    return {"edit_keys": keys, "channel_spread": spread, "moving_channels": channels}


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        (row(351, 2.2, 3), row(139, 1.0), "cleaner"),
        (row(139, 1.0), row(351, 2.2, 3), "messier"),
        (row(100, 1.5, 2), row(95, 1.5, 2), "same"),
        (row(100, 1.5, 2), row(94, 1.5, 2), "cleaner"),
        (row(3, 1.0), row(2, 1.0), "same"),
        (row(4, 1.0), row(2, 1.0), "cleaner"),
        (row(100, 1.5, 2), row(100, 1.44, 2), "cleaner"),
        (row(100, 1.5, 2), row(100, 1.46, 2), "same"),
        (row(100, 1.5, 2), row(90, 1.9, 2), "cleaner"),
        (row(0, None, 0), row(0, None, 0), "same"),
        (row(0, 2.5, 0), row(0, 1.0, 0), "same"),
        (row(0, None, 0), row(12, 1.0), "messier"),
    ],
)
def test_edit_keys_decide_and_then_the_spread(before: Any, after: Any, said: str) -> None:
    assert verdict(before, after) == said


def test_over_another_time_the_spread_alone_decides() -> None:
    assert verdict(row(351, 1.0), row(139, 1.0), same_range=False) == "same"
    assert verdict(row(100, 1.0), row(300, 1.6, 2), same_range=False) == "messier"


rows = st.builds(row, st.integers(0, 400), st.none() | st.floats(1.0, 3.0), st.integers(0, 3))


@given(rows, rows, st.booleans())
def test_the_way_back_is_the_other_verdict(before: Any, after: Any, same_range: bool) -> None:
    back = {"cleaner": "messier", "messier": "cleaner", "same": "same"}
    there = verdict(before, after, same_range=same_range)
    assert verdict(after, before, same_range=same_range) == back[there]
    assert verdict(before, before, same_range=same_range) == "same"
