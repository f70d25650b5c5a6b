"""From one path to a verdict: a pure function with a small result, for any kind of worker."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from hashlib import sha256
from pathlib import Path
from typing import Literal

import audit
from audit.errors import AuditError
from audit.measures import measure_shot
from audit.model import Shot
from audit.pipeline import read_all
from audit.plugins import Severity
from audit.policy import Policy, PolicyError, Ruled, find_policy, findings_under, read_policy
from audit.pool import rig_key
from audit.results import Row, flat_row, joint_rows, number
from audit.sheet import joint_labels


@dataclass(frozen=True, slots=True)
class Options:
    """What every shot of a run is checked with.

    Attributes
    ----------
    skeleton
        File with the skeleton, for formats that keep it apart.
    order
        Rotation order for joints whose file states none; goes before the policy's.
    policy
        File of the policy; None to look for it from each shot's folder upwards.
    rows
        Whether the verdicts carry a row a joint, as ``joints.csv`` has them.
    """

    skeleton: str | None = None
    order: str | None = None
    policy: str | None = None
    rows: bool = False


@dataclass(frozen=True, slots=True)
class FindingRow:
    """A finding as it travels from a worker to whoever collects.

    Attributes
    ----------
    check, message
        As in the results.
    severity, own_severity
        Under the policy, and as the check itself has it.
    value, limit
        The figure and the limit that it passed, rounded as in the results.
    joint
        Name of the joint, its path where several share the name; None for the shot as a whole.
    waivers
        Lines of the policy's waivers that cover it, whatever the day.
    """

    check: str
    severity: Severity
    own_severity: Severity
    message: str
    value: float | None
    limit: float | None
    joint: str | None
    waivers: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class ShotVerdict:
    """What was found on one shot.

    Attributes
    ----------
    file
        Path of the shot, with its own name behind ``#`` in a file of several.
    shot
        What people call it.
    format, frames, seconds, joints
        As in the results.
    hinges
        Number of joints that move as hinges.
    rig
        The same for all shots whose skeletons have the same joints below the same parents.
    findings
        The gravest first.
    rows
        One a joint, where they were asked for.
    """

    file: str
    shot: str
    format: str
    frames: int
    seconds: float
    joints: int
    hinges: int
    rig: str
    findings: tuple[FindingRow, ...]
    rows: tuple[Row, ...] = ()


@dataclass(frozen=True, slots=True)
class Failure:
    """Why a file was not checked.

    Attributes
    ----------
    kind
        ``unreadable`` where the file is to blame, ``fault`` where the program is.
    cause, where, hint
        What is wrong, the place in the file, and what to do.
    """

    kind: Literal["unreadable", "fault"]
    cause: str
    where: str | None = None
    hint: str | None = None

    @property
    def message(self) -> str:
        """Place, cause and hint as one text."""
        text = f"{self.where}: {self.cause}" if self.where else self.cause
        return f"{text}. {self.hint}" if self.hint else text


@dataclass(frozen=True, slots=True)
class FileVerdict:
    """What was found in one file. Small, picklable, and the same for the same bytes and options.

    Attributes
    ----------
    path
        As it was given.
    sha256
        Of the file's bytes; None where it was not read.
    policy, policy_sha256
        The policy that held, None for the defaults.
    shots
        One or more, none where the file failed.
    failure
        Why it was not checked.
    """

    path: str
    sha256: str | None = None
    policy: str | None = None
    policy_sha256: str | None = None
    shots: tuple[ShotVerdict, ...] = ()
    failure: Failure | None = None


def policy_for(path: str, options: Options) -> Policy:
    """Return the policy that holds for a file; PolicyError where it cannot be used."""
    chosen = options.policy or find_policy(Path(path).parent)
    return Policy() if chosen is None else read_policy(chosen)


def check_file(path: str, options: Options) -> FileVerdict:
    """Read one file, measure its shots and check them under the policy that holds for it.

    Parameters
    ----------
    path
        The file.
    options
        What to check it with.

    Returns
    -------
    FileVerdict
        Also for a file that cannot be read, and where the program itself failed on it.

    Raises
    ------
    PolicyError
        Where the policy cannot be used: nothing could be said of any shot then.
    """
    policy = policy_for(path, options)
    try:
        shots = read_all(path, options.skeleton)
        return FileVerdict(
            path,
            shots[0].source.sha256 if shots else None,
            policy.path,
            policy.sha256,
            tuple(_verdict(shot, policy, options) for shot in shots),
        )
    except PolicyError:
        raise
    except AuditError as error:
        cause = error.cause if error.path in (None, path) else f"{error.path}: {error.cause}"
        failure = Failure("unreadable", cause, error.where, error.hint)
    except MemoryError:
        failure = Failure("unreadable", "needs more memory than there is")
    except Exception as error:  # one shot that the program fails on must not end a run of thousands
        cause = f"a fault of the program itself ({type(error).__name__}: {error})"
        hint = "`hinge-audit --debug report` on this file shows the traceback"
        failure = Failure("fault", cause, None, hint)
    return FileVerdict(path, None, policy.path, policy.sha256, (), failure)


def settings_digest(path: str, options: Options) -> str:
    """Return a key of all that a verdict depends on beside the bytes of the file and of its skeleton.

    Two equal keys, with equal bytes at the same path, mean equal verdicts: version of the program, options, and
    the policy that holds for the path.
    """
    policy = policy_for(path, options)
    told = [audit.__version__, asdict(options), policy.path, policy.sha256]
    return sha256(json.dumps(told, sort_keys=True).encode("utf-8", "surrogatepass")).hexdigest()


def _verdict(shot: Shot, policy: Policy, options: Options) -> ShotVerdict:
    measures = measure_shot(shot, policy.settings(options.order))
    found = findings_under(policy, shot, measures)
    rows: tuple[Row, ...] = ()
    if options.rows:
        findings = [each.finding for each in found]
        rows = tuple(flat_row(row) for row in joint_rows(shot, measures, findings))
    labels = joint_labels(shot.skeleton)
    return ShotVerdict(
        file=shot.source.file,
        shot=shot.source.label,
        format=shot.source.format,
        frames=shot.frames,
        seconds=number(shot.seconds) or 0.0,
        joints=len(shot.skeleton),
        hinges=measures.kind.count("hinge"),
        rig=rig_key(shot.skeleton),
        findings=tuple(_row(each, shot, labels, policy) for each in found),
        rows=rows,
    )


def _row(ruled: Ruled, shot: Shot, labels: tuple[str, ...], policy: Policy) -> FindingRow:
    finding = ruled.finding
    name = None if finding.joint is None else shot.skeleton.names[finding.joint]
    source = shot.source
    return FindingRow(
        check=finding.check,
        severity=finding.severity,
        own_severity=ruled.own,
        message=finding.message,
        value=None if finding.value is None else number(finding.value),
        limit=None if finding.limit is None else number(finding.limit),
        joint=None if finding.joint is None else labels[finding.joint],
        waivers=tuple(
            waiver.line
            for waiver in policy.waivers
            if waiver.covers(finding.check, name, source.label, source.file)
        ),
    )
