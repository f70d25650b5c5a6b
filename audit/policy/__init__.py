"""A studio's rules, from ``policy.toml``: thresholds, severities, conventions, waivers."""

from audit.policy.conventions import Targets, targets_for
from audit.policy.problems import PolicyError
from audit.policy.reading import find_policy, read_policy
from audit.policy.rules import Held, JointRules, Policy, Rule, Waiver, matches
from audit.policy.running import (
    Ruled,
    findings_under,
    gravest_first,
    looks_at_rest,
    rest_findings_under,
)
from audit.policy.telling import policy_in_words
from audit.policy.vocabulary import (
    ENDED_WAIVER,
    FAIL_ON,
    NEVER,
    PARTS,
    USELESS_WAIVER,
    USUAL_PARTS,
    policy_checks,
    titles_of_checks,
)
from audit.policy.writing import fresh_policy

__all__ = [
    "ENDED_WAIVER",
    "FAIL_ON",
    "NEVER",
    "PARTS",
    "USELESS_WAIVER",
    "USUAL_PARTS",
    "Held",
    "JointRules",
    "Policy",
    "PolicyError",
    "Rule",
    "Ruled",
    "Targets",
    "Waiver",
    "find_policy",
    "findings_under",
    "fresh_policy",
    "gravest_first",
    "looks_at_rest",
    "matches",
    "policy_checks",
    "policy_in_words",
    "read_policy",
    "rest_findings_under",
    "targets_for",
    "titles_of_checks",
]
