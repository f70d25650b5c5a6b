"""From one path to a verdict: a pure function with a small result, for any kind of worker."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from audit.errors import AuditError
from audit.gate.data import Failure, FileVerdict, FindingRow, Options, ShotVerdict
from audit.gate.policies import policy_for
from audit.measures import Measures, measure_shot
from audit.model import Shot
from audit.pipeline import read_all
from audit.policy import (
    Policy,
    PolicyError,
    Ruled,
    findings_under,
    gravest_first,
    looks_at_rest,
    rest_findings_under,
)
from audit.pool import rig_key
from audit.resting import examine_rest, longest
from audit.results import Row, flat_row, joint_rows, number
from audit.sheet import joint_labels


def check_file(path: str, options: Options, *, raise_memory_error: bool = False) -> FileVerdict:
    """Read one file, measure its shots and check them under the policy that holds for it.

    Parameters
    ----------
    path
        The file.
    options
        What to check it with.
    raise_memory_error
        Whether a shortage of memory is raised, for a process that is to be replaced then, and which knows the
        limit that it was given.

    Returns
    -------
    FileVerdict
        Also for a file that cannot be read, and where the program itself failed on it.

    Raises
    ------
    PolicyError
        Where the policy cannot be used: nothing could be said of any shot then.
    MemoryError
        Only where that is asked for.
    """
    policy = policy_for(path, options)
    try:
        shots = read_all(path, options.skeleton)
        return FileVerdict(
            path,
            shots[0].source.sha256 if shots else None,
            policy.path,
            policy.sha256,
            tuple(_verdicts(shots, policy, options)),
        )
    except PolicyError:
        raise
    except AuditError as error:
        cause = error.cause if error.path in (None, path) else f"{error.path}: {error.cause}"
        failure = Failure("unreadable", cause, error.where, error.hint)
    except MemoryError:
        if raise_memory_error:
            raise
        failure = Failure("unreadable", "needs more memory than there is")
    except Exception as error:  # one shot that the program fails on must not end a run of thousands
        cause = f"a fault of the program itself ({type(error).__name__}: {error})"
        hint = "`hinge-audit --debug report` on this file shows the traceback"
        failure = Failure("fault", cause, None, hint)
    return FileVerdict(path, None, policy.path, policy.sha256, (), failure)


def _verdicts(shots: Sequence[Shot], policy: Policy, options: Options) -> Iterator[ShotVerdict]:
    """Give a verdict on each shot of a file; what is wrong with their rig is said of the first one."""
    settings = policy.settings(options.order)
    measured = [measure_shot(shot, settings) for shot in shots]
    at_rest = _at_rest(shots, measured, policy)
    for shot, measures in zip(shots, measured, strict=True):
        yield _verdict(shot, measures, at_rest, policy, options)
        at_rest = ()


def _at_rest(
    shots: Sequence[Shot], measured: Sequence[Measures], policy: Policy
) -> tuple[Ruled, ...]:
    """Return what is found on the rest pose of the rig that the shots of a file share."""
    if not looks_at_rest(policy, shots[0].skeleton):
        return ()
    shot = longest(shots)
    motion = next(each for own, each in zip(shots, measured, strict=True) if own is shot)
    # What is measured against the parent's axes says nothing about the rest pose.
    told = shot.frames > 1 and motion.settings.reference == "rest"
    rest = examine_rest(shot, motion=motion if told else None)
    return rest_findings_under(policy, rest.skeleton, rest.measures, rest.own_findings)


def _verdict(
    shot: Shot,
    measures: Measures,
    at_rest: tuple[Ruled, ...],
    policy: Policy,
    options: Options,
) -> ShotVerdict:
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
        findings=tuple(
            _row(each, shot, labels, policy) for each in gravest_first([*found, *at_rest])
        ),
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
