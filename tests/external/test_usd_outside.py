"""USD against OpenUSD itself: UsdSkel's own queries, its published example, and files that its schemas make.

UsdSkel poses a skeleton with code of its own (``SkeletonQuery``, ``SkinningQuery``), from a composed stage;
this project reads bare layers and poses with ``audit.model.kinematics``. Both must say the same, before
joints are turned and after.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from audit.formats import usd
from audit.model import Shot
from audit.model.kinematics import rest_height, world_transforms
from audit.plugins import Opened
from audit.rotations import matrix_from_quaternion
from tests.formats.skinning import carried
from tests.formats.usd_making import TEXT, Array, binary, random_turns, shot_in, turned

pytest.importorskip("pxr", reason="the package usd-core is not installed")

# The overview page of UsdSkel (openusd.org/docs/api/_usd_skel__schema_overview.html) has this arm: rest z steps
# of 0, 2, 2, bind z of 0, 2, 4, and an animation of the elbow alone that turns it by 90 degrees over 10 frames.
PUBLISHED = """#usda 1.0
(
    endTimeCode = 10
    startTimeCode = 1
)
def SkelRoot "Model" ( prepend apiSchemas = ["SkelBindingAPI"] )
{
    def Skeleton "Skel" ( prepend apiSchemas = ["SkelBindingAPI"] )
    {
        uniform token[] joints = ["Shoulder", "Shoulder/Elbow", "Shoulder/Elbow/Hand"]
        uniform matrix4d[] bindTransforms = [
            ((1,0,0,0),(0,1,0,0),(0,0,1,0),(0,0,0,1)),
            ((1,0,0,0),(0,1,0,0),(0,0,1,0),(0,0,2,1)),
            ((1,0,0,0),(0,1,0,0),(0,0,1,0),(0,0,4,1))
        ]
        uniform matrix4d[] restTransforms = [
            ((1,0,0,0),(0,1,0,0),(0,0,1,0),(0,0,0,1)),
            ((1,0,0,0),(0,1,0,0),(0,0,1,0),(0,0,2,1)),
            ((1,0,0,0),(0,1,0,0),(0,0,1,0),(0,0,2,1))
        ]
        rel skel:animationSource = </Model/Skel/Anim>
        def SkelAnimation "Anim"
        {
            uniform token[] joints = ["Shoulder/Elbow"]
            float3[] translations = [(0,0,2)]
            quatf[] rotations.timeSamples = { 1: [(1,0,0,0)], 10: [(0.7071, 0.7071, 0, 0)] }
            half3[] scales = [(1,1,1)]
        }
    }
}
"""


def test_the_published_arm() -> None:
    shot = shot_in(PUBLISHED)
    assert shot.skeleton.names == ("Shoulder", "Elbow", "Hand")
    np.testing.assert_allclose(shot.times_s, [1 / 24, 10 / 24], rtol=1e-15)
    _, places = posed(shot, shot.times_s)
    # From the formula: a quarter turn about x carries the hand's 2 along z to 2 along −y.
    np.testing.assert_allclose(places[:, 2], [[0, 0, 4], [0, -2, 2]], atol=1e-6)
    assert shot.tracks is not None
    assert [track is not None for track in shot.tracks.rotations] == [False, True, False]
    assert shot.tracks.length_errors is not None
    assert shot.tracks.length_errors[1] == pytest.approx(1 - 0.7071 * np.sqrt(2), abs=1e-6)


def posed(shot: Shot, times_s: Array) -> tuple[Array, Array]:
    """Return world matrices without scale (T, J, 3, 3) and places (T, J, 3), by this project's kinematics."""
    tracks, skeleton = shot.tracks, shot.skeleton
    assert tracks is not None
    count = len(times_s)

    def values(given: tuple[object, ...], rest: Array) -> Array:
        rows = [
            np.tile(still, (count, 1)) if track is None else track.at(times_s)  # type: ignore[attr-defined]
            for track, still in zip(given, rest, strict=True)
        ]
        return np.transpose(np.stack(rows), (2, 0, 1))

    turns, places, _ = world_transforms(
        skeleton,
        values(tracks.rotations, skeleton.rest_xyzw),
        values(tracks.positions, skeleton.offsets),
        values(tracks.scales, skeleton.rest_scales),
    )
    return np.transpose(matrix_from_quaternion(turns), (3, 2, 0, 1)), np.transpose(
        places, (2, 1, 0)
    )


