"""Reading what a layer says of skeletons and of the animations of their joints."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import numpy as np

from audit.errors import FormatError
from audit.formats.usd._layer import library
from audit.formats.usd._records import Animation, Bones, Samples
from audit.model.skeleton import Array, Indices
from audit.wording import plural

MOST_JOINTS = 1 << 16
MOST_KEYS = 1 << 24
"""Joints of a skeleton, and keys of one property of all joints together. A binary layer may name one array a
million times, so its size is no limit. Our choice: 61 joints at 60 frames a second for 76 minutes."""

LARGEST = 1e100
"""What no number of a pose reaches; beyond it, products of poses could not be held. Our choice."""

FLAT = 1e-30
"""A matrix with a smaller determinant has no inverse that could be worked with. Our choice."""

COMPONENTS = ("rotations", "translations", "scales")
_TYPES = {"rotations": "QuatfArray", "translations": "Float3Array", "scales": "Half3Array"}
_WIDTHS = {"rotations": 4, "translations": 3, "scales": 3}


class Reader:
    """Reads the prims of one layer.

    Parameters
    ----------
    layer
        The layer, see :func:`audit.formats.usd._layer.layer_of`.
    path
        Path of the file, for error messages.
    """

    def __init__(self, layer: Any, path: str) -> None:
        self.layer = layer
        self.path = path

    def error(self, cause: str, where: str, hint: str) -> FormatError:
        """Return an error that names this file."""
        return FormatError(cause, path=self.path, where=where, hint=hint)

    def time_codes_per_second(self) -> float:
        """Return the time codes in a second: the layer's, else its frames a second, else 24.

        That is the order in which OpenUSD itself looks (``UsdStage::GetTimeCodesPerSecond``).
        """
        rate = 24.0
        if self.layer.HasTimeCodesPerSecond():
            rate = self.layer.timeCodesPerSecond
        elif self.layer.HasFramesPerSecond():
            rate = self.layer.framesPerSecond
        if not (np.isfinite(rate) and rate > 0.0):
            raise self.error(
                f"has {rate:g} time codes a second",
                "timeCodesPerSecond",
                "Give it a number above 0",
            )
        return float(rate)

    def prims(self, kind: str) -> Iterator[Any]:
        """Yield the defined, active prims of a type, as they stand in the layer, parents first."""
        defined = library("Sdf").SpecifierDef
        waiting = list(reversed(list(self.layer.rootPrims)))
        while waiting:
            prim = waiting.pop()
            if prim.specifier == defined and prim.active:
                if prim.typeName == kind:
                    yield prim
                waiting += reversed(list(prim.nameChildren))

    def arcs(self) -> tuple[str, ...]:
        """Return what the layer asks to be composed, none of which is followed."""
        found = {"sublayers"} if len(self.layer.subLayerPaths) else set()
        waiting = list(self.layer.rootPrims)
        while waiting:
            prim = waiting.pop()
            for there, words in (
                (prim.hasReferences, "references"),
                (prim.hasPayloads, "payloads"),
                (prim.hasInheritPaths, "inherits"),
                (prim.hasSpecializes, "specializes"),
                (prim.HasInfo("variantSetNames"), "variants"),
                (prim.HasInfo("clips"), "value clips"),
            ):
                if there:
                    found.add(words)
            waiting += list(prim.nameChildren)
        return tuple(sorted(found))

    def hint(self, advice: str) -> str:
        """Return a hint that says first what was not followed, where there is such a thing."""
        arcs = self.arcs()
        if not arcs:
            return f"{advice[0].upper()}{advice[1:]}"
        return f"Not followed here: {', '.join(arcs)}. Flatten it to one layer; or {advice}"

    def bones(self, prim: Any) -> Bones:
        """Return what a ``Skeleton`` prim says."""
        where = str(prim.path)
        joints = self.tokens(prim, "joints", unique=True)
        if not joints:
            raise self.error(
                "has no joints",
                f"{where}.joints",
                self.hint("write the list of its joints into the file"),
            )
        parents = _parents(joints)
        wrong = np.flatnonzero(parents >= np.arange(len(joints)))
        if len(wrong):
            joint = joints[int(wrong[0])]
            raise self.error(
                f"joint {joint!r} comes before its parent",
                f"{where}.joints",
                "List every parent before its children, and the transforms in the same order",
            )
        return Bones(where, joints, self._names(prim, joints), parents, self._rest(prim, parents))

    def matrices(
        self, prim: Any, name: str, count: int | None, kind: str = "Matrix4dArray"
    ) -> Array | None:
        """Return matrices (count, 4, 4) in column form, None where the file gives none."""
        where = f"{prim.path}.{name}"
        value = self.value(prim, name, kind, count)
        if value is None:
            return None
        matrices: Array = np.array(value, dtype=np.float64).reshape(-1, 4, 4).swapaxes(1, 2)
        if not np.all(np.abs(matrices) < LARGEST):  # which is false for NaN as well
            raise self.error(
                "holds a number that is not finite, or far too large", where, "Write the pose again"
            )
        if np.any(np.abs(matrices[:, 3] - (0.0, 0.0, 0.0, 1.0)) > 1e-6):
            raise self.error(
                "holds a matrix that does not end in 0, 0, 0, 1",
                where,
                "USD has translations in the last row of a matrix: it may have been transposed",
            )
        matrices[:, 3] = (0.0, 0.0, 0.0, 1.0)
        return matrices

    def binding(self, prim: Any) -> str | None:
        """Return the path of the animation that a skeleton, or a prim above it, is bound to, or None."""
        path = prim.path
        while not path.isEmpty and not path.IsAbsoluteRootPath():
            targets = self.targets(path, "skel:animationSource", "animations")
            if targets is not None:
                return targets[0] if targets else None
            path = path.GetParentPath()
        return None

    def targets(self, path: Any, name: str, kind: str) -> list[str] | None:
        """Return what a relationship names, one at most; None where it does not say."""
        relation = self.layer.GetRelationshipAtPath(path.AppendProperty(name))
        if relation is None or not relation.HasInfo("targetPaths"):
            return None
        targets = [str(each) for each in relation.targetPathList.GetAppliedItems()]
        if len(targets) > 1:
            raise self.error(f"names {len(targets)} {kind}", str(relation.path), "Name one")
        return targets

    def moved_joints(self, prim: Any) -> tuple[str, ...]:
        """Return the joints that a ``SkelAnimation`` prim lists, none where it moves blend shapes only."""
        return self.tokens(prim, "joints", unique=True)

    def animation(self, prim: Any, joints: tuple[str, ...]) -> Animation:
        """Return what a ``SkelAnimation`` prim says of its joints."""
        samples: dict[str, Samples] = {}
        for name in COMPONENTS:
            found = self._samples(prim, name, joints)
            if found is None:
                # UsdSkel plays the rest pose then, without a word.
                raise self.error(
                    f"has no {name}",
                    str(prim.path),
                    self.hint(
                        "write rotations, translations and scales: UsdSkel plays an animation only "
                        "where it has all three"
                    ),
                )
            samples[name] = found
        return Animation(str(prim.path), joints, samples)

    def _names(self, prim: Any, joints: tuple[str, ...]) -> tuple[str, ...]:
        """Return the names of the joints: those the file states, else the last part of each path."""
        stated = self.tokens(prim, "jointNames")
        if stated and len(stated) != len(joints):
            raise self.error(
                f"names {len(stated)} joints, but there are {len(joints)}",
                f"{prim.path}.jointNames",
                "Give one name a joint, or none",
            )
        if stated:
            return stated
        last = [joint.rpartition("/")[2] for joint in joints]
        seen: dict[str, int] = {}
        for name in last:
            seen[name] = seen.get(name, 0) + 1
        return tuple(
            name if seen[name] == 1 else joint for name, joint in zip(last, joints, strict=True)
        )

    def _rest(self, prim: Any, parents: Indices) -> Array:
        """Return the rest transforms, or where the file has none those that the bind pose means."""
        rest = self.matrices(prim, "restTransforms", len(parents))
        bind = self.matrices(prim, "bindTransforms", len(parents))
        if rest is not None:
            return rest
        if bind is None:
            raise self.error(
                "has neither restTransforms nor bindTransforms",
                str(prim.path),
                self.hint("write its rest pose into the file"),
            )
        if np.any(np.abs(np.linalg.det(bind)) < FLAT):
            raise self.error(
                "holds a matrix that cannot be inverted",
                f"{prim.path}.bindTransforms",
                "Give the joints a scale that is not 0",
            )
        above = np.where((parents >= 0)[:, None, None], bind[parents], np.eye(4))
        return np.asarray(np.linalg.solve(above, bind), dtype=np.float64)

    def tokens(self, prim: Any, name: str, *, unique: bool = False) -> tuple[str, ...]:
        """Return the texts of an attribute, none where the file has none."""
        value = self.value(prim, name, "TokenArray", None)
        if value is None:
            return ()
        where = f"{prim.path}.{name}"
        if len(value) > MOST_JOINTS:
            raise self.error(f"lists more than {MOST_JOINTS} joints", where, "Split the skeleton")
        tokens = tuple(str(each) for each in value)
        if unique and len(set(tokens)) != len(tokens):
            in_order = sorted(tokens)
            twice = next(one for one, two in pairwise(in_order) if one == two)
            raise self.error(f"lists joint {twice!r} twice", where, "Give every joint its own path")
        if unique and any("" in each.removeprefix("/").split("/") for each in tokens):
            raise self.error(
                "lists a joint without a name",
                where,
                "Write every joint as a path such as Hip/Knee",
            )
        return tokens

    def value(self, prim: Any, name: str, kind: str, count: int | None) -> Any:
        """Return the value for all time of an attribute, None where the file has none."""
        attribute = self.attribute(prim, name, kind)
        if attribute is None or not attribute.HasInfo("default"):
            return None
        value = attribute.default
        if value is None or isinstance(value, library("Sdf").ValueBlock):
            return None
        self._check_count(value, count, str(attribute.path))
        return value

    def attribute(self, prim: Any, name: str, kind: str) -> Any:
        """Return an attribute that must be of a type; None where the prim has none of that name."""
        attribute = self.layer.GetAttributeAtPath(prim.path.AppendProperty(name))
        if attribute is None:
            return None
        wanted = getattr(library("Sdf").ValueTypeNames, kind)
        if attribute.typeName != wanted:
            raise self.error(
                f"is of type {attribute.typeName}, not {wanted}",
                str(attribute.path),
                "UsdSkel reads this type only; write it so",
            )
        return attribute

    def _check_count(self, value: Any, count: int | None, where: str) -> None:
        """Raise FormatError where an array does not hold one value a joint."""
        if count is not None and len(value) != count:
            held = f"holds {plural(len(value), 'value')} for {plural(count, 'joint')}"
            raise self.error(held, where, "Give one value a joint")

    def _samples(self, prim: Any, name: str, joints: tuple[str, ...]) -> Samples | None:
        """Return the samples of one component; None where the file has none."""
        attribute = self.attribute(prim, name, _TYPES[name])
        if attribute is None:
            return None
        where, count = str(attribute.path), len(joints)
        codes = np.array(self.layer.ListTimeSamplesForPath(attribute.path), dtype=np.float64)
        if not np.isfinite(codes).all() or np.any(np.diff(codes) <= 0.0):
            raise self.error(
                "has time codes that do not increase", where, "Write the animation again"
            )
        if len(codes) * count > MOST_KEYS:
            raise self.error(f"has more than {MOST_KEYS} keys", where, "Split the shot")
        if len(codes):
            blocked, path, query = (
                library("Sdf").ValueBlock,
                attribute.path,
                self.layer.QueryTimeSample,
            )
            values = np.zeros((len(codes), count, _WIDTHS[name]), dtype=np.float64)
            for row, code in enumerate(codes.tolist()):
                value = query(path, code)
                if value is None or isinstance(value, blocked):
                    raise self.error(
                        "has no value",
                        f"{where}, time code {code:g}",
                        "Remove the sample, or give it values",
                    )
                if len(value) != count:
                    self._check_count(value, count, f"{where}, time code {code:g}")
                values[row] = np.asarray(value)
        else:
            value = self.value(prim, name, _TYPES[name], count)
            if value is None:
                return None
            values = np.array(value, dtype=np.float64).reshape(1, count, _WIDTHS[name])
        self._check_numbers(values, name, where, codes, joints)
        return Samples(codes, values)

    def _check_numbers(
        self, values: Array, name: str, where: str, codes: Array, joints: tuple[str, ...]
    ) -> None:
        """Raise FormatError where a number is not finite, or a quaternion has no length."""
        bad = ~np.isfinite(values).all(axis=2)
        cause = "holds a number that is not finite"
        if name == "rotations" and not bad.any():
            bad = np.sum(values**2, axis=2) < 1e-20
            cause = "holds a quaternion of length 0"
        if not bad.any():
            return
        row, joint = (int(each) for each in np.argwhere(bad)[0])
        time = f", time code {codes[row]:g}" if len(codes) else ""
        raise self.error(cause, f"{where}{time}, joint {joints[joint]}", "Write the key again")


def _parents(joints: tuple[str, ...]) -> Indices:
    """Return the place of each joint's parent: the nearest path above it that is a joint, −1 for none."""
    places = {joint: place for place, joint in enumerate(joints)}
    parents = np.full(len(joints), -1, dtype=np.int64)
    for place, joint in enumerate(joints):
        above = joint.rpartition("/")[0]
        while above and above not in places:
            above = above.rpartition("/")[0]
        parents[place] = places.get(above, -1) if above else -1
    return parents
