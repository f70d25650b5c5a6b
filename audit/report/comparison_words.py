"""What a comparison says in words: the sentence on top, what to know beside it, and each joint in short."""

from __future__ import annotations

from collections.abc import Sequence

from audit.report.words import Part, Sentence, change, signed_degrees
from audit.results import Document, Row
from audit.wording import degrees, plural, sense_in_words

TOLD_IN_PARTS_DEG = 0.05
"""Twists and swings under this are shown as 0.0°, so they are left out."""


NOTHING = 1e-9
"""Lengths and shares of the height are rounded to this, so what is less is told as less."""


def title(document: Document) -> Sentence:
    """Return in one sentence, or two, whether the motion is the same and what got cleaner."""
    return (*_on_the_motion(document), Part(f" {_on_the_joints(document)}"))


def _on_the_motion(document: Document) -> Sentence:
    motion = document["motion"]
    if motion["same"] == "yes":
        return (Part("The same motion."),)
    if motion["same"] == "cannot tell":
        return (Part(f"Whether the motion is the same cannot be told: {motion['because']}."),)
    if motion["same_but_for_scale"]:
        return (Part(f"The same motion, but {times_as_large(motion['scale'])}."),)
    limits = document["settings"]["comparison"]
    share = motion["share_of_height"]
    if share is None or share > limits["same_position"]:
        far = (
            "beyond all measure" if share is None else f"up to {percent(share)} of the height away"
        )
        return (
            Part("Not the same motion: "),
            Part(motion["position_joint"], "name"),
            Part(f" is {far}."),
        )
    turned = motion["rotation_deg"]
    off = "otherwise" if turned is None else f"up to {degrees(turned, 2)} otherwise"
    return (
        Part("Not the same motion: the joints are in place, but "),
        Part(motion["rotation_joint"], "name"),
        Part(f" is turned {off}."),
    )


def _on_the_joints(document: Document) -> str:
    summary = document["summary"]
    cleaner, messier = summary["cleaner"], summary["messier"]
    if not cleaner and not messier:
        return "No joint got cleaner or messier."
    if not messier:
        return f"{plural(cleaner, 'joint')} got cleaner, none messier."
    if not cleaner:
        return f"{plural(messier, 'joint')} got messier, none cleaner."
    return f"{plural(cleaner, 'joint')} got cleaner, {messier:,} messier."


def detail(document: Document) -> str:
    """Return what else changed, in numbers."""
    summary = document["summary"]
    keys = change(summary["edit_keys_before"], summary["edit_keys_after"])
    sentences = [f"{keys} edit keys in the whole shot."]
    turned, ordered = summary["axes_turned"], summary["orders_changed"]
    if turned:
        sentences.append(f"The axes of {plural(turned, 'joint')} are turned.")
    if ordered:
        sentences.append(f"{plural(ordered, 'joint')} in another rotation order.")
    return " ".join(sentences)


def notes(document: Document) -> list[str]:
    """Return what has to be known to read the figures right, a sentence or two each."""
    motion, before, after = document["motion"], document["before"], document["after"]
    said = []
    if motion["seconds"] is not None:
        said += _on_times(motion, before, after)
    if motion["scale"] is None and document["joints"]:
        said.append(
            "The two rigs have other proportions: their bones differ by more than one factor."
        )
    elif motion["scale"] not in (None, 1.0):
        kept = "the same" if motion["same_but_for_scale"] else "not the same either"
        said.append(
            f"The second rig is {times_as_large(motion['scale'])}: another unit of length, perhaps. Places are "
            f"compared as they are; with the size taken out, the motion is {kept}."
        )
    unknown = sum(row["axes"]["told_by"] is None for row in document["joints"])
    if unknown:
        said.append(
            f"Of {plural(unknown, 'joint')} it cannot be told whether the axes are turned: "
            f"{'it moves' if unknown == 1 else 'they move'} otherwise than before, and there are no rest "
            "rotations to go by."
        )
    otherwise = sum("motion" in row["changed"] for row in document["joints"])
    if otherwise:
        verb = "turns" if otherwise == 1 else "turn"
        said.append(
            f"{plural(otherwise, 'joint')} {verb} otherwise than before against the joint above. What "
            "got cleaner or messier there may be the motion’s doing and not that of the axes."
        )
    moved = sum("rest pose" in row["changed"] for row in document["joints"])
    if moved:
        said.append(
            f"The rest pose changed at {plural(moved, 'joint')}, beyond any turn of the axes."
        )
    return said


