"""Run all checks of a rest pose on a rig, and hold what they say against what was done to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audit.plugins import Finding
from audit.rest import measure_rest
from audit.rest_checks import rest_checks
from tests.unit.rest.bodies import clean_rig
from tests.unit.rest.breaking import Broken, Fault
from tests.unit.rest.faults import ALL, ONE_JOINT, WHOLE
from tests.unit.rest.rigs import Rig


def findings_on(rig: Rig, broken: Broken | None = None) -> list[Finding]:
    """Return all findings, with nothing told but the skeleton and its skins."""
    skeleton = rig.skeleton()
    skins = broken.skins if broken is not None else ()
    rest = measure_rest(skeleton, skins)
    return [
        finding
        for check in rest_checks().values()
        for finding in check.run(skeleton, rest, check.limits)
    ]


def as_said(fault: Fault, rig: Rig) -> float:
    """Return the figure that a finding should give for a fault."""
    return 100.0 * fault.amount / rig.height() if fault.length else fault.amount


def matches(finding: Finding, fault: Fault, rig: Rig) -> bool:
    """Return whether a finding is that of a fault: check, joint, and amount to 1 % or 0.02."""
    if finding.check != fault.check or finding.joint not in fault.joints:
        return False
    wanted = as_said(fault, rig)
    return finding.value is not None and (
        abs(abs(finding.value) - wanted) <= max(0.02, 0.01 * wanted)
    )


@dataclass
class Verdict:
    """What became of the faults of a rig, and what was found without one."""

    missed: list[Fault]
    false: list[Finding]
    findings: list[Finding]
    faults: int


def judge(broken: Broken) -> Verdict:
    """Return which faults were missed and which findings are about nothing that was done.

    A finding is about something if it is that of a fault, or, below the severity ``fix``, if it is about a
    joint that a fault touches. Notes are not counted.
    """
    rig = broken.rig
    findings = [each for each in findings_on(rig, broken) if each.severity != "note"]
    missed = [
        fault
        for fault in broken.faults
        if not any(matches(finding, fault, rig) for finding in findings)
    ]
    touched = {joint for fault in broken.faults for joint in fault.touched}
    false = [
        finding
        for finding in findings
        if not any(matches(finding, fault, rig) for fault in broken.faults)
        and not (finding.severity == "look" and finding.joint in touched)
    ]
    return Verdict(missed, false, findings, len(broken.faults))


def broken_by(kind: int, seed: int) -> Broken | None:
    """Return a rig broken in one way; None where this body cannot be broken so."""
    _, rig = clean_rig(seed)
    broken = Broken(rig)
    rng = np.random.default_rng([99, kind, seed])
    return broken if ALL[kind](broken, rng) else None


def broken_often(seed: int, *, apart: bool = True) -> Broken:
    """Return a rig with two to five faults of different kinds; ``apart``: none of which is next to another."""
    _, rig = clean_rig(seed)
    broken, rng = Broken(rig, apart=apart), np.random.default_rng([7171, seed])
    wanted = int(rng.integers(2, 6))
    for kind in rng.permutation(len(ONE_JOINT)).tolist():
        if len({fault.check for fault in broken.faults}) >= wanted:
            break
        ONE_JOINT[kind](broken, rng)
    if rng.random() < 0.4 and not broken.sleeves:
        WHOLE[int(rng.integers(len(WHOLE)))](broken, rng)
    return broken
