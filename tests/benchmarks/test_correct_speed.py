"""How fast a long GLB is corrected, read back and proven, against merely reading it with json and numpy.

Run by hand, since the figures depend on the machine::

    python -m pytest tests/benchmarks/test_correct_speed.py --benchmark-only -o addopts=""

61 joints, 4,000 frames. The goal, under 20 times the yardstick within one run, is printed by the last benchmark
and written into its ``extra_info``, and fails nothing. The yardstick takes the arrays out of the file and does
nothing with them.
"""

from __future__ import annotations

import statistics
import time
from pathlib import Path

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from audit.correction import CorrectedFile, correct_file
from audit.pipeline import read, turned
from audit.reorient import deviation
from tests.benchmarks.correcting import (
    FRAMES,
    JOINTS,
    long_glb,
    read_with_json_and_numpy,
    twisted,
)

ROUNDS = 11
GOAL = 20.0


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("speed") / "long.glb"
    file.write_bytes(long_glb())
    return file


def correct(path: Path) -> CorrectedFile:
    return correct_file(path, twisted(), path.parent / "out", replace=True, measured=False)


def test_the_yardstick(benchmark: BenchmarkFixture, path: Path) -> None:
    found = benchmark.pedantic(  # type: ignore[no-untyped-call]
        read_with_json_and_numpy, args=(path,), rounds=ROUNDS, warmup_rounds=2
    )
    assert {kind: each.shape for kind, each in found.items()} == {
        "SCALAR": (FRAMES, 1),
        "VEC3": (FRAMES, 3),
        "VEC4": (FRAMES * JOINTS, 4),
    }
    tracks = read(path).tracks
    assert tracks is not None
    keys = [track.values for track in tracks.rotations if track is not None]
    np.testing.assert_allclose(found["VEC4"], np.concatenate(keys), atol=1e-6)


def test_the_proof_alone(benchmark: BenchmarkFixture, path: Path) -> None:
    shot = read(path)
    after = turned(shot, twisted()).shot
    found = benchmark.pedantic(  # type: ignore[no-untyped-call]
        deviation, args=(shot, after), rounds=ROUNDS, warmup_rounds=2
    )
    assert found.times == 2 * FRAMES - 1
    assert found.share_of_height < 1e-12


def test_corrected_read_back_and_proven(
    benchmark: BenchmarkFixture, path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ours: list[float] = []
    theirs: list[float] = []
    # In turns and in processor time, so that a busy machine weighs on both alike; the first does not count.
    for _ in range(ROUNDS + 1):
        for taken, call in ((theirs, read_with_json_and_numpy), (ours, correct)):
            start = time.process_time()
            call(path)
            taken.append(time.process_time() - start)
    yardstick, whole = (statistics.median(each[1:]) for each in (theirs, ours))
    benchmark.extra_info.update(
        {
            "yardstick_ms": round(1e3 * yardstick, 2),
            "corrected_ms": round(1e3 * whole, 1),
            "ratio": round(whole / yardstick, 1),
        }
    )
    with capsys.disabled():
        print(f"\n{path.stat().st_size / 1e6:.1f} MB, {JOINTS} joints x {FRAMES} frames")
        print(f"  json and numpy read it in      {1e3 * yardstick:8.2f} ms")
        print(f"  corrected, read back, proven   {1e3 * whole:8.1f} ms  {whole / yardstick:.0f} x")
        print(f"  goal {GOAL:g} x: {'met' if whole / yardstick <= GOAL else 'not met'}")
    done = benchmark.pedantic(correct, args=(path,), rounds=ROUNDS, warmup_rounds=1)  # type: ignore[no-untyped-call]
    (shot,) = done.shots
    assert len(done.entry["turned"]) == JOINTS
    assert shot.found.times == 2 * FRAMES - 1
    assert shot.found.share_of_height < 1e-6
