"""The lines of keys, on TOML that is hard to read, held against the standard library's own reading."""

from __future__ import annotations

import json
import tomllib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.policy.lines import Place, key_lines


def places(value: Any, place: Place = ()) -> set[Place]:
    """Return all places in what ``tomllib`` read."""
    found = {place} if place else set()
    if isinstance(value, dict):
        found |= {each for key in value for each in places(value[key], (*place, key))}
    if isinstance(value, list):
        found |= {each for n, item in enumerate(value) for each in places(item, (*place, n))}
    return found


AWKWARD = """\
# comment with [brackets] and = signs
fail_on = "fix" # trailing
'literal key' = 1
"quoted \\"key\\" = x" = 2
"caf\\u00e9".inner = 3
a.b . "c.d" = 4
inline = { x = 1, y.z = "}", 'q,r' = [1, 2] }
text = \"\"\"
[not.a.table]
key = "not a key" \\"\"\" still text
\"\"\"\"
raw = '''
[[neither]]
it''s = 1
'''
many = [
  1, # one
  [2, 3],
  { deep = "]" },

  "#",
]
day = 2026-01-01 10:00:00

[checks.twist]
offset = 1.0

[[joints]]
match = "a"
checks.twist.offset = 3.0

[joints.checks.gimbal]
margin = 2

[[joints]]
match = ["b",
  "c"]
  [joints.checks."odd name"]
  value = inf

[[joints.under]]
one = 1
[[joints.under]]
one = 2

[ spaced . "header" ]
x = 1
"""


def line_of(text: str, needle: str) -> int:
    """Return the line of the only place where something stands."""
    assert text.count(needle) == 1
    return text[: text.index(needle)].count("\n") + 1


def test_every_place_of_an_awkward_file_has_a_line() -> None:
    lines = key_lines(AWKWARD)
    assert set(lines) == places(tomllib.loads(AWKWARD))


@pytest.mark.parametrize(
    ("place", "needle"),
    [
        (("fail_on",), "fail_on"),
        (("literal key",), "'literal key'"),
        (('quoted "key" = x',), '"quoted'),
        (("café", "inner"), '"caf'),
        (("a", "b", "c.d"), "a.b ."),
        (("inline", "y", "z"), "y.z"),
        (("many", 1), "[2, 3]"),
        (("many", 2, "deep"), "deep"),
        (("many", 3), '"#",'),
        (("day",), "day ="),
        (("joints", 0, "checks", "twist", "offset"), "checks.twist.offset"),
        (("joints", 0, "checks", "gimbal", "margin"), "margin"),
        (("joints", 1, "match"), 'match = ["b"'),
        (("joints", 1, "match", 1), '"c"]'),
        (("joints", 1, "checks", "odd name", "value"), "value = inf"),
        (("joints", 1, "under", 1, "one"), "one = 2"),
        (("spaced", "header", "x"), "x = 1\n"),
    ],
)
def test_the_line_is_where_the_key_stands(place: Place, needle: str) -> None:
    text = AWKWARD if needle != "x = 1\n" else AWKWARD.replace("{ x = 1,", "{ x =1,")
    assert key_lines(text)[place] == line_of(text, needle)


def test_a_table_of_an_array_begins_at_its_own_header() -> None:
    text = "\n[[w]]\na = 1\n\n[[w]]\na = 2\n"
    assert [key_lines(text)["w", number] for number in (0, 1)] == [2, 5]


@pytest.mark.parametrize("text", ["a = ", "[a", "= 1", '"a', "a = [1,", "]", "a = {b"])
def test_what_is_no_toml_ends_the_search_quietly(text: str) -> None:
    assert isinstance(key_lines("first = 1\n" + text), dict)
    assert key_lines("first = 1\n" + text)["first",] == 1


scalars = st.one_of(st.integers(-9, 9), st.booleans(), st.text(max_size=6))
values = st.recursive(
    scalars,
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3)
    ),
    max_leaves=8,
)
headed = st.dictionaries(
    st.text(max_size=4), st.dictionaries(st.text(max_size=4), values, max_size=3), max_size=4
)


def quoted(text: str) -> str:
    """Return a text as a basic string of TOML, which JSON's strings are but for the delete character."""
    plain = "".join(each for each in text if not 0xD800 <= ord(each) <= 0xDFFF)
    return json.dumps(plain, ensure_ascii=False).replace("\x7f", "\\u007f")


def written(value: Any, draw: Any) -> str:
    """Return a value as TOML, with line breaks and comments where they may stand."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int):
        return str(value)
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, list):
        gap = draw(st.sampled_from(["", "\n  ", " # ] = [\n"]))
        return "[" + "".join(f"{gap}{written(each, draw)}{gap}," for each in value) + gap + "]"
    pairs = (f"{quoted(key)} = {written(each, draw)}" for key, each in value.items())
    return "{ " + ", ".join(pairs) + " }"


@given(st.data(), headed)
def test_places_are_those_of_the_standard_library(data: st.DataObject, content: Any) -> None:
    text, starts = "", {}
    for table, entries in content.items():
        text += f"\n[{quoted(table)}]\n"
        for key, value in entries.items():
            starts[table, key] = text.count("\n") + 1
            text += f"{quoted(key)} = {written(value, data.draw)}\n"
    lines = key_lines(text)
    assert set(lines) == places(tomllib.loads(text))
    for place, line in starts.items():
        assert lines[place] == line
