"""Which files passed in an earlier run and are what they were, so that nobody has to check them again."""

from __future__ import annotations

import json
import os
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from hashlib import sha256
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audit.batch.ahead import TOGETHER, worked_ahead
from audit.batch.cache import digest_of, digest_or_none
from audit.errors import InputError
from audit.gate import HeldPolicies, JudgedFile, Options, UnchangedFile, level_for, policy_for
from audit.gate.data import Beside
from audit.history.reading import file_rows
from audit.model import Source

if TYPE_CHECKING:
    from audit.history.judged import Baseline

DIGEST_BYTES = 16
"""So much is held of each file that passed: enough that no two of a billion are ever taken for each other."""

READERS = ("lxml", "usd-core")
"""What the extras for formats install."""

Passed = tuple[str, str, str | None]
"""``sha256``, ``passed_under`` and ``read_beside`` of a file that passed."""


class PassedUnder:
    """Digests of all that a verdict depends on beside the bytes of the file and of the files it names.

    Parameters
    ----------
    options
        What the run checks with.
    policies
        The policies as they were when the run began.
    fail_on
        From which severity on findings fail; the policies' own where None.
    baseline
        What findings are held against.

    Notes
    -----
    Program and libraries, rotation order, skeleton, the policy's content, the severity that fails, and the
    suffix, by which a format may be recognised. Names and folders are left out where they do not matter, so
    that a file may be renamed. They do where a waiver is about some shots only, and with a baseline, which
    knows shots by their names: then the name and what the baseline says of it are in the digest.
    """

    def __init__(
        self,
        options: Options,
        policies: HeldPolicies,
        fail_on: str | None,
        baseline: Baseline | None = None,
    ) -> None:
        self._options, self._policies = options, policies
        self._fail_on, self._baseline = fail_on, baseline
        self._rules: dict[tuple[str | None, str | None], tuple[str, bool] | None] = {}
        skeleton = options.skeleton
        self._base: str | None = None
        # Without a skeleton that can be read every file fails, and there is nothing to be told of any.
        with suppress(InputError):
            files = () if skeleton is None else (skeleton,)
            told = {"order": options.order, "readers": _readers()}
            self._base = digest_of(told, files)

    def of(self, path: str) -> str | None:
        """Return the digest for a file that is checked by this run; None where there is none."""
        held = self._policies.of(path)
        if held not in self._rules:
            self._rules[held] = self._read(path, held[1])
        rules = self._rules[held]
        if self._base is None or rules is None:
            return None
        level, name_matters = rules
        suffix = os.path.splitext(path)[1].lower()
        told: list[Any] = [self._base, held[1], level, suffix, path if name_matters else None]
        if self._baseline is not None:
            label = Source(path).label
            told.append([label, self._baseline.digest_for(label)])
        return sha256(json.dumps(told).encode("ascii")).hexdigest()

    def policy_of(self, path: str) -> str | None:
        """Return the policy that holds for a file, None for the defaults."""
        return self._policies.of(path)[0]

    def of_passed(self, judged: JudgedFile) -> str | None:
        """Return the digest for a file that has been judged; None where it has to be checked again in any case.

        That is so where one of its shots does not pass, and where any waiver covers a finding, whether it works
        or not: it may end, and what is said of waivers needs the finding.
        """
        findings = [each for shot in judged.shots for each in (*shot.findings, *shot.known)]
        if (
            not judged.shots
            or not all(shot.passes for shot in judged.shots)
            or any(each.row.waivers for each in findings)
            or not self._policies.is_final(judged.verdict)
        ):
            return None
        return self.of(judged.verdict.path)

    def _read(self, path: str, digest: str | None) -> tuple[str, bool] | None:
        """Return from where on a policy fails, and whether names matter; None where it was edited since."""
        policy = policy_for(path, self._options)
        if policy.sha256 != digest:
            return None
        name_matters = any(waiver.shots != ("*",) for waiver in policy.waivers)
        return level_for(self._fail_on, policy), name_matters


def _readers() -> list[str]:
    """Return the versions of the libraries by which some formats are read; a cache has no use for them.

    A file that cannot be read is never kept by a cache. Here, one that could be read is counted without a look.
    """
    versions = []
    for name in READERS:
        with suppress(PackageNotFoundError):
            versions.append(f"{name} {version(name)}")
    return versions


