"""Corrected files against the outside: MuJoCo, UsdSkel, a scene library, the Khronos validator, a character.

- Held-out rigs (:mod:`tests.external.held_out`) are suggested for, corrected and played by others: BVH and GLB
  by MuJoCo's kinematics, which turns hinges one after the other and quaternions as ball joints; USD by
  UsdSkel's ``SkeletonQuery``. Channels of BVH come from the reader ``bvh`` of the package index, keys of glTF
  from a reader in the tests.
- ``trimesh``'s scene graph gives the rest poses of corrected GLB; ``pybvh`` and ``bvh`` read corrected BVH.
- ``gltf-validator`` of the npm registry (Khronos; Apache-2.0) finds no error in any corrected GLB.
- CesiumMan.glb of the Khronos sample assets (© Cesium, CC BY 4.0): its skinned vertices stay where they are.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from audit.correction import CorrectedFile, correct_file
from audit.measures import measure_shot
from audit.pipeline import read, suggest
from audit.settings import Settings
from audit.sheet import Offset, Sheet
from tests.external.held_out import FRAMES, RATE, Rig, as_bvh, as_glb, as_usd, held_out
from tests.external.test_gltf_outside import Validate, skinned_points, strided, validate
from tests.formats.gltf_making import Player

__all__ = ["validate"]

Array = npt.NDArray[np.float64]

LIMIT = 1e-5
SEEDS = range(3)


def corrected(rig: Rig, path: Path) -> CorrectedFile:
    """Suggest from a file alone, and correct it by that."""
    return correct_file(path, suggest(read(path)), path.parent / "out", measured=False)


def assert_on_one_channel(rig: Rig, done: CorrectedFile) -> int:
    """Every secret hinge moves on one channel when the corrected file is audited; return how many are excused.

    Where a format has no rest rotations, a hinge can move on one channel by the luck of a constant behind it,
    and its axis be oblique all the same. It is left as it is, and when the joint above is turned its luck ends.
    """
    before, after = (read(path) for path in (Path(done.entry["source"]["file"]), done.path))
    moving = [measure_shot(shot).now.moving_channels for shot in (before, after)]
    kinds = measure_shot(after).kind
    excused = 0
    for joint in rig.hinges:
        place = after.skeleton.names.index(rig.names[joint])
        lucky = moving[0][place] <= 1 and not before.has_rest_rotations
        assert kinds[place] == "hinge"
        if lucky and moving[1][place] > 1:
            excused += 1
            continue
        assert moving[1][place] <= 1, rig.names[joint]
    return excused


def assert_unmoved(before: Array, after: Array) -> None:
    """Joint positions (F, J, 3) differ by less than a hundred-thousandth of the first frame's extent."""
    extent = float(np.ptp(before[0], axis=0).max())
    apart = float(np.linalg.norm(after - before, axis=-1).max())
    print(f"joints: {apart / extent:.1e} of the height apart")
    assert np.ptp(before, axis=0).max() > 0.1 * extent
    assert apart < LIMIT * extent


