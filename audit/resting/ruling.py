"""What a policy makes of the findings on a rest pose, and of the turns that would mend it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import numpy.typing as npt

from audit.model import Skeleton
from audit.plugins import Finding, Severity
from audit.policy import Policy, Waiver, rest_findings_under
from audit.policy.rules import JointRules
from audit.rest import RestMeasures, axis_corrections

Array = npt.NDArray[np.float64]

TURNING = (
    ("rest-aim", "aim"),
    ("rest-bend-plane", "off"),
    ("rest-midline-twist", "twist"),
    ("rest-mirror", "turn"),
)
"""The checks that ask for turns of axes and their limits, in the order of ``axis_corrections``."""


@dataclass(frozen=True, slots=True)
class Told:
    """A finding as it is told.

    Attributes
    ----------
    finding
        With the severity that holds.
    own
        The severity that the check gave it.
    waiver
        The waiver that works for it today; such a finding counts nowhere.
    """

    finding: Finding
    own: Severity
    waiver: Waiver | None = None


@dataclass(frozen=True, eq=False)
class Ruling:
    """A policy on the day on which a rig is looked at.

    Attributes
    ----------
    policy
        Its thresholds, severities and waivers.
    today
        The day on which waivers are looked at.
    shots
        Names and paths by which waivers may know the rig: those of the file, and of its first shot, of which
        the gate tells what is found on the rig.
    """

    policy: Policy
    today: date
    shots: tuple[tuple[str, str], ...]

    def told(
        self, skeleton: Skeleton, rest: RestMeasures, others: Iterable[Finding] = ()
    ) -> tuple[Told, ...]:
        """Return what the checks find under the policy.

        Parameters
        ----------
        skeleton, rest
            The rig and what was measured on it.
        others
            Findings in the name of such a check that were made elsewhere.

        Notes
        -----
        Where the policy says nothing of a check's severity, that of the check holds. The gate makes a look of a
        fix there, because no shot is to blame for its rig; here it is the rig that is looked at.
        """
        told = []
        for ruled in rest_findings_under(self.policy, skeleton, rest, others):
            finding = ruled.finding
            name = None if finding.joint is None else skeleton.names[finding.joint]
            said = self.policy.for_joint(name).held[f"checks.{finding.check}.severity"]
            if said.line is None:
                finding = replace(finding, severity=ruled.own)
            told.append(Told(finding, ruled.own, self.waiver(finding.check, name)))
        return tuple(told)

    def waiver(self, check: str, joint: str | None) -> Waiver | None:
        """Return the waiver that works today for a check's findings on a joint; None for the whole rig."""
        return next(
            (
                each
                for each in self.policy.waivers
                if each.works_on(self.today)
                and any(each.covers(check, joint, shot, file) for shot, file in self.shots)
            ),
            None,
        )

    def corrections(
        self, skeleton: Skeleton, rest: RestMeasures
    ) -> tuple[Array, tuple[str | None, ...]]:
        """Return the new axes (J, 4) and what asks for them, as :func:`audit.rest.axis_corrections` does.

        Notes
        -----
        With each joint's own limits; a check that is off for a joint, or waived, asks for nothing there.
        """
        limits = [self._limits(name) for name in skeleton.names]
        axes = np.tile([0.0, 0.0, 0.0, 1.0], (len(skeleton), 1))
        reasons: list[str | None] = [None] * len(skeleton)
        for each in dict.fromkeys(limits):
            aim, plane, twist, mirror = each
            turns, because = axis_corrections(
                skeleton, rest, aim_deg=aim, plane_deg=plane, twist_deg=twist, mirror_deg=mirror
            )
            for joint, own in enumerate(limits):
                if own == each:
                    axes[joint], reasons[joint] = turns[joint], because[joint]
        return axes, tuple(reasons)

    def _limits(self, name: str) -> tuple[float, ...]:
        """Return the limits that ask for turns of a joint; infinite where a check has no say."""
        rules = self.policy.for_joint(name)
        return tuple(
            rules.limits(check)[limit] if self._has_say(check, name, rules) else np.inf
            for check, limit in TURNING
        )

    def _has_say(self, check: str, name: str, rules: JointRules) -> bool:
        return any(rules.change(check).values()) and self.waiver(check, name) is None
