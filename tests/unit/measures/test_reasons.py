"""Why a joint gets no offset: one reason, the first that holds."""

from __future__ import annotations

import pytest

from audit.measures.reasons import ALONG_LIMB_DEG, why_no_offset
from audit.settings import Settings

LEAST = Settings().suggestion_range_deg


@pytest.mark.parametrize(
    ("kind", "turned", "has_limb", "along", "reason"),
    [
        ("still", 0.4, False, 90.0, "it hardly moves in this shot (0.4°)"),
        ("free", LEAST - 0.1, False, 90.0, "it turns only"),
        ("two-axis", 40.0, False, 90.0, "it moves on two axes, so no single axis"),
        ("free", 40.0, False, 90.0, "it moves freely, so no single axis"),
        ("hinge", 40.0, False, 90.0, "it has no limb axis"),
        ("hinge", 40.0, True, ALONG_LIMB_DEG + 0.1, "it turns about its own limb"),
    ],
)
def test_the_first_reason_that_holds_is_given(
    kind: str, turned: float, has_limb: bool, along: float, reason: str
) -> None:
    told = why_no_offset(kind, turned, has_limb, along, Settings())
    assert told is not None
    assert told.startswith(reason)


def test_a_hinge_that_turns_far_enough_across_its_limb_may_have_one() -> None:
    assert why_no_offset("hinge", LEAST, True, ALONG_LIMB_DEG, Settings()) is None


def test_many_shots_are_spoken_of_together() -> None:
    still = why_no_offset("still", 0.4, True, 0.0, Settings(), many_shots=True)
    little = why_no_offset("hinge", 2.0, True, 0.0, Settings(), many_shots=True)
    assert still == "it hardly moves in any shot (0.4°)"
    assert little is not None
    assert "only 2.0° in all shots together, and" in little
