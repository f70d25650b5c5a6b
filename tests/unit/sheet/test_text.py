"""The offsets sheet as text: what people and spreadsheets make of it reads back, and errors name the cell."""

from __future__ import annotations

import csv
import io

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from audit.conventions import AXES, ORDERS
from audit.errors import FormatError
from audit.sheet import COLUMNS, Offset, Sheet, read_sheet, sheet_text
from tests.strategies import random_directions, random_quaternions, seeds

HEADING = ",".join(column.name for column in COLUMNS)


def read(text: str | bytes) -> Sheet:
    return read_sheet(text if isinstance(text, bytes) else text.encode(), "offsets.csv")


def again(sheet: Sheet) -> Sheet:
    return read(sheet_text(sheet))


cells = st.text(st.characters(exclude_categories=["Cs"]), min_size=1).filter(
    lambda text: text == text.strip() != ""
)
"""Any text but for white space at the ends, which a sheet does not keep."""


@st.composite
def rows(draw: st.DrawFn, joint: str) -> Offset:
    generator = np.random.default_rng(draw(seeds))

    def maybe(value: float, digits: int) -> float | None:
        return round(value, digits) if generator.random() < 0.6 else None

    limb = np.round(random_directions(generator), 9).tolist()
    full = np.round(random_quaternions(generator), 9).tolist()
    return Offset(
        joint,
        limb_axis=(limb[0], limb[1], limb[2]) if generator.random() < 0.6 else None,
        twist_offset_deg=maybe(generator.uniform(-180.0, 180.0), 4),
        twist_low_deg=maybe(generator.uniform(-180.0, 180.0), 4),
        twist_high_deg=maybe(generator.uniform(-180.0, 180.0), 4),
        full_offset_xyzw=(full[0], full[1], full[2], full[3]) if generator.random() < 0.4 else None,
        target_axis=draw(st.sampled_from([None, *AXES])),
        advised_order=draw(st.sampled_from([None, *ORDERS])),
        range_deg=maybe(generator.uniform(0.0, 400.0), 2),
        reason=draw(st.none() | cells),
    )


@st.composite
def sheets(draw: st.DrawFn) -> Sheet:
    names = draw(st.lists(cells, unique=True, max_size=6))
    return Sheet(tuple(draw(rows(name)) for name in names))


def values_of(sheet: Sheet) -> list[tuple[object, ...]]:
    return [tuple(column.get(row) for column in COLUMNS) for row in sheet.rows]


class TestRoundTrip:
    @given(sheets())
    @example(Sheet((Offset("a\x85b\u2028c\x0b\x1cd", reason="line\nbreak"),)))
    @example(Sheet((Offset("#1", reason='#"'), Offset('"'), Offset('"#'), Offset("'='"))))
    def test_what_was_written_reads_back(self, sheet: Sheet) -> None:
        assert values_of(again(sheet)) == values_of(sheet)

    @given(sheets())
    def test_a_second_time_not_a_byte_differs(self, sheet: Sheet) -> None:
        text = sheet_text(again(sheet))
        assert sheet_text(read(text)) == text

    def test_a_made_sheet_says_how_it_is_used(self) -> None:
        text = sheet_text(Sheet((Offset("knee", twist_offset_deg=12.5),)))
        assert text.startswith("# Offsets.")
        assert "right-handed about limb_axis" in text
        assert HEADING in text.splitlines()
        assert again(Sheet((Offset("knee", twist_offset_deg=12.5),))).rows[0].line == 5

    @pytest.mark.parametrize("name", ["=1+1", "+knee", "-knee", "@knee", "#knee", "'knee", "''"])
    def test_no_spreadsheet_takes_a_name_for_a_formula(self, name: str) -> None:
        sheet = Sheet((Offset(name, twist_offset_deg=-1.0, reason=name),))
        line = sheet_text(sheet).splitlines()[-1]
        assert line.startswith(f"'{name}")
        assert again(sheet).rows[0].joint == name
        assert again(sheet).rows[0].reason == name

    def test_numbers_are_plain_numbers(self) -> None:
        row = Offset(
            "knee", twist_offset_deg=-0.0, range_deg=1e-7, limb_axis=(1.0, -1e-12, 0.0), shots=12
        )
        line = sheet_text(Sheet((row,))).splitlines()[-1]
        assert line == "knee,0.0,,,1.0,0.0,0.0,,,,,,,0.0,12,,,"


