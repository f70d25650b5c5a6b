"""Every way in which a BVH file can be wrong: the error names the place and says what to do."""

from pathlib import Path

import pytest

from audit.errors import FormatError
from audit.formats.bvh import read, sample

SAMPLE = sample().decode()
LINES = SAMPLE.splitlines()


def line_of(part: str) -> int:
    """Return the number of the first line that holds a text."""
    return next(number for number, line in enumerate(LINES, start=1) if part in line)


BOOM = line_of("JOINT Boom")
BOOM_OFFSET = line_of("OFFSET 0.0 2.5")
BOOM_CHANNELS = line_of("CHANNELS 3")
TIP = line_of("End Site")
TIP_OFFSET = line_of("OFFSET 0.0 1.5")
MOTION = line_of("MOTION")
FRAMES = line_of("Frames:")
TIME = line_of("Frame Time:")
FIRST_ROW = TIME + 1
SECOND_ROW = TIME + 2


def refused(data: str | bytes) -> FormatError:
    raw = data if isinstance(data, bytes) else data.encode()
    with pytest.raises(FormatError) as caught:
        read(raw, "takes/walk.bvh")
    error = caught.value
    assert error.path == "takes/walk.bvh"
    assert error.where
    assert error.hint
    assert str(error) == f"takes/walk.bvh: {error.where}: {error.cause}. {error.hint}"
    return error


def changed(old: str, new: str) -> str:
    assert old in SAMPLE
    return SAMPLE.replace(old, new, 1)


