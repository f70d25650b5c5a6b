"""How work goes on: a bar for one shot, a line with rate and time left for many."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from types import TracebackType
from typing import Self

import click

PATIENCE_S = 1.0
"""Nothing is drawn before."""

REDRAW_S = 0.1
LOG_S = 5.0
"""Between two lines on a terminal, and in a log."""


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


class RunProgress:
    """Tells how a long run goes, on standard error: what is done, how fast, and how long it will still take.

    On a terminal one line is drawn anew, ten times a second at most; elsewhere, as in the log of a server, a
    plain line is added every few seconds.

    Parameters
    ----------
    total
        Number of items in all, None where that is not known.
    noun
        What they are: "file".
    quiet
        True to tell nothing.
    clock
        Returns seconds.
    """

    def __init__(
        self,
        total: int | None,
        noun: str,
        *,
        quiet: bool = False,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._total, self._noun, self._quiet, self._clock = total, noun, quiet, clock
        self._terminal = sys.stderr.isatty()
        self._every = REDRAW_S if self._terminal else LOG_S
        self._start = clock()
        self._next = self._start + (PATIENCE_S if self._terminal else LOG_S)
        self._done = 0
        self._wide = 0

    def step(self, *_: object) -> None:
        """Count one item as done."""
        self._done += 1
        now = self._clock()
        if self._quiet or now < self._next:
            return
        self._next = now + self._every
        line = self.line()
        if self._terminal:
            sys.stderr.write("\r" + line.ljust(self._wide))
            self._wide = len(line)
        else:
            sys.stderr.write(line + "\n")
        sys.stderr.flush()

    def line(self) -> str:
        """Return how it goes: "1,200 of 2,000 files, 58.3 a second, 14 s left"."""
        rate = self._done / max(self._clock() - self._start, 1e-9)
        of_all = "" if self._total is None else f" of {self._total:,}"
        text = f"{self._done:,}{of_all} {self._noun}s, {rate:,.1f} a second"
        if self._total is not None and self._done:
            text += f", {_span((self._total - self._done) / rate)} left"
        return text

    def __enter__(self) -> Self:
        """Start counting."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Take the line away, if there is one."""
        self.clear()

    def clear(self) -> None:
        """Take the line away, if there is one."""
        if self._wide:
            sys.stderr.write("\r" + " " * self._wide + "\r")
            sys.stderr.flush()
            self._wide = 0


def _span(seconds: float) -> str:
    """Return a time as people say it: "14 s", "3 min 20 s", "2 h 5 min"."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    return f"{whole // 3600} h {whole % 3600 // 60} min"
