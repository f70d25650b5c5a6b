"""Corrected files of each format: animations, buffers beside, skeletons apart, and what is only read."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from audit.correction import LIMIT, PROOF, CorrectedFile, correct_file, write
from audit.errors import FormatError, InputError, OutputError
from audit.formats import formats
from audit.pipeline import read_all
from audit.sheet import Offset, Sheet
from tests.formats.acclaim_making import MOTION, SKELETON
from tests.formats.tables_making import ANGLES
from tests.formats.test_gltf_skins import skinned
from tests.unit.correcting import KNEE, LEG, limb, moving_glb
from tests.unit.test_files import tree


@pytest.fixture
def walk(tmp_path: Path) -> Path:
    """A BVH file of a limb with a messy knee, in a folder of its own."""
    path = tmp_path / "in" / "walk.bvh"
    path.parent.mkdir(exist_ok=True)
    return write(limb(), path)


class TestGltf:
    def test_several_animations_in_one_file(self, tmp_path: Path) -> None:
        path = tmp_path / "leg.glb"
        path.write_bytes(moving_glb().glb())
        done = correct_file(path, LEG, tmp_path / "out")
        assert len(done.shots) == 2
        assert [each["shot"] for each in done.entry["shots"]] == ["leg take 1", "leg take 2"]
        assert {row["joint"] for row in done.entry["turned"]} == {"hip", "knee"}
        assert all(shot.found.share_of_height < 1e-6 for shot in done.shots)

    @pytest.mark.parametrize(
        "scales",
        [((1.0, 1.0, 2.0), None), (None, (1.0, 1.0, 2.0)), ((1, 2, 1), (1, 1, 2))],
    )
    def test_what_one_animation_forbids_stays_in_all(
        self, tmp_path: Path, scales: tuple[Sequence[float] | None, ...]
    ) -> None:
        path = tmp_path / "leg.glb"
        path.write_bytes(moving_glb(scales).glb())
        done = correct_file(path, LEG, tmp_path / "out")
        assert [row["joint"] for row in done.entry["turned"]] == ["hip"]
        (refused,) = done.entry["refused"]
        assert refused["joint"] == "knee"
        assert "uneven" in refused["reason"]
        assert all(shot.found.share_of_height < 1e-6 for shot in done.shots)

    def test_even_scale_is_corrected(self, tmp_path: Path) -> None:
        path = tmp_path / "leg.glb"
        path.write_bytes(moving_glb(((2.0, 2.0, 2.0), None)).glb())
        done = correct_file(path, LEG, tmp_path / "out")
        assert done.entry["refused"] == []
        assert len(done.entry["turned"]) == 2

    def test_buffers_in_a_file_beside(self, tmp_path: Path) -> None:
        making = moving_glb()
        (tmp_path / "keys.bin").write_bytes(bytes(making.data))
        path = tmp_path / "leg.gltf"
        path.write_text(json.dumps(making.finished(uri="keys.bin")))
        before = tree(tmp_path)
        out = tmp_path / "out"
        done = correct_file(path, LEG, out)
        files = tree(out)
        assert len(files) == 3
        assert {each["file"] for each in done.entry["written"]} == set(files) - {PROOF}
        assert {name: data for name, data in tree(tmp_path).items() if "out" not in name} == before
        assert len(read_all(out / "leg.gltf")) == 2

    def test_skins_have_their_figure(self, tmp_path: Path) -> None:
        path = tmp_path / "coat.glb"
        path.write_bytes(skinned(2, even=True).glb())
        sheet = Sheet((Offset("j2", full_offset_xyzw=(0.0, 0.6, 0.0, 0.8)),))
        done = correct_file(path, sheet, tmp_path / "out")
        (figures,) = done.entry["shots"]
        assert 0.0 < figures["skin"] < LIMIT * figures["height"]
        assert figures["skin"] == pytest.approx(done.shots[0].skin, rel=1e-3)

    def test_joints_of_one_name_are_told_apart(self, tmp_path: Path) -> None:
        making = moving_glb()
        for node in making.top["nodes"][1:]:
            node["name"] = "part"
        path = tmp_path / "leg.glb"
        path.write_bytes(making.glb())
        sheet = Sheet((Offset("hip/part/part", full_offset_xyzw=(0.0, 0.6, 0.0, 0.8)),))
        done = correct_file(path, sheet, tmp_path / "out")
        assert [row["joint"] for row in done.entry["turned"]] == ["hip/part/part"]


class TestAcclaim:
    CRANE = Sheet(
        (
            Offset("boom", twist_offset_deg=20.0),
            Offset("mast", full_offset_xyzw=(0.0, 0.6, 0.0, 0.8)),
        )
    )

    @pytest.fixture
    def pair(self, tmp_path: Path) -> tuple[Path, Path]:
        (tmp_path / "in").mkdir(exist_ok=True)
        motion, skeleton = tmp_path / "in" / "lift.amc", tmp_path / "in" / "crane.asf"
        motion.write_bytes(MOTION)
        skeleton.write_bytes(SKELETON)
        return motion, skeleton

    def correct(self, pair: tuple[Path, Path], out: Path, **more: Any) -> CorrectedFile:
        sheet = more.pop("sheet", self.CRANE)
        return correct_file(pair[0], sheet, out, skeleton=pair[1], measured=False, **more)

    def test_the_skeleton_keeps_its_name(self, pair: tuple[Path, Path], tmp_path: Path) -> None:
        out = tmp_path / "out"
        done = self.correct(pair, out)
        assert sorted(tree(out)) == ["crane.asf", "lift.amc", PROOF]
        assert [each["file"] for each in done.entry["written"]] == ["lift.amc", "crane.asf"]
        assert pair[1].read_bytes() == SKELETON
        assert len(read_all(out / "lift.amc", out / "crane.asf")) == 1

    def test_two_shots_of_one_skeleton_go_into_one_folder(
        self, pair: tuple[Path, Path], tmp_path: Path
    ) -> None:
        out = tmp_path / "out"
        other = pair[0].with_name("lower.amc")
        other.write_bytes(MOTION.replace(b"boom 44", b"boom 45"))
        self.correct(pair, out)
        skeleton = (out / "crane.asf").read_bytes()
        self.correct((other, pair[1]), out)
        assert sorted(tree(out)) == ["crane.asf", "lift.amc", "lower.amc", PROOF]
        assert (out / "crane.asf").read_bytes() == skeleton

    def test_another_sheet_would_need_another_skeleton(
        self, pair: tuple[Path, Path], tmp_path: Path
    ) -> None:
        out = tmp_path / "out"
        self.correct(pair, out)
        before = tree(tmp_path)
        other = pair[0].with_name("lower.amc")
        other.write_bytes(MOTION)
        before |= {"in/lower.amc": MOTION}
        sheet = Sheet((Offset("boom", twist_offset_deg=-20.0),))
        with pytest.raises(OutputError, match="exists already") as caught:
            self.correct((other, pair[1]), out, sheet=sheet)
        assert caught.value.path == str(out / "crane.asf")
        assert tree(tmp_path) == before

    def test_neither_is_written_over(self, pair: tuple[Path, Path], tmp_path: Path) -> None:
        elsewhere = tmp_path / "other"
        elsewhere.mkdir()
        motion = elsewhere / "lift.amc"
        motion.write_bytes(MOTION)
        before = tree(tmp_path)
        with pytest.raises(OutputError, match="inputs are never written over") as caught:
            self.correct((motion, pair[1]), pair[1].parent, replace=True)
        assert caught.value.path == str(pair[1])
        assert tree(tmp_path) == before

    def test_a_format_that_holds_its_own_skeleton(
        self, walk: Path, pair: tuple[Path, Path], tmp_path: Path
    ) -> None:
        with pytest.raises(InputError):
            correct_file(walk, KNEE, tmp_path / "out", skeleton=pair[1])
        assert not (tmp_path / "out").exists()


class TestOtherFormats:
    def test_a_table(self, tmp_path: Path) -> None:
        path = tmp_path / "walk.csv"
        path.write_bytes(ANGLES)
        sheet = Sheet((Offset("Knee", twist_offset_deg=30.0),))
        done = correct_file(path, sheet, tmp_path / "out")
        assert done.shots[0].found.share_of_height < 1e-9

    def test_what_is_only_read_is_refused_with_a_hint(self, tmp_path: Path) -> None:
        pytest.importorskip("lxml", reason="COLLADA needs lxml")
        opened = formats()["collada"].sample()
        path = tmp_path / "scene.dae"
        path.write_bytes(opened.data)
        names = read_all(path)[0].skeleton.names
        sheet = Sheet((Offset(names[0], full_offset_xyzw=(0.0, 0.6, 0.0, 0.8)),))
        with pytest.raises(InputError, match="reads but does not write") as caught:
            correct_file(path, sheet, tmp_path / "out")
        assert "bvh" in str(caught.value.hint)
        assert "gltf" in str(caught.value.hint)
        assert list(tree(tmp_path)) == ["scene.dae"]

    def test_a_file_that_cannot_be_read(self, tmp_path: Path) -> None:
        path = tmp_path / "walk.bvh"
        path.write_bytes(b"HIERARCHY\nROOT")
        for each in (path, tmp_path / "nowhere.bvh"):
            with pytest.raises(InputError):
                correct_file(each, KNEE, tmp_path / "out")
        assert list(tree(tmp_path)) == ["walk.bvh"]

    def test_a_sheet_of_another_rig(self, walk: Path, tmp_path: Path) -> None:
        with pytest.raises(FormatError, match="none of its 1 joints"):
            correct_file(walk, LEG.renewed([LEG.rows[0]]), tmp_path / "out")
        assert not (tmp_path / "out").exists()

    def test_joints_that_the_rig_lacks_are_noted(self, walk: Path, tmp_path: Path) -> None:
        sheet = Sheet((*KNEE.rows, Offset("Tail", twist_offset_deg=1.0)))
        assert correct_file(walk, sheet, tmp_path / "out").entry["missing"] == ["Tail"]
