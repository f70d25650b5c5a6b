"""glTF 2.0: nodes, skins and animations, as JSON (.gltf) or in one binary file (.glb).

What is read
    ``.glb`` and ``.gltf``, with buffers in the binary chunk, in ``data:`` URIs and in files beside. The joints
    are the nodes that a skin names or an animation moves, and all nodes above those, parents first and
    otherwise in the file's order; a ``matrix`` is taken apart. Nodes below a joint that carry nothing are its
    end points. Each animation is a shot, and a file without one is a shot of one frame at rest. Keys stay at
    their own times: ``STEP``, ``LINEAR`` and ``CUBICSPLINE``, as floats or, for rotations, normalised
    integers, in accessors that may be sparse, strided, or without a buffer view. Meshes are looked at only
    where a correction or a rest pose is checked: their points, joints and weights, in any number of sets.

How it is understood
    Quaternions are ``x y z w``, times seconds. The rest pose is what the nodes say. glTF states no rotation
    order. Keys that are not of unit length are made so, and their error is remembered; their signs are kept. A
    node without a name is called ``node_5`` for the sixth one. Channels of ``weights`` and of extensions move
    no joint and are passed over. The checks of the rest pose take +Y as up, +Z as forward and the metre as
    the unit, as the format has it.

What is kept
    A shot that came from glTF is written back into its file: what has not changed stays byte for byte, extras
    and unknown extensions included, and new arrays are added behind the old ones, which are never overwritten.

What is refused
    Other versions; a required extension that is not understood, such as one for compressed buffers; damaged
    chunks and JSON, NaN, and keys given twice; numbers that refer to nothing; data past the end of its buffer;
    nodes with two parents or in a circle; a matrix that shears or flattens; an animated node with a matrix, or
    moved twice by one animation; times that do not increase; quaternions without length. A skin without
    points, joints or weights for each of its points, or with joints that it does not have, is refused where it
    is asked for. Each error names the place in the JSON, or the byte:

        takes/walk.glb: accessors[2], element 1: the time 0.5 s follows 1 s. Times of keys start at 0 or later,
        and increase; write the file again
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import PurePath

import numpy as np

from audit.errors import UsageError
from audit.formats.gltf._animations import PATHS, Animation, TrackReader, read_animations
from audit.formats.gltf._container import BYTE_ORDER_MARK, MAGIC
from audit.formats.gltf._document import Document, read_document
from audit.formats.gltf._fresh import fresh
from audit.formats.gltf._nodes import Tree, joint_nodes, read_skeleton, read_tree
from audit.formats.gltf._origin import Origin
from audit.formats.gltf._patch import patched
from audit.formats.gltf._skins import read_skins
from audit.model import Shot, Skeleton, Skin, Source, Track, Tracks, World
from audit.plugins import Format, Opened

__all__ = ["FORMAT", "read", "recognises", "sample", "skins", "write"]

WORLD = World(up="+Y", forward="+Z", metres=1.0)
"""glTF 2.0, section 3.4: +Y is up, the front of an asset faces +Z, all lengths are in metres."""

_JSON_OF_GLTF = re.compile(
    rb'\s*\{(?:.*)"(?:asset"\s*:\s*\{|componentType"\s*:\s*51\d\d)', re.DOTALL
)


def recognises(head: bytes) -> bool:
    """Tell whether the first bytes of a file say that it is glTF."""
    return head.startswith(MAGIC) or bool(_JSON_OF_GLTF.match(head.removeprefix(BYTE_ORDER_MARK)))


def read(opened: Opened) -> tuple[Shot, ...]:
    """Read a glTF file.

    Parameters
    ----------
    opened
        The file; buffers that it names are fetched from beside it.

    Returns
    -------
    tuple of Shot
        One for each animation that moves nodes, made of tracks; all share one skeleton. Where there are
        several, the source of each is the path, ``#`` and the animation's name.

    Raises
    ------
    FormatError
        Where the file breaks the format's rules, with the place in the JSON or the byte.
    InputError
        Where a separate skeleton is given.
    """
    opened.check_whole()
    with ThreadPoolExecutor(max_workers=1) as pool:
        summed = pool.submit(opened.source, "gltf")
        document = read_document(opened)
        tree = read_tree(document)
        animations = read_animations(document)
        moved = {channel.node for animation in animations for channel in animation.channels}
        joints = joint_nodes(tree, moved)
        if not joints:
            raise document.refusal(
                "skins, animations",
                "there is no skin and no animated node, so there are no joints",
                "Export the skeleton, or the animation, with the file",
            )
        skeleton = read_skeleton(document, tree, joints)
        reader = TrackReader(document)
        _check_bind_matrices(document, tree, reader)
        made = [_tracks(reader, animation, joints) for animation in animations]
        source = summed.result()
    none = (None,) * len(joints)
    rest = Tracks(none, none, none, (0.0,) * len(joints))
    numbers = tuple(animation.number for animation in animations)
    sources = _sources(source, animations)
    shots = []
    for named, animation, (tracks, times) in zip(
        sources, animations or [None], made or [(rest, np.zeros(1))], strict=True
    ):
        origin = Origin(document, tree, joints, animation, numbers, skeleton, tracks)
        shots.append(
            Shot(
                skeleton,
                times,
                named,
                tracks=tracks,
                every_frame=_every_frame(tracks, len(times)),
                origin=origin,
                world=WORLD,
            )
        )
    return tuple(shots)


def _check_bind_matrices(document: Document, tree: Tree, reader: TrackReader) -> None:
    """Refuse a skin whose inverse bind matrices are not there for each joint."""
    for number, skin in enumerate(tree.skins):
        if skin.inverse_bind is None:
            continue
        where = f"skins[{number}].inverseBindMatrices"
        count = len(reader.accessors.numbers(skin.inverse_bind, "MAT4", where).values)
        if count < len(skin.joints):
            raise document.refusal(
                where,
                f"there are {count} matrices for {len(skin.joints)} joints",
                "The file is damaged; write it again",
            )


def _sources(source: Source, animations: Sequence[Animation]) -> list[Source]:
    """Return the source of each shot: the file's, with the animation's name where there are several."""
    if len(animations) < 2:
        return [source]
    names: list[str] = []
    for number, animation in enumerate(animations, start=1):
        name = str(animation.name or number)
        while name in names:
            name = f"{name}#{number}"
        names.append(name)
    return [source.shot_named(name) for name in names]


def _tracks(
    reader: TrackReader, animation: Animation, joints: Sequence[int]
) -> tuple[Tracks, np.ndarray]:
    """Return the tracks of an animation and all times at which there is a key."""
    places = {node: joint for joint, node in enumerate(joints)}
    found: dict[str, list[Track | None]] = {path: [None] * len(joints) for path in PATHS}
    errors = [0.0] * len(joints)
    times: dict[int, np.ndarray] = {}
    reader.make_room(animation)
    for channel in animation.channels:
        track, error = reader.track(animation, channel)
        joint = places[channel.node]
        found[channel.path][joint] = track
        errors[joint] = max(errors[joint], error)
        times[reader.input_of(animation, channel)] = track.times_s
    each = list(times.values())
    every = each[0] if len(each) == 1 else np.unique(np.concatenate(each))
    rotations, positions, scales = (tuple(found[path]) for path in PATHS)
    return Tracks(rotations, positions, scales, tuple(errors)), every


def _every_frame(tracks: Tracks, frames: int) -> bool:
    """Tell whether each channel has a key at every frame."""
    held = [*tracks.rotations, *tracks.positions, *tracks.scales]
    return all(track is None or len(track.times_s) == frames for track in held)


def write(shots: Sequence[Shot], name: str) -> dict[str, bytes]:
    """Write shots of one skeleton.

    Parameters
    ----------
    shots
        As they were read from one glTF file or changed since, all shots of the file together; or of any other
        make, which gives a new and small file.
    name
        Name of the file; ``.glb`` or ``.gltf`` says which container.

    Returns
    -------
    dict
        The bytes of each file by its name: buffers that are files of their own get a new one.

    Raises
    ------
    UsageError
        Where glTF cannot hold the shots, or they do not fit together.
    """
    if PurePath(name).suffix.lower() not in FORMAT.suffixes:
        raise UsageError(
            f"{name!r} says neither .glb nor .gltf", hint="Name the file with one of the two"
        )
    if not shots:
        raise UsageError("there is no shot to write", hint="Give at least one")
    origins = [shot.origin for shot in shots if isinstance(shot.origin, Origin)]
    first = origins[0].document.data if origins else b""
    if len(origins) == len(shots) and all(each.document.data == first for each in origins):
        return patched(shots, origins, name)
    return fresh(shots, name)


def skins(shot: Shot) -> tuple[Skin, ...]:
    """Return the skins that a shot's file holds.

    Parameters
    ----------
    shot
        As it was read; joints turned since do not matter.

    Returns
    -------
    tuple of Skin
        One for each mesh primitive that a skin carries, in the file's rest axes and the world's space; none for
        a shot from elsewhere.

    Raises
    ------
    FormatError
        Where a skin is broken, with the place in the JSON.
    """
    return read_skins(shot.origin) if isinstance(shot.origin, Origin) else ()


def sample() -> bytes:
    """Return a tiny valid file: two joints in a skin, two keys each at their own times."""
    x, y = np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])
    half = np.sqrt(0.5)
    skeleton = Skeleton(
        ("Mast", "Boom"),
        np.array([-1, 0]),
        np.stack((0.0 * y, 2.5 * y)),
        np.array([[0.0, 0.0, 0.0, 1.0], [0.0, 0.0, half, half]]),
        (None, None),
        np.array([1]),
        np.array([1.5 * x]),
    )
    mast = Track(np.array([0.0, 1.0]), np.array([[0.0, 0.0, 0.0, 1.0], [0.0, 0.6, 0.0, 0.8]]))
    boom = Track(
        np.array([0.25, 0.5]), np.array([[0.0, 0.0, half, half], [0.5, 0.5, 0.5, 0.5]]), "step"
    )
    still = (None, None)
    shot = Shot(
        skeleton,
        np.array([0.0, 0.25, 0.5, 1.0]),
        Source("sample"),
        tracks=Tracks((mast, boom), still, still),
    )
    return fresh([shot], "sample.glb")["sample.glb"]


FORMAT = Format(
    name="gltf",
    title="Nodes, skins and animations, in one binary file or as JSON",
    suffixes=(".glb", ".gltf"),
    recognises=recognises,
    read=read,
    sample=lambda: Opened(sample(), "sample.glb"),
    write=write,
    skins=skins,
)