class TestKept:
    TEXT = (
        "# agreed with the riggers\n"
        "\n"
        "joint,note,twist_offset_deg,owner\n"
        "knee,wait for J.,12.5,=A1\n"
        "   # the arms, next week\n"
        "\n"
        'elbow,"a, b",,\n'
        "# the end\n"
    )

    def test_comments_blank_rows_and_added_columns(self) -> None:
        sheet = read(self.TEXT)
        assert sheet.others == ("note", "owner")
        assert [row.line for row in sheet.rows] == [4, 7]
        assert dict(sheet.rows[0].others) == {"note": "wait for J.", "owner": "=A1"}
        lines = sheet_text(sheet).splitlines()
        assert lines[:2] == ["# agreed with the riggers", ""]
        assert lines[2] == HEADING + ",note,owner"
        assert lines[3].startswith("knee,12.5,")
        assert lines[3].endswith(",wait for J.,=A1")
        assert lines[4:6] == ["# the arms, next week", ""]
        assert lines[6].endswith(',"a, b",')
        assert lines[7:] == ["# the end"]

    def test_the_table_has_all_columns(self) -> None:
        table = read(self.TEXT).table
        assert list(table.columns) == [column.name for column in COLUMNS] + ["note", "owner"]
        assert table["joint"].tolist() == ["knee", "elbow"]
        assert table["note"].tolist() == ["wait for J.", "a, b"]

    def test_renewed_rows_stand_where_the_old_ones_did(self) -> None:
        sheet = read(self.TEXT)
        new = [Offset("wrist", twist_offset_deg=1.0), Offset("elbow", twist_offset_deg=2.0)]
        renewed = sheet.renewed(new)
        assert [row.joint for row in renewed.rows] == ["elbow", "wrist"]
        lines = sheet_text(renewed).splitlines()
        assert lines[0] == "# agreed with the riggers"
        assert lines[3:5] == ["# the arms, next week", ""]
        assert lines[5].startswith("elbow,2.0,")
        assert lines[5].endswith(',"a, b",')
        assert lines[6] == "# the end"
        assert lines[7].startswith("wrist,1.0,")
        assert values_of(again(renewed)) == values_of(renewed)

    def test_a_made_sheet_can_be_renewed(self) -> None:
        renewed = Sheet((Offset("knee"),)).renewed([Offset("hip"), Offset("knee", range_deg=3.0)])
        assert [(row.joint, row.range_deg) for row in renewed.rows] == [
            ("knee", 3.0),
            ("hip", None),
        ]
        assert values_of(again(renewed)) == values_of(renewed)