class Stage:
    """A file of this project's own making, opened by OpenUSD as a whole."""

    def __init__(self, data: bytes, folder: Path, root: str) -> None:
        from pxr import Usd, UsdSkel

        path = folder / ("made.usda" if data.startswith(b"#") else "made.usdc")
        path.write_bytes(data)
        self.stage = Usd.Stage.Open(str(path))
        self.cache = UsdSkel.Cache()
        self.root = UsdSkel.Root(self.stage.GetPrimAtPath(root))
        self.cache.Populate(self.root, Usd.PrimDefaultPredicate)
        (self.binding,) = self.cache.ComputeSkelBindings(self.root, Usd.PrimDefaultPredicate)
        self.query = self.cache.GetSkelQuery(self.binding.GetSkeleton())

    def joints(self, codes: Array) -> Array:
        """Return the joints' matrices in the skeleton's space (T, J, 4, 4), column form."""
        rows = [np.array(self.query.ComputeJointSkelTransforms(code)) for code in codes.tolist()]
        return np.stack(rows).swapaxes(2, 3)

    def skinned(self, codes: Array) -> Array:
        """Return the vertices of the mesh (T, V, 3), moved by the joints."""
        from pxr import UsdGeom

        (target,) = self.binding.GetSkinningTargets()
        frames = []
        for code in codes.tolist():
            points = UsdGeom.Mesh(target.GetPrim()).GetPointsAttr().Get()
            assert target.ComputeSkinnedPoints(
                self.query.ComputeSkinningTransforms(code), points, code
            )
            frames.append(np.array(points, dtype=np.float64))
        return np.stack(frames)


@pytest.mark.parametrize("form", ["text", "binary"])
def test_kinematics_agree_before_and_after_joints_are_turned(form: str, tmp_path: Path) -> None:
    data = TEXT.encode() if form == "text" else binary(TEXT)
    codes = np.linspace(-2.0, 33.0, 71)
    shot = shot_in(data)
    before = Stage(data, tmp_path, "/Heron")
    compare(before, shot, codes, codes / 30.0)
    new = turned(shot, random_turns(5, 3))
    result = usd.write([new], "again.usd")["again.usd"]
    (tmp_path / "after").mkdir()
    after = Stage(result, tmp_path / "after", "/Heron")
    compare(after, shot_in(result), codes, codes / 30.0)
    unmoved(before, after, new, codes)


def compare(stage: Stage, shot: Shot, codes: Array, times_s: Array) -> None:
    """Check that both kinematics put the joints in the same places, turned the same way."""
    theirs = stage.joints(codes)
    turns, places = posed(shot, times_s)
    # UsdSkel works with the 32-bit quaternions as they are, whose lengths are off by the last bit.
    apart = np.max(np.abs(theirs[..., :3, 3] - places)) / rest_height(shot.skeleton)
    print(f"both kinematics: {apart:.1e} of the height apart")
    assert apart < 2e-6
    linear = theirs[..., :3, :3]
    lengths = np.linalg.norm(linear, axis=-2, keepdims=True)
    assert np.max(np.abs(linear / lengths - turns)) < 2e-6


