"""Ways to break a clean rig by a known amount, one function each, and what should then be said."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from scipy.spatial.transform import Rotation

from audit.model.names import name_words
from tests.unit.rest.breaking import (
    Array,
    Broken,
    Fault,
    Generator,
    around,
    child_of,
    free_joint,
    limb,
    partner_of,
    sign,
    single,
    swing,
    turn_axes,
    whole,
)
from tests.unit.rest.rigs import Rig, bent


def ground(broken: Broken, rng: Generator) -> bool:
    shift = sign(rng) * rng.uniform(0.01, 0.08) * broken.rig.height()
    whole(broken.rig, np.eye(3), np.array([0.0, shift, 0.0]))
    broken.faults.append(Fault("rest-ground", (None,), abs(shift), length=True))
    return True


def beside(broken: Broken, rng: Generator) -> bool:
    shift = sign(rng) * rng.uniform(0.01, 0.08) * broken.rig.height()
    whole(broken.rig, np.eye(3), np.array([shift, 0.0, 0.0]))
    broken.faults.append(Fault("rest-ground", (None,), abs(shift), length=True))
    return True


def facing(broken: Broken, rng: Generator) -> bool:
    if any(fault.check == "rest-scale" and 0 in fault.joints for fault in broken.faults):
        return False
    turn = sign(rng) * rng.uniform(1.5, 30.0)
    whole(broken.rig, Rotation.from_rotvec([0, turn, 0], degrees=True).as_matrix(), np.zeros(3))
    broken.faults.append(Fault("rest-facing", (None,), abs(turn), (0,)))
    return True


def scale(broken: Broken, rng: Generator) -> bool:
    joint = free_joint(broken, rng, lambda each: broken.rig.parents[each] >= 0)
    if joint is None:
        return False
    rig = broken.rig
    if not len(rig.scales):
        rig.scales = np.ones((len(rig), 3))
    amount = rng.uniform(0.01, 0.4)
    rig.scales[joint, rng.integers(3)] += amount
    broken.faults.append(Fault("rest-scale", (joint,), amount))
    return True


def negative_scale(broken: Broken, rng: Generator) -> bool:
    joint = free_joint(broken, rng, lambda each: broken.rig.parents[each] >= 0)
    if joint is None:
        return False
    rig = broken.rig
    if not len(rig.scales):
        rig.scales = np.ones((len(rig), 3))
    rig.scales[joint, rng.integers(3)] = -1.0
    broken.faults.append(Fault("rest-scale", (joint,), 2.0))
    return True


def root_turn(broken: Broken, rng: Generator) -> bool:
    rig = broken.rig
    straight = np.allclose(np.max(np.abs(rig.axes[0]), axis=0), 1.0)
    if 0 in broken.used or not straight or any(f.check == "rest-facing" for f in broken.faults):
        return False
    vector = rng.normal(size=3)
    amount = rng.uniform(0.05, 12.0)
    turn_axes(rig, 0, amount * vector / np.linalg.norm(vector))
    broken.used.add(0)
    broken.faults.append(Fault("rest-scale", (0,), amount))
    return True


def midline(broken: Broken, rng: Generator) -> bool:
    rig = broken.rig
    joint = free_joint(broken, rng, lambda each: rig.sides[each] == 0 and rig.parents[each] >= 0)
    if joint is None:
        return False
    shift = np.array([sign(rng) * rng.uniform(0.002, 0.02) * rig.height(), 0.0, 0.0])
    move(rig, joint, shift, bool(rng.random() < 0.5))
    broken.faults.append(Fault("rest-midline", (joint,), abs(float(shift[0])), length=True))
    return True


def midline_twist(broken: Broken, rng: Generator) -> bool:
    rig = broken.rig

    def fits(each: int) -> bool:
        return rig.sides[each] == 0 and single(rig, each) and rig.sides[child_of(rig, each)] == 0

    joint = free_joint(broken, rng, fits)
    if joint is None:
        return False
    amount = sign(rng) * rng.uniform(0.1, 5.0)
    turn = Rotation.from_rotvec(limb(rig, joint) * amount, degrees=True).as_matrix()
    rig.axes[joint] = turn @ rig.axes[joint]
    broken.faults.append(Fault("rest-midline-twist", (joint,), abs(amount)))
    return True


def mirror_place(broken: Broken, rng: Generator) -> bool:
    rig = broken.rig
    joint = free_joint(broken, rng, lambda each: rig.sides[each] != 0 and high(rig, each))
    if joint is None:
        return False
    size, vector = rng.uniform(0.002, 0.015) * rig.height(), rng.normal(size=3)
    move(rig, joint, size * vector / np.linalg.norm(vector), bool(rng.random() < 0.5))
    pair, near = (joint, partner_of(rig, joint)), tuple(around(rig, joint))
    broken.faults.append(Fault("rest-mirror", pair, size, near, length=True))
    return True


def move(rig: Rig, joint: int, shift: Array, along: bool) -> None:
    """Move a joint, with what is below it or without."""
    moved = rig.below(joint) if along else [joint]
    rig.places[moved] += shift
    rig.tips = {each: place + shift * (along and each in moved) for each, place in rig.tips.items()}


def high(rig: Rig, joint: int) -> bool:
    """Return whether all of a branch is well above the floor, so that a small move leaves the floor alone."""
    below = rig.below(joint)
    points = [rig.places[each] for each in below] + [
        rig.tips[each] for each in below if each in rig.tips
    ]
    return float(np.min(np.array(points)[:, 1])) > 0.1 * rig.height()


def mirror_limb(broken: Broken, rng: Generator) -> bool:
    rig = broken.rig

    def fits(each: int) -> bool:
        return rig.sides[each] != 0 and single(rig, each) and high(rig, each)

    joint = free_joint(broken, rng, fits)
    if joint is None:
        return False
    amount = rng.uniform(1.0, 6.0)
    across = np.cross(limb(rig, joint), rng.normal(size=3))
    turn = Rotation.from_rotvec(across / np.linalg.norm(across) * amount, degrees=True)
    swing(rig, joint, turn.as_matrix())
    broken.faults.append(
        Fault("rest-mirror", (joint, partner_of(rig, joint)), amount, tuple(around(rig, joint)))
    )
    return True


def mirror_axes(broken: Broken, rng: Generator) -> bool:
    rig = broken.rig
    joint = free_joint(broken, rng, lambda each: rig.sides[each] != 0 and single(rig, each))
    if joint is None:
        return False
    amount = float(rng.choice([90.0, 180.0, rng.uniform(1.0, 40.0)]))
    turn = Rotation.from_rotvec(limb(rig, joint) * amount * sign(rng), degrees=True).as_matrix()
    rig.axes[joint] = turn @ rig.axes[joint]
    broken.faults.append(
        Fault("rest-mirror", (joint, partner_of(rig, joint)), amount, tuple(around(rig, joint)))
    )
    return True


def both_axes(rig: Rig, joint: int, turn: Array) -> None:
    """Turn the axes of a joint by a matrix in the world, and its partner's likewise in the mirror."""
    mirror = np.diag([-1.0, 1.0, 1.0])
    rig.axes[joint] = turn @ rig.axes[joint]
    other = partner_of(rig, joint)
    if other >= 0:
        rig.axes[other] = mirror @ turn @ mirror @ rig.axes[other]


