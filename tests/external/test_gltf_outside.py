"""glTF against the outside: the Khronos validator, a scene library, two other writers, and a real character.

- ``gltf-validator`` of the npm registry (Khronos; Apache-2.0) finds no error in any GLB that is written here.
- ``trimesh``'s scene graph gives the same rest poses.
- Files made with ``pygltflib`` and ``gltflib`` are read.
- CesiumMan.glb of the Khronos sample assets (© Cesium, CC BY 4.0) and the figures that stand beside it.
"""

from __future__ import annotations

import io
import json
import shutil
import subprocess
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from audit.formats.gltf import read, sample, skins, write
from audit.measures import measure_shot
from audit.model import Shot
from audit.model.kinematics import rest_height, world_transforms
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.plugins import Opened
from audit.rotations import matrix_from_quaternion
from audit.settings import Settings
from tests.formats.gltf_making import Array, Making, Player, hinge, joints_of, read_all, turned
from tests.formats.skinning import carried
from tests.formats.test_gltf_writing import assert_same_motion, axes_for, rig

VALIDATOR = "gltf-validator@2.0.0-dev.3.10"

SCRIPT = """
const validator = require('gltf-validator'), fs = require('fs'), path = require('path');
const files = process.argv.slice(2);
Promise.all(files.map(file => validator.validateBytes(new Uint8Array(fs.readFileSync(file)), {
  externalResourceFunction: uri => Promise.resolve(
    new Uint8Array(fs.readFileSync(path.join(path.dirname(file), decodeURIComponent(uri))))),
}).catch(error => ({issues: {numErrors: 1, messages: [{severity: 0, message: String(error)}]}}))))
.then(reports => console.log(JSON.stringify(reports.map(report => report.issues))));
"""

Validate = Callable[[Mapping[str, bytes]], dict[str, list[str]]]


@pytest.fixture(scope="session")
def validate(tmp_path_factory: pytest.TempPathFactory) -> Validate:
    """Return a function that runs the Khronos validator over files and returns the errors of each."""
    if not shutil.which("node") or not shutil.which("npm"):
        pytest.skip("node and npm, which run the Khronos validator, are not installed")
    folder = tmp_path_factory.mktemp("validator")
    made = subprocess.run(
        ["npm", "install", "--no-audit", "--no-fund", "--prefix", str(folder), VALIDATOR],
        capture_output=True,
        timeout=120,
        check=False,
    )
    if made.returncode:
        pytest.skip("the Khronos validator cannot be installed from here")
    (folder / "run.js").write_text(SCRIPT)

    def run(files: Mapping[str, bytes]) -> dict[str, list[str]]:
        for name, data in files.items():
            (folder / name).write_bytes(data)
        names = [name for name in files if not name.endswith(".bin")]
        done = subprocess.run(
            ["node", "run.js", *names], cwd=folder, capture_output=True, timeout=120, check=True
        )
        reports = json.loads(done.stdout)
        return {
            name: [
                f"{issue.get('pointer', '')}: {issue['message']}"
                for issue in report["messages"]
                if issue["severity"] == 0
            ]
            for name, report in zip(names, reports, strict=True)
        }

    return run


def valid_rig(seed: int) -> Making:
    """Return a rig without what only tests of ours want: meshes without shape, bare skins, odd matrices."""
    making = rig(seed)
    making.top["cameras"] = [{"type": "perspective", "perspective": {"yfov": 1, "znear": 1}}]
    corners = making.accessor(np.eye(3), min=[0, 0, 0], max=[1, 1, 1])
    shape = {
        "attributes": {"POSITION": corners},
        "targets": [{"POSITION": corners}],
    }
    making.top["meshes"] = [{"primitives": [shape], "weights": [0]}]
    roots = set(range(len(making.top["nodes"])))
    for node in making.top["nodes"]:
        roots -= set(node.get("children", []))
        if "matrix" in node:
            node["matrix"] = np.diag([2.0, 2.0, 2.0, 1.0]).ravel().tolist()
    making.top["scenes"] = [{"nodes": sorted(roots)}]
    for skin in making.top["skins"]:
        # A skin's joints have one root in common.
        skin["joints"] = skin["joints"][:1]
        if "inverseBindMatrices" in skin:
            skin["inverseBindMatrices"] = making.accessor(np.eye(4).reshape(1, 16))
    return making


