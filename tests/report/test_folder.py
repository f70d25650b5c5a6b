"""The folder of a report: written whole or not at all, and nothing of somebody else's is lost."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path

import jsonschema
import pytest

from audit.errors import OutputError, UsageError
from audit.model import Shot
from audit.pipeline import Examination, examine
from audit.report import folder_name, pictures, write_index, write_report
from audit.report.folder import joints_csv
from audit.results import flat_row, schema

FILES = {"report.html", "results.json", "joints.csv", "pictures"}


@pytest.fixture(autouse=True)
def _coarse_pictures(monkeypatch: pytest.MonkeyPatch) -> None:
    # Only what is in them is tested elsewhere; here they only have to be there.
    monkeypatch.setattr(pictures, "DOTS_PER_INCH", 20)


@pytest.fixture(scope="module")
def written(examined: Examination, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("whole") / "above" / "star_one"
    assert write_report(examined, out) == out / "report.html"
    return out


def test_the_folder_is_whole(written: Path) -> None:
    assert {path.name for path in written.iterdir()} == FILES
    assert [path.name for path in written.parent.iterdir()] == ["star_one"]
    names = sorted(path.stem for path in (written / "pictures").iterdir())
    assert names == ["L_Elbow", "L_Knee", "L_Toe", "R_Elbow", "R_Toe", "overview"]
    for path in (written / "pictures").iterdir():
        assert path.read_bytes().startswith(b"\x89PNG")


def test_results_keep_to_the_contract(written: Path, examined: Examination) -> None:
    document = json.loads((written / "results.json").read_text(encoding="utf-8"))
    jsonschema.validate(document, dict(schema()))
    assert document == examined.document


def test_the_table_has_a_row_for_each_joint_with_the_numbers_of_the_results(
    written: Path, examined: Examination
) -> None:
    rows = list(csv.DictReader(io.StringIO((written / "joints.csv").read_text(encoding="utf-8"))))
    assert [row["joint"] for row in rows] == list(examined.shot.skeleton.names)
    for row, source in zip(rows, examined.document["joints"], strict=True):
        flat = flat_row(source)
        assert list(row) == list(flat)
        for name, value in flat.items():
            expected = (
                "" if value is None else value if isinstance(value, str) else json.dumps(value)
            )
            assert row[name] == expected


def test_progress_names_every_file(examined: Examination, tmp_path: Path) -> None:
    said: list[str] = []
    write_report(examined, tmp_path / "out", progress=said.append)
    written = [path for path in (tmp_path / "out").rglob("*") if path.is_file()]
    assert sorted(said) == sorted(path.relative_to(tmp_path / "out").as_posix() for path in written)


def test_the_same_shot_gives_the_same_files(make_shot: Callable[..., Shot], tmp_path: Path) -> None:
    for name in ("first", "second"):
        write_report(examine(make_shot()), tmp_path / name)
    for path in (tmp_path / "first").rglob("*.*"):
        twin = tmp_path / "second" / path.relative_to(tmp_path / "first")
        assert path.read_bytes() == twin.read_bytes()


def test_some_joints(examined: Examination, tmp_path: Path) -> None:
    write_report(examined, tmp_path / "out", joints=[2, 1])
    rows = list(csv.DictReader(io.StringIO((tmp_path / "out" / "joints.csv").read_text())))
    assert [row["joint"] for row in rows] == ["L_Knee", "R_Knee"]
    names = sorted(path.stem for path in (tmp_path / "out" / "pictures").iterdir())
    assert names == ["L_Knee", "overview"]
    document = json.loads((tmp_path / "out" / "results.json").read_text(encoding="utf-8"))
    assert document == examined.document


def test_no_joints_at_all(examined: Examination, tmp_path: Path) -> None:
    write_report(examined, tmp_path / "out", joints=[])
    assert (tmp_path / "out" / "joints.csv").read_text().startswith("joint,parent,rotation_order,")
    assert joints_csv([], []) == "joint\n"


@pytest.mark.parametrize("joints", [[-1], [9]])
def test_a_joint_that_does_not_exist(
    examined: Examination, tmp_path: Path, joints: list[int]
) -> None:
    with pytest.raises(UsageError, match="counted from 0 to 8"):
        write_report(examined, tmp_path / "out", joints=joints)
    assert list(tmp_path.iterdir()) == []


def test_what_exists_is_refused(examined: Examination, written: Path) -> None:
    before = (written / "report.html").read_bytes()
    with pytest.raises(OutputError, match=r"exists already.*--replace") as caught:
        write_report(examined, written, joints=[1])
    assert caught.value.exit_code == 3
    assert (written / "report.html").read_bytes() == before


def test_an_earlier_report_is_replaced_when_asked(examined: Examination, tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_report(examined, out)
    write_report(examined, out, joints=[1], replace=True)
    assert sorted(path.stem for path in (out / "pictures").iterdir()) == ["L_Knee", "overview"]
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_an_empty_folder_is_replaced_when_asked(examined: Examination, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    with pytest.raises(OutputError, match="exists already"):
        write_report(examined, out)
    write_report(examined, out, replace=True)
    assert {path.name for path in out.iterdir()} == FILES


@pytest.mark.parametrize(
    "files",
    [
        {"notes.txt": "mine"},
        {"results.json": "{}"},
        {"results.json": "[1]"},
        {"results.json": "not JSON"},
        {"results.json": '{"tool": {"name": "another"}}', "report.html": ""},
        {"results.json": '{"tool": {"name": "hinge-audit"}}', "notes.txt": "mine"},
        {"results.json": '{"tool": {"name": "hinge-audit"}}', "pictures/holiday.jpg": "mine"},
    ],
)
def test_what_is_somebody_elses_is_never_replaced(
    examined: Examination, tmp_path: Path, files: dict[str, str]
) -> None:
    out = tmp_path / "out"
    for name, text in files.items():
        (out / name).parent.mkdir(parents=True, exist_ok=True)
        (out / name).write_text(text)
    with pytest.raises(OutputError, match="not replaced"):
        write_report(examined, out, replace=True)
    assert {name: (out / name).read_text() for name in files} == files


def test_a_file_or_a_link_is_never_replaced(examined: Examination, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    (tmp_path / "folder").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "folder")
    for name in ("file", "link"):
        with pytest.raises(OutputError, match="is something else than an earlier report"):
            write_report(examined, tmp_path / name, replace=True)
    assert (tmp_path / "file").read_text() == "mine"
    assert (tmp_path / "link").is_symlink()


def test_a_failure_leaves_nothing_behind(
    examined: Examination, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(pictures, "joint_picture", full)
    with pytest.raises(OutputError, match="No space left on device"):
        write_report(examined, tmp_path / "out")
    assert list(tmp_path.iterdir()) == []


def test_a_failure_leaves_the_earlier_report_as_it_was(
    examined: Examination, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    write_report(examined, out)
    before = {path: path.read_bytes() for path in out.rglob("*.*")}
    rename = Path.rename

    def stubborn(path: Path, target: Path) -> Path:
        if path.suffix == ".part":
            raise OSError(13, "Permission denied")
        return rename(path, target)

    monkeypatch.setattr(Path, "rename", stubborn)
    with pytest.raises(OutputError, match="Permission denied"):
        write_report(examined, out, joints=[1], replace=True)
    assert {path: path.read_bytes() for path in out.rglob("*.*")} == before
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_a_folder_that_cannot_be_made(examined: Examination, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    with pytest.raises(OutputError, match="cannot be written"):
        write_report(examined, tmp_path / "file" / "out")
    with pytest.raises(OutputError, match="cannot be written"):
        write_index([("a", examined.document)], tmp_path / "file" / "out")
    assert (tmp_path / "file").read_text() == "mine"


def test_hostile_names_make_harmless_files(make_shot: Callable[..., Shot], tmp_path: Path) -> None:
    names = ["../../away", "con", "L_knee", "l_Knee", "$\\frac{1$", "膝", "half \ud800"]
    shot = make_shot(names, file="\udcff.bvh")
    write_report(examine(shot), tmp_path / "out")
    made = sorted(path.name for path in (tmp_path / "out" / "pictures").iterdir())
    assert len({name.lower() for name in made}) == len(made) == 6
    assert [path.name for path in tmp_path.iterdir()] == ["out"]
    document = json.loads((tmp_path / "out" / "results.json").read_text(encoding="utf-8"))
    assert document["source"]["file"] == "\udcff.bvh"
    assert [row["joint"] for row in document["joints"]][1:8] == names


@pytest.mark.parametrize(
    ("label", "name"),
    [
        ("wade_messy", "wade_messy"),
        ("L_Knee.001", "L_Knee.001"),
        ("two words", "two-words"),
        ("étoile", "etoile"),
        ("../../etc/passwd", "etc-passwd"),
        ("C:\\shots\\one", "C-shots-one"),
        ("dots...", "dots"),
    ],
)
def test_folder_names(label: str, name: str) -> None:
    assert folder_name(label) == name


@pytest.mark.parametrize(
    "label", ["", "...", "CON", "nul.txt", "膝", "左膝", "x" * 300, "\x00", "\ud800", "/"]
)
def test_folder_names_are_safe_and_stable(label: str) -> None:
    name = folder_name(label)
    assert name == folder_name(label)
    assert 0 < len(name) <= 80
    assert name.isascii()
    assert set(name) <= set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_.")
    assert name[0] not in ".-"
    assert name[-1] not in ".-"
    assert name.split(".")[0].lower() not in {"con", "nul"}


def test_what_a_name_loses_keeps_it_apart() -> None:
    assert folder_name("膝") != folder_name("肘")
    assert folder_name("x" * 300) != folder_name("x" * 301)


def test_the_index_is_written_and_written_anew(
    examined: Examination, clean: Examination, tmp_path: Path
) -> None:
    out = tmp_path / "shots"
    path = write_index([("one", examined.document)], out)
    assert path == out / "index.html"
    write_index([("one", examined.document), ("two", clean.document)], out)
    assert 'href="two/report.html"' in path.read_text(encoding="utf-8")
    assert [each.name for each in out.iterdir()] == ["index.html"]


def test_an_index_of_somebody_else_stays(examined: Examination, tmp_path: Path) -> None:
    (tmp_path / "index.html").write_text("<p>mine</p>")
    with pytest.raises(OutputError, match="something else"):
        write_index([("one", examined.document)], tmp_path)
    assert (tmp_path / "index.html").read_text() == "<p>mine</p>"
