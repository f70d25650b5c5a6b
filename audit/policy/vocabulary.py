"""The words that may stand in a policy: checks and their limits, severities, axes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cache

from audit.checks import checks
from audit.conventions import AXES
from audit.plugins import SEVERITIES, Severity
from audit.rest_checks import rest_checks
from audit.settings import Settings

FailOn = Severity
"""From this severity on a finding fails a shot."""

NEVER = "never"
OFF = "off"
FAIL_ON = ("fix", "look", NEVER)

PARTS = ("show", "rig", "year", "month", "day")
"""What the files of a record may be parted by, in the words of a policy."""

USUAL_PARTS = ("show", "day")

Change = Mapping[Severity, Severity | None]
"""What becomes of a finding of each severity; None where it is left out."""

AS_IT_IS: Change = {severity: severity for severity in SEVERITIES}
CHANGES: Mapping[str, Change] = {
    **{severity: dict.fromkeys(SEVERITIES, severity) for severity in SEVERITIES},
    OFF: dict.fromkeys(SEVERITIES),
    "raise": {"fix": "fix", "look": "fix", "note": "look"},
    "lower": {"fix": "look", "look": "note", "note": "note"},
}
"""What one word says of the severities of a check."""

AT_REST: Change = {"fix": "look", "look": "look", "note": "note"}
"""What becomes of findings of a rest pose where a policy says nothing: no shot is to blame for its rig."""

HALF_AXES: Mapping[str, tuple[int, int]] = {
    f"{sign}{letter}": (axis, direction)
    for axis, letter in enumerate(AXES)
    for sign, direction in (("", 0), ("+", 1), ("-", -1))
}
"""Axis (0 X, 1 Y, 2 Z) and direction (0 for either) that a word such as ``+Y`` names."""

BENDS: Mapping[str, int] = {"positive": 1, "negative": -1}


@dataclass(frozen=True, slots=True)
class PolicyCheck:
    """A check that exists only through a policy.

    Attributes
    ----------
    name, title
        As for other checks.
    severity
        Of its findings.
    limits
        Name and default of each limit.
    of_joints
        Whether its findings are about joints; the others are about the policy itself.
    """

    name: str
    title: str
    severity: Severity
    limits: Mapping[str, float]
    of_joints: bool


CONVENTION = PolicyCheck(
    "convention", "a joint breaks a convention of the policy", "fix", {"angle": 45.0}, True
)
EXPECTED_HINGE = PolicyCheck(
    "expected-hinge",
    "a joint that the policy wants as a hinge moves on several axes",
    "fix",
    {"range": 5.0},
    True,
)
ENDED_WAIVER = PolicyCheck("ended-waiver", "a waiver has ended", "look", {}, False)
USELESS_WAIVER = PolicyCheck("useless-waiver", "a waiver matches nothing", "look", {}, False)


@cache
def policy_checks() -> Mapping[str, PolicyCheck]:
    """Return the checks that exist only through a policy, by name."""
    every = (CONVENTION, EXPECTED_HINGE, ENDED_WAIVER, USELESS_WAIVER)
    return {check.name: check for check in sorted(every, key=lambda check: check.name)}


@cache
def limits_of_checks() -> Mapping[str, Mapping[str, float]]:
    """Return name and default of the limits of every check that a policy can speak of."""
    limits = {name: check.limits for name, check in checks().items()}
    limits.update({name: check.limits for name, check in rest_checks().items()})
    limits.update({name: check.limits for name, check in policy_checks().items()})
    return dict(sorted(limits.items()))


def usual_change(check: str) -> Change:
    """Return what becomes of a check's findings where a policy says nothing."""
    return AT_REST if check in rest_checks() else AS_IT_IS


def change_of(check: str, word: str) -> Change:
    """Return what becomes of a check's findings by one word; ``raise`` and ``lower`` start from the usual."""
    return {
        own: None if new is None else CHANGES[word][new] for own, new in usual_change(check).items()
    }


@cache
def titles_of_checks() -> Mapping[str, str]:
    """Return one line on each check that a policy can speak of."""
    titles = {name: check.title for name, check in checks().items()}
    titles.update({name: check.title for name, check in rest_checks().items()})
    titles.update({name: check.title for name, check in policy_checks().items()})
    return dict(sorted(titles.items()))


@cache
def measure_defaults() -> Mapping[str, object]:
    """Return name and default of each setting of the measures."""
    defaults = Settings()
    return {field.name: getattr(defaults, field.name) for field in fields(Settings)}
