"""Corrected files: proven before they are seen, beside the inputs and never over them, all or nothing."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from audit.correction import LIMIT, PROOF, correct_file, read_proof, write
from audit.errors import AuditError, FormatError, InputError, MotionError, OutputError, UsageError
from audit.formats import formats
from audit.model import Shot
from audit.model.sample import bend
from audit.pipeline import read_all
from audit.sheet import Offset, Sheet
from tests.formats.gltf_making import Making, split
from tests.formats.test_gltf_skins import skinned
from tests.unit.correcting import KNEE, LEG, limb, moving_glb
from tests.unit.test_files import failing, tree


@pytest.fixture
def walk(tmp_path: Path) -> Path:
    """A BVH file of a limb with a messy knee, in a folder of its own."""
    path = tmp_path / "in" / "walk.bvh"
    path.parent.mkdir(exist_ok=True)
    return write(limb(), path)


class TestProof:
    def test_the_file_the_figures_and_the_proof(self, walk: Path, tmp_path: Path) -> None:
        before, out = walk.read_bytes(), tmp_path / "out"
        done = correct_file(walk, KNEE, out)
        assert walk.read_bytes() == before
        assert done.path == out / "walk.bvh"
        assert sorted(tree(out)) == ["proof.json", "walk.bvh"]
        (shot,) = done.shots
        assert shot.problem is None
        assert shot.found.share_of_height < 1e-9
        assert shot.messier == ()
        (again,) = read_all(done.path)
        assert again.channels is not None
        bends = again.channels.values[:, again.channels.rotation_columns[1, 0]]
        np.testing.assert_allclose(bends, bend(frames=30), atol=1e-5)
        proof = json.loads((out / PROOF).read_text("utf-8"))
        assert proof["tool"]["name"] == "hinge-audit"
        (entry,) = proof["files"]
        assert entry == json.loads(json.dumps(done.entry))
        assert entry["file"] == "walk.bvh"
        assert entry["source"] == {"file": str(walk), "sha256": hashlib.sha256(before).hexdigest()}
        (written,) = entry["written"]
        assert written["sha256"] == hashlib.sha256(done.path.read_bytes()).hexdigest()
        (turned,) = entry["turned"]
        assert turned["joint"] == "L_Knee"
        assert turned["angle_deg"] == pytest.approx(25.0)
        assert (turned["order_before"], turned["order_after"]) == ("YZX", "YZX")
        (figures,) = entry["shots"]
        assert figures["limit_share_of_height"] == LIMIT == 1e-5
        assert figures["instants"] == 30 + 29
        assert figures["skin"] is None
        assert figures["hinges"]["on_one_channel_before"] == 0
        assert figures["hinges"]["on_one_channel_after"] == 1

    def test_measuring_can_be_left_out(self, walk: Path, tmp_path: Path) -> None:
        done = correct_file(walk, KNEE, tmp_path / "out", measured=False)
        assert done.shots[0].measures is None
        assert done.entry["shots"][0]["hinges"] is None

    def test_the_wrong_way_makes_hinges_messier(self, tmp_path: Path) -> None:
        (tmp_path / "in").mkdir()
        clean = write(limb(0.0), tmp_path / "in" / "clean.bvh")
        done = correct_file(clean, KNEE, tmp_path / "out")
        assert done.shots[0].messier == ("L_Knee",)
        assert done.entry["shots"][0]["messier"] == ["L_Knee"]

    def test_entries_are_kept_by_file_name(self, walk: Path, tmp_path: Path) -> None:
        out = tmp_path / "out"
        other = write(limb(10.0), walk.with_name("jump.bvh"))
        correct_file(walk, KNEE, out, measured=False)
        correct_file(other, KNEE, out, measured=False)
        entries = read_proof(out / PROOF)["files"]
        assert [each["file"] for each in entries] == ["jump.bvh", "walk.bvh"]
        twist = Sheet((Offset("L_Knee", twist_offset_deg=5.0),))
        correct_file(walk, twist, out, measured=False, replace=True)
        again = read_proof(out / PROOF)["files"]
        assert [each["file"] for each in again] == ["jump.bvh", "walk.bvh"]
        assert again[0] == entries[0]
        assert again[1]["turned"][0]["angle_deg"] == pytest.approx(5.0)

    @pytest.mark.parametrize(
        "content",
        [
            b"",
            b"[]",
            b"\xff\xfe",
            b"somebody's proof",
            b'{"tool": {"name": "other"}, "files": []}',
            b'{"tool": {"name": "hinge-audit"}, "files": {"a": 1}}',
            b'{"tool": {"name": "hinge-audit"}, "files": [{"file": "walk.bvh"}]}',
            b'{"tool": {"name": "hinge-audit"}, "files": [1]}',
        ],
    )
    def test_a_proof_that_is_somebody_elses_is_left_alone(
        self, walk: Path, tmp_path: Path, content: bytes
    ) -> None:
        out = tmp_path / "out"
        out.mkdir()
        (out / PROOF).write_bytes(content)
        with pytest.raises(InputError, match="is not a proof that hinge-audit wrote") as caught:
            correct_file(walk, KNEE, out, replace=True)
        assert caught.value.path == str(out / PROOF)
        assert tree(out) == {PROOF: content}


class TestNothingIsWrittenOver:
    @pytest.mark.parametrize("replace", [False, True])
    @pytest.mark.parametrize("way", ["plain", "dots", "linked folder", "link", "another input"])
    def test_an_input(self, walk: Path, tmp_path: Path, way: str, replace: bool) -> None:
        out, inputs = walk.parent, []
        if way == "dots":
            out = tmp_path / "in" / ".." / "in"
        elif way == "linked folder":
            out = tmp_path / "link"
            out.symlink_to(walk.parent, target_is_directory=True)
        elif way == "link":
            out = tmp_path / "out"
            out.mkdir()
            (out / "walk.bvh").symlink_to(walk)
        elif way == "another input":
            out = tmp_path / "out"
            out.mkdir()
            (out / "walk.bvh").write_bytes(b"a shot of the same call")
            inputs = [out / "walk.bvh"]
        before = tree(tmp_path)
        with pytest.raises(OutputError, match="inputs are never written over"):
            correct_file(walk, KNEE, out, replace=replace, inputs=inputs, measured=False)
        assert tree(tmp_path) == before

    def test_an_earlier_output_needs_replace(self, walk: Path, tmp_path: Path) -> None:
        out = tmp_path / "out"
        correct_file(walk, KNEE, out, measured=False)
        before = tree(tmp_path)
        with pytest.raises(OutputError, match="exists already"):
            correct_file(walk, KNEE, out, measured=False)
        assert tree(tmp_path) == before
        correct_file(walk, KNEE, out, measured=False, replace=True)
        assert tree(tmp_path) == before

    def test_a_folder_that_cannot_be_made(self, walk: Path, tmp_path: Path) -> None:
        (tmp_path / "file").write_bytes(b"")
        before = tree(tmp_path)
        with pytest.raises(OutputError):
            correct_file(walk, KNEE, tmp_path / "file" / "out", measured=False)
        assert tree(tmp_path) == before


Writer = Callable[[Sequence[Shot], str], dict[str, bytes]]


def with_writer(
    monkeypatch: pytest.MonkeyPatch, name: str, wrong: Callable[[Writer], Writer], **more: Any
) -> None:
    """Give a format a writer that is wrong."""
    kind = formats()[name]
    assert kind.write is not None
    broken = dataclasses.replace(kind, write=wrong(kind.write), **more)
    monkeypatch.setitem(formats(), name, broken)


def moved(change: Callable[[Shot], Shot]) -> Callable[[Writer], Writer]:
    return lambda write: lambda shots, name: write([change(shot) for shot in shots], name)


def nudged(shot: Shot) -> Shot:
    """Move one joint by two hundred-thousandths of the height."""
    offsets = np.array(shot.skeleton.offsets)
    offsets[2, 0] += 2e-5 * 3.0
    return dataclasses.replace(shot, skeleton=dataclasses.replace(shot.skeleton, offsets=offsets))


def at_one_frame(shot: Shot) -> Shot:
    assert shot.channels is not None
    values = np.array(shot.channels.values)
    values[17, 3] += 2e-3
    return dataclasses.replace(shot, channels=dataclasses.replace(shot.channels, values=values))


def shortened(shot: Shot) -> Shot:
    assert shot.channels is not None
    channels = dataclasses.replace(shot.channels, values=shot.channels.values[:-1])
    return dataclasses.replace(shot, channels=channels, times_s=shot.times_s[:-1])


def slower(shot: Shot) -> Shot:
    return dataclasses.replace(shot, times_s=shot.times_s * 1.25)


def renamed(shot: Shot) -> Shot:
    names = ("L_Thigh", "Knee", "L_End")
    return dataclasses.replace(shot, skeleton=dataclasses.replace(shot.skeleton, names=names))


class TestNotProven:
    """A writer that is slightly wrong: nothing is left, and what was there is as it was."""

    @pytest.mark.parametrize(
        ("change", "cause"),
        [
            (moved(nudged), "joint L_End would move by"),
            (moved(at_one_frame), "would turn by|would move by"),
            (moved(shortened), "has other times in it"),
            (moved(slower), "has other times in it"),
            (moved(renamed), "it has other joints"),
            (lambda write: lambda shots, name: {name: b"HIERARCHY\n"}, "does not read back"),
            (lambda write: lambda shots, name: {name: b""}, "does not read back"),
        ],
    )
    @pytest.mark.parametrize("earlier", [False, True])
    def test_the_folder_is_as_before(
        self,
        walk: Path,
        tmp_path: Path,
        monkeypatch: pytest.MonkeyPatch,
        change: Callable[[Writer], Writer],
        cause: str,
        earlier: bool,
    ) -> None:
        out = tmp_path / "out"
        if earlier:
            correct_file(walk, KNEE, out, measured=False)
        before = tree(tmp_path)
        with_writer(monkeypatch, "bvh", change)
        with pytest.raises(MotionError, match=cause) as caught:
            correct_file(walk, KNEE, out, measured=False, replace=True)
        assert caught.value.exit_code == 4
        assert caught.value.path == str(walk)
        assert "Nothing was written" in str(caught.value)
        assert tree(tmp_path) == before

    def test_half_the_limit_is_let_through(
        self, walk: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def slightly(shot: Shot) -> Shot:
            offsets = shot.skeleton.offsets + 0.25 * (
                nudged(shot).skeleton.offsets - shot.skeleton.offsets
            )
            skeleton = dataclasses.replace(shot.skeleton, offsets=offsets)
            return dataclasses.replace(shot, skeleton=skeleton)

        with_writer(monkeypatch, "bvh", moved(slightly))
        done = correct_file(walk, KNEE, tmp_path / "out", measured=False)
        assert 2e-6 < done.shots[0].found.share_of_height < LIMIT

    def test_a_lost_animation(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        path = tmp_path / "leg.glb"
        path.write_bytes(moving_glb().glb())

        def without_second(write: Writer) -> Writer:
            def written(shots: Sequence[Shot], name: str) -> dict[str, bytes]:
                (data,) = write(shots, name).values()
                text, binary = split(data)
                top = json.loads(text)
                top["animations"] = top["animations"][:1]
                making = Making()
                making.top, making.data = top, bytearray(binary)
                return {name: making.glb(json.dumps(top))}

            return written

        with_writer(monkeypatch, "gltf", without_second)
        with pytest.raises(MotionError, match="it holds 1 shots, and the original 2"):
            correct_file(path, LEG, tmp_path / "out", measured=False)
        assert list(tree(tmp_path)) == ["leg.glb"]

    @pytest.mark.parametrize(
        ("skins", "cause"),
        [
            # The binds of the original on turned joints, and another skin than the original's.
            ("old", "a point of the skin could move"),
            ("none", "other skins"),
            ("fault", "out of order"),
        ],
    )
    def test_a_skin_that_would_move(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, skins: str, cause: str
    ) -> None:
        path = tmp_path / "coat.glb"
        path.write_bytes(skinned(1, even=True).glb())
        kind = formats()["gltf"]
        assert kind.skins is not None
        (before,) = read_all(path)
        plain, first = kind.skins, kind.skins(before)

        def wrong(shot: Shot) -> Any:
            if ".part" not in shot.source.file:
                return plain(shot)
            if skins == "fault":
                raise FormatError("out of order")
            return first if skins == "old" else ()

        with_writer(monkeypatch, "gltf", lambda write: write, skins=wrong)
        sheet = Sheet((Offset("j2", full_offset_xyzw=(0.0, 0.6, 0.0, 0.8)),))
        with pytest.raises(MotionError, match=cause):
            correct_file(path, sheet, tmp_path / "out", measured=False)
        assert list(tree(tmp_path)) == ["coat.glb"]

    @pytest.mark.parametrize("fails_at", [1, 2, 3, 4, 5, 6])
    def test_one_of_several_files_that_cannot_be_placed(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fails_at: int
    ) -> None:
        """A .gltf, its .bin and the proof, over earlier ones: all or none."""
        path, out = tmp_path / "leg.gltf", tmp_path / "out"
        making = moving_glb()
        (tmp_path / "keys.bin").write_bytes(bytes(making.data))
        path.write_text(json.dumps(making.finished(uri="keys.bin")))
        first = Sheet((Offset("hip", twist_offset_deg=3.0),))
        correct_file(path, first, out, measured=False)
        before = tree(tmp_path)
        assert len(before) == 6
        failing(monkeypatch, "replace", fails_at)
        with pytest.raises(OutputError, match="No space left"):
            correct_file(path, LEG, out, measured=False, replace=True)
        assert tree(tmp_path) == before


class TestWrite:
    def test_a_shot_and_its_suffix(self, tmp_path: Path) -> None:
        for name in ("a.bvh", "a.glb", "a.csv"):
            path = write(limb(), tmp_path / name)
            (shot,) = read_all(path)
            assert shot.skeleton.names == ("L_Thigh", "L_Knee", "L_End")

    def test_an_earlier_file_needs_replace(self, tmp_path: Path) -> None:
        path = write(limb(), tmp_path / "a.bvh")
        before = path.read_bytes()
        with pytest.raises(OutputError, match="exists already"):
            write(limb(3.0), path)
        assert path.read_bytes() == before
        write(limb(3.0), path, replace=True)
        assert path.read_bytes() != before

    def test_never_over_the_file_that_a_shot_came_from(self, tmp_path: Path) -> None:
        path = tmp_path / "leg.glb"
        path.write_bytes(moving_glb().glb())
        shots = read_all(path)
        with pytest.raises(OutputError, match="inputs are never written over"):
            write(shots, path, replace=True)

    @pytest.mark.parametrize("name", ["a.xyz", "a", "a.dae"])
    def test_other_suffixes_are_refused(self, tmp_path: Path, name: str) -> None:
        with pytest.raises(UsageError, match="no suffix of a format that is written"):
            write(limb(), tmp_path / name)
        with pytest.raises(AuditError, match="no shot was given"):
            write([], tmp_path / "a.bvh")
        assert tree(tmp_path) == {}
