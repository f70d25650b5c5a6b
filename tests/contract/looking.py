"""How checks of every kind are run on their examples, for the tests of what they all keep to."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, fields, is_dataclass
from itertools import product
from types import MappingProxyType, ModuleType
from typing import Any

import numpy as np

import audit.checks
import audit.rest_checks
import audit.rig_checks
from audit.checks import checks
from audit.measures import measure_shot
from audit.model import Shot, Skeleton
from audit.plugins import SEVERITIES, AnyCheck, Check, Finding, RestCheck, Resting, RigCheck
from audit.rest import measure_rest
from audit.rest_checks import rest_checks
from audit.rig_checks import rig_checks
from audit.settings import Settings
from audit.suggestion import gather, suggest_from

Limits = Mapping[str, float]


def on_shot(shot: Shot, settings: Settings | None = None) -> tuple[object, ...]:
    """Return what a check of shots is given, read-only."""
    measures = measure_shot(shot, settings)
    for array in arrays_of(measures):
        array.setflags(write=False)
    return shot, measures


def on_rest(resting: Resting) -> tuple[object, ...]:
    """Return what a check of a rest pose is given."""
    return resting.skeleton, measure_rest(resting.skeleton, resting.skins)


def on_rig(shots: tuple[Shot, ...]) -> tuple[object, ...]:
    """Return what a check of a rig is given."""
    (evidence,) = gather(shots)
    return (suggest_from(evidence, shots).rig,)


def all_far_out(limits: Limits) -> Iterable[Limits]:
    """Return limits that are all far out on one side, or all on the other."""
    return [dict.fromkeys(limits, size) for size in (1e9, -1e9)]


def each_far_out(limits: Limits) -> Iterable[Limits]:
    """Return limits that are far out, each on either side."""
    return [dict(zip(limits, far, strict=True)) for far in product((1e9, -1e9), repeat=len(limits))]


@dataclass(frozen=True)
class Kind:
    """A kind of checks.

    Attributes
    ----------
    package
        Whose folder holds them.
    found
        They, by name.
    given
        From an example to what a check of this kind is given besides the limits.
    far_out
        Limits with some of which there is nothing to find.
    """

    package: ModuleType
    found: Mapping[str, AnyCheck]
    given: Callable[[Any], tuple[object, ...]]
    far_out: Callable[[Limits], Iterable[Limits]]


KINDS = {
    Check: Kind(audit.checks, checks(), on_shot, all_far_out),
    RestCheck: Kind(audit.rest_checks, rest_checks(), on_rest, each_far_out),
    RigCheck: Kind(audit.rig_checks, rig_checks(), on_rig, all_far_out),
}


def given_to(check: AnyCheck, example: object) -> tuple[object, ...]:
    """Return what a check is given to look at one of its examples, besides the limits."""
    return KINDS[type(check)].given(example)


def findings(check: AnyCheck, given: tuple[object, ...]) -> list[Finding]:
    """Return what a check finds; the limits that it is given are read-only."""
    return list(check.run(*given, MappingProxyType(dict(check.limits))))


def skeleton_of(given: tuple[Any, ...]) -> Skeleton:
    """Return the skeleton that a check is given."""
    first = given[0]
    return first if isinstance(first, Skeleton) else first.skeleton


def arrays_of(part: object) -> list[np.ndarray]:
    """Return all arrays of a dataclass or of several, those of their parts too."""
    if isinstance(part, np.ndarray):
        return [part]
    if isinstance(part, tuple):
        return [array for each in part for array in arrays_of(each)]
    if is_dataclass(part):
        return [array for each in fields(part) for array in arrays_of(getattr(part, each.name))]
    return []


def assert_well_made(finding: Finding, check: AnyCheck, skeleton: Skeleton) -> None:
    """Assert what holds for every finding of every check."""
    assert finding.check == check.name
    assert finding.severity in SEVERITIES
    assert finding.message == finding.message.strip()
    assert finding.message
    assert "\n" not in finding.message
    assert "nan" not in finding.message.lower().split()
    for figure in (finding.value, finding.limit):
        assert figure is None or (type(figure) is float and np.isfinite(figure))
    if finding.joint is not None:
        assert type(finding.joint) is int
        assert skeleton.names[finding.joint] in finding.message
