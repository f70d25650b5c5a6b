"""Measure how fast hinge-audit is, and write ``docs/performance.md``: ``python -m tests.benchmarks.figures``.

Medians of several runs in one process, and ratios within that run, because single times say little on a
machine that others use as well.
"""

from __future__ import annotations

import os
import platform
import shutil
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from unittest import mock

import numpy as np
from scipy.spatial.transform import Rotation

from audit.correction import CorrectedFile, correct_file
from audit.formats.bvh import _rows, read, write
from audit.measures import keys as finding_keys
from audit.measures import measure_shot
from audit.model import Channels, Shot, Skeleton
from audit.pipeline import examine, read_all, turned
from audit.reorient import deviation
from audit.report import write_report
from audit.report.live.data import live_data
from audit.report.page import shot_page
from audit.report.views import shot_view
from tests.benchmarks.correcting import long_glb, read_with_json_and_numpy, twisted
from tests.browser.waiting import BROWSERS, FLAGS, TURN_THE_DIAL, live, until

ROOT = Path(__file__).resolve().parents[2]
JOINTS, FRAMES, HINGES = 61, 4000, 30


def made_shot(joints: int, frames: int, hinges: int, seed: int = 0) -> Shot:
    """Return a shot of smooth motion: hinges with secret twists first, then joints that move freely."""
    chance = np.random.default_rng(seed)
    times = np.arange(frames) / 60.0
    values = np.zeros((frames, 3 * joints + 3))
    values[:, -3:] = np.round(np.stack((times, np.sin(times), times**0.5), axis=1), 6)
    for joint in range(joints):
        rate, phase = chance.uniform(0.1, 0.8, (3, 3, 1)), chance.uniform(0.0, 6.0, (3, 3, 1))
        waves = np.sum(np.sin(2.0 * np.pi * rate * times + phase), axis=1) / 2.0
        if joint < hinges:
            twist = np.deg2rad(chance.uniform(-40.0, 40.0))
            axis = np.array([np.cos(twist), 0.0, -np.sin(twist)])
            bend = np.deg2rad(45.0 + 35.0 * waves[0])
            angles = Rotation.from_rotvec(bend[:, None] * axis).as_euler("ZXY", degrees=True)
        else:
            angles = 25.0 * waves.T
        values[:, 3 * joint : 3 * joint + 3] = np.round(angles, 6)
    skeleton = Skeleton.plain(
        [f"joint{place}" for place in range(joints)],
        list(range(-1, joints - 1)),
        np.tile([0.0, -1.0, 0.0], (joints, 1)),
        orders="ZXY",
    )
    columns = np.arange(3 * joints).reshape(joints, 3)[:, [1, 2, 0]]
    positions = np.full((joints, 3), -1)
    positions[0] = np.arange(3 * joints, 3 * joints + 3)
    channels = Channels(values, columns, positions)
    return Shot(skeleton, times, channels=channels)


def median_s(work: Callable[[], object], runs: int = 7) -> float:
    """Return the median time of a call in seconds, after one that does not count."""
    work()
    taken = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


def refuse_without_compiled_code() -> None:
    """Raise RuntimeError where the package was built without it: the figures would be another program's."""
    if _rows._plain_numbers is None or finding_keys._mark_keys is None:
        raise RuntimeError("hinge-audit was built without its compiled code; is there a compiler?")


def reading() -> list[str]:
    """Return the table of reading times against the BVH readers of the package index."""
    import bvh as plain_bvh
    import pybvh

    data = write(made_shot(62, 5000, 30))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "shot.bvh"
        path.write_bytes(data)
        ours = median_s(lambda: read(path.read_bytes(), str(path)))
        with mock.patch.object(_rows, "_plain_numbers", None):
            others = {
                "hinge-audit without its compiled reader": median_s(
                    lambda: read(path.read_bytes(), str(path))
                )
            }
        others |= {
            "pybvh 0.9": median_s(lambda: pybvh.read_bvh_file(path), 3),
            "bvh 0.3": median_s(lambda: plain_bvh.Bvh(path.read_text()).frames, 3),
        }
    if _rows._plain_numbers is None:
        raise RuntimeError(
            "hinge-audit was built without its compiled reader; is there a compiler?"
        )
    lines = [
        f"A file of {len(data) / 1e6:.1f} MB: 62 joints, 5,000 frames, 945,000 numbers.",
        "",
        "| reader | time | hinge-audit is |",
        "| --- | --- | --- |",
        f"| hinge-audit | {ours * 1e3:.0f} ms | |",
    ]
    lines += [
        f"| {name} | {taken * 1e3:.0f} ms | {taken / ours:.1f} times as fast |"
        for name, taken in others.items()
    ]
    return lines


