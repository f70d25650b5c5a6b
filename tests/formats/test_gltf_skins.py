"""Skins of glTF files, against a player that shares nothing with the reader."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from audit.errors import FormatError
from audit.formats.gltf import FORMAT, skins, write
from audit.model import Shot, Skin
from tests.formats.gltf_making import Array, Making, Player, hinge, read_all, read_one, turned
from tests.formats.skinning import carried

POINTS = 40
TIMES = np.linspace(-0.5, 2.0, 11)


def skinned(
    seed: int, form: str = "f4", sets: int = 1, *, bind: bool = True, even: bool = False
) -> Making:
    """Return a file with a mesh on three joints below a scaled node, whose joints stand in another order.

    ``even`` makes the scales the same along all axes: uneven ones do not survive a turn of the axes.
    """
    rng = np.random.default_rng(seed)
    making = Making()
    turn = Rotation.random(5, rng=seed).as_quat()
    making.node(name="stage", children=[1, 5], scale=[1.5, 1.5, 1.5], rotation=turn[0].tolist())
    for number in range(1, 4):
        making.node(
            name=f"j{number}",
            translation=rng.normal(size=3).tolist(),
            rotation=turn[number].tolist(),
            **({"children": [number + 1]} if number < 3 else {}),
        )
    making.node(name="elsewhere", translation=[9, 9, 9])
    making.node(name="body", mesh=0, skin=0, translation=[5, 0, 0])
    matrices = np.tile(np.eye(4), (3, 1, 1))
    matrices[:, :3] += rng.normal(size=(3, 3, 4))
    making.skin([3, 1, 2], matrices if bind else None)
    attributes = {"POSITION": making.accessor(rng.normal(size=(POINTS, 3)))}
    for number in range(sets):
        attributes |= shares(making, rng, form, number, sets)
    making.top["meshes"] = [{"name": "coat", "primitives": [{"attributes": attributes}]}]
    keys = Rotation.random(3, rng=seed + 1).as_quat()
    times = making.times([0, 0.75, 1.5])
    scales = np.broadcast_to(rng.uniform(0.5, 2.0, (3, 1 if even else 3)), (3, 3))
    making.animation(
        (2, "rotation", times, making.accessor(keys)),
        (1, "translation", times, making.accessor(rng.normal(size=(3, 3)))),
        (3, "scale", times, making.accessor(scales)),
        (0, "rotation", times, making.accessor(keys[::-1])),
    )
    return making


def shares(
    making: Making, rng: np.random.Generator, form: str, number: int, sets: int
) -> dict[str, Any]:
    """Add a set of joints and weights; all sets together come to one."""
    joints = rng.integers(3, size=(POINTS, 4))
    weights = rng.dirichlet(np.ones(4), POINTS) / sets
    if form == "f4":
        held = making.accessor(weights)
    else:
        steps = np.floor(weights * np.iinfo(form).max)
        held = making.accessor(steps, form, normalized=True)
    kind = "u1" if number else "u2"
    return {f"JOINTS_{number}": making.accessor(joints, kind), f"WEIGHTS_{number}": held}


def expected(making: Making, times: Array) -> Array:
    """Return the points (T, V, 3) of the first mesh on the first skin, from the player's matrices."""
    player = Player(making.glb())
    attributes = player.top["meshes"][0]["primitives"][0]["attributes"]
    ends = np.column_stack((player.numbers(attributes["POSITION"]), np.ones(POINTS)))
    frames = []
    for time in times:
        matrices = player.skinned(time)[0]
        total = np.zeros((POINTS, 3))
        number = 0
        while f"JOINTS_{number}" in attributes:
            joints = player.numbers(attributes[f"JOINTS_{number}"]).astype(int)
            weights = player.numbers(attributes[f"WEIGHTS_{number}"])
            for column in range(4):
                moved = np.einsum("vrc,vc->vr", matrices[joints[:, column]], ends)[:, :3]
                total += weights[:, column, None] * moved
            number += 1
        frames.append(total)
    return np.stack(frames)


