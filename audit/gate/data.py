"""What travels from a worker to whoever collects: plain data, which costs nothing to import.

A run whose answers are all known from before loads this and none of what measures a shot.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

if TYPE_CHECKING:
    from audit.plugins import Severity

SEVERITIES: tuple[Severity, ...] = ("fix", "look", "note")
"""As in ``audit.plugins``, which loads the measures; a test holds them equal."""

News = Literal["new", "worse", "known"]
"""What a finding is beside those of an earlier run."""

Beside = tuple[tuple[str, str | None], ...]
"""Files that a shot names, relative to its folder, each with its SHA-256; None for one that is not there."""


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


class FindingRow(NamedTuple):
    """A finding as it travels from a worker to whoever collects.

    A tuple, because there are dozens a shot and a tuple is read back from bytes four times as fast.

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
        The gravest first. Those of the rest pose are said of the first shot of a file.
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
    rows: tuple[Mapping[str, Any], ...] = ()


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
    beside
        The files that it names and that were read for it, such as the buffers of a glTF file.
    """

    path: str
    sha256: str | None = None
    policy: str | None = None
    policy_sha256: str | None = None
    shots: tuple[ShotVerdict, ...] = ()
    failure: Failure | None = None
    beside: Beside = ()


KINDS = (FileVerdict, ShotVerdict, FindingRow, Failure)
"""All classes that a verdict on a file is made of."""


@dataclass(frozen=True, slots=True)
class UnchangedFile:
    """A file that passed in an earlier run, and of which nothing has changed that its verdict depends on.

    Attributes
    ----------
    path
        As it was given.
    sha256
        Of the file's bytes.
    policy
        The policy that holds, None for the defaults.
    passed_under
        Digest of all that the verdict depends on beside these bytes and those of the files it names.
    beside
        As for :class:`FileVerdict`.
    """

    path: str
    sha256: str
    policy: str | None
    passed_under: str
    beside: Beside = ()
