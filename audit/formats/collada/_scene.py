"""The scene: its nodes, their transforms, and the curves that animate them."""

from __future__ import annotations

import re
from collections import deque
from dataclasses import dataclass, field
from typing import Final

from audit.formats.collada._curves import Curve, curve_of
from audit.formats.collada._numbers import Array, numbers_in
from audit.formats.collada._xml import Element, children, fault, first, kind, local_id

COUNTS: Final = {"translate": 3, "rotate": 4, "scale": 3, "matrix": 16}
"""Numbers of each transform that is read."""

UNREAD: Final = ("lookat", "skew")

MEMBERS: Final = {
    "translate": ("X", "Y", "Z"),
    "rotate": ("X", "Y", "Z", "ANGLE"),
    "scale": ("X", "Y", "Z"),
    "matrix": (),
}
ANGLE: Final = 3

_MEMBER = re.compile(r"(.+)\.([A-Za-z]+)")
_INDEX = re.compile(r"([^()]+)((?:\(\d{1,3}\))+)")


@dataclass(eq=False, slots=True)
class Transform:
    """One transform of a node.

    Attributes
    ----------
    kind, element
        Name of the element, and the element.
    values : (n,)
        Its numbers as the document states them.
    curves
        By place of the number that each animates; −1 for a curve of all of them.
    """

    kind: str
    element: Element
    values: Array
    curves: dict[int, Curve] = field(default_factory=dict)

    @property
    def animated(self) -> bool:
        """Whether a curve animates it."""
        return bool(self.curves)


@dataclass(eq=False, slots=True)
class Node:
    """One node: its place among the nodes, its parent's (−1 for none), its name and its transforms in order."""

    element: Element
    parent: int
    name: str
    transforms: list[Transform]

    @property
    def is_joint(self) -> bool:
        """Whether the document calls it one, or animates it."""
        return self.element.get("type") == "JOINT" or any(each.animated for each in self.transforms)