class TestBvh:
    @staticmethod
    def played(path: Path) -> tuple[list[str], Array]:
        """Return names and positions (F, J, 3): the reader ``bvh``, and MuJoCo's hinges in channel order."""
        bvh, mujoco = pytest.importorskip("bvh"), pytest.importorskip("mujoco")
        file = bvh.Bvh(path.read_text())
        names = file.get_joints_names()
        below: dict[str | None, list[str]] = {}
        for name in names:
            parent = file.joint_parent(name)
            below.setdefault(None if parent is None else parent.name, []).append(name)
        columns: list[int] = []
        rotates: list[bool] = []

        def body(name: str) -> str:
            kinds = []
            first = file.get_joint_channels_index(name)
            channels = file.joint_channels(name)
            travels = any(channel.endswith("position") for channel in channels)
            for place, channel in enumerate(channels):
                axis = " ".join("1" if letter == channel[0] else "0" for letter in "XYZ")
                rotation = channel.endswith("rotation")
                kinds.append(f'<joint type="{"hinge" if rotation else "slide"}" axis="{axis}"/>')
                columns.append(first + place)
                rotates.append(rotation)
            # A joint with position channels stands where they say.
            offset = (0.0, 0.0, 0.0) if travels else file.joint_offset(name)
            inside = "".join(map(body, below.get(name, [])))
            place_text = " ".join(map(repr, offset))
            return (
                f'<body name="{name}" pos="{place_text}">{"".join(kinds)}<geom size="0.1"/>{inside}'
                "</body>"
            )

        text = f"<mujoco><worldbody>{body(names[0])}</worldbody></mujoco>"
        model = mujoco.MjModel.from_xml_string(text)
        data = mujoco.MjData(model)
        values = np.array(file.frames, dtype=np.float64)[:, columns]
        values[:, rotates] = np.deg2rad(values[:, rotates])
        places = np.zeros((len(values), len(names), 3))
        bodies = [model.body(name).id for name in names]
        for frame, row in enumerate(values):
            data.qpos[:] = row
            mujoco.mj_kinematics(model, data)
            places[frame] = data.xpos[bodies]
        return names, places

    @pytest.mark.parametrize("seed", SEEDS)
    def test_held_out_rigs(self, seed: int, tmp_path: Path) -> None:
        rig = held_out(seed, plain=True)
        path = as_bvh(rig, tmp_path / "rig.bvh")
        done = corrected(rig, path)
        names, before = self.played(path)
        names_after, after = self.played(done.path)
        assert names_after == names
        assert len(done.entry["turned"]) >= len(rig.hinges) // 2
        assert_unmoved(before, after)
        assert assert_on_one_channel(rig, done) <= 1

    @pytest.mark.parametrize("seed", SEEDS)
    def test_other_readers_read_the_same(self, seed: int, tmp_path: Path) -> None:
        bvh, pybvh = pytest.importorskip("bvh"), pytest.importorskip("pybvh")
        rig = held_out(seed, plain=True)
        done = corrected(rig, as_bvh(rig, tmp_path / "rig.bvh"))
        shot = read(done.path)
        assert shot.channels is not None
        plain = bvh.Bvh(done.path.read_text())
        assert list(shot.skeleton.names) == plain.get_joints_names()
        np.testing.assert_array_equal(np.array(plain.frames, dtype=float), shot.channels.values)
        other = pybvh.read_bvh_file(done.path, world_up="+y", warn_on_world_up_disagreement=False)
        assert shot.skeleton.orders == tuple(other.euler_orders)
        _, places = self.played(done.path)
        np.testing.assert_allclose(other.joint_positions(), places, atol=1e-9)


