"""Reading glTF: joints, keys, and all the ways in which numbers may be stored."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.checks import checks
from audit.errors import InputError
from audit.formats.gltf import read, recognises
from audit.measures import measure_shot
from audit.model import Shot, Track
from audit.model.kinematics import rest_positions
from audit.plugins import Opened
from tests.formats.gltf_making import Array, Making, hinge, joints_of, packed, read_all, read_one
from tests.strategies import random_quaternions, seeds, turn_between

HALF = np.sqrt(0.5)


def rotation(shot: Shot, name: str) -> Track:
    assert shot.tracks is not None
    track = shot.tracks.rotations[shot.skeleton.names.index(name)]
    assert track is not None
    return track


def with_output(accessor: dict[str, Any], making: Making) -> Making:
    """Give the hinge's keys another accessor."""
    making.top["accessors"].append(accessor)
    making.top["animations"][0]["samplers"][0]["output"] = len(making.top["accessors"]) - 1
    return making


class TestSkeleton:
    def test_a_hinge(self) -> None:
        shot = read_one(hinge(Making()))
        assert shot.skeleton.names == ("thigh", "knee", "foot")
        assert shot.skeleton.parents.tolist() == [-1, 0, 1]
        assert shot.skeleton.offsets.tolist() == [[0, 0, 0], [0, -2, 0], [0, -1.5, 0.25]]
        assert shot.skeleton.orders == (None, None, None)
        assert shot.times_s.tolist() == [0.0, 1.0]
        assert shot.every_frame
        assert shot.has_rest_rotations
        assert shot.turned is None
        np.testing.assert_allclose(
            rotation(shot, "knee").values, [[0, 0, 0, 1], [0, 0, HALF, HALF]], atol=1e-15
        )

    def test_joints_stand_in_the_order_of_the_file_with_parents_first(self) -> None:
        making = Making()
        making.node(name="hand")
        making.node(name="arm", children=[0])
        making.node(name="stand", children=[3])
        making.node(name="body", children=[1])
        making.node(name="aside")
        making.skin([1, 0])
        shot = read_one(making)
        assert shot.skeleton.names == ("stand", "body", "arm", "hand")
        assert shot.skeleton.parents.tolist() == [-1, 0, 1, 2]

    def test_animated_nodes_are_joints_without_a_skin(self) -> None:
        making = Making()
        making.node(name="crane", children=[1])
        making.node(name="boom", mesh=0)
        clock = making.times([0, 1])
        making.animation((1, "scale", clock, making.accessor([[1, 1, 1], [2, 2, 2]])))
        shot = read_one(making)
        assert shot.skeleton.names == ("crane", "boom")
        assert shot.tracks is not None
        assert shot.tracks.rotations == (None, None)
        assert shot.tracks.scales[1] is not None
        np.testing.assert_array_equal(shot.tracks.scales[1].values, [[1, 1, 1], [2, 2, 2]])

    def test_several_skins_make_one_skeleton(self) -> None:
        shot = read_one(two_limbs())
        assert len(shot.skeleton) == 6
        assert shot.skeleton.parents.tolist() == [-1, 0, 1, -1, 3, 4]

    def test_a_node_that_carries_nothing_is_an_end_point(self) -> None:
        making = hinge(Making())
        nodes = making.top["nodes"]
        nodes[2]["children"] = [3, 4, 5, 6]
        making.node(name="toe", translation=[0, 0, 1])
        making.node(name="shoe", mesh=0, translation=[0, 0, 2])
        making.node(name="lamp", extensions={"KHR_lights_punctual": {"light": 0}})
        making.node(matrix=[1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 7, 8, 9, 1])
        shot = read_one(making)
        assert shot.skeleton.tip_joints.tolist() == [2, 2]
        assert shot.skeleton.tip_offsets.tolist() == [[0, 0, 1], [7, 8, 9]]

    def test_names(self) -> None:
        making = Making()
        making.node()
        making.node(name="")
        making.node(name="Knie ü")
        making.skin([0, 1, 2])
        assert read_one(making).skeleton.names == ("node_0", "node_1", "Knie ü")

    def test_without_an_animation_it_is_one_frame_at_rest(self) -> None:
        making = Making()
        making.node(rotation=[0, 0.6, 0, 0.8])
        making.skin([0])
        shot = read_one(making)
        assert shot.frames == 1
        assert shot.times_s.tolist() == [0.0]
        np.testing.assert_array_equal(shot.rotations_xyzw, [[[0, 0.6, 0, 0.8]]])
        assert shot.source.file == "takes/shot.glb"

    def test_head_of_the_published_example(self) -> None:
        """The glTF 2.0 specification's example of a node with a quarter turn; the position from the formula."""
        making = Making()
        making.node(
            rotation=[0, 0, 0.7071067811865475, 0.7071067811865476],
            translation=[4.61599, -2.032e-06, -5.08e-08],
            children=[1],
        )
        making.node(name="Head", translation=[8.76635, 0, 0])
        making.skin([0, 1])
        head = rest_positions(read_one(making).skeleton)[1]
        np.testing.assert_allclose(head, [4.61599, 8.766348, 0], atol=1e-5)

    @given(seeds)
    def test_a_matrix_is_taken_apart(self, seed: int) -> None:
        generator = np.random.default_rng(seed)
        q = random_quaternions(generator)
        scale = generator.uniform(0.1, 10.0, 3)
        if generator.random() < 0.5:
            scale = -scale
        move = generator.normal(size=3)
        matrix = composed(move, q, scale)
        making = Making()
        making.node(matrix=np.float32(matrix).T.ravel().tolist())
        making.skin([0])
        skeleton = read_one(making).skeleton
        again = composed(skeleton.offsets[0], skeleton.rest_xyzw[0], skeleton.rest_scales[0])
        np.testing.assert_allclose(again, matrix, rtol=0, atol=1e-5 * np.max(np.abs(matrix)))
        np.testing.assert_allclose(skeleton.rest_scales[0], scale, rtol=1e-5)
        assert turn_between(skeleton.rest_xyzw[0], q) < 1e-5

    def test_a_mirror_along_one_axis_is_a_turn_and_three_negative_scales(self) -> None:
        making = Making()
        making.node(matrix=[-2, 0, 0, 0, 0, 2, 0, 0, 0, 0, 2, 0, 0, 0, 0, 1])
        making.skin([0])
        skeleton = read_one(making).skeleton
        assert skeleton.rest_scales.tolist() == [[-2, -2, -2]]
        np.testing.assert_allclose(np.abs(skeleton.rest_xyzw[0]), [1, 0, 0, 0], atol=1e-15)

    @pytest.mark.parametrize("factor", [1e-20, 1e-3, 1.0, 1.7, 1e300])
    def test_a_rest_rotation_of_any_length_is_made_a_rotation(self, factor: float) -> None:
        making = Making()
        making.node(rotation=[0, 0.6 * factor, 0, 0.8 * factor])
        making.skin([0])
        rest = read_one(making).skeleton.rest_xyzw[0]
        np.testing.assert_allclose(rest, [0, 0.6, 0, 0.8], atol=1e-15)