class Scene:
    """The nodes of a document, with their curves.

    Parameters
    ----------
    root
        Root element of the document.
    path
        Of the file, for error messages.

    Raises
    ------
    FormatError
        Where the document breaks the format's rules.
    """

    def __init__(self, root: Element, path: str) -> None:
        self.path = path
        self.root = root
        self.nodes: list[Node] = []
        self._by_element: dict[Element, Transform] = {}
        self._elements: set[Element] = set()
        self._ids: dict[str, list[Element]] = {}
        for element in root.iter():
            if kind(element) and element.get("id"):
                self._ids.setdefault(element.get("id"), []).append(element)
        self._read_nodes(self._visual_scene())
        self._read_curves()

    def joints(self) -> list[int]:
        """Return the places of the joints and of all nodes above them, parents first."""
        wanted: set[int] = set()
        for place, node in enumerate(self.nodes):
            if node.is_joint:
                while place >= 0 and place not in wanted:
                    wanted.add(place)
                    place = self.nodes[place].parent  # noqa: PLW2901 (climbs to the root)
        return sorted(wanted)

    def _visual_scene(self) -> Element:
        """Return the scene that the document shows, or the only one that it has."""
        scenes = [
            each
            for library in children(self.root, "library_visual_scenes")
            for each in children(library, "visual_scene")
        ]
        shown = first(self.root, "scene")
        instance = None if shown is None else first(shown, "instance_visual_scene")
        if instance is not None:
            wanted = local_id(self.path, instance, "url")
            scenes = [each for each in scenes if each.get("id") == wanted]
        if len(scenes) != 1:
            raise fault(
                self.path,
                self.root if instance is None else instance,
                "has no visual scene" if not scenes else f"has {len(scenes)} visual scenes",
                "A document shows one by instance_visual_scene; that is where its skeleton is",
            )
        return scenes[0]

    def _read_nodes(self, scene: Element) -> None:
        """Fill the list of nodes, parents first."""
        waiting = [(element, -1) for element in reversed(list(children(scene, "node")))]
        while waiting:
            element, parent = waiting.pop()
            place = len(self.nodes)
            self._elements.add(element)
            name = element.get("name") or element.get("id") or element.get("sid")
            transforms = []
            for child in children(element, *COUNTS, *UNREAD):
                count = COUNTS.get(kind(child))
                values = numbers_in(self.path, child, count)
                transforms.append(Transform(kind(child), child, values))
                self._by_element[child] = transforms[-1]
            self.nodes.append(Node(element, parent, name or f"node {place}", transforms))
            waiting += [(child, place) for child in reversed(list(children(element, "node")))]

    def _read_curves(self) -> None:
        """Give every animated transform its curves."""
        samplers: dict[str, Curve] = {}
        for library in children(self.root, "library_animations"):
            for channel in library.iter():
                if kind(channel) != "channel":
                    continue
                found = self._target(channel)
                if found is None:
                    continue
                transform, number = found
                wanted = local_id(self.path, channel, "source")
                if wanted not in samplers:
                    sampler = self._one(channel, wanted, "sampler")
                    samplers[wanted] = curve_of(
                        self.path, sampler, lambda at, name: self._one(at, name, "source")
                    )
                self._animate(channel, transform, number, samplers[wanted])

    def _animate(self, channel: Element, transform: Transform, number: int, curve: Curve) -> None:
        """Put a curve on a transform, or on one of its numbers."""
        width = len(transform.values) if number < 0 else 1
        if curve.values.shape[1] != width:
            raise fault(
                self.path,
                channel,
                f"animates {width} numbers of {transform.kind} by a curve of {curve.values.shape[1]}",
                "Target one number, such as rotateX.ANGLE, or write a curve of all of them",
            )
        if (
            number in transform.curves
            or -1 in transform.curves
            or (number < 0 and transform.animated)
        ):
            raise fault(
                self.path,
                channel,
                f"{channel.get('target')!r} is animated twice",
                "Leave one of the two channels out",
            )
        transform.curves[number] = curve

    def _one(self, at: Element, wanted: str, what: str) -> Element:
        """Return the element of an id; it has to be there once and of the right kind."""
        found = [each for each in self._ids.get(wanted, []) if kind(each) == what]
        if len(found) != 1:
            raise fault(
                self.path,
                at,
                f"names the {what} {wanted!r}, which "
                + ("does not exist" if not found else f"is there {len(found)} times"),
                "Correct the id",
            )
        return found[0]

    def _target(self, channel: Element) -> tuple[Transform, int] | None:
        """Return the transform that a channel animates and the place of the number in it, −1 for all.

        None where it animates something else than a transform of a node: a light, a weight, a colour.
        """
        target = channel.get("target") or ""
        name, *rest = target.split("/")
        holders = self._ids.get(name if rest else re.split(r"[.(]", name)[0], [])
        if not holders:
            raise fault(
                self.path,
                channel,
                f"the target {target[:60]!r} names nothing in the file",
                "A target is the id of a node and the sid of its transform: Hips/rotateX.ANGLE",
            )
        if not any(each in self._elements for each in holders):
            return None
        if len(holders) > 1:
            raise fault(
                self.path,
                channel,
                f"the id {name!r} is there {len(holders)} times",
                "Make it unique",
            )
        element: Element | None = holders[0]
        for step in rest[:-1]:
            element = None if element is None else _below(element, step)
        last, member, indices = rest[-1] if rest else "", "", ""
        found = None if element is None else _below(element, last)
        if found is None and element is not None:
            if split := _INDEX.fullmatch(last):
                last, indices = split[1], split[2]
            elif split := _MEMBER.fullmatch(last):
                last, member = split[1], split[2]
            found = _below(element, last)
        if found is None:
            raise fault(
                self.path,
                channel,
                f"the target {target[:60]!r} names nothing in the file",
                f"No transform below {name!r} has the sid {last[:40]!r}",
            )
        transform = self._by_element.get(found)
        if transform is None:
            return None
        return transform, self._number(channel, transform, member, indices)

    def _number(self, channel: Element, transform: Transform, member: str, indices: str) -> int:
        """Return the place of the number that a target names within its transform."""
        members = MEMBERS.get(transform.kind, ())
        if not member and not indices:
            return -1
        if member in members:
            return members.index(member)
        single = re.fullmatch(r"\((\d+)\)", indices)
        if single and int(single[1]) < len(members):
            return int(single[1])
        raise fault(
            self.path,
            channel,
            f"the target {channel.get('target')!r} names no number of a {transform.kind} that is read",
            f"There are {', '.join(members)}" if members else "Animate the whole of it",
        )


def _below(element: Element, sid: str) -> Element | None:
    """Return the element of a sid below another, the nearest level first; None where there is none."""
    waiting = deque(children(element))
    while waiting:
        each = waiting.popleft()
        if each.get("sid") == sid:
            return each
        waiting.extend(children(each))
    return None
