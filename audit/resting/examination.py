"""From a file, or a shot, to its rest pose: what the file states, what is measured, and what is found."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property, lru_cache
from hashlib import sha256
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from audit.errors import FormatError, UsageError
from audit.formats import formats
from audit.measures import Measures, measure_shot
from audit.model import Shot, Skeleton, Skin, Source, World
from audit.plugins import SEVERITIES, Finding, read_shots
from audit.policy import Policy
from audit.rest import RestMeasures, axis_corrections, measure_rest
from audit.rest.bends import bends_of
from audit.rest.facing import direction
from audit.rest.measures import UNITS
from audit.rest_checks import rest_checks
from audit.resting import document as contract
from audit.resting.ruling import Ruling, Told
from audit.results import Document
from audit.rotations import matrix_from_quaternion
from audit.settings import Settings

Array = npt.NDArray[np.float64]
Asked = str | npt.ArrayLike | None
"""A direction as people give it; see :func:`audit.rest.facing.direction`."""

STATED = "stated by the file"
GIVEN = "given"

SYMBOLS: Mapping[str, float] = {
    "m": 1.0,
    "cm": 0.01,
    "mm": 0.001,
    "in": 0.0254,
    "ft": 0.3048,
    **dict(UNITS),
}
"""Metres of the units of length by their symbols and names."""

KEPT = 8
"""So many rest poses are remembered: the shots of a show have few rigs, and one is looked at once."""

UPRIGHT = 0.99
"""Cosine from which two directions count as one: nobody faces up."""


@dataclass(frozen=True, eq=False)
class RestExamination:
    """A rig in its rest pose.

    Attributes
    ----------
    source
        Where it comes from: the file as a whole, even where that holds several shots.
    skeleton
        The joints.
    skins
        The skins that the file holds.
    measures
        What was measured.
    up_from, forward_from, unit_from
        Who says which way is up, which way the rig should face, and how long a unit is: ``given``, ``stated by
        the file``, or how it was found.
    has_rest_rotations
        False for formats whose rest frames are aligned with the world and cannot be turned.
    with_motion
        Whether the motion of the file says which way knees and elbows work.
    skin_problem
        Why the skins could not be read; None where they could, or where there are none.
    ruling
        The policy that holds; None where the checks' own limits and severities do.
    """

    source: Source
    skeleton: Skeleton
    skins: tuple[Skin, ...]
    measures: RestMeasures
    up_from: str
    forward_from: str
    unit_from: str
    has_rest_rotations: bool
    with_motion: bool
    skin_problem: str | None = None
    ruling: Ruling | None = None

    @cached_property
    def told(self) -> tuple[Told, ...]:
        """What is found, the worst first, what is waived last; see :func:`worst_first`."""
        if self.ruling is not None:
            told = self.ruling.told(self.skeleton, self.measures, self.own_findings)
        else:
            found = [
                finding
                for check in rest_checks().values()
                for finding in check.run(self.skeleton, self.measures, check.limits)
            ]
            told = tuple(Told(each, each.severity) for each in (*found, *self.own_findings))
        return tuple(sorted(told, key=lambda each: (each.waiver is not None, _rank(each.finding))))

    @cached_property
    def findings(self) -> tuple[Finding, ...]:
        """What is found under the policy, else with the checks' own limits, in the order of :attr:`told`."""
        return tuple(each.finding for each in self.told)

    @property
    def own_findings(self) -> tuple[Finding, ...]:
        """What is to be said beside the checks: that the skins could not be looked at."""
        if self.skin_problem is None:
            return ()
        message = (
            f"The skin could not be read, so no joint was held against it: {self.skin_problem}"
        )
        return (Finding("rest-centred", "note", message, None, None),)

    @cached_property
    def corrections(self) -> tuple[Array, tuple[str | None, ...]]:
        """New axes (J, 4) of each joint and what asks for them; see :func:`audit.rest.axis_corrections`."""
        if self.ruling is not None:
            return self.ruling.corrections(self.skeleton, self.measures)
        return axis_corrections(self.skeleton, self.measures)

    @cached_property
    def document(self) -> Document:
        """The examination as it stands in ``rest.json``."""
        return contract.document(self)


