"""Writing glTF: what has not changed stays byte for byte, and what has changed moves nothing."""

from __future__ import annotations

import json
import pickle
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.errors import UsageError
from audit.formats.gltf import read, write
from audit.formats.gltf._json import REMOVED, Source
from audit.model import Shot, Skeleton, Track, Tracks
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.plugins import Opened
from tests.formats.gltf_making import (
    Array,
    Making,
    Player,
    hinge,
    joints_of,
    read_all,
    split,
    turned,
)
from tests.strategies import random_quaternions, seeds, shots, turn_between

IDENTITY = np.array([0.0, 0.0, 0.0, 1.0])


def axes_for(shot: Shot, seed: int = 1, share: float = 1.0) -> Array:
    """Return new axes for a random share of the joints, identity for the others."""
    generator = np.random.default_rng(seed)
    count = len(shot.skeleton)
    axes = random_quaternions(generator, count).T
    axes[generator.random(count) >= share] = IDENTITY
    return axes


def rig(seed: int) -> Making:
    """Return a rig with all that hangs together: skins, attachments, meshes, lights, shared arrays.

    Keys are stepped, linear and cubic, as floats and as normalised integers; scales are even.
    """
    generator = np.random.default_rng(seed)
    making = Making()
    joints = int(generator.integers(2, 6))
    making.top["meshes"] = [{"primitives": [], "weights": [0]}]
    making.top["cameras"] = [{"type": "perspective"}]
    for joint in range(joints):
        members = {"name": f"joint {joint}", "translation": generator.normal(size=3).tolist()}
        if generator.random() < 0.7:
            members["rotation"] = random_quaternions(generator).tolist()
        if generator.random() < 0.3:
            members["scale"] = [float(generator.uniform(0.5, 2.0))] * 3
        if generator.random() < 0.4:
            members["mesh"] = 0
            members["weights"] = [0.5]
        if generator.random() < 0.3:
            members["extras"] = {"kept": [1.50, None, {"a": 1e3}]}
        making.node(**members)
    nodes = making.top["nodes"]
    for joint in range(1, joints):
        parent = int(generator.integers(-1, joint))
        if parent >= 0:
            nodes[parent].setdefault("children", []).append(joint)
    hang_on(making, generator, joints)
    for _ in range(int(generator.integers(1, 3))):
        chosen = generator.permutation(joints)[: int(generator.integers(1, joints + 1))]
        bind = np.tile(np.eye(4), (len(chosen), 1, 1))
        bind[:, :3] = generator.normal(size=(len(chosen), 3, 4))
        making.skin(chosen.tolist(), bind if generator.random() < 0.8 else None)
    for number in range(int(generator.integers(1, 3))):
        making.top.setdefault("animations", []).append(animation(making, generator, joints, number))
    return making


def hang_on(making: Making, generator: np.random.Generator, joints: int) -> None:
    """Hang nodes with parts, nodes with a matrix, and end points on some of the joints."""
    nodes = making.top["nodes"]
    for joint in range(joints):
        if generator.random() < 0.7:
            child = making.node(
                translation=generator.normal(size=3).tolist(),
                rotation=random_quaternions(generator).tolist(),
                scale=[1.0, 2.0, 3.0],
                mesh=0,
            )
            nodes[joint].setdefault("children", []).append(child)
        if generator.random() < 0.5:
            matrix = np.eye(4)
            matrix[:3] = generator.normal(size=(3, 4))
            child = making.node(matrix=matrix.T.ravel().tolist(), camera=0)
            nodes[joint].setdefault("children", []).append(child)
        if generator.random() < 0.4:
            child = making.node(translation=[0.0, 1.0, 0.0])
            nodes[joint].setdefault("children", []).append(child)


