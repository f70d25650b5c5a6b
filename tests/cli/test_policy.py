"""``hinge-audit policy`` as a person meets it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from audit.cli.policy import policy
from audit.errors import AuditError, OutputError
from audit.policy import PolicyError, fresh_policy, read_policy


def run(*words: object) -> str:
    """Run the command in this process and return what it prints; its errors are raised."""
    done = CliRunner().invoke(policy, list(map(str, words)), standalone_mode=False)
    if isinstance(done.exception, AuditError):
        raise done.exception
    assert done.exception is None, done.exception
    return done.output


def test_init_writes_a_policy_that_reads_and_says_nothing(tmp_path: Path) -> None:
    path = tmp_path / "show.toml"
    assert str(path) in run("init", "--out", path)
    assert path.read_text("utf-8") == fresh_policy()
    assert read_policy(path).rules == ()
    assert all(not line or line.startswith("#") for line in fresh_policy().splitlines())


def test_init_in_a_folder_and_to_the_screen(tmp_path: Path) -> None:
    run("init", "--out", tmp_path)
    assert (tmp_path / "policy.toml").exists()
    assert run("init", "--out", "-") == fresh_policy()


def test_init_writes_over_nothing(tmp_path: Path) -> None:
    path = tmp_path / "policy.toml"
    path.write_text("mine")
    with pytest.raises(OutputError, match="exists already"):
        run("init", "--out", path)
    assert path.read_text() == "mine"


@pytest.fixture
def show(tmp_path: Path) -> Path:
    """Return a show's folder with a policy and a shot's folder in it."""
    (tmp_path / "sh010").mkdir()
    (tmp_path / "policy.toml").write_text(
        "fail_on = 'look'\n[[joints]]\nmatch = '*_Knee'\nchecks.twist.offset = 1\n"
        "[[waivers]]\njoint = 'L_*'\ncheck = 'twist'\nreason = 'locked'\nwho = 'lead'\nuntil = 2020-01-01\n"
    )
    return tmp_path


def test_show_tells_what_holds_for_a_joint_and_why(show: Path) -> None:
    text = run("show", "--joint", "L_Knee", show / "sh010" / "walk.bvh")
    assert text.startswith(f"Policy: {show / 'policy.toml'}\n")
    (line,) = [each for each in text.splitlines() if each.startswith("  checks.twist.offset")]
    assert line.split(None, 2) == ["checks.twist.offset", "1", "line 4, pattern '*_Knee'"]
    assert "line 5: twist on L_*, ENDED on 2020-01-01: locked (lead)" in text
    other = run("show", "--joint", "R_Elbow", show)
    (line,) = [each for each in other.splitlines() if each.startswith("  checks.twist.offset")]
    assert line.split() == ["checks.twist.offset", "2", "default"]
    assert "Waivers" not in other


def test_show_tells_how_a_record_is_parted(show: Path) -> None:
    def told() -> list[str]:
        return [each for each in run("show", show).splitlines() if "record.partition" in each]

    assert [each.split(None, 1)[1] for each in told()] == ["show, then day   default"]
    (show / "policy.toml").write_text("[record]\npartition = ['rig', 'month']\n")
    assert [each.split(None, 1)[1] for each in told()] == ["rig, then month  line 2"]


def test_show_without_a_joint_tells_everything(show: Path) -> None:
    text = run("show", show / "policy.toml")
    for part in ("fail_on", "measures.hinge_share", "For some joints", "line 2: *_Knee", "Waivers"):
        assert part in text


def test_show_tells_mistakes(show: Path) -> None:
    (show / "policy.toml").write_text("fail_no = 'fix'")
    with pytest.raises(PolicyError, match="Did you mean 'fail_on'"):
        run("show", show)


def test_as_a_command_with_its_exit_codes(show: Path) -> None:
    command = [sys.executable, "-m", "audit", "policy"]
    good = subprocess.run([*command, "show"], cwd=show / "sh010", capture_output=True, check=False)
    assert good.returncode == 0
    bad = subprocess.run(
        [*command, "show", "none.toml"], cwd=show, capture_output=True, check=False
    )
    assert bad.returncode == 2
    assert b"none.toml: cannot be opened" in bad.stderr
    help_page = subprocess.run([*command, "--help"], capture_output=True, check=True)
    assert b"Examples:" in help_page.stdout
