"""Held-out rigs: random hierarchies with hinges whose axes were turned in secret, as BVH, GLB and USD.

Made with SciPy and numpy, and written here, line by line and byte by byte: the program's own writers have no
part in it. Limbs lie along a principal axis or, where the aim is off, beside it; hinge axes are at right angles
to the limb and off by a secret twist within ±40°; some hinges have a constant in front, so that the rest pose
is not on their path.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import numpy as np
import numpy.typing as npt
from scipy.spatial.transform import Rotation

from audit.conventions import ORDERS
from tests.formats.gltf_making import Making

Array = npt.NDArray[np.float64]

FRAMES, RATE = 96, 48


@dataclass(frozen=True)
class Rig:
    """A rig in motion, and which of its joints are hinges.

    Attributes
    ----------
    names, parents
    offsets : (J, 3)
        In the parent's axes.
    rests : (J,)
        Rest rotations; none in a plain rig.
    away
        For each joint its rotations away from rest (F,).
    travel : (F, 3)
        Of the root.
    hinges
        Joints that turn about one axis.
    orders
        Rotation orders for formats that state them.
    """

    names: list[str]
    parents: list[int]
    offsets: Array
    rests: Rotation
    away: list[Rotation]
    travel: Array
    hinges: list[int]
    orders: list[str]

    def local(self, joint: int) -> Rotation:
        """Return the local rotations (F,) of a joint."""
        return self.rests[joint] * self.away[joint]


def waves(rng: np.random.Generator, rows: int) -> Array:
    """Return smooth curves (rows, F) that go from −1 to 1."""
    time = np.linspace(0.0, 2.0 * np.pi, FRAMES)
    rates = np.arange(1, 5)[:, None]
    curves = np.stack(
        [
            rng.normal(size=4) @ np.sin(rates * time + rng.uniform(0.0, 2.0 * np.pi, (4, 1)))
            for _ in range(rows)
        ]
    )
    low, high = curves.min(axis=1, keepdims=True), curves.max(axis=1, keepdims=True)
    scaled: Array = 2.0 * (curves - low) / (high - low) - 1.0
    return scaled


def held_out(seed: int, *, plain: bool) -> Rig:
    """Return a rig of 15 to 40 joints; ``plain`` ones have no rest rotations, as in BVH."""
    rng = np.random.default_rng([777, seed, int(plain)])
    joints = int(rng.integers(15, 41))
    parents = [-1]
    while len(parents) < joints:
        # Mostly chains, now and then a branch.
        here = len(parents)
        parents.append(here - 1 if rng.random() < 0.75 else int(rng.integers(0, here)))
    children = [
        [j for j, parent in enumerate(parents) if parent == joint] for joint in range(joints)
    ]
    offsets = rng.normal(size=(joints, 3))
    rests = Rotation.identity(joints) if plain else Rotation.random(joints, rng=rng)
    away: list[Rotation] = []
    hinges = []
    for joint in range(joints):
        order = rng.permutation(3)
        limb, across = np.zeros(3), np.zeros(3)
        limb[order[0]], across[order[1]] = rng.choice([-1.0, 1.0], 2)
        # Where the aim is off, the limb lies beside the principal axis by 2° to 20°.
        off = np.deg2rad(rng.uniform(2.0, 20.0)) if rng.random() < 0.25 else 0.0
        aim = Rotation.from_rotvec(off * rng.choice([-1.0, 1.0]) * np.cross(limb, across))
        if rng.random() < 0.5:
            aim = Rotation.from_rotvec(off * across)
        twist = Rotation.from_rotvec(limb * np.deg2rad(rng.uniform(-40.0, 40.0)))
        if children[joint]:
            offsets[children[joint][0]] = aim.apply(limb) * rng.uniform(0.5, 3.0)
        one_child = len(children[joint]) == 1
        if joint and one_child and rng.random() < 0.7:
            wide, middle = rng.uniform(25.0, 110.0), rng.uniform(-20.0, 20.0)
            bend = np.deg2rad(middle + 0.5 * wide * waves(rng, 1)[0])
            turns = Rotation.from_rotvec(bend[:, None] * (aim * twist).apply(across))
            if rng.random() < 0.4:
                turns = Rotation.from_rotvec(rng.uniform(-0.6, 0.6, 3)) * turns
            hinges.append(joint)
        elif children[joint]:
            turns = Rotation.from_rotvec(
                np.deg2rad(rng.uniform(10.0, 40.0, (3, 1)) * waves(rng, 3)).T
            )
        else:
            turns = Rotation.identity(FRAMES)
        away.append(turns)
    return Rig(
        [f"part_{joint}" for joint in range(joints)],
        parents,
        offsets,
        rests,
        away,
        offsets[0] + waves(rng, 3).T,
        hinges,
        [str(order) for order in rng.choice(ORDERS, joints)],
    )


def as_bvh(rig: Rig, path: Path) -> Path:
    """Write a plain rig as BVH."""
    lines = ["HIERARCHY"]
    columns: list[Array] = []

    def put(joint: int) -> None:
        children = [child for child, parent in enumerate(rig.parents) if parent == joint]
        order = rig.orders[joint]
        head = "CHANNELS 3" if joint else "CHANNELS 6 Xposition Yposition Zposition"
        offset = " ".join(f"{value:.9f}" for value in rig.offsets[joint])
        lines.extend(
            [
                f"{'JOINT' if joint else 'ROOT'} {rig.names[joint]}",
                "{",
                f"OFFSET {offset}",
                f"{head} " + " ".join(f"{letter}rotation" for letter in order),
            ]
        )
        if not joint:
            columns.extend(rig.travel.T)
        angles = rig.away[joint].as_euler(cast("Any", order), degrees=True)
        columns.extend(np.rad2deg(np.unwrap(np.deg2rad(angles), axis=0)).T)
        for child in children:
            put(child)
        if not children:
            lines.extend(["End Site", "{", "OFFSET 0.0 0.5 0.0", "}"])
        lines.append("}")

    put(0)
    lines += ["MOTION", f"Frames: {FRAMES}", f"Frame Time: {1.0 / RATE:.9f}"]
    lines += [" ".join(f"{value:.9f}" for value in row) for row in np.stack(columns, axis=1)]
    path.write_text("\n".join(lines) + "\n")
    return path


def as_glb(rig: Rig, path: Path) -> Path:
    """Write a rig as GLB: a skin, and a key of each joint at every frame."""
    making = Making()
    for joint, name in enumerate(rig.names):
        children = [child for child, parent in enumerate(rig.parents) if parent == joint]
        making.node(
            name=name,
            translation=rig.offsets[joint].tolist(),
            rotation=rig.rests[joint].as_quat().tolist(),
            **({"children": children} if children else {}),
        )
    making.top["scenes"] = [{"nodes": [0]}]
    making.skin(range(len(rig.names)))
    clock = making.times((np.arange(FRAMES) / RATE).tolist())
    making.animation(
        (0, "translation", clock, making.accessor(rig.travel)),
        *(
            (joint, "rotation", clock, making.accessor(rig.local(joint).as_quat()))
            for joint in range(len(rig.names))
        ),
        name="motion",
    )
    path.write_bytes(making.glb())
    return path


def as_usd(rig: Rig, path: Path) -> Path:
    """Write a rig as USD with OpenUSD's own schemas."""
    from pxr import Gf, Usd, UsdSkel, Vt  # type: ignore[import-untyped]

    stage = Usd.Stage.CreateNew(str(path))
    stage.SetTimeCodesPerSecond(RATE)
    stage.SetStartTimeCode(0)
    stage.SetEndTimeCode(FRAMES - 1)
    root = UsdSkel.Root.Define(stage, "/Rig")
    stage.SetDefaultPrim(root.GetPrim())
    skeleton = UsdSkel.Skeleton.Define(stage, "/Rig/Skeleton")
    paths: list[str] = []
    rests: list[Array] = []
    binds: list[Array] = []
    for joint, parent in enumerate(rig.parents):
        paths.append(rig.names[joint] if parent < 0 else f"{paths[parent]}/{rig.names[joint]}")
        local = np.eye(4)
        local[:3, :3] = rig.rests[joint].as_matrix()
        local[:3, 3] = rig.offsets[joint]
        rests.append(local)
        binds.append(local if parent < 0 else binds[parent] @ local)
    # USD writes matrices for row vectors.
    for attribute, matrices in (
        (skeleton.CreateRestTransformsAttr(), rests),
        (skeleton.CreateBindTransformsAttr(), binds),
    ):
        attribute.Set(Vt.Matrix4dArray([Gf.Matrix4d(each.T.tolist()) for each in matrices]))
    skeleton.CreateJointsAttr(paths)
    animation = UsdSkel.Animation.Define(stage, "/Rig/Motion")
    animation.CreateJointsAttr(paths)
    animation.CreateScalesAttr(Vt.Vec3hArray([Gf.Vec3h(1, 1, 1)] * len(paths)))
    rotations = animation.CreateRotationsAttr()
    translations = animation.CreateTranslationsAttr()
    turns = np.stack([rig.local(joint).as_quat() for joint in range(len(paths))], axis=1)
    for frame in range(FRAMES):
        rotations.Set(
            Vt.QuatfArray([Gf.Quatf(w, x, y, z) for x, y, z, w in turns[frame].tolist()]), frame
        )
        places = np.array(rig.offsets)
        places[0] = rig.travel[frame]
        translations.Set(Vt.Vec3fArray([Gf.Vec3f(*each) for each in places.tolist()]), frame)
    binding = UsdSkel.BindingAPI.Apply(skeleton.GetPrim())
    binding.CreateAnimationSourceRel().SetTargets([animation.GetPath()])
    stage.Save()
    return path