class TestSpreadsheets:
    """What they save: other separators, decimal commas, marks, quoted comments."""

    def saved(self, sheet: Sheet, separator: str = ";", end: str = "\r\n") -> str:
        """Save a sheet as a spreadsheet does: each line a row of as many cells, all that need it quoted."""
        table = list(csv.reader(io.StringIO(sheet_text(sheet), newline="")))
        width = max(map(len, table))
        out = io.StringIO()
        writer = csv.writer(out, delimiter=separator, lineterminator=end)
        for row in table:
            writer.writerow(row + [""] * (width - len(row)))
        return out.getvalue()

    SHEET = Sheet((Offset("knee", (0.6, -0.8, 0.0), -12.25, reason='he said "no"; twice'),))

    @pytest.mark.parametrize("separator", [",", ";", "\t"])
    @pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
    @pytest.mark.parametrize("mark", ["", "\ufeff"])
    def test_as_saved(self, separator: str, end: str, mark: str) -> None:
        found = read((mark + self.saved(self.SHEET, separator, end)).encode())
        assert values_of(found) == values_of(self.SHEET)

    @pytest.mark.parametrize("separator", [";", "\t"])
    def test_decimal_commas(self, separator: str) -> None:
        text = separator.join(["joint", "twist_offset_deg"]) + "\n"
        text += separator.join(["knee", "−12,25°"]) + "\n"
        assert read(text).rows[0].twist_offset_deg == -12.25

    def test_a_decimal_comma_needs_another_separator(self) -> None:
        with pytest.raises(FormatError, match="has 3 cells, and the heading 2"):
            read("joint,twist_offset_deg\nknee,12,25\n")

    @pytest.mark.parametrize(
        ("line", "comment"),
        [
            ('"# a, b",,,', "# a, b"),
            ("# a, b,,,", "# a, b"),
            ('"# say ""no"", he said",', '# say "no", he said'),
            ('# say "no"', '# say "no"'),
            ('"# open', "# open"),
            ("  # in,  ", "# in"),
        ],
    )
    def test_quoted_comments(self, line: str, comment: str) -> None:
        sheet = read(f"{line}\njoint,twist_offset_deg\n")
        assert sheet.lines[0] == comment

    def test_rows_of_empty_cells_are_blank(self) -> None:
        sheet = read("joint;twist_offset_deg\r\n;\r\n ; \r\nknee;1\r\n")
        assert len(sheet.rows) == 1
        assert sheet.lines[1:3] == ("", "")

    def test_a_cell_over_several_lines(self) -> None:
        sheet = read('joint,twist_offset_deg,reason\nknee,1,"one\n# two\n\nthree"\nhip,2,\n')
        assert sheet.rows[0].reason == "one\n# two\n\nthree"
        assert [row.line for row in sheet.rows] == [2, 6]

    def test_columns_in_any_order_and_small_letters(self) -> None:
        (row,) = read("advised_order,target_axis,twist_offset_deg,joint,\nzxy,x,5,knee,\n").rows
        assert (row.joint, row.advised_order, row.target_axis, row.twist_offset_deg) == (
            "knee",
            "ZXY",
            "X",
            5.0,
        )

    def test_one_column_of_actions_is_enough(self) -> None:
        full = "joint,full_offset_x,full_offset_y,full_offset_z,full_offset_w\nknee,0,0,0,1\n"
        assert read(full).rows[0].full_offset_xyzw == (0.0, 0.0, 0.0, 1.0)
        assert not read("joint,twist_offset_deg\nknee,\n").rows[0].turns

    def test_ten_thousand_rows_are_read_at_once(self) -> None:
        text = "joint,twist_offset_deg\n" + "".join(f"j{row},1\n" for row in range(10_000))
        assert len(read(text).rows) == 10_000


SHORT = "joint,twist_offset_deg,target_axis,advised_order,limb_axis_x,limb_axis_y,limb_axis_z"
FULL = "joint,full_offset_x,full_offset_y,full_offset_z,full_offset_w"


