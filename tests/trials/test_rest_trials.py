"""Rigs broken in known ways: is every fault found, at its joint and with its amount, and nothing else?

Seeded. The fast run takes a share of the rigs, the slow one all. Nothing was tuned on the seeds used here.
Print the figures with ``pytest -s``.
"""

from __future__ import annotations

from collections import Counter

import pytest

from tests.unit.rest.bodies import clean_rig
from tests.unit.rest.breaking import Broken
from tests.unit.rest.faults import ALL
from tests.unit.rest.judging import broken_by, broken_often, findings_on, judge

FIRST = 5000
"""Of the seeds."""

kinds = pytest.mark.parametrize("kind", range(len(ALL)), ids=[fault.__name__ for fault in ALL])


def assert_clean(seeds: range) -> None:
    """Assert that clean rigs have nothing to fix, with a skin and without."""
    seen: set[tuple[str, str, str, float]] = set()
    for seed in seeds:
        kind, rig = clean_rig(seed)
        seen.add((kind, rig.up, rig.forward, rig.unit_to_m))
        for skin in (False, True):
            said = findings_on(rig, Broken(rig, whole_skin=skin))
            assert [each for each in said if each.severity == "fix"] == [], (kind, seed)
    assert {kind for kind, *_ in seen} == {"human", "four-legged", "bird", "machine"}
    assert len({(up, forward) for _, up, forward, _ in seen}) == 3
    assert len({unit for *_, unit in seen}) == 4


def test_fifty_clean_rigs_have_nothing_to_fix() -> None:
    assert_clean(range(FIRST, FIRST + 50))


@pytest.mark.slow
def test_four_hundred_clean_rigs_have_nothing_to_fix() -> None:
    assert_clean(range(FIRST + 50, FIRST + 450))


def assert_found_alone(kind: int, seeds: range) -> int:
    """Assert that rigs broken in one way get that finding and no other; return how many there were."""
    count = 0
    for seed in seeds:
        broken = broken_by(kind, seed)
        if broken is None:
            continue
        count += 1
        verdict = judge(broken)
        assert verdict.missed == [], (seed, verdict.findings)
        assert verdict.false == [], (seed, broken.faults)
    return count


@kinds
def test_one_fault_is_found_and_nothing_else(kind: int) -> None:
    assert assert_found_alone(kind, range(FIRST, FIRST + 16)) >= 3


@pytest.mark.slow
@kinds
def test_one_fault_is_found_and_nothing_else_on_many_rigs(kind: int) -> None:
    assert assert_found_alone(kind, range(FIRST + 16, FIRST + 136)) >= 25


def rates(seeds: range, *, apart: bool = True) -> tuple[float, float]:
    """Return the share of faults that are found, and the share of findings that are false."""
    faults, missed, found, false = 0, 0, 0, 0
    kinds_missed: Counter[str] = Counter()
    for seed in seeds:
        verdict = judge(broken_often(seed, apart=apart))
        faults += verdict.faults
        missed += len(verdict.missed)
        found += len(verdict.findings)
        false += len(verdict.false)
        kinds_missed.update(fault.check for fault in verdict.missed)
    print(
        f"\n{len(seeds)} rigs, {faults} faults, {missed} missed {dict(kinds_missed)}, "
        f"{found} findings, {false} false"
    )
    assert faults > 2 * len(seeds)
    return 1.0 - missed / faults, false / found


def test_several_faults_are_found() -> None:
    found, false = rates(range(FIRST, FIRST + 24))
    assert found >= 0.98
    assert false <= 0.02


@pytest.mark.slow
def test_several_faults_are_found_on_many_rigs() -> None:
    found, false = rates(range(FIRST + 24, FIRST + 424))
    assert found >= 0.98
    assert false <= 0.02


@pytest.mark.slow
def test_faults_at_neighbouring_joints_are_mostly_found() -> None:
    """Two faults side by side can hide each other; nothing was promised for them."""
    found, false = rates(range(FIRST, FIRST + 200), apart=False)
    assert found >= 0.97
    assert false <= 0.05


def test_a_fault_that_was_not_made_would_be_missed() -> None:
    """The judge can fail: the same faults, held against the rig before it was broken, are all missed."""
    broken = broken_often(FIRST)
    _, clean = clean_rig(FIRST)
    verdict = judge(Broken(clean, broken.faults))
    assert len(verdict.missed) == len(broken.faults) > 0
