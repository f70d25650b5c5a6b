"""Ctrl-C ends waiting and measuring at once, but never the writing of a result."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType, TracebackType
from typing import Self


class Interrupts:
    """Holds interrupts back, except where the work may end. May be entered again inside.

    Outside the main thread, where signals do not arrive, it changes nothing, nor where interrupts are ignored,
    as shells have it for what they start in the background.

    Parameters
    ----------
    last
        True where the program ends afterwards: once an interrupt came, further ones do nothing, as people press
        the keys twice.
    """

    def __init__(self, *, last: bool = False) -> None:
        self._last = last
        self._open = False
        self._asked = False
        self._depth = 0
        self._before: Callable[[int, FrameType | None], object] | None = None

    def __enter__(self) -> Self:
        """Begin to hold back."""
        self._depth += 1
        before = signal.getsignal(signal.SIGINT)
        here = threading.current_thread() is threading.main_thread()
        if self._depth == 1 and here and callable(before):
            self._before = before
            signal.signal(signal.SIGINT, self._ask)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Let interrupts do again what they did before."""
        self._depth -= 1
        if self._depth == 0 and self._before is not None:
            over = self._last and self._asked
            signal.signal(signal.SIGINT, signal.SIG_IGN if over else self._before)
            self._before = None

    def _ask(self, _number: int, _frame: FrameType | None) -> None:
        self._asked = True
        if self._open:
            self._open = False  # a second one must not end what the first one began
            raise KeyboardInterrupt

    @contextmanager
    def may_end(self) -> Iterator[None]:
        """Let an interrupt end what goes on inside, also one that came before."""
        self._open = True
        try:
            if self._asked:
                raise KeyboardInterrupt
            yield
        finally:
            self._open = False