class TestGlb:
    @staticmethod
    def played(path: Path, rig: Rig) -> Array:
        """Return positions (F, J, 3): keys by the tests' own reader, MuJoCo's ball joints on the rest pose."""
        mujoco = pytest.importorskip("mujoco")
        player = Player(path.read_bytes())
        nodes = player.top["nodes"]
        named = {node.get("name"): number for number, node in enumerate(nodes)}
        order: list[int] = []

        def body(number: int) -> str:
            node = nodes[number]
            x, y, z, w = node.get("rotation", [0.0, 0.0, 0.0, 1.0])
            place = " ".join(map(repr, node.get("translation", [0.0, 0.0, 0.0])))
            joint = "<freejoint/>" if not order else '<joint type="ball"/>'
            order.append(number)
            inside = "".join(body(child) for child in node.get("children", []))
            return (
                f'<body name="n{number}" pos="{place}" quat="{w!r} {x!r} {y!r} {z!r}">{joint}'
                f'<geom size="0.1"/>{inside}</body>'
            )

        text = f"<mujoco><worldbody>{body(named[rig.names[0]])}</worldbody></mujoco>"
        model = mujoco.MjModel.from_xml_string(text)
        data = mujoco.MjData(model)
        moved: dict[tuple[int, str], Array] = {}
        (animation,) = player.top["animations"]
        for channel in animation["channels"]:
            sampler = animation["samplers"][channel["sampler"]]
            assert sampler.get("interpolation", "LINEAR") == "LINEAR"
            values = player.numbers(sampler["output"])
            assert len(values) == FRAMES
            moved[channel["target"]["node"], channel["target"]["path"]] = values
        assert {path for _, path in moved} == {"rotation", "translation"}
        qpos = np.zeros((FRAMES, model.nq))
        qpos[:, :3] = moved[order[0], "translation"]
        qpos[:, 3:7] = moved[order[0], "rotation"][:, [3, 0, 1, 2]]
        for place, number in enumerate(order[1:]):
            turns = np.zeros((FRAMES, 4))
            rest, key = np.zeros(4), np.zeros(4)
            mujoco.mju_negQuat(
                rest, np.array(nodes[number].get("rotation", [0, 0, 0, 1]))[[3, 0, 1, 2]]
            )
            for frame, (x, y, z, w) in enumerate(moved[number, "rotation"]):
                mujoco.mju_mulQuat(key, rest, np.array([w, x, y, z]))
                turns[frame] = key
            start = 7 + 4 * place
            qpos[:, start : start + 4] = turns
        places = np.zeros((FRAMES, len(rig.names), 3))
        bodies = [model.body(f"n{named[name]}").id for name in rig.names]
        for frame, row in enumerate(qpos):
            data.qpos[:] = row
            mujoco.mj_kinematics(model, data)
            places[frame] = data.xpos[bodies]
        return places

    @pytest.mark.parametrize("seed", SEEDS)
    def test_held_out_rigs(self, seed: int, tmp_path: Path) -> None:
        rig = held_out(seed, plain=False)
        path = as_glb(rig, tmp_path / "rig.glb")
        done = corrected(rig, path)
        assert_unmoved(self.played(path, rig), self.played(done.path, rig))
        assert assert_on_one_channel(rig, done) == 0

    @pytest.mark.parametrize("seed", SEEDS)
    def test_rest_poses_in_a_scene_library(self, seed: int, tmp_path: Path) -> None:
        """The same places, and axes that are turned by what the proof says."""
        trimesh = pytest.importorskip("trimesh", reason="trimesh is not installed")
        from scipy.spatial.transform import Rotation

        rig = held_out(seed, plain=False)
        path = as_glb(rig, tmp_path / "rig.glb")
        done = corrected(rig, path)
        turns = {row["joint"]: row["axes_xyzw"] for row in done.entry["turned"]}
        scenes = [trimesh.load_scene(str(each)) for each in (path, done.path)]
        assert len(turns) > len(rig.hinges) // 2
        for name in rig.names:
            before, after = (scene.graph.get(name)[0] for scene in scenes)
            np.testing.assert_allclose(after[:3, 3], before[:3, 3], atol=1e-6)
            axes = Rotation.from_quat(turns.get(name, [0, 0, 0, 1])).as_matrix()
            np.testing.assert_allclose(after[:3, :3], before[:3, :3] @ axes, atol=1e-6)

    def test_the_khronos_validator_finds_no_error(self, tmp_path: Path, validate: Validate) -> None:
        files: dict[str, bytes] = {}
        for seed in range(6):
            rig = held_out(seed, plain=False)
            path = as_glb(rig, tmp_path / f"rig{seed}.glb")
            done = corrected(rig, path)
            files[f"before{seed}.glb"] = path.read_bytes()
            files[f"after{seed}.glb"] = done.path.read_bytes()
        found = validate(files)
        assert len(found) == 12
        assert all(not errors for errors in found.values()), found


class TestUsd:
    @staticmethod
    def played(path: Path) -> tuple[list[str], Array]:
        """Return joint names and their positions (F, J, 3) in the skeleton's space, by UsdSkel."""
        from pxr import Usd, UsdSkel  # type: ignore[import-untyped]

        stage = Usd.Stage.Open(str(path))
        root = UsdSkel.Root(stage.GetPrimAtPath("/Rig"))
        cache = UsdSkel.Cache()
        cache.Populate(root, Usd.PrimDefaultPredicate)
        query = cache.GetSkelQuery(UsdSkel.Skeleton(stage.GetPrimAtPath("/Rig/Skeleton")))
        matrices = [np.array(query.ComputeJointSkelTransforms(code)) for code in range(FRAMES)]
        names = [str(joint) for joint in query.GetJointOrder()]
        # For row vectors the translation stands in the last row.
        return names, np.stack(matrices)[:, :, 3, :3]

    @pytest.mark.parametrize("suffix", ["usda", "usdc"])
    @pytest.mark.parametrize("seed", SEEDS)
    def test_held_out_rigs(self, seed: int, suffix: str, tmp_path: Path) -> None:
        pytest.importorskip("pxr", reason="the package usd-core is not installed")
        rig = held_out(seed, plain=False)
        path = as_usd(rig, tmp_path / f"rig.{suffix}")
        assert read(path).times_s[1] == pytest.approx(1.0 / RATE)
        done = corrected(rig, path)
        names, before = self.played(path)
        names_after, after = self.played(done.path)
        assert names_after == names
        assert_unmoved(before, after)
        assert assert_on_one_channel(rig, done) == 0


