"""Checks under a policy: limits for each joint, severities, conventions, hinges that must be some."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np
import pytest

from audit.checks import checks
from audit.demo import demo_shots
from audit.measures import Measures, measure_shot
from audit.model import Shot
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.pipeline import examine
from audit.plugins import Finding
from audit.policy import (
    Policy,
    findings_under,
    looks_at_rest,
    rest_findings_under,
    targets_for,
)
from audit.policy.reading import _read
from audit.rest import measure_rest
from audit.rest.sample import figure
from audit.rest_checks import rest_checks

OBLIQUE = limb_shot(hinge_channels((0.8, 0.0, 0.6), bend()))
CLEAN = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend()))


def policy_of(text: str) -> Policy:
    """Return a policy from its text."""
    return _read("policy.toml", text.encode())


def found(policy: Policy, shot: Shot) -> list[tuple[str, str, str | None]]:
    """Return check, severity and joint of what is found."""
    return [
        (
            each.finding.check,
            each.finding.severity,
            None if each.finding.joint is None else shot.skeleton.names[each.finding.joint],
        )
        for each in findings_under(policy, shot, measure_shot(shot, policy.settings()))
    ]


@pytest.fixture(scope="module")
def messy() -> Shot:
    """Return the demo's messy walk."""
    return demo_shots()["wade_messy.bvh"]


def test_without_a_policy_it_is_what_is_found_anyway(messy: Shot) -> None:
    ruled = findings_under(Policy(), messy, measure_shot(messy))
    key = lambda each: (each.check, -1 if each.joint is None else each.joint)  # noqa: E731
    assert sorted((each.finding for each in ruled), key=key) == sorted(
        examine(messy).findings, key=key
    )
    assert all(each.own == each.finding.severity for each in ruled)


def test_limits_of_each_joint_are_those_of_its_own(messy: Shot) -> None:
    policy = policy_of(
        "[checks.twist]\noffset = 8.0\n"
        "[[joints]]\nmatch = 'L_*'\nchecks.twist.offset = 1.0\n"
        "[[joints]]\nmatch = '*_Knee'\nchecks.twist.offset = 30.0\n"
    )
    measures = measure_shot(messy)
    ruled = [each.finding for each in findings_under(policy, messy, measures)]
    twists = {each.joint: each for each in ruled if each.check == "twist"}
    assert len({each.limit for each in twists.values()}) > 1
    for joint, name in enumerate(messy.skeleton.names):
        limits = policy.for_joint(name).limits("twist")
        alone = [
            each for each in checks()["twist"].run(messy, measures, limits) if each.joint == joint
        ]
        assert alone == ([twists[joint]] if joint in twists else [])


def test_a_check_is_run_once_for_each_set_of_limits(messy: Shot) -> None:
    asked: list[dict[str, float]] = []

    def run(shot: Shot, measures: Measures, limits: Mapping[str, float]) -> Iterator[Finding]:
        asked.append(dict(limits))
        yield Finding("twist", "fix", "the shot", 1.0, limits["offset"])
        for joint in range(len(shot.skeleton)):
            yield Finding("twist", "fix", "a joint", 1.0, limits["offset"], joint)

    policy = policy_of(
        "[[joints]]\nmatch = '*_Knee'\nchecks.twist.offset = 7\n"
        "[[joints]]\nmatch = '*_Elbow'\nchecks.twist.offset = 7\nhinge = true\n"
        "[[joints]]\nmatch = '*_Ankle'\nchecks.twist.severity = 'off'\n"
    )
    check = replace(checks()["twist"], run=run)
    ruled = findings_under(policy, messy, measure_shot(messy), {"twist": check})
    assert sorted(each["offset"] for each in asked) == [2.0, 7.0]
    whole = [each.finding for each in ruled if each.finding.joint is None]
    assert [each.limit for each in whole if each.check == "twist"] == [2.0]
    limits = {
        messy.skeleton.names[each.finding.joint]: each.finding.limit
        for each in ruled
        if each.finding.joint is not None and each.finding.check == "twist"
    }
    assert limits["L_Knee"] == limits["R_Elbow"] == 7.0
    assert limits["Pelvis"] == 2.0
    assert "L_Ankle" not in limits
    assert len(limits) == len([name for name in messy.skeleton.names if "Ankle" not in name])


