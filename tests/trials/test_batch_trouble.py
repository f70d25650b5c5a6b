"""A run in trouble ends with the right answer for all other shots, one clear line for that one, no ruins."""

from __future__ import annotations

import json
import os
import random
import re
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from audit.pipeline import examine, read
from tests.benchmarks.figures import made_shot

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform != "linux", reason="reads /proc, and limits of Linux"),
]

ROOT = Path(__file__).resolve().parents[2]
SHOTS = 60


@pytest.fixture(scope="module")
def right(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    """Give a folder with shots, and what a run over them is to say."""
    from audit.formats.bvh import write

    folder = tmp_path_factory.mktemp("shots")
    for number in range(SHOTS):
        (folder / f"shot{number:03}.bvh").write_bytes(write(made_shot(20, 60, 10, seed=number)))
    summaries = {
        path.name: examine(read(path)).document["summary"] for path in sorted(folder.glob("*"))
    }
    return folder, summaries


@pytest.fixture
def shots(right: tuple[Path, dict[str, Any]], tmp_path: Path) -> Path:
    """Return a copy of the folder that a test may spoil."""
    copy = tmp_path / "shots"
    copy.mkdir()
    for path in right[0].iterdir():
        (copy / path.name).write_bytes(path.read_bytes())
    return copy


def copies_of_the_first(shots: Path, right: dict[str, Any]) -> dict[str, Any]:
    """Put many copies of a shot before the others, and return what a run is to say of them."""
    names = [f"copy{number:03}.bvh" for number in range(400)]
    for name in names:
        (shots / name).write_bytes((shots / "shot000.bvh").read_bytes())
    return dict.fromkeys(names, right["shot000.bvh"])


class Running:
    """A run that goes on."""

    def __init__(self, out: Path, shots: Path, *more: object) -> None:
        words = [sys.executable, "-m", "tests.trials.batch_script", out, shots, *more]
        self.out = out
        self.process = subprocess.Popen(
            list(map(str, words)),
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            cwd=ROOT,
            start_new_session=True,
        )
        self.lines: list[str] = []

    def until(self, begin: str) -> None:
        """Wait for a line that begins so."""
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line.rstrip("\n"))
            if line.startswith(begin):
                return
        pytest.fail(f"no line {begin!r} in {self.lines}")

    def end(self) -> int:
        """Wait for its end, and return the exit code."""
        rest, _ = self.process.communicate(timeout=300.0)
        self.lines += rest.splitlines()
        return self.process.returncode

    def told(self) -> list[str]:
        """Return its lines but those that count what is finished."""
        return [line for line in self.lines if not line.startswith("finished:")]

    def results(self) -> dict[str, Any]:
        """Return what it wrote."""
        loaded: dict[str, Any] = json.loads((self.out / "results.json").read_text("utf-8"))
        return loaded


def family(pid: int) -> list[int]:
    """Return the processes below one, those of its servers included."""
    parents: dict[int, list[int]] = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                stat = (entry / "stat").read_text("ascii", errors="replace")
            except OSError:
                continue
            parents.setdefault(int(stat.rsplit(")", 1)[1].split()[1]), []).append(int(entry.name))
    found, left = [], [pid]
    while left:
        children = parents.get(left.pop(), [])
        found += children
        left += children
    return found


def workers(pid: int) -> list[int]:
    """Return the worker processes of a run: the children of its children."""
    return [each for child in family(pid) for each in family(child)]


def ruins(folder: Path) -> list[str]:
    """Return what a run must not leave behind."""
    return [str(path) for path in folder.rglob("*") if path.name.endswith(".part")]


def test_killing_workers_at_any_moment(
    right: tuple[Path, dict[str, Any]], shots: Path, tmp_path: Path
) -> None:
    chance = random.Random(5)
    expected = right[1] | copies_of_the_first(shots, right[1])
    run = Running(tmp_path / "out", shots, "--cache", tmp_path / "cache")
    killed = 0
    start = time.monotonic()
    while run.process.poll() is None and time.monotonic() - start < 200.0:
        # From the very beginning: while they start, while they wait, while they work.
        time.sleep(chance.choice((chance.uniform(0.0, 0.1), chance.uniform(0.2, 1.0))))
        if targets := workers(run.process.pid):
            try:
                os.kill(chance.choice(targets), signal.SIGKILL)
                killed += 1
            except ProcessLookupError:
                continue
        if killed >= 25:
            break
    code = run.end()
    assert killed > 5, run.lines
    # A shot whose process was killed twice is named; all others are right.
    lost = {Path(line.split(":")[0]).name for line in run.told()}
    assert code == (3 if lost else 0), run.lines
    assert len(lost) < SHOTS / 4
    assert all("was ended by SIGKILL" in line and "tried alone" in line for line in run.told())
    assert run.results() == {name: each for name, each in expected.items() if name not in lost}
    assert not ruins(tmp_path)


