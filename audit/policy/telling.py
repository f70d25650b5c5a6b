"""What a policy says, in words, with the reason for each setting."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any

from audit.policy.rules import Held, Policy, change_in_words, matches
from audit.wording import plural


def policy_in_words(policy: Policy, joint: str | None, today: date) -> str:
    """Return what holds for all joints, or for one, and why.

    Parameters
    ----------
    policy
        The policy.
    joint
        Name of a joint; None for what is said of all, with the patterns and the waivers.
    today
        The day on which waivers are looked at.

    Returns
    -------
    str
        One setting a line: name, value, and where it comes from. No line break at the end.
    """
    source = "no policy.toml found, so the defaults hold" if policy.path is None else policy.path
    lines = [f"Policy: {source}", ""]
    whole = {"fail_on": policy.fail_on}
    whole.update({f"measures.{name}": held for name, held in policy.measured_with().items()})
    if joint is None:
        whole["record.partition"] = policy.partition
        lines += ["For all shots", *_table(whole), "", "For all joints"]
        lines += _table(dict(policy.for_joint(None)))
        lines += _patterns(policy)
    else:
        matched = [rule for rule in policy.rules if rule.pattern_for(joint) is not None]
        count = f"{len(matched)} of {plural(len(policy.rules), 'pattern rule')} match"
        lines += [f"For the joint {joint} ({count})", *_table(dict(policy.for_joint(joint)))]
    return "\n".join([*lines, *_waivers(policy, joint, today)])


def _table(held: Mapping[str, Held]) -> list[str]:
    rows = [(name, _value(name, each.value), each.why) for name, each in held.items()]
    wide = [max(len(row[column]) for row in rows) for column in (0, 1)]
    return [f"  {name:<{wide[0]}}  {value:<{wide[1]}}  {why}" for name, value, why in rows]


def _value(name: str, value: Any) -> str:
    if name.endswith(".severity"):
        return change_in_words(value)
    if value is None:
        return "best of the six" if name == "measures.order" else "any"
    if isinstance(value, bool):
        return "must be one" if value else "may move as it likes"
    if isinstance(value, tuple):
        return (", then " if name == "record.partition" else " or ").join(value)
    return f"{value:g}" if isinstance(value, float) else str(value)


def _patterns(policy: Policy) -> Iterable[str]:
    if policy.rules:
        yield from ("", "For some joints, the last one wins")
    for rule in policy.rules:
        yield f"  line {rule.line}: {', '.join(rule.patterns)}"
        for name, (value, _) in sorted(rule.values.items()):
            yield f"    {name}  {_value(name, value)}"


def _waivers(policy: Policy, joint: str | None, today: date) -> Iterable[str]:
    chosen = [
        waiver
        for waiver in policy.waivers
        if joint is None or any(matches(joint, each) for each in waiver.joints)
    ]
    if chosen:
        yield from ("", "Waivers")
    for waiver in chosen:
        state = "until" if waiver.works_on(today) else "ENDED on"
        yield (
            f"  line {waiver.line}: {waiver.subject}, {state} {waiver.until.isoformat()}: {waiver.reason} "
            f"({waiver.who})"
        )
