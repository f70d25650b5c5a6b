"""Writing shots back into the file they came from: what concerns turned joints is changed, nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from audit.errors import UsageError
from audit.formats.usd._layer import bytes_of_layer, is_text, layer_of, library
from audit.formats.usd._parts import COMPONENTS, Reader
from audit.formats.usd._records import Animation
from audit.formats.usd._scene import Origin, Scene, scene_of, shots_of
from audit.model import Shot, Source, Track
from audit.model.skeleton import Array, Indices
from audit.rotations import conjugate, matrix_from_quaternion, multiply, rotate

Mask = npt.NDArray[np.bool_]

TURNED = 1e-12
"""What is left of turning there and back: a turn whose quaternion has a smaller vector part, and a smaller
change of a key, are none."""

AGREES = 1e-6
"""How far the rest pose of a shot may be from what its turns say."""

_ARRAYS = {"rotations": "QuatfArray", "translations": "Vec3fArray", "scales": "Vec3hArray"}
_NUMBERS = {"rotations": np.float32, "translations": np.float32, "scales": np.float16}
_TRACKS = {"rotations": "rotations", "translations": "positions", "scales": "scales"}


def patched(shots: Sequence[Shot], origin: Origin, *, text: bool) -> bytes:
    """Return the file of some shots, changed where they were.

    Parameters
    ----------
    shots
        Of one file, with that file as their origin.
    origin
        Of any of them.
    text
        True for text, False for binary.

    Raises
    ------
    UsageError
        Where the shots do not fit the file or each other: other joints, keys at other times, a rest pose
        that does not come from their turns, or only some of a file's shots where joints were turned.
    """
    with layer_of(origin.data, origin.path) as layer:
        scene = scene_of(Reader(layer, origin.path))
        before = {
            _animation(shot): shot for shot in shots_of(scene, origin.data, Source(origin.path))
        }
        turned = _common_turns(shots, before)
        changed = _changes(shots, before)
        moved = np.max(np.abs(turned[:3]), axis=0) > TURNED
        if moved.any():
            if len(shots) != len(before):
                raise UsageError(
                    f"the file holds {len(before)} shots of the skeleton that was turned, "
                    f"but {len(shots)} are given",
                    path=origin.path,
                    hint="Turn and write all shots of a file together",
                )
            _patch_poses(layer, scene, turned, moved)
        for animation in scene.animations:
            for component in COMPONENTS:
                tracks = changed.get(animation.path, {}).get(component, {})
                if tracks:
                    _patch_samples(layer, scene, animation, component, tracks)
            if moved.any():
                _patch_defaults(layer, scene, animation, turned, moved)
        if moved.any() or any(changed.values()) or text != is_text(origin.data):
            return bytes_of_layer(layer, text=text)
    return origin.data


def _animation(shot: Shot) -> str | None:
    """Return where the animation of a shot stands in its layer."""
    return shot.origin.animation if isinstance(shot.origin, Origin) else None


def _common_turns(shots: Sequence[Shot], before: dict[str | None, Shot]) -> Array:
    """Return the turns (4, J) of all shots; UsageError where they differ or are not what the rest shows."""
    if len({_animation(shot) for shot in shots}) != len(shots):
        raise UsageError("one shot of the file is given twice", hint="Give each shot once")
    rest = next(iter(before.values())).skeleton
    identity = np.tile([0.0, 0.0, 0.0, 1.0], (len(rest), 1))
    turned = [identity if shot.turned is None else shot.turned for shot in shots]
    for shot, turns in zip(shots, turned, strict=True):
        if shot.skeleton.names != rest.names or np.any(shot.skeleton.parents != rest.parents):
            raise UsageError(
                "the shot has other joints than the file it came from",
                path=shot.source.file,
                hint="Write it without its origin, as a new file",
            )
        if np.max(np.abs(turns - turned[0])) > TURNED:
            raise UsageError(
                "the shots of one file are turned differently",
                path=shot.source.file,
                hint="Turn all shots of a skeleton by the same offsets",
            )
    common: Array = turned[0].T
    above = _of_parents(common, rest.parents)
    expected = multiply(multiply(conjugate(above), rest.rest_xyzw.T), common)
    offsets = rotate(conjugate(above), rest.offsets.T)
    for shot in shots:
        own = shot.skeleton.rest_xyzw.T
        own = np.where(np.sum(own * expected, axis=0) < 0.0, -own, own)
        size = np.max(np.abs(rest.offsets), initial=1.0)
        if np.max(np.abs(own - expected)) > AGREES or (
            np.max(np.abs(shot.skeleton.offsets.T - offsets)) > AGREES * size
        ):
            raise UsageError(
                "the rest pose is not the file's, turned",
                path=shot.source.file,
                hint="Write it without its origin, as a new file",
            )
    return common


def _of_parents(turned: Array, parents: Indices) -> Array:
    """Return the turn (4, J) of each joint's parent, none for a root."""
    identity = np.array([0.0, 0.0, 0.0, 1.0])[:, None]
    return np.where(parents >= 0, turned[:, np.maximum(parents, 0)], identity)