def animation(
    making: Making, generator: np.random.Generator, joints: int, number: int
) -> dict[str, object]:
    samplers: list[dict[str, object]] = []
    channels: list[dict[str, object]] = []
    clock = making.times(np.cumsum(generator.uniform(0.1, 0.5, 4)).tolist())
    for joint in range(joints):
        for path, width in (("rotation", 4), ("translation", 3), ("scale", 3), ("weights", 1)):
            if generator.random() < 0.35 or (
                path == "weights" and "mesh" not in making.top["nodes"][joint]
            ):
                continue
            kind = str(generator.choice(["STEP", "LINEAR", "CUBICSPLINE"]))
            rows = 12 if kind == "CUBICSPLINE" else 4
            values = generator.normal(size=(rows, width))
            if width == 4:
                values /= np.linalg.norm(values, axis=1, keepdims=True)
            if path == "scale":
                values = np.repeat(generator.uniform(0.5, 1.5, (rows, 1)), 3, axis=1)
            if path == "rotation" and kind == "STEP" and generator.random() < 0.5:
                output = making.accessor(np.rint(values * 32767), "i2", normalized=True)
            else:
                output = making.accessor(values)
            if path == "rotation" and samplers and generator.random() < 0.4:
                shared = [
                    each["sampler"]
                    for each in channels
                    if each["target"]["path"] == "rotation"  # type: ignore[index]
                ]
                if shared:
                    channels.append({"sampler": shared[0], "target": {"node": joint, "path": path}})
                    continue
            channels.append({"sampler": len(samplers), "target": {"node": joint, "path": path}})
            samplers.append({"input": clock, "output": output, "interpolation": kind})
    if not any(each["target"]["path"] != "weights" for each in channels):  # type: ignore[index]
        output = making.accessor([[0, 0, 0, 1], [0, 0, 1, 0], [0, 1, 0, 0], [1, 0, 0, 0]])
        channels.append({"sampler": len(samplers), "target": {"node": 0, "path": "rotation"}})
        samplers.append({"input": clock, "output": output})
    return {"name": f"take {number}", "channels": channels, "samplers": samplers}


def what_is_seen(player: Player, node: int) -> list[tuple[str, int]]:
    """Return what a node shows: its mesh, without a skin, or its camera."""
    held = player.top["nodes"][node]
    shown = [(name, held[name]) for name in ("mesh", "camera") if name in held]
    return [] if "skin" in held else shown