HIERARCHY_FAULTS = [
    # the first word
    ("", "line 1", "holds no skeleton"),
    (" \n\n", "line 1", "holds no skeleton"),
    (SAMPLE.removeprefix("HIERARCHY\n"), "line 1", "begins with 'ROOT'"),
    ("\n\nAnything at all", "line 3", "begins with 'Anything'"),
    (changed("HIERARCHY", "HIERARCHY\nHIERARCHY"), "line 2", "'HIERARCHY' cannot stand outside"),
    # keywords
    (
        changed("\tCHANNELS 3", "\tCHANELS 3"),
        BOOM_CHANNELS,
        "'CHANELS' cannot stand in joint 'Boom'",
    ),
    (changed("JOINT Boom", "BONE Boom"), BOOM, "'BONE' cannot stand in joint 'Mast'"),
    (changed("ROOT Mast", "JOINT Mast"), 2, "JOINT stands outside of any ROOT"),
    (
        changed("JOINT Boom", "ROOT Boom"),
        BOOM,
        "ROOT stands inside joint 'Mast', which began on line 2",
    ),
    (changed("ROOT Mast\n", "ROOT\nMast\n"), 2, "ROOT has no name"),
    (changed("JOINT Boom", "JOINT "), BOOM, "JOINT has no name"),
    (changed("ROOT Mast", "OFFSET 1 2 3\nROOT Mast"), 2, "OFFSET stands outside of any joint"),
    (changed("ROOT Mast", "CHANNELS 1 Xrotation\nROOT Mast"), 2, "CHANNELS stands outside"),
    (changed("ROOT Mast", "End Site\nROOT Mast"), 2, "End stands outside of any ROOT"),
    (changed("End Site", "End"), TIP, "'End' is not followed by 'Site'"),
    (changed("ROOT Mast", "# a comment\nROOT Mast"), 2, "'#' cannot stand outside of any joint"),
    # braces
    (
        changed("JOINT Boom\n\t{", "JOINT Boom\n\t"),
        BOOM + 2,
        "expected '{' to open joint 'Boom', but found",
    ),
    (
        changed("End Site\n\t\t{", "End Site\n\t\t"),
        TIP + 2,
        "expected '{' to open the end site of 'Boom'",
    ),
    (
        changed("}\nMOTION", "MOTION"),
        MOTION - 1,
        "MOTION comes before joint 'Mast', which began on line 2",
    ),
    (changed("MOTION", "}\nMOTION"), MOTION, "there is one '}' too many"),
    (changed("ROOT Mast", "}\nROOT Mast"), 2, "there is one '}' too many"),
    # offsets
    (changed("OFFSET 0.0 2.5 0.0", "OFFSET 0.0 2.5"), BOOM_OFFSET, "has 2 numbers"),
    (changed("OFFSET 0.0 2.5 0.0", "OFFSET"), BOOM_OFFSET, "has 0 numbers"),
    (changed("OFFSET 0.0 2.5 0.0", "OFFSET 0.0 2.5 0.0 1.0"), BOOM_OFFSET, "has 4 numbers"),
    (
        changed("OFFSET 0.0 2.5 0.0\n", "\n"),
        BOOM_OFFSET + 2,
        "joint 'Boom', which began on line 6, has no OFFSET",
    ),
    (
        changed("\tOFFSET 0.0 1.5 0.0\n", "\n"),
        TIP_OFFSET + 1,
        "the end site of 'Boom', which began on line 10, has no",
    ),
    (
        changed("OFFSET 0.0 2.5 0.0", "OFFSET 1 2 3\nOFFSET 1 2 3"),
        BOOM_OFFSET + 1,
        "has a second OFFSET",
    ),
    (
        changed("0.0\n\t\t}", "0.0\n\t\t}\nOFFSET 1 2 3"),
        TIP_OFFSET + 2,
        "OFFSET stands after a child of joint 'Boom'",
    ),
    # channels
    (changed("CHANNELS 3", "CHANNELS 4"), BOOM_CHANNELS, "says 4, but 3 names follow"),
    (changed("CHANNELS 3", "CHANNELS 2"), BOOM_CHANNELS, "says 2, but 3 names follow"),
    (
        changed("CHANNELS 3", "CHANNELS three"),
        BOOM_CHANNELS,
        "is followed by 'three', not by a count",
    ),
    (
        changed("CHANNELS 3 Zrotation Xrotation Yrotation", "CHANNELS"),
        BOOM_CHANNELS,
        "followed by '', not",
    ),
    (changed("3 Zrotation", "3 Wrotation"), BOOM_CHANNELS, "'Wrotation' is not a channel"),
    (changed("6 Xposition", "6 Xscale"), 5, "'Xscale' is not a channel"),
    (changed("3 Zrotation", "3 Yrotation"), BOOM_CHANNELS, "has the channel Yrotation twice"),
    (changed("6 Xposition", "6 Zposition"), 5, "joint 'Mast' has the channel Zposition twice"),
    (changed("3 Zrotation", "3 Zrotation # "), BOOM_CHANNELS, "'#' is not a channel"),
    (
        changed("\t\tEnd", "\t\tCHANNELS 0\n\t\tEnd"),
        BOOM_CHANNELS + 1,
        "joint 'Boom' has a second CHANNELS",
    ),
    (
        changed("0.0\n\t\t}", "0.0\n\t\t}\nCHANNELS 0"),
        TIP_OFFSET + 2,
        "CHANNELS stands after a child",
    ),
    # end sites
    (
        changed("1.5 0.0", "1.5 0.0\nCHANNELS 1 Xrotation"),
        TIP_OFFSET + 1,
        "the end site of 'Boom' has CHANNELS",
    ),
    (
        changed("1.5 0.0", "1.5 0.0\nJOINT x"),
        TIP_OFFSET + 1,
        "JOINT stands inside the end site of 'Boom'",
    ),
    (
        changed("1.5 0.0", "1.5 0.0\nEnd Site"),
        TIP_OFFSET + 1,
        "End stands inside the end site of 'Boom'",
    ),
    # sections that are missing
    (changed("MOTION\n", ""), MOTION, "'Frames:' cannot stand outside of any joint"),
    (SAMPLE[: SAMPLE.index("MOTION")], MOTION, "MOTION is missing"),
    ("HIERARCHY\nMOTION\nFrames: 1\n", 2, "MOTION comes before any ROOT"),
    ("HIERARCHY\n", 2, "the file ends before any ROOT"),
    (
        "HIERARCHY ROOT a { OFFSET 0 0 0 }\nMOTION\nFrames: 1\nFrame Time: 1\n\n",
        2,
        "no joint has a channel",
    ),
]

