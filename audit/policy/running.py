"""Run the checks on a shot with the limits and severities that a policy has for each joint."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial

from audit.checks import checks as all_checks
from audit.measures import Measures
from audit.model import Shot, Skeleton
from audit.plugins import SEVERITIES, Check, Finding, Severity
from audit.policy.conventions import broken_conventions, hinges_that_are_none
from audit.policy.rules import JointRules, Policy
from audit.rest import RestMeasures
from audit.rest_checks import rest_checks

NOT_A_HINGE = "not-a-hinge"

Run = Callable[[Mapping[str, float]], Iterable[Finding]]
"""A check that only waits for its limits."""


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
    general, rules = _rules_for(policy, shot.skeleton)
    found = [
        finding
        for check in (all_checks() if checks is None else checks).values()
        for finding in _findings_of(check.name, partial(check.run, shot, measures), general, rules)
    ]
    if policy.rules:
        found += broken_conventions(shot, measures, rules)
        found += hinges_that_are_none(shot, measures, rules)
    return gravest_first(_with_severities(found, general, rules))


def rest_findings_under(
    policy: Policy, skeleton: Skeleton, rest: RestMeasures, others: Iterable[Finding] = ()
) -> tuple[Ruled, ...]:
    """Return what the checks of a rest pose find under a policy, the gravest first.

    Parameters
    ----------
    policy
        The policy. Where it says nothing of a check, its ``fix`` counts as a ``look``.
    skeleton, rest
        The rig and what was measured on it.
    others
        Findings in the name of such a check that were made elsewhere.
    """
    general, rules = _rules_for(policy, skeleton)
    found = [
        finding
        for check in rest_checks().values()
        for finding in _findings_of(check.name, partial(check.run, skeleton, rest), general, rules)
    ]
    return gravest_first(_with_severities([*found, *others], general, rules))


def looks_at_rest(policy: Policy, skeleton: Skeleton) -> bool:
    """Tell whether a policy leaves any check of the rest pose on, for any joint of a rig."""
    general, rules = _rules_for(policy, skeleton)
    return any(
        any(each.change(name).values())
        for each in _distinct(general, rules)
        for name in rest_checks()
    )


def gravest_first(found: Iterable[Ruled]) -> tuple[Ruled, ...]:
    """Return findings by severity, then check, then joint."""
    return tuple(sorted(found, key=_rank))


def _rules_for(policy: Policy, skeleton: Skeleton) -> tuple[JointRules, list[JointRules]]:
    return policy.for_joint(None), [policy.for_joint(name) for name in skeleton.names]


def _distinct(general: JointRules, rules: list[JointRules]) -> Iterable[JointRules]:
    return {id(each): each for each in (general, *rules)}.values()


def _findings_of(
    check: str, run: Run, general: JointRules, rules: list[JointRules]
) -> Iterator[Finding]:
    groups: dict[tuple[tuple[str, float], ...], set[int]] = {}
    for each in _distinct(general, rules):
        if any(each.change(check).values()):
            groups.setdefault(tuple(each.limits(check).items()), set()).add(id(each))
    for limits, holders in groups.items():
        for finding in run(dict(limits)):
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
