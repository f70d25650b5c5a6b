"""The error that each format shows as an example in ``hinge-audit explain`` is what it says."""

from __future__ import annotations

import inspect
import io
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from audit.errors import FormatError
from audit.formats import formats
from audit.plugins import Format, Opened
from tests.formats.gltf_making import Making, hinge

PAGES = Path(__file__).parents[2] / "docs" / "formats"
SWAPS = {
    "acclaim": (b"boom 35.5", b"boom 4O"),
    "bvh": (b"30.0 0.0\n", b"3O.0 0.0\n"),
    "collada": (b"rotateX.ANGLE", b"rotateW.ANGLE"),
    "csv": (b"35.5", b'"35,5"'),
    "usd": (b", (0.8, 0, 0, 0.6)]", b"]"),
}


def damaged(each: Format) -> Opened:
    """Return a format's sample with one fault in it."""
    sample = each.sample()
    if each.name == "gltf":
        making = hinge(Making())
        making.top["animations"][0]["samplers"][0]["input"] = making.accessor([1, 0.5])
        return Opened(making.glb(), "")
    if each.name == "parquet":
        return Opened(without_a_number(sample.data), "")
    old, new = SWAPS[each.name]
    # The last place: in a BVH and a motion that is the last row.
    head, found, tail = sample.data.rpartition(old)
    assert found
    return replace(sample, data=head + new + tail)


def without_a_number(data: bytes) -> bytes:
    import pyarrow as pa
    import pyarrow.parquet as pq

    table = pq.read_table(io.BytesIO(data))
    numbers = table["w"].to_pylist()
    numbers[1] = float("nan")
    place = table.column_names.index("w")
    target = io.BytesIO()
    pq.write_table(table.set_column(place, "w", pa.array(numbers, pa.float64())), target)
    return target.getvalue()


def example_of(each: Format) -> str:
    """Return the example in a format's text: the lines that are indented once more."""
    page = inspect.getdoc(sys.modules[each.read.__module__]) or ""
    return " ".join(line.strip() for line in page.splitlines() if line.startswith("        "))


every_format = pytest.mark.parametrize("each", formats().values(), ids=lambda each: each.name)


@every_format
def test_the_example_is_what_the_error_says(each: Format) -> None:
    example = example_of(each)
    path = example.partition(":")[0]
    assert path.startswith("takes/")
    assert path.endswith(each.suffixes)
    with pytest.raises(FormatError) as caught:
        each.read(replace(damaged(each), path=path))
    assert str(caught.value) == example


@every_format
def test_text_and_page_say_what_is_read_kept_and_refused(each: Format) -> None:
    text = inspect.getdoc(sys.modules[each.read.__module__]) or ""
    page = (PAGES / f"{each.name}.md").read_text(encoding="utf-8")
    for heading in ("What is read", "What is kept", "What is refused"):
        assert f"\n{heading}\n" in text
        assert f"\n## {heading}\n" in page
    refused = page.partition("\n## What is refused\n")[2]
    assert "```text" in refused