def two_limbs() -> Making:
    making = hinge(hinge(Making()))
    making.top["animations"].pop()
    return making


def composed(move: Array, q: Array, scale: Array) -> Array:
    x, y, z, w = q
    matrix = np.eye(4)
    matrix[:3, :3] = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
        [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
        [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
    ]
    matrix[:3, :3] *= scale
    matrix[:3, 3] = move
    return matrix


class TestAnimations:
    def test_each_is_a_shot_and_they_share_the_skeleton(self) -> None:
        making = hinge(Making())
        walk = making.top["animations"][0]
        making.top["animations"] = [
            {**walk, "name": "walk"},
            walk,
            {**walk, "name": "walk"},
            {"name": "face", "channels": [], "samplers": []},
            {**walk, "name": "3"},
        ]
        found = read_all(making.glb())
        assert [shot.source.file for shot in found] == [
            "takes/shot.glb#walk",
            "takes/shot.glb#2",
            "takes/shot.glb#walk#3",
            "takes/shot.glb#3",
        ]
        assert all(shot.skeleton is found[0].skeleton for shot in found)

    def test_a_joint_that_only_one_of_them_moves_is_there_in_all(self) -> None:
        making = Making()
        making.node(name="a")
        making.node(name="b")
        clock = making.times([0, 1])
        out = making.accessor([[0, 0, 0], [1, 0, 0]])
        making.animation((0, "translation", clock, out))
        making.animation((1, "translation", clock, out))
        one, two = read_all(making.glb())
        assert one.skeleton.names == two.skeleton.names == ("a", "b")
        assert one.tracks is not None
        assert two.tracks is not None
        assert [each is None for each in one.tracks.positions] == [False, True]
        assert [each is None for each in two.tracks.positions] == [True, False]

    def test_keys_stay_at_their_own_times(self) -> None:
        making = hinge(Making())
        animation = making.top["animations"][0]
        clock = making.times([0.25, 0.5, 1.0])
        animation["samplers"].append(
            {"input": clock, "output": making.accessor(np.zeros((3, 3))), "interpolation": "STEP"}
        )
        animation["channels"].append({"sampler": 1, "target": {"node": 0, "path": "translation"}})
        shot = read_one(making)
        assert shot.times_s.tolist() == [0.0, 0.25, 0.5, 1.0]
        assert rotation(shot, "knee").times_s.tolist() == [0.0, 1.0]
        assert not shot.every_frame
        assert shot.tracks is not None
        moved = shot.tracks.positions[0]
        assert moved is not None
        assert moved.interpolation == "step"

    @pytest.mark.parametrize("sign", [1, -1])
    def test_linear_goes_the_short_way(self, sign: int) -> None:
        """glTF 2.0, appendix C: identity to 90° about z, half way."""
        making = hinge(Making())
        out = making.accessor(sign * np.array([[0, 0, 0, sign], [0, 0, HALF, HALF]]))
        making.top["animations"][0]["samplers"][0]["output"] = out
        track = rotation(read_one(making), "knee")
        assert np.sign(track.values[1, 3]) == sign  # the sign of a key stays
        half = track.at([0.5])[0]
        assert turn_between(half, np.array([0, 0, 0.38268343, 0.92387953])) < 1e-7

    def test_cubic_spline(self) -> None:
        """glTF 2.0, appendix C, with 0, tangent 1, to 10, tangent −1, in two seconds: 5.5 half way."""
        making = Making()
        making.node(name="a")
        rows = [[9, 0, 0], [0, 0, 0], [1, 0, 0], [-1, 0, 0], [10, 0, 0], [9, 0, 0]]
        making.animation((0, "translation", making.times([0, 2]), making.accessor(rows)))
        making.top["animations"][0]["samplers"][0]["interpolation"] = "CUBICSPLINE"
        shot = read_one(making)
        assert shot.tracks is not None
        track = shot.tracks.positions[0]
        assert track is not None
        assert track.at([1.0])[0].tolist() == [5.5, 0.0, 0.0]
        assert track.in_tangents is not None
        assert track.in_tangents[:, 0].tolist() == [9, -1]

    def test_cubic_rotations_keep_their_tangents(self) -> None:
        making = hinge(Making())
        rows = [[1, 2, 3, 4], [0, 0, 0, 1], [5, 6, 7, 8]] * 2
        sampler = making.top["animations"][0]["samplers"][0]
        sampler |= {"output": making.accessor(rows), "interpolation": "CUBICSPLINE"}
        track = rotation(read_one(making), "knee")
        assert track.in_tangents is not None
        assert track.out_tangents is not None
        assert track.in_tangents.tolist() == [[1, 2, 3, 4]] * 2
        assert track.out_tangents.tolist() == [[5, 6, 7, 8]] * 2

    @pytest.mark.parametrize(
        "target",
        [
            {"path": "rotation"},
            {"node": 1, "path": "weights"},
            {"node": 1, "path": "something"},
            {
                "path": "pointer",
                "extensions": {"KHR_animation_pointer": {"pointer": "/materials/0/emissiveFactor"}},
            },
        ],
    )
    def test_channels_that_move_no_node_are_passed_over(self, target: dict[str, Any]) -> None:
        making = hinge(Making())
        making.top["animations"][0]["channels"].append({"sampler": 0, "target": target})
        assert read_one(making).skeleton.names == ("thigh", "knee", "foot")

    def test_extras_of_any_kind_are_no_trouble(self) -> None:
        kinds: list[Any] = [[1, 2], "text", None, 5, {"a": []}]
        for extras in kinds:
            making = hinge(Making(), extras=extras)
            making.top["extras"] = extras
            making.top["animations"][0]["extras"] = extras
            assert read_one(making).frames == 2


class TestLengths:
    def keys(self, factor: float, kind: str = "LINEAR") -> Shot:
        making = hinge(Making())
        rows = np.array([[0, 0, 0, 1], [0, 0, 0.6 * factor, 0.8 * factor]])
        if kind == "CUBICSPLINE":
            rows = np.repeat(rows, 3, axis=0)
        sampler = making.top["animations"][0]["samplers"][0]
        sampler |= {"output": making.accessor(rows), "interpolation": kind}
        return read_one(making)

    @pytest.mark.parametrize("factor", [0.5, 1.25, 3.0])
    def test_the_worst_is_remembered_and_the_keys_are_made_unit_length(self, factor: float) -> None:
        shot = self.keys(factor)
        assert shot.tracks is not None
        assert shot.tracks.length_errors is not None
        np.testing.assert_allclose(
            shot.tracks.length_errors, [0, abs(factor - 1), 0], rtol=0, atol=1e-6
        )
        np.testing.assert_allclose(rotation(shot, "knee").values[1], [0, 0, 0.6, 0.8], atol=1e-7)
        found = checks()["not-unit"]
        (finding,) = found.run(shot, measure_shot(shot), found.limits)
        assert finding.joint == 1
        assert finding.value == pytest.approx(abs(factor - 1), abs=1e-6)

    def test_tangents_go_with_their_keys(self) -> None:
        track = rotation(self.keys(0.5, "CUBICSPLINE"), "knee")
        assert track.in_tangents is not None
        np.testing.assert_allclose(track.in_tangents[1], [0, 0, 0.6, 0.8], atol=1e-7)

    @given(seeds, st.sampled_from(["i1", "u1", "i2", "u2"]))
    def test_rounding_to_whole_numbers_is_no_error(self, seed: int, dtype: str) -> None:
        values = random_quaternions(np.random.default_rng(seed), 200).T
        if dtype.startswith("u"):
            values = np.abs(values)
        making = hinge(Making())
        making.top["animations"][0]["samplers"][0] = {
            "input": making.times(np.arange(200).tolist()),
            "output": making.accessor(
                np.rint(values * np.iinfo(dtype).max), dtype, normalized=True
            ),
        }
        shot = read_one(making)
        assert shot.tracks is not None
        assert shot.tracks.length_errors == (0.0, 0.0, 0.0)
        step = 1.0 / np.iinfo(dtype).max
        apart = turn_between(rotation(shot, "knee").values.T, values.T)
        assert np.max(apart) < 3 * step


class TestStorage:
    @pytest.mark.parametrize(
        ("dtype", "stored", "value"),
        [
            # max(c/127, −1), c/255, max(c/32767, −1), c/65535: glTF 2.0, section 3.11.
            ("i1", -128, -1.0),
            ("i1", 64, 0.503937),
            ("u1", 51, 0.2),
            ("i2", -32768, -1.0),
            ("i2", 16384, 0.500015),
            ("u2", 13107, 0.2),
        ],
    )
    def test_normalised_integers(self, dtype: str, stored: int, value: float) -> None:
        making = hinge(Making())
        full = np.iinfo(dtype).max
        rows = [[stored, 0, 0, full], [0, 0, 0, full]]
        out = making.accessor(rows, dtype, normalized=True)
        making.top["animations"][0]["samplers"][0]["output"] = out
        first = rotation(read_one(making), "knee").values[0]
        assert first[0] / first[3] == pytest.approx(value, abs=5e-7)

    def test_a_view_may_hold_other_things_between_the_elements(self) -> None:
        making = hinge(Making())
        rows = np.full((2, 6), 9, dtype="<f4")
        rows[:, 1:5] = [[0, 0, 0, 1], [0.6, 0, 0, 0.8]]
        view = making.view(rows.tobytes(), byteStride=24)
        accessor = {"bufferView": view, "byteOffset": 4, "componentType": 5126, "count": 2}
        track = rotation(read_one(with_output({**accessor, "type": "VEC4"}, making)), "knee")
        np.testing.assert_allclose(
            track.values, [[0.0, 0.0, 0.0, 1.0], [0.6, 0.0, 0.0, 0.8]], atol=1e-7
        )

    @pytest.mark.parametrize("dtype", ["u1", "u2", "u4"])
    @pytest.mark.parametrize("base", [True, False])
    def test_sparse(self, dtype: str, base: bool) -> None:
        making = hinge(Making())
        old = making.top["accessors"][1]
        places = np.array([1], dtype="<" + dtype)
        code = {"u1": 5121, "u2": 5123, "u4": 5125}[dtype]
        sparse = {
            "count": 1,
            "indices": {"bufferView": making.view(places.tobytes()), "componentType": code},
            "values": {
                "bufferView": making.view(np.array([9, 0.6, 0, 0, 0.8], dtype="<f4").tobytes()),
                "byteOffset": 4,
            },
        }
        accessor = {"componentType": 5126, "count": 2, "type": "VEC4", "sparse": sparse}
        if base:
            accessor["bufferView"] = old["bufferView"]
        else:  # zeros, of which the first has to be filled too
            sparse["count"] = 2
            sparse["indices"]["bufferView"] = making.view(  # type: ignore[index]
                np.arange(2, dtype="<" + dtype).tobytes()
            )
            rows = np.array([[0, 0, 0, 1], [0.6, 0, 0, 0.8]], dtype="<f4")
            sparse["values"] = {"bufferView": making.view(rows.tobytes())}
        track = rotation(read_one(with_output(accessor, making)), "knee")
        np.testing.assert_allclose(
            track.values, [[0.0, 0.0, 0.0, 1.0], [0.6, 0.0, 0.0, 0.8]], atol=1e-7
        )

    def test_without_a_view_it_is_zeros(self) -> None:
        making = hinge(Making())
        making.top["accessors"].append({"componentType": 5126, "count": 2, "type": "VEC3"})
        animation = making.top["animations"][0]
        animation["samplers"].append({"input": 0, "output": 2})
        animation["channels"].append({"sampler": 1, "target": {"node": 0, "path": "translation"}})
        shot = read_one(making)
        assert shot.tracks is not None
        moved = shot.tracks.positions[0]
        assert moved is not None
        assert moved.values.tolist() == [[0, 0, 0], [0, 0, 0]]


class TestContainers:
    def test_all_three_say_the_same(self, tmp_path: Path) -> None:
        making = hinge(Making())
        (tmp_path / "my keys.bin").write_bytes(bytes(making.data) + b"more")
        text = json.dumps(making.finished(uri="my%20keys.bin")).encode()
        found = [
            read_one(making),
            *read_all(making.with_text_data()),
            *read_all(b"\xef\xbb\xbf" + making.with_text_data()),
            *read(Opened(text, str(tmp_path / "shot.gltf"))),
        ]
        for shot in found:
            np.testing.assert_array_equal(shot.rotations_xyzw, found[0].rotations_xyzw)

    def test_recognised(self) -> None:
        making = hinge(Making())
        assert recognises(making.glb()[:20])
        assert recognises(making.with_text_data()[:4096])
        assert recognises(b'\xef\xbb\xbf { "accessors": [ {"componentType" : 5126')
        assert not recognises(b'{"tool": "x", "assets": []}')
        assert not recognises(b'[{"asset": {}}]')

    def test_it_holds_its_own_skeleton(self) -> None:
        data = hinge(Making()).glb()
        with pytest.raises(InputError, match="its own skeleton"):
            read(Opened(data, "a.glb", Opened(data, "b.glb")))

    @pytest.mark.parametrize(
        "name", ["KHR_materials_unlit", "KHR_texture_transform", "KHR_mesh_quantization"]
    )
    def test_extensions_that_move_no_joint_may_be_required(self, name: str) -> None:
        making = hinge(Making())
        making.top["extensionsRequired"] = making.top["extensionsUsed"] = [name]
        assert read_one(making).frames == 2

    def test_an_extension_that_is_only_used_is_no_hindrance(self) -> None:
        making = hinge(Making())
        making.top["extensionsUsed"] = ["EXT_meshopt_compression"]
        top = making.finished()
        top["buffers"].append({"byteLength": 100, "extensions": {"X": {"fallback": True}}})
        assert read_all(packed(json.dumps(top), bytes(making.data)))[0].frames == 2

    def test_joints_know_their_nodes(self) -> None:
        assert joints_of(read_one(hinge(Making()))) == (0, 1, 2)
