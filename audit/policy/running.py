"""Run the checks on a shot with the limits and severities that a policy has for each joint."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from audit.checks import checks as all_checks
from audit.measures import Measures
from audit.model import Shot
from audit.plugins import SEVERITIES, Check, Finding, Severity
from audit.policy.conventions import broken_conventions, hinges_that_are_none
from audit.policy.rules import JointRules, Policy

NOT_A_HINGE = "not-a-hinge"


@dataclass(frozen=True, slots=True)
class Ruled:
    """A finding under a policy.

    Attributes
    ----------
    finding
        With the severity that the policy gives it.
    own
        The severity that the check gave it.
    """

    finding: Finding
    own: Severity


def findings_under(
    policy: Policy,
    shot: Shot,
    measures: Measures,
    checks: Mapping[str, Check] | None = None,
) -> tuple[Ruled, ...]:
    """Return what the checks find on a shot under a policy, the gravest first.

    Parameters
    ----------
    policy
        The policy.
    shot, measures
        The shot and what was measured on it, with the policy's settings.
    checks
        The checks to run; all where None.

    Notes
    -----
    A check is run once for each distinct set of limits, and the findings of the joints that these hold for
    are kept. Where a policy says whether a joint is a hinge, its name no longer counts: ``not-a-hinge`` is
    silent there.
    """
    general = policy.for_joint(None)
    rules = [policy.for_joint(name) for name in shot.skeleton.names]
    distinct = tuple({id(each): each for each in (general, *rules)}.values())
    found = [
        finding
        for check in (all_checks() if checks is None else checks).values()
        for finding in _findings_of(check, shot, measures, general, rules, distinct)
    ]
    if policy.rules:
        found += broken_conventions(shot, measures, rules)
        found += hinges_that_are_none(shot, measures, rules)
    kept = list(_with_severities(found, general, rules))
    kept.sort(key=_rank)
    return tuple(kept)


def _findings_of(
    check: Check,
    shot: Shot,
    measures: Measures,
    general: JointRules,
    rules: list[JointRules],
    distinct: tuple[JointRules, ...],
) -> Iterator[Finding]:
    groups: dict[tuple[tuple[str, float], ...], set[int]] = {}
    for each in distinct:
        if any(each.change(check.name).values()):
            groups.setdefault(tuple(each.limits(check.name).items()), set()).add(id(each))
    for limits, holders in groups.items():
        for finding in check.run(shot, measures, dict(limits)):
            owner = general if finding.joint is None else rules[finding.joint]
            if id(owner) in holders:
                yield finding


def _with_severities(
    found: Iterable[Finding], general: JointRules, rules: list[JointRules]
) -> Iterator[Ruled]:
    for finding in found:
        owner = general if finding.joint is None else rules[finding.joint]
        if finding.check == NOT_A_HINGE and owner.value("hinge") is not None:
            continue
        severity = owner.severity(finding.check, finding.severity)
        if severity is not None:
            yield Ruled(replace(finding, severity=severity), finding.severity)


def _rank(ruled: Ruled) -> tuple[int, str, int]:
    finding = ruled.finding
    joint = -1 if finding.joint is None else finding.joint
    return SEVERITIES.index(finding.severity), finding.check, joint
