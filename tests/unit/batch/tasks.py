"""Tasks for batches; in a module of their own, because workers import them."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from audit.errors import InputError


class OddError(Exception):
    """An error that does not survive pickling."""

    def __init__(self, first: int, second: int) -> None:
        super().__init__(f"{first} and {second}")


@dataclass(frozen=True, slots=True)
class Verdict:
    """A small result."""

    path: str
    text: str


def act(word: str) -> str:
    """Do what a word says, and return it in capitals."""
    verb, _, rest = word.partition(" ")
    done = _ACTS[verb](rest) if verb in _ACTS else None
    return word.upper() if done is None else done


def _die(_: str) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def _die_once(mark: str) -> None:
    if not Path(mark).exists():
        Path(mark).touch()
        _die("")


def _stay(log: str) -> None:
    start = time.monotonic()
    time.sleep(0.1)
    with open(log, "a", encoding="ascii") as file:
        file.write(f"{start} {time.monotonic()}\n")


def _stay_and_die(log: str) -> None:
    _stay(log)
    _die("")


def _raise(_: str) -> None:
    raise ValueError("no good")


def _refuse(path: str) -> None:
    raise InputError("is damaged", path=path, where="line 3")


def _odd(_: str) -> None:
    raise OddError(1, 2)


_ACTS: dict[str, Callable[[str], Any]] = {
    "die": _die,
    "die-once": _die_once,
    "exit": lambda _: os._exit(3),
    "stay": _stay,
    "stay-and-die": _stay_and_die,
    "sleep": lambda seconds: time.sleep(float(seconds)),
    "take": lambda size: str(len(bytearray(int(size)))),
    "raise": _raise,
    "refuse": _refuse,
    "odd": _odd,
    "mute": lambda _: lambda: None,
    "threads": lambda _: os.environ["OMP_NUM_THREADS"],
    "pid": lambda _: str(os.getpid()),
}


def content(path: str) -> Verdict:
    """Return what a file holds, and the file beside it that it names."""
    text = Path(path).read_text(encoding="utf-8")
    if text.startswith("beside "):
        beside = Path(path).parent / text.removeprefix("beside ")
        text += beside.read_text(encoding="utf-8") if beside.exists() else "nothing"
    return Verdict(path, text)


def renamed(verdict: Verdict, path: str) -> Verdict:
    """Give a verdict the name of another file."""
    return Verdict(path, verdict.text)


def rules_of(path: str) -> str:
    """Return the rules that hold in a file's folder."""
    rules = Path(path).parent / "rules"
    return rules.read_text(encoding="utf-8") if rules.exists() else ""


def is_odd(verdict: Verdict) -> bool:
    """Tell whether a verdict is of a shot with an odd number."""
    return int(verdict.text.split()[-1]) % 2 == 1


def counted(path: str) -> Verdict:
    """Return what a file holds, and note beside it that it was worked on."""
    with open(f"{path}.count", "a", encoding="ascii") as file:
        file.write("1")
    return content(path)


def slow_content(path: str) -> Verdict:
    """Return what a file holds, after a twentieth of a second."""
    time.sleep(0.05)
    return content(path)


def findings(path: str) -> list[tuple[str, str, str]]:
    """Return what the checks find in a shot."""
    from audit.pipeline import examine, read_all

    return [
        (shot.source.label, each.check, each.message)
        for shot in read_all(path)
        for each in examine(shot).findings
    ]


def change_while_read(path: str) -> Verdict:
    """Return what a file holds, and change the file meanwhile."""
    verdict = content(path)
    Path(path).write_text(verdict.text + "!", encoding="utf-8")
    return verdict


def dying(connection: object, memory_limit_bytes: int | None, preload: object) -> None:
    """Stand in for a worker that is dead before it is ready."""
    os._exit(7)