class EarlierPasses:
    """The files that passed when an earlier run, or the last of several, looked at them.

    Parameters
    ----------
    path
        A record, or a Parquet file of its table ``shots``.
    show_name
        Only files of this show; of all where None.
    under
        What this run checks under.

    Raises
    ------
    InputError
        Where it cannot be read, or has no such columns.

    Notes
    -----
    A digest a file is held, and the names of the files beside it where it was read with some.
    """

    def __init__(self, path: Path, show_name: str | None, under: PassedUnder) -> None:
        self._under = under
        self._passed: set[bytes] = set()
        self._beside: dict[bytes, set[tuple[str, ...]]] = defaultdict(set)
        for digest, passed_under, text in _passes(path, show_name):
            beside = _read_beside(text)
            if beside is None:
                continue
            if beside:
                names = tuple(name for name, _ in beside)
                self._beside[_key(digest, passed_under)].add(names)
            self._passed.add(_key(digest, passed_under, beside))

    def among(self, paths: Sequence[str]) -> Iterator[str | UnchangedFile]:
        """Go through files in their order: paths of those to be checked, and those that are unchanged.

        Parameters
        ----------
        paths
            The files. Their contents are read, and never the times of their changes.
        """
        if not self._passed:
            yield from paths
            return
        for path, digest in _hashed(paths):
            yield self._unchanged(path, digest) or path

    def _unchanged(self, path: str, digest: str | None) -> UnchangedFile | None:
        passed_under = self._under.of(path)
        if digest is None or passed_under is None:
            return None
        folder = os.path.dirname(path)
        for names in ((), *sorted(self._beside.get(_key(digest, passed_under), ()))):
            beside = tuple((name, digest_or_none(os.path.join(folder, name))) for name in names)
            if _key(digest, passed_under, beside) in self._passed:
                policy = self._under.policy_of(path)
                return UnchangedFile(path, digest, policy, passed_under, beside)
        return None


def _passes(path: Path, show_name: str | None) -> Iterator[Passed]:
    if path.is_dir():
        from audit.history.query import History  # noqa: PLC0415 (needs an extra)

        with History(path) as history:
            yield from history.passes(show_name)
        return
    needed = ("run", "recorded_at", "file", "sha256", "status")
    others = ("show_name", "path", "passed_under", "read_beside")
    rows = file_rows(path, "shots", needed, others)
    newest = _newest_runs(path)
    for row in rows:
        show = row.get("show_name")
        if show_name is not None and show not in (None, show_name):
            continue
        is_last = newest is None or newest[_file_key(row)] == _run(row)
        if is_last and row.get("passed_under") and row["sha256"]:
            yield row["sha256"], row["passed_under"], row.get("read_beside")


def _newest_runs(path: Path) -> Mapping[bytes, Any] | None:
    """Return the last run of each file in a Parquet file of shots; None where that holds a single run."""
    needed = ("run", "recorded_at", "file")
    if len({_run(row) for row in file_rows(path, "shots", needed[:2])}) < 2:
        return None
    newest: dict[bytes, Any] = {}
    for row in file_rows(path, "shots", needed, ("show_name", "path")):
        key = _file_key(row)
        newest[key] = max(newest.get(key, _run(row)), _run(row))
    return newest


def _file_key(row: Mapping[str, Any]) -> bytes:
    return _key(row.get("show_name") or "", row.get("path") or row["file"])


def _read_beside(text: str | None) -> Beside | None:
    """Return what a record says of the files beside one; None where somebody spoilt it."""
    with suppress(ValueError, TypeError):
        return tuple((str(name), was) for name, was in json.loads(text or "[]"))
    return None


def _run(row: Mapping[str, Any]) -> tuple[Any, str]:
    return row["recorded_at"], row["run"]


def _hashed(paths: Sequence[str]) -> Iterator[tuple[str, str | None]]:
    """Go through files with the digests of their bytes, some of them ahead of whoever asks."""
    starts = range(0, len(paths), TOGETHER)
    yield from worked_ahead((paths[start : start + TOGETHER] for start in starts), _digests)


def _digests(paths: Sequence[str]) -> list[tuple[str, str | None]]:
    return [(path, digest_or_none(path)) for path in paths]


def _key(digest: str, passed_under: str, beside: Beside = ()) -> bytes:
    told = json.dumps([digest, passed_under, beside]).encode("ascii")
    return sha256(told).digest()[:DIGEST_BYTES]
