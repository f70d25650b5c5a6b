"""The nodes of a glTF file, and the skeleton that they make."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from audit.formats.gltf._document import Document
from audit.model import Skeleton
from audit.rotations.matrices import quaternion_from_matrix

Array = npt.NDArray[np.float64]

SHEAR = 1e-4
"""How far the cosine between two axes of a matrix may be from zero; matrices of 32-bit numbers with several
transforms in them stay below 1e-6."""


@dataclass(frozen=True, slots=True)
class Skin:
    """A skin: the nodes that are its joints, and its inverse bind matrices where the file has some."""

    joints: tuple[int, ...]
    inverse_bind: int | None


@dataclass(frozen=True, slots=True)
class Tree:
    """The nodes' hierarchy.

    Attributes
    ----------
    parents
        Number of each node's parent, −1 for a root.
    children
        Numbers of each node's children.
    skins
        The skins.
    """

    parents: tuple[int, ...]
    children: tuple[tuple[int, ...], ...]
    skins: tuple[Skin, ...]


def read_tree(document: Document) -> Tree:
    """Return the hierarchy of all nodes; FormatError where it is none."""
    nodes = document.objects("nodes")
    children = [
        tuple(document.indices(node, "children", "nodes", f"nodes[{number}]"))
        for number, node in enumerate(nodes)
    ]
    parents = [-1] * len(nodes)
    for number, below in enumerate(children):
        for child in below:
            if parents[child] >= 0:
                raise document.refusal(
                    f"nodes[{number}].children",
                    f"node {child} is a child of node {parents[child]} too",
                    "A node has one parent; take it out of one of them",
                )
            parents[child] = number
    # Whatever cannot be reached from a root lies on a circle, or below one.
    reached = [number for number, parent in enumerate(parents) if parent < 0]
    for number in reached:
        reached.extend(children[number])
    if len(reached) < len(nodes):
        lost = min(set(range(len(nodes))) - set(reached))
        raise document.refusal(
            f"nodes[{lost}]",
            "the node is below itself, or below one that is",
            "Parents and children may not go in a circle; correct the file",
        )
    skins = []
    for number, skin in enumerate(document.objects("skins")):
        where = f"skins[{number}]"
        joints = document.indices(skin, "joints", "nodes", where)
        if not joints:
            raise document.refusal(
                f"{where}.joints", "names no joint", "Take the skin out, or write the file again"
            )
        bind = skin.get("inverseBindMatrices")
        if bind is not None:
            bind = document.index(bind, "accessors", f"{where}.inverseBindMatrices")
        skins.append(Skin(tuple(joints), bind))
    return Tree(tuple(parents), tuple(children), tuple(skins))


def joint_nodes(tree: Tree, animated: Iterable[int]) -> tuple[int, ...]:
    """Return the nodes of the skeleton, parents before children and otherwise in the file's order.

    They are the joints of all skins, the animated nodes, and all nodes above those.
    """
    wanted: set[int] = set()
    for start in [*animated, *(joint for skin in tree.skins for joint in skin.joints)]:
        node = start
        while node >= 0 and node not in wanted:
            wanted.add(node)
            node = tree.parents[node]
    order: dict[int, None] = {}
    for start in sorted(wanted):
        chain = []
        node = start
        while node >= 0 and node not in order:
            chain.append(node)
            node = tree.parents[node]
        order.update(dict.fromkeys(reversed(chain)))
    return tuple(order)


def is_end_point(document: Document, tree: Tree, node: int) -> bool:
    """Tell whether a node outside the skeleton carries nothing: then it says where its joint ends."""
    held = document.objects("nodes")[node]
    return not tree.children[node] and not held.keys() & {"mesh", "camera", "skin", "extensions"}


def read_skeleton(document: Document, tree: Tree, joints: tuple[int, ...]) -> Skeleton:
    """Return the skeleton of some nodes with their rest transforms; FormatError where they have none."""
    nodes = document.objects("nodes")
    place_of = {node: place for place, node in enumerate(joints)}
    rests = [local_parts(document, node) for node in joints]
    tips = []
    for node in range(len(nodes)):
        if node in place_of or tree.parents[node] not in place_of:
            continue
        given = stated_parts(document, node)
        if is_end_point(document, tree, node):
            offset = given["matrix"][12:15] if "matrix" in given else given.get("translation")
            tips.append((place_of[tree.parents[node]], offset or (0.0, 0.0, 0.0)))
    return Skeleton(
        names=tuple(_name(document, node) for node in joints),
        parents=np.array([place_of.get(tree.parents[node], -1) for node in joints]),
        offsets=np.array([rest[0] for rest in rests]),
        rest_xyzw=np.array([rest[1] for rest in rests]),
        orders=(None,) * len(joints),
        tip_joints=np.array([joint for joint, _ in tips], dtype=np.int64),
        tip_offsets=np.array([offset for _, offset in tips]).reshape(-1, 3),
        rest_scales=np.array([rest[2] for rest in rests]),
    )


def _name(document: Document, number: int) -> str:
    """Return a node's name, "node_5" for the sixth node where it has none."""
    name = document.objects("nodes")[number].get("name", "")
    if not isinstance(name, str):
        raise document.refusal(f"nodes[{number}].name", "should be text", "Correct the file")
    return name or f"node_{number}"


