"""From a file to its results: read, measure, check."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from audit import results
from audit.checks import checks as all_checks
from audit.errors import InputError, UsageError
from audit.formats import formats as all_formats
from audit.measures import JointCurves, Measures, joint_curves, measure_shot
from audit.measures.offsets import Convention
from audit.model import Shot
from audit.plugins import SEVERITIES, Finding, read_shots
from audit.reorient import turn_axes
from audit.settings import Settings
from audit.sheet import Only, Sheet, joint_labels, wanted_axes
from audit.suggestion import suggest_rig

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, eq=False)
class Examination:
    """A shot, what was measured on it, and what the checks found."""

    shot: Shot
    measures: Measures
    findings: tuple[Finding, ...]

    @cached_property
    def document(self) -> results.Document:
        """The results as they stand in ``results.json``."""
        return results.document(self.shot, self.measures, self.findings, all_checks())

    def curves(self, joint: int) -> JointCurves:
        """Return the curves of a joint (by place), as they are and as they would be."""
        return joint_curves(self.shot, self.measures, joint)


def read(path: str | Path, skeleton: str | Path | None = None) -> Shot:
    """Read a shot from a file that holds one.

    Parameters
    ----------
    path
        The file; its format is recognised by content first, then by suffix.
    skeleton
        File with the skeleton, for formats that keep it apart.

    Returns
    -------
    Shot

    Raises
    ------
    InputError
        Where the file cannot be opened, is of no known format, breaks its format's rules, or holds several
        shots: :func:`read_all` returns those.
    """
    shots = read_all(path, skeleton)
    if len(shots) > 1:
        names = ", ".join(shot.source.label for shot in shots)
        raise InputError(
            f"holds {len(shots)} shots ({names})", path=path, hint="Read them with audit.read_all"
        )
    return shots[0]


def read_all(path: str | Path, skeleton: str | Path | None = None) -> tuple[Shot, ...]:
    """Read all shots of a file; see :func:`read`."""
    return read_shots(path, all_formats(), skeleton)


def measure(shot: Shot, settings: Settings | None = None) -> pd.DataFrame:
    """Measure a shot: a table with one row a joint.

    Parameters
    ----------
    shot
        Any shot.
    settings
        Thresholds; the project's definitions where None.

    Returns
    -------
    pandas.DataFrame
        The columns of the results contract, flat: see ``results.flat_row``. The ``findings`` column holds
        what the checks say of each joint.
    """
    import pandas as pd  # noqa: PLC0415 (costs a third of a second, and only this function needs it)

    examined = examine(shot, settings)
    return pd.DataFrame([results.flat_row(row) for row in examined.document["joints"]])


def examine(
    shot: Shot,
    settings: Settings | None = None,
    progress: Callable[[int], object] | None = None,
) -> Examination:
    """Measure a shot and run all checks on it.

    Parameters
    ----------
    shot
        Any shot.
    settings
        Thresholds; the project's definitions where None.
    progress
        Called with the number of joints done, as the work goes on.
    """
    measures = measure_shot(shot, settings, progress)
    found = [
        finding
        for check in all_checks().values()
        for finding in check.run(shot, measures, check.limits)
    ]
    found.sort(key=lambda finding: SEVERITIES.index(finding.severity))
    return Examination(shot, measures, tuple(found))


def suggest(
    shots: Shot | Iterable[Shot],
    settings: Settings | None = None,
    convention: Convention | None = None,
) -> Sheet:
    """Return the offsets that shots of one rig suggest together.

    Parameters
    ----------
    shots
        One shot or several, all of one rig.
    settings
        Thresholds; the project's definitions where None.
    convention
        Which axes the joints are to have; the nearest ones where None.

    Returns
    -------
    Sheet
        One row a joint; ``.table`` is the same as a pandas table. A joint that moves on one channel already, or
        says too little, gets no offset and a reason.

    Raises
    ------
    UsageError
        Where there is no shot, or the shots have different joints.

    Notes
    -----
    An offset changes every curve and every mechanism of a joint: agree on it before animation starts, work on
    copies, and test the rig again. :func:`audit.suggestion.suggest_rig` also says what the offsets rest on.
    """
    given = [shots] if isinstance(shots, Shot) else list(shots)
    return suggest_rig(given, settings, convention).sheet


def correct(shot: Shot, offsets: Sheet, only: Only | None = None) -> Shot:
    """Return a shot whose axes are turned as an offsets sheet says, and that moves as before.

    Parameters
    ----------
    shot
        Any shot of the rig that the sheet is for. All shots of a rig have to be corrected by the same sheet.
    offsets
        The sheet.
    only
        ``twist`` or ``full`` for these offsets alone.

    Raises
    ------
    FormatError
        Where the sheet does not fit the rig.
    UsageError
        Where a joint cannot be turned because its scale is uneven; :func:`turned` goes on without it.
    """
    changed = turned(shot, offsets, only)
    if changed.refused:
        name, reason = next(iter(changed.refused.items()))
        raise UsageError(
            f"joint {name} cannot be turned: {reason}", hint="Clear its row in the offsets sheet"
        )
    return changed.shot


@dataclass(frozen=True, eq=False)
class Turned:
    """A shot in new axes.

    Attributes
    ----------
    shot
        The shot.
    axes : (J, 4)
        The turn of each joint's axes, identity where there is none.
    refused
        Why, for each joint that could not be turned, by what the sheet calls it.
    missing
        Joints of the sheet that the rig does not have.
    """

    shot: Shot
    axes: npt.NDArray[np.float64]
    refused: dict[str, str]
    missing: tuple[str, ...]


def turned(
    shot: Shot,
    offsets: Sheet,
    only: Only | None = None,
    *,
    staying: Mapping[str, str] | None = None,
) -> Turned:
    """Turn the axes of a shot as an offsets sheet says, as far as that can be done; see :func:`correct`.

    ``staying`` says why some joints are not to be turned, whatever the sheet says.
    """
    labels = joint_labels(shot.skeleton)
    wanted = wanted_axes(offsets, shot.skeleton, only, carried=not shot.has_rest_rotations)
    kept = {labels.index(label): reason for label, reason in (staying or {}).items()}
    axes = np.array(wanted.axes)
    axes[list(kept)] = (0.0, 0.0, 0.0, 1.0)
    orders = {joint: order for joint, order in wanted.orders.items() if joint not in kept}
    changed, refused = turn_axes(shot, axes, orders)
    axes[list(refused)] = (0.0, 0.0, 0.0, 1.0)
    reasons = {labels[joint]: reason for joint, reason in sorted((kept | refused).items())}
    return Turned(changed, axes, reasons, wanted.missing)


def turned_alike(
    shots: Sequence[Shot], offsets: Sheet, only: Only | None = None
) -> tuple[Turned, ...]:
    """Turn the axes of all shots of one file, which share their joints; see :func:`turned`.

    A joint that cannot be turned in one of them, because its scale is uneven there, stays in all.
    """
    changed = tuple(turned(shot, offsets, only) for shot in shots)
    staying = {label: reason for each in changed for label, reason in each.refused.items()}
    if all(each.refused.keys() == staying.keys() for each in changed):
        return changed
    return tuple(turned(shot, offsets, only, staying=staying) for shot in shots)


def joints_named(names: Sequence[str], patterns: Iterable[str]) -> list[int]:
    """Return the places of joints whose names match any of the patterns, in the skeleton's order.

    Parameters
    ----------
    names
        Names of all joints.
    patterns
        Names or glob patterns (``*_Knee``); upper and lower case differ.

    Raises
    ------
    UsageError
        Where a pattern matches no joint; the nearest names are given.
    """
    chosen: set[int] = set()
    for pattern in patterns:
        places = {place for place, name in enumerate(names) if fnmatchcase(name, pattern)}
        places |= {place for place, name in enumerate(names) if name == pattern}
        if not places:
            raise UsageError(f"no joint is named {pattern!r}", hint=_nearest(pattern, names))
        chosen |= places
    return sorted(chosen)


def _nearest(pattern: str, names: Sequence[str]) -> str:
    from difflib import get_close_matches  # noqa: PLC0415 (only a mistyped name needs it)

    by_lower = {name.lower(): name for name in names}
    near = [by_lower[low] for low in get_close_matches(pattern.lower(), by_lower, n=3, cutoff=0.5)]
    if near:
        return f"Did you mean {', '.join(near)}?"
    return f"The first joints are {', '.join(names[:5])}"
