"""What a shot keeps of the glTF file it was read from."""

from __future__ import annotations

from dataclasses import dataclass

from audit.formats.gltf._animations import Animation
from audit.formats.gltf._document import Document
from audit.formats.gltf._nodes import Tree
from audit.model import Skeleton, Tracks
from audit.model.frozen import Frozen


@dataclass(frozen=True, eq=False)
class Origin(Frozen):
    """The file, and what of it the shot was made of.

    Attributes
    ----------
    document, tree
        The file; all shots of a file share them.
    joints
        Number of each joint's node.
    animation
        The animation that the shot is, None for the rest pose of a file without one.
    animations
        Numbers of all animations that became shots.
    skeleton, tracks
        As they were read: what still equals them is written as it stands in the file.
    """

    document: Document
    tree: Tree
    joints: tuple[int, ...]
    animation: Animation | None
    animations: tuple[int, ...]
    skeleton: Skeleton
    tracks: Tracks
