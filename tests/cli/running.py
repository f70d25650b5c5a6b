"""The command line run inside the tests' own process, exit code and streams as a script meets them."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass

import pytest

from audit.cli.main import run


@dataclass(frozen=True)
class Done:
    """What a run left behind."""

    code: int
    out: str
    err: str


Command = Callable[..., Done]


@pytest.fixture
def hinge_audit(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Command:
    """Return a function that runs the command; a process of its own would take a second each time."""

    def call(*words: object) -> Done:
        monkeypatch.setattr(sys, "argv", ["hinge-audit", *map(str, words)])
        capsys.readouterr()
        with pytest.raises(SystemExit) as ending:
            run()
        out, err = capsys.readouterr()
        assert isinstance(ending.value.code, int)
        return Done(ending.value.code, out, err)

    return call
