"""Acclaim pairs against captured motion whose file states the answer, and against the published formula."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import numpy as np
import numpy.typing as npt
import pytest
from scipy.spatial.transform import Rotation

from audit.formats import acclaim
from audit.measures import measure_shot
from audit.model import Shot
from audit.model.kinematics import world_transforms
from audit.pipeline import read
from audit.plugins import Opened
from tests.formats.acclaim_making import turned

Array = npt.NDArray[np.float64]

LENGTH_UNIT = 0.45
"""As walk.asf states it: everything is multiplied by it."""

HINGES = ("ltibia", "rtibia", "lradius", "rradius")


@dataclass(frozen=True)
class Files:
    """The two files, taken apart by the few lines below and by nothing of the project."""

    bones: dict[str, dict[str, list[str]]]
    parents: dict[str, str]
    rows: dict[str, Array]


def taken_apart(skeleton: str, motion: str) -> Files:
    """Return bones, parents and numbers of a pair that is laid out line by line, as captured ones are."""
    bones: dict[str, dict[str, list[str]]] = {}
    parents: dict[str, str] = {}
    section, bone = "", {"": [""]}
    for line in skeleton.splitlines():
        words = line.replace("(", " ").replace(")", " ").split()
        if not words:
            continue
        if words[0].startswith(":"):
            section = words[0]
        elif section == ":root":
            bones.setdefault("root", {})[words[0]] = words[1:]
        elif section == ":bonedata" and words[0] == "begin":
            bone = {}
        elif section == ":bonedata" and words[0] == "end":
            bones[bone["name"][0]] = bone
        elif section == ":bonedata":
            bone[words[0]] = words[1:]
        elif section == ":hierarchy" and words[0] not in ("begin", "end"):
            parents |= dict.fromkeys(words[1:], words[0])
    rows: dict[str, list[list[float]]] = {}
    for line in motion.splitlines():
        words = line.split()
        if words and words[0][0] not in ":#" and not words[0].isdigit():
            rows.setdefault(words[0], []).append([float(word) for word in words[1:]])
    return Files(bones, parents, {name: np.array(row) for name, row in rows.items()})


def fixed(letters: str, degrees: Array) -> Rotation:
    """Return turns about fixed axes by scipy, the first letter first."""
    return Rotation.from_euler(cast("Any", letters.lower()), degrees, degrees=True)


def posed(files: Files) -> dict[str, tuple[Array, Array]]:
    """Return world rotations (F, 3, 3) and starts (F, 3) of all bones by the published formula.

    ``L = C⁻¹·M·C·B`` for row vectors, C from ``axis``, M from the motion in order, B the parent's length along
    its direction (University of Wisconsin, course CS 838, 1999, "ASF/AMC"); for columns ``B·C·M·C⁻¹``. The
    joint's own axes are C, carried along.
    """
    frames = len(files.rows["root"])
    chain: dict[str, tuple[Array, Array]] = {}
    result = {}
    root = files.bones["root"]
    names = ["root"]
    for name in names:
        names += [child for child, parent in files.parents.items() if parent == name]
        bone = files.bones[name]
        if name == "root":
            order = [word.lower() for word in root["order"]]
            base = np.array(root["position"], dtype=float) + files.rows["root"][:, :3]
            start = base * LENGTH_UNIT
            above = np.tile(np.eye(3), (frames, 1, 1))
            own = fixed(root["axis"][0], np.array(root["orientation"], dtype=float))
            turns, numbers = [each for each in order if each[0] == "r"], files.rows["root"][:, 3:]
        else:
            parent = files.parents[name]
            above, parent_start = chain[parent]
            start = parent_start
            if parent != "root":
                up = files.bones[parent]
                length = float(up["length"][0]) * LENGTH_UNIT
                start = parent_start + above @ (np.array(up["direction"], dtype=float) * length)
            own = fixed(bone["axis"][3], np.array(bone["axis"][:3], dtype=float))
            turns, numbers = bone.get("dof", []), files.rows.get(name, np.zeros((frames, 0)))
        moved = (
            fixed("".join(turn[1] for turn in turns), numbers.reshape(frames, len(turns)))
            if turns
            else Rotation.from_quat(np.tile([0.0, 0.0, 0.0, 1.0], (frames, 1)))
        )
        local = own.as_matrix() @ moved.as_matrix() @ own.inv().as_matrix()
        chain[name] = above @ local, start
        result[name] = above @ local @ own.as_matrix(), start
    return result


def assert_posed_alike(shot: Shot, expected: dict[str, tuple[Array, Array]], atol: float) -> None:
    """Check world rotations and positions of a shot against the formula's."""
    rotations, places, _ = world_transforms(
        shot.skeleton,
        np.ascontiguousarray(shot.rotations_xyzw.T),
        np.ascontiguousarray(shot.local_positions.T),
    )
    assert set(shot.skeleton.names) == set(expected)
    for joint, name in enumerate(shot.skeleton.names):
        turn, start = expected[name]
        assert np.allclose(places[:, joint].T, start, rtol=0, atol=atol), name
        here = Rotation.from_quat(rotations[:, joint].T).as_matrix()
        assert np.allclose(here, turn, rtol=0, atol=atol), name


@pytest.fixture(scope="module")
def texts(open_data: Path) -> tuple[str, str]:
    return (open_data / "walk.asf").read_text(), (open_data / "walk_01.amc").read_text()


@pytest.fixture(scope="module")
def walk(open_data: Path) -> Shot:
    return read(open_data / "walk_01.amc", skeleton=open_data / "walk.asf")


