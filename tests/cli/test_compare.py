"""``hinge-audit compare`` as a person or a script meets it."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest

from audit.compare import comparison_schema
from audit.demo import demo_files, demo_shots
from audit.formats import formats
from audit.model import Source


@pytest.fixture(scope="session")
def folders(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with the demo's shots on the messy and on the clean rig, in a folder each."""
    files = demo_files()
    root = tmp_path_factory.mktemp("takes")
    for folder, names in (
        ("old", {"wade.bvh": "wade_messy.bvh", "strike.bvh": "strike_messy.bvh"}),
        ("new", {"wade.bvh": "wade_clean.bvh", "calm.bvh": "wade_clean.bvh"}),
    ):
        (root / folder).mkdir()
        for name, source in names.items():
            (root / folder / name).write_bytes(files[source])
    return root


def compare(*words: object, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run the command in a process of its own, as exit codes and streams are what is tested."""
    command = [sys.executable, "-m", "audit", "compare", *map(str, words)]
    return subprocess.run(
        command, capture_output=True, text=True, encoding="utf-8", check=False, cwd=cwd
    )


def test_help_has_examples_and_exit_codes() -> None:
    done = compare("--help")
    assert done.returncode == 0
    assert "Examples:" in done.stdout
    assert "Exit codes: 0 the comparison was made" in done.stdout


def test_two_files(folders: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    done = compare(folders / "old/wade.bvh", folders / "new/calm.bvh", "--out", out)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("The same motion. 28 joints got cleaner, none messier.")
    assert "L_Knee" in done.stdout
    page = out / "wade-to-calm" / "comparison.html"
    assert f"Page: {page}" in done.stdout
    assert {path.name for path in page.parent.iterdir()} == {"comparison.html", "comparison.json"}
    assert not (out / "index.html").exists()


def test_the_default_folder(folders: Path, tmp_path: Path) -> None:
    done = compare(folders / "old/wade.bvh", folders / "new/wade.bvh", "-q", cwd=tmp_path)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    assert (tmp_path / "reports/compare/wade/comparison.html").exists()


def test_json_is_the_comparison_and_nothing_else(folders: Path, tmp_path: Path) -> None:
    done = compare(folders / "old/wade.bvh", folders / "new/wade.bvh", "--out", tmp_path, "--json")
    document = json.loads(done.stdout)
    jsonschema.validate(document, dict(comparison_schema()))
    assert document == json.loads((tmp_path / "wade/comparison.json").read_text(encoding="utf-8"))
    assert document["motion"]["same"] == "yes"


@pytest.mark.parametrize(
    ("before", "after", "code"),
    [
        ("old/wade.bvh", "new/wade.bvh", 0),
        ("old/wade.bvh", "old/wade.bvh", 0),
        ("new/wade.bvh", "old/wade.bvh", 1),
        ("old/strike.bvh", "old/wade.bvh", 1),
    ],
)
def test_fail_on_change(folders: Path, tmp_path: Path, before: str, after: str, code: int) -> None:
    files = (folders / before, folders / after, "--out", tmp_path, "-q")
    assert compare(*files).returncode == 0
    assert compare(*files, "--replace", "--fail-on-change").returncode == code


def test_two_folders(folders: Path, tmp_path: Path) -> None:
    old, new = tmp_path / "old", tmp_path / "new"
    for target, source in ((old, "old"), (new, "new")):
        target.mkdir()
        for path in (folders / source).iterdir():
            (target / path.name).write_bytes(path.read_bytes())
    (new / "strike.bvh").write_bytes((new / "wade.bvh").read_bytes())
    (old / "bad.bvh").write_bytes(b"HIERARCHY\nnonsense")
    (new / "bad.bvh").write_bytes((new / "wade.bvh").read_bytes())
    out = tmp_path / "out"
    done = compare(old, new, "--out", out)
    # The bad one is named, and the others are done.
    assert done.returncode == 3
    assert f"{old / 'bad.bvh'}: line" in done.stderr
    assert sorted(path.name for path in out.iterdir()) == ["index.html", "strike", "wade"]
    assert f"Only after: {new / 'calm.bvh'}" in done.stdout
    assert f"All comparisons: {out / 'index.html'}" in done.stdout
    documents = json.loads(compare(old, new, "--out", out, "--replace", "--json").stdout)
    assert [each["motion"]["same"] for each in documents] == ["no", "yes"]


def test_a_folder_of_one_pair_still_gives_a_list(folders: Path, tmp_path: Path) -> None:
    done = compare(folders / "old", folders / "new", "--out", tmp_path, "--json")
    assert done.returncode == 0
    assert len(json.loads(done.stdout)) == 1


def test_an_earlier_comparison_needs_replace(folders: Path, tmp_path: Path) -> None:
    words = (folders / "old/wade.bvh", folders / "new/wade.bvh", "--out", tmp_path, "-q")
    assert compare(*words).returncode == 0
    page = tmp_path / "wade/comparison.html"
    first = page.read_bytes()
    again = compare(*words)
    assert again.returncode == 3
    assert "--replace" in again.stderr
    assert compare(*words, "--replace").returncode == 0
    assert page.read_bytes() == first


def test_across_formats(folders: Path, tmp_path: Path) -> None:
    writer = formats()["gltf"].write
    assert writer is not None
    files = writer([demo_shots()["wade_clean.bvh"]], "wade.glb")
    (tmp_path / "wade.glb").write_bytes(files["wade.glb"])
    done = compare(folders / "old/wade.bvh", tmp_path / "wade.glb", "--out", tmp_path, "--json")
    assert done.returncode == 0, done.stderr
    document = json.loads(done.stdout)
    knee = next(row for row in document["joints"] if row["joint"] == "L_Knee")
    assert knee["axes"]["told_by"] == "motion"
    assert knee["axes"]["twist_deg"] == pytest.approx(33.0, abs=0.01)
    # The format keeps numbers of 32 bits, which is about a ten-millionth of the height here.
    assert document["motion"]["same"] == "yes"


def test_several_shots_in_a_file(tmp_path: Path) -> None:
    writer = formats()["gltf"].write
    assert writer is not None
    demo = demo_shots()
    # One file holds shots of one rig.
    shots = [
        replace(demo["wade_messy.bvh"], source=Source("idle.bvh")),
        demo["wade_messy.bvh"],
        demo["strike_messy.bvh"],
    ]
    (tmp_path / "three.glb").write_bytes(writer(shots, "three.glb")["three.glb"])
    (tmp_path / "two.glb").write_bytes(writer(shots[1:], "two.glb")["two.glb"])
    out = tmp_path / "out"
    done = compare(tmp_path / "three.glb", tmp_path / "two.glb", "--out", out)
    assert done.returncode == 0, done.stderr
    assert (out / "index.html").exists()
    assert len(list(out.glob("*/comparison.json"))) == 2
    assert "Only before: " in done.stdout
    assert "#idle" in done.stdout
    one = writer(shots[:1], "one.glb")["one.glb"]
    (tmp_path / "one.glb").write_bytes(one)
    wrong = compare(tmp_path / "one.glb", tmp_path / "two.glb", "--out", out)
    assert wrong.returncode == 3
    assert "no two have the same name" in wrong.stderr


def test_wrong_usage(folders: Path, tmp_path: Path) -> None:
    old = folders / "old"
    assert compare(old).returncode == 2
    mixed = compare(old, folders / "new/wade.bvh", "--out", tmp_path)
    assert mixed.returncode == 2
    assert "Give two files or two folders" in mixed.stderr
    many = ["--skeleton", "a", "--skeleton", "b", "--skeleton", "c"]
    assert compare(old, folders / "new", *many, "--out", tmp_path).returncode == 2
    missing = compare(old / "nowhere.bvh", old / "wade.bvh", "--out", tmp_path)
    assert missing.returncode == 3
    assert "cannot be opened" in missing.stderr
    apart = compare(old, folders / "nowhere", "--out", tmp_path)
    assert apart.returncode == 3
    assert "does not exist" in apart.stderr
    assert list(tmp_path.iterdir()) == []