MESH = TEXT[TEXT.index('    def Mesh "Skin"') : TEXT.rindex("}")]
SHARES = """jointIndices = [0, 4, 3] (
            elementSize = 1
            interpolation = "vertex"
        )
        float[] primvars:skel:jointWeights = [1, 1, 1] (
            elementSize = 1
            interpolation = "vertex"
        )
"""
SPACE = "((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (0, 0, 0, 1))\n    }\n}"
SKINS = {
    "as it is": ("", ""),
    "a space of its own": (SPACE, SPACE.replace("(0, 1, 0, 0)", "(-2, 3, 0.5, 0)", 1)),
    "shared by all points": (
        SHARES,
        """jointIndices = [3, 0, 4] (elementSize = 3)
        float[] primvars:skel:jointWeights = [0.5, 0.125, 0.375] (elementSize = 3)
""",
    ),
    "two joints a point": (
        SHARES,
        """jointIndices = [0, 4, 4, 3, 2, 0] (
            elementSize = 2
            interpolation = "vertex"
        )
        float[] primvars:skel:jointWeights = [0.25, 0.75, 1, 0, 0.5, 0.5] (
            elementSize = 2
            interpolation = "vertex"
        )
""",
    ),
    "weights that do not come to one": ("[1, 1, 1]", "[0.5, 2, -1]"),
    "values with indices": (
        "[0, 4, 3] (",
        "[4, 0] (",
    ),
    "joints in another order": (
        "        rel skel:skeleton",
        '        uniform token[] skel:joints = ["Hip/Leg/Foot", "Hip/Leg", "Hip", "Hip/Spine", '
        '"Hip/Spine/Head"]\n        rel skel:skeleton',
    ),
    "bound above": (
        "        rel skel:skeleton = </Heron/Skel>",
        "",
    ),
    "all of it inherited": (
        MESH,
        MESH.replace('def Mesh "Skin"', 'def Xform "Group"').rstrip()[:-1]
        + 'def Mesh "Coat"\n{\npoint3f[] points = [(0, 0, 0), (1, 9, 0), (1, 7, 0.5)]\n}\n}\n',
    ),
    "uneven scales": (
        "half3[] scales = [(1, 1, 1), (1, 1, 1), (1, 1, 1)]",
        "half3[] scales = [(1, 2, 1), (1.5, 1, 0.5), (2, 1, 1)]",
    ),
}


@pytest.mark.parametrize("name", SKINS)
def test_points_stand_where_openusd_puts_them(name: str, tmp_path: Path) -> None:
    """Every rule of a skin against ``SkinningQuery``, and each one changes what comes out."""
    old, new = SKINS[name]
    text = TEXT.replace(old, new) if old else TEXT
    if name == "values with indices":
        text = text.replace(
            "        float[] primvars",
            "        int[] primvars:skel:jointIndices:indices = [1, 0, 0]\n        float[] primvars",
        )
    if name == "bound above":
        above = "    rel skel:skeleton = </Heron/Skel>\n    rel skel:animationSource"
        text = text.replace("    rel skel:animationSource", above)
    assert (text == TEXT) == (name == "as it is")
    codes = np.linspace(-2.0, 33.0, 36)
    shot = shot_in(text)
    (skin,) = usd.skins(shot)
    theirs = Stage(text.encode(), tmp_path, "/Heron").skinned(codes)
    ours = carried(shot, skin, codes / 30.0)
    apart = np.max(np.abs(ours - theirs)) / rest_height(shot.skeleton)
    print(f"{name}: points {apart:.1e} of the height apart")
    assert apart < 2e-6


def unmoved(before: Stage, after: Stage, new: Shot, codes: Array) -> None:
    """Check that no joint and no vertex moved."""
    assert new.turned is not None
    height = rest_height(new.skeleton)
    old, turned_ones = before.joints(codes), after.joints(codes)
    moved = np.max(np.abs(old[..., :3, 3] - turned_ones[..., :3, 3])) / height
    assert moved < 2e-6  # a fifth of what a correction may cost
    axes = np.transpose(matrix_from_quaternion(new.turned.T), (2, 0, 1))
    sizes = np.linalg.norm(old[..., :3, :3], axis=(-2, -1), keepdims=True)
    assert np.max(np.abs(old[..., :3, :3] @ axes - turned_ones[..., :3, :3]) / sizes) < 2e-6
    skinned = np.max(np.abs(before.skinned(codes) - after.skinned(codes))) / height
    assert skinned < 2e-6
    print(f"turned: joints moved by {moved:.1e}, vertices by {skinned:.1e} of the height")


def test_a_mutant_that_leaves_the_bind_matrices_moves_the_skin(tmp_path: Path) -> None:
    result = usd.write([turned(shot_in(TEXT), random_turns(5, 3))], "a.usda")["a.usda"].decode()
    old = next(line for line in lines(TEXT) if "bindTransforms" in line)
    new = next(line for line in lines(result) if "bindTransforms" in line)
    assert old != new
    codes = np.array([3.0])
    before = Stage(TEXT.encode(), tmp_path, "/Heron").skinned(codes)
    (tmp_path / "after").mkdir()
    after = Stage(result.replace(new, old).encode(), tmp_path / "after", "/Heron").skinned(codes)
    assert np.max(np.abs(before - after)) > 0.1


