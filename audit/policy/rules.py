"""A policy as it is held: rules for joints, waivers, and which of them holds for a joint."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from fnmatch import fnmatchcase
from typing import Any

from audit.plugins import Severity
from audit.policy.vocabulary import (
    AS_IT_IS,
    OFF,
    USUAL_PARTS,
    Change,
    limits_of_checks,
    measure_defaults,
    usual_change,
)
from audit.settings import Settings

DEFAULT = "default"


@dataclass(frozen=True, slots=True)
class Held:
    """A value that holds, and why.

    Attributes
    ----------
    value
        As it is used.
    line
        Line of the policy that says so, None for a default.
    pattern
        Pattern of the rule it stands in, None where it is said of all joints.
    """

    value: Any
    line: int | None = None
    pattern: str | None = None

    @property
    def why(self) -> str:
        """Where the value comes from, in words."""
        if self.line is None:
            return DEFAULT
        return f"line {self.line}" + (f", pattern {self.pattern!r}" if self.pattern else "")


@dataclass(frozen=True, slots=True)
class Rule:
    """What a policy says of the joints whose names match a pattern.

    Attributes
    ----------
    patterns
        Names or glob patterns.
    line
        On which it begins.
    values
        Value and line of each setting, such as ``checks.twist.offset``.
    """

    patterns: tuple[str, ...]
    line: int
    values: Mapping[str, tuple[Any, int]]

    def pattern_for(self, joint: str) -> str | None:
        """Return the first pattern that matches a joint's name, None where none does."""
        return next((each for each in self.patterns if matches(joint, each)), None)


@dataclass(frozen=True, slots=True)
class Waiver:
    """A finding that somebody accepted for a time.

    Attributes
    ----------
    joints, checks, shots
        Patterns of joint names, names of checks, and patterns of shots: of their names or paths.
    reason, who
        Why, and who said so.
    until
        The last day on which it works.
    line
        On which it stands in the policy.
    """

    joints: tuple[str, ...]
    checks: tuple[str, ...]
    reason: str
    who: str
    until: date
    line: int
    shots: tuple[str, ...] = ("*",)

    def covers(self, check: str, joint: str | None, shot: str, file: str) -> bool:
        """Tell whether it is about a finding, whatever the day.

        Parameters
        ----------
        check
            Name of the check.
        joint
            Name of the joint, None for a finding about the shot as a whole: only the pattern ``*`` covers it.
        shot, file
            Name of the shot, and its path.
        """
        if check not in self.checks:
            return False
        if joint is None:
            if "*" not in self.joints:
                return False
        elif not any(matches(joint, each) for each in self.joints):
            return False
        path = file.replace("\\", "/")
        return any(
            matches(shot, each) or matches(path, each) or fnmatchcase(path, f"*/{each}")
            for each in self.shots
        )

    def works_on(self, day: date) -> bool:
        """Tell whether it works on a day: until its last one, that included."""
        return day <= self.until

    @property
    def subject(self) -> str:
        """What it is about, in words."""
        shots = "" if self.shots == ("*",) else f" in {', '.join(self.shots)}"
        return f"{', '.join(self.checks)} on {', '.join(self.joints)}{shots}"


def matches(name: str, pattern: str) -> bool:
    """Tell whether a name is a pattern's own, or matches it as a glob pattern; case counts."""
    return name == pattern or fnmatchcase(name, pattern)


@dataclass(frozen=True, eq=False)
class JointRules:
    """Everything that a policy says of a joint, defaults included."""

    held: Mapping[str, Held]

    def limits(self, check: str) -> dict[str, float]:
        """Return the limits of a check."""
        names = limits_of_checks()[check]
        return {name: float(self.held[f"checks.{check}.{name}"].value) for name in names}

    def change(self, check: str) -> Change:
        """Return what becomes of a check's findings."""
        change: Change = self.held[f"checks.{check}.severity"].value
        return change

    def severity(self, check: str, own: Severity) -> Severity | None:
        """Return the severity of a finding, None where it is left out."""
        return self.change(check)[own]

    def value(self, name: str) -> Any:
        """Return another setting: ``hinge``, ``orders``, ``limb_axis``, ``hinge_axis`` or ``bend``."""
        return self.held[name].value

    def __iter__(self) -> Iterator[tuple[str, Held]]:
        """Go through all settings by name."""
        return iter(self.held.items())


@dataclass(frozen=True, eq=False)
class Policy:
    """A studio's thresholds, conventions and waivers. Without arguments: the defaults.

    Attributes
    ----------
    path
        The file, None for the defaults.
    sha256
        Of the file's bytes.
    fail_on
        ``fix``, ``look`` or ``never``.
    measures
        Settings of the measures that it gives.
    general
        What it says of all joints: value and line of each setting.
    rules
        What it says of some; the later one wins.
    waivers
        In the order of the file.
    partition
        What the files of a record are parted by, the outermost folder first.
    """

    path: str | None = None
    sha256: str | None = None
    fail_on: Held = field(default_factory=lambda: Held("fix"))
    measures: Mapping[str, Held] = field(default_factory=dict)
    general: Mapping[str, tuple[Any, int]] = field(default_factory=dict)
    rules: tuple[Rule, ...] = ()
    waivers: tuple[Waiver, ...] = ()
    partition: Held = field(default_factory=lambda: Held(USUAL_PARTS))
    _known: dict[tuple[str | None, ...], JointRules] = field(default_factory=dict, repr=False)

    def for_joint(self, name: str | None) -> JointRules:
        """Return what holds for a joint; None for what is said of all, and of shots as a whole.

        Joints that match the same patterns get the same object.
        """
        found = tuple(None if name is None else rule.pattern_for(name) for rule in self.rules)
        if found not in self._known:
            self._known[found] = JointRules(self._merged(found))
        return self._known[found]

    def _merged(self, found: Iterable[str | None]) -> dict[str, Held]:
        held = dict(_defaults())
        held.update({name: Held(value, line) for name, (value, line) in self.general.items()})
        for rule, pattern in zip(self.rules, found, strict=True):
            if pattern is not None:
                held.update(
                    {
                        name: Held(value, line, pattern)
                        for name, (value, line) in rule.values.items()
                    }
                )
        return held

    def settings(self, order: str | None = None) -> Settings:
        """Return the settings of the measures.

        Parameters
        ----------
        order
            Rotation order for joints whose file states none; goes before the policy's own.
        """
        values = {name: held.value for name, held in self.measures.items()}
        if order is not None:
            values["order"] = order
        return Settings(**values)

    def measured_with(self) -> Mapping[str, Held]:
        """Return all settings of the measures, defaults included."""
        return {
            name: self.measures.get(name, Held(value)) for name, value in measure_defaults().items()
        }


def _defaults() -> Mapping[str, Held]:
    held: dict[str, Held] = {}
    for check, limits in limits_of_checks().items():
        held.update({f"checks.{check}.{name}": Held(limit) for name, limit in limits.items()})
        held[f"checks.{check}.severity"] = Held(usual_change(check))
    for name in ("hinge", "orders", "limb_axis", "hinge_axis", "bend"):
        held[name] = Held(None)
    return held


def change_in_words(change: Change) -> str:
    """Return what becomes of a check's findings: "as found", "off", "fix → look"."""
    if change == AS_IT_IS:
        return "as found"
    ends = set(change.values())
    if len(ends) == 1:
        return ends.pop() or OFF
    return ", ".join(f"{own} → {new or OFF}" for own, new in change.items() if new != own)
