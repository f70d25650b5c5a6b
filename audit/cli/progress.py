"""A progress bar that shows itself only when work takes longer than a second."""

from __future__ import annotations

import sys
import time
from types import TracebackType
from typing import Self

import click

PATIENCE_S = 1.0


class Progress:
    """Counts steps; draws a bar on standard error once a second has gone by, on a terminal only.

    Parameters
    ----------
    length
        Number of steps in all.
    label
        What is going on.
    quiet
        True to never draw.
    """

    def __init__(self, length: int, label: str, *, quiet: bool = False) -> None:
        self._start = time.monotonic()
        self._done = 0
        self._shown = 0
        self._drawing = not quiet and sys.stderr.isatty()
        self._bar = click.progressbar(
            length=length, label=label, file=sys.stderr, width=30, show_eta=True
        )
        self._open = False

    def step(self, count: int = 1) -> None:
        """Count steps as done."""
        self._done += count
        if not self._drawing or time.monotonic() - self._start < PATIENCE_S:
            return
        if not self._open:
            self._bar.__enter__()
            self._open = True
        self._bar.update(self._done - self._shown)
        self._shown = self._done

    def __enter__(self) -> Self:
        """Start counting."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Leave the line of the bar, if there is one."""
        if self._open:
            self._bar.__exit__(kind, error, trace)
