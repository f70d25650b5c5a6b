"""Which policy holds for a file, and what may be used again under it."""

from __future__ import annotations

import pickle
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from audit.gate import (
    FileVerdict,
    HeldPolicies,
    Options,
    check_file,
    data,
    judged,
    partition_of,
    policies,
    settings_digest,
)
from audit.plugins import SEVERITIES
from audit.policy import NEVER, Policy, PolicyError, reading
from tests.unit.gate.making import demo_folder, failed


def test_what_stands_twice_is_the_same() -> None:
    assert data.SEVERITIES == SEVERITIES
    assert policies.NAME == reading.NAME
    assert (NEVER, Policy().fail_on.value) == (judged.NEVER, judged.DEFAULT_FAIL_ON)


def test_what_judges_loads_nothing_that_measures() -> None:
    code = (
        "import sys, audit.gate as gate\n"
        "gate.collect, gate.Options, gate.HeldPolicies, gate.Interrupts, gate.output_formats()\n"
        "print(sorted({'scipy', 'audit.measures', 'audit.policy', 'audit.plugins'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_keys_are_those_of_when_the_run_began(tmp_path: Path) -> None:
    path = str(demo_folder(tmp_path / "shots") / "wade_clean.bvh")
    held = HeldPolicies(Options())
    held.read([path])
    key = held.key(path)
    assert key == settings_digest(path, Options())
    before = check_file(path, Options())
    assert held.is_final(before)
    (tmp_path / "policy.toml").write_text("[checks.twist]\nseverity = 'off'\n")
    after = check_file(path, Options())
    assert held.key(path) == key != settings_digest(path, Options())
    # Neither a verdict under the new rules for the old ones, nor, where it travelled, the other way round.
    assert not held.is_final(after)
    travelled = pickle.loads(pickle.dumps(held))
    assert travelled.key(path) == settings_digest(path, Options())
    assert (travelled.is_final(after), travelled.is_final(before)) == (True, False)


def test_a_failed_file_is_never_final() -> None:
    held = HeldPolicies(Options())
    assert held.is_final(FileVerdict("shots/bad.bvh"))
    assert not held.is_final(replace(failed("shots/bad.bvh")))


def test_each_policy_is_read_once_and_mistakes_are_told(tmp_path: Path) -> None:
    good, bad = tmp_path / "good", tmp_path / "bad"
    for folder in (good, bad):
        folder.mkdir()
    (good / "policy.toml").write_text("fail_on = 'look'")
    (bad / "policy.toml").write_text("fial_on = 'look'")
    HeldPolicies(Options()).read([str(good / "a.bvh"), str(good / "b.bvh")])
    with pytest.raises(PolicyError, match="fail_on"):
        HeldPolicies(Options()).read([str(good / "a.bvh"), str(bad / "a.bvh")])
    with pytest.raises(PolicyError, match="policy init"):
        HeldPolicies(Options(policy=str(tmp_path / "none.toml"))).read([""])


def test_the_policies_of_a_run_agree_on_how_it_is_recorded(tmp_path: Path) -> None:
    paths = []
    for name, text in (("a", ""), ("b", "['show', 'month']"), ("c", "['show', 'month']")):
        (tmp_path / name).mkdir()
        said = f"[record]\npartition = {text}\n" if text else "# says nothing\n"
        (tmp_path / name / "policy.toml").write_text(said)
        paths.append(str(tmp_path / name / "shot.bvh"))
    read = HeldPolicies(Options()).read(paths)
    assert [Path(str(each.path)).parent.name for each in read] == ["a", "b", "c"]
    assert partition_of(read) == ("show", "month")
    assert partition_of(read[:1]) is partition_of([]) is None
    (tmp_path / "c" / "policy.toml").write_text("\n[record]\npartition = ['month', 'show']\n")
    with pytest.raises(PolicyError) as caught:
        partition_of(HeldPolicies(Options()).read(paths))
    assert (caught.value.path, caught.value.where) == (
        str(tmp_path / "c" / "policy.toml"),
        "line 3",
    )
    assert f"{tmp_path / 'b' / 'policy.toml'}, line 2, by show, month" in str(caught.value)