class TestValidator:
    def test_it_finds_faults(self, validate: Validate) -> None:
        making = hinge(Making())
        making.top["animations"][0]["samplers"][0]["input"] = making.accessor([1, 0])
        errors = validate({"faulty.glb": making.glb()})["faulty.glb"]
        assert any("min" in error for error in errors)
        assert any("less than or equal to previous" in error for error in errors), errors

    def test_new_files_have_no_errors(self, validate: Validate) -> None:
        limb = limb_shot(hinge_channels((0.6, 0.0, 0.8), bend()))
        files = {"sample.glb": sample(), **write([limb], "limb.glb")}
        files |= write([limb], "limb.gltf")
        assert validate(files) == {name: [] for name in files if not name.endswith(".bin")}

    def test_changed_files_have_no_errors(self, validate: Validate) -> None:
        files: dict[str, bytes] = {}
        for seed in range(12):
            before = valid_rig(seed).glb()
            shots = read_all(before)
            changed = [turned(shot, axes_for(shot, seed, 0.7)) for shot in shots]
            files[f"before{seed}.glb"] = before
            files |= write(changed, f"after{seed}.glb")
            files |= write(changed, f"text{seed}.gltf")
        found = validate(files)
        assert len(found) == 36
        assert all(not errors for errors in found.values()), found

    def test_the_character_has_no_errors_after_a_turn(
        self, validate: Validate, character: bytes
    ) -> None:
        (shot,) = read_all(character)
        files = write([turned(shot, axes_for(shot))], "turned.glb")
        assert validate(files) == {"turned.glb": []}


class TestSceneLibrary:
    @pytest.mark.parametrize("seed", range(4))
    def test_rest_poses(self, seed: int) -> None:
        """trimesh's scene graph, before and after a turn of the joints."""
        trimesh = pytest.importorskip("trimesh", reason="trimesh is not installed")
        making = valid_rig(seed)
        for number, node in enumerate(making.top["nodes"]):
            node["name"] = f"node {number}"
        shots = read_all(making.glb())
        changed = [turned(shot, axes_for(shot, seed)) for shot in shots]
        for each in (shots, changed):
            data = write(each, "a.glb")["a.glb"]
            scene = trimesh.load_scene(io.BytesIO(data), file_type="glb")
            skeleton = each[0].skeleton
            turns, places, _ = world_transforms(
                skeleton,
                skeleton.rest_xyzw.T[..., None],
                skeleton.offsets.T[..., None],
                skeleton.rest_scales.T[..., None],
            )
            for joint, name in enumerate(skeleton.names):
                matrix, _ = scene.graph.get(name)
                np.testing.assert_allclose(matrix[:3, 3], places[:, joint, 0], atol=1e-9)
                scale = np.cbrt(np.linalg.det(matrix[:3, :3]))
                expected = matrix_from_quaternion(turns[:, joint, 0])
                np.testing.assert_allclose(matrix[:3, :3] / scale, expected, atol=1e-9)


class TestOtherWriters:
    TIMES = np.array([0.0, 0.5, 1.25], dtype="<f4")
    TURNS = np.array([[0, 0, 0, 1], [0.6, 0, 0, 0.8], [0, 0.8, 0, -0.6]], dtype="<f4")

    def assert_read(self, shot: Shot) -> None:
        assert shot.skeleton.names == ("upper", "lower")
        assert shot.skeleton.offsets.tolist() == [[0, 0, 0], [0, 1, 0]]
        assert shot.tracks is not None
        track = shot.tracks.rotations[1]
        assert track is not None
        np.testing.assert_array_equal(track.times_s, self.TIMES)
        np.testing.assert_allclose(track.values, self.TURNS, atol=1e-7)
        (back,) = read_all(
            write([turned(shot, np.tile([0, 0.6, 0, 0.8], (2, 1)))], "a.glb")["a.glb"]
        )
        assert back.skeleton.rest_xyzw[0].tolist() == [0, 0.6, 0, 0.8]

    def test_pygltflib(self) -> None:
        library = pytest.importorskip("pygltflib", reason="pygltflib is not installed")
        data = self.TIMES.tobytes() + self.TURNS.tobytes()
        file = library.GLTF2(
            scene=0,
            scenes=[library.Scene(nodes=[0])],
            nodes=[
                library.Node(name="upper", children=[1]),
                library.Node(name="lower", translation=[0, 1, 0]),
            ],
            skins=[library.Skin(joints=[0, 1])],
            animations=[
                library.Animation(
                    channels=[
                        library.AnimationChannel(
                            sampler=0,
                            target=library.AnimationChannelTarget(node=1, path="rotation"),
                        )
                    ],
                    samplers=[library.AnimationSampler(input=0, output=1)],
                )
            ],
            accessors=[
                library.Accessor(
                    bufferView=0, componentType=5126, count=3, type="SCALAR", min=[0], max=[1.25]
                ),
                library.Accessor(bufferView=1, componentType=5126, count=3, type="VEC4"),
            ],
            bufferViews=[
                library.BufferView(buffer=0, byteOffset=0, byteLength=12),
                library.BufferView(buffer=0, byteOffset=12, byteLength=48),
            ],
            buffers=[library.Buffer(byteLength=60)],
        )
        file.set_binary_blob(data)
        (shot,) = read_all(b"".join(file.save_to_bytes()))
        self.assert_read(shot)

    def test_gltflib(self, tmp_path: Path) -> None:
        library = pytest.importorskip("gltflib", reason="gltflib is not installed")
        data = self.TIMES.tobytes() + self.TURNS.tobytes()
        model = library.GLTFModel(
            asset=library.Asset(version="2.0"),
            nodes=[
                library.Node(name="upper", children=[1]),
                library.Node(name="lower", translation=[0, 1, 0]),
            ],
            skins=[library.Skin(joints=[0, 1])],
            animations=[
                library.Animation(
                    channels=[
                        library.Channel(sampler=0, target=library.Target(node=1, path="rotation"))
                    ],
                    samplers=[library.AnimationSampler(input=0, output=1)],
                )
            ],
            accessors=[
                library.Accessor(
                    bufferView=0, componentType=5126, count=3, type="SCALAR", min=[0], max=[1.25]
                ),
                library.Accessor(bufferView=1, componentType=5126, count=3, type="VEC4"),
            ],
            bufferViews=[
                library.BufferView(buffer=0, byteOffset=0, byteLength=12),
                library.BufferView(buffer=0, byteOffset=12, byteLength=48),
            ],
            buffers=[library.Buffer(uri="keys.bin", byteLength=60)],
        )
        file = library.GLTF(model=model, resources=[library.FileResource("keys.bin", data=data)])
        for name in ("shot.gltf", "shot.glb"):
            file.export(str(tmp_path / name))
            (shot,) = read(Opened((tmp_path / name).read_bytes(), str(tmp_path / name)))
            self.assert_read(shot)


