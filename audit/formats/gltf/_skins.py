"""The skins of a glTF file: the points of its meshes, and the joints that carry them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from audit.formats.gltf._accessors import SMALL, UNSIGNED, Accessors
from audit.formats.gltf._document import Document
from audit.formats.gltf._json import Json
from audit.formats.gltf._origin import Origin
from audit.model import Skin

Array = npt.NDArray[np.float64]

LAST_ROW = 1e-4
"""How far the last row of an inverse bind matrix may be from 0 0 0 1 (our choice); it is taken for that."""


def read_skins(origin: Origin) -> tuple[Skin, ...]:
    """Return one skin for each mesh primitive that a skin carries, as the file has it.

    Of a mesh with morph targets the points are those of the mesh itself. What several nodes show with the same
    skin, and several primitives with the same points, counts once.

    Raises
    ------
    FormatError
        Where a skinned primitive lacks points, joints or weights, their numbers differ, a joint is none of the
        skin's, a weight is negative, or an inverse bind matrix moves no points.
    """
    reader = _Reader(origin)
    document = origin.document
    found: dict[tuple[Json, ...], Skin] = {}
    for number, node in enumerate(document.objects("nodes")):
        if "skin" not in node or "mesh" not in node:
            continue
        place = f"nodes[{number}]"
        skin = document.index(node["skin"], "skins", f"{place}.skin")
        mesh = document.index(node["mesh"], "meshes", f"{place}.mesh")
        where = f"meshes[{mesh}]"
        primitives = document.object_list(document.objects("meshes")[mesh], "primitives", where)
        name = _name(document, mesh)
        for part, primitive in enumerate(primitives):
            part_where = f"{where}.primitives[{part}].attributes"
            attributes = document.object(primitive, "attributes", part_where.rpartition(".")[0])
            key = (skin, *(str(attributes.get(each)) for each in _names(attributes)))
            if key not in found:
                part_name = name if len(primitives) == 1 else f"{name}, part {part + 1}"
                found[key] = reader.skin(skin, attributes, part_name, part_where)
    return tuple(found.values())


def _name(document: Document, mesh: int) -> str:
    """Return a mesh's name, "mesh_2" for the third one where it has none."""
    name = document.objects("meshes")[mesh].get("name")
    return name if isinstance(name, str) and name else f"mesh_{mesh}"


def _names(attributes: dict[str, Json]) -> list[str]:
    """Return the attributes that a skin is made of: points, then each set of joints and weights."""
    names = ["POSITION", "JOINTS_0", "WEIGHTS_0"]
    number = 1
    while f"JOINTS_{number}" in attributes or f"WEIGHTS_{number}" in attributes:
        names += [f"JOINTS_{number}", f"WEIGHTS_{number}"]
        number += 1
    return names


class _Reader:
    """Decodes what the skins of one file are made of."""

    def __init__(self, origin: Origin) -> None:
        self._origin = origin
        self._document = origin.document
        self._accessors = Accessors(origin.document)
        self._places = {node: joint for joint, node in enumerate(origin.joints)}
        self._binds: dict[int, Array] = {}

    def skin(self, number: int, attributes: dict[str, Json], name: str, where: str) -> Skin:
        """Return the skin of one primitive."""
        document, names = self._document, _names(attributes)
        for each in names:
            if each not in attributes:
                raise document.refusal(
                    where,
                    f"the primitive has a skin, but no {each}",
                    "Write the mesh with joints and weights, or its node without a skin",
                )
        points = self._accessors.numbers(
            attributes["POSITION"], "VEC3", f"{where}.POSITION", normalised=SMALL, plain=SMALL
        ).values
        joints = self._origin.tree.skins[number].joints
        sets = []
        for influences_name, weights_name in zip(names[1::2], names[2::2], strict=True):
            influences = self._accessors.numbers(
                attributes[influences_name],
                "VEC4",
                f"{where}.{influences_name}",
                floats=False,
                plain=UNSIGNED,
            ).values
            weights = self._accessors.numbers(
                attributes[weights_name], "VEC4", f"{where}.{weights_name}", normalised=UNSIGNED
            ).values
            for each, values in ((influences_name, influences), (weights_name, weights)):
                if len(values) != len(points):
                    raise document.refusal(
                        f"{where}.{each}",
                        f"there are {len(values):,} elements for {len(points):,} points",
                        "The file is damaged; write it again",
                    )
            self._check(influences, weights, len(joints), f"{where}.{influences_name}")
            # A share of nothing may name any joint.
            sets.append((np.where(weights > 0.0, influences, 0.0), weights))
        return Skin(
            name,
            np.array([self._places[node] for node in joints]),
            self._inverse_binds(number),
            points,
            np.concatenate([influences for influences, _ in sets], axis=1).astype(np.int64),
            np.concatenate([weights for _, weights in sets], axis=1),
        )

    def _check(self, influences: Array, weights: Array, joints: int, where: str) -> None:
        """Refuse joints that the skin does not have, and negative weights."""
        wrong = (weights > 0.0) & (influences >= joints)
        if wrong.any():
            point = int(np.argmax(wrong.any(axis=1)))
            joint = int(influences[wrong][0])
            raise self._document.refusal(
                f"{where}, point {point}",
                f"{joint} is none of the skin's {joints} joints, which are counted from 0",
                "The file is damaged; write it again",
            )
        if np.any(weights < 0.0):
            point = int(np.argmax(np.any(weights < 0.0, axis=1)))
            raise self._document.refusal(
                f"{where.replace('JOINTS', 'WEIGHTS')}, point {point}",
                "a weight is negative",
                "Weights are shares from 0 to 1; write the file again",
            )

    def _inverse_binds(self, number: int) -> Array:
        """Return the inverse bind matrices (S, 4, 4) of a skin; identity where the file has none."""
        if number not in self._binds:
            skin = self._origin.tree.skins[number]
            matrices = np.tile(np.eye(4), (len(skin.joints), 1, 1))
            if skin.inverse_bind is not None:
                where = f"skins[{number}].inverseBindMatrices"
                flat = self._accessors.numbers(skin.inverse_bind, "MAT4", where).values
                given = flat[: len(skin.joints)].reshape(-1, 4, 4).swapaxes(1, 2)
                off = np.any(np.abs(given[:, 3] - (0.0, 0.0, 0.0, 1.0)) > LAST_ROW, axis=1)
                if off.any():
                    raise self._document.refusal(
                        f"{where}, element {int(np.argmax(off))}",
                        "the matrix moves no points: its fourth row is not 0 0 0 1",
                        "glTF has translations in the fourth column: it may have been transposed",
                    )
                matrices[:, :3] = given[:, :3]
            self._binds[number] = matrices
        return self._binds[number]
