"""Which findings on the rest pose are new, and which are gone, between two rigs."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from audit.compare.matching import Matching
from audit.plugins import Finding
from audit.resting import RestExamination

ABOUT_PAIRS = frozenset({"rest-mirror", "rest-order", "rest-names"})
"""Checks that name one joint of a pair and mean both: which of the two is named can change."""

Key = tuple[str, object, float | None]


@dataclass(frozen=True, slots=True)
class RestChange:
    """Findings on two rest poses, the worst first in each list.

    Attributes
    ----------
    new
        Those that only the second rig has.
    gone
        Those that only the first one has.
    kept
        Those that both have, as the second one has them. Their numbers may differ.
    """

    new: tuple[Finding, ...]
    gone: tuple[Finding, ...]
    kept: tuple[Finding, ...]


def rest_change(before: RestExamination, after: RestExamination, matching: Matching) -> RestChange:
    """Return what changed about a rest pose.

    Parameters
    ----------
    before, after
        The two rigs.
    matching
        Which joint is which.

    Notes
    -----
    Two findings are the same where check, limit and joint are, whatever their numbers. Joints are matched as
    everywhere in a comparison; one that the other rig does not have has findings of its own.
    """
    theirs = dict(zip(matching.after.tolist(), matching.before.tolist(), strict=True))
    first = [(_key(before, finding, None), finding) for finding in before.findings]
    second = [(_key(after, finding, theirs), finding) for finding in after.findings]
    new, kept = _split(second, Counter(key for key, _ in first))
    gone, _ = _split(first, Counter(key for key, _ in second))
    return RestChange(tuple(new), tuple(gone), tuple(kept))


def _split(
    found: list[tuple[Key, Finding]], others: Counter[Key]
) -> tuple[list[Finding], list[Finding]]:
    """Return the findings that the others lack, and those that they have; each of theirs counts once."""
    only: list[Finding] = []
    both: list[Finding] = []
    for key, finding in found:
        if others[key] > 0:
            others[key] -= 1
            both.append(finding)
        else:
            only.append(finding)
    return only, both


def _key(examined: RestExamination, finding: Finding, names: dict[int, int] | None) -> Key:
    """Return what a finding is known by: its joints by their places in the first rig."""
    joint = finding.joint
    if joint is None:
        return finding.check, None, finding.limit
    joints = {joint}
    partner = int(examined.measures.pairs.partner[joint])
    if finding.check in ABOUT_PAIRS and partner >= 0:
        joints.add(partner)
    known = (each if names is None else names.get(each, ("added", each)) for each in joints)
    return finding.check, frozenset(known), finding.limit
