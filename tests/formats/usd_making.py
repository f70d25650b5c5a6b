"""USD files made in code, and joints turned as a correction does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from audit.formats import usd
from audit.model import Shot, Track, Tracks
from audit.plugins import Opened
from audit.rotations import conjugate, multiply, quaternion_from_rotation_vector, rotate

Array = npt.NDArray[np.float64]

JOINTS = ("Hip", "Hip/Spine", "Hip/Spine/Head", "Hip/Leg", "Hip/Leg/Foot")

TEXT = """#usda 1.0
(
    defaultPrim = "Heron"
    doc = "An invented bird (with brackets) [ { in its text"
    customLayerData = {
        string author = "nobody"
        dictionary more = { int[] numbers = [1, 2, 3] }
    }
    timeCodesPerSecond = 30
    upAxis = "Y"
)

def SkelRoot "Heron" (
    prepend apiSchemas = ["SkelBindingAPI"]
)
{
    rel skel:animationSource = </Heron/Walk>

    def Skeleton "Skel" (
        prepend apiSchemas = ["SkelBindingAPI"]
    )
    {
        uniform token[] joints = ["Hip", "Hip/Spine", "Hip/Spine/Head", "Hip/Leg", "Hip/Leg/Foot"]
        uniform matrix4d[] bindTransforms = [
            ((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (0, 5, 0, 1)),
            ((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (0, 7, 0, 1)),
            ((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (0, 8, 0, 1)),
            ((0, 1, 0, 0), (-1, 0, 0, 0), (0, 0, 1, 0), (1, 5, 0, 1)),
            ((0, 1, 0, 0), (-1, 0, 0, 0), (0, 0, 1, 0), (1, 9, 0, 1))
        ]
        uniform matrix4d[] restTransforms = [
            ((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (0, 5, 0, 1)),
            ((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (0, 2, 0, 1)),
            ((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (0, 1, 0, 1)),
            ((0, 1, 0, 0), (-1, 0, 0, 0), (0, 0, 1, 0), (1, 0, 0, 1)),
            ((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (4, 0, 0, 1))
        ]
    }

    def SkelAnimation "Walk"
    {
        uniform token[] joints = ["Hip/Leg/Foot", "Hip/Leg", "Hip"]
        uniform token[] blendShapes = ["Smile"]
        float[] blendShapeWeights.timeSamples = { 0: [0], 7: [1] }
        quatf[] rotations = [(1, 0, 0, 0), (0.8, 0, 0.6, 0), (1, 0, 0, 0)]
        quatf[] rotations.timeSamples = {
            0: [(1, 0, 0, 0), (0.8, 0, 0, 0.6), (1, 0, 0, 0)],
            6: [(0.8, 0.6, 0, 0), (0.6, 0, 0, 0.8), (-1, 0, 0, 0)],
            15: [(0.96, 0.28, 0, 0), (0.8, 0, 0, 0.6), (0.96, 0, 0.28, 0)],
        }
        half3[] scales = [(1, 1, 1), (1, 1, 1), (1, 1, 1)]
        float3[] translations.timeSamples = {
            0: [(4, 0, 0), (1, 0, 0), (0, 5, 0)],
            30: [(4, 0, 0), (1, 0, 0), (3, 5, 1)],
        }
    }

    def Mesh "Skin" (
        prepend apiSchemas = ["SkelBindingAPI"]
    )
    {
        rel skel:skeleton = </Heron/Skel>
        int[] faceVertexCounts = [3]
        int[] faceVertexIndices = [0, 1, 2]
        point3f[] points = [(0, 0, 0), (1, 9, 0), (1, 7, 0.5)]
        int[] primvars:skel:jointIndices = [0, 4, 3] (
            elementSize = 1
            interpolation = "vertex"
        )
        float[] primvars:skel:jointWeights = [1, 1, 1] (
            elementSize = 1
            interpolation = "vertex"
        )
        matrix4d primvars:skel:geomBindTransform = ((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (0, 0, 0, 1))
    }
}
"""


def shots_in(text: str | bytes) -> tuple[Shot, ...]:
    """Read the shots of a file."""
    data = text if isinstance(text, bytes) else text.encode()
    return usd.read(Opened(data, "heron.usda"))


def shot_in(text: str | bytes) -> Shot:
    """Read the only shot of a file."""
    (shot,) = shots_in(text)
    return shot


def binary(text: str) -> bytes:
    """Return the binary form of a text file, made by the library alone."""
    from pathlib import Path
    from tempfile import TemporaryDirectory

    from pxr import Sdf

    layer = Sdf.Layer.CreateAnonymous(".usda")
    layer.ImportFromString(text)
    with TemporaryDirectory() as folder:
        target = Path(folder, "made.usdc")
        layer.Export(str(target))
        return target.read_bytes()


def swapped(old: str, new: str, text: str = TEXT) -> str:
    """Return a text with one part of it put in another's place; the part must be there once."""
    assert text.count(old) == 1
    return text.replace(old, new)


def turned(shot: Shot, turns: Array) -> Shot:
    """Return a shot whose joints' axes are turned by quaternions (J, 4) in their present axes.

    Written from the definitions of a correction, apart from the program's own: with ``A`` a joint's turn and
    ``P`` its parent's, ``P⁻¹ R A`` for rotations and ``P⁻¹ t`` for positions.
    """
    skeleton, tracks = shot.skeleton, shot.tracks
    assert tracks is not None
    identity = np.array([0.0, 0.0, 0.0, 1.0])
    back = [conjugate(turns[p] if p >= 0 else identity) for p in skeleton.parents]
    rest = [
        multiply(multiply(b, r), a) for b, r, a in zip(back, skeleton.rest_xyzw, turns, strict=True)
    ]
    offsets = [rotate(b, o) for b, o in zip(back, skeleton.offsets, strict=True)]

    def carried(track: Track | None, values: Array) -> Track | None:
        return None if track is None else replace(track, values=values.T)

    def values(track: Track | None) -> Array:
        return np.zeros((4, 1)) if track is None else track.values.T

    rotations = [
        carried(track, multiply(multiply(b[:, None], values(track)), a[:, None]))
        for track, b, a in zip(tracks.rotations, back, turns, strict=True)
    ]
    positions = [
        carried(track, rotate(b[:, None], values(track)[:3]))
        for track, b in zip(tracks.positions, back, strict=True)
    ]
    before = np.tile(identity, (len(turns), 1)) if shot.turned is None else shot.turned
    return replace(
        shot,
        skeleton=replace(skeleton, rest_xyzw=np.array(rest), offsets=np.array(offsets)),
        tracks=Tracks(tuple(rotations), tuple(positions), tracks.scales, tracks.length_errors),
        turned=multiply(before.T, turns.T).T,
    )


def random_turns(joints: int, seed: int, which: list[int] | None = None) -> Array:
    """Return turns (J, 4) of any size for some joints or for all, and none for the others."""
    vectors = np.random.default_rng(seed).normal(size=(3, joints))
    turns = quaternion_from_rotation_vector(vectors).T
    if which is not None:
        turns[[joint for joint in range(joints) if joint not in which]] = (0.0, 0.0, 0.0, 1.0)
    return turns