def only_skin(shot: Shot) -> Skin:
    (skin,) = skins(shot)
    return skin


@pytest.mark.parametrize("form", ["f4", "u1", "u2"])
@pytest.mark.parametrize("sets", [1, 2, 3])
@pytest.mark.parametrize("bind", [True, False])
def test_points_stand_where_a_player_puts_them(form: str, sets: int, bind: bool) -> None:
    making = skinned(sets, form, sets, bind=bind)
    shot = read_one(making)
    skin = only_skin(shot)
    assert FORMAT.skins is skins
    assert skin.name == "coat"
    assert [shot.skeleton.names[joint] for joint in skin.joints] == ["j3", "j1", "j2"]
    assert skin.influences.shape == (POINTS, 4 * sets)
    np.testing.assert_allclose(carried(shot, skin, TIMES), expected(making, TIMES), atol=1e-6)


def test_a_corrected_file_keeps_every_point_in_its_place() -> None:
    making = skinned(4, even=True)
    shot = read_one(making)
    axes = Rotation.random(len(shot.skeleton), rng=3).as_quat()
    changed = turned(shot, axes)
    # In memory the file is still the old one, and so are its skins.
    np.testing.assert_array_equal(only_skin(changed).inverse_binds, only_skin(shot).inverse_binds)
    (back,) = read_all(write([changed], "a.glb")["a.glb"])
    assert np.max(np.abs(only_skin(back).inverse_binds - only_skin(shot).inverse_binds)) > 0.1
    before = carried(shot, only_skin(shot), TIMES)
    np.testing.assert_allclose(carried(back, only_skin(back), TIMES), before, atol=5e-6)
    # The old binds on the new joints are what goes wrong where a writer forgets them.
    assert np.max(np.abs(carried(back, only_skin(shot), TIMES) - before)) > 0.1


def test_positions_may_be_integers() -> None:
    """KHR_mesh_quantization: whole numbers as they are, or as shares of the largest."""
    steps = np.array([[-128, 0, 127], [3, 4, 5], [127, -127, 1]])
    for scaled in (False, True):
        making = hinge(Making())
        making.top["extensionsRequired"] = ["KHR_mesh_quantization"]
        attributes = {
            "POSITION": making.accessor(steps, "i1", **({"normalized": True} if scaled else {})),
            "JOINTS_0": making.accessor(np.zeros((3, 4)), "u1"),
            "WEIGHTS_0": making.accessor(np.tile([1, 0, 0, 0], (3, 1))),
        }
        making.top["meshes"] = [{"primitives": [{"attributes": attributes}]}]
        making.node(mesh=0, skin=0)
        skin = only_skin(read_one(making))
        wanted = np.maximum(steps / 127, -1.0) if scaled else steps
        np.testing.assert_allclose(skin.points, wanted, atol=1e-15)
        assert skin.name == "mesh_0"


def test_one_skin_for_each_primitive_and_none_twice() -> None:
    making = skinned(1)
    mesh = making.top["meshes"][0]
    whole = mesh["primitives"][0]["attributes"]
    other = {**whole, "POSITION": making.accessor(np.ones((POINTS, 3)))}
    mesh["primitives"] += [{"attributes": other}, {"attributes": dict(whole), "material": 0}]
    making.top["materials"] = [{}]
    making.node(mesh=0, skin=0, name="twin")
    making.node(mesh=0, name="bare")
    found = skins(read_one(making))
    assert [skin.name for skin in found] == ["coat, part 1", "coat, part 2"]
    assert np.all(found[1].points == 1.0)


def test_a_shot_without_a_mesh_or_from_elsewhere_has_no_skin() -> None:
    shot = read_one(hinge(Making()))
    assert skins(shot) == ()
    assert skins(replace(shot, origin=None)) == ()