def lines(text: str) -> list[str]:
    from pxr import Sdf

    layer = Sdf.Layer.CreateAnonymous(".usda")
    layer.ImportFromString(text)
    whole: str = layer.ExportToString()
    return whole.splitlines()


def character(joints: int, frames: int, seed: int) -> bytes:
    """Return a skinned character made with the schemas of OpenUSD: chains, rest rotations, uniform scales."""
    from pxr import Sdf, Usd, UsdGeom, UsdSkel, Vt
    from scipy.spatial.transform import Rotation

    rng = np.random.default_rng(seed)
    stage = Usd.Stage.CreateInMemory(".usdc")
    stage.SetTimeCodesPerSecond(60)
    root = UsdSkel.Root.Define(stage, "/Model")
    skeleton = UsdSkel.Skeleton.Define(stage, "/Model/Rig/Skel")
    parents = [-1] + [int(rng.integers(max(0, joint - 4), joint)) for joint in range(1, joints)]
    paths: list[str] = []
    rest, bind = np.zeros((joints, 4, 4)), np.zeros((joints, 4, 4))
    turns = Rotation.random(joints, rng=seed)
    for joint, parent in enumerate(parents):
        paths.append(f"j{joint}" if parent < 0 else f"{paths[parent]}/j{joint}")
        rest[joint] = np.eye(4)
        rest[joint, :3, :3] = turns[joint].as_matrix() * (1.25 if joint % 17 == 5 else 1.0)
        rest[joint, :3, 3] = rng.normal(size=3) * 10.0
        bind[joint] = rest[joint] if parent < 0 else bind[parent] @ rest[joint]
    skeleton.CreateJointsAttr(paths)
    for attribute, matrices in (
        (skeleton.CreateRestTransformsAttr(), rest),
        (skeleton.CreateBindTransformsAttr(), bind),
    ):
        attribute.Set(Vt.Matrix4dArray.FromNumpy(np.ascontiguousarray(matrices.swapaxes(1, 2))))
    order = rng.permutation(joints)[: joints - 3]
    animation = UsdSkel.Animation.Define(stage, "/Model/Rig/Anim")
    animation.CreateJointsAttr([paths[joint] for joint in order])
    animation.CreateScalesAttr(
        Vt.Vec3hArray.FromNumpy(
            np.repeat([[1.25 if j % 17 == 5 else 1.0] for j in order], 3, axis=1).astype(np.float16)
        )
    )
    speeds = rng.normal(size=(len(order), 3)) * 1.5
    for frame in range(frames):
        keys = (turns[order] * Rotation.from_rotvec(speeds * np.sin(frame / 9.0))).as_quat()
        moves = rest[order, :3, 3] + (order == 0)[:, None] * [frame * 0.2, 0.0, 0.0]
        code = frame * 2.0
        animation.CreateRotationsAttr().Set(Vt.QuatfArray.FromNumpy(keys.astype(np.float32)), code)
        animation.CreateTranslationsAttr().Set(
            Vt.Vec3fArray.FromNumpy(moves.astype(np.float32)), code
        )
    UsdSkel.BindingAPI.Apply(skeleton.GetPrim()).CreateAnimationSourceRel().SetTargets(
        [animation.GetPath()]
    )
    mesh = UsdGeom.Mesh.Define(stage, "/Model/Skin")
    points = (bind[:, :3, 3] + rng.normal(size=(joints, 3))).astype(np.float32)
    mesh.CreatePointsAttr(Vt.Vec3fArray.FromNumpy(points))
    mesh.CreateFaceVertexCountsAttr([3])
    mesh.CreateFaceVertexIndicesAttr([0, 1, 2])
    binding = UsdSkel.BindingAPI.Apply(mesh.GetPrim())
    binding.CreateSkeletonRel().SetTargets([skeleton.GetPath()])
    indices = np.stack([np.arange(joints), np.maximum(parents, 0)], axis=1).ravel().tolist()
    binding.CreateJointIndicesPrimvar(False, 2).Set(indices)
    binding.CreateJointWeightsPrimvar(False, 2).Set([0.75, 0.25] * joints)
    root.GetPrim().CreateAttribute("note", Sdf.ValueTypeNames.String).Set("kept")
    from tempfile import TemporaryDirectory

    with TemporaryDirectory() as folder:
        target = Path(folder, "made.usdc")
        stage.GetRootLayer().Export(str(target))
        return target.read_bytes()


