"""The skins of a layer: the points of its meshes, and the joints that carry them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from audit.formats.usd._layer import layer_of, library
from audit.formats.usd._parts import FLAT, Reader
from audit.formats.usd._records import Bones
from audit.formats.usd._scene import Origin
from audit.model import Skin
from audit.model.skeleton import Array, Indices

POINT_BASED = (
    "Mesh",
    "Points",
    "BasisCurves",
    "NurbsCurves",
    "HermiteCurves",
    "NurbsPatch",
    "TetMesh",
)
"""Types of prims that have points."""

MOST_NUMBERS = 1 << 27
"""Shares of joints in points that are read of one prim: a small file may name one array many times. Our choice:
eight million points with sixteen joints each."""

_INDICES = "primvars:skel:jointIndices"
_WEIGHTS = "primvars:skel:jointWeights"
_SPACE = "primvars:skel:geomBindTransform"
_JOINTS = "skel:joints"
_KINDS = {
    _INDICES: "IntArray",
    _WEIGHTS: "FloatArray",
    _SPACE: "Matrix4d",
    _JOINTS: "TokenArray",
}


@dataclass(frozen=True, slots=True)
class _Binding:
    """What is bound on a prim or above it: the skeleton's path, and the prim that states each property."""

    skeleton: str | None = None
    stated: tuple[tuple[str, Any], ...] = ()

    def at(self, name: str) -> Any:
        """Return the prim that states a property, None where none does."""
        return dict(self.stated).get(name)


def read_skins(origin: Origin) -> tuple[Skin, ...]:
    """Return one skin for each prim with points that is bound to the shots' skeleton, as the file has it.

    Raises
    ------
    FormatError
        Where a bound prim lacks points, joints or weights, or these do not fit each other or the skeleton.
    """
    with layer_of(origin.data, origin.path) as layer:
        reader = Reader(layer, origin.path)
        skeletons = {
            str(prim.path): (prim, reader.bones(prim))
            for prim in reader.prims("Skeleton")
            if str(prim.path) in origin.skeletons
        }
        found = [
            _skin(reader, prim, binding, *skeletons[binding.skeleton])
            for prim, binding in _bound(reader)
            if binding.skeleton in skeletons
        ]
    return tuple(skin for skin in found if skin is not None)


def _bound(reader: Reader) -> Iterator[tuple[Any, _Binding]]:
    """Yield the prims with points below a ``SkelRoot``, each with what is bound there, in the layer's order."""
    waiting = [(root, _Binding()) for root in reader.prims("SkelRoot")]
    waiting.reverse()
    seen: set[str] = set()
    while waiting:
        prim, above = waiting.pop()
        if str(prim.path) in seen:  # a root inside another
            continue
        seen.add(str(prim.path))
        binding = _own(reader, prim, above)
        if prim.typeName in POINT_BASED:
            yield prim, binding
        waiting += [
            (child, binding)
            for child in reversed(list(prim.nameChildren))
            if child.specifier == library("Sdf").SpecifierDef and child.active
        ]


def _own(reader: Reader, prim: Any, above: _Binding) -> _Binding:
    """Return what is bound on a prim: its own, else what it inherits."""
    skeleton = above.skeleton
    targets = reader.targets(prim.path, "skel:skeleton", "skeletons")
    if targets is not None:
        skeleton = targets[0] if targets else None
    stated = dict(above.stated)
    for name, kind in _KINDS.items():
        attribute = reader.attribute(prim, name, kind)
        if attribute is not None and (
            attribute.HasInfo("default") or reader.layer.ListTimeSamplesForPath(attribute.path)
        ):
            stated[name] = prim
    return replace(above, skeleton=skeleton, stated=tuple(stated.items()))


def _skin(
    reader: Reader, prim: Any, binding: _Binding, bones_prim: Any, bones: Bones
) -> Skin | None:
    """Return the skin of a prim, None where no joint carries it."""
    if binding.at(_INDICES) is None and binding.at(_WEIGHTS) is None:
        return None
    for name, what in ((_INDICES, "joints"), (_WEIGHTS, "weights")):
        if binding.at(name) is None:
            raise reader.error(
                f"has no {what} for its points, though the other half is there",
                f"{prim.path}.{name}",
                "Write jointIndices and jointWeights, or neither",
            )
    points = _points(reader, prim)
    places = _places(reader, binding, bones)
    influences, weights = _shares(reader, binding, len(points), len(places))
    inverse = _inverse_binds(reader, bones_prim, len(bones.joints))[places]
    holder = binding.at(_SPACE)
    if holder is not None:
        space = reader.matrices(holder, _SPACE, None, "Matrix4d")
        if space is None:
            raise reader.error(
                "has no value for all time", f"{holder.path}.{_SPACE}", "Write one, without samples"
            )
        inverse = inverse @ space[0]
    return Skin(prim.name, places, inverse, points, influences, weights)