def test_severities_are_changed_and_the_own_one_is_kept() -> None:
    policy = policy_of("checks.twist.severity = 'lower'\nchecks.spread.severity = { fix = 'off' }")
    ruled = findings_under(policy, OBLIQUE, measure_shot(OBLIQUE))
    assert [
        (each.finding.severity, each.own) for each in ruled if each.finding.check == "twist"
    ] == [("look", "fix")]
    assert not [each for each in ruled if each.finding.check == "spread"]


def test_findings_of_a_rest_pose_are_looks_unless_the_policy_raises_them() -> None:
    skeleton = figure(turned={"R_Forearm": (180.0, 0.0, 0.0)}, moved={"Spine": (0.01, 0.0, 0.0)})
    rest = measure_rest(skeleton)

    def told(text: str) -> dict[tuple[str, str | None], tuple[str, str]]:
        return {
            (
                each.finding.check,
                None if each.finding.joint is None else skeleton.names[each.finding.joint],
            ): (each.finding.severity, each.own)
            for each in rest_findings_under(policy_of(text), skeleton, rest)
        }

    arm, spine = ("rest-mirror", "R_Forearm"), ("rest-midline", "Spine")
    assert told("") == {arm: ("look", "fix"), spine: ("look", "fix")}
    for raising in ("'raise'", "'fix'", "{ fix = 'fix' }"):
        assert told(f"checks.rest-mirror.severity = {raising}") == {
            arm: ("fix", "fix"),
            spine: ("look", "fix"),
        }
    assert told("checks.rest-mirror.severity = 'lower'")[arm] == ("note", "fix")
    assert told("checks.rest-mirror.severity = 'off'") == {spine: ("look", "fix")}
    assert told("checks.rest-midline.off = 1.0") == {arm: ("look", "fix")}
    one = "[[joints]]\nmatch = 'Spine'\nchecks.rest-midline.severity = 'fix'"
    assert told(one)[spine] == ("fix", "fix")
    assert told(one)[arm] == ("look", "fix")


def test_other_findings_in_the_name_of_a_check_are_ruled_with_it() -> None:
    skeleton = figure()
    rest, note = measure_rest(skeleton), Finding("rest-centred", "note", "no skin", None, None)
    (kept,) = rest_findings_under(Policy(), skeleton, rest, [note])
    assert kept.finding == note
    off = policy_of("checks.rest-centred.severity = 'off'")
    assert rest_findings_under(off, skeleton, rest, [note]) == ()


def test_a_policy_can_leave_the_rest_pose_out() -> None:
    skeleton = figure()
    off = "".join(f"checks.{name}.severity = 'off'\n" for name in rest_checks())
    assert looks_at_rest(Policy(), skeleton)
    assert not looks_at_rest(policy_of(off), skeleton)
    on = f"{off}[[joints]]\nmatch = 'Spine'\nchecks.rest-midline.severity = 'look'\n"
    assert looks_at_rest(policy_of(on), skeleton)


def loose(name: str = "L_Knee") -> Shot:
    """Return a joint that moves on two axes."""
    channels = hinge_channels((1.0, 0.0, 0.0), bend())
    channels[:, 2] += 30.0 * np.sin(np.linspace(0.0, 9.0, len(channels)))
    return limb_shot(channels, name=name)


def test_a_joint_that_must_be_a_hinge_and_is_none() -> None:
    policy = policy_of("[[joints]]\nmatch = 'Jaw'\nhinge = true")
    assert ("expected-hinge", "fix", "Jaw") in found(policy, loose("Jaw"))
    assert not [each for each in found(policy, limb_shot(hinge_channels((1, 0, 0), bend()), name="Jaw"))
                if each[0] == "expected-hinge"]  # fmt: skip