def test_a_share_of_nothing_may_name_any_joint() -> None:
    making = skinned(1)
    attributes = making.top["meshes"][0]["primitives"][0]["attributes"]
    attributes["JOINTS_0"] = making.accessor(np.tile([0, 99, 1, 200], (POINTS, 1)), "u1")
    attributes["WEIGHTS_0"] = making.accessor(np.tile([0.5, 0, 0.5, 0], (POINTS, 1)))
    skin = only_skin(read_one(making))
    assert np.array_equal(skin.influences, np.tile([0, 0, 1, 0], (POINTS, 1)))


def shared(making: Making) -> dict[str, Any]:
    attributes: dict[str, Any] = making.top["meshes"][0]["primitives"][0]["attributes"]
    return attributes


def without(name: str) -> Any:
    return lambda making: shared(making).pop(name)


def instead(name: str, values: Any, form: str = "f4", **more: Any) -> Any:
    return lambda making: shared(making).update({name: making.accessor(values, form, **more)})


FOUR = np.tile([1.0, 0.0, 0.0, 0.0], (POINTS, 1))


@pytest.mark.parametrize(
    ("damage", "where", "cause"),
    [
        (without("POSITION"), "meshes[0].primitives[0].attributes", "no POSITION"),
        (without("JOINTS_0"), "meshes[0].primitives[0].attributes", "no JOINTS_0"),
        (without("WEIGHTS_0"), "meshes[0].primitives[0].attributes", "no WEIGHTS_0"),
        (
            instead("WEIGHTS_1", FOUR),
            "meshes[0].primitives[0].attributes",
            "no JOINTS_1",
        ),
        (
            instead("WEIGHTS_0", FOUR[1:]),
            "meshes[0].primitives[0].attributes.WEIGHTS_0",
            "39 elements for 40 points",
        ),
        (
            instead("JOINTS_0", FOUR[1:], "u1"),
            "meshes[0].primitives[0].attributes.JOINTS_0",
            "39 elements for 40 points",
        ),
        (
            instead("JOINTS_0", FOUR * 3, "u1"),
            "meshes[0].primitives[0].attributes.JOINTS_0, point 0",
            "3 is none of the skin's 3 joints",
        ),
        (instead("WEIGHTS_0", -FOUR), "WEIGHTS_0, point 0", "a weight is negative"),
        (instead("JOINTS_0", FOUR), "accessors[", "needs VEC4 of integers, but"),
        (instead("JOINTS_0", FOUR, "u1", normalized=True), "accessors[", "needs VEC4 of integers"),
        (
            instead("WEIGHTS_0", FOUR, "u1"),
            "accessors[",
            "needs VEC4 of floats or normalised integers",
        ),
        (instead("POSITION", FOUR), "accessors[", "needs VEC3"),
        (lambda making: making.top["nodes"][5].update(mesh=7), "nodes[5].mesh", "none of the 1"),
        (lambda making: making.top["nodes"][5].update(skin=1), "nodes[5].skin", "none of the 1"),
        (
            lambda making: making.top["meshes"][0].update(primitives=3),
            "meshes[0].primitives",
            "should be a list",
        ),
        (
            lambda making: making.top["skins"][0].update(
                inverseBindMatrices=making.accessor(
                    np.tile(np.eye(4) + np.eye(4, k=3), (3, 1, 1)).reshape(3, 16)
                )
            ),
            "skins[0].inverseBindMatrices, element 0",
            "fourth row is not 0 0 0 1",
        ),
    ],
)
def test_a_broken_skin_is_refused_when_it_is_asked_for(damage: Any, where: str, cause: str) -> None:
    making = skinned(2)
    damage(making)
    # Reading the shot looks at no mesh, so that a skin costs it nothing.
    shot = read_one(making)
    with pytest.raises(FormatError, match=cause.replace("[", r"\[")) as caught:
        skins(shot)
    assert caught.value.path == "takes/shot.glb"
    assert where in str(caught.value.where)
    assert caught.value.hint