@pytest.mark.parametrize(
    ("text", "where", "cause", "hint"),
    [
        (
            "joint,twist_ofset_deg\nknee,1\n",
            "row 1, column twist_ofset_deg",
            "is no column",
            "Did you mean twist_offset_deg?",
        ),
        ("# x\n\njoint,reason,twist_offset_deg,reason\n", "row 3, column reason", "twice", "Take"),
        (FULL + "\nknee,0,0,0.6,\n", "row 2, column full_offset_w", "is empty, but", "all of"),
        (
            SHORT + "\nknee,1,,,0,1,\n",
            "row 2, column limb_axis_z",
            "is empty, but limb_axis_x is not",
            "Fill or clear all of limb_axis",
        ),
        (SHORT + "\nknee,1o\n", "row 2, column twist_offset_deg", "'1o' is not a number", "Corr"),
        (SHORT + "\nknee,nan\n", "row 2, column twist_offset_deg", "not a number", "Correct"),
        (SHORT + "\nknee,inf\n", "row 2, column twist_offset_deg", "not a number", "Correct"),
        (SHORT + "\nknee,1_0\n", "row 2, column twist_offset_deg", "not a number", "Correct"),
        (
            SHORT + "\nhip,1\n# x\nknee,-180.5\n",
            "row 4, column twist_offset_deg",
            "-180.5° is more than half a turn",
            "from -180 to 180",
        ),
        (FULL + "\nknee,0,0,0.6,0.7\n", "row 2, column full_offset_x", "length 0.922", "unit"),
        (SHORT + "\nknee,1,,,0,0,2\n", "row 2, column limb_axis_x", "has length 2", "unit"),
        (SHORT + "\nknee,1,,,0,0,0\n", "row 2, column limb_axis_x", "has length 0", "unit"),
        (SHORT + "\nknee,1,W\n", "row 2, column target_axis", "'W' is no axis", "X, Y or Z"),
        (
            SHORT + "\nknee,1,X,XYX\n",
            "row 2, column advised_order",
            "'XYX' is no rotation order",
            "XYZ, XZY",
        ),
        (SHORT + "\n,1\n", "row 2, column joint", "is empty", "Name the joint"),
        (
            SHORT + "\nknee,1\n\nknee,2\n",
            "row 4, column joint",
            "'knee' stands in row 2 too",
            "one row",
        ),
        ("joint,reason\nknee,1\n", "row 1", "not the heading", "hinge-audit suggest"),
        ("knee,1\n", "row 1", "not the heading", "joint and twist_offset_deg"),
        ("", None, "holds no heading", "hinge-audit suggest"),
        ("# only this\n\n", None, "holds no heading", "hinge-audit suggest"),
        (SHORT + '\n"knee,1\nhip,2\n', "row 2", "is not CSV", "quotation mark"),
        (SHORT + '\nhip,1\nknee,"1" 2\n', "row 3", "is not CSV", "quotation mark"),
        (SHORT + "\nknee,1,,,,,,,x\n", "row 2", "has 9 cells, and the heading 7", "quotation"),
    ],
)
def test_errors_name_row_and_column(text: str, where: str | None, cause: str, hint: str) -> None:
    with pytest.raises(FormatError) as caught:
        read(text)
    error = caught.value
    assert error.path == "offsets.csv"
    assert error.where == where
    assert cause in error.cause
    assert error.hint is not None
    assert hint in error.hint


@pytest.mark.parametrize(
    ("data", "row"),
    [(b"joint\nkn\xe9e\n", 2), (b"\xff\xfej\0o\0", 1), ("joint".encode("utf-16"), 1)],
)
def test_other_encodings_are_refused(data: bytes, row: int) -> None:
    with pytest.raises(FormatError, match="is not UTF-8 text") as caught:
        read(data)
    assert caught.value.where == f"row {row}"


def test_a_cell_too_long_for_a_sheet_is_refused() -> None:
    with pytest.raises(FormatError, match="is not CSV"):
        read("joint,twist_offset_deg\n" + "x" * 200_000 + ",1\n")


SIGNS = st.sampled_from([*",;\t\n\r\"'#=-+. \0\x85\u2028", "joint", "twist_offset_deg", "1", "kn"])


class TestAnyBytes:
    """A sheet or a FormatError, and nothing else."""

    def take(self, data: bytes) -> None:
        try:
            sheet = read(data)
        except FormatError:
            return
        # Numbers are rounded when they are written; from then on they stay.
        once = again(sheet)
        assert [row.joint for row in once.rows] == [row.joint for row in sheet.rows]
        assert values_of(again(once)) == values_of(once)

    @given(st.binary(max_size=300))
    def test_bytes(self, data: bytes) -> None:
        self.take(data)

    @given(st.lists(SIGNS, max_size=60).map("".join), st.sampled_from(["", SHORT + "\n"]))
    def test_signs(self, text: str, heading: str) -> None:
        self.take((heading + text).encode("utf-8"))

    @given(seeds)
    def test_damaged_sheets(self, seed: int) -> None:
        generator = np.random.default_rng(seed)
        text = sheet_text(Sheet((Offset("knee", (0.0, 1.0, 0.0), 12.5), Offset("hip, l"))))
        data = bytearray(text.encode())
        for _ in range(int(generator.integers(1, 6))):
            data[int(generator.integers(len(data)))] = int(generator.choice(list(b',;"\n#1x \xff')))
        self.take(bytes(data))
