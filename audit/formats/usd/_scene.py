"""Which animations move which skeleton of a layer, and the shots that they make."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from audit.errors import FormatError
from audit.formats.usd._layer import layer_of
from audit.formats.usd._parts import Reader
from audit.formats.usd._records import Animation, Bones, Samples
from audit.formats.usd._stage import stated_world
from audit.model import Shot, Skeleton, Source, Track, Tracks, World
from audit.rotations.matrices import quaternion_from_matrix

SHEAR = 1e-4
"""How far the axes of a rest matrix may be from right angles, as a cosine; our choice: four decimals pass."""

SCALE_OF_ONE = 1e-6
"""A rest scale this near to 1 is 1: matrices kept in 32 bits stray that far; our choice."""

ROUNDING = 2.0**-23
"""How far rounding four numbers to 32 bits takes a quaternion's length from 1: four halves of the last bit."""


@dataclass(frozen=True, eq=False)
class Origin:
    """What a shot keeps of its file.

    Attributes
    ----------
    data
        The whole file.
    path
        Its path, for error messages.
    animation
        Where the shot's animation stands in the layer, None where there is none.
    skeletons
        Where its ``Skeleton`` prims stand: one, or several that are the same.
    """

    data: bytes = field(repr=False)
    path: str
    animation: str | None
    skeletons: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Scene:
    """The one skeleton of a layer, and what moves it.

    Attributes
    ----------
    bones
        The ``Skeleton`` prims: one, or several that are the same.
    animations
        In the order of the layer.
    codes_per_second
        Time codes in a second.
    world
        What the layer states about the skeleton's space.
    """

    bones: tuple[Bones, ...]
    animations: tuple[Animation, ...]
    codes_per_second: float
    world: World | None = None


def scene_of(reader: Reader) -> Scene:
    """Return the skeleton of a layer and the animations that move it.

    Raises
    ------
    FormatError
        Where there is no skeleton, or more than one that is moved, or what there is breaks the rules.
    """
    rate = reader.time_codes_per_second()
    prims = list(reader.prims("Skeleton"))
    if not prims:
        raise reader.error(
            "holds no skeleton",
            "the layer",
            reader.hint("give the file that holds the Skeleton prim"),
        )
    movers = {}
    for prim in reader.prims("SkelAnimation"):
        joints = reader.moved_joints(prim)
        if joints:
            movers[str(prim.path)] = (prim, joints)
    groups: list[list[Bones]] = []
    bound: list[set[str]] = []
    for prim in prims:
        bones = reader.bones(prim)
        target = _bound_animation(reader, prim, bones, movers)
        place = next((at for at, group in enumerate(groups) if group[0].alike(bones)), len(groups))
        if place == len(groups):
            groups.append([])
            bound.append(set())
        groups[place].append(bones)
        if target is not None:
            bound[place].add(target)
    taken = set().union(*bound)
    moved = [
        [
            path
            for path, (_, joints) in movers.items()
            if path in names or (path not in taken and set(joints) <= set(group[0].joints))
        ]
        for group, names in zip(groups, bound, strict=True)
    ]
    chosen = [place for place, paths in enumerate(moved) if paths] or list(range(len(groups)))
    if len(chosen) > 1:
        named = ", ".join(" and ".join([groups[place][0].path, *moved[place]]) for place in chosen)
        raise reader.error(
            f"holds {len(chosen)} different skeletons ({named})",
            "the layer",
            "Put each skeleton, with its animations, into a file of its own",
        )
    animations = [reader.animation(*movers[path]) for path in moved[chosen[0]]]
    world = stated_world(reader.layer, groups[chosen[0]][0].path)
    return Scene(tuple(groups[chosen[0]]), tuple(animations), rate, world)


def _bound_animation(
    reader: Reader, prim: Any, bones: Bones, movers: dict[str, tuple[Any, tuple[str, ...]]]
) -> str | None:
    """Return the path of the animation of joints that a skeleton is bound to; None where there is none."""
    target = reader.binding(prim)
    if target is None:
        return None
    if target in movers:
        if not set(movers[target][1]) & set(bones.joints):
            raise reader.error(
                f"moves none of the joints of {bones.path}, which is bound to it",
                f"{target}.joints",
                "Write the joints of the animation as paths, as the skeleton has them",
            )
        return target
    if any(str(each.path) == target for each in reader.prims("SkelAnimation")):
        return None  # it moves blend shapes only
    raise reader.error(
        f"is bound to {target}, which is no SkelAnimation of this file",
        bones.path,
        reader.hint("put skeleton and animation into one file"),
    )


def read_shots(data: bytes, source: Source) -> tuple[Shot, ...]:
    """Return the shots of a file; see :func:`audit.formats.usd.read`."""
    with layer_of(data, source.file) as layer:
        scene = scene_of(Reader(layer, source.file))
    return shots_of(scene, data, source)


