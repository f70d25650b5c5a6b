"""Files appear whole or not at all, never in place of an input, and never half of several."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from audit.errors import OutputError
from audit.files import draft_folder, put_in_place, refuse_taken, write_drafts, write_whole


def tree(folder: Path) -> dict[str, bytes]:
    """Return all files below a folder with their bytes, and its folders, which are empty bytes with a slash."""
    return {
        str(path.relative_to(folder)) + ("/" if path.is_dir() else ""): (
            b"" if path.is_dir() else path.read_bytes()
        )
        for path in folder.rglob("*")
    }


def place(folder: Path, files: dict[str, bytes]) -> None:
    with draft_folder(folder) as draft:
        write_drafts(files, draft)
        put_in_place(list(files), draft, folder)


def failing(monkeypatch: pytest.MonkeyPatch, call: str, fails_at: int) -> list[Path]:
    """Let the n-th call of a method of paths fail; return the paths it was called on."""
    plain = getattr(Path, call)
    seen: list[Path] = []

    def sometimes(self: Path, *more: object, **named: object) -> object:
        seen.append(self)
        if len(seen) == fails_at:
            raise OSError(28, "No space left on device")
        return plain(self, *more, **named)

    monkeypatch.setattr(Path, call, sometimes)
    return seen


class TestDraftFolder:
    def test_nothing_is_seen_before_it_is_put_in_place(self, tmp_path: Path) -> None:
        out = tmp_path / "a" / "b"
        with draft_folder(out) as draft:
            assert draft.parent == out
            assert draft.name.startswith(".")
            write_drafts({"one.txt": b"1"}, draft)
            assert not (out / "one.txt").exists()
            put_in_place(["one.txt"], draft, out)
        assert tree(out) == {"one.txt": b"1"}

    def test_what_was_made_for_nothing_goes_again(self, tmp_path: Path) -> None:
        (tmp_path / "a").mkdir()
        with pytest.raises(ValueError, match="planned"), draft_folder(tmp_path / "a" / "b" / "c"):
            raise ValueError("planned")
        assert tree(tmp_path) == {"a/": b""}

    def test_what_others_put_there_stays(self, tmp_path: Path) -> None:
        out = tmp_path / "b"
        with draft_folder(out):
            (out / "theirs.txt").write_bytes(b"x")
        assert tree(tmp_path) == {"b/": b"", "b/theirs.txt": b"x"}

    def test_a_file_in_the_way(self, tmp_path: Path) -> None:
        (tmp_path / "file").write_bytes(b"")
        with pytest.raises(OutputError, match="--out"), draft_folder(tmp_path / "file" / "b"):
            pass
        assert tree(tmp_path) == {"file": b""}

    @pytest.mark.skipif(
        not hasattr(os, "geteuid") or os.geteuid() == 0,
        reason="whoever is root may write everywhere",
    )
    def test_a_read_only_folder(self, tmp_path: Path) -> None:
        tmp_path.chmod(0o500)
        try:
            with pytest.raises(OutputError, match="cannot be written"), draft_folder(tmp_path):
                pass
        finally:
            tmp_path.chmod(0o700)

    def test_a_folder_that_cannot_be_written(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def refused(self: Path, *more: object, **named: object) -> None:
            raise PermissionError(13, "Permission denied")

        monkeypatch.setattr(Path, "mkdir", refused)
        with pytest.raises(OutputError) as caught, draft_folder(tmp_path):
            pass
        assert caught.value.path == str(tmp_path)
        assert "Permission denied" in caught.value.cause
        assert caught.value.exit_code == 3


class TestRefuseTaken:
    def test_what_is_not_there_is_free(self, tmp_path: Path) -> None:
        refuse_taken([tmp_path / "new"], [tmp_path / "in"], replace=False)

    def test_what_is_there_needs_replace(self, tmp_path: Path) -> None:
        target = tmp_path / "out.bvh"
        target.write_bytes(b"")
        with pytest.raises(OutputError, match="exists already") as caught:
            refuse_taken([tmp_path / "new", target], [], replace=False)
        assert caught.value.path == str(target)
        assert "--replace" in str(caught.value)
        refuse_taken([target], [], replace=True)

    @pytest.mark.parametrize("way", ["plain", "dots", "symlink", "linked folder", "hard link"])
    @pytest.mark.parametrize("replace", [False, True])
    def test_an_input_is_never_free(self, tmp_path: Path, way: str, replace: bool) -> None:
        folder = tmp_path / "in"
        folder.mkdir()
        source = folder / "walk.bvh"
        source.write_bytes(b"walk")
        target = source
        if way == "dots":
            target = folder / ".." / "in" / "walk.bvh"
        elif way == "symlink":
            target = tmp_path / "walk.bvh"
            target.symlink_to(source)
        elif way == "linked folder":
            (tmp_path / "other").symlink_to(folder, target_is_directory=True)
            target = tmp_path / "other" / "walk.bvh"
        elif way == "hard link":
            target = tmp_path / "walk.bvh"
            target.hardlink_to(source)
        with pytest.raises(OutputError, match="inputs are never written over"):
            refuse_taken([target], [tmp_path / "another", source], replace=replace)

    def test_a_folder_cannot_be_replaced(self, tmp_path: Path) -> None:
        with pytest.raises(OutputError, match="is a folder"):
            refuse_taken([tmp_path], [], replace=True)

    def test_a_link_to_nowhere_is_something_too(self, tmp_path: Path) -> None:
        target = tmp_path / "link"
        target.symlink_to(tmp_path / "nowhere")
        with pytest.raises(OutputError, match="exists already"):
            refuse_taken([target], [], replace=False)


class TestPutInPlace:
    def test_a_link_is_replaced_and_not_followed(self, tmp_path: Path) -> None:
        other, out = tmp_path / "other", tmp_path / "out"
        out.mkdir()
        other.write_bytes(b"somebody's work")
        for name in ("a", "b"):
            (out / name).symlink_to(other)
        place(out, {"a": b"1", "b": b"2"})
        assert other.read_bytes() == b"somebody's work"
        assert tree(out) == {"a": b"1", "b": b"2"}

    @pytest.mark.parametrize("earlier", [(), ("a",), ("b",), ("c",), ("a", "b", "c")])
    @pytest.mark.parametrize("fails_at", range(1, 7))
    def test_where_one_of_several_cannot_all_are_as_they_were(
        self,
        tmp_path: Path,
        monkeypatch: pytest.MonkeyPatch,
        earlier: tuple[str, ...],
        fails_at: int,
    ) -> None:
        for name in earlier:
            (tmp_path / name).write_bytes(b"earlier " + name.encode())
        (tmp_path / "theirs").write_bytes(b"x")
        before = tree(tmp_path)
        new = {name: b"new " + name.encode() for name in "abc"}
        if fails_at > 3 + len(earlier):
            place(tmp_path, new)
            assert tree(tmp_path) == before | new
            return
        failing(monkeypatch, "replace", fails_at)
        with pytest.raises(OutputError, match="No space left on device"):
            place(tmp_path, new)
        assert tree(tmp_path) == before

    def test_a_single_file_that_cannot_leaves_the_earlier_one(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        (tmp_path / "a").write_bytes(b"earlier")
        failing(monkeypatch, "replace", 1)
        with pytest.raises(OutputError):
            place(tmp_path, {"a": b"new"})
        assert tree(tmp_path) == {"a": b"earlier"}

    @pytest.mark.parametrize("fails_at", [1, 2])
    def test_a_full_disk_leaves_nothing(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fails_at: int
    ) -> None:
        failing(monkeypatch, "write_bytes", fails_at)
        with pytest.raises(OutputError, match="No space left"):
            place(tmp_path / "out", {"a": b"1", "b": b"2"})
        assert tree(tmp_path) == {}


class TestWriteWhole:
    def test_it_makes_folders_and_replaces(self, tmp_path: Path) -> None:
        target = tmp_path / "a" / "sheet.csv"
        write_whole(target, b"1")
        write_whole(target, b"2")
        assert tree(tmp_path) == {"a/": b"", "a/sheet.csv": b"2"}

    @pytest.mark.parametrize("call", ["write_bytes", "replace"])
    def test_where_it_cannot_the_earlier_one_stays(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str
    ) -> None:
        target = tmp_path / "sheet.csv"
        target.write_bytes(b"earlier")
        failing(monkeypatch, call, 1)
        with pytest.raises(OutputError, match="No space left") as caught:
            write_whole(target, b"new")
        assert caught.value.path == str(target)
        assert tree(tmp_path) == {"sheet.csv": b"earlier"}