def assert_same_motion(before: bytes, after: bytes, axes: Array, joints: tuple[int, ...]) -> None:
    """Assert with the independent player that nothing moved but the axes of the joints."""
    one, two = Player(before), Player(after)
    turn_of = dict(zip(joints, axes, strict=True))
    for number, each in enumerate(one.top["animations"]):
        clocks = [one.numbers(sampler["input"])[:, 0] for sampler in each["samplers"]]
        keys = np.unique(np.concatenate(clocks))
        for time in [None, *keys, *(0.5 * (keys[1:] + keys[:-1]))]:
            old, new = one.worlds(time, number), two.worlds(time, number)
            for node, (left, right) in enumerate(zip(old, new, strict=False)):
                size = max(1.0, float(np.max(np.abs(left))))
                expected = left.copy()
                if node in turn_of:
                    turn = np.eye(4)
                    x, y, z, w = turn_of[node]
                    turn[:3, :3] = [
                        [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
                        [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
                        [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
                    ]
                    expected = left @ turn
                assert np.max(np.abs(right - expected)) < 1e-5 * size, (node, time)
            seen = [
                (what, old[node]) for node in range(len(old)) for what in what_is_seen(one, node)
            ]
            again = [
                (what, new[node]) for node in range(len(new)) for what in what_is_seen(two, node)
            ]
            assert len(seen) == len(again)
            for what, world in seen:
                size = max(1.0, float(np.max(np.abs(world))))
                nearest = min(
                    float(np.max(np.abs(world - other))) for kind, other in again if kind == what
                )
                assert nearest < 1e-5 * size
            skins = zip(one.skinned(time, number), two.skinned(time, number), strict=True)
            for left, right in skins:
                assert np.max(np.abs(left - right)) < 1e-5 * max(1.0, float(np.max(np.abs(left))))


class TestUntouched:
    @given(seeds)
    def test_a_file_comes_back_byte_for_byte(self, seed: int) -> None:
        data = rig(seed).glb()
        assert write(read_all(data), "again.glb") == {"again.glb": data}

    @given(seeds)
    def test_even_where_the_arrays_are_new_ones(self, seed: int) -> None:
        data = rig(seed).glb()
        shots = [turned(shot, axes_for(shot, share=0.0)) for shot in read_all(data)]
        assert write(shots, "again.glb") == {"again.glb": data}

    def test_through_another_process(self) -> None:
        data = rig(3).glb()
        shots = [pickle.loads(pickle.dumps(shot)) for shot in read_all(data)]
        assert write(shots, "again.glb") == {"again.glb": data}


class TestTurned:
    @pytest.mark.parametrize("seed", range(12))
    def test_nothing_moves(self, seed: int) -> None:
        data = rig(seed).glb()
        shots = read_all(data)
        axes = axes_for(shots[0], seed, 0.7)
        after = write([turned(shot, axes) for shot in shots], "again.glb")["again.glb"]
        joints = joints_of(shots[0])
        assert_same_motion(data, after, axes, joints)

    def test_a_mutant_is_noticed(self) -> None:
        data = rig(1).glb()
        shots = read_all(data)
        axes = axes_for(shots[0], 1)
        wrong = [replace(turned(shot, axes), turned=None) for shot in shots]
        after = write(wrong, "again.glb")["again.glb"]
        with pytest.raises(AssertionError):
            assert_same_motion(data, after, axes, joints_of(shots[0]))

    @given(seeds)
    def test_it_reads_back_as_it_was_turned(self, seed: int) -> None:
        shots = read_all(rig(seed).glb())
        changed = [turned(shot, axes_for(shot, seed)) for shot in shots]
        again = read_all(write(changed, "again.glb")["again.glb"])
        for one, two in zip(changed, again, strict=True):
            assert one.skeleton.names == two.skeleton.names
            np.testing.assert_allclose(one.skeleton.offsets, two.skeleton.offsets, atol=1e-14)
            np.testing.assert_allclose(one.skeleton.rest_xyzw, two.skeleton.rest_xyzw, atol=1e-14)
            np.testing.assert_allclose(
                one.skeleton.tip_offsets, two.skeleton.tip_offsets, atol=1e-14
            )
            np.testing.assert_array_equal(one.times_s, two.times_s)
            apart = turn_between(one.rotations_xyzw.T, two.rotations_xyzw.T)
            assert np.max(apart) < 2e-6
            np.testing.assert_allclose(one.local_positions, two.local_positions, atol=1e-5)

    @given(seeds)
    def test_turned_forth_and_back_nothing_is_left_of_it(self, seed: int) -> None:
        data = rig(seed).glb()
        shots = read_all(data)
        axes = axes_for(shots[0], seed)
        there = read_all(write([turned(shot, axes) for shot in shots], "a.glb")["a.glb"])
        back = axes * [-1.0, -1.0, -1.0, 1.0]
        after = write([turned(shot, back) for shot in there], "b.glb")["b.glb"]
        none = np.tile(IDENTITY, (len(axes), 1))
        assert_same_motion(data, after, none, joints_of(shots[0]))

    @given(seeds)
    def test_the_old_data_stays_and_new_data_is_behind_it(self, seed: int) -> None:
        data = rig(seed).glb()
        shots = read_all(data)
        changed = [turned(shot, axes_for(shot, seed, 0.6)) for shot in shots]
        after = write(changed, "again.glb")["again.glb"]
        (old_text, old_binary), (new_text, new_binary) = split(data), split(after)
        old, new = json.loads(old_text), json.loads(new_text)
        assert new_binary.startswith(old_binary)
        for name in ("accessors", "bufferViews", "meshes", "cameras"):
            assert new[name][: len(old[name])] == old[name]
        assert list(new) == list(old)
        for name, value in old.items():
            if name not in ("accessors", "bufferViews", "buffers", "nodes", "skins", "animations"):
                assert new[name] == value

    def test_joints_that_are_not_concerned_stay_as_written(self) -> None:
        making = hinge(hinge(Making()))
        # Spaces, an order of keys and spellings of numbers that no writer of ours would choose.
        text = json.dumps(making.finished(), indent=3)
        text = text.replace(
            '"name": "thigh"', '"extras"  :{"a":1.500,"b":-0.0E+2,"ü":"\\u00fc"},"name":"thigh"'
        )
        text = text.replace('"children": [\n            4\n         ]', '"children":[ 4]')
        data = making.glb(text)
        shots = read_all(data)
        axes = np.tile(IDENTITY, (6, 1))
        axes[1] = [0.0, 0.6, 0.0, 0.8]
        after, _ = split(write([turned(shot, axes) for shot in shots], "a.glb")["a.glb"])
        for kept in (
            '"extras"  :{"a":1.500,"b":-0.0E+2,"ü":"\\u00fc"},"name":"thigh"',
            '"children":[ 4]',
        ):
            assert after.count(kept) == text.count(kept) > 0
        before_nodes = json.loads(text)["nodes"]
        after_nodes = json.loads(after)["nodes"]
        changed = [place for place in range(6) if before_nodes[place] != after_nodes[place]]
        assert changed == [1, 2]
        # Only what was replaced or added differs: with that taken out, the texts are the same.
        assert json.loads(after)["animations"][1] == json.loads(text)["animations"][1]
        assert json.loads(after)["skins"][1] == json.loads(text)["skins"][1]

    def test_an_accessor_that_others_use_is_left_alone(self) -> None:
        making = hinge(Making())
        foot = making.top["animations"][0]
        foot["channels"].append({"sampler": 0, "target": {"node": 2, "path": "rotation"}})
        data = making.glb()
        (shot,) = read_all(data)
        axes = np.tile(IDENTITY, (3, 1))
        axes[2] = [0.6, 0.0, 0.0, 0.8]
        after = write([turned(shot, axes)], "a.glb")["a.glb"]
        top = json.loads(split(after)[0])
        knee, foot = top["animations"][0]["channels"]
        assert (knee["sampler"], foot["sampler"]) == (0, 1)
        old, new = top["animations"][0]["samplers"]
        assert old == making.top["animations"][0]["samplers"][0]
        assert new["input"] == old["input"]
        assert new["output"] >= len(making.top["accessors"])
        assert_same_motion(data, after, axes, (0, 1, 2))

    def test_what_a_joint_carries_moves_to_a_node_below(self) -> None:
        making = hinge(
            Making(),
            mesh=0,
            weights=[0.25],
            extensions={"KHR_lights_punctual": {"light": 0}, "X": {}},
        )
        making.top["meshes"] = [{"primitives": []}]
        clock = making.times([0, 1])
        making.top["animations"][0]["channels"].append(
            {"sampler": 1, "target": {"node": 1, "path": "weights"}}
        )
        making.top["animations"][0]["samplers"].append(
            {"input": clock, "output": making.accessor([[0.0], [1.0]])}
        )
        (shot,) = read_all(making.glb())
        axes = np.tile(IDENTITY, (3, 1))
        axes[1] = [0.0, 0.6, 0.0, 0.8]
        top = json.loads(split(write([turned(shot, axes)], "a.glb")["a.glb"])[0])
        knee, content = top["nodes"][1], top["nodes"][3]
        assert knee["children"] == [2, 3]
        assert knee["extensions"] == {"X": {}}
        assert not knee.keys() & {"mesh", "weights"}
        assert content["rotation"] == [-0.0, -0.6, -0.0, 0.8]
        assert content["mesh"] == 0
        assert content["weights"] == [0.25]
        assert content["extensions"] == {"KHR_lights_punctual": {"light": 0}}
        targets = [channel["target"] for channel in top["animations"][0]["channels"]]
        assert targets == [{"node": 1, "path": "rotation"}, {"node": 3, "path": "weights"}]

    def test_a_mesh_with_a_skin_stays_with_its_joint(self) -> None:
        making = hinge(Making(), mesh=0, skin=0)
        (shot,) = read_all(making.glb())
        axes = np.tile([0.0, 0.6, 0.0, 0.8], (3, 1))
        top = json.loads(split(write([turned(shot, axes)], "a.glb")["a.glb"])[0])
        assert len(top["nodes"]) == 3
        assert top["nodes"][1]["mesh"] == 0

    def test_an_animation_that_points_at_what_is_moved_is_a_reason_to_refuse(self) -> None:
        making = hinge(Making(), mesh=0)
        pointer = {"KHR_animation_pointer": {"pointer": "/nodes/1/weights"}}
        making.top["animations"][0]["channels"].append(
            {"sampler": 0, "target": {"path": "pointer", "extensions": pointer}}
        )
        (shot,) = read_all(making.glb())
        with pytest.raises(UsageError, match="points at"):
            write([turned(shot, np.tile([0.0, 0.6, 0.0, 0.8], (3, 1)))], "a.glb")

    def test_a_matrix_stays_a_matrix(self) -> None:
        making = Making()
        matrix = [0, 2, 0, 0, -2, 0, 0, 0, 0, 0, 2, 0, 3, 4, 5, 1]
        making.node(matrix=matrix, children=[1])
        making.node(name="leaf", translation=[1, 0, 0])
        making.skin([0, 1])
        data = making.glb()
        (shot,) = read_all(data)
        axes = np.array([[0.0, 0.6, 0.0, 0.8], IDENTITY])
        after = Player(write([turned(shot, axes)], "a.glb")["a.glb"])
        node = after.top["nodes"][0]
        assert set(node) == {"matrix", "children"}
        old, new = Player(data).worlds(), after.worlds()
        np.testing.assert_allclose(old[1], new[1], atol=1e-14)
        np.testing.assert_allclose(old[0][:, 3], new[0][:, 3], atol=0)

    def test_shots_of_a_file_belong_together(self) -> None:
        making = hinge(Making())
        making.top["animations"] *= 2
        one, two = read_all(making.glb())
        axes = np.tile([0.0, 0.6, 0.0, 0.8], (3, 1))
        with pytest.raises(UsageError, match="1 of the file's 2 shots are missing"):
            write([turned(one, axes)], "a.glb")
        with pytest.raises(UsageError, match="turned them differently"):
            write([turned(one, axes), two], "a.glb")
        with pytest.raises(UsageError, match="twice"):
            write([one, one], "a.glb")
        assert write([two], "a.glb")["a.glb"] == making.glb()  # nothing has changed

    def test_keys_that_come_or_go_are_a_reason_to_refuse(self) -> None:
        (shot,) = read_all(hinge(Making()).glb())
        none = (None, None, None)
        with pytest.raises(UsageError, match="knee has keys in only one"):
            write([replace(shot, tracks=Tracks(none, none, none))], "a.glb")
        frames = replace(shot, tracks=None, rotations=shot.rotations_xyzw)
        with pytest.raises(UsageError, match="frames in place of keys"):
            write([frames], "a.glb")

    def test_new_times_and_another_interpolation_are_written(self) -> None:
        (shot,) = read_all(hinge(Making()).glb())
        track = Track(np.array([0.5, 1.0, 2.0]), np.eye(4)[[3, 2, 3]], "step")
        none = (None, None, None)
        changed = replace(
            shot, times_s=track.times_s, tracks=Tracks((None, track, None), none, none)
        )
        (again,) = read_all(write([changed], "a.glb")["a.glb"])
        assert again.tracks is not None
        knee = again.tracks.rotations[1]
        assert knee is not None
        assert knee.interpolation == "step"
        np.testing.assert_array_equal(knee.times_s, [0.5, 1.0, 2.0])
        np.testing.assert_array_equal(knee.values, track.values)


class TestContainers:
    def files_beside(self, folder: Path, tail: bytes = b"") -> Opened:
        making = hinge(Making())
        text = json.dumps(making.finished(uri="some%20keys.bin"), indent=2)
        (folder / "some keys.bin").write_bytes(bytes(making.data) + tail)
        (folder / "shot.gltf").write_text(text)
        return Opened(text.encode(), str(folder / "shot.gltf"))

    def test_a_file_beside_gets_a_new_name(self, tmp_path: Path) -> None:
        opened = self.files_beside(tmp_path)
        files = write(read(opened), "a b.gltf")
        assert list(files) == ["a b.gltf", "a b.bin"]
        assert files["a b.bin"] == (tmp_path / "some keys.bin").read_bytes()
        assert files["a b.gltf"] == opened.data.replace(b"some%20keys.bin", b"a%20b.bin")

    @pytest.mark.parametrize("tail", [b"", b"odd"])
    @pytest.mark.parametrize("name", ["new.gltf", "new.glb"])
    def test_turned_with_a_file_beside(self, tmp_path: Path, name: str, tail: bytes) -> None:
        (shot,) = read(self.files_beside(tmp_path, tail))
        axes = np.tile([0.0, 0.6, 0.0, 0.8], (3, 1))
        changed = turned(shot, axes)
        files = write([changed], name)
        assert len(files) == (2 if name.endswith("gltf") else 1)
        for each, data in files.items():
            (tmp_path / each).write_bytes(data)
        (again,) = read(Opened(files[name], str(tmp_path / name)))
        assert np.max(turn_between(again.rotations_xyzw.T, changed.rotations_xyzw.T)) < 1e-6

    @pytest.mark.parametrize("name", ["new.gltf", "new.glb"])
    def test_data_in_the_text_stays_there(self, name: str) -> None:
        data = hinge(Making()).with_text_data()
        (shot,) = read_all(data, "shot.gltf")
        if name.endswith("gltf"):
            assert write([shot], name) == {name: data}
        changed = turned(shot, np.tile([0.0, 0.6, 0.0, 0.8], (3, 1)))
        files = write([changed], name)
        assert list(files) == [name]
        (again,) = read_all(files[name], name)
        assert np.max(turn_between(again.rotations_xyzw.T, changed.rotations_xyzw.T)) < 1e-6
        text = files[name] if name.endswith("gltf") else split(files[name])[0].encode()
        old, new = json.loads(data)["buffers"], json.loads(text)["buffers"]
        assert new[: len(old)] == old

    def test_a_glb_becomes_text_with_a_file_beside(self, tmp_path: Path) -> None:
        making = hinge(Making())
        files = write(read_all(making.glb()), "new.gltf")
        assert list(files) == ["new.gltf", "new.bin"]
        assert files["new.bin"] == bytes(making.data)
        (tmp_path / "new.bin").write_bytes(files["new.bin"])
        (again,) = read(Opened(files["new.gltf"], str(tmp_path / "new.gltf")))
        assert again.skeleton.names == ("thigh", "knee", "foot")

    @pytest.mark.parametrize("name", ["a.glb", "a.gltf"])
    def test_a_file_without_any_buffer_gets_one(self, name: str) -> None:
        making = Making()
        making.node(name="only")
        making.skin([0])
        (shot,) = read_all(making.glb())
        files = write([turned(shot, np.array([[0.0, 0.6, 0.0, 0.8]]))], name)
        assert list(files) == [name]
        (again,) = read_all(files[name], name)
        np.testing.assert_array_equal(again.skeleton.rest_xyzw, [[0.0, 0.6, 0.0, 0.8]])

    def test_further_chunks_are_kept(self) -> None:
        data = hinge(Making()).glb() + b"\x04\0\0\0XTRAbyte"
        data = data[:8] + len(data).to_bytes(4, "little") + data[12:]
        (shot,) = read_all(data)
        assert write([shot], "a.glb")["a.glb"] == data
        after = write([turned(shot, np.tile([0.0, 0.6, 0.0, 0.8], (3, 1)))], "a.glb")["a.glb"]
        assert after.endswith(b"\x04\0\0\0XTRAbyte")
        read_all(after)

    def test_the_name_says_which(self) -> None:
        shot = read_all(hinge(Making()).glb())[0]
        with pytest.raises(UsageError, match=r"neither \.glb nor \.gltf"):
            write([shot], "a.bvh")
        with pytest.raises(UsageError, match="no shot"):
            write([], "a.glb")


class TestFresh:
    @given(shots())
    def test_any_shot_can_be_written(self, shot: Shot) -> None:
        (again,) = read_all(write([shot], "new.glb")["new.glb"])
        assert again.skeleton.names == shot.skeleton.names
        np.testing.assert_array_equal(again.skeleton.parents, shot.skeleton.parents)
        np.testing.assert_array_equal(again.skeleton.offsets, shot.skeleton.offsets)
        np.testing.assert_array_equal(again.skeleton.tip_joints, shot.skeleton.tip_joints)
        np.testing.assert_array_equal(again.skeleton.tip_offsets, shot.skeleton.tip_offsets)
        np.testing.assert_allclose(again.times_s, shot.times_s, rtol=1e-7)
        apart = turn_between(again.rotations_xyzw.T, shot.rotations_xyzw.T)
        assert np.max(apart) < 2e-6
        assert again.every_frame

    def test_keys_keep_their_own_times_and_tangents(self) -> None:
        generator = np.random.default_rng(4)
        skeleton = Skeleton.plain(["a", "b"], [-1, -1], np.zeros((2, 3)))
        times = np.array([0.0, 0.5, 2.0])
        values = random_quaternions(generator, 3).T
        cubic = Track(times, values, "cubic", values * 0.5, values * 2.0)
        place = Track(np.array([0.25]), np.ones((1, 3)), "step")
        none = (None, None)
        shot = Shot(
            skeleton,
            np.array([0.0, 0.25, 0.5, 2.0]),
            tracks=Tracks((cubic, None), (None, place), none),
        )
        (again,) = read_all(write([shot], "new.glb")["new.glb"])
        assert again.tracks is not None
        first, second = again.tracks.rotations[0], again.tracks.positions[1]
        assert first is not None
        assert second is not None
        assert (first.interpolation, second.interpolation) == ("cubic", "step")
        np.testing.assert_allclose(first.values, values, atol=1e-7)
        assert first.in_tangents is not None
        np.testing.assert_allclose(first.in_tangents, values * 0.5, atol=1e-6)
        np.testing.assert_array_equal(again.times_s, shot.times_s)

    def test_several_shots_become_one_file(self) -> None:
        shot = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend()))
        files = write([shot, shot], "new.gltf")
        assert list(files) == ["new.gltf", "new.bin"]
        other = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend()), name="R_Knee")
        with pytest.raises(UsageError, match="different"):
            write([shot, other], "new.glb")

    @pytest.mark.parametrize(
        ("times", "match"),
        [([-1.0, 0.0], "before 0 s"), ([1e6, 1e6 + 1e-3], "too close together")],
    )
    def test_times_that_it_cannot_hold(self, times: list[float], match: str) -> None:
        skeleton = Skeleton.plain(["a"], [-1], np.zeros((1, 3)))
        shot = Shot(skeleton, np.array(times), rotations=np.tile(IDENTITY, (2, 1, 1)))
        with pytest.raises(UsageError, match=match):
            write([shot], "new.glb")

    def test_values_that_it_cannot_hold(self) -> None:
        skeleton = Skeleton.plain(["a"], [-1], np.zeros((1, 3)))
        shot = Shot(
            skeleton,
            np.zeros(1),
            rotations=np.tile(IDENTITY, (1, 1, 1)),
            positions=np.full((1, 1, 3), 1e39),
        )
        with pytest.raises(UsageError, match="too large"):
            write([shot], "new.glb")

    def test_a_name_that_is_no_text(self) -> None:
        skeleton = Skeleton.plain(["a\ud800"], [-1], np.zeros((1, 3)))
        shot = Shot(skeleton, np.zeros(1), rotations=np.tile(IDENTITY, (1, 1, 1)))
        with pytest.raises(UsageError, match="no character"):
            write([shot], "new.glb")


