"""Measure how fast many shots are checked, and write its part of ``docs/performance.md``.

    python -m tests.benchmarks.gate           about six minutes on an idle machine
    python -m tests.benchmarks.gate --small   a tenth of the shots, for a look; writes nothing

Each figure comes from a process of its own, so that start-up and peak memory are those of a real run. Runs with
one and with two workers take turns, because a machine that others use as well is never the same twice.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import statistics
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack
from importlib import import_module
from pathlib import Path
from typing import Any

BEGUN = time.perf_counter()

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "docs" / "performance.md"
HEADING = "## Checking many shots"

SHOTS, JOINTS, FRAMES, HINGES = 2000, 61, 240, 30
SMALL_JOINTS, SMALL_FRAMES = 6, 24
GROWTH = (100, 1000, 10_000)
DIFFERENT = 25
"""So many different shots are made; the others are copies, under names of their own."""

Row = dict[str, Any]


class _Hashing:
    """Where results go to be compared: a digest of all bytes."""

    def __init__(self) -> None:
        self.whole = hashlib.sha256()

    def write(self, data: bytes, /) -> None:
        """Take bytes in."""
        self.whole.update(data)


class _First:
    """Notes when the first file was done."""

    at = 0.0

    def __call__(self, _: object) -> None:
        """Note it."""
        self.at = self.at or time.perf_counter()


def peak_mib() -> float:
    """Return the peak memory of this process.

    Not ``ru_maxrss``: Linux hands that of the process that started this one on, so it is never below that.
    """
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return float(status.partition("VmHWM:")[2].split()[0]) / 1024.0


def one_run(asked: argparse.Namespace) -> Row:
    """Check all shots of a folder as the command does it, and return what that took."""
    from audit.batch import Gate, Ways, cluster_executor
    from audit.gate import HeldPolicies, Options, collect, output_formats

    imported = time.perf_counter()
    paths = sorted(str(path) for path in asked.folder.iterdir())
    options = Options()
    policies = HeldPolicies(options)
    policies.read(paths)
    gate = Gate(options, policies, asked.cache)
    sink, arrived = _Hashing(), _First()
    with ExitStack() as stack:
        executor = stack.enter_context(cluster_executor(asked.cluster)) if asked.cluster else None
        start = time.perf_counter()
        ways = Ways(asked.workers, executor=executor)
        run = collect(
            gate.verdicts(paths, ways, cache=gate.cache()),
            writers=[output_formats()["json"].writer(sink)],
            progress=arrived,
        )
        end = time.perf_counter()
    if run.unreadable or run.faults:
        raise RuntimeError("; ".join(run.because))
    return {
        "shots": len(paths),
        "findings": run.findings.total(),
        "seconds": end - start,
        "with_start": end - BEGUN,
        "imports": imported - BEGUN,
        "first": arrived.at - start,
        "peak_mib": peak_mib(),
        "digest": sink.whole.hexdigest(),
    }


def measured(folder: Path, **options: object) -> Row:
    """Return what a run in a process of its own took."""
    words = [f"--{name}={value}" for name, value in options.items()]
    command = [sys.executable, "-m", "tests.benchmarks.gate", f"--folder={folder}", *words]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(done.stderr)
    row: Row = json.loads(done.stdout)
    shown = {name: value for name, value in row.items() if name != "digest"}
    print(f"  {options}: {shown}", flush=True)
    return row


def made(folder: Path, count: int, joints: int, frames: int) -> Path:
    """Make a folder of shots."""
    from audit.formats.bvh import write
    from tests.benchmarks.figures import made_shot

    folder.mkdir()
    files = [write(made_shot(joints, frames, joints // 2, seed=seed)) for seed in range(DIFFERENT)]
    for number in range(count):
        (folder / f"shot{number:05}.bvh").write_bytes(files[number % DIFFERENT])
    return folder


def speed(root: Path, shots: int, rounds: int) -> list[str]:
    """Return the table of workers, cluster and cache."""
    folder = made(root / "shots", shots, JOINTS, FRAMES)
    rows: dict[str, list[Row]] = {}
    for number in range(rounds):
        rows.setdefault("1 worker", []).append(measured(folder, workers=1))
        rows.setdefault("2 workers", []).append(measured(folder, workers=2))
        if number == 0:
            rows["Dask, 2 workers of this machine"] = [through_dask(folder)]
        store = root / f"cache{number}"
        first = measured(folder, workers=2, cache=store)
        rows.setdefault("2 workers, filling the cache", []).append(first)
        again = measured(folder, workers=2, cache=store)
        rows.setdefault("again, nothing changed", []).append(again)
    if len({row["digest"] for each in rows.values() for row in each}) != 1:
        raise RuntimeError("the results differ between the ways to get them")
    middle = {
        name: statistics.median(row["with_start"] for row in each) for name, each in rows.items()
    }
    one, filling = middle["1 worker"], middle["2 workers, filling the cache"]
    size = sum(path.stat().st_size for path in folder.iterdir()) / shots
    kept = sum(path.stat().st_size for path in (root / "cache0").rglob("*.entry")) / shots
    lines = [
        f"{shots:,} shots of {JOINTS} joints × {FRAMES} frames, {size / 1e3:.0f} kB each: read, measured, and "
        f"all checks. Median of {rounds} runs, each in a fresh process, start-up included.",
        "",
        "| way | time | a shot | as fast as 1 worker | start-up of it |",
        "| --- | --- | --- | --- | --- |",
    ]
    for name, taken in middle.items():
        start = statistics.median(row["imports"] + row["first"] for row in rows[name])
        lines.append(
            f"| {name} | {taken:.1f} s | {taken / shots * 1e3:.2f} ms | {one / taken:.2f} × | {start:.1f} s |"
        )
    again_s = middle["again, nothing changed"]
    lines += [
        "",
        f"The second run is {filling / again_s:.1f} times as fast as the one that filled the cache; a cached "
        f"result takes {kept / 1e3:.1f} kB. All ways give the same results, byte by byte.",
    ]
    return lines


def through_dask(folder: Path) -> Row:
    """Return what a run through a cluster of this machine took; the cluster is there before."""
    local_cluster: Any = import_module("distributed").LocalCluster
    with local_cluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0"
    ) as cluster:
        return measured(folder, cluster=cluster.scheduler_address)


def growth(root: Path, counts: tuple[int, ...]) -> list[str]:
    """Return the table of time and memory over the number of shots."""
    lines = [
        f"Growth, with small shots ({SMALL_JOINTS} joints × {SMALL_FRAMES} frames), so that what is measured "
        "is the handling; 2 workers:",
        "",
        "| shots | time without start-up | a shot | peak memory of the parent |",
        "| --- | --- | --- | --- |",
    ]
    peaks = []
    for count in counts:
        folder = made(root / f"small{count}", count, SMALL_JOINTS, SMALL_FRAMES)
        row = measured(folder, workers=2)
        taken = row["seconds"] - row["first"]
        peaks.append(row["peak_mib"])
        lines.append(
            f"| {count:,} | {taken:.1f} s | {taken / count * 1e3:.2f} ms | {peaks[-1]:.0f} MiB |"
        )
    lines += [
        "",
        f"The last peak is {100.0 * (peaks[-1] / peaks[-2] - 1.0):+.1f} % on the one before.",
    ]
    return lines


def put_into(page: Path, lines: list[str]) -> None:
    """Put a part into a page, in place of an earlier one."""
    text = page.read_text(encoding="utf-8") if page.exists() else "# Performance\n"
    before, found, rest = text.partition(HEADING + "\n")
    after = rest.partition("\n## ") if found else ("", "", "")
    end = f"\n## {after[2]}" if after[1] else ""
    part = "\n".join([HEADING, "", *lines]) + "\n"
    page.write_text(before.rstrip("\n") + "\n\n" + part + end, encoding="utf-8")


def main() -> None:
    """Measure, and write the part of the page."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--small", action="store_true", help="a tenth of the shots; writes nothing")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument(
        "--folder", type=Path, help="check one folder, print figures as JSON, and stop"
    )
    parser.add_argument("--workers", type=int, default=None)
    parser.add_argument("--cache", type=Path)
    parser.add_argument("--cluster")
    asked = parser.parse_args()
    if asked.folder:
        print(json.dumps(one_run(asked)))
        return
    from tests.benchmarks.figures import machine

    share = 10 if asked.small else 1
    with tempfile.TemporaryDirectory() as temporary:
        root = Path(temporary)
        lines = [
            f"Made by `python -m tests.benchmarks.gate`. Measured on: {machine()}.",
            "",
            *speed(root, SHOTS // share, asked.rounds),
            "",
            *growth(root, tuple(count // share for count in GROWTH)),
        ]
    print("\n".join(lines))
    if not asked.small:
        put_into(PAGE, lines)


if __name__ == "__main__":
    main()
