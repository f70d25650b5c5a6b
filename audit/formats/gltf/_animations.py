"""The animations of a glTF file: which keys move which nodes."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from audit.formats.gltf._accessors import SMALL, Accessors, Stored
from audit.formats.gltf._document import Document
from audit.formats.gltf._json import Json
from audit.model import Track
from audit.model.track import Interpolation

Array = npt.NDArray[np.float64]

INTERPOLATIONS: dict[str, Interpolation] = {
    "STEP": "step",
    "LINEAR": "linear",
    "CUBICSPLINE": "cubic",
}
PATHS = ("rotation", "translation", "scale")

_POINTS_AT_TRANSFORM = re.compile(r"/nodes/\d+/(rotation|translation|scale|matrix)")


@dataclass(frozen=True, slots=True)
class Channel:
    """A channel that moves a node.

    Attributes
    ----------
    number
        Its place in the animation.
    node, path
        What it moves: ``rotation``, ``translation`` or ``scale`` of a node.
    sampler
        The place of its sampler in the animation.
    """

    number: int
    node: int
    path: str
    sampler: int


@dataclass(frozen=True, slots=True)
class Animation:
    """An animation: its place in the file, its name, and those of its channels that move nodes."""

    number: int
    name: str
    channels: tuple[Channel, ...]


def read_animations(document: Document) -> tuple[Animation, ...]:
    """Return all animations that move nodes; FormatError where a channel or sampler is at fault.

    Channels without a node, those of ``weights`` and those of extensions move no node and are left out.
    """
    found = []
    for number, animation in enumerate(document.objects("animations")):
        where = f"animations[{number}]"
        name = animation.get("name", "")
        if not isinstance(name, str):
            raise document.refusal(f"{where}.name", "should be text", "Correct the file")
        channels = _channels(document, animation, where)
        if channels:
            found.append(Animation(number, name, channels))
    return tuple(found)


def _channels(document: Document, animation: dict[str, Json], where: str) -> tuple[Channel, ...]:
    samplers = document.object_list(animation, "samplers", where)
    channels: dict[tuple[int, str], Channel] = {}
    for number, channel in enumerate(document.object_list(animation, "channels", where)):
        place = f"{where}.channels[{number}]"
        target = document.object(channel, "target", place)
        path = target.get("path")
        if path == "pointer":
            _check_pointer(document, target, f"{place}.target")
        if path not in PATHS or "node" not in target:
            continue
        node = document.index(target["node"], "nodes", f"{place}.target.node")
        sampler = document.whole(channel, "sampler", place)
        if sampler >= len(samplers):
            raise document.refusal(
                f"{place}.sampler",
                f"{sampler} is none of the {len(samplers)} samplers, which are counted from 0",
                "Correct the number, or write the file again",
            )
        if (node, path) in channels:
            raise document.refusal(
                f"{place}.target",
                f"the {path} of node {node} is moved by channel {channels[node, path].number} too",
                "An animation moves it once; take one of the channels out",
            )
        if "matrix" in document.objects("nodes")[node]:
            raise document.refusal(
                f"nodes[{node}].matrix",
                f"an animated node has no matrix, but {place} moves this one's {path}",
                "Give the node translation, rotation and scale apart",
            )
        channels[node, path] = Channel(number, node, path, sampler)
    return tuple(channels.values())


def _check_pointer(document: Document, target: dict[str, Json], where: str) -> None:
    """Refuse a channel that moves a node by way of an extension: its keys would be overlooked."""
    extensions = document.object(target, "extensions", where)
    pointer = document.object(extensions, "KHR_animation_pointer", where).get("pointer")
    if isinstance(pointer, str) and _POINTS_AT_TRANSFORM.match(pointer):
        raise document.refusal(
            where,
            f"KHR_animation_pointer moves {pointer[:60]!r}, which is not read",
            "Move nodes with plain channels; other pointers are fine",
        )


class TrackReader:
    """Makes tracks of the samplers of a document, each once."""

    def __init__(self, document: Document) -> None:
        self._document = document
        self._accessors = Accessors(document)
        self._times: dict[int, Array] = {}
        self._squared = np.zeros((0, 4))

    @property
    def accessors(self) -> Accessors:
        """The accessors that were decoded on the way."""
        return self._accessors

    def input_of(self, animation: Animation, channel: Channel) -> int:
        """Return the number of the accessor with a channel's times, after :meth:`track` has read it."""
        animations = self._document.objects("animations")
        number: int = animations[animation.number]["samplers"][channel.sampler]["input"]
        return number

    def make_room(self, animation: Animation) -> None:
        """Make room for all keys of an animation; see :meth:`Accessors.make_room`."""
        accessors = self._document.objects("accessors")
        samplers = self._document.objects("animations")[animation.number]["samplers"]
        numbers = 0
        for channel in animation.channels:
            output = samplers[channel.sampler].get("output")
            # What is at fault here is refused when it is read.
            if isinstance(output, int) and 0 <= output < len(accessors):
                count = accessors[output].get("count")
                if isinstance(count, int) and count > 0:
                    numbers += count * (4 if channel.path == "rotation" else 3)
        self._accessors.make_room(numbers)

    def track(self, animation: Animation, channel: Channel) -> tuple[Track, float]:
        """Return the keys of a channel, and how far a rotation was from unit length.

        Raises
        ------
        FormatError
            Where times do not increase from 0 or above, times and values differ in number, the interpolation is
            unknown, or a rotation has no length.
        """
        document = self._document
        sampler = document.objects("animations")[animation.number]["samplers"][channel.sampler]
        where = f"animations[{animation.number}].samplers[{channel.sampler}]"
        name = sampler.get("interpolation", "LINEAR")
        if not isinstance(name, str) or name not in INTERPOLATIONS:
            raise document.refusal(
                f"{where}.interpolation",
                f"{str(name)[:20]!r} is none of {', '.join(INTERPOLATIONS)}",
                "Correct it, or write the file again",
            )
        interpolation = INTERPOLATIONS[name]
        times = self._key_times(sampler.get("input"), f"{where}.input")
        rotates = channel.path == "rotation"
        stored = self._accessors.numbers(
            sampler.get("output"),
            "VEC4" if rotates else "VEC3",
            f"{where}.output",
            normalised=SMALL if rotates else (),
        )
        each = 3 if interpolation == "cubic" else 1
        keys = len(times)
        if len(stored.values) != each * keys or (each == 3 and keys < 2):
            wanted = f"{each * keys:,}" if keys > 1 or each == 1 else "at least two keys"
            raise document.refusal(
                f"{where}.output",
                f"has {len(stored.values):,} values, but {name} with {keys:,} times needs {wanted}",
                "The file is damaged; write it again",
            )
        self._accessors.count(stored.values.size, where)
        error = 0.0
        values = stored.values
        if rotates:
            values, error = self._unit(stored, each, where)
        if interpolation != "cubic":
            # Looked through above, and held by nobody else.
            return Track.from_checked(times, values, interpolation), error
        arrive, value, leave = (values[part::3] for part in range(3))
        return Track(times, value, interpolation, arrive, leave), error

    def _unit(self, stored: Stored, each: int, where: str) -> tuple[Array, float]:
        """Return rotations with the keys at unit length, and the largest error beyond rounding.

        The tangents of a key are divided by its length too: the curve then leaves it in the same direction.
        """
        keys = stored.values[each // 2 :: each]
        if len(keys) > len(self._squared):
            self._squared = np.zeros((len(keys), 4))
        # Column by column: a matrix product is as fast, but starts threads, which stall on a busy machine.
        squared = np.multiply(keys, keys, out=self._squared[: len(keys)])
        squares = squared[:, 0] + squared[:, 1]
        squares += squared[:, 2]
        squares += squared[:, 3]
        least, most = np.sqrt(squares.min()), np.sqrt(squares.max())
        if not least > 1e-15:
            raise self._document.refusal(
                f"{where}.output, key {int(np.argmin(squares))}",
                "the quaternion has no length",
                "Rotations are quaternions of unit length; write the file again",
            )
        # Half a step on each of four numbers changes the length by up to twice as much.
        error = max(float(most) - 1.0, 1.0 - float(least)) - 2.0 * stored.rounding
        lengths = np.sqrt(squares)
        spread = lengths if each == 1 else np.repeat(lengths, each)
        return np.divide(stored.values, spread[:, None], out=stored.values), max(error, 0.0)

    def _key_times(self, reference: Json, where: str) -> Array:
        number = self._document.index(reference, "accessors", where)
        if number not in self._times:
            times = self._accessors.numbers(number, "SCALAR", where).values[:, 0]
            steps = np.diff(times)
            if times[0] < 0.0 or not np.all(steps > 0.0):
                bad = 0 if times[0] < 0.0 else int(np.argmax(steps <= 0.0)) + 1
                raise self._document.refusal(
                    f"accessors[{number}], element {bad}",
                    f"the time {times[bad]:g} s "
                    + ("is before 0" if not bad else f"follows {times[bad - 1]:g} s"),
                    "Times of keys start at 0 or later, and increase; write the file again",
                )
            self._times[number] = times
        return self._times[number]
