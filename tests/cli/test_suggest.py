"""The command ``suggest`` as a rigger or a script meets it."""

from __future__ import annotations

from pathlib import Path

import pytest

from audit.correction import write
from audit.demo import demo_files
from audit.sheet import read_sheet
from tests.cli.running import Command, hinge_audit
from tests.formats.acclaim_making import MOTION, SKELETON
from tests.unit.correcting import limb

__all__ = ["hinge_audit"]


@pytest.fixture
def shots(tmp_path: Path) -> Path:
    """Return a folder with two shots of one limb, one of them further down."""
    folder = tmp_path / "shots"
    (folder / "day 2").mkdir(parents=True)
    write(limb(25.0, 60), folder / "walk.bvh")
    write(limb(25.0, 40), folder / "day 2" / "run.bvh")
    return folder


def rows_of(data: bytes | str) -> dict[str, float | None]:
    sheet = read_sheet(data.encode() if isinstance(data, str) else data, "printed")
    return {row.joint: row.twist_offset_deg for row in sheet.rows}


def test_it_is_printed_without_out(hinge_audit: Command, shots: Path) -> None:
    done = hinge_audit("suggest", shots / "walk.bvh")
    assert done.code == 0
    assert "1 of 3 joints are to be turned" in done.err
    assert done.out.startswith("# Offsets.")
    found = rows_of(done.out)
    assert list(found) == ["L_Thigh", "L_Knee", "L_End"]
    assert found["L_Knee"] == pytest.approx(25.0, abs=0.1)
    assert (found["L_Thigh"], found["L_End"]) == (None, None)


def test_it_is_written_and_says_what_comes_next(
    hinge_audit: Command, shots: Path, tmp_path: Path
) -> None:
    out = tmp_path / "new" / "offsets.csv"
    done = hinge_audit("suggest", shots, "--out", out)
    assert (done.code, done.err) == (0, "")
    assert "1 of 3 joints" in done.out
    assert f"hinge-audit correct SHOT... --offsets {out} --out DIR" in done.out
    assert rows_of(out.read_bytes())["L_Knee"] == pytest.approx(25.0, abs=0.1)


def test_quiet_prints_nothing_but_a_sheet_that_was_asked_for(
    hinge_audit: Command, shots: Path, tmp_path: Path
) -> None:
    done = hinge_audit("suggest", shots, "--out", tmp_path / "offsets.csv", "--quiet")
    assert (done.code, done.out, done.err) == (0, "", "")


class TestReplace:
    def test_an_earlier_sheet_is_left_alone(
        self, hinge_audit: Command, shots: Path, tmp_path: Path
    ) -> None:
        out = tmp_path / "offsets.csv"
        out.write_text("joint,twist_offset_deg\nL_Knee,1\n")
        done = hinge_audit("suggest", shots, "--out", out)
        assert done.code == 3
        assert f"{out}: exists already" in done.err
        assert "--replace" in done.err
        assert out.read_text() == "joint,twist_offset_deg\nL_Knee,1\n"

    def test_its_comments_blank_rows_and_columns_are_kept(
        self, hinge_audit: Command, shots: Path, tmp_path: Path
    ) -> None:
        out = tmp_path / "offsets.csv"
        out.write_text(
            "# agreed on\n\njoint,owner,twist_offset_deg\nL_Knee,Kim,1\n# end\nTail,Kim,2\n"
        )
        done = hinge_audit("suggest", shots, "--out", out, "--replace")
        assert (done.code, done.err) == (0, "")
        lines = out.read_text().splitlines()
        assert lines[:2] == ["# agreed on", ""]
        assert lines[2].endswith(",reason,advice,owner")
        assert lines[3].startswith("L_Knee,25.")
        assert lines[3].endswith(",Kim")
        assert lines[4] == "# end"
        assert [line.split(",")[0] for line in lines[5:]] == ["L_Thigh", "L_End"]

    def test_what_is_no_sheet_is_not_replaced(
        self, hinge_audit: Command, shots: Path, tmp_path: Path
    ) -> None:
        out = tmp_path / "budget.csv"
        out.write_text("month,sum\nMay,1\n")
        done = hinge_audit("suggest", shots, "--out", out, "--replace")
        assert done.code == 3
        assert "is not the heading of an offsets sheet" in done.err
        assert out.read_text() == "month,sum\nMay,1\n"

    def test_a_sheet_in_the_folder_is_no_shot(self, hinge_audit: Command, shots: Path) -> None:
        out = shots / "offsets.csv"
        assert hinge_audit("suggest", shots, "--out", out).code == 0
        again = hinge_audit("suggest", shots, "--out", out, "--replace")
        assert (again.code, again.err) == (0, "")
        (shots / "budget.csv").write_text("month,sum\nMay,1\n")
        assert hinge_audit("suggest", shots).code == 0
        # Given by name it is taken for a shot, and refused.
        assert hinge_audit("suggest", shots / "budget.csv").code == 3