def test_killing_a_worker_once_loses_nothing(
    right: tuple[Path, dict[str, Any]], tmp_path: Path
) -> None:
    run = Running(tmp_path / "out", right[0])
    run.until("finished: 3")
    os.kill(workers(run.process.pid)[0], signal.SIGKILL)
    assert run.end() == 0, run.lines
    assert run.results() == right[1]


def test_a_shot_that_takes_a_gigabyte(
    right: tuple[Path, dict[str, Any]], shots: Path, tmp_path: Path
) -> None:
    (shots / "gigabyte.bvh").write_bytes((shots / "shot000.bvh").read_bytes())
    run = Running(tmp_path / "out", shots)
    assert run.end() == 3
    assert run.told() == [f"{shots / 'gigabyte.bvh'}: needs more memory than the limit of 512 MiB"]
    assert run.results() == right[1]


def test_a_shot_that_is_deleted_in_mid_run(
    right: tuple[Path, dict[str, Any]], shots: Path, tmp_path: Path
) -> None:
    # So many come before the last one that it is certainly not begun.
    expected = right[1] | copies_of_the_first(shots, right[1])
    run = Running(tmp_path / "out", shots)
    run.until("finished: 2")
    (shots / "shot059.bvh").unlink()
    assert run.end() == 3
    (line,) = run.told()
    assert line.startswith(f"{shots / 'shot059.bvh'}: ")
    assert "cannot be opened (No such file or directory)" in line
    assert run.results() == {name: each for name, each in expected.items() if name != "shot059.bvh"}


def test_a_full_disk(right: tuple[Path, dict[str, Any]], tmp_path: Path) -> None:
    run = Running(tmp_path / "out", right[0], "--cache", tmp_path / "cache", "--largest", 40_000)
    assert run.end() == 3
    told = run.told()
    assert [line for line in told if "so this run cannot be resumed" in line] != []
    # The record is too large: nothing of it is there, and the run says so in one line. What is small is whole.
    assert told[-1].startswith(f"{tmp_path / 'out' / 'record'}: cannot be written (File too large")
    assert run.results() == right[1]
    assert not list(tmp_path.rglob("*.parquet"))
    assert not ruins(tmp_path)
    # With room again, it goes on from what did fit.
    again = Running(tmp_path / "out", right[0], "--resume")
    assert again.end() == 0, again.lines
    assert again.results() == right[1]


def test_a_cache_on_a_full_disk_ends_nothing(
    right: tuple[Path, dict[str, Any]], tmp_path: Path
) -> None:
    from audit.batch import Cache, Event, Packing, run
    from tests.trials.batch_script import document_of

    events: list[Event[str, dict[str, Any]]] = []
    paths = [str(path) for path in sorted(right[0].iterdir())[:10]]
    cache: Cache[dict[str, Any]] = Cache(Path("/dev/full/cache"), "d", Packing())
    outcomes = list(run(document_of, paths, workers=2, cache=cache, on_event=events.append))
    assert [each.status for each in outcomes] == ["done"] * 10
    assert len([event for event in events if event.remark]) == 1


@pytest.mark.parametrize("how", ["permissions", "no folder can be made there"])
def test_a_read_only_output_folder(
    right: tuple[Path, dict[str, Any]], tmp_path: Path, how: str
) -> None:
    out = Path("/proc/hinge-audit-trial")
    if how == "permissions":
        if os.geteuid() == 0:
            pytest.skip("permissions do not bind the superuser")
        out = tmp_path / "out"
        out.mkdir(mode=0o500)
    run = Running(out, right[0])
    assert run.end() == 3
    (line,) = run.lines  # said before any work is done
    assert line.startswith(f"{out}")
    assert "cannot be written" in line


