"""OpenUSD: skeletons and the animations of their joints (UsdSkel), as text or binary.

What is read
    ``.usda``, ``.usdc`` and ``.usd`` files with a ``Skeleton`` prim (``joints``, ``restTransforms``,
    ``bindTransforms``, ``jointNames``) and any number of ``SkelAnimation`` prims (``joints`` in an order of
    their own, ``rotations``, ``translations``, ``scales``, as time samples or as one value). Each animation is
    a shot. A skeleton is moved by the animation that ``skel:animationSource`` names, on its prim or on the
    nearest one above it, and by every other animation all of whose joints it has and that no skeleton is bound
    to. A file without an animation is one shot of one frame at rest. Several ``Skeleton`` prims that are the
    same count as one; different ones that nothing moves are left out where another is moved. Prims with points
    that are bound to the skeleton (``primvars:skel:jointIndices`` and ``jointWeights``, ``geomBindTransform``,
    ``skel:joints``) are looked at only where a correction or a rest pose is checked. Needs usd-core: ``pip
    install 'hinge-audit[usd]'``.

How it is understood
    A joint's path says its parent: the nearest path above it that is a joint. Its name is its ``jointNames``
    entry, else the last part of its path, else, where two joints share that, the whole path. Matrices are
    written for row vectors in USD and are transposed. The rest pose is ``restTransforms``, or where that is
    missing what ``bindTransforms`` say. A joint that an animation leaves out stays at rest. Time codes become
    seconds by ``timeCodesPerSecond``, else ``framesPerSecond``, else 24. Between samples, quaternions go the
    short way on the sphere and other values straight; all joints of an animation share the times of its
    samples. Quaternions that are not of unit length are made so; their sign is kept. The frame of the root is
    the skeleton's own space: where its prim stands in the world, the up axis and the unit of length are left
    alone. ``upAxis`` and ``metersPerUnit`` are handed on to the checks of the rest pose, where they are written
    down and nothing moves, turns or scales the ``Skeleton`` prim or one above it. USD states no rotation order.

What is not followed
    Only the layer itself is read, and no other file is opened. Sublayers, references, payloads, inherits,
    specializes, variants and value clips are not followed, so what they would add or change is not seen. Where
    that leaves no skeleton, or a skeleton bound to an animation that is not there, the error says which of
    them the file uses. Prims that are inactive, or ``over`` or ``class``, are left out.

What is kept
    A shot that came from USD is written back into its file: of turned joints and their children the rest and
    bind matrices, rotations and translations change, and nothing else; where nothing was turned, no byte does.
    Text that was changed is laid out anew, without its comments.

What is refused
    Text or binary that breaks the rules of USD, and ``.usdz`` packages. No skeleton, or different skeletons
    that are all moved. Joints listed twice or before their parents; arrays that do not hold one value a joint;
    attributes of another type than UsdSkel's; an animation without rotations, translations or scales, which
    UsdSkel would not play; samples without a value, numbers that are not finite, quaternions of length 0; rest
    matrices that are sheared, flat, or transposed. Each error names the prim and attribute, and the time code
    and the joint where there is one; in text that cannot be read, the line:

        takes/crane.usda: /Model/Swing.rotations, time code 2: holds 1 value for 2 joints. Give one value a
        joint
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePath

from audit.errors import UsageError
from audit.formats.usd._fresh import fresh
from audit.formats.usd._layer import BINARY, TEXT, is_text
from audit.formats.usd._patch import patched
from audit.formats.usd._scene import Origin, read_shots
from audit.formats.usd._skins import read_skins
from audit.model import Shot, Skin
from audit.plugins import Format, Opened

__all__ = ["FORMAT", "read", "recognises", "sample", "skins", "write"]


def recognises(head: bytes) -> bool:
    """Tell whether the first bytes of a file say that it is USD, text or binary."""
    return head.startswith((TEXT, BINARY))


def read(opened: Opened) -> tuple[Shot, ...]:
    """Read the shots of a USD file.

    Parameters
    ----------
    opened
        The file.

    Returns
    -------
    tuple of Shot
        One an animation, in the order of the file and of one skeleton; made of tracks. Where there are
        several, the source of each is the path, ``#`` and the animation's name.

    Raises
    ------
    FormatError
        Where the file breaks the rules of USD or UsdSkel, with the prim or the line.
    InputError
        Where usd-core is not installed, or a separate skeleton is given.
    """
    opened.check_whole()
    return read_shots(opened.data, opened.source("usd"))


def write(shots: Sequence[Shot], name: str) -> dict[str, bytes]:
    """Write shots of one skeleton as one USD file.

    Parameters
    ----------
    shots
        All shots of one USD file, as they were read or turned since; or shots from elsewhere.
    name
        The file's name. ``.usda`` gives text and ``.usdc`` binary; any other keeps the form that the shots
        came in, and makes new files binary.

    Returns
    -------
    dict
        The one file by its name. Shots that came from a USD file give that file, with the rest and bind
        matrices, rotations and translations of turned joints and of their children changed, and nothing
        else; where nothing changed, the very bytes. Others give a new file. Keys are 32-bit numbers, and scales
        16-bit ones, as UsdSkel has them; matrices are 64-bit.

    Raises
    ------
    UsageError
        Where USD cannot hold the shots, or they do not fit the file that they came from.
    InputError
        Where usd-core is not installed.
    """
    if not shots:
        raise UsageError("there is no shot to write", hint="Give at least one")
    origins = [shot.origin for shot in shots if isinstance(shot.origin, Origin)]
    suffix = PurePath(name).suffix.lower()
    text = suffix == ".usda" or (suffix != ".usdc" and bool(origins) and is_text(origins[0].data))
    if not origins:
        return {name: fresh(shots, text=text)}
    if len(origins) < len(shots) or any(each.data != origins[0].data for each in origins):
        raise UsageError(
            "the shots come from different files", hint="Write the shots of one file together"
        )
    return {name: patched(shots, origins[0], text=text)}


def skins(shot: Shot) -> tuple[Skin, ...]:
    """Return the skins that a shot's file holds.

    Parameters
    ----------
    shot
        As it was read; joints turned since do not matter.

    Returns
    -------
    tuple of Skin
        One for each prim with points that is bound to the shot's skeleton, in the file's rest axes and the
        skeleton's space; none for a shot from elsewhere.

    Raises
    ------
    FormatError
        Where a skin is broken, with the prim and the attribute.
    """
    return read_skins(shot.origin) if isinstance(shot.origin, Origin) else ()


def sample() -> bytes:
    """Return a tiny valid text file: two joints, two samples."""
    return b"""#usda 1.0
