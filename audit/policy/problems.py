"""What can be wrong with a policy, told with line and suggestion."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches

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