def aim(broken: Broken, rng: Generator) -> bool:
    rig = broken.rig
    joint = free_joint(broken, rng, lambda each: rig.sides[each] != 0 and single(rig, each))
    if joint is None:
        return False
    amount = rng.uniform(0.8, 12.0)
    across = np.cross(limb(rig, joint), rng.normal(size=3))
    if bend_of(rig, joint) > 0.4:  # about the hinge, so that the bend's plane keeps its axis
        before = rig.places[joint] - rig.places[rig.parents[joint]]
        across = np.cross(before, limb(rig, joint))
    across *= amount / np.linalg.norm(across)
    both_axes(rig, joint, Rotation.from_rotvec(across, degrees=True).as_matrix())
    for each in (joint, partner_of(rig, joint)):
        broken.faults.append(Fault("rest-aim", (each,), amount))
    return True


def bend_of(rig: Rig, joint: int) -> float:
    """Return the bend at a joint in degrees."""
    before = rig.places[joint] - rig.places[rig.parents[joint]]
    after = limb(rig, joint)
    return float(np.rad2deg(np.arctan2(np.linalg.norm(np.cross(before, after)), before @ after)))


HINGES = {"shin", "forearm", "knee", "elbow"}


def hinge(rig: Rig, joint: int) -> bool:
    words = name_words(rig.names[joint])
    return bool(HINGES & set(words)) and single(rig, joint)