@pytest.fixture(scope="module")
def character(open_data: Path) -> bytes:
    path = open_data / "CesiumMan.glb"
    if not path.is_file():
        pytest.skip("CesiumMan.glb of the Khronos sample assets is not beside the project")
    return path.read_bytes()


class TestCharacter:
    """The figures that stand beside the file, measured there with an independent script."""

    KNEES = ("leg_joint_L_2", "leg_joint_R_2")

    def measured(self, shot: Shot, order: str | None = None) -> Any:
        return measure_shot(shot, Settings(order=order))

    def test_what_is_in_it(self, character: bytes) -> None:
        (shot,) = read_all(character)
        assert len(Player(character).top["skins"][0]["joints"]) == 19
        assert shot.frames == 48
        assert shot.every_frame
        # Nineteen joints, and the two nodes above them.
        assert len(shot.skeleton) == 21
        assert set(shot.skeleton.orders) == {None}
        assert write([shot], "again.glb") == {"again.glb": character}

    @pytest.mark.parametrize(
        ("name", "shares", "axis"),
        [
            ("leg_joint_L_2", [1.000, 0.000, 0.000], [0.00, 1.00, 0.03]),
            ("leg_joint_R_2", [0.998, 0.001, 0.001], [0.01, 1.00, 0.02]),
            ("Skeleton_arm_joint_L__2_", [0.997, 0.003, 0.000], [-0.08, -0.53, 0.84]),
            ("leg_joint_L_1", [0.999, 0.001, 0.000], [-0.02, 1.00, 0.03]),
        ],
    )
    def test_shares_and_axes(
        self, character: bytes, name: str, shares: list[float], axis: list[float]
    ) -> None:
        (shot,) = read_all(character)
        measures = self.measured(shot)
        joint = shot.skeleton.names.index(name)
        assert measures.kind[joint] == "hinge"
        np.testing.assert_allclose(measures.shares[joint], shares, atol=6e-4)
        found = measures.hinge_axis[joint] * np.sign(measures.hinge_axis[joint] @ axis)
        np.testing.assert_allclose(found, axis, atol=8e-3)
        if name == "leg_joint_L_2":
            # "1.7° from Y": there the axis has two decimals, of which 0.03 is 1.7°. SciPy gives 1.63°.
            assert np.rad2deg(np.arccos(abs(found[1]))) == pytest.approx(1.7, abs=0.1)
        turns = Rotation.from_quat(shot.skeleton.rest_xyzw[joint]).inv() * Rotation.from_quat(
            shot.joint_rotations([joint])[:, 0].T
        )
        vectors = (turns.mean().inv() * turns).as_rotvec()
        second = np.linalg.svd(vectors)[2][0]
        assert abs(second @ measures.hinge_axis[joint]) == pytest.approx(1.0, abs=1e-9)

    @pytest.mark.parametrize(
        ("name", "order", "low", "high"),
        [
            ("leg_joint_L_2", "XYZ", 3.00, 3.00),
            ("leg_joint_L_2", "ZYX", 2.95, 2.95),
            *(("leg_joint_L_2", order, 1.09, 1.10) for order in ("XZY", "YXZ", "YZX", "ZXY")),
            ("leg_joint_R_2", "XYZ", 2.97, 2.97),
            ("leg_joint_R_2", "ZYX", 2.98, 2.98),
            *(("leg_joint_R_2", order, 1.13, 1.16) for order in ("XZY", "YXZ", "YZX", "ZXY")),
            ("Skeleton_arm_joint_L__2_", "XYZ", 2.45, 2.45),
        ],
    )
    def test_spread_by_order(
        self, character: bytes, name: str, order: str, low: float, high: float
    ) -> None:
        (shot,) = read_all(character)
        spread = self.measured(shot, order).now.channel_spread[shot.skeleton.names.index(name)]
        # Which keys a polyline keeps is left open there, and moves the figure by a hundredth or two.
        assert low - 0.02 <= spread <= high + 0.02

    @pytest.mark.parametrize("name", KNEES)
    def test_the_spread_of_the_knees_is_laid_to_the_order(
        self, character: bytes, name: str
    ) -> None:
        (shot,) = read_all(character)
        measures = self.measured(shot, "XYZ")
        joint = shot.skeleton.names.index(name)
        twist, aim, order, own = measures.causes[joint]
        assert order > 1.3
        assert order > 3 * max(twist, aim, own)
        assert measures.advised_order[joint][-1] == "Y"

    def test_every_vertex_stays_where_it_is(self, character: bytes) -> None:
        """The skinned vertices of an independent player, at every key and between keys."""
        (shot,) = read_all(character)
        axes = axes_for(shot, 7)
        after = write([turned(shot, axes)], "turned.glb")["turned.glb"]
        assert_same_motion(character, after, axes, joints_of(shot))
        one, two = Player(character), Player(after)
        height = rest_height(shot.skeleton)
        shape = one.top["meshes"][0]["primitives"][0]["attributes"]
        points = strided(one, shape["POSITION"])
        weights, joints = strided(one, shape["WEIGHTS_0"]), strided(one, shape["JOINTS_0"])
        for time in np.linspace(0.0, 2.0, 25):
            apart = skinned_points(one, time, points, weights, joints) - skinned_points(
                two, time, points, weights, joints
            )
            assert np.max(np.abs(apart)) < 1e-5 * height

    def test_its_skin_is_what_an_independent_player_carries(self, character: bytes) -> None:
        """Every point by the formula of the skin, as the file is and after a correction is read back."""
        (shot,) = read_all(character)
        axes = axes_for(shot, 7)
        (after,) = read_all(write([turned(shot, axes)], "turned.glb")["turned.glb"])
        player = Player(character)
        shape = player.top["meshes"][0]["primitives"][0]["attributes"]
        points = strided(player, shape["POSITION"])
        weights, joints = strided(player, shape["WEIGHTS_0"]), strided(player, shape["JOINTS_0"])
        times = np.linspace(0.0, 2.0, 25)
        expected = [skinned_points(player, time, points, weights, joints) for time in times]
        (skin,) = skins(shot)
        assert len(skin.points) == len(points) == 3273
        for each in (shot, after):
            (skin,) = skins(each)
            apart = np.max(np.abs(carried(each, skin, times) - expected)) / rest_height(
                shot.skeleton
            )
            print(f"points: {apart:.1e} of the height apart")
            assert apart < 1e-5

    def test_its_points_are_those_of_a_mesh_library(self, character: bytes) -> None:
        trimesh = pytest.importorskip("trimesh", reason="trimesh is not installed")
        scene = trimesh.load_scene(io.BytesIO(character), file_type="glb", process=False)
        (mesh,) = scene.geometry.values()
        (skin,) = skins(read_all(character)[0])
        np.testing.assert_array_equal(skin.points, mesh.vertices)


def strided(player: Player, number: int) -> Array:
    """Return an accessor of a mesh, whose elements stand apart in their view."""
    accessor = player.top["accessors"][number]
    view = player.top["bufferViews"][accessor["bufferView"]]
    dtype = np.dtype({5123: "<u2", 5126: "<f4"}[accessor["componentType"]])
    width = {"VEC3": 3, "VEC4": 4}[accessor["type"]]
    start = view.get("byteOffset", 0) + accessor.get("byteOffset", 0)
    stride = view.get("byteStride", width * dtype.itemsize)
    shape, steps = (accessor["count"], width), (stride, dtype.itemsize)
    return np.ndarray(shape, dtype, player.binary, start, steps).astype(float)


def skinned_points(
    player: Player, time: float, points: Array, weights: Array, joints: Array
) -> Array:
    (matrices,) = player.skinned(time)
    ends = np.column_stack((points, np.ones(len(points))))
    carried = np.einsum("vkrc,vc->vkr", matrices[joints.astype(int)], ends)[..., :3]
    result: Array = np.einsum("vk,vkr->vr", weights, carried)
    return result
