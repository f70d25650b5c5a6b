"""Errors say which file, where in it, and what to do; and keep saying so between processes."""

from __future__ import annotations

import copy
import pickle
from pathlib import Path

import pytest

from audit.errors import (
    AuditError,
    FormatError,
    InputError,
    OutputError,
    ShapeError,
    UnknownFormatError,
    UsageError,
)


def family(kind: type[AuditError]) -> list[type[AuditError]]:
    """Return a class of errors and all below it."""
    below = [each for child in kind.__subclasses__() for each in family(child)]
    return [kind, *below]


KINDS = family(AuditError)


def test_the_whole_tree_was_found() -> None:
    known = {UsageError, InputError, FormatError, UnknownFormatError, OutputError, ShapeError}
    assert known <= set(KINDS)


@pytest.mark.parametrize(
    ("kind", "code"),
    [
        (AuditError, 70),
        (UsageError, 2),
        (InputError, 3),
        (FormatError, 3),
        (UnknownFormatError, 3),
        (OutputError, 3),
        (ShapeError, 3),
    ],
)
def test_exit_codes(kind: type[AuditError], code: int) -> None:
    assert kind.exit_code == code


@pytest.mark.parametrize("kind", KINDS)
def test_everyone_who_knows_the_usual_errors_can_catch_them(kind: type[AuditError]) -> None:
    assert kind is AuditError or issubclass(kind, (ValueError, RuntimeError))


@pytest.mark.parametrize(
    ("fields", "text"),
    [
        ({}, "it broke"),
        ({"path": "a.bvh"}, "a.bvh: it broke"),
        ({"path": Path("a.bvh"), "where": "line 3"}, "a.bvh: line 3: it broke"),
        ({"where": "line 3"}, "line 3: it broke"),
        ({"hint": "Mend it"}, "it broke. Mend it"),
        (
            {"path": "a.bvh", "where": "line 3", "hint": "Mend it"},
            "a.bvh: line 3: it broke. Mend it",
        ),
    ],
)
def test_the_text(fields: dict[str, str], text: str) -> None:
    assert str(FormatError("it broke", **fields)) == text


@pytest.mark.parametrize("kind", KINDS)
def test_all_fields_survive_the_way_between_processes(kind: type[AuditError]) -> None:
    error = kind("it broke", path=Path("x/a.bvh"), where="line 3", hint="Mend it")
    for again in (pickle.loads(pickle.dumps(error)), copy.copy(error), copy.deepcopy(error)):
        assert type(again) is kind
        assert (again.cause, again.path, again.where, again.hint) == (
            "it broke",
            str(Path("x/a.bvh")),
            "line 3",
            "Mend it",
        )
        assert str(again) == str(error)
        assert again.exit_code == error.exit_code


def test_what_is_not_known_is_none() -> None:
    error = AuditError("it broke")
    assert (error.path, error.where, error.hint) == (None, None, None)
