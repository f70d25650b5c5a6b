"""Which policy holds for a file, without reading it where nobody asks what it says."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

import audit
from audit.gate.data import FileVerdict, Options

if TYPE_CHECKING:
    from audit.policy import Policy

NAME = "policy.toml"
"""As in ``audit.policy.reading``, which loads the checks; a test holds them equal."""

Held = tuple[str | None, str | None]
"""Path of a policy and the SHA-256 of its bytes, None and None for the defaults."""


def policy_for(path: str, options: Options) -> Policy:
    """Return the policy that holds for a file; PolicyError where it cannot be used."""
    from audit.policy import Policy, read_policy  # noqa: PLC0415 (loads the checks: a second)

    chosen = _policy_file(path, options)
    return Policy() if chosen is None else read_policy(chosen)


def settings_digest(path: str, options: Options) -> str:
    """Return a key of all that a verdict depends on beside the bytes of the file and of its skeleton.

    Two equal keys, with equal bytes at the same path, mean equal verdicts: version of the program, options, and
    the policy that holds for the path.

    Raises
    ------
    PolicyError
        Where the policy cannot be opened.
    """
    return _key(_held(_policy_file(path, options), path, options), options)


@dataclass(frozen=True)
class HeldPolicies:
    """The policies that hold for the files of one run, as they were when it began.

    A policy that is edited in mid-run must not pass off verdicts under its new rules as those under the old.

    Attributes
    ----------
    options
        What the run checks with.
    """

    options: Options
    _by_folder: dict[str, Held] = field(default_factory=dict)
    _keys: dict[Held, str] = field(default_factory=dict)

    def __reduce__(self) -> tuple[type[HeldPolicies], tuple[Options]]:
        """Travel without what was looked up: it is sent with every call, and a show has many folders.

        A worker looks at the policy after it has checked a file, so a verdict under a policy that was edited
        since is either kept under the new key or not at all.
        """
        return HeldPolicies, (self.options,)

    def read(self, paths: list[str]) -> tuple[Policy, ...]:
        """Read the policies of some files, each of them once, and return them in the order of the files.

        Raises
        ------
        PolicyError
            Where one cannot be used.
        """
        found: dict[str, Policy] = {}
        for path in paths:
            held, _ = self.of(path)
            if held is not None and held not in found:
                found[held] = policy_for(path, self.options)
        return tuple(found.values())

    def key(self, path: str) -> str:
        """Return what :func:`settings_digest` gave for a file when the run began."""
        held = self.of(path)
        if held not in self._keys:
            self._keys[held] = _key(held, self.options)
        return self._keys[held]

    def is_final(self, verdict: FileVerdict) -> bool:
        """Tell whether a verdict may be used again by a later run.

        One on a file that failed may not: the reason may be gone by then, such as a full memory or an extra
        that was not installed.
        """
        held = (verdict.policy, verdict.policy_sha256)
        return verdict.failure is None and held == self.of(verdict.path)

    def of(self, path: str) -> Held:
        """Return the policy that held for a file when the run began."""
        # Quicker than Path, for a hundred thousand of them.
        folder = os.path.dirname(path) if self.options.policy is None else ""
        if folder not in self._by_folder:
            chosen = _policy_file(path, self.options)
            self._by_folder[folder] = _held(chosen, path, self.options)
        return self._by_folder[folder]


def partition_of(policies: Iterable[Policy]) -> tuple[str, ...] | None:
    """Return what the files of a record are parted by under the policies of one run; None where none says it.

    Raises
    ------
    PolicyError
        Where two say different things: a run is recorded in one way. One that says nothing agrees to anything.
    """
    first: Policy | None = None
    for policy in policies:
        if policy.partition.line is None:
            continue
        if first is not None and policy.partition.value != first.partition.value:
            from audit.policy import PolicyError  # noqa: PLC0415 (loads the checks: a second)

            raise PolicyError(
                f"wants the record parted by {', '.join(policy.partition.value)}, but "
                f"{first.path}, line {first.partition.line}, by {', '.join(first.partition.value)}",
                path=policy.path,
                where=policy.partition.why,
                hint="Write the same in both, or check their shots one after the other",
            )
        first = first or policy
    return None if first is None else tuple(first.partition.value)


def _policy_file(path: str, options: Options) -> str | None:
    if options.policy is not None:
        return options.policy
    start = Path(path).parent.absolute()
    if not any((each / NAME).exists() for each in (start, *start.parents)):
        return None
    from audit.policy import find_policy  # noqa: PLC0415 (loads the checks: a second)

    found = find_policy(start)
    return None if found is None else str(found)


def _held(chosen: str | None, path: str, options: Options) -> Held:
    if chosen is None:
        return None, None
    try:
        return chosen, sha256(Path(chosen).read_bytes()).hexdigest()
    except OSError:
        # Raises an error that says what is wrong with it.
        policy = policy_for(path, options)
        return policy.path, policy.sha256


def _key(held: Held, options: Options) -> str:
    told = [audit.__version__, asdict(options), *held]
    return sha256(json.dumps(told, sort_keys=True).encode("utf-8", "surrogatepass")).hexdigest()