def shots_of(scene: Scene, data: bytes, source: Source) -> tuple[Shot, ...]:
    """Return one shot an animation, or one shot at rest, all of one skeleton."""
    path = source.file
    skeleton = _skeleton(scene.bones[0], path)
    stand = tuple(bones.path for bones in scene.bones)
    if not scene.animations:
        empty = (None,) * len(skeleton)
        still = Tracks(empty, empty, empty)
        return (
            Shot(
                skeleton,
                np.zeros(1),
                source,
                tracks=still,
                origin=Origin(data, path, None, stand),
                world=scene.world,
            ),
        )
    names = _animation_names(scene)
    several = len(names) > 1
    return tuple(
        _shot(
            scene,
            animation,
            skeleton,
            source.shot_named(name) if several else source,
            Origin(data, path, animation.path, stand),
        )
        for animation, name in zip(scene.animations, names, strict=True)
    )


def _animation_names(scene: Scene) -> list[str]:
    """Return a name for each animation: the prim's own where it is the only one, else the whole path."""
    last = [animation.path.rpartition("/")[2] for animation in scene.animations]
    return [
        name if last.count(name) == 1 else animation.path
        for name, animation in zip(last, scene.animations, strict=True)
    ]


def _skeleton(bones: Bones, path: str) -> Skeleton:
    """Return the skeleton; FormatError where a rest matrix is no rotation and scale along the axes."""
    linear = bones.rest[:, :3, :3]
    scales = np.linalg.norm(linear, axis=1)
    where = f"{bones.path}.restTransforms"
    flat = np.flatnonzero(np.min(scales, axis=1) < 1e-12)
    if len(flat):
        raise FormatError(
            "has a scale of 0",
            path=path,
            where=f"{where}, joint {bones.joints[flat[0]]}",
            hint="Give the joint a rest scale that is not 0",
        )
    scales = np.where(np.linalg.det(linear) < 0.0, -1.0, 1.0)[:, None] * scales
    scales = np.where(np.abs(scales - 1.0) < SCALE_OF_ONE, 1.0, scales)
    axes = linear / np.linalg.norm(linear, axis=1)[:, None, :] * np.sign(scales[:, :1, None])
    sheared = np.max(np.abs(axes.swapaxes(1, 2) @ axes - np.eye(3)), axis=(1, 2)) > SHEAR
    if sheared.any():
        raise FormatError(
            "is sheared: its axes are not at right angles",
            path=path,
            where=f"{where}, joint {bones.joints[int(np.argmax(sheared))]}",
            hint="Give the joint a rest pose of translation, rotation and scale",
        )
    return Skeleton(
        bones.names,
        bones.parents,
        bones.rest[:, :3, 3],
        quaternion_from_matrix(np.moveaxis(axes, 0, -1)).T,
        (None,) * len(bones.names),
        rest_scales=scales,
    )


def _shot(
    scene: Scene, animation: Animation, skeleton: Skeleton, source: Source, origin: Origin
) -> Shot:
    """Return the shot of one animation."""
    samples = animation.samples
    sampled = [each.codes for each in samples.values() if len(each.codes)]
    codes = np.unique(np.concatenate(sampled)) if sampled else np.zeros(1)
    with np.errstate(over="ignore"):
        times_s = codes / scene.codes_per_second
    if not np.isfinite(times_s).all() or np.any(np.diff(times_s) <= 0.0):
        raise FormatError(
            f"has time codes that are one time at {scene.codes_per_second:g} a second",
            path=origin.path,
            where=animation.path,
            hint="Correct timeCodesPerSecond, or the time codes",
        )
    # Quaternions of other lengths are made unit length; how far they were off is kept.
    given = samples["rotations"].values
    lengths = np.linalg.norm(given, axis=2)
    units = Samples(samples["rotations"].codes, given / lengths[..., None])
    off = np.maximum(np.max(np.abs(lengths - 1.0), axis=0) - ROUNDING, 0.0)
    places = {joint: place for place, joint in enumerate(animation.joints)}
    columns = [places.get(joint) for joint in scene.bones[0].joints]

    def tracks(kept: Samples) -> tuple[Track | None, ...]:
        key_times = kept.codes / scene.codes_per_second if len(kept.codes) else times_s[:1]
        return tuple(
            None if column is None else Track(key_times, kept.values[:, column])
            for column in columns
        )

    scales = tuple(
        None if track is None or np.all(track.values == rest) else track
        for track, rest in zip(tracks(samples["scales"]), skeleton.rest_scales, strict=True)
    )
    length_errors = [0.0 if column is None else float(off[column]) for column in columns]
    return Shot(
        skeleton,
        times_s,
        source,
        tracks=Tracks(tracks(units), tracks(samples["translations"]), scales, tuple(length_errors)),
        origin=origin,
        world=scene.world,
    )