def test_a_whole_character_made_with_the_schemas(tmp_path: Path) -> None:
    data = character(61, 120, 4)
    codes = np.concatenate([np.arange(0.0, 240.0, 6.0), [0.5, 17.3, 111.9, 237.0, 500.0]])
    (shot,) = usd.read(Opened(data, "made.usdc"))
    before = Stage(data, tmp_path, "/Model")
    compare(before, shot, codes, codes / 60.0)
    new = turned(shot, random_turns(61, 5))
    result = usd.write([new], "made.usdc")["made.usdc"]
    (tmp_path / "after").mkdir()
    after = Stage(result, tmp_path / "after", "/Model")
    compare(after, usd.read(Opened(result, "made.usdc"))[0], codes, codes / 60.0)
    unmoved(before, after, new, codes)
    for stage, file in ((before, shot), (after, usd.read(Opened(result, "made.usdc"))[0])):
        (skin,) = usd.skins(file)
        assert (len(skin.points), skin.influences.shape[1]) == (61, 2)
        apart = np.max(np.abs(carried(file, skin, codes / 60.0) - stage.skinned(codes)))
        assert apart < 3e-6 * rest_height(file.skeleton)
    assert after.root.GetPrim().GetAttribute("note").Get() == "kept"


def test_a_new_file_passes_the_librarys_own_checks(tmp_path: Path) -> None:
    from dataclasses import replace

    shot = shot_in(TEXT)
    codes = np.linspace(0.0, 24.0, 25)
    data = usd.write([replace(shot, origin=None)], "new.usda")["new.usda"]
    path = tmp_path / "new.usda"
    path.write_bytes(data)
    from pxr import Usd, UsdSkel

    stage = Usd.Stage.Open(str(path))
    assert str(stage.GetDefaultPrim().GetPath()) == "/Model"
    skeleton = UsdSkel.Skeleton(stage.GetPrimAtPath("/Model/Skeleton"))
    assert UsdSkel.Topology(skeleton.GetJointsAttr().Get()).Validate()[0]
    cache = UsdSkel.Cache()
    cache.Populate(UsdSkel.Root(stage.GetPrimAtPath("/Model")), Usd.PrimDefaultPredicate)
    query = cache.GetSkelQuery(skeleton)
    theirs = np.stack([np.array(query.ComputeJointSkelTransforms(code)) for code in codes])
    _, places = posed(shot, codes / 24.0)
    np.testing.assert_allclose(theirs[:, :, 3, :3], places, atol=2e-6)


def test_seconds_and_topology_are_what_openusd_says(tmp_path: Path) -> None:
    from pxr import Usd, UsdSkel

    for old, new in (
        ("timeCodesPerSecond = 30", "framesPerSecond = 12"),
        ("timeCodesPerSecond = 30", "framesPerSecond = 12\n timeCodesPerSecond = 48"),
        ("    timeCodesPerSecond = 30\n", ""),
    ):
        text = TEXT.replace(old, new)
        path = tmp_path / f"{len(text)}.usda"
        path.write_text(text)
        stage = Usd.Stage.Open(str(path))
        assert shot_in(text).seconds == pytest.approx(30.0 / stage.GetTimeCodesPerSecond())
    odd = ["A", "A/x/B", "C", "A/x/B/y/z/D", "C/A", "A2/B"]
    text = TEXT.replace('["Hip", "Hip/Spine", "Hip/Spine/Head", "Hip/Leg", "Hip/Leg/Foot"]',
                        str(odd[:5]).replace("'", '"'))  # fmt: skip
    text = text.replace('["Hip/Leg/Foot", "Hip/Leg", "Hip"]', '["C", "C/A", "A"]')
    expected = np.array(UsdSkel.Topology(odd[:5]).GetParentIndices())
    assert np.array_equal(shot_in(text).skeleton.parents, expected)
