"""How formats and checks are found, and how the format of a file is told."""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import ClassVar

import numpy as np
import pytest

import audit.formats
from audit.errors import FormatError, InputError, UnknownFormatError, UsageError
from audit.formats import formats
from audit.model import Shot, Skeleton, Source
from audit.plugins import (
    Check,
    Finding,
    Format,
    Opened,
    found_in,
    only_one,
    read_shots,
)

CHECK = """
from audit.plugins import Check
CHECK = Check("{name}", "a title", {{}}, lambda shot, measures, limits: (), lambda: None)
"""


@pytest.fixture
def package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A package on disk that tests put modules into."""
    folder = tmp_path / "plugged_in"
    folder.mkdir()
    (folder / "__init__.py").write_text("")
    monkeypatch.syspath_prepend(str(tmp_path))
    yield folder
    for name in [each for each in sys.modules if each.split(".")[0] == "plugged_in"]:
        del sys.modules[name]


def imported() -> ModuleType:
    return import_module("plugged_in")


class TestScan:
    def test_an_empty_folder_holds_none(self, package: Path) -> None:
        assert package.is_dir()
        assert found_in(imported(), "CHECK", Check) == {}

    def test_they_come_in_alphabetical_order_of_their_names(self, package: Path) -> None:
        (package / "a.py").write_text(CHECK.format(name="zebra"))
        (package / "b.py").write_text(CHECK.format(name="ant"))
        found = found_in(imported(), "CHECK", Check)
        assert list(found) == ["ant", "zebra"]
        assert all(check.name == name for name, check in found.items())

    def test_a_package_is_as_good_as_a_file(self, package: Path) -> None:
        (package / "big").mkdir()
        (package / "big" / "__init__.py").write_text(CHECK.format(name="big"))
        (package / "big" / "part.py").write_text("")
        assert list(found_in(imported(), "CHECK", Check)) == ["big"]

    def test_names_with_an_underscore_in_front_are_left_out(self, package: Path) -> None:
        (package / "_helper.py").write_text("raise RuntimeError('should not be loaded')")
        assert found_in(imported(), "CHECK", Check) == {}

    @pytest.mark.parametrize("text", ["", "CHECK = 3", "check = None"])
    def test_a_file_that_announces_none_is_a_fault(self, package: Path, text: str) -> None:
        (package / "odd.py").write_text(text)
        with pytest.raises(TypeError, match=r"plugged_in\.odd defines no CHECK of type Check"):
            found_in(imported(), "CHECK", Check)

    def test_two_of_one_name_are_a_fault(self, package: Path) -> None:
        (package / "a.py").write_text(CHECK.format(name="same"))
        (package / "b.py").write_text(CHECK.format(name="same"))
        with pytest.raises(TypeError, match=r"plugged_in\.b: the name 'same' is taken"):
            found_in(imported(), "CHECK", Check)

    def test_the_projects_own_formats(self) -> None:
        found = found_in(audit.formats, "FORMAT", Format)
        assert found == formats()
        assert "bvh" in found


def made_up(name: str, suffix: str, magic: bytes) -> Format:
    """Return a format that is told by its first bytes and reads nothing but its own name."""

    def read(opened: Opened) -> tuple[Shot, ...]:
        data, path = opened.data, opened.path
        if not data.startswith(magic):
            raise FormatError("does not start right", path=path, where="byte 1")
        skeleton = Skeleton.plain([name], [-1], [[0.0, 0.0, 0.0]])
        rotations = np.array([[[0.0, 0.0, 0.0, 1.0]]])
        return (Shot(skeleton, np.zeros(1), Source(path, name), rotations=rotations),)

    return Format(
        name,
        name,
        (suffix,),
        lambda head: head.startswith(magic),
        read,
        lambda: Opened(magic, name),
    )


class TestReadShot:
    FORMATS: ClassVar = {
        "ant": made_up("ant", ".ant", b"ANT"),
        "bee": made_up("bee", ".bee", b"BEE"),
    }

    def test_content_goes_before_suffix(self, tmp_path: Path) -> None:
        path = tmp_path / "walk.ant"
        path.write_bytes(b"BEE and so on")
        assert read_shots(path, self.FORMATS)[0].source.format == "bee"

    @pytest.mark.parametrize("name", ["walk.bee", "walk.BEE", "walk.v2.Bee"])
    def test_the_suffix_decides_where_no_content_is_known(self, tmp_path: Path, name: str) -> None:
        path = tmp_path / name
        path.write_bytes(b"broken")
        with pytest.raises(FormatError, match="byte 1: does not start right") as caught:
            read_shots(path, self.FORMATS)
        assert caught.value.path == str(path)

    def test_the_path_is_handed_on_as_it_was_given(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        (tmp_path / "walk.ant").write_bytes(b"ANT")
        monkeypatch.chdir(tmp_path)
        assert read_shots("walk.ant", self.FORMATS)[0].source.file == "walk.ant"

    def test_a_file_that_is_not_there(self, tmp_path: Path) -> None:
        path = tmp_path / "none.ant"
        with pytest.raises(
            InputError, match=r"none\.ant: cannot be opened \(No such file"
        ) as caught:
            read_shots(path, self.FORMATS)
        assert caught.value.path == str(path)
        assert caught.value.hint is not None
        assert isinstance(caught.value.__cause__, OSError)

    def test_a_folder(self, tmp_path: Path) -> None:
        with pytest.raises(InputError, match=r"cannot be opened .* A shot is one file"):
            read_shots(tmp_path, self.FORMATS)

    def test_a_file_of_no_known_format(self, tmp_path: Path) -> None:
        path = tmp_path / "walk.cow"
        path.write_bytes(b"MOO")
        with pytest.raises(UnknownFormatError, match="is of no format that") as caught:
            read_shots(path, self.FORMATS)
        assert caught.value.exit_code == 3
        assert caught.value.hint is not None
        assert caught.value.hint.startswith("It reads .ant, .bee")

    def test_an_empty_file_without_a_known_suffix(self, tmp_path: Path) -> None:
        path = tmp_path / "walk"
        path.write_bytes(b"")
        with pytest.raises(UnknownFormatError, match="walk: is empty"):
            read_shots(path, self.FORMATS)


class TestOpened:
    def test_a_skeleton_that_is_apart_is_handed_on(self, tmp_path: Path) -> None:
        seen: list[Opened] = []

        def read(opened: Opened) -> tuple[Shot, ...]:
            seen.append(opened)
            return ()

        apart = Format("a", "a", (".a",), lambda head: True, read, lambda: Opened(b"", ""))
        (tmp_path / "walk.a").write_bytes(b"motion")
        (tmp_path / "rig.b").write_bytes(b"bones")
        read_shots(tmp_path / "walk.a", {"a": apart}, tmp_path / "rig.b")
        read_shots(tmp_path / "walk.a", {"a": apart})
        assert seen[0].skeleton == Opened(b"bones", str(tmp_path / "rig.b"))
        assert seen[1] == Opened(b"motion", str(tmp_path / "walk.a"))

    def test_a_skeleton_that_is_not_there(self, tmp_path: Path) -> None:
        (tmp_path / "walk.ant").write_bytes(b"ANT")
        with pytest.raises(InputError, match=r"rig\.b: cannot be opened"):
            read_shots(tmp_path / "walk.ant", TestReadShot.FORMATS, tmp_path / "rig.b")

    def test_a_file_beside_it(self, tmp_path: Path) -> None:
        (tmp_path / "parts").mkdir()
        (tmp_path / "keys.bin").write_bytes(b"keys")
        (tmp_path / "parts" / "more.bin").write_bytes(b"more")
        opened = Opened(b"", str(tmp_path / "walk.a"))
        assert opened.beside("keys.bin") == b"keys"
        assert opened.beside("parts/more.bin") == b"more"
        assert opened.beside("parts/../keys.bin") == b"keys"

    def test_a_file_beside_it_that_is_not_there(self, tmp_path: Path) -> None:
        with pytest.raises(InputError, match=r"keys\.bin: cannot be opened"):
            Opened(b"", str(tmp_path / "walk.a")).beside("keys.bin")

    @pytest.mark.parametrize("name", ["../secret", "parts/../../secret", "{}/secret", "link"])
    def test_nothing_outside_the_folder(self, tmp_path: Path, name: str) -> None:
        folder = tmp_path / "shots"
        (folder / "parts").mkdir(parents=True)
        (tmp_path / "secret").write_bytes(b"secret")
        (folder / "link").symlink_to(tmp_path / "secret")
        with pytest.raises(InputError, match="which is not in its own folder"):
            Opened(b"", str(folder / "walk.a")).beside(name.format(tmp_path))

    @pytest.mark.parametrize("name", ["a\0b", ".", "", "parts"])
    def test_a_name_that_is_no_file(self, tmp_path: Path, name: str) -> None:
        (tmp_path / "parts").mkdir()
        with pytest.raises(InputError):
            Opened(b"", str(tmp_path / "walk.a")).beside(name)


def test_findings_concern_the_whole_shot_unless_they_say_a_joint() -> None:
    assert Finding("wrap", "look", "a message", None, None).joint is None


class TestSharedByFormats:
    def test_where_a_shot_comes_from(self) -> None:
        digest = hashlib.sha256(b"abc").hexdigest()
        assert Opened(b"abc", "x/walk.a").source("ant") == Source("x/walk.a", "ant", digest)

    def test_a_skeleton_that_is_apart_is_refused_by_files_that_hold_their_own(self) -> None:
        Opened(b"", "walk.a").check_whole()
        with pytest.raises(InputError, match=r"walk\.a: holds its own skeleton\. Leave the"):
            Opened(b"", "walk.a", Opened(b"", "rig.b")).check_whole()

    def test_one_shot_and_no_other_number(self) -> None:
        skeleton = Skeleton.plain(["a"], [-1], [[0.0, 0.0, 0.0]])
        shot = Shot(skeleton, np.zeros(1), rotations=np.array([[[0.0, 0.0, 0.0, 1.0]]]))
        assert only_one([shot], "a page") is shot
        for shots in ([], [shot, shot]):
            with pytest.raises(UsageError, match=rf"a page holds one shot, not {len(shots)}"):
                only_one(shots, "a page")
