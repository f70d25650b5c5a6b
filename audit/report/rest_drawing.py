"""A rig at rest as a drawing: limbs, joints with their axes, floor and mirror plane, and where findings are.

Axes are told apart by their letters and by their lines, X solid, Y dashed, Z dotted; colour comes second. Marks
stand in a column on either side, so that they cover nothing, and a thin line leads to the joint.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from audit.conventions import AXES
from audit.plugins import Finding
from audit.report.rest_views import ABOVE, ASIDE, BELOW, View
from audit.report.svg import attributes, drawing, kept_apart, line, number, text
from audit.report.words import shown
from audit.resting import RestExamination

Array = npt.NDArray[np.float64]
Box = tuple[float, float, float, float]

LONGEST_STROKE, SHORTEST_STROKE = 22.0, 5.0
STROKE_SHARE = 0.42
"""Share of the distance to the next joint that an axis may take: two joints' axes are not to run together."""

NAMED_FROM = 11.0
"""An axis that is seen shorter than this gets no letter: there would be nothing to put it to."""

END_ON = 0.3
"""An axis that is seen at less than this share of its length points at the viewer, or away."""

LETTER = 9.0
"""Room that a letter takes, in both directions."""

GAP = 19.0
"""Between two marks in a column."""

ROOM, BETWEEN = ASIDE - 18.0, 2.0
"""Room for the marks of one joint, and between two of them; a joint with more of them says so."""

HEADROOM = 16.0
"""From here down the mirror plane is drawn; its name stands above, out of the way of the letters."""

LIMB_GLYPH = 84.0
"""Side of the drawing of one joint."""


def view_drawing(examined: RestExamination, view: View, *, linked_back: bool = False) -> str:
    """Return one view of a rig.

    Parameters
    ----------
    examined
        The rig.
    view
        From :func:`audit.report.rest_views.views_of`.
    linked_back
        Whether its marks get names that the list of findings can lead to; one view of a page has them.
    """
    rest = examined.measures
    places = view.places(rest.world.positions)
    parts = [] if view.closer is not None else list(_planes(examined, view))
    parts += _limbs(examined, view, places)
    if rest.has_axes:
        parts += _axes(rest.world.axes[view.joints], view, places[view.joints])
    here = set(view.joints.tolist())
    every = _by_joint(examined.findings)
    by_joint = {joint: found for joint, found in every.items() if joint in here}
    parts += _joints(examined, view, places, by_joint)
    parts += _marks(examined, view, places, by_joint, linked_back)
    closer = "" if view.closer is None else f", {view.closer} and what hangs on it"
    label = (
        f"{view.title}{closer}: {len(view.joints)} joints, {len(by_joint)} of them with findings"
    )
    return drawing(view.width, view.height, label, "rig", parts, role="group")


def _by_joint(findings: Sequence[Finding]) -> dict[int, list[tuple[int, str]]]:
    """Return number and severity of the findings of each joint, the worst joint first."""
    found: dict[int, list[tuple[int, str]]] = {}
    for place, finding in enumerate(findings, start=1):
        if finding.joint is not None:
            found.setdefault(finding.joint, []).append((place, finding.severity))
    return found


def _planes(examined: RestExamination, view: View) -> Iterator[str]:
    """Yield the floor and the mirror plane, where they are seen as lines."""
    rest = examined.measures
    left, right = ASIDE - 6.0, view.width - ASIDE + 6.0
    top, bottom = HEADROOM, view.height - BELOW + 8.0
    if view.name != "top":
        level = float(view.places(view.centre - rest.up * (rest.up @ view.centre))[1])
        if top < level < bottom + 1.0:
            yield line(left, level, right, level, "floor")
            hatch = "".join(
                f"M{number(x)} {number(level)}l-5 6" for x in np.arange(left + 8.0, right, 12.0)
            )
            yield f"<path{attributes(class_='hatch', d=hatch)}/>"
            yield text(right, level + 18.0, "floor, level 0", "tick end")
        else:
            where = "below" if level >= bottom else "above"
            yield text(right, bottom + 18.0, f"the floor is further {where}", "tick end")
    if rest.pairs.has_plane and view.name != "side":
        normal = view.directions(rest.pairs.normal)
        size = float(np.linalg.norm(normal))
        if size > 0.5:
            # The point of the plane that is nearest to the middle of the drawing.
            off = float(rest.pairs.normal @ view.centre) - rest.pairs.distance
            start = view.places(view.centre - off * rest.pairs.normal)
            along = np.array([-normal[1], normal[0]]) / size
            yield from _line_within(start, along, (left, top, right, bottom), "mirror plane")


