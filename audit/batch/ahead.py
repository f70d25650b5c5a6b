"""Pieces of work that threads do a few ahead of whoever asks for what comes of them."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Generator, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

Piece = TypeVar("Piece")
Given = TypeVar("Given")

TOGETHER = 16
"""Items that one thread looks up at a time: handing them over one by one costs as much as that."""

THREADS = 2
"""Hashing does not hold the interpreter's lock, so a second thread helps; a third finds it taken."""


def worked_ahead(
    pieces: Iterable[Piece], work: Callable[[Piece], list[Given]]
) -> Generator[Given, None, None]:
    """Go through what comes of pieces, in their order.

    Parameters
    ----------
    pieces
        Taken in the calling thread, no more than a few ahead.
    work
        Done in other threads; what it raises is raised here, in its turn.
    """
    threads = ThreadPoolExecutor(THREADS, "hinge-audit ahead")
    ahead: deque[Future[list[Given]]] = deque()
    try:
        for piece in pieces:
            ahead.append(threads.submit(work, piece))
            if len(ahead) > 2 * THREADS:
                yield from ahead.popleft().result()
        while ahead:
            yield from ahead.popleft().result()
    finally:
        threads.shutdown(wait=False, cancel_futures=True)
