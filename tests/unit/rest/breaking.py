"""What is needed to break a rig by a known amount, and to say what should be found."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.spatial.transform import Rotation

from audit.model import Skin
from tests.unit.rest.rigs import Rig

Array = npt.NDArray[np.float64]
Generator = np.random.Generator


@dataclass
class Fault:
    """What was done to a rig.

    Attributes
    ----------
    check
        The check that should find it.
    joints
        Any of these is the right place; None for the rig as a whole.
    amount
        What the finding's value should be, without its sign; metres for a length.
    touched
        Joints that other findings may rightly be about, because of this fault: looks on one side, say.
    length
        Whether the amount is a length, and the finding's value its share of the height in percent.
    """

    check: str
    joints: tuple[int | None, ...]
    amount: float
    touched: tuple[int, ...] = ()
    length: bool = False


@dataclass
class Broken:
    """A rig with known faults, and the sleeves of skin it carries: around a joint, beside it by a shift."""

    rig: Rig
    faults: list[Fault] = field(default_factory=list)
    sleeves: list[tuple[int, Array]] = field(default_factory=list)
    whole_skin: bool = False
    apart: bool = True
    used: set[int] = field(default_factory=set)

    @property
    def skins(self) -> tuple[Skin, ...]:
        """The skins, bound to the rig as it is now."""
        body = (self.rig.skin(),) if self.whole_skin else ()
        return (*body, *(self.rig.sleeve(joint, shift) for joint, shift in self.sleeves))


def partner_of(rig: Rig, joint: int) -> int:
    """Return the joint at the mirror image, −1 for a joint of the middle."""
    if rig.sides[joint] == 0:
        return -1
    # Half of the sided joints come first, then the other half in the same order.
    sided = [each for each in range(len(rig)) if rig.sides[each] != 0]
    half = len(sided) // 2
    place = sided.index(joint)
    return sided[(place + half) % len(sided)]


def single(rig: Rig, joint: int) -> bool:
    """Return whether a joint has exactly one child and a parent."""
    return rig.parents[joint] >= 0 and rig.parents.count(joint) == 1


def child_of(rig: Rig, joint: int) -> int:
    return rig.parents.index(joint)


def around(rig: Rig, joint: int) -> set[int]:
    """Return a joint, its parent, its children, and the partners of all of them."""
    near = {joint, rig.parents[joint]}
    near |= {each for each, parent in enumerate(rig.parents) if parent == joint}
    near |= {partner_of(rig, each) for each in near if each >= 0}
    return {each for each in near if each >= 0}


def free_joint(broken: Broken, rng: Generator, wanted: Callable[[int], bool]) -> int | None:
    """Return a joint that is free, and take it, with the ones around it where faults are to be apart."""
    rig = broken.rig

    def taken(joint: int) -> set[int]:
        near = around(rig, joint) if broken.apart else {joint, partner_of(rig, joint)}
        return {each for each in near if each >= 0}

    fit = [each for each in range(len(rig)) if wanted(each) and not taken(each) & broken.used]
    if not fit:
        return None
    joint = int(rng.choice(fit))
    broken.used |= taken(joint)
    return joint


def turn_axes(rig: Rig, joint: int, vector_deg: Array) -> None:
    """Turn the axes of one joint, by a rotation vector in its own axes."""
    rig.axes[joint] = rig.axes[joint] @ Rotation.from_rotvec(vector_deg, degrees=True).as_matrix()


def swing(rig: Rig, joint: int, turn: Array) -> None:
    """Turn a joint with everything below it, by a matrix in the drawing's world."""
    start = rig.places[joint].copy()
    for each in rig.below(joint):
        rig.places[each] = start + turn @ (rig.places[each] - start)
        rig.axes[each] = turn @ rig.axes[each]
        if each in rig.tips:
            rig.tips[each] = start + turn @ (rig.tips[each] - start)


def whole(rig: Rig, turn: Array, shift: Array) -> None:
    """Turn and move everything; sleeves are left to rigs that stay where they are."""
    rig.places = rig.places @ turn.T + shift
    rig.tips = {joint: turn @ place + shift for joint, place in rig.tips.items()}
    rig.axes = turn @ rig.axes


def limb(rig: Rig, joint: int) -> Array:
    """Return the unit vector from a joint to its only child."""
    vector = rig.places[child_of(rig, joint)] - rig.places[joint]
    unit: Array = vector / np.linalg.norm(vector)
    return unit


def sign(rng: Generator) -> float:
    return float(rng.choice([-1.0, 1.0]))