MOTION_FAULTS = [
    (
        changed("Frames: 2\n", ""),
        FRAMES,
        "expected Frames: and the number of frames, but found 'Frame Time: 0.04'",
    ),
    (changed("Frames: 2", "Frames 2"), FRAMES, "expected Frames:"),
    (
        SAMPLE[: SAMPLE.index("Frames")],
        FRAMES,
        "expected Frames: and the number of frames, but the file ends",
    ),
    (changed("Frames: 2", "Frames:"), FRAMES, "'' is not a number of frames"),
    (changed("Frames: 2", "Frames: 0"), FRAMES, "'0' is not a number of frames"),
    (changed("Frames: 2", "Frames: -2"), FRAMES, "'-2' is not a number of frames"),
    (changed("Frames: 2", "Frames: 2.0"), FRAMES, "'2.0' is not a number of frames"),
    (changed("Frames: 2", "Frames: " + "9" * 5000), FRAMES, "...' is not a number of frames"),
    (
        changed("Frame Time: 0.04\n", ""),
        TIME,
        "expected Frame Time: and the seconds from frame to frame, but found",
    ),
    (SAMPLE[: SAMPLE.index("Frame Time")], TIME, "expected Frame Time: and the seconds"),
    (changed("Time: 0.04", "Time:"), TIME, "Frame Time: has no number"),
    (changed("0.04", "0"), TIME, "Frame Time: '0' is no usable time"),
    (changed("0.04", "-0.04"), TIME, "Frame Time: '-0.04' is no usable time"),
    (changed("0.04", "nan"), TIME, "'nan' is not a finite number"),
    (changed("0.04", "1e400"), TIME, "'1e400' is too large"),
    (changed("Frames: 2", "Frames: 9").replace("0.04", "1e308"), TIME, "'1e308' is no usable time"),
    (changed("0.04", "0.04s"), TIME, "'0.04s' is not a number"),
    (changed("0.04", "0.04 # 25 frames"), TIME, "'# 25 frames' stands after the frame time"),
    # too few and too many rows and numbers
    (SAMPLE[: SAMPLE.index("0.04") + 4], FRAMES, "Frames: says 2, but there are 0 rows"),
    (changed("Frames: 2", "Frames: 3"), FRAMES, "Frames: says 3, but there are 2 rows"),
    (changed("Frames: 2", "Frames: 99999999999"), FRAMES, "says 99999999999, but there are 2 rows"),
    (
        changed("Frames: 2", "Frames: 1"),
        SECOND_ROW,
        "Frames: says 1 (line 17), but another row follows",
    ),
    (
        changed("Frames: 2", "Frames: 1").replace("0.0\n0.1", "0.0 0.1"),
        FRAMES,
        "says 1, but there are 2 rows",
    ),
    (SAMPLE + "1\n", SECOND_ROW + 1, "another row follows"),
    (
        changed("0.0 1.0 0.0", "0.0 1.0"),
        f"line {FIRST_ROW}, frame 0",
        "the row has 8 numbers, but the skeleton has 9",
    ),
    (
        changed("0.0 1.0 0.0", "0 0 1 0"),
        f"line {FIRST_ROW}, frame 0",
        "the row has 10 numbers, but the skeleton has 9",
    ),
    (
        changed(" 30.0 0.0", " 30.0"),
        f"line {SECOND_ROW}, frame 1",
        "the row has 8 numbers, but the skeleton has 9",
    ),
    (changed(" 30.0 0.0", " 30.0 0.0 1"), f"line {SECOND_ROW}, frame 1", "the row has 10 numbers"),
    # a short row and a long one, the right total
    (
        changed("0.0 1.0 0.0", "0.0 1.0").replace("30.0", "30.0 0"),
        f"line {FIRST_ROW}, frame 0",
        "the row has 8 numbers, but the skeleton has 9",
    ),
    (
        changed("0.0 1.0 0.0", "0.0 0.0 1.0 0.0").replace("30.0", ""),
        f"line {FIRST_ROW}, frame 0",
        "the row has 10 numbers, but the skeleton has 9",
    ),
    (
        changed("0.0 1.0 0.0 0.0", "0.0\n1.0 0.0").replace("30.0", "30.0 0"),
        f"line {FIRST_ROW}, frame 0",
        "the row has 8 numbers",
    ),
    # what is no number
    (
        changed("-2.5", "abc"),
        f"line {SECOND_ROW}, frame 1, channel Mast Xrotation",
        "'abc' is not a number",
    ),
    (
        changed("30.0", "3O.0"),
        f"line {SECOND_ROW}, frame 1, channel Boom Xrotation",
        "'3O.0' is not a number",
    ),
    (
        changed("-2.5", "-2,5"),
        f"line {SECOND_ROW}, frame 1, channel Mast Xrotation",
        "'-2,5' is not a number",
    ),
    *[
        (
            changed("-2.5", word),
            f"line {SECOND_ROW}, frame 1, channel Mast Xrotation",
            f"{word!r} is not a finite number",
        )
        for word in ("nan", "NaN", "-nan", "inf", "-Infinity", "-1.#IND", "1.#QNAN", "nan(0x8)")
    ],
    *[
        (
            changed("-2.5", word),
            f"line {SECOND_ROW}, frame 1, channel Mast Xrotation",
            f"{word!r} is not a number",
        )
        for word in (
            "NA",
            "null",
            '"5"',
            "1_0",
            "0x10",
            "1d3",
            "--5",
            "+-5",
            "-",
            ".",
            "e5",
            "1e",
            "5\x00",
            "1\x0c2",
        )
    ],
    (
        changed("-2.5", "1e999"),
        f"line {SECOND_ROW}, frame 1, channel Mast Xrotation",
        "'1e999' is too large",
    ),
    # text after a row, and after the last one
    (
        SAMPLE.replace("0.0\n0.1", "0.0 # rest pose\n0.1"),
        f"line {FIRST_ROW}, frame 0",
        "'# rest pose' stands after the 9 numbers of the row",
    ),
    (SAMPLE.rstrip("\n") + " end", f"line {SECOND_ROW}", "'end' stands after the last row"),
    (SAMPLE + "\n\nHIERARCHY\n", f"line {SECOND_ROW + 3}", "'HIERARCHY' stands after the last row"),
]


