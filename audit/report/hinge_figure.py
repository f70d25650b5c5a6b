"""The hinge axis drawn against the joint's own axes: along the limb, and from the side."""

from __future__ import annotations

import numpy as np

from audit.report.hinge_view import HingeView
from audit.report.svg import arc_data, arrow, attributes, drawing, line, number, on_circle, text
from audit.report.words import TELLS_NOTHING_DEG
from audit.wording import degrees, sense_in_words

WIDTH, HEIGHT = 300.0, 220.0
MIDDLE_X, MIDDLE_Y, RADIUS = 150.0, 110.0, 84.0
TURN_RADIUS = 58.0
THINNEST_WEDGE_DEG = 0.8
"""A narrower interval is drawn this wide, or nobody would see it."""


def along_the_limb(view: HingeView, joint: str) -> str:
    """Return the view along the limb: cross axes, hinge axis, the turn, and its interval.

    Parameters
    ----------
    view
        From :func:`audit.report.hinge_view.hinge_view`.
    joint
        Name of the joint, for the label.
    """
    parts = [
        f"<circle{attributes(class_='plane', cx=MIDDLE_X, cy=MIDDLE_Y, r=RADIUS)}/>",
    ]
    if view.wedge_deg is not None:
        parts.append(_wedge(*view.wedge_deg))
    for letter, (right, down) in view.axes:
        parts += _cross_axis(letter, right, down, above=(view.turn_deg or 0.0) < 0.0)
    if view.hinge is not None:
        parts += _hinge(view)
    turn = view.turn_deg
    if turn is not None and abs(turn) >= TELLS_NOTHING_DEG:
        parts += _turn(turn)
    parts += [
        f"<circle{attributes(class_='limb', cx=MIDDLE_X, cy=MIDDLE_Y, r=7)}/>",
        line(MIDDLE_X - 5, MIDDLE_Y - 5, MIDDLE_X + 5, MIDDLE_Y + 5, "limb"),
        line(MIDDLE_X - 5, MIDDLE_Y + 5, MIDDLE_X + 5, MIDDLE_Y - 5, "limb"),
    ]
    said = f"View along the limb of {joint}, from the joint towards its child"
    if turn is not None:
        way = sense_in_words(turn)
        said += f": the hinge axis lies {degrees(abs(turn))} {way} of the nearest axis"
    return drawing(WIDTH, HEIGHT, said, "figure", parts)


def _wedge(low: float, high: float) -> str:
    """Return the interval of the turn as a thin slice."""
    widen = max(0.0, 0.5 * (THINNEST_WEDGE_DEG - (high - low)))
    low, high = low - widen, high + widen
    start = on_circle(MIDDLE_X, MIDDLE_Y, RADIUS, low)
    move = f"M{number(MIDDLE_X)} {number(MIDDLE_Y)}L{number(start[0])} {number(start[1])}"
    move += arc_data(MIDDLE_X, MIDDLE_Y, RADIUS, low, high) + "Z"
    return f"<path{attributes(class_='wedge', d=move)}/>"


def _cross_axis(letter: str, right: float, down: float, *, above: bool) -> list[str]:
    """Return one axis of the joint, its positive end named; the one along the limb is a mere point."""
    size = float(np.hypot(right, down))
    if size < 0.05:
        # On the side that the hinge axis leaves free.
        return [text(MIDDLE_X - 11, MIDDLE_Y + (-11 if above else 20), letter, "name end")]
    x, y = MIDDLE_X + RADIUS * right, MIDDLE_Y + RADIUS * down
    parts = [arrow(MIDDLE_X, MIDDLE_Y, x, y, "own-axis")]
    if size > 0.5:
        parts.append(line(MIDDLE_X, MIDDLE_Y, 2 * MIDDLE_X - x, 2 * MIDDLE_Y - y, "own-axis back"))
    # The axis to the right shares its end with the hinge axis where there is nothing to turn.
    away = (20.0 if abs(down) < 0.1 else 13.0) / size
    parts.append(text(x + away * right, y + away * down + 4, letter, "name middle"))
    return parts


def _hinge(view: HingeView) -> list[str]:
    """Return the hinge axis as a line through the middle, named at its left end."""
    if view.hinge is None:
        return []
    right, down = view.hinge
    size = float(np.hypot(right, down))
    if size < 0.05:
        return [text(MIDDLE_X, MIDDLE_Y + 34, "hinge axis along the limb", "value middle")]
    right, down = right / size, down / size
    if right < 0:
        right, down = -right, -down
    reach = RADIUS + 10.0
    x, y = MIDDLE_X - reach * right, MIDDLE_Y - reach * down
    parts = [line(x, y, MIDDLE_X + reach * right, MIDDLE_Y + reach * down, "hinge")]
    # The name stands on the far side of the line from the joint's own axis beside it.
    below = 14.0 if y >= MIDDLE_Y else -7.0
    parts.append(
        text(max(x - 4, 8), y + below, "hinge axis", "value middle" if x > 40 else "value")
    )
    return parts