def _line_within(start: Array, along: Array, box: Box, name: str) -> Iterator[str]:
    """Yield a line through a point, cut to a box and named at its upper end."""
    low, high = -np.inf, np.inf
    for axis in (0, 1):
        if abs(along[axis]) < 1e-9:
            if not box[axis] <= start[axis] <= box[axis + 2]:
                return
            continue
        ends = sorted((box[axis + side] - start[axis]) / along[axis] for side in (0, 2))
        low, high = max(low, ends[0]), min(high, ends[1])
    if low >= high:
        return
    one, two = sorted((start + low * along, start + high * along), key=lambda end: end[1])
    yield line(one[0], one[1], two[0], two[1], "mirror")
    yield text(one[0] + 5.0, one[1] - 4.0, name, "tick")


def _limbs(examined: RestExamination, view: View, places: Array) -> Iterator[str]:
    """Yield all limbs as one path, and those that end at an end point as another, thinner one."""
    skeleton = examined.skeleton
    here = set(view.joints.tolist())
    moves = [
        _move(places[parent], places[joint])
        for joint, parent in enumerate(skeleton.parents.tolist())
        if joint in here and parent in here
    ]
    yield f"<path{attributes(class_='bones', d=''.join(moves))}/>"
    tips = view.places(examined.measures.world.tips)
    ends = [
        _move(places[holder], tip)
        for holder, tip in zip(skeleton.tip_joints.tolist(), tips, strict=True)
        if holder in here and (view.closer is None or holder != view.joints[0])
    ]
    if ends:
        yield f"<path{attributes(class_='bones ends', d=''.join(ends))}/>"


def _move(start: Array, end: Array) -> str:
    return f"M{number(start[0])} {number(start[1])}L{number(end[0])} {number(end[1])}"


def _axes(axes: Array, view: View, places: Array) -> Iterator[str]:
    """Yield the axes of all joints, one path a letter, and letters where there is room for them."""
    reach = _reach(places)
    ends = [view.directions(axes[:, :, axis]) * reach[:, None] for axis in range(3)]
    for letter, end in zip(AXES, ends, strict=True):
        moves = [
            _move(start, start + step)
            for start, step in zip(places, end, strict=True)
            if np.linalg.norm(step) > 1.0
        ]
        yield f"<path{attributes(class_=f'key {letter}', d=''.join(moves))}/>"
    taken: list[Box] = [(x - 3.0, y - 3.0, x + 3.0, y + 3.0) for x, y in places]
    for joint in range(len(places)):
        for letter, end in zip(AXES, ends, strict=True):
            step = end[joint]
            size = float(np.linalg.norm(step))
            if size < NAMED_FROM:
                continue
            x, y = places[joint] + step * (1.0 + 6.0 / size)
            half = 0.5 * LETTER
            box = x - half, y - half, x + half, y + half
            if not any(_meet(box, other) for other in taken):
                taken.append(box)
                yield text(x, y + 3.6, letter, "letter middle")


def _reach(places: Array) -> Array:
    """Return how long (J,) the axes of each joint are drawn."""
    if len(places) < 2:
        return np.full(len(places), LONGEST_STROKE)
    # Joints in one place share their axes' room.
    spots, where = np.unique(np.rint(places), axis=0, return_inverse=True)
    if len(spots) < 2:
        return np.full(len(places), LONGEST_STROKE)
    apart = np.asarray(cKDTree(spots).query(spots, k=2)[0])
    reach = np.clip(STROKE_SHARE * apart[:, 1], SHORTEST_STROKE, LONGEST_STROKE)
    return np.asarray(reach[where.reshape(-1)])


