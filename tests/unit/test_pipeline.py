"""From a file to its results: reading, measuring, checking, and choosing joints by name."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given

import audit
from audit import pipeline
from audit.errors import FormatError, InputError, UnknownFormatError, UsageError
from audit.formats import formats
from audit.model import Shot, Source
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.pipeline import examine, joints_named
from audit.plugins import Format, Opened
from audit.settings import Settings
from tests.strategies import shots
from tests.unit.test_results import COLUMNS

SAMPLE = limb_shot(hinge_channels((0.8, 0.0, 0.6), bend()))


class TestRead:
    @pytest.mark.parametrize("name", formats())
    def test_a_file_of_each_format(self, tmp_path: Path, name: str) -> None:
        path = tmp_path / f"shot{formats()[name].suffixes[0]}"
        sample = formats()[name].sample()
        path.write_bytes(sample.data)
        skeleton = None
        if sample.skeleton is not None:
            skeleton = tmp_path / sample.skeleton.path
            skeleton.write_bytes(sample.skeleton.data)
        shot = audit.read(path, skeleton)
        assert shot.source.file == str(path)
        assert shot.source.format == name
        assert shot.frames >= 1

    def test_a_missing_file(self, tmp_path: Path) -> None:
        with pytest.raises(InputError, match=r"none\.bvh: cannot be opened \(No such file"):
            audit.read(tmp_path / "none.bvh")

    @pytest.mark.parametrize("suffix", sorted({s for f in formats().values() for s in f.suffixes}))
    def test_an_empty_file(self, tmp_path: Path, suffix: str) -> None:
        path = tmp_path / f"empty{suffix}"
        path.write_bytes(b"")
        with pytest.raises(InputError) as caught:
            audit.read(path)
        assert caught.value.path == str(path)
        assert caught.value.hint

    def test_an_empty_file_without_a_suffix(self, tmp_path: Path) -> None:
        path = tmp_path / "empty"
        path.write_bytes(b"")
        with pytest.raises(UnknownFormatError, match="is empty"):
            audit.read(path)

    @pytest.mark.parametrize("data", [b"hello", b"\x00\x01\x02\xff" * 100, "膝".encode()])
    def test_an_unknown_format(self, tmp_path: Path, data: bytes) -> None:
        path = tmp_path / "notes.txt"
        path.write_bytes(data)
        with pytest.raises(UnknownFormatError, match="is of no format that hinge-audit reads"):
            audit.read(path)

    def test_a_broken_file_of_a_known_suffix(self, tmp_path: Path) -> None:
        path = tmp_path / "walk.bvh"
        path.write_bytes(b"this is no motion")
        with pytest.raises(FormatError) as caught:
            audit.read(path)
        assert caught.value.path == str(path)
        assert caught.value.where

    def test_a_skeleton_that_no_format_asks_for(self, tmp_path: Path) -> None:
        path = tmp_path / "walk.bvh"
        path.write_bytes(formats()["bvh"].sample().data)
        skeleton = tmp_path / "rig.asf"
        skeleton.write_bytes(b"nobody looks into it")
        with pytest.raises(InputError, match="holds its own skeleton") as caught:
            audit.read(path, skeleton=skeleton)
        assert caught.value.path == str(path)


class TestReadAll:
    @staticmethod
    def several(count: int) -> Format:
        """Return a format whose every file holds so many shots."""

        def read(opened: Opened) -> tuple[Shot, ...]:
            names = [f"take {number}" for number in range(1, count + 1)]
            return tuple(replace(SAMPLE, source=Source(name)) for name in names)

        return Format("many", "many", (".many",), lambda head: True, read, lambda: Opened(b"", ""))

    @pytest.mark.parametrize("count", [1, 3])
    def test_all_shots_of_a_file(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, count: int
    ) -> None:
        monkeypatch.setattr(pipeline, "all_formats", lambda: {"many": self.several(count)})
        (tmp_path / "takes.many").write_bytes(b"")
        assert len(audit.read_all(tmp_path / "takes.many")) == count

    def test_one_is_not_picked_from_several(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(pipeline, "all_formats", lambda: {"many": self.several(2)})
        (tmp_path / "takes.many").write_bytes(b"")
        with pytest.raises(InputError, match=r"holds 2 shots \(take 1, take 2\)") as caught:
            audit.read(tmp_path / "takes.many")
        assert caught.value.path == str(tmp_path / "takes.many")
        assert "audit.read_all" in str(caught.value)


class TestMeasure:
    def test_a_table_with_one_row_a_joint(self) -> None:
        table = audit.measure(SAMPLE)
        assert isinstance(table, pd.DataFrame)
        assert list(table["joint"]) == ["L_Thigh", "L_Knee", "L_End"]
        assert list(table.columns) == COLUMNS
        knee = table.set_index("joint").loc["L_Knee"]
        # About −Y, from X to 0.8 X + 0.6 Z.
        assert knee["twist_offset_deg"] == pytest.approx(np.rad2deg(np.arctan2(0.6, 0.8)), abs=1e-4)
        assert knee["findings"] == "spread fix; twist fix"

    @given(shots(frame_counts=(1, 2, 9)))
    def test_the_rows_are_those_of_the_document(self, shot: Shot) -> None:
        table = audit.measure(shot)
        rows = examine(shot).document["joints"]
        assert len(table) == len(shot.skeleton)
        assert list(table["kind"]) == [row["kind"] for row in rows]
        assert list(table.columns) == COLUMNS

    def test_settings_are_used(self) -> None:
        table = audit.measure(SAMPLE, Settings(suggestion_range_deg=90.0))
        assert "less than 90°" in table["no_offset_because"][1]


class TestExamine:
    @given(shots(frame_counts=(2, 24)))
    def test_findings_come_with_the_worst_first(self, shot: Shot) -> None:
        ranks = [["fix", "look", "note"].index(each.severity) for each in examine(shot).findings]
        assert ranks == sorted(ranks)

    def test_progress_is_told(self) -> None:
        done: list[int] = []
        examine(SAMPLE, progress=done.append)
        assert sum(done) == 3

    def test_the_document_is_made_once(self) -> None:
        examined = examine(SAMPLE)
        assert examined.document is examined.document

    def test_curves_of_a_joint(self) -> None:
        curves = examine(SAMPLE).curves(1)
        assert curves.now.shape == (3, 97)
        assert curves.after_twist is not None
        np.testing.assert_allclose(np.ptp(curves.after_twist, axis=1), [70.0, 0.0, 0.0], atol=1e-6)


class TestJointsNamed:
    NAMES = ("Hips", "L_Knee", "R_Knee", "Knee[1]", "L_Knee")

    @pytest.mark.parametrize(
        ("patterns", "places"),
        [
            ([], []),
            (["Hips"], [0]),
            (["L_Knee"], [1, 4]),
            (["*_Knee"], [1, 2, 4]),
            (["R_*", "Hips"], [0, 2]),
            (["?_Knee", "L_*"], [1, 2, 4]),
            (["Knee[1]"], [3]),
            (["[LR]_Knee"], [1, 2, 4]),
            (["*"], [0, 1, 2, 3, 4]),
        ],
    )
    def test_names_and_patterns(self, patterns: list[str], places: list[int]) -> None:
        assert joints_named(self.NAMES, patterns) == places

    @pytest.mark.parametrize("pattern", ["l_knee", "LKnee", "L_Kne"])
    def test_a_near_miss_names_its_neighbours(self, pattern: str) -> None:
        with pytest.raises(UsageError, match=f"no joint is named '{pattern}'") as caught:
            joints_named(self.NAMES, [pattern])
        assert "L_Knee" in str(caught.value)
        assert str(caught.value).endswith("?")

    def test_a_wide_miss_names_the_first_joints(self) -> None:
        with pytest.raises(UsageError, match="The first joints are Hips, L_Knee, R_Knee"):
            joints_named(self.NAMES, ["zzzzzz"])

    def test_one_miss_among_hits_is_still_a_miss(self) -> None:
        with pytest.raises(UsageError, match="no joint is named 'X_Knee'"):
            joints_named(self.NAMES, ["Hips", "X_Knee"])
