"""Forty held-out rigs in three formats, from a file alone to a corrected file, played by others.

The short run of the same, with what the rigs are, stands in ``tests/external/test_correct_outside.py``.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from audit.conventions import ORDERS
from tests.external.held_out import as_bvh, as_glb, as_usd, held_out
from tests.external.test_correct_outside import (
    TestBvh as Bvh,
)
from tests.external.test_correct_outside import (
    TestGlb as Glb,
)
from tests.external.test_correct_outside import (
    TestUsd as Usd,
)
from tests.external.test_correct_outside import (
    assert_on_one_channel,
    assert_unmoved,
    corrected,
)

RIGS = range(10, 50)


@pytest.mark.slow
def test_bvh(tmp_path: Path) -> None:
    """A hinge that was on one channel by luck is excused; there may be one in a hundred."""
    hinges = excused = 0
    for seed in RIGS:
        rig = held_out(seed, plain=True)
        (tmp_path / str(seed)).mkdir()
        path = as_bvh(rig, tmp_path / str(seed) / "rig.bvh")
        done = corrected(rig, path)
        assert_unmoved(Bvh.played(path)[1], Bvh.played(done.path)[1])
        excused += assert_on_one_channel(rig, done)
        hinges += len(rig.hinges)
    print(f"BVH: {hinges} hinges, {excused} excused")
    assert hinges > 300
    assert excused <= hinges // 100


@pytest.mark.slow
def test_glb(tmp_path: Path) -> None:
    for seed in RIGS:
        rig = held_out(seed, plain=False)
        (tmp_path / str(seed)).mkdir()
        path = as_glb(rig, tmp_path / str(seed) / "rig.glb")
        done = corrected(rig, path)
        assert_unmoved(Glb.played(path, rig), Glb.played(done.path, rig))
        assert assert_on_one_channel(rig, done) == 0


@pytest.mark.slow
def test_usd(tmp_path: Path) -> None:
    pytest.importorskip("pxr", reason="the package usd-core is not installed")
    for seed in RIGS:
        rig = held_out(seed, plain=False)
        (tmp_path / str(seed)).mkdir()
        path = as_usd(rig, tmp_path / str(seed) / "rig.usdc")
        done = corrected(rig, path)
        assert_unmoved(Usd.played(path)[1], Usd.played(done.path)[1])
        assert assert_on_one_channel(rig, done) == 0


@pytest.mark.slow
def test_rigs_cover_what_they_are_said_to_cover() -> None:
    """15 to 40 joints, hinges and others, branches, all orders, limbs beside a principal axis, constants."""
    rigs = [held_out(seed, plain=seed % 2 == 0) for seed in RIGS]
    counts = [len(rig.names) for rig in rigs]
    assert min(counts) < 20
    assert max(counts) > 35
    assert {order for rig in rigs for order in rig.orders} == set(ORDERS)
    assert all(len(rig.parents) - len(set(rig.parents)) > 0 for rig in rigs)
    beside = constants = 0
    for rig in rigs:
        for joint in rig.hinges:
            child = rig.parents.index(joint)
            limb = rig.offsets[child] / np.linalg.norm(rig.offsets[child])
            beside += float(np.max(np.abs(limb))) < np.cos(np.deg2rad(1.9))
            vectors = rig.away[joint].as_rotvec()
            flat = np.linalg.svd(vectors, compute_uv=False)
            constants += flat[1] > 1e-6 * flat[0]
    assert beside > 50
    assert constants > 100
