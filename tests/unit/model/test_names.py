"""What names say."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.model.names import name_words, says_hinge


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("L_Knee", ("l", "knee")),
        ("RightForeArm", ("right", "fore", "arm")),
        ("Index02", ("index", "02")),
        ("Finger3_2", ("finger", "3", "2")),
        ("lowerLeg.L", ("lower", "leg", "l")),
        ("LThumb1", ("l", "thumb", "1")),
        ("hips", ("hips",)),
        ("left:upper-arm twist", ("left", "upper", "arm", "twist")),
        ("IKTarget", ("ik", "target")),
        ("Élbow", ("élbow",)),
        ("__", ()),
        ("", ()),
    ],
)
def test_words(name: str, words: tuple[str, ...]) -> None:
    assert name_words(name) == words


@pytest.mark.parametrize(
    "name",
    [
        "L_Knee",
        "knee.R",
        "RightElbow",
        "RightForeArm",
        "right_forearm",
        "fore_arm_l",
        "LeftLowerLeg",
        "lower arm L",
        "lShin",
        "ltibia",
        "rtibia",
        "lradius",
        "rtoes",
        "RUlna",
        "calf_l",
        "toe",
        "LeftToeBase",
        "ToeBase",
        "Index2",
        "RightHandIndex3",
        "Finger3_2",
        "finger_index_02",
        "f_ring.03.R",
        "Thumb2",
        "pinky_3_l",
    ],
)
def test_hinges_by_name(name: str) -> None:
    assert says_hinge(name)


@pytest.mark.parametrize(
    "name",
    [
        "Finger2",
        "Finger23",
        "Finger3_1",
        "Index1",
        "Index",
        "Ring",
        "Ring1",
        "RightHandThumb1",
        "Hip",
        "Hips",
        "Trunk",
        "Spine2",
        "LeftLeg",
        "LeftArm",
        "lfemur",
        "rhumerus",
        "lowerback",
        "lowerneck",
        "Head",
        "Tail3",
        "Neck_02",
        "",
        "12",
        "l",
        "r_",
    ],
)
def test_no_hinges_by_name(name: str) -> None:
    assert not says_hinge(name)


@pytest.mark.parametrize("name", ["lindex2", "rthumb3", "lring_02"])
def test_a_side_letter_in_front_of_a_finger_is_looked_past(name: str) -> None:
    assert says_hinge(name)


@pytest.mark.parametrize("name", ["Spine_Middle_2", "TailMiddle3"])
def test_the_middle_of_something_else_is_no_finger(name: str) -> None:
    assert not says_hinge(name)


@pytest.mark.parametrize("name", ["Joint ²", "Index_③", "Knee_²", "٣_Ring"])
def test_digits_of_other_kinds_are_read_or_passed_over(name: str) -> None:
    assert says_hinge(name) in (False, True)


@given(st.text(max_size=12))
def test_no_name_raises(name: str) -> None:
    assert says_hinge(name) in (False, True)