class TestInputs:
    def test_an_unreadable_shot_is_named_and_the_others_are_used(
        self, hinge_audit: Command, shots: Path, tmp_path: Path
    ) -> None:
        bad = shots / "bad.bvh"
        bad.write_bytes((shots / "walk.bvh").read_bytes()[:300])
        out = tmp_path / "offsets.csv"
        done = hinge_audit("suggest", shots, tmp_path / "nowhere.bvh", "--out", out)
        assert done.code == 3
        assert f"hinge-audit: {bad}: line" in done.err
        assert f"{tmp_path / 'nowhere.bvh'}: cannot be opened" in done.err
        assert rows_of(out.read_bytes())["L_Knee"] == pytest.approx(25.0, abs=0.1)

    def test_none_that_can_be_read(self, hinge_audit: Command, tmp_path: Path) -> None:
        out = tmp_path / "offsets.csv"
        done = hinge_audit("suggest", tmp_path / "nowhere.bvh", "--out", out)
        assert (done.code, done.out) == (3, "")
        assert not out.exists()

    def test_an_empty_folder(self, hinge_audit: Command, tmp_path: Path) -> None:
        done = hinge_audit("suggest", tmp_path)
        assert done.code == 3
        assert "holds no shot" in done.err
        assert ".bvh" in done.err

    def test_different_rigs(self, hinge_audit: Command, shots: Path, tmp_path: Path) -> None:
        for name in ("wade_clean.bvh", "strike_messy.bvh"):
            (tmp_path / name).write_bytes(demo_files()[name])
        done = hinge_audit("suggest", shots / "walk.bvh", tmp_path / "wade_clean.bvh")
        assert (done.code, done.out) == (2, "")
        assert "wade_clean and walk are of different rigs" in done.err
        assert "one rig at a time" in done.err
        # The same joints in other axes: one rig, drifted.
        done = hinge_audit("suggest", tmp_path / "wade_clean.bvh", tmp_path / "strike_messy.bvh")
        assert done.code == 0
        assert "rig-drift  The rest frame of Tail2 is turned by 12.00° in strike_messy" in done.err

    def test_a_skeleton_that_is_apart(self, hinge_audit: Command, tmp_path: Path) -> None:
        (tmp_path / "lift.amc").write_bytes(MOTION)
        (tmp_path / "crane.asf").write_bytes(SKELETON)
        done = hinge_audit("suggest", tmp_path, "--skeleton", tmp_path / "crane.asf")
        assert done.code == 0, done.err
        assert "boom" in rows_of(done.out)

    def test_an_order_that_is_none(self, hinge_audit: Command, shots: Path) -> None:
        assert hinge_audit("suggest", shots, "--order", "XYX").code == 2
        assert hinge_audit("suggest", shots, "--order", "zxy").code == 0


def test_help_has_examples_and_the_warning(hinge_audit: Command) -> None:
    done = hinge_audit("suggest", "--help")
    assert done.code == 0
    assert "Examples:\n    hinge-audit suggest walk.bvh --out offsets.csv" in done.out
    for word in ("--out", "--skeleton", "--order", "--replace", "--quiet", "spreadsheet"):
        assert word in done.out
    assert "agree on it before animation" in " ".join(done.out.split())
    assert hinge_audit("suggest").code == 2