def bend_plane(broken: Broken, rng: Generator) -> bool:
    rig = broken.rig
    joint = free_joint(broken, rng, lambda each: hinge(rig, each))
    if joint is None:
        return False
    amount = rng.uniform(3.0, 40.0) * sign(rng)
    turn = Rotation.from_rotvec(limb(rig, joint) * amount, degrees=True).as_matrix()
    both_axes(rig, joint, turn)
    for each in (joint, partner_of(rig, joint)):
        broken.faults.append(Fault("rest-bend-plane", (each,), abs(amount)))
    return True


def pre_bend(broken: Broken, rng: Generator) -> bool:
    """Bend a knee or an elbow of a person anew, with the limb's axes following, on both sides."""
    rig = broken.rig
    joint = free_joint(broken, rng, lambda each: hinge(rig, each) and bend_of(rig, each) < 14.0)
    if joint is None:
        return False
    wanted = float(rng.choice([0.0, rng.uniform(0.05, 0.4), -rng.uniform(1.0, 12.0)]))
    for each in (joint, partner_of(rig, joint)):
        parent, child = rig.parents[each], child_of(rig, each)
        before = rig.places[each] - rig.places[parent]
        normal = np.cross(before, limb(rig, each))
        out = np.cross(rig.places[child] - rig.places[parent], normal)
        share = float(np.linalg.norm(before))
        share /= share + float(np.linalg.norm(rig.places[child] - rig.places[each]))
        old = limb(rig, parent), limb(rig, each)
        # "out" points the way the joint went already, the other way about for the wrong way.
        out = out if out @ (rig.places[each] - rig.places[parent]) > 0 else -out
        place = bent(
            rig.places[parent], rig.places[child], share, abs(wanted), out * np.sign(wanted or 1.0)
        )
        rig.places[each] = place
        for joint_, was in zip((parent, each), old, strict=True):
            now = limb(rig, joint_)
            turn, _ = Rotation.align_vectors(
                np.stack((now, normal)), np.stack((was, normal)), weights=[np.inf, 1.0]
            )
            rig.axes[joint_] = turn.as_matrix() @ rig.axes[joint_]
        broken.faults.append(Fault("rest-pre-bend", (each,), abs(wanted)))
    return True


def order(broken: Broken, rng: Generator) -> bool:
    rig = broken.rig
    joint = free_joint(broken, rng, lambda each: rig.sides[each] != 0)
    if joint is None or rig.orders[joint] is None:
        return False
    rig.orders[joint] = "YZX" if rig.orders[joint] != "YZX" else "XYZ"
    broken.faults.append(Fault("rest-order", (joint, partner_of(rig, joint)), 1.0))
    return True


def name(broken: Broken, rng: Generator) -> bool:
    rig = broken.rig
    joint = free_joint(broken, rng, lambda each: rig.sides[each] != 0)
    if joint is None:
        return False
    other = partner_of(rig, joint)
    how = rng.integers(3)
    middle = [each for each in range(len(rig)) if rig.sides[each] == 0 and each not in broken.used]
    if how == 0 or not middle:
        rig.names[joint] += "x"
        broken.faults.append(Fault("rest-names", (joint, other), 1.0))
        return True
    victim = int(rng.choice(middle[1:] or middle))
    source = next(each for each in range(len(rig)) if rig.sides[each] == 0 and each != victim)
    rig.names[victim] = rig.names[source] if how == 1 else rig.names[source].swapcase()
    broken.used |= {victim, source}
    broken.faults.append(Fault("rest-names", (victim, source), 1.0))
    return True


def centred(broken: Broken, rng: Generator) -> bool:
    """Put the skin around one joint beside it."""
    rig = broken.rig
    joint = free_joint(broken, rng, lambda each: hinge(rig, each) and bend_of(rig, each) < 14.0)
    if joint is None:
        return False
    amount = rng.uniform(0.2, 0.5)
    before = rig.places[joint] - rig.places[rig.parents[joint]]
    middle = limb(rig, joint) + before / np.linalg.norm(before)
    across = np.cross(middle, rng.normal(size=3))
    shift = across / np.linalg.norm(across) * amount * 2.0 * rig.radius
    broken.sleeves.append((joint, shift))
    broken.faults.append(Fault("rest-centred", (joint,), 100.0 * amount))
    return True


ONE_JOINT: Sequence[Callable[[Broken, Generator], bool]] = (
    scale,
    negative_scale,
    root_turn,
    midline,
    midline_twist,
    mirror_place,
    mirror_limb,
    mirror_axes,
    aim,
    bend_plane,
    pre_bend,
    order,
    name,
    centred,
)
WHOLE: Sequence[Callable[[Broken, Generator], bool]] = (ground, beside, facing)
ALL = (*ONE_JOINT, *WHOLE)
