"""Packed results come back as they were, and nothing else ever comes out of packed bytes."""

from __future__ import annotations

import hashlib
import os
import pickle
import zlib
from pathlib import Path

import pytest

from audit.batch import Packing
from audit.batch.packing import MAGIC
from tests.unit.batch.tasks import Verdict

PACKING = Packing((Verdict,))


@pytest.mark.parametrize(
    "value",
    [
        Verdict("a/b.bvh", "é\udc80"),
        [
            None,
            True,
            1,
            -1.5e-300,
            float("inf"),
            b"\0",
            "x",
            (1, 2),
            {"a": {1, 2}},
            frozenset("ab"),
        ],
        {"nested": [Verdict(str(number), "t") for number in range(100)]},
    ],
)
def test_values_come_back(value: object) -> None:
    assert PACKING.unpack(PACKING.pack(value)) == value


def test_a_value_of_another_class_is_a_fault_of_the_program() -> None:
    with pytest.raises(TypeError, match="Verdict is not one of the classes"):
        Packing().pack(Verdict("a", "b"))


class _Evil:
    def __init__(self, mark: Path) -> None:
        self.mark = mark

    def __reduce__(self) -> tuple[object, ...]:
        return (os.mkdir, (str(self.mark),))


def test_nothing_is_called_that_a_stranger_put_in(tmp_path: Path) -> None:
    mark = tmp_path / "mark"
    evil = zlib.compress(pickle.dumps(_Evil(mark)))
    assert isinstance(pickle.loads(zlib.decompress(evil)), type(None))
    assert mark.exists()  # so the trap works
    mark.rmdir()
    with pytest.raises(ValueError, match="mkdir is not one of the classes"):
        PACKING.unpack(MAGIC + hashlib.sha256(evil).digest() + evil)
    assert not mark.exists()


def test_damage_is_seen() -> None:
    good = PACKING.pack(["some", "result"] * 20)
    for place in range(len(good)):
        bad = bytearray(good)
        bad[place] ^= 1
        with pytest.raises(ValueError, match="packed result"):
            PACKING.unpack(bytes(bad))
    for length in range(len(good)):
        with pytest.raises(ValueError, match="not a whole"):
            PACKING.unpack(good[:length])