def _turn(turn: float) -> list[str]:
    """Return the arc from the joint's axis to the hinge axis, with its angle."""
    start = on_circle(MIDDLE_X, MIDDLE_Y, TURN_RADIUS, 0.0)
    move = f"M{number(start[0])} {number(start[1])}"
    move += arc_data(MIDDLE_X, MIDDLE_Y, TURN_RADIUS, 0.0, turn)
    parts = [f"<path{attributes(class_='turn', d=move)}/>"]
    if abs(turn) > 6.0:
        end = on_circle(MIDDLE_X, MIDDLE_Y, TURN_RADIUS, turn)
        # The chord's direction a little before the end looks right at any size of turn.
        back = np.deg2rad(turn - np.sign(turn) * (90.0 + 6.0))
        head = 7.0
        for side in (0.5, -0.5):
            x = end[0] + head * np.cos(back + side)
            y = end[1] + head * np.sin(back + side)
            parts.append(line(end[0], end[1], float(x), float(y), "turn"))
    far = on_circle(MIDDLE_X, MIDDLE_Y, RADIUS + 12, 0.5 * turn)
    # Small turns leave no room between the two lines, so the angle goes beyond them.
    if abs(turn) < 24.0:
        far = on_circle(MIDDLE_X, MIDDLE_Y, RADIUS + 10, turn + np.sign(turn) * 11.0)
    parts.append(text(far[0], far[1] + 5, degrees(turn), "angle"))
    return parts


def from_the_side(view: HingeView, joint: str, least_deg: float) -> str | None:
    """Return the view from the side: how far the nearest axis is off the limb, and how far the hinge leans.

    Parameters
    ----------
    view
        From :func:`audit.report.hinge_view.hinge_view`.
    joint
        Name of the joint, for the label.
    least_deg
        Angles up to this one are left out.

    Returns
    -------
    str or None
        None where neither angle is worth drawing.
    """
    lean = view.lean_deg or 0.0
    if view.aim_deg <= least_deg and abs(lean) <= least_deg:
        return None
    x, reach = 70.0, 58.0
    # Only a leaning hinge reaches below the limb.
    y, height = (
        (76.0, 146.0)
        if abs(lean) > least_deg
        else (max(46.0, 24.0 + 140.0 * np.sin(np.deg2rad(view.aim_deg))), 0.0)
    )
    height = height or y + 34.0
    bone = f"M{number(x)} {number(y)}l12 -7l180 7l-180 7Z"
    parts = [
        f"<path{attributes(class_='bone', d=bone)}/>",
        f"<circle{attributes(class_='dot', cx=x, cy=y, r=4)}/>",
        f"<circle{attributes(class_='dot', cx=262, cy=y, r=4)}/>",
        text(262, y + 20, "child", "tick middle"),
        text(x - 10, y + 4, "joint", "tick end"),
    ]
    said = []
    if view.aim_deg > least_deg:
        tip = on_circle(x, y, 140.0, -view.aim_deg)
        parts.append(arrow(x, y, tip[0], tip[1], "own-axis"))
        parts.append(text(tip[0] + 6, tip[1], view.aim_axis, "name"))
        start = on_circle(x, y, 110.0, 0.0)
        move = f"M{number(start[0])} {number(start[1])}{arc_data(x, y, 110, 0, -view.aim_deg)}"
        parts.append(f"<path{attributes(class_='turn', d=move)}/>")
        mid = on_circle(x, y, 116.0, -0.5 * view.aim_deg)
        parts.append(text(mid[0], mid[1] + 3, degrees(view.aim_deg), "angle"))
        said.append(f"{view.aim_axis} lies {degrees(view.aim_deg)} off the limb")
    if abs(lean) > least_deg:
        top = on_circle(x, y, reach, -90.0 + lean)
        parts.append(line(x, y - reach, x, y + reach, "square"))
        parts.append(line(2 * x - top[0], 2 * y - top[1], top[0], top[1], "hinge"))
        words = f"hinge leans {degrees(abs(lean))}"
        # Below the limb, and beyond the line where that goes there.
        beyond = reach * np.sin(np.deg2rad(-lean)) if lean < 0.0 else 0.0
        parts.append(text(x + 12 + float(beyond), y + reach - 2, words, "angle"))
        said.append(f"the hinge axis leans {degrees(abs(lean))} along the limb")
    return drawing(WIDTH, height, f"{joint} from the side: {' and '.join(said)}", "figure", parts)
