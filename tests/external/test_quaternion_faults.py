"""Quaternions of other lengths and flipped signs, as they are in fifteen recorded motions.

``pybullet_data/data/motions/humanoid3d_*.txt`` of the pybullet package (zlib licence); the layout of a frame
is told in ``test_recorded_motions.py``. Which clips have which fault, and how much, was read out of the files
with another script. Of ``dance_a`` it was noted that it flips a sign, and not on which joint.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from audit.checks import checks
from audit.formats.gltf import read, write
from audit.measures import measure_shot
from audit.model import Shot, Skeleton, Source, Track, Tracks
from audit.plugins import Finding, Opened

BALLS = {
    # First column of each joint that is a quaternion, scalar first.
    "root": 4,
    "chest": 8,
    "neck": 12,
    "right_hip": 16,
    "right_ankle": 21,
    "right_shoulder": 25,
    "left_hip": 30,
    "left_ankle": 35,
    "left_shoulder": 39,
}
NAMES = tuple(BALLS)

LENGTHS = {
    # Least and greatest length of a quaternion in each clip.
    "kick": (0.5834, 1.0594),
    "roll": (0.8061, 1.0059),
    "spin": (0.9026, 1.0146),
    "punch": (0.9172, 1.0),
    "backflip": (0.9262, 1.1184),
    "cartwheel": (0.9663, 1.0),
    "getup_facedown": (0.9766, 1.0142),
    "jump": (0.9830, 1.0051),
}
UNIT = ("walk", "run", "crawl", "dance_a", "dance_b", "getup_faceup", "spinkick")

FLIPS = {
    # Of the root, unless another joint is named.
    "spin": {"root": 4},
    "cartwheel": {"root": 3},
    "crawl": {"root": 2},
    "backflip": {"root": 1},
    "kick": {"root": 1},
    "punch": {"root": 1},
    "roll": {"root": 1},
    "spinkick": {"root": 1},
    "getup_facedown": {"left_shoulder": 1},
    "walk": {},
    "run": {},
    "dance_b": {},
    "jump": {},
    "getup_faceup": {},
}


@pytest.fixture(scope="module")
def load(package_folder: Callable[[str], Path]) -> Callable[[str], Shot]:
    """Return a function that reads a clip as a file with quaternions would be read."""
    folder = package_folder("pybullet_data") / "data" / "motions"

    def load_clip(name: str) -> Shot:
        text = (folder / f"humanoid3d_{name}.txt").read_text(encoding="utf-8")
        frames = np.array(json.loads(text)["Frames"], dtype=np.float64)
        # The first number is the time to the *next* frame.
        times = np.concatenate(([0.0], np.cumsum(frames[:-1, 0])))
        tracks, errors = [], []
        for first in BALLS.values():
            keys = frames[:, [first + 1, first + 2, first + 3, first]]
            lengths = np.linalg.norm(keys, axis=1)
            errors.append(float(np.max(np.abs(lengths - 1.0))))
            tracks.append(Track(times, keys / lengths[:, None]))
        none = (None,) * len(BALLS)
        skeleton = Skeleton.plain(
            NAMES, [-1] + [0] * (len(NAMES) - 1), np.tile([0.0, 1.0, 0.0], (len(NAMES), 1))
        )
        return Shot(
            skeleton,
            times,
            Source(name),
            tracks=Tracks(tuple(tracks), none, none, tuple(errors)),
        )

    return load_clip


def found(check_name: str, shot: Shot) -> dict[str, Finding]:
    check = checks()[check_name]
    findings = list(check.run(shot, measure_shot(shot), check.limits))
    named = {NAMES[each.joint]: each for each in findings if each.joint is not None}
    assert len(named) == len(findings)
    return named


@pytest.mark.parametrize("name", LENGTHS)
def test_clips_with_other_lengths_are_found(load: Callable[[str], Shot], name: str) -> None:
    findings = found("not-unit", load(name))
    worst = max(each.value or 0.0 for each in findings.values())
    low, high = LENGTHS[name]
    assert abs(worst - max(1.0 - low, high - 1.0)) < 6e-5
    assert {each.severity for each in findings.values()} == {"look"}


@pytest.mark.parametrize("name", UNIT)
def test_clips_of_unit_length_are_clean(load: Callable[[str], Shot], name: str) -> None:
    shot = load(name)
    assert found("not-unit", shot) == {}
    assert shot.tracks is not None
    assert max(shot.tracks.length_errors or [1.0]) <= 1.3e-6


@pytest.mark.parametrize("name", FLIPS)
def test_flips_are_counted(load: Callable[[str], Shot], name: str) -> None:
    findings = found("sign-flip", load(name))
    assert {joint: each.value for joint, each in findings.items()} == FLIPS[name]
    assert all(each.severity == "note" for each in findings.values())


def test_the_flip_of_the_clip_whose_joint_was_not_noted(load: Callable[[str], Shot]) -> None:
    findings = found("sign-flip", load("dance_a"))
    assert [each.value for each in findings.values()] == [1.0]


@pytest.mark.parametrize("name", ["spin", "getup_facedown", "walk"])
def test_signs_survive_a_file(load: Callable[[str], Shot], name: str) -> None:
    shot = load(name)
    (again,) = read(Opened(write([shot], "clip.glb")["clip.glb"], "clip.glb"))
    assert {joint: each.value for joint, each in found("sign-flip", again).items()} == FLIPS[name]
    assert found("not-unit", again) == {}