(
    defaultPrim = "Model"
    timeCodesPerSecond = 25
)

def SkelRoot "Model"
{
    def Skeleton "Crane" (
        prepend apiSchemas = ["SkelBindingAPI"]
    )
    {
        uniform token[] joints = ["Mast", "Mast/Boom"]
        uniform matrix4d[] bindTransforms = [
            ((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (0, 1, 0, 1)),
            ((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (0, 3.5, 0, 1))
        ]
        uniform matrix4d[] restTransforms = [
            ((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (0, 1, 0, 1)),
            ((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, 0), (0, 2.5, 0, 1))
        ]
        rel skel:animationSource = </Model/Swing>
    }

    def SkelAnimation "Swing"
    {
        uniform token[] joints = ["Mast", "Mast/Boom"]
        quatf[] rotations.timeSamples = {
            1: [(1, 0, 0, 0), (1, 0, 0, 0)],
            2: [(1, 0, 0, 0), (0.8, 0, 0, 0.6)]
        }
        half3[] scales = [(1, 1, 1), (1, 1, 1)]
        float3[] translations = [(0, 1, 0), (0, 2.5, 0)]
    }
}
"""


FORMAT = Format(
    name="usd",
    title="OpenUSD skeletons and their animations, text or binary",
    suffixes=(".usda", ".usdc", ".usd"),
    recognises=recognises,
    read=read,
    sample=lambda: Opened(sample(), "sample.usda"),
    write=write,
    skins=skins,
)
