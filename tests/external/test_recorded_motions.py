"""Fifteen recorded motions of a humanoid: real hinges, and real defects that somebody else left in.

``pybullet_data/data/motions/humanoid3d_*.txt`` of the pybullet package (zlib licence). A frame is 44 numbers:
time to the next frame, root position, root orientation, then the joints from chest to left elbow, each ball
joint as a quaternion with the scalar first, each knee and elbow as one angle in radians (layout as in the
same package's ``humanoid_pose_interpolator.py``). The skeleton's lengths are invented: straight at rest,
thighs, shins and arms down along −y, so that z is across every limb and carries the four single angles.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from audit.errors import ShapeError
from audit.measures import Measures, measure_shot
from audit.model import Shot, Skeleton, Source
from audit.pipeline import examine

Array = npt.NDArray[np.float64]

BONES: tuple[tuple[str, int, tuple[float, float, float], int, int], ...] = (
    # Name, place of the parent, offset from it, first column, number of columns.
    ("root", -1, (0.0, 0.0, 0.0), 4, 4),
    ("chest", 0, (0.0, 0.25, 0.0), 8, 4),
    ("neck", 1, (0.0, 0.25, 0.0), 12, 4),
    ("right_hip", 0, (0.0, 0.0, 0.1), 16, 4),
    ("right_knee", 3, (0.0, -0.42, 0.0), 20, 1),
    ("right_ankle", 4, (0.0, -0.41, 0.0), 21, 4),
    ("right_shoulder", 1, (0.0, 0.2, 0.2), 25, 4),
    ("right_elbow", 6, (0.0, -0.28, 0.0), 29, 1),
    ("left_hip", 0, (0.0, 0.0, -0.1), 30, 4),
    ("left_knee", 8, (0.0, -0.42, 0.0), 34, 1),
    ("left_ankle", 9, (0.0, -0.41, 0.0), 35, 4),
    ("left_shoulder", 1, (0.0, 0.2, -0.2), 39, 4),
    ("left_elbow", 11, (0.0, -0.28, 0.0), 43, 1),
)
NAMES = tuple(bone[0] for bone in BONES)
TIPS = {2: (0.0, 0.2, 0.0), 5: (0.1, 0.0, 0.0), 7: (0.0, -0.25, 0.0)}
TIPS |= {10: TIPS[5], 12: TIPS[7]}
KNEES, ELBOWS = ("right_knee", "left_knee"), ("right_elbow", "left_elbow")

MOTIONS = (
    "backflip",
    "cartwheel",
    "crawl",
    "dance_a",
    "dance_b",
    "getup_facedown",
    "getup_faceup",
    "jump",
    "kick",
    "punch",
    "roll",
    "run",
    "spin",
    "spinkick",
    "walk",
)

LENGTHS = {
    # Least and greatest length of a quaternion in each clip, as read out of the files with another script.
    "kick": (0.5834, 1.0594),
    "roll": (0.8061, 1.0059),
    "spin": (0.9026, 1.0146),
    "punch": (0.9172, 1.0),
    "backflip": (0.9262, 1.1184),
    "cartwheel": (0.9663, 1.0),
    "getup_facedown": (0.9766, 1.0142),
    "jump": (0.9830, 1.0051),
}

RANGES = {
    # Least and greatest turn in degrees, both sides together, as read out of the files with another script.
    ("walk", KNEES): (-77.79, -3.39),
    ("walk", ELBOWS): (8.39, 33.79),
    ("run", KNEES): (-105.16, -1.19),
    ("run", ELBOWS): (43.20, 107.13),
}

PAST_STRAIGHT = {
    # Every knee or elbow that goes past straight by more than 3°, in degrees: the greatest positive value in
    # its column of the file, since knees bend negatively there. No elbow does.
    ("spinkick", "right_knee"): 12.74,
    ("spin", "left_knee"): 6.87,
    ("dance_b", "left_knee"): 6.21,
    ("dance_b", "right_knee"): 4.96,
    ("getup_facedown", "right_knee"): 4.16,
}


@dataclass(frozen=True)
class Motion:
    """A clip as the file has it."""

    times_s: Array
    frames: Array

    def rotations(self) -> Array:
        """Return the rotations (F, J, 4) with the lengths that the file has."""
        result = np.zeros((len(self.frames), len(BONES), 4))
        for joint, (_, _, _, first, count) in enumerate(BONES):
            if count == 4:
                result[:, joint] = self.frames[:, [first + 1, first + 2, first + 3, first]]
            else:
                result[:, joint, 2] = np.sin(0.5 * self.frames[:, first])
                result[:, joint, 3] = np.cos(0.5 * self.frames[:, first])
        return result

    def unit_rotations(self) -> Array:
        rotations = self.rotations()
        result: Array = rotations / np.linalg.norm(rotations, axis=-1, keepdims=True)
        return result


@pytest.fixture(scope="module")
def load(package_folder: Callable[[str], Path]) -> Callable[[str], Motion]:
    folder = package_folder("pybullet_data") / "data" / "motions"
    found = {path.stem.removeprefix("humanoid3d_") for path in folder.glob("humanoid3d_*.txt")}
    assert found == set(MOTIONS)

    def load_motion(name: str) -> Motion:
        text = (folder / f"humanoid3d_{name}.txt").read_text(encoding="utf-8")
        frames = np.array(json.loads(text)["Frames"], dtype=np.float64)
        assert frames.shape[1] == 44
        # The first number is the time to the *next* frame; the last one's leads nowhere.
        return Motion(np.concatenate(([0.0], np.cumsum(frames[:-1, 0]))), frames)

    return load_motion


def shot_of(motion: Motion, rotations: Array, order: str | None = None) -> Shot:
    names, parents, offsets, _, _ = zip(*BONES, strict=True)
    skeleton = Skeleton(
        names=names,
        parents=np.array(parents),
        offsets=np.array(offsets),
        rest_xyzw=np.tile([0.0, 0.0, 0.0, 1.0], (len(BONES), 1)),
        orders=(order,) * len(BONES),
        tip_joints=np.array(list(TIPS)),
        tip_offsets=np.array(list(TIPS.values())),
    )
    return Shot(skeleton, motion.times_s, Source("motion"), rotations=rotations)


@pytest.mark.parametrize("name", MOTIONS)
def test_knees_and_elbows_are_clean_hinges(load: Callable[[str], Motion], name: str) -> None:
    motion = load(name)
    examined = examine(shot_of(motion, motion.unit_rotations()))
    measures = examined.measures
    for joint_name in KNEES + ELBOWS:
        joint = NAMES.index(joint_name)
        column = BONES[joint][3]
        angles = np.rad2deg(motion.frames[:, column])
        assert measures.kind[joint] == "hinge", joint_name
        assert abs(measures.range_deg[joint] - np.ptp(angles)) < 1e-9
        assert abs(abs(measures.hinge_axis[joint, 2]) - 1.0) < 1e-12
        assert measures.now.moving_channels[joint] == 1
        assert abs(measures.now.channel_spread[joint] - 1.0) < 1e-9
        assert abs(measures.twist_offset_deg[joint]) < 1e-9
        assert np.allclose(measures.causes[joint], 0.0, rtol=0, atol=1e-9)
        fixes = [
            each for each in examined.findings if each.joint == joint and each.severity == "fix"
        ]
        assert not fixes, joint_name


@pytest.mark.parametrize(("clip", "joints"), RANGES, ids=str)
def test_ranges_of_walk_and_run(
    load: Callable[[str], Motion], clip: str, joints: tuple[str, str]
) -> None:
    motion = load(clip)
    measures = measure_shot(shot_of(motion, motion.unit_rotations()))
    places = [NAMES.index(name) for name in joints]
    low, high = RANGES[clip, joints]
    # The excursion counts the larger side as positive; a knee's is the negative one of the file.
    sign = np.sign(measures.hinge_axis[places, 2])
    turns = measures.excursion_deg[places] * sign[:, None]
    assert np.all(sign == (-1.0 if joints == KNEES else 1.0))
    assert abs(np.min(turns) - low) < 0.006
    assert abs(np.max(turns) - high) < 0.006


def test_exactly_the_knees_past_straight_are_found(load: Callable[[str], Motion]) -> None:
    found: dict[tuple[str, str], float] = {}
    for name in MOTIONS:
        motion = load(name)
        for finding in examine(shot_of(motion, motion.unit_rotations())).findings:
            if finding.check != "back-bend" or finding.joint is None or finding.value is None:
                continue
            joint = NAMES[finding.joint]
            if (
                joint in KNEES + ELBOWS
            ):  # an ankle or a hip that swings on one axis is another matter
                found[name, joint] = finding.value
                assert f"{finding.value:.1f}°" in finding.message
    assert set(found) == set(PAST_STRAIGHT)
    for key, degrees in PAST_STRAIGHT.items():
        assert abs(found[key] - degrees) < 0.006, key


@pytest.mark.parametrize("name", MOTIONS)
def test_clips_with_quaternions_of_other_lengths_are_refused(
    load: Callable[[str], Motion], name: str
) -> None:
    motion = load(name)
    rotations = motion.rotations()
    lengths = np.linalg.norm(rotations, axis=-1)
    if name in LENGTHS:
        low, high = LENGTHS[name]
        assert abs(lengths.min() - low) < 6e-5
        assert abs(lengths.max() - high) < 6e-5
        # Named is the one that is furthest off.
        frame, joint = np.unravel_index(np.argmax(np.abs(lengths - 1.0)), lengths.shape)
        with pytest.raises(ShapeError, match="unit length") as caught:
            shot_of(motion, rotations)
        assert f"frame {frame}, joint {NAMES[joint]} " in str(caught.value)
        assert f"{lengths[frame, joint]:.6g}" in str(caught.value)
    else:
        # The others are off by rounding in the file at most.
        assert np.max(np.abs(lengths - 1.0)) < 1.3e-6


def test_clips_of_unit_length_are_taken(load: Callable[[str], Motion]) -> None:
    taken = []
    for name in MOTIONS:
        motion = load(name)
        lengths = np.linalg.norm(motion.rotations(), axis=-1)
        if np.max(np.abs(lengths - 1.0)) <= 9e-7:
            shot_of(motion, motion.rotations())
            taken.append(name)
    assert len(taken) >= 4


def same(one: Measures, two: Measures) -> None:
    assert one.kind == two.kind
    assert one.orders == two.orders
    assert one.no_offset_because == two.no_offset_because
    for name in (
        "range_deg",
        "shares",
        "off_axis_deg",
        "excursion_deg",
        "hinge_axis",
        "hinge_axis_interval_deg",
        "residual_deg",
        "twist_offset_deg",
        "twist_interval_deg",
        "gimbal_margin_deg",
    ):
        left, right = getattr(one, name), getattr(two, name)
        assert np.allclose(left, right, rtol=0, atol=1e-9, equal_nan=True), name
    for stage in ("now", "after_twist", "after_full"):
        for name in ("range_deg", "travel_deg", "channel_spread"):
            left, right = getattr(getattr(one, stage), name), getattr(getattr(two, stage), name)
            assert np.allclose(left, right, rtol=0, atol=1e-9, equal_nan=True), (stage, name)
        assert np.array_equal(getattr(one, stage).keys, getattr(two, stage).keys), stage


@pytest.mark.parametrize("order", [None, "ZXY"])
@pytest.mark.parametrize("name", MOTIONS)
def test_signs_of_quaternions_make_no_difference(
    load: Callable[[str], Motion], name: str, order: str | None
) -> None:
    """The clips flip signs between neighbouring frames as they are; here every sign is drawn anew."""
    motion = load(name)
    rotations = motion.unit_rotations()
    signs = np.random.default_rng(51).choice([-1.0, 1.0], rotations.shape[:2])
    flipped = rotations * signs[..., None]
    same(
        measure_shot(shot_of(motion, rotations, order)),
        measure_shot(shot_of(motion, flipped, order)),
    )


def test_the_clips_do_flip_signs_on_their_own(load: Callable[[str], Motion]) -> None:
    flips = {}
    for name in MOTIONS:
        rotations = load(name).unit_rotations()
        flips[name] = int(np.sum(np.sum(rotations[1:, 0] * rotations[:-1, 0], axis=-1) < 0.0))
    assert flips["spin"] == 4
    assert flips["cartwheel"] == 3
    assert flips["crawl"] == 2
    assert flips["walk"] == flips["run"] == flips["dance_b"] == 0
