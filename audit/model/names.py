"""What a joint's name says: its words, and whether the trade expects a hinge there."""

from __future__ import annotations

import re
from itertools import pairwise

HINGE_WORDS = frozenset(
    [
        "knee",
        "elbow",
        "shin",
        "calf",
        "tibia",
        "forearm",
        "radius",
        "ulna",
        "toe",
        "toes",
        "lowerleg",
        "lowerarm",
    ]
)
"""Common practice, no source: the forearm and the shin turn on one axis, and so do toes."""

DIGIT_WORDS = frozenset(["finger", "thumb", "index", "middle", "ring", "pinky", "little", "pinkie"])
"""Fingers: from the second bone on a finger is a hinge; its first joint moves on two axes."""

TRUNK_WORDS = frozenset(["spine", "tail", "neck", "back", "chest", "torso", "trunk", "body"])
"""With one of these, "middle" and "little" say where along the trunk a joint sits."""

_PART = re.compile(r"[^\W\d_]+|[0-9]+")
_CAMEL = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")


def name_words(name: str) -> tuple[str, ...]:
    """Return the words and numbers in a name, in lower case.

    ``L_Knee`` gives ("l", "knee"), ``RightForeArm`` ("right", "fore", "arm"), ``Index02`` ("index", "02").
    """
    return tuple(part.lower() for part in _PART.findall(_CAMEL.sub(" ", name)))


def says_hinge(name: str) -> bool:
    """Tell whether a joint of this name is one that turns on one axis, by common practice.

    Knees, elbows, shins and forearms, toes, and the second and later joints of fingers. Lower-case word
    pairs such as ``fore arm`` and ``lower leg`` count as one word, and a side letter in front (``ltibia``)
    is looked past.
    """
    words = name_words(name)
    pairs = {first + second for first, second in pairwise(words)}
    bare = {word[1:] for word in words if word[0] in "lr"}
    if HINGE_WORDS & (set(words) | pairs | bare):
        return True
    numbers = [int(word) for word in words if word.isdecimal()]
    named = DIGIT_WORDS & (set(words) | bare)
    if not named or not numbers or TRUNK_WORDS & set(words):
        return False
    # "Finger2" may be the second finger; "Index2" or "Finger3_2" is a second bone.
    bone_is_known = len(numbers) > 1 or bool(named - {"finger"})
    return bone_is_known and numbers[-1] >= 2