@pytest.mark.parametrize(("hinge", "told"), [("true", "expected-hinge"), ("false", None)])
def test_where_the_policy_says_it_the_name_no_longer_counts(hinge: str, told: str | None) -> None:
    assert ("not-a-hinge", "look", "L_Knee") in found(Policy(), loose())
    policy = policy_of(f"[[joints]]\nmatch = '*_Knee'\nhinge = {hinge}")
    names = {check for check, _, joint in found(policy, loose()) if joint == "L_Knee"}
    assert "not-a-hinge" not in names
    assert names & {"expected-hinge"} == ({told} if told else set())


def conventions(text: str, shot: Shot) -> list[Finding]:
    """Return what breaks a convention on the knee."""
    policy = policy_of(f"[[joints]]\nmatch = '*_Knee'\n{text}")
    ruled = findings_under(policy, shot, measure_shot(shot))
    return [each.finding for each in ruled if each.finding.check == "convention"]


# The limb of the sample hangs along −Y, and bends from 0° to 70° about the given axis.
@pytest.mark.parametrize(
    ("text", "angle"),
    [
        ("limb_axis = 'Y'", None),
        ("limb_axis = '-Y'", None),
        ("limb_axis = '+Y'", 180.0),
        ("limb_axis = 'X'", 90.0),
        ("hinge_axis = 'X'", None),
        ("hinge_axis = 'Z'", 90.0),
        ("bend = 'positive'", None),
        ("bend = 'negative'", 180.0),
        ("hinge_axis = 'X'\nbend = 'negative'", 180.0),
        ("hinge_axis = 'Z'\nbend = 'negative'", 90.0),
        ("orders = ['YZX', 'ZYX']", None),
    ],
)
def test_conventions_on_a_known_limb(text: str, angle: float | None) -> None:
    broken = conventions(text, CLEAN)
    assert [each.value for each in broken] == (
        [] if angle is None else [pytest.approx(angle, abs=0.01)]
    )
    assert all(each.limit == 45.0 and "L_Knee" in each.message for each in broken)


def test_a_joint_is_told_once_with_all_that_is_wrong() -> None:
    (broken,) = conventions("limb_axis = 'X'\nhinge_axis = 'Z'\norders = 'XYZ'", CLEAN)
    assert broken.message.count(";") == 2
    assert "is to be XYZ, and is YZX" in broken.message


def test_an_order_alone_has_no_figure() -> None:
    (broken,) = conventions("orders = 'XYZ'", CLEAN)
    assert (broken.value, broken.limit) == (None, None)


def test_no_sign_is_told_where_a_hinge_swings_both_ways() -> None:
    swinging = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend(low=-35.0, high=30.0)))
    assert conventions("bend = 'positive'", swinging) == []
    assert conventions("bend = 'negative'", swinging) == []


def test_little_motion_tells_nothing_of_the_hinge() -> None:
    small = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend(high=4.0)))
    assert conventions("hinge_axis = 'Z'", small) == []


def test_the_limit_of_a_convention_can_be_narrowed() -> None:
    assert conventions("hinge_axis = 'X'", OBLIQUE) == []
    (broken,) = conventions("hinge_axis = 'X'\nchecks.convention.angle = 30", OBLIQUE)
    # From the given axis (0.8, 0, 0.6): atan(0.6 / 0.8).
    assert broken.value == pytest.approx(36.8699, abs=0.01)


def test_targets_for_those_who_suggest() -> None:
    policy = policy_of(
        "[[joints]]\nmatch = '*_Knee'\nlimb_axis = '-Y'\nhinge_axis = 'X'\nbend = 'positive'\n"
        "orders = ['YZX']\n[[joints]]\nmatch = 'R_*'\nlimb_axis = 'Z'\nbend = 'negative'\n"
    )
    targets = targets_for(policy, ["Hips", "L_Knee", "R_Knee"])
    assert targets.limb_axis.tolist() == [-1, 1, 2]
    assert targets.limb_sign.tolist() == [0, -1, 0]
    assert targets.hinge_axis.tolist() == [-1, 0, 0]
    assert targets.bend_sign.tolist() == [0, 1, -1]
    assert targets.orders == ((), ("YZX",), ("YZX",))
