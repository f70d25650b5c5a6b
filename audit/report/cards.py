"""A joint in one line, and a flagged joint in full."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from audit.pipeline import Examination
from audit.report.hinge_view import HingeView, hinge_view
from audit.report.plans import Plan, instruction, plan_of, planned_stage
from audit.report.ranking import main_cause, planned_keys, saved_keys, severity_of
from audit.report.words import (
    TELLS_NOTHING_DEG,
    Sentence,
    direction_in_words,
    interval_for_readers,
    quaternion_in_words,
    sense,
    what_twist_cannot_fix,
)
from audit.results import Row
from audit.rotations import angles_from_quaternion, rotation_vector_from_quaternion
from audit.wording import degrees, plural

Array = npt.NDArray[np.float64]
Term = tuple[str, str]


@dataclass(frozen=True, eq=False)
class Stage:
    """The three curves of a joint at one stage.

    Attributes
    ----------
    title
        What was done.
    curves : (3, F)
        X, Y and Z channel in degrees.
    channels, keys, spread
        Moving channels, edit keys and channel spread.
    """

    title: str
    curves: Array
    channels: int
    keys: int
    spread: float | None


@dataclass(frozen=True, eq=False)
class Line:
    """A joint in the list by cost and in the table of all joints."""

    place: int
    row: Row
    plan: Plan
    keys_after: int
    channels_after: int
    saved: int
    cause: str | None
    severity: str | None
    has_card: bool = False


@dataclass(frozen=True, eq=False)
class Card:
    """A flagged joint in full.

    Attributes
    ----------
    line
        Its line in the list.
    rank
        1 for the joint that saves most.
    instruction, detail
        What to do, and which way round or why not.
    times_s : (K,)
        Time of each key of the joint, counted from the first frame of the shot.
    stages
        Curves as they are, and as they would be.
    low, high
        Limits in degrees that hold the curves of all stages.
    hinge
        The hinge axis against the joint's own axes, None where it has no limb axis.
    certainty, full
        Terms and what is said of them: how sure the turn is; the whole correction.
    leftovers
        What a turn about the limb cannot fix.
    """

    line: Line
    rank: int
    instruction: Sentence
    detail: str
    times_s: Array
    stages: tuple[Stage, ...]
    low: float
    high: float
    hinge: HingeView | None
    certainty: tuple[Term, ...]
    full: tuple[Term, ...]
    leftovers: tuple[str, ...]


def line_of(place: int, row: Row, has_card: bool) -> Line:
    """Return the line of a joint row."""
    stage = planned_stage(row)
    return Line(
        place=place,
        row=row,
        plan=plan_of(row),
        keys_after=planned_keys(row),
        channels_after=row["moving_channels"] if stage is None else stage["moving_channels"],
        saved=saved_keys(row),
        cause=main_cause(row),
        severity=severity_of(row),
        has_card=has_card,
    )


def card_of(examined: Examination, line: Line, rank: int) -> Card:
    """Return the card of a joint.

    Parameters
    ----------
    examined
        The shot, its measures and findings.
    line
        The joint's line.
    rank
        1 for the joint that saves most.
    """
    shot = examined.shot
    times, stages = held_at_the_ends(
        shot.joint_times(line.place) - shot.times_s[0], _stages(examined, line), shot.seconds
    )
    together = np.concatenate([stage.curves for stage in stages], axis=1)
    low, high = min(0.0, float(together.min())), max(0.0, float(together.max()))
    room = 0.04 * max(high - low, 1.0)
    return Card(
        line=line,
        rank=rank,
        instruction=instruction(line.plan),
        detail=_detail(line, examined.document["settings"]["checks"]["twist"]["offset"]),
        times_s=times,
        stages=stages,
        low=low - room,
        high=high + room,
        hinge=hinge_view(line.row, line.plan),
        certainty=_certainty(examined, line.row, len(shot.joint_times(line.place))),
        full=_full(line),
        leftovers=_leftovers(examined, line),
    )


def held_at_the_ends(
    times_s: Array, stages: tuple[Stage, ...], seconds: float
) -> tuple[Array, tuple[Stage, ...]]:
    """Return times and curves that reach from the first frame of the shot to the last.

    A joint may have keys of its own that begin later or end earlier; its curves hold their value there.
    """
    before, after = int(times_s[0] > 0.0), int(times_s[-1] < seconds)
    if not before + after:
        return times_s, stages
    times = np.concatenate((np.zeros(before), times_s, np.full(after, seconds)))
    width = ((0, 0), (before, after))
    held = (replace(each, curves=np.pad(each.curves, width, mode="edge")) for each in stages)
    return times, tuple(held)


def _stages(examined: Examination, line: Line) -> tuple[Stage, ...]:
    """Return the curves as they are, after the turn, and after what goes beyond the turn."""
    row, plan = line.row, line.plan
    curves = examined.curves(line.place)

    def stage(title: str, values: Array, figures: Row) -> Stage:
        return Stage(
            title,
            values,
            figures["moving_channels"],
            figures["edit_keys"],
            figures["channel_spread"],
        )

    stages = [stage("As they are", curves.now, row)]
    turned = plan.turn_deg is not None and abs(row["twist_offset_deg"]) >= TELLS_NOTHING_DEG
    if turned and curves.after_twist is not None:
        title = (
            "After a turn about the limb alone" if plan.needs_more_than_twist else "After the turn"
        )
        stages.append(stage(title, curves.after_twist, row["after_twist"]))
    if plan.needs_more_than_twist and curves.after_full is not None:
        steps = ["aim"] if plan.aim is not None else []
        steps += ["turn"] if plan.turn_deg is not None else []
        title = f"After {' and '.join(steps)}" if steps else ""
        if plan.orders is not None:
            title += f"{', in' if title else 'In'} the order {plan.orders[1]}"
        stages.append(stage(title, curves.after_full, row["after_full"]))
    return tuple(stages)


def _detail(line: Line, twist_limit_deg: float) -> str:
    """Return which way the turn goes, or why nothing is to be turned."""
    row, plan = line.row, line.plan
    sentences = []
    way = sense(plan.turn_deg) if plan.turn_deg is not None else ""
    if plan.aim is not None:
        aim = "swing the axis onto the limb by the shortest way"
        sentences.append(f"first {aim}, then {way}" if way else aim)
    elif way:
        sentences.append(way)
    if plan.orders is not None:
        sentences.append("in the new order the hinge channel is the innermost")
    if not plan.asks_for_something:
        because = row["no_offset_because"]
        sentences.append(
            f"no turn is suggested, because {because}"
            if because
            else "no turn of its axes takes the spread away"
        )
    elif line.severity != "fix":
        sentences.append(f"only worth a look, {_why_only_a_look(row, twist_limit_deg)}")
    text = "; ".join(sentences)
    return f"{text[0].upper()}{text[1:]}."


def _why_only_a_look(row: Row, twist_limit_deg: float) -> str:
    interval = row["twist_interval_deg"]
    if row["moving_channels"] < 2:
        return "since it moves one curve as it is"
    if interval is None:
        return "since too few keys say how sure it is"
    if interval[0] <= twist_limit_deg and interval[1] >= -twist_limit_deg:
        return f"since the interval reaches down to angles under {twist_limit_deg:g}°"
    return "since it saves no edit keys"


def _certainty(examined: Examination, row: Row, keys: int) -> tuple[Term, ...]:
    """Return how sure the hinge axis and the turn are, of a joint with so many keys."""
    settings, source = examined.measures.settings, examined.document["source"]
    percent = f"{settings.confidence:.0%}"
    terms: list[Term] = []
    if row["twist_offset_deg"] is not None:
        interval = row["twist_interval_deg"]
        turn = "Turn about the limb alone" if plan_of(row).aim else "Turn about the limb"
        text = degrees(row["twist_offset_deg"])
        if interval:
            text = f"{interval_for_readers(*interval)} ({percent} interval)"
        else:
            text += ", from too few keys to say how sure that is"
        terms.append((turn, text))
    if row["hinge_axis_interval_deg"] is not None:
        cone = row["hinge_axis_interval_deg"]
        within = "0.1°" if cone < 2.0 * TELLS_NOTHING_DEG else degrees(cone)
        terms.append(("Hinge axis", f"to within {within} in any direction ({percent} cone)"))
    terms.append(("Range seen", degrees(row["range_deg"])))
    length = f"{plural(source['frames'], 'frame')}, {source['seconds']:.1f} s"
    if keys != source["frames"]:
        length += f"; {plural(keys, 'key')} of its own"
    terms.append(("Length", length))
    terms.append(("On one axis", f"{row['shares'][0]:.1%} of the motion"))
    return tuple(terms)


def _full(line: Line) -> tuple[Term, ...]:
    """Return the whole correction in numbers that can be carried to a rig; empty where twist is enough."""
    row, plan = line.row, line.plan
    if not plan.needs_more_than_twist:
        return ()
    terms: list[Term] = []
    if plan.aim is not None:
        order = row["rotation_order"]
        quaternion = np.array(row["full_offset_xyzw"])[:, None]
        vector = rotation_vector_from_quaternion(quaternion)[:, 0]
        size = float(np.linalg.norm(vector))
        turned = float(np.rad2deg(size))
        channels = np.rad2deg(angles_from_quaternion(quaternion, order)[:, 0])
        values = ", ".join(
            f"{letter} {degrees(float(value), 2)}"
            for letter, value in sorted(zip(order, channels, strict=True))
        )
        terms += [
            (
                "In one turn",
                f"{degrees(turned)} about the direction {direction_in_words(vector / size)} "
                "in its present axes",
            ),
            (f"As channels in {order}", values),
            ("Quaternion x y z w", quaternion_in_words(row["full_offset_xyzw"])),
        ]
    if plan.orders is not None:
        terms.append(("Rotation order", f"{plan.orders[1]} in place of {plan.orders[0]}"))
    return tuple(terms)


def _leftovers(examined: Examination, line: Line) -> tuple[str, ...]:
    row = line.row
    sentences = what_twist_cannot_fix(row, examined.measures.settings.aim_limit_deg)
    stage = planned_stage(row)
    if stage and stage["edit_keys"] >= row["edit_keys"]:
        sentences.append(
            f"The correction takes the spread from {row['channel_spread']:.2f} to "
            f"{stage['channel_spread']:.2f}, but saves no edit keys."
        )
    full = row["after_full"]
    if full and full["edit_keys"] < line.keys_after:
        steps = (
            "aim, turn"
            if row["aim_error_deg"] > examined.measures.settings.aim_limit_deg
            else "turn"
        )
        sentences.append(
            f"The full correction ({steps} and the order {row['advised_order']}) would bring it to "
            f"{plural(full['edit_keys'], 'edit key')}."
        )
    if not sentences:
        one_curve = stage is not None and stage["moving_channels"] < 2
        sentences.append(
            "Nothing: it puts this hinge on one curve." if one_curve else "Nothing that counts."
        )
    return tuple(sentences)
