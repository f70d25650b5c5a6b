"""What can be wrong with a policy, told with line and suggestion."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from difflib import get_close_matches
from typing import Any

from audit.errors import UsageError


class PolicyError(UsageError):
    """A policy cannot be used: the message names the line, the cause, and what to write instead."""


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """One thing that is wrong.

    Attributes
    ----------
    line
        In the file, from 1.
    cause, hint
        What is wrong, and what to do.
    """

    line: int
    cause: str
    hint: str


def error_of(path: str, problems: Iterable[Problem]) -> PolicyError:
    """Return the error that tells all problems of a file, the first line first."""
    first, *others = sorted(problems)
    told = [f"\n{path}: line {each.line}: {each.cause}. {each.hint}" for each in others]
    return PolicyError(
        first.cause, path=path, where=f"line {first.line}", hint=first.hint + "".join(told)
    )


def did_you_mean(word: object, known: Iterable[str]) -> str:
    """Return a hint for a word that is not among the known ones."""
    listed = list(known)
    by_lower = {each.lower(): each for each in listed}
    near = get_close_matches(str(word).lower(), by_lower, n=1, cutoff=0.5)
    if near:
        return f"Did you mean {by_lower[near[0]]!r}?"
    return f"It may be {', '.join(listed)}"


def kind_of(value: Any) -> str:
    """Return what kind of value somebody wrote."""
    kinds: tuple[tuple[type | tuple[type, ...], str], ...] = (
        (bool, "true or false"),
        (str, "a text"),
        ((int, float), "a number"),
        (list, "a list"),
        (dict, "a table"),
        (datetime, "a date with a time"),
        (date, "a date"),
    )
    return next((word for kind, word in kinds if isinstance(value, kind)), "a time")


def bad_pattern(pattern: str) -> str | None:
    """Return what is wrong with a glob pattern, None where nothing is."""
    at = 0
    while (at := pattern.find("[", at)) >= 0:
        inside = at + 1 + (pattern[at + 1 : at + 2] == "!")
        end = pattern.find("]", inside + 1)
        if end < 0:
            return "has a [ without a ]"
        for low, high in re.findall(r"(.)-(.)", pattern[inside:end]):
            if low > high:
                return f"has a range that runs backwards, {low}-{high}"
        at = end + 1
    return None