def examine_rest(
    rig: str | Path | Shot,
    *,
    up: Asked = None,
    facing: Asked = None,
    unit: float | None = None,
    skeleton: str | Path | None = None,
    motion: Measures | Literal["own"] | None = "own",
    policy: Policy | None = None,
    today: date | None = None,
) -> RestExamination:
    """Look at the rest pose of a rig. No key is needed.

    Parameters
    ----------
    rig
        A file, or a shot of the rig.
    up, facing
        The up axis and the direction that the rig should face: a letter with a sign, or three numbers. None for
        what the file states, else for what is found.
    unit
        Metres of one unit of length; None in the same way.
    skeleton
        File with the skeleton, for formats that keep it apart.
    motion
        Measures of a shot of this rig: they say which way a knee works. ``own`` measures the given shot, or the
        longest of the file, where it has more than one frame; None leaves motion out.
    policy
        Thresholds, severities and waivers; the checks' own where None. Motion is measured with its settings,
        and left out where these measure against the parent's axes, which says nothing of a rest pose.
    today
        The day on which waivers are looked at; the present one where None.

    Raises
    ------
    InputError
        Where the file cannot be read. A broken skin is no reason: it is noted, and the rest is done.
    UsageError
        Where a direction is none, the unit is no length, or the two directions are the same.
    """
    if unit is not None and not (math.isfinite(unit) and unit > 0.0):
        raise UsageError(f"a unit of {unit:g} m is no length", hint="Give the metres of one unit")
    shots = (rig,) if isinstance(rig, Shot) else read_shots(rig, formats(), skeleton)
    shot = longest(shots)
    skins, problem = _skins_of(shot)
    world = shot.world or World()
    wanted_up, up_from = _asked(up, world.up)
    wanted, forward_from = _asked(facing, world.forward)
    if wanted_up is not None and wanted is not None and _along(wanted_up, wanted):
        if facing is not None and up is not None:
            raise UsageError(
                "the rig cannot face along the up axis", hint="Give --up and --facing apart"
            )
        # What was given goes before what is stated; the other one is then to be found.
        if up is not None:
            wanted, forward_from = None, None
        else:
            wanted_up, up_from = None, None
    metres, unit_from = (unit, GIVEN) if unit is not None else (world.metres, STATED)
    rest = _measured(_Rig.of(shot.skeleton, skins, wanted_up, wanted, metres))
    measured = _own_motion(shot, policy) if isinstance(motion, str) else motion
    if measured is not None:
        rest = with_motion(shot.skeleton, rest, measured)
    whole = replace(shot.source, file=shot.source.path, own_name="")
    return RestExamination(
        source=whole,
        skeleton=shot.skeleton,
        skins=skins,
        measures=rest,
        up_from=up_from or rest.up_from,
        forward_from=forward_from or rest.forward_from,
        unit_from=unit_from if metres is not None else rest.unit_from,
        has_rest_rotations=shot.has_rest_rotations,
        with_motion=measured is not None,
        skin_problem=problem,
        ruling=None if policy is None else _ruling(policy, today, (whole, shots[0].source)),
    )


def _own_motion(shot: Shot, policy: Policy | None) -> Measures | None:
    settings = Settings() if policy is None else policy.settings()
    if shot.frames < 2 or settings.reference != "rest":
        return None
    return measure_shot(shot, settings)


def _ruling(policy: Policy, today: date | None, sources: Sequence[Source]) -> Ruling:
    names = tuple((source.label, source.file) for source in sources)
    return Ruling(policy, date.today() if today is None else today, names)


def longest(shots: Sequence[Shot]) -> Shot:
    """Return the shot with the most frames, the first of equals: it says most about a rig."""
    return max(shots, key=lambda shot: shot.frames)


def with_motion(skeleton: Skeleton, rest: RestMeasures, motion: Measures) -> RestMeasures:
    """Return the measures of a rest pose with the way that knees and elbows work taken from a motion."""
    facing = rest.facing if rest.facing_sure else None
    bends = bends_of(skeleton, rest.world, rest.limbs, rest.pairs, facing, motion)
    return replace(rest, bends=bends)


