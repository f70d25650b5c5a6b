"""The command as a person or a script meets it."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from audit.demo import demo_files


@pytest.fixture(scope="session")
def shots(tmp_path_factory) -> Path:
    """Return a folder with the demo's shots."""
    folder = tmp_path_factory.mktemp("shots")
    for name, data in demo_files().items():
        (folder / name).write_bytes(data)
    return folder


def hinge_audit(*words: object, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run the command in a process of its own, as exit codes and streams are what is tested."""
    command = [sys.executable, "-m", "audit", *map(str, words)]
    return subprocess.run(
        command, capture_output=True, text=True, encoding="utf-8", check=False, cwd=cwd
    )


def test_version_and_help_at_each_level():
    assert hinge_audit("--version").stdout.startswith("hinge-audit, version ")
    top = hinge_audit("--help")
    assert top.returncode == 0
    assert "Examples:\n    hinge-audit demo\n" in top.stdout
    for command in ("demo", "explain", "report"):
        assert command in top.stdout
        page = hinge_audit(command, "--help")
        assert page.returncode == 0
        assert "Examples:" in page.stdout


def test_help_loads_no_heavy_library():
    code = (
        "import sys; sys.argv = ['hinge-audit', '--help']\n"
        "import audit.cli.main as m\n"
        "try: m.run()\n"
        "except SystemExit: pass\n"
        "print(sorted({'pandas', 'matplotlib', 'numpy', 'scipy', 'pyarrow'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


def test_a_mistyped_command_gets_the_nearest_name():
    done = hinge_audit("reprot", "x.bvh")
    assert done.returncode == 2
    assert "Did you mean 'report'?" in done.stderr


def test_no_shots_is_wrong_usage():
    done = hinge_audit("report")
    assert done.returncode == 2
    assert "SHOT" in done.stderr


def test_report_writes_pages_and_prints_a_table(shots, tmp_path):
    out = tmp_path / "out"
    done = hinge_audit("report", shots / "wade_messy.bvh", shots / "wade_clean.bvh", "--out", out)
    assert done.returncode == 0, done.stderr
    assert "L_Knee" in done.stdout
    for name in ("wade_messy", "wade_clean"):
        for file in ("report.html", "results.json", "joints.csv"):
            assert (out / name / file).stat().st_size > 0
        assert list((out / name / "pictures").glob("*.png"))
        assert str(out / name / "report.html") in done.stdout
    assert (out / "index.html").exists()


def test_a_second_report_needs_replace(shots, tmp_path):
    out = tmp_path / "out"
    assert hinge_audit("report", shots / "wade_clean.bvh", "--out", out, "-q").returncode == 0
    before = (out / "wade_clean" / "report.html").read_bytes()
    again = hinge_audit("report", shots / "wade_clean.bvh", "--out", out)
    assert again.returncode == 3
    assert "--replace" in again.stderr
    assert (out / "wade_clean" / "report.html").read_bytes() == before
    third = hinge_audit("report", shots / "wade_clean.bvh", "--out", out, "--replace", "--quiet")
    assert (third.returncode, third.stdout, third.stderr) == (0, "", "")
    assert (out / "wade_clean" / "report.html").read_bytes() == before


def test_a_bad_shot_is_named_and_the_others_are_done(shots, tmp_path):
    bad = tmp_path / "bad.bvh"
    bad.write_bytes((shots / "wade_clean.bvh").read_bytes()[:5000])
    missing = tmp_path / "nowhere.bvh"
    out = tmp_path / "out"
    done = hinge_audit("report", bad, missing, shots / "wade_clean.bvh", "--out", out)
    assert done.returncode == 3
    assert f"{bad}: line" in done.stderr
    assert f"{missing}: cannot be opened" in done.stderr
    assert (out / "wade_clean" / "report.html").exists()
    assert not (out / "bad").exists()


def test_json_is_the_results_and_nothing_else(shots, tmp_path):
    out = tmp_path / "out"
    done = hinge_audit("report", shots / "wade_messy.bvh", "--out", out, "--json")
    assert done.returncode == 0
    assert json.loads(done.stdout) == json.loads(
        (out / "wade_messy" / "results.json").read_text("utf-8")
    )


def test_joint_patterns_narrow_the_page(shots, tmp_path):
    out = tmp_path / "out"
    done = hinge_audit("report", shots / "wade_messy.bvh", "--out", out, "--joint", "*_Knee")
    assert done.returncode == 0
    assert "L_Knee" in done.stdout
    assert "L_Elbow" not in done.stdout


def test_an_unknown_joint_gets_the_nearest_names(shots, tmp_path):
    done = hinge_audit(
        "report", shots / "wade_messy.bvh", "--out", tmp_path / "out", "--joint", "L_Kne"
    )
    assert done.returncode == 2
    assert "Did you mean L_Knee" in done.stderr


def test_two_shots_of_one_name_get_two_folders(shots, tmp_path):
    other = tmp_path / "other" / "wade_clean.bvh"
    other.parent.mkdir()
    other.write_bytes((shots / "strike_messy.bvh").read_bytes())
    out = tmp_path / "out"
    done = hinge_audit("report", shots / "wade_clean.bvh", other, "--out", out, "-q")
    assert done.returncode == 0
    assert (out / "wade_clean" / "report.html").exists()
    assert (out / "wade_clean-2" / "report.html").exists()


def test_demo_runs_twice_and_overwrites_nothing_else(tmp_path):
    first = hinge_audit("demo", cwd=tmp_path)
    assert first.returncode == 0, first.stderr
    index = tmp_path / "reports" / "demo" / "index.html"
    page = index.read_bytes()
    assert hinge_audit("demo", "--quiet", cwd=tmp_path).returncode == 0
    assert index.read_bytes() == page
    shot = tmp_path / "reports" / "demo" / "shots" / "wade_messy.bvh"
    shot.write_bytes(b"somebody's work")
    third = hinge_audit("demo", cwd=tmp_path)
    assert third.returncode == 3
    assert shot.read_bytes() == b"somebody's work"


def test_explain_lists_and_explains():
    listed = hinge_audit("explain")
    assert listed.returncode == 0
    assert "twist" in listed.stdout
    assert "bvh" in listed.stdout
    one = hinge_audit("explain", "back-bend")
    assert one.stdout.startswith("back-bend\n=========")
    assert "angle = 3" in one.stdout
    assert hinge_audit("explain", "bvh").returncode == 0
    near = hinge_audit("explain", "twsit")
    assert near.returncode == 2
    assert "'twist'" in near.stderr


def test_a_fault_of_the_program_is_70_and_shows_a_traceback_on_request():
    code = (
        "import sys, audit.cli.main as m\n"
        "sys.argv = ['hinge-audit', *sys.argv[1:], 'explain']\n"
        "import audit.checks\n"
        "def broken(): raise ZeroDivisionError('planted')\n"
        "audit.checks.checks = broken\n"
        "m.run()"
    )
    plain = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False
    )
    assert plain.returncode == 70
    assert "planted" in plain.stderr
    assert "Traceback" not in plain.stderr
    debug = subprocess.run(
        [sys.executable, "-c", code, "--debug"], capture_output=True, text=True, check=False
    )
    assert debug.returncode == 70
    assert "Traceback" in debug.stderr
