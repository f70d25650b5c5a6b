"""Bodies to make rigs of: humans, four-legged animals, birds and machines, drawn from a seed."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from audit.conventions import ORDERS
from tests.unit.rest.rigs import CONVENTIONS, UNITS, Drawing, Rig, bent, spread

Generator = np.random.Generator
Array = npt.NDArray[np.float64]

MARKS = [("L", "R"), ("Left", "Right"), ("l", "r"), ("left", "right"), ("lf", "rt")]
PATTERNS = ["{s}_{n}", "{n}_{s}", "{n}.{s}", "{s}{n}"]
LETTERS = ["XY", "XZ", "YX", "YZ", "ZX", "ZY"]
X, Y, Z = np.eye(3)


def sided(pattern: str, name: str) -> str:
    """Return a name with a place for the side mark."""
    return pattern.replace("{s}", "{side}").replace("{n}", name)


def pattern_for(rng: Generator, marks: tuple[str, str]) -> str:
    """Return how names are put together; marks without a capital need a separator."""
    return str(rng.choice(PATTERNS if marks[0][0].isupper() else PATTERNS[:3]))


def human(rng: Generator) -> Rig:
    """Return a person of 1.5 to 2 m, arms anywhere between hanging and level, a slight bend everywhere."""
    drawing = Drawing(str(rng.choice(LETTERS)))
    marks = MARKS[rng.integers(len(MARKS))]
    pattern, tall = pattern_for(rng, marks), rng.uniform(1.5, 2.0)
    hip = np.array([0.0, 0.53 * tall, 0.0])
    spine = int(rng.integers(2, 6))
    neck = np.array([0.0, 0.82 * tall, -0.01 * tall])
    drawing.add("Hips", None, hip)
    backs = [bend_back(t, hip, neck) for t in np.linspace(0.12, 0.85, spine)]
    top = np.array([0.0, tall, 0.01 * tall])
    head = np.array([0.0, 0.87 * tall, 0.0])
    names = [f"Spine{n + 1}" for n in range(spine - 1)] + ["Chest", "Neck", "Head"]
    drawing.chain("Hips", names, [*backs, neck, head, top])

    shoulder = np.array([0.1 * tall, 0.8 * tall, -0.01 * tall])
    drop = np.deg2rad(rng.uniform(0.0, 60.0))
    reach = np.array([np.cos(drop), -np.sin(drop), 0.0])
    wrist = shoulder + reach * 0.33 * tall
    elbow = bent(shoulder, wrist, rng.uniform(0.48, 0.55), rng.uniform(2.0, 12.0), -Z)
    across = np.cross(elbow - shoulder, wrist - elbow)
    side = across / np.linalg.norm(across)
    collar = np.array([0.02 * tall, 0.81 * tall, 0.0])
    arm = [sided(pattern, n) for n in ("Collar", "UpperArm", "Forearm", "Hand")]
    drawing.add(arm[0], "Chest", collar, side)
    hand = wrist
    drawing.chain(arm[0], arm[1:], [shoulder, elbow, hand], side)
    onward = (wrist - elbow) / np.linalg.norm(wrist - elbow)
    fingers = ["Middle", "Index", "Ring", "Pinky", "Thumb"][: int(rng.integers(1, 6))]
    for number, finger in enumerate(fingers):
        start = hand + onward * (0.05 - 0.004 * number) * tall + Z * 0.01 * tall * (number % 3 - 1)
        bones = [sided(pattern, f"{finger}{n}") for n in (1, 2, 3)]
        drawing.chain(arm[3], bones, spread(start, start + onward * 0.045 * tall, 4), side)

    thigh = np.array([rng.uniform(0.05, 0.06) * tall, 0.52 * tall, 0.0])
    ankle = np.array([rng.uniform(0.05, 0.06) * tall, 0.045 * tall, -0.01 * tall])
    knee = bent(thigh, ankle, rng.uniform(0.48, 0.54), rng.uniform(2.0, 12.0), Z)
    across = np.cross(knee - thigh, ankle - knee)
    side = across / np.linalg.norm(across)
    leg = [sided(pattern, n) for n in ("Thigh", "Shin", "Foot", "Toe")]
    drawing.chain("Hips", leg[:2], [thigh, knee], side)
    ball = np.array([ankle[0], 0.01 * tall, 0.08 * tall])
    tip = np.array([ankle[0], 0.0, 0.12 * tall])
    drawing.chain(leg[1], leg[2:], [ankle, ball, tip])
    return finished(drawing, rng, marks, 0.03 * tall)


def bend_back(share: float, low: Array, high: Array) -> Array:
    """Return a place on a slightly curved back, in the plane X = 0."""
    place: Array = low + share * (high - low)
    return place + Z * 0.06 * share * (1.0 - share)


def four_legged(rng: Generator) -> Rig:
    """Return an animal with a level back, a tail and four bent legs."""
    drawing = Drawing(str(rng.choice(LETTERS)))
    marks = MARKS[rng.integers(len(MARKS))]
    pattern, long = pattern_for(rng, marks), rng.uniform(0.4, 2.2)
    drawing.add("Root", None, (0.0, 0.0, 0.0))
    back = spread((0.0, 0.72 * long, -0.4 * long), (0.0, 0.74 * long, 0.4 * long), 5)
    drawing.chain("Root", ["Pelvis", "Spine1", "Spine2", "Chest", "Neck1"], back)
    head = spread((0.0, 0.85 * long, 0.5 * long), (0.0, 1.0 * long, 0.6 * long), 2)
    drawing.chain("Neck1", ["Neck2", "Head"], [*head, [0.0, 0.98 * long, 0.75 * long]])
    tail = spread((0.0, 0.7 * long, -0.45 * long), (0.0, 0.4 * long, -0.8 * long), 5)
    drawing.chain("Pelvis", ["Tail1", "Tail2", "Tail3", "Tail4"], tail)
    wide = 0.09 * long
    hind = [(wide, 0.68, -0.38), (wide, 0.42, -0.3), (wide, 0.25, -0.45), (wide, 0.05, -0.4)]
    fore = [(wide, 0.62, 0.35), (wide, 0.45, 0.25), (wide, 0.22, 0.31), (wide, 0.05, 0.3)]
    ends = [(wide, 0.02, -0.36), (wide, 0.0, -0.33)], [(wide, 0.02, 0.34), (wide, 0.0, 0.37)]
    words = (
        [("Thigh", "Shin", "Hock", "HindFoot", "HindToe")],
        [("Shoulder", "Elbow", "Carpus", "ForeFoot", "ForeToe")],
    )
    for parent, places, end, names in zip(
        ("Pelvis", "Chest"), (hind, fore), ends, words, strict=True
    ):
        scaled = [(x, y * long, z * long) for x, y, z in [*places, *end]]
        drawing.chain(parent, [sided(pattern, name) for name in names[0]], scaled)
    if rng.random() < 0.5:
        ear = [sided(pattern, name) for name in ("Ear1", "Ear2")]
        ears = spread(
            (0.05 * long, 1.02 * long, 0.6 * long), (0.1 * long, 1.2 * long, 0.57 * long), 3
        )
        drawing.chain("Head", ear, ears)
    return finished(drawing, rng, marks, 0.03 * long)


def bird(rng: Generator) -> Rig:
    """Return a bird on two bent legs with spread wings."""
    drawing = Drawing(str(rng.choice(LETTERS)))
    marks = MARKS[rng.integers(len(MARKS))]
    pattern, tall = pattern_for(rng, marks), rng.uniform(0.2, 2.0)
    drawing.add("Body", None, (0.0, 0.55 * tall, 0.0))
    neck = spread((0.0, 0.62 * tall, 0.12 * tall), (0.0, 0.92 * tall, 0.3 * tall), 4)
    drawing.chain(
        "Body", ["Breast", "Neck1", "Neck2", "Head"], [*neck, [0, 0.9 * tall, 0.42 * tall]]
    )
    tail = spread((0.0, 0.5 * tall, -0.1 * tall), (0.0, 0.42 * tall, -0.35 * tall), 3)
    drawing.chain("Body", ["Tail1", "Tail2"], tail)
    leg = [sided(pattern, name) for name in ("Thigh", "Knee", "Ankle", "Foot")]
    wide = 0.08 * tall
    places = [(wide, 0.45, 0.0), (wide, 0.35, 0.1), (wide, 0.2, -0.06), (wide, 0.015, 0.0)]
    scaled = [(x, y * tall, z * tall) for x, y, z in [*places, (wide, 0.0, 0.12)]]
    drawing.chain("Body", leg, scaled)
    wing = [sided(pattern, name) for name in ("WingShoulder", "WingElbow", "WingWrist")]
    places = [(0.1, 0.62, 0.1), (0.3, 0.64, 0.02), (0.6, 0.66, 0.1), (0.95, 0.64, 0.02)]
    scaled = [(x * tall, y * tall, z * tall) for x, y, z in places]
    first, second = scaled_steps(scaled)
    drawing.chain("Breast", wing, scaled, np.cross(first, second))
    return finished(drawing, rng, marks, 0.02 * tall)


def scaled_steps(places: Sequence[npt.ArrayLike]) -> tuple[Array, Array]:
    """Return the first two limbs of a chain."""
    first, second = np.diff(np.asarray(places[:3], dtype=float), axis=0)
    return first, second


def machine(rng: Generator) -> Rig:
    """Return a loader on a base: a mast with two grippers, and two or three pairs of legs; names say little."""
    drawing = Drawing(str(rng.choice(LETTERS)))
    marks = MARKS[rng.integers(len(MARKS))]
    pattern, tall = pattern_for(rng, marks), rng.uniform(0.3, 6.0)
    drawing.add("base", None, (0.0, 0.0, 0.0))
    mast = spread((0.0, 0.3 * tall, 0.0), (0.0, tall, 0.0), 4)
    drawing.chain("base", ["turret", "mast_a", "mast_b"], mast)
    boom = [sided(pattern, name) for name in ("Boom", "Stick", "Gripper")]
    places = [(0.1, 0.8, 0.05), (0.25, 0.7, 0.4), (0.25, 0.4, 0.7), (0.25, 0.25, 0.72)]
    scaled = [(x * tall, y * tall, z * tall) for x, y, z in places]
    drawing.chain("mast_b", boom, scaled)
    for number in range(int(rng.integers(2, 4))):
        strut = [sided(pattern, f"Strut{number}{part}") for part in ("A", "B")]
        depth = (0.25 - 0.3 * number) * tall
        places = [(0.15 * tall, 0.25 * tall, depth), (0.3 * tall, 0.3 * tall, depth)]
        side = (0.0, 0.0, 1.0)
        drawing.chain("turret", strut, [*places, (0.35 * tall, 0.0, depth)], side)
    return finished(drawing, rng, marks, 0.02 * tall)


BODIES: dict[str, Callable[[Generator], Rig]] = {
    "human": human,
    "four-legged": four_legged,
    "bird": bird,
    "machine": machine,
}


def finished(drawing: Drawing, rng: Generator, marks: tuple[str, str], radius: float) -> Rig:
    """Return the rig with its right side, in a convention and a unit of its own."""
    # Clean rigs have no hinge, which is on the second letter, on the outermost channel.
    orders = [each for each in ORDERS if each[0] != drawing.letters[1]]
    order = None if rng.random() < 0.3 else str(rng.choice(orders))
    rig = drawing.done(marks, bool(rng.random() < 0.5), order, plain=False)
    root = rig.axes[0]
    if rng.random() < 0.5:
        root[:] = np.eye(3)
    rig.up, rig.forward = CONVENTIONS[str(rng.choice(list(CONVENTIONS)))]
    rig.unit_to_m = UNITS[str(rng.choice(list(UNITS)))]
    rig.radius = radius
    return rig


def clean_rig(seed: int) -> tuple[str, Rig]:
    """Return a kind of body and a clean rig of it; seeds go round the kinds."""
    kind = list(BODIES)[seed % len(BODIES)]
    return kind, BODIES[kind](np.random.default_rng([515, seed]))