def measuring() -> list[str]:
    """Return the table of measuring times against merely converting the same keys."""
    shot = made_shot(JOINTS, FRAMES, HINGES)
    if shot.channels is None:
        raise TypeError("the made shot has channels")
    angles = np.deg2rad(shot.channels.values[:, :-3]).reshape(-1, 3)
    ours = median_s(lambda: measure_shot(shot))
    with mock.patch.object(finding_keys, "_mark_keys", None):
        by_arrays = median_s(lambda: measure_shot(shot))
    converting = median_s(lambda: Rotation.from_euler("ZXY", angles).as_rotvec())
    lines = [
        f"A shot of {JOINTS} joints ({HINGES} of them hinges with bad twist) and {FRAMES:,} frames, all of it "
        "measured: curves, keys, intervals, predictions. The yardstick is scipy's `Rotation.from_euler` on an "
        "(n, 3) array, then `as_rotvec`, of the same keys, once.",
        "",
        "| work | time | ratio |",
        "| --- | --- | --- |",
        f"| measure the shot | {ours * 1e3:.0f} ms | {ours / converting:.2f} |",
        f"| the same without compiled code | {by_arrays * 1e3:.0f} ms | {by_arrays / converting:.2f} |",
        f"| convert its keys once with scipy | {converting * 1e3:.0f} ms | 1 |",
        "",
        "Growth, with half of the joints hinges:",
        "",
        "| joints × frames | keys | time | per key |",
        "| --- | --- | --- | --- |",
    ]
    for joints, frames in ((16, 500), (61, 500), (61, 4000), (200, 4000), (61, 32000)):
        grown = made_shot(joints, frames, joints // 2)
        taken = median_s(lambda grown=grown: measure_shot(grown), 5)
        keys = joints * frames
        lines.append(
            f"| {joints} × {frames:,} | {keys:,} | {taken * 1e3:.0f} ms | {taken / keys * 1e9:.0f} ns |"
        )
    return lines


def correcting() -> list[str]:
    """Return the table of correcting times against merely reading the same file."""
    with tempfile.TemporaryDirectory() as folder:
        path, out = Path(folder) / "long.glb", Path(folder) / "out"
        path.write_bytes(long_glb())
        size, sheet = path.stat().st_size, twisted()
        shot = read_all(path)[0]
        after = turned(shot, sheet).shot

        def corrected() -> CorrectedFile:
            return correct_file(path, sheet, out, replace=True, measured=False)

        calls: dict[str, Callable[[], object]] = {
            "json and numpy": lambda: read_with_json_and_numpy(path),
            "corrected, read back and proven": corrected,
            "of that: read, once of two times": lambda: read_all(path),
            "of that: the proof": lambda: deviation(shot, after),
        }
        taken: dict[str, list[float]] = {name: [] for name in calls}
        # In turns, and in processor time: a busy machine then weighs on all alike. The first does not count.
        for _ in range(16):
            for name, call in calls.items():
                start = time.process_time()
                call()
                taken[name].append(time.process_time() - start)
    medians = {name: statistics.median(each[1:]) for name, each in taken.items()}
    lines = [
        f"A GLB of {size / 1e6:.1f} MB: 61 joints, 4,000 frames, every joint turned. Both files are posed by "
        "forward kinematics at 7,999 instants. The yardstick takes the arrays out of the file with json and "
        "numpy, as one float64 array a kind, and does nothing with them; where the memory for these has been "
        "used before it takes a third of the time below. Processor time. The goal of 20 times the yardstick is "
        "missed: the proof alone takes as long as that.",
        "",
        "| work | time | ratio |",
        "| --- | --- | --- |",
    ]
    yardstick = medians["json and numpy"]
    lines += [
        f"| {name} | {each * 1e3:.1f} ms | {each / yardstick:.0f} |"
        for name, each in medians.items()
    ]
    return lines


def reporting() -> list[str]:
    """Return what a whole report of a long shot takes."""
    shot = made_shot(JOINTS, FRAMES, HINGES)
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "report"
        taken = median_s(lambda: write_report(examine(shot), out, replace=True), 3)
        size = (out / "report.html").stat().st_size
    return [
        f"Page, 13 pictures, results and table of the same shot: {taken:.1f} s, the page {size / 1e6:.1f} MB."
    ]


def live_pages() -> list[str]:
    """Return size, opening and dial of live pages; the times need a Chromium and playwright."""
    lines = [
        "The page carries the rotations of all joints, as fine as 8 MB hold them. Opening is from the call "
        "until the curves of the first joint are drawn, in headless Chromium; a turn of the dial is all that "
        "the page does for it: turn the axes, take the rotations apart, find the keys, draw the four pictures.",
        "",
        "| joints × frames | page | written in | its rotations are within | opens in | a turn of the dial |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    with tempfile.TemporaryDirectory() as folder:
        for joints, frames in ((61, 500), (61, 4000), (200, 10_000)):
            view = shot_view(examine(made_shot(joints, frames, joints // 2)))
            path = Path(folder) / "shot" / f"{joints}-{frames}.html"
            path.parent.mkdir(exist_ok=True)
            start = time.perf_counter()
            path.write_text(shot_page(view, live=True), encoding="utf-8")
            written = time.perf_counter() - start
            error = live_data(view).error_deg
            opened, turn = in_a_browser(path)
            lines.append(
                f"| {joints} × {frames:,} | {path.stat().st_size / 1e6:.1f} MB | {written:.1f} s "
                f"| {error:.0e}° | {opened} | {turn} |"
            )
    return lines


def in_a_browser(path: Path) -> tuple[str, str]:
    """Return the median times to open a page and to turn its dial, as text."""
    found = next(filter(None, map(shutil.which, BROWSERS)), None)
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        found = None
    if found is None:
        return "not measured", "not measured"
    opening, turning = [], []
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=found, args=FLAGS)
        for _ in range(5):
            page = browser.new_page(viewport={"width": 1280, "height": 900})
            start = time.perf_counter()
            page.goto(path.as_uri())
            until(page, "window.hingeAudit && window.hingeAudit.live.present")
            opening.append(time.perf_counter() - start)
            live(page)
            turning += page.evaluate(TURN_THE_DIAL, 15)
            page.close()
        browser.close()
    return f"{statistics.median(opening):.1f} s", f"{statistics.median(turning):.0f} ms"


def machine() -> str:
    """Return what the figures were measured on."""
    cpu = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        named = [line for line in info.read_text().splitlines() if line.startswith("model name")]
        cpu = named[0].split(":", 1)[1].strip() if named else cpu
    return (
        f"{cpu}, {os.cpu_count()} cores, Python {platform.python_version()}, numpy {np.__version__}, "
        f"{platform.system()}"
    )


def main() -> None:
    """Measure and write the page."""
    refuse_without_compiled_code()
    parts = {
        "Reading BVH": reading,
        "Measuring": measuring,
        "Correcting": correcting,
        "Reporting": reporting,
        "Live pages": live_pages,
    }
    page = ROOT / "docs" / "performance.md"
    lines = [
        "# Performance",
        "",
        "Made by `python -m tests.benchmarks.figures`: medians of several runs, ratios within one run. "
        "Measured on: " + machine() + ".",
    ]
    for heading, part in parts.items():
        lines += ["", f"## {heading}", "", *part()]
        print("\n".join(lines[-12:]), flush=True)
    # Sections that other benchmarks wrote stay.
    for section in page.read_text(encoding="utf-8").split("\n## ")[1:]:
        if section.partition("\n")[0] not in parts:
            lines += ["", f"## {section.rstrip()}"]
    page.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
