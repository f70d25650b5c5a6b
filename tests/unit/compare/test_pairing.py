"""Which files and shots are compared with which."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from audit.compare import pair_files, pair_shots
from audit.errors import InputError, UsageError
from audit.model import Shot, Source
from tests.unit.compare.making import walker

SUFFIXES = (".bvh", ".glb")


def made(folder: Path, *names: str) -> Path:
    folder.mkdir(exist_ok=True)
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text("")
    return folder


def test_two_files_are_a_pair_whatever_their_names() -> None:
    found = pair_files(Path("a/walk.bvh"), Path("b/run.glb"), SUFFIXES)
    assert found.pairs == (("walk to run", Path("a/walk.bvh"), Path("b/run.glb")),)
    assert pair_files(Path("a/walk.bvh"), Path("b/walk.glb"), SUFFIXES).pairs[0][0] == "walk"


def test_files_of_one_name_in_two_folders(tmp_path: Path) -> None:
    first = made(
        tmp_path / "a", "walk.bvh", "deep/run.bvh", "gone.bvh", "notes.txt", "two.bvh", "two.glb"
    )
    second = made(
        tmp_path / "b", "walk.glb", "deep/run.bvh", "new.BVH", "notes.txt", "two.bvh", "two.glb"
    )
    found = pair_files(first, second, SUFFIXES)
    assert found.pairs == (
        ("deep/run", first / "deep/run.bvh", second / "deep/run.bvh"),
        ("two.bvh", first / "two.bvh", second / "two.bvh"),
        ("two.glb", first / "two.glb", second / "two.glb"),
        ("walk", first / "walk.bvh", second / "walk.glb"),
    )
    assert found.lost == (first / "gone.bvh",)
    assert found.added == (second / "new.BVH",)


def test_a_stem_that_leaves_a_choice_is_no_pair(tmp_path: Path) -> None:
    first = made(tmp_path / "a", "walk.bvh", "other.bvh")
    second = made(tmp_path / "b", "walk.usda", "walk.glb", "other.bvh")
    found = pair_files(first, second, (*SUFFIXES, ".usda"))
    assert [name for name, _, _ in found.pairs] == ["other"]
    assert len(found.added) == 2


def test_folders_that_do_not_fit(tmp_path: Path) -> None:
    first, second = made(tmp_path / "a", "walk.bvh"), made(tmp_path / "b", "run.bvh")
    with pytest.raises(InputError, match=r"holds no file of the same name.*\.bvh, \.glb"):
        pair_files(first, second, SUFFIXES)
    with pytest.raises(UsageError, match="one of the two is a folder"):
        pair_files(first, second / "run.bvh", SUFFIXES)
    with pytest.raises(InputError, match="nowhere: does not exist"):
        pair_files(tmp_path / "nowhere", second, SUFFIXES)


def named(file: str) -> Shot:
    path, _, own = file.partition("#")
    source = Source(path).shot_named(own) if own else Source(path)
    return replace(walker(frames=2), source=source)


def test_the_only_shots_of_two_files_are_a_pair() -> None:
    first, second = named("a/walk.bvh"), named("b/run.glb")
    assert pair_shots([first], [second], ("a/walk.bvh", "b/run.glb")).pairs == (
        ("", first, second),
    )


def test_shots_of_one_name_are_pairs() -> None:
    first = [named(f"a.glb#{name}") for name in ("walk", "run", "idle/long")]
    second = [named(f"x/b.glb#{name}") for name in ("idle/long", "jump", "walk")]
    found = pair_shots(first, second, (Path("a.glb"), Path("x/b.glb")))
    assert [name for name, _, _ in found.pairs] == ["walk", "idle/long"]
    assert found.pairs[0][2] is second[2]
    assert (found.lost, found.added) == (("run",), ("jump",))


def test_a_single_shot_goes_by_the_name_of_its_file() -> None:
    several = [named(f"a.glb#{name}") for name in ("walk", "run")]
    single = named("new/walk.bvh")
    found = pair_shots(several, [single], ("a.glb", "new/walk.bvh"))
    assert [name for name, _, _ in found.pairs] == ["walk"]
    with pytest.raises(InputError, match=r"holds the shots walk, run, and b\.bvh holds b"):
        pair_shots(several, [named("b.bvh")], ("a.glb", "b.bvh"))