def test_the_walk_by_the_published_formula(walk: Shot, texts: tuple[str, str]) -> None:
    assert walk.frames == 343
    assert len(walk.skeleton) == 31
    assert_posed_alike(walk, posed(taken_apart(*texts)), 1e-11)


@pytest.mark.parametrize("name", HINGES)
def test_stated_hinges_move_on_one_channel(walk: Shot, name: str) -> None:
    measures = measure_shot(walk)
    joint = walk.skeleton.names.index(name)
    assert measures.kind[joint] == "hinge"
    assert measures.now.moving_channels[joint] == 1
    assert np.allclose(measures.hinge_axis[joint], [1.0, 0.0, 0.0], rtol=0, atol=1e-9)
    assert measures.now.range_deg[joint, 0] > 30.0
    assert np.all(measures.now.range_deg[joint, 1:] < 1e-9)


def test_the_stated_axes_in_the_world(walk: Shot) -> None:
    # The axes that the skeleton file states, in the world's axes; measured with an independent script.
    stated = {
        "ltibia": (0.940, 0.342, 0.000),
        "rtibia": (0.940, -0.342, 0.000),
        "lradius": (0.000, -0.866, 0.500),
        "rradius": (0.000, 0.866, -0.500),
    }
    rest = walk.skeleton.rest_xyzw
    for name, axis in stated.items():
        turn, joint = Rotation.identity(), walk.skeleton.names.index(name)
        while joint >= 0:
            turn = Rotation.from_quat(rest[joint]) * turn
            joint = int(walk.skeleton.parents[joint])
        assert np.allclose(turn.apply([1.0, 0.0, 0.0]), axis, rtol=0, atol=5e-4)


def test_the_walk_comes_back_byte_for_byte(walk: Shot, open_data: Path) -> None:
    files = acclaim.write([walk], "walk.amc")
    assert files["walk.amc"] == (open_data / "walk_01.amc").read_bytes()
    assert files["walk.asf"] == (open_data / "walk.asf").read_bytes()


@pytest.mark.parametrize("channels", [False, True])
def test_turned_axes_move_nothing_by_the_published_formula(
    walk: Shot, texts: tuple[str, str], channels: bool
) -> None:
    rng = np.random.default_rng(8)
    names = [name for name in walk.skeleton.names if rng.uniform() < 0.5]
    turns = dict(zip(names, Rotation.random(len(names), rng=rng).as_quat(), strict=True))
    files = acclaim.write([turned(walk, turns, channels=channels)], "walk.amc")
    changed = posed(taken_apart(files["walk.asf"].decode(), files["walk.amc"].decode()))
    expected = posed(taken_apart(*texts))
    for name, (turn, start) in expected.items():
        by = Rotation.from_quat(turns.get(name, [0.0, 0.0, 0.0, 1.0])).as_matrix()
        assert np.allclose(changed[name][1], start, rtol=0, atol=1e-11), name
        assert np.allclose(changed[name][0], turn @ by, rtol=0, atol=1e-11), name
    # What was not turned is not touched: not one line of it.
    old, new = texts[1].splitlines(), files["walk.amc"].decode().splitlines()
    differ = {line.split()[0] for line, other in zip(old, new, strict=True) if line != other}
    assert differ <= set(names)


def test_a_twist_put_in_is_found_and_taken_out_again(walk: Shot, tmp_path: Path) -> None:
    joint = walk.skeleton.names.index("lradius")
    limb = walk.skeleton.limb_axes[joint]
    put_in = Rotation.from_rotvec(limb * np.deg2rad(-33.0)).as_quat()
    for name, data in acclaim.write([turned(walk, {"lradius": put_in})], "walk.amc").items():
        (tmp_path / name).write_bytes(data)
    messy = read(tmp_path / "walk.amc", skeleton=tmp_path / "walk.asf")
    measures = measure_shot(messy)
    assert measures.now.moving_channels[joint] > 1
    assert measures.twist_offset_deg[joint] == pytest.approx(33.0, abs=0.01)
    taken_out = turned(messy, {"lradius": measures.full_offset_xyzw[joint]})
    files = acclaim.write([taken_out], "walk.amc")
    (again,) = acclaim.read(
        Opened(files["walk.amc"], "walk.amc", Opened(files["walk.asf"], "walk.asf"))
    )
    assert measure_shot(again).now.moving_channels[joint] == 1
    assert np.allclose(again.rotations_xyzw, walk.rotations_xyzw, rtol=0, atol=1e-4)


def test_the_test_can_fail(walk: Shot, texts: tuple[str, str]) -> None:
    expected = posed(taken_apart(texts[0].replace("axis 0 0 20", "axis 0 0 21"), texts[1]))
    with pytest.raises(AssertionError):
        assert_posed_alike(walk, expected, 1e-3)


def test_a_motion_file_that_a_package_ships(
    open_data: Path, package_folder: Callable[[str], Path]
) -> None:
    # dm_control's suite/demos/zeros.amc (Apache-2.0): seven frames of zeros for a skeleton of the same kind.
    path = package_folder("dm_control") / "suite" / "demos" / "zeros.amc"
    skeleton = Opened((open_data / "walk.asf").read_bytes(), "walk.asf")
    (shot,) = acclaim.read(Opened(path.read_bytes(), "zeros.amc", skeleton))
    assert shot.frames == 7
    assert shot.channels is not None
    assert not np.any(shot.channels.values)
    assert np.allclose(shot.rotations_xyzw, shot.skeleton.rest_xyzw, rtol=0, atol=1e-15)
