"""Read a policy, and tell everything that is wrong with it at once."""

from __future__ import annotations

import hashlib
import math
import re
import tomllib
from collections.abc import Iterable, Mapping
from datetime import date, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

from audit.conventions import AXES, ORDERS
from audit.errors import InputError
from audit.plugins import SEVERITIES, bytes_of
from audit.policy.lines import Place, key_lines
from audit.policy.problems import (
    PolicyError,
    Problem,
    bad_pattern,
    did_you_mean,
    error_of,
    kind_of,
)
from audit.policy.rules import Held, Policy, Rule, Waiver
from audit.policy.vocabulary import (
    BENDS,
    CHANGES,
    FAIL_ON,
    HALF_AXES,
    OFF,
    PARTS,
    USUAL_PARTS,
    change_of,
    limits_of_checks,
    measure_defaults,
    policy_checks,
    usual_change,
)

NAME = "policy.toml"

_TOP = ("fail_on", "measures", "checks", "joints", "waivers", "record")
_JOINTS = ("match", "hinge", "orders", "limb_axis", "hinge_axis", "bend", "checks")
_WAIVER = ("joint", "check", "reason", "who", "until", "shots")
_WORDS: Mapping[str, tuple[str, ...]] = {
    "limb_axis": tuple(HALF_AXES),
    "hinge_axis": tuple(AXES),
    "bend": tuple(BENDS),
}


def find_policy(folder: str | Path) -> Path | None:
    """Return the nearest ``policy.toml`` in a folder or above it, None where there is none."""
    start = Path(folder).absolute()
    return next((each / NAME for each in (start, *start.parents) if (each / NAME).is_file()), None)


def read_policy(path: str | Path) -> Policy:
    """Read a policy.

    Parameters
    ----------
    path
        The file.

    Raises
    ------
    PolicyError
        Where it cannot be opened, is no TOML, or says something that does not exist: all problems are told,
        each with its line and a suggestion.
    """
    try:
        data = bytes_of(path)
    except InputError as error:
        raise PolicyError(
            error.cause, path=path, hint="`hinge-audit policy init` writes a policy"
        ) from error
    return _read(str(path), data)


@lru_cache(maxsize=256)
def _read(path: str, data: bytes) -> Policy:
    """Return the policy that a file of this content holds; kept, since all shots of a show ask for it."""
    try:
        text = data.decode("utf-8-sig").replace("\r\n", "\n")
        content = tomllib.loads(text)
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise PolicyError(
            "is not UTF-8 text", path=path, where=f"line {line}", hint="Save it as UTF-8"
        ) from error
    except tomllib.TOMLDecodeError as error:
        raise _not_toml(path, text, error) from error
    reader = _Reader(key_lines(text))
    policy = reader.policy(path, hashlib.sha256(data).hexdigest(), content)
    if reader.problems:
        raise error_of(path, reader.problems)
    return policy


def _not_toml(path: str, text: str, error: tomllib.TOMLDecodeError) -> PolicyError:
    found = re.fullmatch(
        r"(?P<cause>.*) \(at (?:line (?P<line>\d+), .*|end of document)\)", str(error)
    )
    cause = found["cause"] if found else str(error)
    line = int(found["line"]) if found and found["line"] else text.count("\n") + 1
    return PolicyError(
        f"is not valid TOML: {cause[:1].lower()}{cause[1:]}",
        path=path,
        where=f"line {line}",
        hint="Texts stand in quotes, a setting is written `name = value`, a table [name]",
    )


