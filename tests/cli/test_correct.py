"""The command ``correct`` as a rigger or a script meets it."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Sequence
from pathlib import Path

import pytest

from audit.correction import write
from audit.formats import formats
from audit.model import Shot
from audit.pipeline import read
from tests.cli.running import Command, hinge_audit
from tests.formats.acclaim_making import MOTION, SKELETON
from tests.unit.correcting import limb, moving_glb
from tests.unit.test_files import tree

__all__ = ["hinge_audit"]

SHEET = "joint,twist_offset_deg,full_offset_x,full_offset_y,full_offset_z,full_offset_w\n"


@pytest.fixture
def shots(tmp_path: Path) -> Path:
    """Return a folder with two shots of one limb."""
    folder = tmp_path / "shots"
    folder.mkdir()
    write(limb(25.0, 60), folder / "walk.bvh")
    write(limb(25.0, 40), folder / "run.bvh")
    return folder


@pytest.fixture
def offsets(tmp_path: Path) -> Path:
    path = tmp_path / "offsets.csv"
    path.write_text(SHEET + "L_Knee,25\n")
    return path


class TestDone:
    def test_files_figures_and_proof(
        self, hinge_audit: Command, shots: Path, offsets: Path, tmp_path: Path
    ) -> None:
        out, before = tmp_path / "out", tree(shots)
        done = hinge_audit("correct", shots, "--offsets", offsets, "--out", out)
        assert (done.code, done.err) == (0, "")
        assert sorted(tree(out)) == ["proof.html", "proof.json", "run.bvh", "walk.bvh"]
        assert tree(shots) == before
        assert f"{out / 'run.bvh'}: 1 joint changed" in done.out
        assert "no joint moved by more than" in done.out
        assert "hinges on one channel: 0 → 1 of 1" in done.out
        assert f"Proof: {out / 'proof.html'}" in done.out
        page = (out / "proof.html").read_text("utf-8")
        assert "Nothing moved" in page
        assert "walk" in page
        proof = json.loads((out / "proof.json").read_text("utf-8"))
        assert [each["file"] for each in proof["files"]] == ["run.bvh", "walk.bvh"]

    def test_what_was_suggested_leaves_one_channel(
        self, hinge_audit: Command, shots: Path, tmp_path: Path
    ) -> None:
        sheet, out = tmp_path / "made.csv", tmp_path / "out"
        assert hinge_audit("suggest", shots, "--out", sheet, "-q").code == 0
        assert hinge_audit("correct", shots, "--offsets", sheet, "--out", out, "-q").code == 0
        again = hinge_audit("suggest", out / "walk.bvh", out / "run.bvh")
        assert "moves on one channel already" in again.out

    def test_quiet(self, hinge_audit: Command, shots: Path, offsets: Path, tmp_path: Path) -> None:
        done = hinge_audit("correct", shots, "--offsets", offsets, "--out", tmp_path / "o", "-q")
        assert (done.code, done.out, done.err) == (0, "", "")

    @pytest.mark.parametrize(
        ("only", "angle"), [([], 73.74), (["--only", "full"], 73.74), (["--only", "twist"], 25.0)]
    )
    def test_only(
        self,
        hinge_audit: Command,
        shots: Path,
        offsets: Path,
        tmp_path: Path,
        only: list[str],
        angle: float,
    ) -> None:
        offsets.write_text(SHEET + "L_Knee,25,0,0.6,0,0.8\n")
        out = tmp_path / "out"
        words = ["correct", shots / "walk.bvh", "--offsets", offsets, "--out", out, *only]
        assert hinge_audit(*words).code == 0
        (entry,) = json.loads((out / "proof.json").read_text("utf-8"))["files"]
        (turned,) = entry["turned"]
        assert turned["angle_deg"] == pytest.approx(angle, abs=0.01)
        assert entry["offsets"]["only"] == (only[1] if only else None)

    def test_several_animations_and_a_refused_joint(
        self, hinge_audit: Command, tmp_path: Path
    ) -> None:
        (tmp_path / "leg.glb").write_bytes(moving_glb((None, (1.0, 1.0, 2.0))).glb())
        sheet = tmp_path / "offsets.csv"
        sheet.write_text(SHEET + "hip,20\nknee,20\n")
        done = hinge_audit(
            "correct", tmp_path / "leg.glb", "--offsets", sheet, "--out", tmp_path / "out"
        )
        assert done.code == 0
        assert "knee stays: its scale is uneven" in done.err
        assert "leg take 1: no joint moved" in done.out
        assert "leg take 2: no joint moved" in done.out

    def test_a_pair_with_its_skeleton(self, hinge_audit: Command, tmp_path: Path) -> None:
        for name, data in (("a.amc", MOTION), ("b.amc", MOTION), ("crane.asf", SKELETON)):
            (tmp_path / name).write_bytes(data)
        sheet = tmp_path / "offsets.csv"
        sheet.write_text(SHEET + "boom,20\n")
        words = ["--skeleton", tmp_path / "crane.asf", "--offsets", sheet]
        done = hinge_audit("correct", tmp_path, *words, "--out", tmp_path / "out")
        assert done.code == 0, done.err
        names = ["a.amc", "b.amc", "crane.asf", "proof.html", "proof.json"]
        assert sorted(tree(tmp_path / "out")) == names


class TestWarned:
    def test_joints_that_the_rig_lacks(
        self, hinge_audit: Command, shots: Path, offsets: Path, tmp_path: Path
    ) -> None:
        offsets.write_text(SHEET + "L_Knee,25\nTail,3\n")
        walk = shots / "walk.bvh"
        done = hinge_audit("correct", walk, "--offsets", offsets, "--out", tmp_path / "out")
        assert done.code == 0
        assert f"hinge-audit: {walk}: has no joint Tail; the sheet does" in done.err

    def test_hinges_that_got_messier(
        self, hinge_audit: Command, shots: Path, offsets: Path, tmp_path: Path
    ) -> None:
        write(limb(0.0), shots / "clean.bvh")
        done = hinge_audit(
            "correct", shots / "clean.bvh", "--offsets", offsets, "--out", tmp_path / "out"
        )
        assert done.code == 0
        assert "L_Knee moves on more channels than before" in done.err
        assert "made for these axes?" in done.err


def wrong(monkeypatch: pytest.MonkeyPatch, label: str) -> None:
    """Let the writer move a joint in one of the shots."""
    kind = formats()["bvh"]
    plain = kind.write
    assert plain is not None

    def write_wrongly(shots: Sequence[Shot], name: str) -> dict[str, bytes]:
        (shot,) = shots
        if shot.source.label == label:
            offsets = shot.skeleton.offsets + 1e-3
            shot = dataclasses.replace(
                shot, skeleton=dataclasses.replace(shot.skeleton, offsets=offsets)
            )
        return plain([shot], name)

    monkeypatch.setitem(formats(), "bvh", dataclasses.replace(kind, write=write_wrongly))


class TestRefused:
    def test_4_where_the_motion_would_change(
        self,
        hinge_audit: Command,
        shots: Path,
        offsets: Path,
        tmp_path: Path,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        wrong(monkeypatch, "run")
        out = tmp_path / "out"
        done = hinge_audit(
            "correct", shots, tmp_path / "nowhere.bvh", "--offsets", offsets, "--out", out
        )
        # Worse than an input that cannot be read; what can be done is done.
        assert done.code == 4
        assert f"{shots / 'run.bvh'}: not corrected: in run joint" in done.err
        assert "Nothing was written" in done.err
        assert "nowhere.bvh: cannot be opened" in done.err
        assert sorted(tree(out)) == ["proof.html", "proof.json", "walk.bvh"]
        proof = json.loads((out / "proof.json").read_text("utf-8"))
        assert [each["file"] for each in proof["files"]] == ["walk.bvh"]

    def test_nothing_at_all_is_left_where_none_can_be_done(
        self,
        hinge_audit: Command,
        shots: Path,
        offsets: Path,
        tmp_path: Path,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        wrong(monkeypatch, "walk")
        out = tmp_path / "out"
        done = hinge_audit("correct", shots / "walk.bvh", "--offsets", offsets, "--out", out)
        assert (done.code, done.out) == (4, "")
        assert not out.exists()

    def test_3_where_an_input_cannot_be_read_and_the_others_are_done(
        self, hinge_audit: Command, shots: Path, offsets: Path, tmp_path: Path
    ) -> None:
        (shots / "bad.bvh").write_bytes(b"HIERARCHY\nROOT")
        out = tmp_path / "out"
        done = hinge_audit("correct", shots, "--offsets", offsets, "--out", out)
        assert done.code == 3
        assert f"{shots / 'bad.bvh'}: line" in done.err
        assert "walk.bvh" in tree(out)
        assert "bad.bvh" not in tree(out)

    def test_3_where_an_output_is_there_already(
        self, hinge_audit: Command, shots: Path, offsets: Path, tmp_path: Path
    ) -> None:
        out = tmp_path / "out"
        words = ["correct", shots, "--offsets", offsets, "--out", out]
        assert hinge_audit(*words).code == 0
        before = tree(out)
        done = hinge_audit(*words)
        assert done.code == 3
        assert f"{shots / 'walk.bvh'}: {out / 'walk.bvh'}: exists already" in done.err
        assert tree(out) == before
        assert hinge_audit(*words, "--replace").code == 0

    @pytest.mark.parametrize("more", [[], ["--replace"]])
    def test_3_over_an_input(
        self, hinge_audit: Command, shots: Path, offsets: Path, more: list[str]
    ) -> None:
        before = tree(shots)
        done = hinge_audit("correct", shots, "--offsets", offsets, "--out", shots, *more)
        assert done.code == 3
        assert "inputs are never written over" in done.err
        assert tree(shots) == before

    def test_corrected_files_below_the_shots_are_no_shots(
        self, hinge_audit: Command, shots: Path, offsets: Path
    ) -> None:
        words = ["correct", shots, "--offsets", offsets, "--out", shots / "corrected"]
        assert hinge_audit(*words).code == 0
        again = hinge_audit(*words, "--replace")
        assert (again.code, again.err) == (0, "")
        assert len(tree(shots / "corrected")) == 4

    def test_3_where_the_sheet_is_another_rigs(
        self, hinge_audit: Command, shots: Path, offsets: Path, tmp_path: Path
    ) -> None:
        offsets.write_text(SHEET + "LKnee,25\n")
        done = hinge_audit("correct", shots, "--offsets", offsets, "--out", tmp_path / "out")
        assert done.code == 3
        assert "none of its 1 joints" in done.err
        assert "did you mean L_Knee?" in done.err
        assert f"{shots / 'walk.bvh'}: {offsets}" in done.err

    @pytest.mark.parametrize(
        ("sheet", "code", "words"),
        [
            ("", 3, "holds no heading"),
            (SHEET + "L_Knee,many\n", 3, "row 2, column twist_offset_deg: 'many' is not a number"),
            (SHEET + "L_Knee,\n", 2, "asks for no turn at all"),
            (None, 3, "cannot be opened"),
        ],
    )
    def test_a_sheet_that_cannot_be_used(
        self,
        hinge_audit: Command,
        shots: Path,
        offsets: Path,
        tmp_path: Path,
        sheet: str | None,
        code: int,
        words: str,
    ) -> None:
        if sheet is None:
            offsets.unlink()
        else:
            offsets.write_text(sheet)
        done = hinge_audit("correct", shots, "--offsets", offsets, "--out", tmp_path / "out")
        assert (done.code, done.out) == (code, "")
        assert f"{offsets}" in done.err
        assert words in done.err
        assert not (tmp_path / "out").exists()

    @pytest.mark.parametrize("name", ["walk.bvh", "WALK.BVH"])
    def test_2_where_two_shots_would_have_one_name(
        self, hinge_audit: Command, shots: Path, offsets: Path, tmp_path: Path, name: str
    ) -> None:
        other = tmp_path / "other" / name
        other.parent.mkdir()
        other.write_bytes((shots / "walk.bvh").read_bytes())
        out = tmp_path / "out"
        done = hinge_audit("correct", shots, other, "--offsets", offsets, "--out", out)
        assert done.code == 2
        assert f"{other} would both be written as {name}" in done.err
        assert "two folders" in done.err
        assert not out.exists()

    @pytest.mark.parametrize(("name", "content"), [("proof.json", "{}"), ("proof.html", "<p>")])
    def test_proofs_of_somebody_else_are_left_alone(
        self,
        hinge_audit: Command,
        shots: Path,
        offsets: Path,
        tmp_path: Path,
        name: str,
        content: str,
    ) -> None:
        out = tmp_path / "out"
        out.mkdir()
        (out / name).write_text(content)
        words = ["correct", shots, "--offsets", offsets, "--out", out, "--replace"]
        done = hinge_audit(*words)
        assert (done.code, done.out) == (3, "")
        assert f"{out / name}: is not a proof that hinge-audit wrote" in done.err
        assert tree(out) == {name: content.encode()}

    def test_2_where_options_are_missing(self, hinge_audit: Command, shots: Path) -> None:
        assert hinge_audit("correct", shots).code == 2
        assert hinge_audit("correct", shots, "--offsets", "a.csv").code == 2
        assert hinge_audit("correct", "--offsets", "a.csv", "--out", "o").code == 2


def test_an_offsets_sheet_among_the_shots_is_no_shot(
    hinge_audit: Command, shots: Path, tmp_path: Path
) -> None:
    sheet = shots / "offsets.csv"
    assert hinge_audit("suggest", shots, "--out", sheet).code == 0
    done = hinge_audit("correct", shots, "--offsets", sheet, "--out", tmp_path / "out")
    assert (done.code, done.err) == (0, "")
    assert "offsets.csv" not in tree(tmp_path / "out")
    assert read(tmp_path / "out" / "walk.bvh").frames == 60


def test_help_has_examples_and_the_warning(hinge_audit: Command) -> None:
    done = hinge_audit("correct", "--help")
    assert done.code == 0
    text = " ".join(done.out.split())
    assert "Examples:\n    hinge-audit correct walk.bvh --offsets offsets.csv" in done.out
    for word in ("--offsets", "--out", "--skeleton", "--only", "--replace", "--quiet"):
        assert word in text
    assert "never written over" in text
    assert "the command ends with 4" in text
    assert "agree on it before animation starts" in text