def _points(reader: Reader, prim: Any) -> Array:
    """Return the points (V, 3) of a prim: the value for all time, else that of the first sample."""
    where = f"{prim.path}.points"
    value = reader.value(prim, "points", "Point3fArray", None)
    if value is None:
        codes = reader.layer.ListTimeSamplesForPath(where)
        value = reader.layer.QueryTimeSample(where, codes[0]) if codes else None
    if value is None or isinstance(value, library("Sdf").ValueBlock):
        raise reader.error(
            "has joints, but no points", str(prim.path), reader.hint("write its points")
        )
    points: Array = np.array(value, dtype=np.float64).reshape(-1, 3)
    if not np.isfinite(points).all():
        raise reader.error("holds a number that is not finite", where, "Write the points again")
    return points


def _places(reader: Reader, binding: _Binding, bones: Bones) -> Indices:
    """Return the places (S,) in the skeleton of the joints that a prim lists, or of all."""
    holder = binding.at(_JOINTS)
    if holder is None:
        return np.arange(len(bones.joints))
    places = {joint: place for place, joint in enumerate(bones.joints)}
    listed = reader.tokens(holder, _JOINTS)
    for joint in listed:
        if joint not in places:
            raise reader.error(
                f"lists {joint!r}, which is no joint of {bones.path}",
                f"{holder.path}.{_JOINTS}",
                "List joints as paths, as the skeleton has them",
            )
    return np.array([places[joint] for joint in listed], dtype=np.int64)


def _shares(reader: Reader, binding: _Binding, points: int, joints: int) -> tuple[Indices, Array]:
    """Return the influences and weights (V, K) of the points."""
    (indices, *rule), (weights, *other) = (
        _primvar(reader, binding.at(name), name) for name in (_INDICES, _WEIGHTS)
    )
    where = f"{binding.at(_WEIGHTS).path}.{_WEIGHTS}"
    if rule != other or indices.shape != weights.shape:
        raise reader.error(
            f"says {weights.size} weights ({other[0]}), but there are {indices.size} joints ({rule[0]})",
            where,
            "Give both the same elementSize, interpolation and number of values",
        )
    rows = 1 if rule == ["constant"] else points
    if len(weights) != rows:
        raise reader.error(
            f"has shares for {len(weights)} points, but {rows} are wanted",
            where,
            "Give every point its shares, or all points the same ones with constant interpolation",
        )
    if points * weights.shape[1] > MOST_NUMBERS:
        raise reader.error(f"has more than {MOST_NUMBERS} shares", where, "Split the mesh")
    if not np.isfinite(weights).all():
        raise reader.error("holds a weight that is not finite", where, "Write the weights again")
    wrong = (weights != 0.0) & ((indices < 0) | (indices >= joints))
    if wrong.any():
        raise reader.error(
            f"names joint {int(indices[wrong][0])}, but there are {joints}, counted from 0",
            f"{binding.at(_INDICES).path}.{_INDICES}",
            "Correct the numbers, or write the mesh again",
        )
    # A share of nothing may name any joint.
    influences = np.where(weights != 0.0, indices, 0).astype(np.int64)
    shape = (points, weights.shape[1])
    return np.broadcast_to(influences, shape), np.broadcast_to(weights, shape)


def _primvar(reader: Reader, prim: Any, name: str) -> tuple[Array, str]:
    """Return the values (rows, elementSize) of a property of points, and its interpolation."""
    where = f"{prim.path}.{name}"
    attribute = reader.attribute(prim, name, _KINDS[name])
    value = reader.value(prim, name, _KINDS[name], None)
    if value is None:
        raise reader.error("has no value for all time", where, "UsdSkel takes no other; write one")
    rule = attribute.GetInfo("interpolation") if attribute.HasInfo("interpolation") else "constant"
    if rule not in ("constant", "vertex"):
        raise reader.error(
            f"has the interpolation {rule!r}",
            where,
            "UsdSkel takes constant and vertex; write one of them",
        )
    size = attribute.GetInfo("elementSize") if attribute.HasInfo("elementSize") else 1
    values: Array = np.array(value, dtype=np.float64)
    if size < 1 or len(values) % size:
        raise reader.error(
            f"has {len(values)} values, which is no multiple of its elementSize {size}",
            where,
            "Write the mesh again",
        )
    values = values.reshape(-1, size)
    order = reader.value(prim, f"{name}:indices", "IntArray", None)
    if order is not None:
        rows = np.array(order, dtype=np.int64)
        if np.any((rows < 0) | (rows >= len(values))):
            raise reader.error(
                f"points past its {len(values)} elements",
                f"{where}:indices",
                "Write the mesh again",
            )
        values = values[rows]
    return values, str(rule)


def _inverse_binds(reader: Reader, prim: Any, joints: int) -> Array:
    """Return the inverses (J, 4, 4) of a skeleton's bind transforms."""
    bind = reader.matrices(prim, "bindTransforms", joints)
    where = f"{prim.path}.bindTransforms"
    if bind is None:
        raise reader.error(
            "has no bindTransforms, but meshes that it carries",
            where,
            reader.hint("write the pose in which the meshes were bound"),
        )
    if np.any(np.abs(np.linalg.det(bind)) < FLAT):
        raise reader.error(
            "holds a matrix that cannot be inverted", where, "Give the joints a scale that is not 0"
        )
    return np.asarray(np.linalg.inv(bind), dtype=np.float64)
