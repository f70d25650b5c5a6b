"""The checks that a policy makes have pages like all others, and what these show is what the program says."""

from __future__ import annotations

import csv
from io import StringIO
from pathlib import Path

import pytest

from audit.demo import demo_files
from audit.policy import policy_checks
from audit.policy.own_checks import page_of_policy_check
from tests.cli.running import Command, hinge_audit

__all__ = ["hinge_audit"]

OWN = sorted(policy_checks())


def example(name: str) -> tuple[str, str]:
    """Return the policy of a page's example, and the finding that it quotes."""
    text = page_of_policy_check(name).partition("## Example\n")[2]
    policy = [line[4:] for line in text.splitlines() if line.startswith("    ")]
    quoted = [line[2:] for line in text.splitlines() if line.startswith("> ")]
    return "\n".join(policy), " ".join(quoted)


@pytest.fixture(scope="module")
def shots(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("explained")
    (folder / "strike.bvh").write_bytes(demo_files()["strike_messy.bvh"])
    return folder


def test_they_are_listed_in_a_group_of_their_own(hinge_audit: Command) -> None:
    listed = hinge_audit("explain").out
    group = listed.partition("What a policy itself asks for\n\n")[2].partition("\n\n")[0]
    assert [line.split()[0] for line in group.splitlines()] == OWN


@pytest.mark.parametrize("name", OWN)
def test_each_has_a_page_under_the_usual_headings(hinge_audit: Command, name: str) -> None:
    page = hinge_audit("explain", name).out
    assert page.startswith(f"{name}\n{'=' * len(name)}\n\n")
    headings = ["What it finds", "Why it matters", "Formula", "Limit and its source"]
    headings += ["What to do", "Example"]
    places = [page.index(f"\n{heading}\n{'-' * len(heading)}\n") for heading in headings]
    assert places == sorted(places)
    assert "`" not in page
    for limit, value in policy_checks()[name].limits.items():
        assert f"- {limit} = {value:g}" in page


def test_a_mistyped_name_gets_the_nearest_one(hinge_audit: Command) -> None:
    done = hinge_audit("explain", "useles-waiver")
    assert (done.code, done.out) == (2, "")
    assert "Did you mean 'useless-waiver'?" in done.err


@pytest.mark.parametrize("name", OWN)
def test_the_example_of_each_is_what_check_says(
    hinge_audit: Command, shots: Path, tmp_path: Path, name: str
) -> None:
    text, quoted = example(name)
    policy = tmp_path / "policy.toml"
    policy.write_text(text, "utf-8")
    words = ("check", shots, "--policy", policy, "--format", "csv", "--no-cache", "--quiet")
    rows = list(csv.DictReader(StringIO(hinge_audit(*words).out)))
    said = [row["message"] for row in rows if row["check"] == name]
    assert quoted in said