def _on_times(motion: Row, before: Row, after: Row) -> list[str]:
    said = []
    start, end = motion["seconds"]
    lengths = f"{_length(before)} before, {_length(after)} after"
    if not motion["whole"]:
        said.append(
            f"The shots are of different length: {lengths}. Compared is from {start:.2f} s to {end:.2f} s. "
            "Edit keys of a longer and a shorter shot say nothing about axes, so the channel spread alone "
            "decides what is cleaner."
        )
    elif before["frames"] != after["frames"]:
        said.append(
            f"The shots have different frames over the same time: {lengths}. Between frames both were "
            "played, and even the same motion then differs a little."
        )
    if motion["start"] == "clock":
        said.append(
            "The shots do not begin at the same time and were laid on each other by their clocks."
        )
    if motion["retimed_s"]:
        said.append(
            f"The times of the frames differ by up to {motion['retimed_s']:.2g} s; the shots were compared "
            "frame by frame."
        )
    return said


def _length(source: Row) -> str:
    return f"{plural(source['frames'], 'frame')} ({source['seconds']:.2f} s)"


def at_rest(document: Document) -> str:
    """Return in a sentence what changed about the rest pose."""
    rest = document["rest"]
    new, gone = len(rest["new"]), len(rest["gone"])
    if not new and not gone:
        both = "nothing" if not rest["kept"] else plural(rest["kept"], "finding")
        return f"No finding is new or gone; both rigs have {both}."
    return f"{plural(new, 'new finding')}, {gone:,} gone; both rigs have {rest['kept']:,} more."


def deviation(document: Document) -> str:
    """Return the largest differences as one line, empty where nothing was compared."""
    motion = document["motion"]
    if not motion["instants"]:
        return ""
    parts = []
    if motion["position"] is not None:
        parts.append(
            f"{small(motion['position'])} units ({percent(motion['share_of_height'])} of the height)"
        )
    turned = motion["rotation_deg"]
    if turned is not None:
        parts.append("under 0.0001°" if turned < 1e-4 else degrees(turned, 4))
    what = " and ".join(parts) or "beyond all measure"
    return f"largest difference {what}, over {plural(motion['instants'], 'instant')}"


def small(value: float) -> str:
    """Return a length that may be tiny: "571.64", "0.0021", "2.6e−08"."""
    if value >= 1.0:
        return f"{value:,.2f}"
    if value < NOTHING:
        return "under 1e−9"
    return f"{value:.2g}".replace("e-", "e−")


def percent(share: float) -> str:
    """Return a share of the height in percent, to two digits: "3.2 %"."""
    if share < NOTHING:
        return "under 0.0000001 %"
    text = f"{100.0 * share:.2g}" if share < 1.0 else f"{100.0 * share:,.0f}"
    return text.replace("e-", "e−") + " %"


def times_as_large(scale: float) -> str:
    """Return a scale in words: "100 times as large"."""
    return f"{scale:.6g} times as large"


def axes_in_short(row: Row) -> str:
    """Return the turn of a joint's axes for a table: "−33.0°", "+18.0°, off 12.0°", "as before"."""
    axes = row["axes"]
    if axes["told_by"] is None:
        return "cannot be told"
    if "axes" not in row["changed"]:
        return "as before"
    twist, swing = axes["twist_deg"], axes["swing_deg"]
    if swing is None:
        return f"{degrees(axes['total_deg'])} in all"
    parts = []
    if twist is None or abs(twist) >= TOLD_IN_PARTS_DEG:
        parts.append("any twist" if twist is None else signed_degrees(twist))
    if swing >= TOLD_IN_PARTS_DEG:
        parts.append(f"off {degrees(swing)}")
    return ", ".join(parts) or degrees(axes["total_deg"], 2)


