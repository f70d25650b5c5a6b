"""Hinges whose axes somebody else states: a humanoid model's joints, and a captured walk's skeleton file.

The model is ``humanoid_CMU`` of the dm_control package (Apache-2.0), posed by the MuJoCo engine's own
kinematics and by the recordings that the package ships. The walk is open motion data of the Acclaim kind that
the CMU Graphics Lab Motion Capture Database uses; it is read where it lies beside the project.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import numpy as np
import numpy.typing as npt
import pytest
from scipy.spatial.transform import Rotation

from audit.conventions import AXES, ORDERS
from audit.formats import bvh
from audit.measures import measure_shot
from audit.model import Shot, Skeleton, Source
from audit.pipeline import examine, read
from audit.settings import Settings

Array = npt.NDArray[np.float64]

BEND_UP = ("ltibia", "rtibia", "lradius", "rradius", "lfingers", "rfingers")
BEND_DOWN = ("ltoes", "rtoes")
"""Joints that the model gives one hinge, about x, with more room on the positive and the negative side."""


def angle_between(axis: Array, stated: npt.ArrayLike) -> float:
    """Return the angle in degrees between two directions, exact where it is small."""
    other = np.asarray(stated, dtype=float)
    return float(np.rad2deg(np.arctan2(np.linalg.norm(np.cross(axis, other)), np.dot(axis, other))))


# --- a humanoid model ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Humanoid:
    """A compiled model and the skeleton that its bodies make."""

    engine: Any
    model: Any
    skeleton: Skeleton

    def hinges(self) -> list[tuple[int, int, Any]]:
        """Return (place in the pose, body's place in the skeleton, range in radians) of every hinge."""
        one = self.engine.mjtJoint.mjJNT_HINGE
        return [
            (
                int(self.model.jnt_qposadr[joint]),
                int(self.model.jnt_bodyid[joint]) - 1,
                self.model.jnt_range[joint],
            )
            for joint in range(self.model.njnt)
            if self.model.jnt_type[joint] == one
        ]


def skeleton_of(model: Any, orders: tuple[str | None, ...] | None = None) -> Skeleton:
    """Return the bodies of a model, without the world, as a skeleton; the engine has the scalar first."""
    names = tuple(model.body(body).name for body in range(1, model.nbody))
    return Skeleton(
        names=names,
        parents=np.asarray(model.body_parentid[1:], dtype=np.int64) - 1,
        offsets=model.body_pos[1:],
        rest_xyzw=np.roll(model.body_quat[1:], -1, axis=1),
        orders=orders or (None,) * len(names),
    )


def local_rotations(world_xyzw: Array, parents: npt.NDArray[np.int64]) -> Array:
    """Return rotations in the parent's axes (F, J, 4) from rotations in the world's, by scipy."""
    result = np.zeros_like(world_xyzw)
    for joint, parent in enumerate(parents):
        own = Rotation.from_quat(world_xyzw[:, joint])
        result[:, joint] = (
            own if parent < 0 else Rotation.from_quat(world_xyzw[:, parent]).inv() * own
        ).as_quat()
    return result


@pytest.fixture(scope="module")
def engine() -> Any:
    return pytest.importorskip(
        "mujoco", reason="mujoco, whose kinematics this checks against, is not installed"
    )


@pytest.fixture(scope="module")
def humanoid(engine: Any, package_folder: Callable[[str], Path]) -> Humanoid:
    model = engine.MjModel.from_xml_path(
        str(package_folder("dm_control") / "suite" / "humanoid_CMU.xml")
    )
    return Humanoid(engine, model, skeleton_of(model))


def random_poses(humanoid: Humanoid, frames: int, seed: int) -> tuple[Array, Array]:
    """Return rotations in the parents' axes (F, J, 4) and poses (F, Q): every joint anywhere in its range."""
    model = humanoid.model
    data = humanoid.engine.MjData(model)
    rng = np.random.default_rng(seed)
    poses = np.tile(np.asarray(model.qpos0), (frames, 1))
    for place, _, (low, high) in humanoid.hinges():
        poses[:, place] = rng.uniform(low, high, frames)
    poses[:, :3] = rng.normal(size=(frames, 3))
    poses[:, 3:7] = Rotation.random(frames, rng=rng).as_quat(scalar_first=True)
    world = np.zeros((frames, len(humanoid.skeleton), 4))
    for frame, pose in enumerate(poses):
        data.qpos[:] = pose
        humanoid.engine.mj_kinematics(model, data)
        world[frame] = np.roll(data.xquat[1:], -1, axis=1)
    return local_rotations(world, humanoid.skeleton.parents), poses


def test_single_hinges_of_the_model_measure_as_stated(humanoid: Humanoid) -> None:
    rotations, poses = random_poses(humanoid, 200, 31)
    shot = Shot(humanoid.skeleton, np.arange(200) / 30.0, Source("random"), rotations=rotations)
    examined = examine(shot)
    measures = examined.measures
    names = humanoid.skeleton.names
    for name in BEND_UP + BEND_DOWN:
        joint = names.index(name)
        stated = [1.0 if name in BEND_UP else -1.0, 0.0, 0.0]
        assert measures.kind[joint] == "hinge", name
        assert angle_between(measures.hinge_axis[joint], stated) < 1e-6, name
        assert measures.now.moving_channels[joint] == 1, name
        assert abs(measures.now.channel_spread[joint] - 1.0) < 1e-6, name
        assert abs(measures.twist_offset_deg[joint]) < 1e-6, name
        assert np.ptp(measures.twist_interval_deg[joint]) < 1e-6, name
        # The turn itself, against the engine's own joint coordinate.
        place = next(place for place, body, _ in humanoid.hinges() if body == joint)
        turned = np.rad2deg(poses[:, place]) * stated[0]
        assert np.allclose(
            measures.excursion_deg[joint], [turned.min(), turned.max()], rtol=0, atol=1e-9
        ), name
    fixes = {
        names[each.joint] for each in examined.findings if each.joint and each.severity == "fix"
    }
    assert not fixes & set(BEND_UP + BEND_DOWN)


@pytest.mark.parametrize("order", ORDERS)
def test_single_hinges_of_the_model_move_one_channel_in_every_order(
    humanoid: Humanoid, order: str
) -> None:
    rotations, _ = random_poses(humanoid, 100, 32)
    shot = Shot(humanoid.skeleton, np.arange(100) / 30.0, Source("random"), rotations=rotations)
    measures = measure_shot(shot, Settings(order=order))
    places = [humanoid.skeleton.names.index(name) for name in BEND_UP + BEND_DOWN]
    assert measures.now.moving_channels[places].tolist() == [1] * 8
    assert np.all(measures.now.range_deg[places, 0] > 70.0)
    assert np.all(measures.now.range_deg[places, 1:] < 1e-6)


def test_joints_of_two_and_three_hinges_are_no_hinges(humanoid: Humanoid) -> None:
    rotations, _ = random_poses(humanoid, 200, 33)
    shot = Shot(humanoid.skeleton, np.arange(200) / 30.0, Source("random"), rotations=rotations)
    measures = measure_shot(shot)
    names, counts = humanoid.skeleton.names, np.asarray(humanoid.model.body_dofnum[1:])
    for name in ("lfemur", "rfemur", "lhumerus", "rhumerus", "lowerback", "thorax", "head"):
        joint = names.index(name)
        assert counts[joint] == 3
        assert measures.kind[joint] == "free", name
        assert measures.no_offset_because[joint] == (
            "it moves freely, so no single axis can be put on one channel"
        )
    for name in ("lfoot", "rfoot", "lhand", "rhand"):
        joint = names.index(name)
        assert counts[joint] == 2
        assert measures.kind[joint] in ("two-axis", "free"), name
    for name in ("lhipjoint", "rhipjoint"):
        assert measures.kind[names.index(name)] == "still"


def test_wrists_of_the_model_turn_about_the_limb_and_get_no_offset(humanoid: Humanoid) -> None:
    """Their one hinge is the forearm's length, y: no turn about the limb has a hold on it."""
    rotations, _ = random_poses(humanoid, 100, 34)
    shot = Shot(humanoid.skeleton, np.arange(100) / 30.0, Source("random"), rotations=rotations)
    measures = measure_shot(shot)
    for name in ("lwrist", "rwrist"):
        joint = humanoid.skeleton.names.index(name)
        assert measures.kind[joint] == "hinge"
        assert angle_between(measures.hinge_axis[joint], [0.0, -1.0, 0.0]) < 1e-6
        assert np.isnan(measures.twist_offset_deg[joint])
        assert "about its own limb" in (measures.no_offset_because[joint] or "")


@pytest.mark.parametrize("clip", ["cmuv2019_001", "cmuv2019_002"])
def test_recorded_clips_of_the_package_measure_as_stated(
    engine: Any, package_folder: Callable[[str], Path], clip: str
) -> None:
    """Real motion: the orientations are the package's recordings, only the skeleton is the engine's."""
    h5py = pytest.importorskip("h5py", reason="h5py, which reads the recordings, is not installed")
    folder = package_folder("dm_control") / "locomotion"
    spec = engine.MjSpec.from_file(str(folder / "walkers" / "assets" / "humanoid_CMU_V2019.xml"))
    spec.compiler.degree = False  # the file states no unit, and its limits are in radians
    model = spec.compile()
    with h5py.File(folder / "mocap" / "test_trajectories.h5") as file:
        step = float(file[clip].attrs["dt"])
        walker = file[clip]["walkers/walker_0"]
        recorded = {name: np.asarray(walker[name]).T for name in ("joints", "body_quaternions")}
        root = np.asarray(walker["quaternion"]).T
    frames = len(root)
    # All bodies but the root are recorded, one after the other; the root has its own entry.
    world = np.concatenate((root[:, None], recorded["body_quaternions"].reshape(frames, -1, 4)), 1)
    skeleton = skeleton_of(model)
    rotations = local_rotations(np.roll(world, -1, axis=2), skeleton.parents)
    shot = Shot(
        skeleton, np.linspace(0.0, (frames - 1) * step, frames), Source(clip), rotations=rotations
    )
    measures = measure_shot(shot)
    measured = 0
    for name in BEND_UP + BEND_DOWN:
        joint = skeleton.names.index(name)
        turned = np.rad2deg(recorded["joints"][:, model.joint(name + "rx").id])
        wide = float(np.ptp(turned))
        assert abs(measures.range_deg[joint] - wide) < 1e-6, name
        if wide < 1.0:
            assert measures.kind[joint] == "still", name
            continue
        assert measures.kind[joint] == "hinge", name
        assert measures.now.moving_channels[joint] == 1, name
        sign = 1.0 if name in BEND_UP else -1.0
        assert angle_between(measures.hinge_axis[joint], [sign, 0.0, 0.0]) < 1e-6, name
        assert np.allclose(
            measures.excursion_deg[joint],
            sorted((sign * turned.min(), sign * turned.max())),
            rtol=0,
            atol=1e-6,
        ), name
        if wide >= 5.0:
            assert abs(measures.twist_offset_deg[joint]) < 1e-6, name
            measured += 1
        else:
            assert np.isnan(measures.twist_offset_deg[joint]), name
    assert measured >= 2


# --- a captured walk ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Bone:
    """What a skeleton file says of a bone."""

    direction: Array
    length: float
    frame: Rotation
    turns: tuple[str, ...]


def fixed_axes(letters: str, degrees: Array) -> Rotation:
    """Return turns about fixed axes, the first letter first: ``Rz·Ry·Rx`` for xyz."""
    return Rotation.from_euler(cast("Any", letters.lower()), degrees, degrees=True)


def read_skeleton(path: Path) -> tuple[dict[str, Bone], dict[str, str]]:
    """Return the bones and each one's parent, of an Acclaim skeleton file.

    M. Schafer, "Skeleton File Definition V1.10", 1995: ``direction`` is given in the world's axes, ``axis`` is
    the orientation of the bone's own axes there, ``dof`` lists the turns that it makes.
    """
    bones: dict[str, Bone] = {}
    parents: dict[str, str] = {}
    section = ""
    words_of: dict[str, list[str]] = {}
    for line in path.read_text().splitlines():
        words = line.split("#")[0].split()
        if not words:
            continue
        if words[0].startswith(":"):
            section = words[0]
        elif section == ":bonedata" and words[0] == "begin":
            words_of = {}
        elif section == ":bonedata" and words[0] == "end":
            axis = words_of["axis"]
            bones[words_of["name"][0]] = Bone(
                np.array(words_of["direction"], dtype=np.float64),
                float(words_of["length"][0]),
                fixed_axes(axis[3], np.array(axis[:3], dtype=float)),
                tuple(words_of.get("dof", ())),
            )
        elif section == ":bonedata":
            words_of[words[0]] = words[1:]
        elif section == ":hierarchy" and words[0] not in ("begin", "end"):
            parents.update(dict.fromkeys(words[1:], words[0]))
    return bones, parents


def read_motion(path: Path) -> dict[str, Array]:
    """Return the numbers of each bone (F, n), of an Acclaim motion file."""
    rows: dict[str, list[list[str]]] = {}
    for line in path.read_text().splitlines():
        words = line.split()
        if words and not words[0].startswith((":", "#")) and not words[0].isdigit():
            rows.setdefault(words[0], []).append(words[1:])
    return {name: np.array(values, dtype=float) for name, values in rows.items()}


@dataclass(frozen=True)
class Walk:
    """The captured walk in world-aligned axes, and the axes of its bones as the skeleton file states them."""

    shot: Shot
    bones: dict[str, Bone]

    def place(self, name: str) -> int:
        return self.shot.skeleton.names.index(name)


@pytest.fixture(scope="module")
def walk(open_data: Path) -> Walk:
    """Return the walk as a plain export has it: every joint's axes lie along the world's at rest.

    Acclaim files: ``L = C·M·C⁻¹`` for column vectors, with C from ``axis`` and M from the motion (University of
    Wisconsin, course CS 838, 1999, "ASF/AMC": ``L = C⁻¹·M·C·B`` for row vectors, B being the offset).
    """
    bones, parents = read_skeleton(open_data / "walk.asf")
    motion = read_motion(open_data / "walk_01.amc")
    names = ["root", *(name for name in parents if name in bones)]
    frames = len(motion["root"])
    assert frames == 343
    names.sort(key=lambda name: depth(name, parents))  # parents before their children
    offsets, rotations = np.zeros((len(names), 3)), np.zeros((frames, len(names), 4))
    for joint, name in enumerate(names):
        if name == "root":
            rotations[:, joint] = fixed_axes("xyz", motion["root"][:, 3:6]).as_quat()
            continue
        bone, parent = bones[name], parents[name]
        if parent != "root":
            offsets[joint] = bones[parent].direction * bones[parent].length
        turned = np.zeros((frames, 3))
        for column, turn in enumerate(bone.turns):
            turned[:, AXES.index(turn[1].upper())] = motion[name][:, column]
        moved = fixed_axes("xyz", turned)
        rotations[:, joint] = (bone.frame * moved * bone.frame.inv()).as_quat()
    skeleton = Skeleton(
        names=tuple(names),
        parents=np.array([names.index(parents[name]) if name in parents else -1 for name in names]),
        offsets=offsets,
        rest_xyzw=np.tile([0.0, 0.0, 0.0, 1.0], (len(names), 1)),
        orders=("ZXY",) * len(names),
        tip_joints=np.array([joint for joint, name in enumerate(names) if name in bones]),
        tip_offsets=np.array([bones[n].direction * bones[n].length for n in names if n in bones]),
    )
    times = np.arange(frames) / 120.0  # the files do not say; it changes no figure here
    return Walk(Shot(skeleton, times, Source("walk"), rotations=rotations), bones)


def depth(name: str, parents: dict[str, str]) -> int:
    return 1 + depth(parents[name], parents) if name in parents else 0


STATED = {
    # Axis that the skeleton file states, in the world's axes; channel ranges Z, X, Y in degrees, measured with
    # an independent script.
    "ltibia": ((0.940, 0.342, 0.000), (31.8, 56.2, 46.1)),
    "rtibia": ((0.940, -0.342, 0.000), (31.6, 55.8, 45.8)),
    "lradius": ((0.000, -0.866, 0.500), (22.4, 16.4, 46.5)),
    "rradius": ((0.000, 0.866, -0.500), (19.7, 10.1, 37.6)),
}


@pytest.mark.parametrize("name", STATED)
@pytest.mark.parametrize("through_a_file", [False, True])
def test_stated_axes_of_the_walk_are_found(
    walk: Walk, name: str, through_a_file: bool, tmp_path: Path
) -> None:
    shot = walk.shot
    if through_a_file:
        (tmp_path / "walk.bvh").write_bytes(bvh.write(shot))
        shot = read(tmp_path / "walk.bvh")
        assert shot.channels is not None
    joint = shot.skeleton.names.index(name)
    axis, ranges = STATED[name]
    bone = walk.bones[name]
    assert bone.turns == ("rx",)
    exact = bone.frame.apply([1.0, 0.0, 0.0])
    assert np.allclose(exact, axis, rtol=0, atol=5e-4)

    measures = measure_shot(shot)
    assert measures.orders[joint] == "ZXY"
    assert measures.kind[joint] == "hinge"
    assert angle_between(measures.hinge_axis[joint], exact) < 0.1
    assert np.allclose(measures.now.range_deg[joint, [2, 0, 1]], ranges, rtol=0, atol=0.05)
    assert measures.now.moving_channels[joint] == 3
    assert measures.now.channel_spread[joint] > 2.0
    assert measures.after_full.moving_channels[joint] == 1
    assert measures.after_full.channel_spread[joint] < 1.001
    assert measures.after_full.edit_keys[joint] < measures.now.edit_keys[joint]
    assert abs(measures.residual_deg[joint]) < 0.1
    # The correction itself, applied by scipy, leaves a turn about one coordinate axis.
    correction = Rotation.from_quat(measures.full_offset_xyzw[joint])
    moved = correction.inv() * Rotation.from_quat(shot.rotations_xyzw[:, joint]) * correction
    vectors = np.abs(np.rad2deg(moved.as_rotvec()))
    assert np.sum(np.max(vectors, axis=0) > 0.05) == 1


def turned_axes(shot: Shot, axes: Rotation, order: str = "ZXY") -> Shot:
    """Return the same motion with the axes of every joint turned, all alike, by scipy.

    A joint's axes and its parent's turn by A: ``R' = A⁻¹·R·A``, and offsets are seen from the new axes.
    """
    skeleton = shot.skeleton
    flat = Rotation.from_quat(shot.rotations_xyzw.reshape(-1, 4))
    rotations = (axes.inv() * flat * axes).as_quat().reshape(shot.rotations_xyzw.shape)
    turned = Skeleton(
        names=skeleton.names,
        parents=skeleton.parents,
        offsets=axes.inv().apply(skeleton.offsets.copy()),
        rest_xyzw=skeleton.rest_xyzw,
        orders=(order,) * len(skeleton),
        tip_joints=skeleton.tip_joints,
        tip_offsets=axes.inv().apply(skeleton.tip_offsets.copy()),
    )
    return Shot(turned, shot.times_s, Source("turned"), rotations=rotations)


@pytest.mark.parametrize("seed", range(12))
def test_stated_axes_are_found_in_any_axes(walk: Walk, seed: int) -> None:
    """Here every limb slants and every hinge is twisted about it: the aim comes first, then the twist."""
    axes = Rotation.random(rng=np.random.default_rng([71, seed]))
    order = ORDERS[seed % 6]
    shot = turned_axes(walk.shot, axes, order)
    measures = measure_shot(shot)
    for name in STATED:
        joint, bone = walk.place(name), walk.bones[name]
        exact = axes.inv().apply(bone.frame.apply([1.0, 0.0, 0.0]))
        assert angle_between(measures.hinge_axis[joint], exact) < 0.1
        direction = axes.inv().apply(bone.direction)
        assert angle_between(measures.limb_axis[joint], direction) < 1e-6
        assert measures.after_full.moving_channels[joint] == 1, name
        assert measures.after_full.channel_spread[joint] < 1.001, name
        correction = Rotation.from_quat(measures.full_offset_xyzw[joint])
        # One of the new axes lies along the limb, and another one is the hinge.
        seen_limb, seen_hinge = correction.inv().apply([direction, exact])
        assert np.max(np.abs(seen_limb)) > 1.0 - 1e-9
        assert np.max(np.abs(seen_hinge)) > np.cos(np.deg2rad(0.1))


def own_axes(walk: Walk, order: str) -> Shot:
    """Return the walk with knees and elbows in the axes that the skeleton file states for them.

    Their parents keep the world's. A format without rest rotations then holds ``L·C = C·M``: a constant in
    front of the motion, which never passes through the unturned pose.
    """
    skeleton = walk.shot.skeleton
    frames = {name: walk.bones[name].frame for name in STATED}
    rotations = np.zeros_like(walk.shot.rotations_xyzw)
    offsets, tips = np.zeros((len(skeleton), 3)), np.zeros((len(skeleton.tip_joints), 3))
    for joint, (name, parent) in enumerate(
        zip(skeleton.names, skeleton.parent_names(), strict=True)
    ):
        own = frames.get(name, Rotation.identity())
        above = frames.get(parent or "", Rotation.identity())
        local = Rotation.from_quat(walk.shot.rotations_xyzw[:, joint])
        rotations[:, joint] = (above.inv() * local * own).as_quat()
        offsets[joint] = above.inv().apply(skeleton.offsets[joint].copy())
        tips[skeleton.tip_joints == joint] = own.inv().apply(
            skeleton.tip_offsets[skeleton.tip_joints == joint]
        )
    stated = Skeleton(
        names=skeleton.names,
        parents=skeleton.parents,
        offsets=offsets,
        rest_xyzw=skeleton.rest_xyzw,
        orders=(order,) * len(skeleton),
        tip_joints=skeleton.tip_joints,
        tip_offsets=tips,
    )
    return Shot(stated, walk.shot.times_s, Source("own axes"), rotations=rotations)


@pytest.mark.parametrize("order", ["ZYX", "YZX"])
def test_a_constant_in_front_of_a_hinge_makes_no_difference(walk: Walk, order: str) -> None:
    """The hinge is x in the joint's own axes, whatever stands between them and the parent's.

    With the hinge channel innermost the constant sits on the other two, and one channel moves.
    """
    shot = own_axes(walk, order)
    measures = measure_shot(shot)
    for name in STATED:
        joint = walk.place(name)
        nearest = Rotation.from_quat(shot.rotations_xyzw[:, joint]).magnitude().min()
        assert np.rad2deg(nearest) > 20.0, "the motion should stay away from the unturned pose"
        assert measures.kind[joint] == "hinge", name
        assert angle_between(np.abs(measures.hinge_axis[joint]), [1.0, 0.0, 0.0]) < 1e-6, name
        assert measures.now.moving_channels[joint] == 1, name
        assert measures.now.channel_spread[joint] < 1.0 + 1e-6, name
        # The same turn as in the world's axes: only how it is seen has changed.
        assert abs(measures.range_deg[joint] - measure_shot(walk.shot).range_deg[joint]) < 1e-6


def test_a_walk_asks_for_the_aim_to_be_mended_first(walk: Walk) -> None:
    """World-aligned axes lie along no slanting limb, so a turn about the limb cannot finish the job."""
    examined = examine(walk.shot)
    for name in STATED:
        joint = walk.place(name)
        said = {
            each.check
            for each in examined.findings
            if each.joint == joint and each.severity == "fix"
        }
        assert "spread" in said
        assert abs(examined.measures.aim_error_deg[joint] - aim(walk.bones[name])) < 1e-6
    knee = walk.place("ltibia")
    assert abs(examined.measures.aim_error_deg[knee] - 20.0) < 1e-3


def aim(bone: Bone) -> float:
    """Return the angle in degrees from a bone to the nearest of the world's axes."""
    return min(
        float(np.rad2deg(np.arccos(abs(part) / np.linalg.norm(bone.direction))))
        for part in bone.direction
    )
