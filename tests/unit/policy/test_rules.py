"""Which rule holds for a joint, and what a waiver covers."""

from __future__ import annotations

import re
from datetime import date

import pytest

from audit.policy import Policy, Rule, Waiver, fresh_policy, policy_in_words
from audit.policy.reading import _read
from audit.policy.rules import change_in_words
from audit.policy.vocabulary import (
    AS_IT_IS,
    AT_REST,
    CHANGES,
    limits_of_checks,
    measure_defaults,
)
from audit.rest_checks import rest_checks


def rule(pattern: str, line: int, **values: object) -> Rule:
    """Return a rule that says something of one pattern."""
    return Rule((pattern,), line, {name: (value, line) for name, value in values.items()})


def test_without_a_policy_the_defaults_of_the_checks_hold() -> None:
    rules = Policy().for_joint("L_Knee")
    for check, limits in limits_of_checks().items():
        assert rules.limits(check) == dict(limits)
        assert rules.change(check) == (AT_REST if check in rest_checks() else AS_IT_IS)


def test_the_last_rule_that_matches_wins_setting_by_setting() -> None:
    policy = Policy(
        rules=(
            rule("*", 1, hinge=False, bend="positive"),
            rule("L_*", 5, hinge=True),
            rule("R_*", 9, hinge=None, bend="negative"),
        )
    )
    left = policy.for_joint("L_Knee")
    assert (left.held["hinge"].why, left.value("hinge")) == ("line 5, pattern 'L_*'", True)
    assert (left.held["bend"].why, left.value("bend")) == ("line 1, pattern '*'", "positive")


def test_case_counts_and_a_name_with_brackets_is_its_own_pattern() -> None:
    policy = Policy(rules=(rule("l_knee", 1, hinge=True), rule("arm[0]", 2, hinge=True)))
    assert policy.for_joint("L_Knee").value("hinge") is None
    assert policy.for_joint("arm[0]").value("hinge") is True
    assert policy.for_joint("arm0").value("hinge") is True
    assert policy.for_joint("arm1").value("hinge") is None


def test_joints_under_the_same_rules_share_them() -> None:
    policy = Policy(rules=(rule("*_Knee", 1, hinge=True),))
    assert policy.for_joint("L_Knee") is policy.for_joint("R_Knee")
    assert policy.for_joint("Hips") is policy.for_joint(None)


@pytest.mark.parametrize(
    ("word", "ends"),
    [
        ("fix", ["fix", "fix", "fix"]),
        ("note", ["note", "note", "note"]),
        ("off", [None, None, None]),
        ("raise", ["fix", "fix", "look"]),
        ("lower", ["look", "note", "note"]),
    ],
)
def test_what_a_word_makes_of_severities(word: str, ends: list[str | None]) -> None:
    assert list(CHANGES[word].values()) == ends


def test_changes_in_words() -> None:
    assert change_in_words(AS_IT_IS) == "as found"
    assert change_in_words(CHANGES["off"]) == "off"
    assert change_in_words(CHANGES["look"]) == "look"
    assert change_in_words({**AS_IT_IS, "fix": "look", "note": None}) == "fix → look, note → off"


def waiver(**changes: object) -> Waiver:
    """Return a waiver of the twist of the left knee."""
    values = {
        "joints": ("*_Knee",),
        "checks": ("twist",),
        "reason": "locked",
        "who": "lead",
        "until": date(2026, 3, 31),
        "line": 4,
    }
    return Waiver(**{**values, **changes})


def test_a_waiver_works_until_the_end_of_its_last_day() -> None:
    days = [date(2026, 3, 30), date(2026, 3, 31), date(2026, 4, 1)]
    assert [waiver().works_on(day) for day in days] == [True, True, False]


@pytest.mark.parametrize(
    ("check", "joint", "covered"),
    [
        ("twist", "L_Knee", True),
        ("spread", "L_Knee", False),
        ("twist", "L_Elbow", False),
        ("twist", None, False),
    ],
)
def test_a_waiver_covers_its_check_on_its_joints(check, joint, covered) -> None:
    assert waiver().covers(check, joint, "walk", "a/walk.bvh") is covered


def test_only_a_star_covers_the_shot_as_a_whole() -> None:
    assert waiver(joints=("*",)).covers("twist", None, "walk", "a/walk.bvh")


@pytest.mark.parametrize("pattern", ["walk", "w*", "a/walk.bvh", "walk.bvh", "*/a/*", "show/*"])
def test_a_waiver_of_shots_goes_by_name_or_path(pattern: str) -> None:
    narrow = waiver(shots=(pattern,))
    assert narrow.covers("twist", "L_Knee", "walk", "show/a/walk.bvh")
    assert not narrow.covers("twist", "L_Knee", "run", "other/run.bvh")


def fresh(*, with_comments: bool) -> Policy:
    """Return the policy that is written to begin with, as it is or with everything in it in force."""
    text = fresh_policy()
    if not with_comments:
        setting = re.compile(r"# (\[[\[a-z].*|[a-z_.]+ = .*)")
        found = [setting.fullmatch(line) for line in text.splitlines()]
        text = "\n".join(each[1] for each in found if each)
    return _read("policy.toml", text.encode())


def test_a_fresh_policy_changes_nothing() -> None:
    policy = fresh(with_comments=True)
    assert dict(policy.for_joint("L_Knee")) == dict(Policy().for_joint("L_Knee"))
    assert policy.settings() == Policy().settings()
    assert (policy.fail_on.value, policy.waivers) == ("fix", ())


def test_what_a_fresh_policy_shows_of_checks_are_the_defaults() -> None:
    policy = fresh(with_comments=False)
    everyone = policy.for_joint(None)
    for check, limits in limits_of_checks().items():
        assert everyone.limits(check) == dict(limits)
    assert {
        f"checks.{check}.{name}" for check, each in limits_of_checks().items() for name in each
    } <= set(policy.general)
    assert set(policy.measures) == set(measure_defaults())
    assert len(policy.rules) == len(policy.waivers) == 1
    assert policy.partition.value == Policy().partition.value
    assert policy.partition.line is not None
    assert policy.for_joint("L_Knee").value("bend") == "positive"


def test_showing_tells_value_and_reason_of_every_setting() -> None:
    policy = fresh(with_comments=False)
    text = policy_in_words(policy, "L_Knee", date(2031, 1, 1))
    for name, held in policy.for_joint("L_Knee"):
        (line,) = [each for each in text.splitlines() if each.split()[:1] == [name]]
        assert line.endswith(held.why)
    assert "ENDED on 2030-12-31" in text
    assert "until 2030-12-31" in policy_in_words(policy, None, date(2030, 12, 31))
    assert "Waivers" not in policy_in_words(policy, "Hips", date(2030, 12, 31))