def worst_first(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return findings in the order in which they are told.

    The gravest first; of equal ones those about the rig as a whole, then those furthest beyond their limits, by
    how many times; where a limit is 0 or a least one, that counts as once. Then the checks and the joints in
    their own order.
    """
    return tuple(sorted(findings, key=_rank))


def _rank(finding: Finding) -> tuple[int, bool, float, str, int]:
    value, limit = abs(finding.value or 0.0), abs(finding.limit or 0.0)
    times = value / limit if 0.0 < limit < value else 1.0
    joint = -1 if finding.joint is None else finding.joint
    return SEVERITIES.index(finding.severity), joint >= 0, -times, finding.check, joint


def metres_of_unit(text: str) -> float:
    """Return the metres of a unit as people write it: "cm", "inch", or a number of metres.

    Raises
    ------
    UsageError
        Where it is no unit of length.
    """
    word = text.strip().lower()
    if word in SYMBOLS:
        return SYMBOLS[word]
    try:
        value = float(word)
    except ValueError:
        value = math.nan
    if math.isfinite(value) and value > 0.0:
        return value
    raise UsageError(
        f"{text!r} is no unit of length",
        hint=f"Give one of {', '.join(SYMBOLS)}, or the metres of one unit",
    )


def _asked(given: Asked, stated: str | None) -> tuple[Array | None, str | None]:
    """Return a direction (3,) and who says so; None where nobody does."""
    if given is not None:
        return direction(given), GIVEN
    return (None, None) if stated is None else (direction(stated), STATED)


def _along(one: Array, other: Array) -> bool:
    return abs(float(one @ other)) > UPRIGHT


def _skins_of(shot: Shot) -> tuple[tuple[Skin, ...], str | None]:
    """Return the skins of a shot's file, and why they cannot be read."""
    own = formats().get(shot.source.format)
    if own is None or own.skins is None:
        return (), None
    try:
        skins = own.skins(shot)
    except FormatError as error:
        return (), f"{error.where}: {error.cause}" if error.where else error.cause
    if shot.turned is None:
        return skins, None
    # They come in the axes that the file has. W' = W A, so what leads into a joint's axes is led on by A⁻¹.
    axes = np.moveaxis(matrix_from_quaternion(shot.turned.T), 2, 0)
    return tuple(
        replace(
            skin,
            inverse_binds=np.concatenate(
                (
                    axes[skin.joints].swapaxes(1, 2) @ skin.inverse_binds[:, :3],
                    skin.inverse_binds[:, 3:],
                ),
                axis=1,
            ),
        )
        for skin in skins
    ), None


@dataclass(frozen=True, slots=True)
class _Rig:
    """What the measures of a rest pose depend on; two are equal where their contents are."""

    digest: str
    skeleton: Skeleton = field(compare=False)
    skins: tuple[Skin, ...] = field(compare=False)
    up: Array | None = field(compare=False)
    facing: Array | None = field(compare=False)
    metres: float | None = field(compare=False)

    @classmethod
    def of(
        cls,
        skeleton: Skeleton,
        skins: tuple[Skin, ...],
        up: Array | None,
        facing: Array | None,
        metres: float | None,
    ) -> _Rig:
        """Return the rig with its digest."""
        summed = sha256(repr((skeleton.names, skeleton.orders, metres)).encode())
        parts: list[npt.NDArray[Any]] = [skeleton.parents, skeleton.offsets, skeleton.rest_xyzw]
        parts += [skeleton.rest_scales, skeleton.tip_joints, skeleton.tip_offsets]
        for skin in skins:
            parts += [skin.joints, skin.inverse_binds, skin.points, skin.influences, skin.weights]
        parts += [np.zeros(0) if each is None else each for each in (up, facing)]
        for part in parts:
            summed.update(repr(part.shape).encode())
            summed.update(part.tobytes())
        return cls(summed.hexdigest(), skeleton, skins, up, facing, metres)


@lru_cache(maxsize=KEPT)
def _measured(rig: _Rig) -> RestMeasures:
    return measure_rest(rig.skeleton, rig.skins, up=rig.up, facing=rig.facing, unit_to_m=rig.metres)
