"""Rows from what was measured."""

from __future__ import annotations

import numpy as np
import pytest

from audit.errors import UsageError
from audit.measures import measure_shot
from audit.model import Shot
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.pipeline import suggest
from audit.sheet import read_sheet, sheet_text, suggested


def knee(angle_deg: float, reach: float = 70.0) -> Shot:
    """Return a limb along −Y whose hinge is turned by an angle about the limb."""
    angle = np.deg2rad(angle_deg)
    axis = (float(np.cos(angle)), 0.0, float(np.sin(angle)))
    return limb_shot(hinge_channels(axis, bend(high=reach)))


def test_a_messy_hinge_gets_the_twist_that_was_put_in() -> None:
    sheet = suggested([(knee(25.0).skeleton, measure_shot(knee(25.0)))])
    row = sheet.rows[1]
    assert row.joint == "L_Knee"
    # The limb points along −Y: what turns X towards Z is right-handed about it.
    assert row.twist_offset_deg == pytest.approx(25.0, abs=0.1)
    assert row.limb_axis == (0.0, -1.0, 0.0)
    assert row.target_axis == "X"
    assert row.advised_order is not None
    assert row.advised_order.endswith("X")
    assert row.twist_low_deg is not None
    assert row.twist_high_deg is not None
    assert row.twist_offset_deg is not None
    assert row.twist_low_deg <= row.twist_offset_deg <= row.twist_high_deg
    assert row.range_deg == pytest.approx(70.0, abs=0.1)


def test_what_gains_nothing_gets_a_reason() -> None:
    for shot in (knee(0.0), knee(25.0, reach=2.0)):
        sheet = suggest(shot)
        assert not any(row.turns for row in sheet.rows)
        assert all(row.reason for row in sheet.rows)


def test_it_reads_back() -> None:
    sheet = suggest([knee(25.0), knee(25.0, reach=60.0)])
    found = read_sheet(sheet_text(sheet).encode(), "offsets.csv")
    for row, again in zip(sheet.rows, found.rows, strict=True):
        assert again.joint == row.joint
        assert again.advised_order == row.advised_order
        assert again.turns == row.turns
        if row.twist_offset_deg is not None:
            assert again.twist_offset_deg == pytest.approx(row.twist_offset_deg, abs=1e-4)


def test_no_shot_is_refused() -> None:
    for call in (suggested, suggest):
        with pytest.raises(UsageError, match="no shot"):
            call([])
