"""The errors that this project raises, as one tree.

Every error knows three things a person needs: which file, where in it, and what to do next. Each also
carries the exit code that the command line ends with, so that no command decides that for itself.
"""

from __future__ import annotations

from pathlib import Path


class AuditError(Exception):
    """Base of every error raised on purpose.

    Parameters
    ----------
    cause
        What is wrong, in one sentence.
    path
        The file that it concerns, where there is one.
    where
        The place in the file: "line 12", or "frame 3, channel L_Knee Xrotation".
    hint
        What the reader can do about it.
    """

    exit_code = 70

    def __init__(
        self,
        cause: str,
        *,
        path: str | Path | None = None,
        where: str | None = None,
        hint: str | None = None,
    ) -> None:
        super().__init__(cause)
        self.cause = cause
        self.path = str(path) if path is not None else None
        self.where = where
        self.hint = hint

    def __str__(self) -> str:
        """Return "file: place: cause. Hint", leaving out what is not known."""
        text = ": ".join(part for part in (self.path, self.where, self.cause) if part)
        return f"{text}. {self.hint}" if self.hint else text

    def __reduce__(self) -> tuple[object, ...]:
        """Keep all fields when the error travels between processes."""
        return (_rebuilt, (type(self), self.cause, self.path, self.where, self.hint))


def _rebuilt(
    kind: type[AuditError], cause: str, path: str | None, where: str | None, hint: str | None
) -> AuditError:
    return kind(cause, path=path, where=where, hint=hint)


class UsageError(AuditError, ValueError):
    """The caller asked for something that does not exist or does not fit together."""

    exit_code = 2


class InputError(AuditError, ValueError):
    """An input could not be read or used."""

    exit_code = 3


class FormatError(InputError):
    """A file breaks the rules of its format: the message names line, or frame and channel."""


class UnknownFormatError(InputError):
    """No format of this project recognises the file."""


class OutputError(InputError):
    """Something could not be written where it was asked for; nothing was overwritten."""


class ShapeError(AuditError, ValueError):
    """An array does not have the shape, or the kind of numbers, that a function asks for."""

    exit_code = 3


class MotionError(AuditError, ValueError):
    """A correction would have changed the motion: nothing was written."""

    exit_code = 4