def test_ctrl_c_ends_in_a_second_and_resume_goes_on(
    right: tuple[Path, dict[str, Any]], tmp_path: Path
) -> None:
    run = Running(tmp_path / "out", right[0])
    run.until("finished: 10")
    left = family(run.process.pid)
    start = time.monotonic()
    os.killpg(run.process.pid, signal.SIGINT)  # as a terminal does: to all processes of the run
    run.process.wait(timeout=60.0)
    assert time.monotonic() - start < a_second()
    assert run.end() == 130
    assert run.told() == ["stopped"]
    assert not ruins(tmp_path)
    assert not (tmp_path / "out" / "results.json").exists()
    gone_in_time(left)
    again = Running(tmp_path / "out", right[0], "--resume")
    again.until("finished: 10")
    assert again.end() == 0
    assert again.results() == right[1]
    assert pq.read_table(tmp_path / "out" / "record" / "shots").num_rows == SHOTS
    # Nothing is left of the journal once the results are there.
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["record", "results.json"]


def test_ctrl_c_while_the_workers_start(right: tuple[Path, dict[str, Any]], tmp_path: Path) -> None:
    run = Running(tmp_path / "out", right[0])
    start = time.monotonic()
    while not family(run.process.pid) and time.monotonic() - start < 60.0:
        time.sleep(0.01)
    time.sleep(0.1)
    start = time.monotonic()
    os.killpg(run.process.pid, signal.SIGINT)
    run.process.wait(timeout=60.0)
    assert time.monotonic() - start < a_second()
    assert run.end() == 130
    assert run.told() == ["stopped"]  # no traceback of a server or a worker


def test_killing_the_run_itself_and_resuming_it(
    right: tuple[Path, dict[str, Any]], tmp_path: Path
) -> None:
    run = Running(tmp_path / "out", right[0])
    run.until("finished: 15")
    left = family(run.process.pid)
    run.process.kill()
    run.end()
    gone_in_time(left)
    again = Running(tmp_path / "out", right[0], "--resume")
    assert again.end() == 0
    assert again.results() == right[1]
    assert pq.read_table(tmp_path / "out" / "record" / "shots").num_rows == SHOTS


def test_the_command_names_the_shot_that_kills_its_workers(
    right: tuple[Path, dict[str, Any]], tmp_path: Path
) -> None:
    """The last of the files is so long that whoever works on it can be found and killed, again and again."""
    shots = tmp_path / "shots"
    shots.mkdir()
    for path in sorted(right[0].iterdir())[:10]:
        (shots / path.name).write_bytes(path.read_bytes())
    head, rows = (right[0] / "shot000.bvh").read_text("ascii").split("Frame Time:")
    first, *frames = rows.strip().splitlines()
    frames *= 200_000 // len(frames)
    head = re.sub(r"Frames:.*", f"Frames: {len(frames)}", head)
    large = shots / "zlarge.bvh"
    large.write_text("\n".join([f"{head}Frame Time: {first}", *frames]) + "\n", "ascii")
    out = tmp_path / "out"
    words = ["check", shots, "--out", out, "--format", "json", "--workers", 2, "--no-cache"]
    process = subprocess.Popen(
        [sys.executable, "-m", "audit", *map(str, words)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    )
    journal = out / ".unfinished-run"
    deadline = time.monotonic() + 120.0
    while process.poll() is None and time.monotonic() < deadline:
        time.sleep(0.3)
        if journal.exists() and journal.read_bytes().count(b"\n") == 11:  # a head, and ten shots
            for pid in workers(process.pid):
                with suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)
    told, remarks = process.communicate(timeout=60.0)
    assert (process.returncode, remarks) == (3, "")
    lines = [line for line in told.splitlines() if str(large) in line]
    assert len(lines) == 1
    assert "the process that worked on it was ended by SIGKILL" in lines[0]
    assert "and again when it was tried alone" in lines[0]
    document = json.loads((out / "check.json").read_text("utf-8"))
    assert (document["summary"]["shots"], document["summary"]["unreadable"]) == (10, 1)
    assert [path.name for path in out.iterdir()] == ["check.json"]


def a_second() -> float:
    """Return a second, and what a busy machine adds to the end of an interpreter."""
    start = time.monotonic()
    subprocess.run([sys.executable, "-c", "import numpy"], check=True)
    return 1.0 + 3.0 * (time.monotonic() - start)


def gone_in_time(pids: list[int]) -> None:
    """Fail where one of these processes is still there after a while."""
    deadline = time.monotonic() + 10.0
    left = pids
    while left and time.monotonic() < deadline:
        time.sleep(0.05)
        left = [pid for pid in left if is_alive(pid)]
    assert left == []


def is_alive(pid: int) -> bool:
    """Tell whether a process is there and not merely waiting to be buried."""
    try:
        stat = Path(f"/proc/{pid}/stat").read_text("ascii", errors="replace")
    except OSError:
        return False
    return stat.rsplit(")", 1)[1].split()[0] != "Z"