class _Reader:
    """Goes through the content of a file and notes what is wrong with it."""

    def __init__(self, lines: Mapping[Place, int]) -> None:
        self._lines = lines
        self.problems: list[Problem] = []

    def policy(self, path: str, sha256: str, content: Mapping[str, Any]) -> Policy:
        """Return the policy, as far as it is right."""
        self._known_keys(content, (), _TOP)
        fail_on = Held("fix")
        if "fail_on" in content:
            word = self._word(content["fail_on"], ("fail_on",), FAIL_ON)
            fail_on = Held(word or "fix", self._line(("fail_on",)))
        general: dict[str, tuple[Any, int]] = {}
        self._checks(content.get("checks", {}), ("checks",), general, of_joints=False)
        return Policy(
            path=path,
            sha256=sha256,
            fail_on=fail_on,
            measures=self._measures(content.get("measures", {})),
            general=general,
            rules=tuple(self._rules(content.get("joints", []))),
            waivers=tuple(self._waivers(content.get("waivers", []))),
            partition=self._partition(content.get("record", {})),
        )

    def _line(self, place: Place) -> int:
        while place and place not in self._lines:
            place = place[:-1]
        return self._lines.get(place, 1)

    def _wrong(self, place: Place, cause: str, hint: str) -> None:
        self.problems.append(Problem(self._line(place), cause, hint))

    def _known_keys(self, table: Mapping[str, Any], place: Place, known: Iterable[str]) -> None:
        for key in table:
            if key not in known:
                self._wrong(
                    (*place, key), f"the key {key!r} is not known", did_you_mean(key, known)
                )

    def _table(self, value: Any, place: Place) -> Mapping[str, Any]:
        if isinstance(value, dict):
            return value
        self._wrong(
            place, f"{place[-1]!r} is a table, not {kind_of(value)}", f"Write [{place[-1]}]"
        )
        return {}

    def _tables(self, value: Any, place: Place) -> list[tuple[Place, Mapping[str, Any]]]:
        """Return the elements of an array of tables."""
        if isinstance(value, list) and all(isinstance(each, dict) for each in value):
            return [((*place, number), each) for number, each in enumerate(value)]
        self._wrong(
            place,
            f"{place[-1]!r} is a list of tables, not {kind_of(value)}",
            f"Begin each with [[{place[-1]}]]",
        )
        return []

    def _word(self, value: Any, place: Place, known: Iterable[str]) -> str | None:
        known = tuple(known)
        if isinstance(value, str) and value in known:
            return value
        if isinstance(value, str):
            self._wrong(place, f"{place[-1]!r} cannot be {value!r}", did_you_mean(value, known))
        else:
            self._wrong(
                place,
                f"{place[-1]!r} is a text, not {kind_of(value)}",
                f"It may be {', '.join(known)}",
            )
        return None

    def _texts(self, value: Any, place: Place) -> tuple[str, ...]:
        """Return one or more texts, as a tuple."""
        listed = value if isinstance(value, list) else [value]
        if listed and all(isinstance(each, str) and each.strip() for each in listed):
            return tuple(listed)
        empty = not listed or all(isinstance(each, str) for each in listed)
        what = "nothing" if empty else kind_of(value)
        self._wrong(
            place,
            f"{place[-1]!r} is a text or a list of texts, not {what}",
            f'For example {place[-1]} = "*_Knee"'
            if place[-1] in ("match", "joint")
            else "Fill it in",
        )
        return ()

    def _patterns(self, value: Any, place: Place) -> tuple[str, ...]:
        patterns = self._texts(value, place)
        for pattern in patterns:
            cause = bad_pattern(pattern)
            if cause:
                self._wrong(
                    place,
                    f"the pattern {pattern!r} {cause}",
                    "* stands for any letters, ? for one, [ab] for one of several, [[] for [ itself",
                )
        return patterns

    def _number(self, value: Any, place: Place) -> float | None:
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            if math.isfinite(value):
                return float(value)
            self._wrong(
                place, f"{place[-1]!r} is not a finite number", "Write a number such as 2.5"
            )
        else:
            hint = "Write a number such as 2.5, without quotes"
            self._wrong(place, f"{place[-1]!r} is a number, not {kind_of(value)}", hint)
        return None

    def _measures(self, value: Any) -> dict[str, Held]:
        table = self._table(value, ("measures",))
        defaults = measure_defaults()
        self._known_keys(table, ("measures",), defaults)
        held: dict[str, Held] = {}
        for name, given in table.items():
            place = ("measures", name)
            if name not in defaults:
                continue
            if name == "order":
                wanted: Any = self._word(given, place, ORDERS)
            elif name == "reference":
                wanted = self._word(given, place, ("rest", "parent"))
            else:
                wanted = self._number(given, place)
                share = name == "confidence" or name.endswith("_share")
                if wanted is not None and not 0.0 < wanted < (1.0 if share else math.inf):
                    between = "between 0 and 1" if share else "above 0"
                    self._wrong(place, f"{name!r} cannot be {wanted:g}", f"It lies {between}")
                    wanted = None
            if wanted is not None:
                held[name] = Held(wanted, self._line(place))
        return held

    def _partition(self, value: Any) -> Held:
        table = self._table(value, ("record",))
        self._known_keys(table, ("record",), ("partition",))
        if "partition" not in table:
            return Held(USUAL_PARTS)
        place = ("record", "partition")
        parts = self._texts(table["partition"], place)
        for number, part in enumerate(parts):
            at = (*place, number)
            if part not in PARTS:
                hint = did_you_mean(part, PARTS)
                self._wrong(at, f"a record cannot be parted by {part!r}", hint)
            elif part in parts[:number]:
                self._wrong(at, f"{part!r} stands twice in 'partition'", "Name each part once")
        return Held(parts, self._line(place))

    def _checks(
        self, value: Any, place: Place, values: dict[str, tuple[Any, int]], *, of_joints: bool
    ) -> None:
        """Fill in what is said of checks: of all joints, or of those of a rule."""
        table = self._table(value, place)
        known = limits_of_checks()
        self._known_checks(table, place)
        for check, given in table.items():
            here = (*place, check)
            if check not in known:
                continue
            if of_joints and check in policy_checks() and not policy_checks()[check].of_joints:
                self._wrong(
                    here, f"{check!r} is not about joints", f"Set it under [checks.{check}]"
                )
                continue
            settings = self._table(given, here)
            self._known_keys(settings, here, (*known[check], "severity"))
            for name, setting in settings.items():
                at = (*here, name)
                wanted: Any = None
                if name == "severity":
                    wanted = self._change(check, setting, at)
                elif name in known[check]:
                    wanted = self._number(setting, at)
                if wanted is not None:
                    values[f"checks.{check}.{name}"] = (wanted, self._line(at))

    def _known_checks(self, names: Iterable[str], place: Place) -> None:
        for name in names:
            if name not in limits_of_checks():
                at = (*place, name) if place[0] != "waivers" else place
                hint = did_you_mean(name, limits_of_checks())
                self._wrong(at, f"no check is called {name!r}", hint)

    def _change(self, check: str, value: Any, place: Place) -> Any:
        if not isinstance(value, dict):
            word = self._word(value, place, CHANGES)
            return None if word is None else change_of(check, word)
        self._known_keys(value, place, SEVERITIES)
        change: dict[Any, Any] = dict(usual_change(check))
        for own, given in value.items():
            if own in SEVERITIES:
                word = self._word(given, (*place, own), (*SEVERITIES, OFF))
                change[own] = None if word == OFF else word or own
        return change

    def _rules(self, value: Any) -> Iterable[Rule]:
        for place, table in self._tables(value, ("joints",)):
            self._known_keys(table, place, _JOINTS)
            if "match" not in table:
                self._wrong(place, "says nothing of which joints", 'Add match = "*_Knee"')
                continue
            values: dict[str, tuple[Any, int]] = {}
            for name in set(table) & {"hinge", "orders", *_WORDS}:
                at = (*place, name)
                wanted = self._joint_setting(name, table[name], at)
                if wanted is not None:
                    values[name] = (wanted, self._line(at))
            if "checks" in table:
                self._checks(table["checks"], (*place, "checks"), values, of_joints=True)
            patterns = self._patterns(table["match"], (*place, "match"))
            yield Rule(patterns, self._line(place), values)

    def _joint_setting(self, name: str, value: Any, place: Place) -> Any:
        if name == "hinge":
            if isinstance(value, bool):
                return value
            self._wrong(
                place, f"'hinge' is true or false, not {kind_of(value)}", "Write hinge = true"
            )
            return None
        if name == "orders":
            orders = self._texts(value, place)
            right = [self._word(order, place, ORDERS) for order in orders]
            return orders if orders and all(right) else None
        return self._word(value, place, _WORDS[name])

    def _waivers(self, value: Any) -> Iterable[Waiver]:
        for place, table in self._tables(value, ("waivers",)):
            self._known_keys(table, place, _WAIVER)
            missing = [name for name in _WAIVER[:-1] if name not in table]
            if missing:
                hint = (
                    "A waiver says joint, check, reason, who and until, a date such as 2026-12-31"
                )
                self._wrong(place, f"the waiver does not say {', '.join(missing)}", hint)
                continue
            checks = self._texts(table["check"], (*place, "check"))
            self._waivable(checks, (*place, "check"))
            waiver = Waiver(
                joints=self._patterns(table["joint"], (*place, "joint")),
                checks=checks,
                reason=" ".join(self._texts(table["reason"], (*place, "reason"))),
                who=", ".join(self._texts(table["who"], (*place, "who"))),
                until=self._date(table["until"], (*place, "until")),
                line=self._line(place),
                shots=self._patterns(table.get("shots", "*"), (*place, "shots")),
            )
            yield waiver

    def _waivable(self, checks: Iterable[str], place: Place) -> None:
        self._known_checks(checks, place)
        for check in checks:
            if check in policy_checks() and not policy_checks()[check].of_joints:
                hint = f'Set severity = "off" under [checks.{check}] instead'
                self._wrong(place, f"{check!r} cannot be waived", hint)

    def _date(self, value: Any, place: Place) -> date:
        if isinstance(value, date) and not isinstance(value, datetime):
            return value
        what = repr(value) if isinstance(value, str) else kind_of(value)
        hint = "Write year, month and day without quotes: until = 2026-12-31"
        self._wrong(place, f"'until' is a date, not {what}", hint)
        return date.min