def axes_in_words(row: Row) -> Sentence:
    """Return what became of a joint's axes and rotation order as a sentence without a full stop."""
    order: Sentence = ()
    if "order" in row["changed"]:
        orders = (row[side]["rotation_order"] for side in ("after", "before"))
        order = (Part(", its rotation order is {} in place of {}".format(*orders)),)
    return _turn_in_words(row) + order


def _turn_in_words(row: Row) -> Sentence:
    axes = row["axes"]
    if axes["told_by"] is None:
        return (Part("Whether its axes are turned cannot be told"),)
    if "axes" not in row["changed"]:
        return (Part("The axes are as before"),)
    twist, swing = axes["twist_deg"], axes["swing_deg"]
    if twist is None or swing is None:
        return (Part("The axes are turned by "), Part(degrees(axes["total_deg"]), "angle"))
    parts: list[Part] = []
    if abs(twist) >= TOLD_IN_PARTS_DEG:
        parts = [Part("turned by "), Part(degrees(twist), "angle"), Part(" about the limb")]
    if swing >= TOLD_IN_PARTS_DEG:
        parts.append(Part(" and swung by " if parts else "swung by "))
        parts += [
            Part(degrees(swing), "angle"),
            Part(" off it" if len(parts) > 1 else " off the limb"),
        ]
    return (
        Part("The axes are "),
        *(parts or [Part("turned by "), Part(degrees(axes["total_deg"], 2))]),
    )


def sense(row: Row) -> str:
    """Return which way round the twist of a joint's axes goes, empty where there is none."""
    twist = row["axes"]["twist_deg"]
    if "axes" not in row["changed"] or twist is None or abs(twist) < TOLD_IN_PARTS_DEG:
        return ""
    return f"{degrees(abs(twist))} {sense_in_words(twist)}, seen from the joint towards its child"


def what_else(row: Row) -> list[str]:
    """Return, sentence by sentence, what else changed about a joint."""
    before, after, changed = row["before"], row["after"], row["changed"]
    said = []
    way = sense(row)
    if way:
        said.append(f"{way}.")
    axes = row["axes"]
    if axes["along_limb"] != axes["along_limb_after"]:
        said.append(
            f"Along the limb lies {axes['along_limb_after'] or 'nothing'} where "
            f"{axes['along_limb'] or 'nothing'} lay."
        )
    if "kind" in changed:
        said.append(f"It moved as {before['kind']} and moves as {after['kind']}.")
    if "motion" in changed:
        off = row["own_deviation_deg"]
        far = "beyond all measure" if off is None else f"by up to {degrees(off, 2)}"
        said.append(f"It turns otherwise than before against the joint above it, {far}.")
    if "rest pose" in changed:
        said.append(f"Its rest pose differs by {degrees(row['rest_moved_deg'])} beyond the axes.")
    if "parent" in changed:
        said.append(
            f"It hangs on {row['parent_after'] or 'nothing'} in place of {row['parent'] or 'nothing'}."
        )
    return said


def offsets(row: Row) -> str:
    """Return the suggested twist offsets for a table: "+33.0° → 0.0°"."""
    before, after = (
        "–" if value is None else signed_degrees(value)
        for value in (row["before"]["twist_offset_deg"], row["after"]["twist_offset_deg"])
    )
    return before if before == after else f"{before} → {after}"


def name(row: Row) -> str:
    """Return a joint's name, with the new one where it was renamed."""
    same = row["joint"] == row["joint_after"]
    return row["joint"] if same else f"{row['joint']} → {row['joint_after']}"


def by_change(rows: Sequence[Row]) -> list[int]:
    """Return the places of the rows that changed: what got messier first, then what got cleaner, then the rest.

    Within these by the edit keys that it makes, then by the turn of the axes.
    """
    rank = {"messier": 0, "cleaner": 1, "same": 2}
    places = [place for place, row in enumerate(rows) if row["changed"]]

    def key(place: int) -> tuple[float, ...]:
        row = rows[place]
        keys = abs(row["after"]["edit_keys"] - row["before"]["edit_keys"])
        moved = "motion" in row["changed"]
        return (
            rank[row["verdict"]],
            not moved,
            -keys,
            -(row["axes"]["total_deg"] or 0.0),
            place,
        )

    return sorted(places, key=key)