values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-5, 5)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=4),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3)
    ),
    max_leaves=12,
)


class TestSource:
    @given(
        st.dictionaries(st.text(max_size=3), values, max_size=4),
        st.data(),
        st.sampled_from([None, 1, "\t"]),
    )
    def test_a_member_is_replaced_added_or_taken_out(
        self, top: dict[str, object], data: st.DataObject, indent: int | str | None
    ) -> None:
        text = f" \n{json.dumps(top, indent=indent, ensure_ascii=data.draw(st.booleans()))}\t"
        keys = data.draw(st.lists(st.sampled_from([*top, "new", "newer"]), unique=True))
        changes = {
            key: REMOVED if key in top and data.draw(st.booleans()) else data.draw(values)
            for key in keys
        }
        wanted = dict(top)
        for key, value in changes.items():
            if value is REMOVED:
                del wanted[key]
            else:
                wanted[key] = value
        new = Source(text).changed({(key,): value for key, value in changes.items()})
        assert json.loads(new) == wanted
        assert list(json.loads(new)) == list(wanted)
        if not changes:
            assert new == text

    @given(st.lists(values, max_size=4), st.lists(values, max_size=3))
    def test_lists_grow_and_deep_values_change(self, old: list[object], more: list[object]) -> None:
        top = {"a": [{"b": old, "c": 1}], "d": "e"}
        text = json.dumps(top)
        changes: dict[tuple[str | int, ...], object] = {("a", 0, "c"): 2}
        for place, value in enumerate(more):
            changes["a", 0, "b", len(old) + place] = value
        new = Source(text).changed(changes)
        assert json.loads(new) == {"a": [{"b": old + more, "c": 2}], "d": "e"}

    def test_only_the_value_changes(self) -> None:
        text = '{ "a" :[1.50 , {"b":\t-0.0e1,"c":"\\u0041"} ] }'
        new = Source(text).changed({("a", 1, "b"): 7})
        assert new == text.replace("-0.0e1", "7")

    @pytest.mark.parametrize("path", [("x", "y"), ("a", 5, "b")])
    def test_a_container_that_is_not_there_is_a_fault(self, path: tuple[str | int, ...]) -> None:
        with pytest.raises(KeyError):
            Source('{"a":[1]}').changed({path: 1})