@pytest.mark.parametrize(("data", "where", "cause"), [*HIERARCHY_FAULTS, *MOTION_FAULTS])
def test_the_error_names_the_place_and_the_cause(data: str, where: str | int, cause: str) -> None:
    error = refused(data)
    place = f"line {where}" if isinstance(where, int) else where
    assert error.where == place or (error.where or "").startswith(f"{place}, OFFSET")
    assert cause in error.cause


@pytest.mark.parametrize(
    ("word", "cause"),
    [("abc", "'abc' is not a number"), ("nan", "'nan' is not a finite"), ("1e999", "too large")],
)
def test_an_offset_that_is_no_number(word: str, cause: str) -> None:
    error = refused(changed("OFFSET 0.0 2.5", f"OFFSET 0.0 {word}"))
    assert error.where == f"line {BOOM_OFFSET}, OFFSET of joint 'Boom'"
    assert cause in error.cause


def test_hints_tell_what_to_do() -> None:
    assert refused(changed("\tCHANNELS 3", "\tCHANELS 3")).hint == "Did you mean CHANNELS?"
    assert "point, not a comma" in (refused(changed("-2.5", "-2,5")).hint or "")
    assert "cut short" in (refused(SAMPLE[: SAMPLE.index("MOTION")]).hint or "")
    assert "cut short" in (refused(changed(" 30.0 0.0", " 30.0")).hint or "")
    assert "25 frames a second" in (refused(changed("0.04", "0")).hint or "")


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_lines_are_counted_whatever_ends_them(ending: str) -> None:
    header = refused(changed("3 Zrotation", "3 Wrotation").replace("\n", ending))
    assert header.where == f"line {BOOM_CHANNELS}"
    row = refused(changed("-2.5", "abc").replace("\n", ending))
    assert row.where == f"line {SECOND_ROW}, frame 1, channel Mast Xrotation"
    time = refused(changed("0.04", "0").replace("\n", ending))
    assert time.where == f"line {TIME}"


def test_the_place_is_right_far_down_a_large_file() -> None:
    rows = ["0 0 0 1 2 3 4 5 6"] * 40_000
    rows[31_234] = "0 0 0 1 2 3 4 x 6"
    head = SAMPLE[: SAMPLE.index("Frames")] + "Frames: 40000\nFrame Time: 0.01\n"
    error = refused(head + "\n".join(rows) + "\n")
    assert error.where == f"line {TIME + 1 + 31_234}, frame 31234, channel Boom Xrotation"


def test_other_encodings_are_refused_in_words() -> None:
    error = refused(SAMPLE.encode("utf-16"))
    assert "saved as plain text" in (error.hint or "")


def test_the_docs_show_the_messages_as_they_are() -> None:
    page = Path(__file__).parents[2] / "docs" / "formats" / "bvh.md"
    shown = page.read_text(encoding="utf-8").split("```text\n")[1].split("```")[0].splitlines()
    faults = [
        changed("CHANNELS 3", "CHANNELS 4"),
        changed("\tCHANNELS 3", "\tCHANELS 3"),
        changed("}\nMOTION", "MOTION"),
        changed("Frames: 2", "Frames: 3"),
        changed("30.0", "3O.0"),
        changed(" 30.0 0.0", " 30.0"),
    ]
    assert shown == [str(refused(fault)) for fault in faults]