def _meet(one: Box, other: Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def _joints(
    examined: RestExamination,
    view: View,
    places: Array,
    by_joint: dict[int, list[tuple[int, str]]],
) -> Iterator[str]:
    """Yield a dot a joint, ringed where something was found; its name shows when it is pointed at."""
    for joint in view.joints.tolist():
        x, y = places[joint]
        name = escape(shown(examined.skeleton.names[joint]), quote=False)
        found = by_joint.get(joint)
        if found:
            ring = attributes(class_=f"ring {found[0][1]}", cx=x, cy=y, r=5.5)
            yield f"<circle{ring}/>"
        dot = attributes(class_="dot", cx=x, cy=y, r=2.4)
        yield f"<g><title>{name}</title><circle{dot}/></g>"


def _marks(
    examined: RestExamination,
    view: View,
    places: Array,
    by_joint: dict[int, list[tuple[int, str]]],
    linked_back: bool,
) -> Iterator[str]:
    """Yield the numbers of the findings in two columns, with a line to each joint."""
    top, bottom = ABOVE - 8.0, view.height - BELOW - 6.0
    most = int((bottom - top) // GAP) + 1
    columns: tuple[list[int], list[int]] = ([], [])
    middle = 0.5 * view.width
    left_out = 0
    for joint in by_joint:
        x = places[joint, 0]
        side = int(x > middle + 1.0)
        if abs(x - middle) <= 1.0:
            side = int(len(columns[1]) <= len(columns[0]))
        if len(columns[side]) >= most:
            left_out += 1
        else:
            columns[side].append(joint)
    for side, joints in enumerate(columns):
        edge = view.width - ROOM if side else ROOM
        levels = kept_apart([float(places[joint, 1]) for joint in joints], GAP, top, bottom)
        for joint, level in zip(joints, levels, strict=True):
            x, y = places[joint]
            yield line(edge, level, x, y, "leader")
            name = examined.skeleton.names[joint]
            yield from _numbers(by_joint[joint], name, edge, level, side, linked_back)
    if left_out:
        yield text(ASIDE, view.height - 6.0, f"{left_out} more joints are in the list", "tick")


def _numbers(
    found: Sequence[tuple[int, str]],
    name: str,
    edge: float,
    level: float,
    side: int,
    linked_back: bool,
) -> Iterator[str]:
    """Yield the marks of one joint, one beside the other, outward from the drawing, as many as fit."""
    room, shown_marks = ROOM, 0
    for finding, _ in found:
        last = shown_marks == len(found) - 1
        room -= _width(f"{finding}") + BETWEEN + (0.0 if last else LETTER)
        if shown_marks and room < 0.0:
            break
        room += 0.0 if last else LETTER
        shown_marks += 1
    at = edge
    for place, (finding, severity) in enumerate(found[:shown_marks], start=1):
        said = f"{finding}…" if place == shown_marks < len(found) else f"{finding}"
        wide = _width(said)
        start = at if side else at - wide
        yield mark(finding, severity, name, said, start, level, wide, linked_back)
        at = start + wide + BETWEEN if side else start - BETWEEN


def _width(said: str) -> float:
    """Return how wide the frame about a number is."""
    return 7.2 * len(said) + 9.0


def mark(
    finding: int,
    severity: str,
    name: str,
    said: str,
    x: float,
    y: float,
    wide: float,
    linked_back: bool,
) -> str:
    """Return the number of a finding in a frame, which leads to the finding in the list."""
    named = {"id": f"mark-{finding}"} if linked_back else {}
    link = attributes(
        href=f"#finding-{finding}",
        class_=f"mark {severity}",
        aria_label=f"Finding {finding}, {severity}: {name}",
        **named,
    )
    frame = attributes(x=x, y=y - 8.0, width=wide, height=16, rx=3)
    return f"<a{link}><rect{frame}/>{text(x + 0.5 * wide, y + 4.2, said, 'number middle')}</a>"


def limb_glyph(examined: RestExamination, joint: int, view: View) -> str:
    """Return a joint by itself, seen from the front: its limb, and its three axes with their letters.

    Parameters
    ----------
    examined
        The rig.
    joint
        Place of the joint.
    view
        The view to take the directions from.
    """
    rest = examined.measures
    middle = 0.5 * LIMB_GLYPH
    centre = np.array([middle, middle])
    parts = []
    limb = rest.limbs.limb[joint]
    if not np.isnan(limb[0]):
        end = centre + view.directions(limb[None])[0] * 36.0
        parts.append(line(middle, middle, float(end[0]), float(end[1]), "limb-line"))
    for axis, letter in enumerate(AXES):
        own = rest.world.axes[joint, :, axis]
        step = view.directions(own[None])[0]
        size = float(np.linalg.norm(step))
        if size < END_ON:
            parts.append(_end_on(letter, centre, towards=bool(own @ view.towards > 0.0)))
            continue
        end = centre + 26.0 * step
        parts.append(f"<path{attributes(class_=f'key {letter}', d=_move(centre, end))}/>")
        x, y = centre + step / size * max(26.0 * size + 8.0, 19.0)
        parts.append(text(float(x), float(y) + 4.0, letter, "letter middle"))
    label = f"Axes of {examined.skeleton.names[joint]}, {view.title.lower()}"
    return drawing(LIMB_GLYPH, LIMB_GLYPH, label, "glyph", parts)


def _end_on(letter: str, centre: Array, *, towards: bool) -> str:
    """Return an axis that is seen from its end: a full dot where it points at the viewer, else a ring."""
    x, y = (float(each) for each in centre)
    kind = "towards" if towards else "away"
    dot = f"<circle{attributes(class_=f'end-on {kind}', cx=x, cy=y, r=4)}/>"
    return dot + text(x + 11.0, y + 14.0, letter, "letter middle")