@pytest.fixture(scope="module")
def character(open_data: Path) -> Path:
    path = open_data / "CesiumMan.glb"
    if not path.is_file():
        pytest.skip("CesiumMan.glb of the Khronos sample assets is not beside the project")
    return path


class TestCharacter:
    KNEES = ("leg_joint_L_2", "leg_joint_R_2")

    @pytest.mark.parametrize(
        ("name", "order"),
        # Not the right knee in ZYX: its full aim, 3° off, happens to end the swinging in that order too, and
        # comes first in the account.
        [(KNEES[0], "XYZ"), (KNEES[1], "XYZ"), (KNEES[0], "ZYX")],
    )
    def test_the_knees_spread_is_laid_to_the_order(
        self, character: Path, name: str, order: str
    ) -> None:
        """The table beside the file: spread 2.95 to 3.00 in these orders, 1.09 to 1.16 in the four others."""
        shot = read(character)
        measures = measure_shot(shot, Settings(order=order))
        joint = shot.skeleton.names.index(name)
        assert measures.now.channel_spread[joint] > 2.9
        twist, aim, by_order, own = measures.causes[joint]
        assert by_order > 1.2
        assert by_order > 2.5 * max(twist, aim, own)

    @pytest.mark.parametrize("name", KNEES)
    def test_nothing_is_laid_to_twist_where_no_order_is_stated(
        self, character: Path, name: str
    ) -> None:
        """The file states none, so each joint is measured in its best order: 1.09 to 1.16."""
        shot = read(character)
        measures = measure_shot(shot)
        joint = shot.skeleton.names.index(name)
        assert measures.now.channel_spread[joint] < 1.2
        assert measures.causes[joint][2] < 0.01

    def vertices(self, path: Path, times: Array) -> Array:
        """Return all skinned vertices (T, V, 3) with plain numpy, from the file's own arrays."""
        player = Player(path.read_bytes())
        shape = player.top["meshes"][0]["primitives"][0]["attributes"]
        points = strided(player, shape["POSITION"])
        weights, joints = strided(player, shape["WEIGHTS_0"]), strided(player, shape["JOINTS_0"])
        return np.stack(
            [skinned_points(player, time, points, weights, joints) for time in times.tolist()]
        )

    def sheet_of(self, path: Path, how: str) -> Sheet:
        """Return the suggested sheet, or one that turns every joint of the skin by a large random turn."""
        if how == "suggested":
            return suggest(read(path))
        names = [node.get("name") for node in Player(path.read_bytes()).top["nodes"]]
        generator = np.random.default_rng(9)
        rows = []
        for name in read(path).skeleton.names:
            turn = generator.normal(size=4)
            x, y, z, w = (turn / np.linalg.norm(turn)).tolist()
            if name in names:
                rows.append(Offset(name, full_offset_xyzw=(x, y, z, w)))
        return Sheet(tuple(rows))

    @pytest.mark.parametrize("how", ["suggested", "all joints turned"])
    def test_every_vertex_stays_at_every_frame(
        self, character: Path, tmp_path: Path, how: str
    ) -> None:
        done = correct_file(character, self.sheet_of(character, how), tmp_path / "out")
        (shot,) = done.shots
        assert len(done.entry["turned"]) >= (1 if how == "suggested" else 19)
        times = shot.before.times_s
        assert len(times) == 48
        before, after = (self.vertices(path, times) for path in (character, done.path))
        assert before.shape == (48, 3273, 3)
        height = float(np.ptp(before[0], axis=0).max())
        moved = float(np.linalg.norm(after - before, axis=-1).max())
        print(f"{how}: vertices {moved / height:.1e} of the height apart, bound {shot.skin:.1e}")
        assert moved < LIMIT * height
        # The figure of the proof is a bound, and no wild one.
        assert shot.skin is not None
        assert moved - 1e-9 <= shot.skin < 20.0 * max(moved, 1e-8)
        assert shot.found.height == pytest.approx(height, rel=0.2)

    def test_the_validator_finds_no_error(
        self, character: Path, tmp_path: Path, validate: Callable[[dict[str, bytes]], Any]
    ) -> None:
        done = correct_file(character, suggest(read(character)), tmp_path / "out", measured=False)
        assert validate({"corrected.glb": done.path.read_bytes()}) == {"corrected.glb": []}