def _changes(
    shots: Sequence[Shot], before: dict[str | None, Shot]
) -> dict[str, dict[str, dict[int, Track]]]:
    """Return the tracks that are not as in the file: by animation, component and joint."""
    found: dict[str, dict[str, dict[int, Track]]] = {}
    for shot in shots:
        animation = _animation(shot)
        given, kept = shot.tracks, before[animation].tracks
        if given is None or kept is None:
            raise UsageError(
                "the shot has lost its keys",
                path=shot.source.file,
                hint="Write it without its origin, as a new file",
            )
        for component in COMPONENTS:
            pairs = zip(
                getattr(given, _TRACKS[component]), getattr(kept, _TRACKS[component]), strict=True
            )
            for joint, (new, old) in enumerate(pairs):
                if new is None and old is None:
                    continue
                if (
                    new is None
                    or old is None
                    or new.interpolation != "linear"
                    or not np.array_equal(new.times_s, old.times_s)
                ):
                    raise UsageError(
                        f"joint {shot.skeleton.names[joint]!r} has keys at other times than the file",
                        path=shot.source.file,
                        hint="Write it without its origin, as a new file",
                    )
                same = np.allclose(new.values, old.values, rtol=TURNED, atol=TURNED)
                if animation is not None and not same:
                    found.setdefault(animation, {}).setdefault(component, {})[joint] = new
    return found


def _patch_poses(layer: Any, scene: Scene, turned: Array, moved: Mask) -> None:
    """Turn the rest and bind matrices of the joints that moved, and of their children."""
    parents = scene.bones[0].parents
    own = np.zeros((len(parents), 4, 4))
    own[:, 3, 3] = 1.0
    own[:, :3, :3] = np.moveaxis(matrix_from_quaternion(turned), 2, 0)
    above = np.where((parents >= 0)[:, None, None], own[parents], np.eye(4))
    below_moved = moved | ((parents >= 0) & moved[parents])
    for bones in scene.bones:
        for name, touched in (("restTransforms", below_moved), ("bindTransforms", moved)):
            attribute = layer.GetAttributeAtPath(f"{bones.path}.{name}")
            value = None if attribute is None else attribute.default
            if value is None or isinstance(value, library("Sdf").ValueBlock):
                continue
            rows = np.array(value, dtype=np.float64)
            new = rows.swapaxes(1, 2) @ own
            if name == "restTransforms":
                new = above.swapaxes(1, 2) @ new
            rows[touched] = new[touched].swapaxes(1, 2)
            attribute.default = library("Vt").Matrix4dArray.FromNumpy(rows)


def _patch_samples(
    layer: Any, scene: Scene, animation: Animation, component: str, tracks: dict[int, Track]
) -> None:
    """Put the keys of some joints into one component of an animation."""
    path = f"{animation.path}.{component}"
    columns = {joint: column for column, joint in enumerate(animation.joints)}
    places = {joint: columns[scene.bones[0].joints[joint]] for joint in tracks}
    samples = animation.samples[component]
    # The samples as they were read, which is without loss; then the joints' own columns, all keys at once.
    values = np.array(samples.values, dtype=_NUMBERS[component])
    for joint, column in places.items():
        values[:, column] = tracks[joint].values
    made = getattr(library("Vt"), _ARRAYS[component]).FromNumpy
    if not len(samples.codes):
        layer.GetAttributeAtPath(path).default = made(values[0])
        return
    where = library("Sdf").Path(path)
    with library("Sdf").ChangeBlock():
        for code, value in zip(samples.codes.tolist(), values, strict=True):
            layer.SetTimeSample(where, code, made(value))


def _patch_defaults(
    layer: Any, scene: Scene, animation: Animation, turned: Array, moved: Mask
) -> None:
    """Turn the values for all time that stand beside samples: nothing plays them, but they are a pose too."""
    joints = {joint: place for place, joint in enumerate(scene.bones[0].joints)}
    above = _of_parents(turned, scene.bones[0].parents)
    for component in ("rotations", "translations"):
        attribute = layer.GetAttributeAtPath(f"{animation.path}.{component}")
        value = attribute.default if attribute.HasInfo("default") else None
        if (
            not len(animation.samples[component].codes)
            or value is None
            or isinstance(value, library("Sdf").ValueBlock)
            or len(value) != len(animation.joints)
        ):
            continue
        values = np.array(value)
        for column, joint in enumerate(animation.joints):
            place = joints.get(joint)
            if place is None:
                continue
            given = values[column].astype(np.float64)
            back = conjugate(above[:, place])
            if component == "translations":
                if np.any(np.abs(above[:3, place]) > TURNED):
                    values[column] = rotate(back, given)
            elif moved[place] or np.any(np.abs(above[:3, place]) > TURNED):
                values[column] = multiply(multiply(back, given), turned[:, place])
        attribute.default = _array(component, values)


def _array(component: str, values: Array) -> Any:
    """Return values (N, n) as the library's own array."""
    numbers = np.ascontiguousarray(values, dtype=_NUMBERS[component])
    return getattr(library("Vt"), _ARRAYS[component]).FromNumpy(numbers)
