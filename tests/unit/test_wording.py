"""Sentences about turns, axes and counts."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit import wording
from audit.rotations import rotate
from tests.strategies import Array, directions
from tests.unit.measures.making import turn


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (33.14, 1, "33.1°"),
        (-33.14, 1, "−33.1°"),
        (0.0, 1, "0.0°"),
        (-0.04, 1, "0.0°"),
        (-0.0, 0, "0°"),
        (-0.06, 1, "−0.1°"),
        (12.0, 3, "12.000°"),
        (1234.5, 0, "1234°"),
    ],
)
def test_degrees(value: float, digits: int, text: str) -> None:
    assert wording.degrees(value, digits) == text


@pytest.mark.parametrize(
    ("count", "text"),
    [
        (0, "0 keys"),
        (1, "1 key"),
        (2, "2 keys"),
        (1204, "1,204 keys"),
        (2_000_000, "2,000,000 keys"),
    ],
)
def test_plural(count: int, text: str) -> None:
    assert wording.plural(count, "key") == text


def test_a_turn_to_the_right() -> None:
    assert wording.turn_in_words("L_Knee", 33.14) == (
        "turn the axes of L_Knee by 33.1° about the limb: 33.1° clockwise, seen from the joint "
        "towards its child"
    )


def test_a_turn_to_the_left() -> None:
    assert wording.turn_in_words("L_Knee", -5.0) == (
        "turn the axes of L_Knee by −5.0° about the limb: 5.0° counter-clockwise, seen from the "
        "joint towards its child"
    )


@given(st.floats(-60.0, 60.0))
def test_clockwise_is_what_an_eye_at_the_joint_sees(offset: float) -> None:
    # The eye looks along −Z, the limb. Up is +Y, so right is +X: a hand of a clock at +Y goes to +X.
    if abs(offset) < 1e-3:
        return
    hand = rotate(turn([0, 0, -1], offset), np.array([0.0, 1.0, 0.0]))
    word = "counter-clockwise" if hand[0] < 0.0 else " clockwise"
    assert word in wording.turn_in_words("Knee", offset)


def test_an_interval() -> None:
    assert wording.interval_in_words(-33.42, -32.8) == "−33.4° to −32.8°"
    assert wording.interval_in_words(-0.01, 0.01) == "0.0° to 0.0°"


@pytest.mark.parametrize(
    ("axis", "text"),
    [
        ((1.0, 0.0, 0.0), "+X"),
        ((0.0, -1.0, 0.0), "−Y"),
        ((0.0, 0.0, 1.0), "+Z"),
        ((0.94, 0.34, 0.0), "0.94 0.34 0.00"),
        ((-0.6, 0.0, 0.8), "−0.60 0.00 0.80"),
        ((np.cos(0.0008), np.sin(0.0008), 0.0), "+X"),
        ((np.cos(0.0010), np.sin(0.0010), 0.0), "1.00 0.00 0.00"),
    ],
)
def test_axes(axis: tuple[float, float, float], text: str) -> None:
    assert wording.axis_in_words(np.array(axis)) == text


def test_a_rounded_nothing_has_no_minus_sign() -> None:
    assert wording.axis_in_words(np.array([0.94, 0.34, -0.001])) == "0.94 0.34 0.00"


@given(directions())
def test_an_axis_is_three_numbers_or_one_letter(axis: Array) -> None:
    text = wording.axis_in_words(axis)
    if len(text) == 2:
        place = "XYZ".index(text[1])
        assert abs(axis[place]) > 0.99999
        assert (axis[place] > 0) == (text[0] == "+")
    else:
        told = [float(part.replace("−", "-")) for part in text.split()]
        np.testing.assert_allclose(told, axis, atol=0.005 + 1e-12)
