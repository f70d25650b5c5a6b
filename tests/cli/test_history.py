"""``hinge-audit history`` as a person or a script meets it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from audit.demo import demo_files
from tests.cli.running import Command, hinge_audit  # noqa: F401 (a fixture)
from tests.unit.history.making import document, record

pytest.importorskip("duckdb", reason="needs the extra 'history'")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("history") / "record"
    bad = ("joint0", "twist", "fix", 20.0, 5.0)
    record(out, "2024-01-01", document("good"), document("bad", bad))
    record(out, "2024-01-08", document("good", bad), document("bad", bad))
    return out


def history(*words: object, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run the command in a process of its own, as exit codes and streams are what is tested."""
    command = [sys.executable, "-m", "audit", "history", *map(str, words)]
    return subprocess.run(
        command, capture_output=True, text=True, encoding="utf-8", check=False, cwd=cwd
    )


def test_in_the_terminal(folder: Path) -> None:
    done = history(folder)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("Worst joints\n  joint ")
    assert "New or worse since 2024-01-08\n" in done.stdout
    assert "  new   fix       good  joint0  twist  20.0\n" in done.stdout
    assert "Shots that never passed\n" in done.stdout
    assert history(folder, "--since", "2024-01-09", "-q").stdout == ""


def test_a_page(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    done = history(folder, "--out", out, "--joints", 2)
    assert done.returncode == 0
    assert f"Page: {out / 'history.html'}" in done.stdout
    assert len((out / "worst_joints.csv").read_text("utf-8").splitlines()) == 3
    again = history(folder, "--out", out)
    assert again.returncode == 3
    assert "--replace" in again.stderr
    assert history(folder, "--out", out, "--replace").returncode == 0


def test_ones_own_question(folder: Path) -> None:
    done = history(
        folder, "--sql", "select shot, sum(fix) as fix from shots group by all order by all"
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == "shot,fix\nbad,2\ngood,1\n"


@pytest.mark.parametrize(
    ("words", "code", "text"),
    [
        (["--sql", "drop view shots"], 2, "only a single question"),
        (["--sql", "select nothing"], 2, "has no answer"),
        (["--sql", "select 1", "--out", "x"], 2, "--sql stands alone"),
        (["--open"], 2, "--open needs a page"),
        (["--rig", "joint"], 2, "There are joint0-"),
        (["--since", "yesterday"], 2, "yesterday"),
    ],
)
def test_wrong_usage(folder: Path, words: list[str], code: int, text: str) -> None:
    done = history(folder, *words)
    assert done.returncode == code
    assert text in done.stderr
    assert done.stdout == ""


def test_no_record(tmp_path: Path) -> None:
    done = history(tmp_path)
    assert done.returncode == 3
    assert "holds no record" in done.stderr


def test_help_has_examples() -> None:
    done = history("--help")
    assert done.returncode == 0
    assert "Examples:" in done.stdout


def test_a_record_that_is_parted_as_policies_say(tmp_path: Path, hinge_audit: Command) -> None:  # noqa: F811
    for name in ("pier", "quay"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "walk.bvh").write_bytes(demo_files()["wade_clean.bvh"])
    words = ["check", tmp_path / "pier", "--record", tmp_path / "record", "--no-cache", "-q"]
    assert hinge_audit(*words).code == 0
    policy = tmp_path / "pier" / "policy.toml"
    policy.write_text("[record]\npartition = ['month', 'rig']\n")
    assert hinge_audit(*words, "--show", "harbour").code == 0
    shots = sorted((tmp_path / "record" / "shots").rglob("*.parquet"))
    folders = [path.relative_to(tmp_path / "record" / "shots").parts[:2] for path in shots]
    assert [[part.split("=")[0] for part in each] for each in folders] == [
        ["month", "rig"],
        ["show_name", "date"],
    ]
    question = "select show_name, shot, status from shots order by all"
    done = hinge_audit("history", tmp_path / "record", "--sql", question)
    assert done.out == "show_name,shot,status\nharbour,walk,passed\nunnamed,walk,passed\n"
    # Where two disagree nothing is begun; without a record nobody minds.
    (tmp_path / "quay" / "policy.toml").write_text("[record]\npartition = ['day']\n")
    words[1:2] = [tmp_path / "pier", tmp_path / "quay"]
    done = hinge_audit(*words, "--out", tmp_path / "out")
    assert (done.code, done.out) == (2, "")
    assert (
        f"{tmp_path / 'quay' / 'policy.toml'}: line 2: wants the record parted by day" in done.err
    )
    assert not (tmp_path / "out").exists()
    assert sorted((tmp_path / "record" / "shots").rglob("*.parquet")) == shots
    assert hinge_audit("check", *words[1:3], "--no-cache", "-q").code == 0