def stated_parts(document: Document, number: int) -> dict[str, tuple[float, ...]]:
    """Return what a node states of its transform: translation, rotation and scale, or a matrix.

    Raises
    ------
    FormatError
        Where they are not numbers, or both a matrix and parts are given.
    """
    node = document.objects("nodes")[number]
    where = f"nodes[{number}]"
    counts = {"translation": 3, "rotation": 4, "scale": 3, "matrix": 16}
    given = {
        name: numbers
        for name, count in counts.items()
        if (numbers := document.numbers(node, name, count, where)) is not None
    }
    if "matrix" in given and len(given) > 1:
        raise document.refusal(
            where, "has both a matrix and parts of one", "Take the matrix out, or the parts"
        )
    return given


def local_parts(document: Document, number: int) -> tuple[Array, Array, Array]:
    """Return translation (3,), rotation (4,) of unit length and scale (3,) of a node.

    Raises
    ------
    FormatError
        Where they are not numbers, the rotation has no length, both a matrix and parts are given, or the
        matrix cannot be taken apart.
    """
    where = f"nodes[{number}]"
    given = stated_parts(document, number)
    matrix = given.get("matrix")
    if matrix is None:
        quaternion = np.array(given.get("rotation", (0.0, 0.0, 0.0, 1.0)))
        largest = float(np.max(np.abs(quaternion)))
        if largest < 1e-30:
            raise document.refusal(
                f"{where}.rotation",
                "the quaternion has no length",
                "Rotations are quaternions of unit length; write the file again",
            )
        if not 0.1 < largest <= 1.0:  # its square may be more, or less, than a number holds
            quaternion = quaternion / largest
        length = float(np.linalg.norm(quaternion))
        # One that is of unit length but for its last bit stays, so that what is written reads back the same.
        if abs(length - 1.0) > 4e-16:
            quaternion = quaternion / length
        translation = np.array(given.get("translation", (0.0, 0.0, 0.0)))
        return translation, quaternion, np.array(given.get("scale", (1.0, 1.0, 1.0)))
    return _taken_apart(document, np.array(matrix).reshape(4, 4).T, where)


def _taken_apart(document: Document, matrix: Array, where: str) -> tuple[Array, Array, Array]:
    """Return translation, rotation and scale whose product is a matrix (4, 4) for column vectors."""
    where = f"{where}.matrix"
    if np.any(matrix[3] != [0.0, 0.0, 0.0, 1.0]):
        raise document.refusal(
            where, "its fourth row is not 0 0 0 1", "It moves no points; write the file again"
        )
    linear = matrix[:3, :3]
    largest = float(np.max(np.abs(linear)))
    scale = np.linalg.norm(linear / (largest or 1.0), axis=0) * largest
    if not 1e-30 < largest < 1e30 or not np.all(scale > 1e-12 * largest):
        raise document.refusal(
            where,
            "it flattens a direction to nothing, or stretches it beyond measure: it has no rotation",
            "Give the node translation, rotation and scale apart",
        )
    turn = linear / scale
    if np.linalg.det(turn) < 0.0:
        # A mirrored node. With all three scales negative the mirror has no direction of its own, and goes
        # along with any turn of the axes.
        scale, turn = -scale, -turn
    shear = np.max(np.abs(turn.T @ turn - np.eye(3)))
    if shear > SHEAR:
        raise document.refusal(
            where,
            f"it shears: two of its axes are {np.rad2deg(np.arcsin(min(shear, 1.0))):.2f}° away from a "
            "right angle, which no rotation and scale can say",
            "glTF allows no shear in a node; write the file again with the shear in the mesh",
        )
    return matrix[:3, 3].copy(), quaternion_from_matrix(turn), scale
