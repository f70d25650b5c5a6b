"""How checks announce themselves, and what they find."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from inspect import getdoc
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from audit.model import Shot, Skeleton, Skin

if TYPE_CHECKING:
    # Only what the announcements are about: loading them takes longer than all else here.
    from audit.measures import Measures
    from audit.pool import Mirrored, PooledMeasures
    from audit.rest import Pairs, RestMeasures

Severity = Literal["fix", "look", "note"]
SEVERITIES: tuple[Severity, ...] = ("fix", "look", "note")
"""From what must be mended to what is only worth knowing."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that a check found.

    Attributes
    ----------
    check
        Name of the check.
    severity
        ``fix``, ``look`` or ``note``.
    message
        One sentence that says what is wrong and what to do, with the numbers in it.
    value, limit
        The figure and the limit it passed, in the unit that the message names.
    joint
        Place of the joint, None for a finding about the shot as a whole.
    """

    check: str
    severity: Severity
    message: str
    value: float | None
    limit: float | None
    joint: int | None = None


@dataclass(frozen=True, slots=True)
class AnyCheck:
    """What checks of every kind announce.

    The docstring of the check's module is its page in the docs and its text in ``hinge-audit explain``.

    Attributes
    ----------
    name
        Plain name, as users write it.
    title
        One line on what it finds.
    limits
        Name and default of each limit it uses; written into the results.
    run
        What the check looks at, and last the limits, to findings.
    examples
        Returns something on which the check is silent and something on which it fires, for the contract tests.
    """

    name: str
    title: str
    limits: Mapping[str, float]
    run: Callable[..., Iterable[Finding]]
    examples: Callable[[], tuple[object, object]]


@dataclass(frozen=True, slots=True)
class Check(AnyCheck):
    """A check: looks at a shot and its measures, and yields findings."""

    run: Callable[[Shot, Measures, Mapping[str, float]], Iterable[Finding]]
    examples: Callable[[], tuple[Shot, Shot]]


@dataclass(frozen=True, slots=True)
class Resting:
    """A rig in its rest pose: a skeleton and the skins that it carries."""

    skeleton: Skeleton
    skins: tuple[Skin, ...] = ()


@dataclass(frozen=True, slots=True)
class RestCheck(AnyCheck):
    """A check of a rest pose: looks at a skeleton and what is measured on it; its name begins with "rest-"."""

    run: Callable[[Skeleton, RestMeasures, Mapping[str, float]], Iterable[Finding]]
    examples: Callable[[], tuple[Resting, Resting]]


@dataclass(frozen=True, eq=False)
class Rig:
    """What many shots of one rig say about it.

    Attributes
    ----------
    skeleton
        The rig, as the first shot has it.
    has_rest_rotations
        False for formats whose rest frames are aligned with the world.
    shots
        How many there were.
    measures
        What they say together.
    pairs, mirrored
        Which joints are left and right of each other, and what both sides say together; None where no mirror
        plane was found.
    drift_deg, drift_move : (J,)
        How far rest frames and rest positions were from those of the first shot at most; the move as a share
        of the height.
    drift_shots : (J,)
        In how many shots either was out of tolerance.
    drift_label
        The shot in which it was worst.
    """

    skeleton: Skeleton
    has_rest_rotations: bool
    shots: int
    measures: PooledMeasures
    pairs: Pairs
    mirrored: Mirrored | None
    drift_deg: npt.NDArray[np.float64]
    drift_move: npt.NDArray[np.float64]
    drift_shots: npt.NDArray[np.int64]
    drift_label: tuple[str | None, ...]


@dataclass(frozen=True, slots=True)
class RigCheck(AnyCheck):
    """A check of a rig: looks at what all its shots say together; its examples are several shots each."""

    run: Callable[[Rig, Mapping[str, float]], Iterable[Finding]]
    examples: Callable[[], tuple[tuple[Shot, ...], tuple[Shot, ...]]]


def page_of(check: AnyCheck) -> str:
    """Return what a check means, its formula, its limits and their source, as Markdown.

    It is the docstring of the check's module, with the limits that hold filled in at the end.
    """
    text = getdoc(sys.modules[check.run.__module__]) or ""
    title, _, rest = text.partition("\n")
    lines = [f"# {check.name}", "", title.strip(), rest.rstrip(), ""]
    if check.limits:
        lines += ["## Limits in force", ""]
        lines += [f"- `{name}` = {value:g}" for name, value in check.limits.items()]
    return "\n".join(lines).rstrip() + "\n"
