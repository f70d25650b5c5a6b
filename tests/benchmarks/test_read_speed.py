"""How fast BVH is read and written: a shot of 5000 frames and 186 channels, against readers from the index.

Run by hand, since the figures depend on the machine::

    python -m pytest tests/benchmarks --benchmark-only -o addopts=""

The goal, five times as fast as the fastest other reader, is a ratio within one run; it is printed by the last
benchmark and written into its ``extra_info``, and fails nothing.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from audit.formats.bvh import read, write
from audit.model import Shot

FRAMES, JOINTS = 5000, 61
ROUNDS = 11
GOAL = 5.0


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A made-up file of 9.4 MB: a random walk on every channel, six decimals, in three limbs."""
    rng = np.random.default_rng(1)
    lines = ["HIERARCHY"]
    for joint in range(JOINTS):
        if joint and joint % 20 == 1:
            lines += ["}"] * (19 if joint > 1 else 0)
        head = "CHANNELS 3" if joint else "CHANNELS 6 Xposition Yposition Zposition"
        lines += [f"{'JOINT' if joint else 'ROOT'} Joint_{joint}", "{", "OFFSET 0.0 1.5 0.25"]
        lines += [f"{head} Zrotation Xrotation Yrotation"]
        if joint % 20 == 0 and joint:
            lines += ["End Site", "{", "OFFSET 0.0 1.0 0.0", "}", "}"]
    lines += ["}"] * 20
    values = np.clip(np.cumsum(rng.normal(size=(FRAMES, 3 + 3 * JOINTS)), axis=0), -180.0, 180.0)
    rows = [" ".join(f"{value:.6f}" for value in row) for row in values]
    lines += ["MOTION", f"Frames: {FRAMES}", "Frame Time: 0.0083333", *rows]
    file = tmp_path_factory.mktemp("speed") / "shot.bvh"
    file.write_text("\n".join(lines) + "\n")
    return file


def read_here(path: Path) -> Shot:
    """Read the whole file as the command line does, hash included."""
    return read(path.read_bytes(), str(path))


def other_readers() -> dict[str, Callable[[Path], object]]:
    """Return the other readers that are installed."""
    readers: dict[str, Callable[[Path], object]] = {}
    if find_spec("pybvh"):
        pybvh = import_module("pybvh")
        readers["pybvh"] = lambda path: pybvh.read_bvh_file(path, world_up="+y")
    if find_spec("bvh"):
        bvh = import_module("bvh")
        readers["bvh"] = lambda path: bvh.Bvh(path.read_text())
    return readers


def test_read(benchmark: BenchmarkFixture, path: Path) -> None:
    shot = benchmark.pedantic(read_here, args=(path,), rounds=ROUNDS, warmup_rounds=2)  # type: ignore[no-untyped-call]
    assert shot.channels is not None
    assert shot.channels.values.shape == (FRAMES, 3 + 3 * JOINTS)


def test_write(benchmark: BenchmarkFixture, path: Path) -> None:
    shot = read_here(path)
    data = benchmark.pedantic(write, args=(shot,), rounds=5, warmup_rounds=1)  # type: ignore[no-untyped-call]
    assert shot.channels is not None
    again = read(data, "a.bvh").channels
    assert again is not None
    assert np.array_equal(again.values, shot.channels.values)


def test_read_against_other_readers(
    benchmark: BenchmarkFixture, path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    others = other_readers()
    if not others:
        pytest.skip("no other reader of BVH is installed to compare with")
    calls = {"hinge-audit": read_here, **others}
    times: dict[str, list[float]] = {name: [] for name in calls}
    # In turns, so that a busy spell of the machine falls on all alike; the first round does not count.
    for _ in range(ROUNDS + 1):
        for name, call in calls.items():
            start = time.perf_counter()
            call(path)
            times[name].append(time.perf_counter() - start)
    medians = {name: statistics.median(each[1:]) for name, each in times.items()}
    ours = medians["hinge-audit"]
    benchmark.extra_info.update(
        {f"{name}_ms": round(1e3 * seconds, 2) for name, seconds in medians.items()}
    )
    with capsys.disabled():
        print(f"\n{path.stat().st_size / 1e6:.1f} MB, {FRAMES} frames x {3 + 3 * JOINTS} channels")
        for name, seconds in medians.items():
            print(f"  {name:12} {1e3 * seconds:8.1f} ms  {seconds / ours:6.1f} x")
        fastest = min(seconds for name, seconds in medians.items() if name != "hinge-audit")
        print(
            f"  goal {GOAL:g} x the fastest other: {'met' if fastest / ours >= GOAL else 'not met'}"
        )
    benchmark.pedantic(read_here, args=(path,), rounds=ROUNDS, warmup_rounds=1)  # type: ignore[no-untyped-call]
