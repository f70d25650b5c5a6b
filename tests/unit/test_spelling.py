"""Numbers as words of a text file."""

from __future__ import annotations

import pytest

from audit.errors import FormatError
from audit.spelling import number_from


@pytest.mark.parametrize("text", ["12.5", "5.", ".5", "+5", "-1e-3", "1E5"])
def test_numbers(text: str) -> None:
    assert number_from(text, "a", "line 1") == float(text)


@pytest.mark.parametrize(
    ("text", "cause", "hint"),
    [
        ("1e999", "'1e999' is too large for a number", "Correct the number"),
        ("101", "'101' is too large for a number", "Correct the number"),
        ("-nan(ind)", "'-nan(ind)' is not a finite number", "The program that wrote the file"),
        ("1.#IND", "'1.#IND' is not a finite number", "The program that wrote the file"),
        ("1,5", "'1,5' is not a number", "Write the decimals after a point, not a comma"),
        ("3O", "'3O' is not a number", "Only numbers such as 12.5 or -1e-3 may stand there!"),
        ("1_000", "'1_000' is not a number", "Only numbers"),
        ("\u0663", "'\u0663' is not a number", "Only numbers"),
        ("x" * 50, f"'{'x' * 37}...' is not a number", "Only numbers"),
    ],
)
def test_words_that_are_none(text: str, cause: str, hint: str) -> None:
    with pytest.raises(FormatError) as caught:
        number_from(text, "a.txt", "line 7", largest=100.0, remark="!")
    assert (caught.value.cause, caught.value.path, caught.value.where) == (
        cause,
        "a.txt",
        "line 7",
    )
    assert caught.value.hint is not None
    assert caught.value.hint.startswith(hint)
