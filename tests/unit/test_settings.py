"""The thresholds: what they are, what is refused, and that all of them are written down."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, fields

import pytest

from audit.conventions import ORDERS
from audit.errors import UsageError
from audit.settings import Settings


def test_the_projects_definitions() -> None:
    assert Settings().as_dict() == {
        "reference": "rest",
        "order": None,
        "still_range_deg": 1.0,
        "hinge_share": 0.95,
        "two_axis_share": 0.97,
        "suggestion_range_deg": 5.0,
        "confidence": 0.95,
        "moving_range_deg": 1.0,
        "key_tolerance_deg": 0.25,
        "aim_limit_deg": 0.5,
    }


def test_every_field_is_written_down_and_explained() -> None:
    names = {field.name for field in fields(Settings)}
    assert set(Settings().as_dict()) == names
    for name in names:
        assert name in (Settings.__doc__ or "")


@pytest.mark.parametrize("order", ["zxy", "ZXZ", "ZX", "", "ZXY "])
def test_an_order_that_is_none(order: str) -> None:
    with pytest.raises(
        UsageError, match=r"is not a rotation order\. Use one of XYZ, XZY"
    ) as caught:
        Settings(order=order)
    assert caught.value.exit_code == 2


@pytest.mark.parametrize("order", [None, *ORDERS])
def test_orders_that_are_taken(order: str | None) -> None:
    assert Settings(order=order).order == order


def test_a_reference_that_is_none() -> None:
    with pytest.raises(UsageError, match="reference is 'rest' or 'parent', not 'world'"):
        Settings(reference="world")  # type: ignore[arg-type]


def test_they_cannot_be_changed() -> None:
    with pytest.raises(FrozenInstanceError):
        Settings().order = "XYZ"  # type: ignore[misc]
