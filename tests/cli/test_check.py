"""``hinge-audit check`` as a person or a script meets it."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from audit.cli.check import FORMATS
from audit.cli.many import shots_among
from audit.cli.progress import RunProgress
from audit.demo import demo_files
from audit.errors import UsageError
from audit.gate import output_formats

POSIX = pytest.mark.skipif(os.name != "posix", reason="signals of POSIX systems")
LINUX = pytest.mark.skipif(sys.platform != "linux", reason="limits of Linux")


@pytest.fixture(scope="module", autouse=True)
def cache(tmp_path_factory) -> Iterator[Path]:
    """Keep the cache away from the user's own, and return its folder."""
    home = tmp_path_factory.mktemp("cache")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(home))
        patch.setenv("LOCALAPPDATA", str(home))
        patch.setenv("HOME", str(home))
        yield home


@pytest.fixture(scope="module")
def shots(tmp_path_factory) -> Path:
    """Return a folder with the demo's shots: two messy ones and a clean one."""
    folder = tmp_path_factory.mktemp("show") / "shots"
    folder.mkdir()
    for name, data in demo_files().items():
        (folder / name).write_bytes(data)
    return folder


def hinge_audit(
    *words: object, cwd: Path | None = None, given: bytes = b""
) -> subprocess.CompletedProcess[str]:
    """Run the command in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "audit", *map(str, words)],
        input=given,
        capture_output=True,
        check=False,
        cwd=cwd,
    )
    return subprocess.CompletedProcess(
        done.args, done.returncode, done.stdout.decode("utf-8"), done.stderr.decode("utf-8")
    )


def test_the_formats_of_the_command_are_those_that_exist():
    assert tuple(output_formats()) == FORMATS


def test_help_loads_no_heavy_library():
    code = (
        "import sys; sys.argv = ['hinge-audit', 'check', '--help']\n"
        "import audit.cli.main as m\n"
        "try: m.run()\n"
        "except SystemExit: pass\n"
        "print(sorted({'pandas', 'matplotlib', 'numpy', 'scipy', 'pyarrow'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


def test_a_clean_shot_passes(shots):
    done = hinge_audit("check", shots / "wade_clean.bvh")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.splitlines()[-1] == "Passed: nothing to fix."


def test_a_messy_shot_fails_and_says_why(shots):
    done = hinge_audit("check", shots)
    assert done.returncode == 1
    lines = done.stdout.splitlines()
    assert "wade_messy.bvh: FAILS, 51 fix" in lines[0]
    assert lines[-1] == "Failed: 2 shots have findings to fix."
    assert hinge_audit("check", shots, "--fail-on", "never").returncode == 0


def test_unreadable_files_are_findings_and_never_the_end(shots, tmp_path):
    bad = tmp_path / "bad.bvh"
    bad.write_bytes((shots / "wade_clean.bvh").read_bytes()[:5000])
    empty = tmp_path / "empty"
    empty.mkdir()
    done = hinge_audit(
        "check", bad, tmp_path / "gone.bvh", empty, f"{tmp_path}/*.glb", shots, "--format", "json"
    )
    assert done.returncode == 3
    document = json.loads(done.stdout)
    failed = {
        Path(each["file"]).name: each["failure"]["cause"]
        for each in document["files"]
        if each["failure"]
    }
    assert list(failed) == ["empty", "*.glb", "bad.bvh", "gone.bvh"]
    assert failed["gone.bvh"].startswith("cannot be opened")
    assert document["summary"]["shots"] == 3
    assert document["summary"]["because"] == [
        "4 files could not be read or used",
        "2 shots have findings to fix",
    ]


def test_several_formats_go_to_a_folder_and_twice_the_same(shots, tmp_path):
    out = tmp_path / "out"
    every = [word for name in FORMATS for word in ("--format", name)]
    done = hinge_audit("check", shots, "--out", out, *every)
    assert done.returncode == 1
    files = {path.name: path.read_bytes() for path in out.iterdir()}
    assert set(files) == {each.file for each in output_formats().values()}
    assert files["check.txt"].decode() == done.stdout
    again = hinge_audit("check", shots, "--out", out, *every)
    assert again.returncode == 3
    assert "--replace" in again.stderr
    assert hinge_audit("check", shots, "--out", out, *every, "--replace", "-q").stdout == ""
    assert {path.name: path.read_bytes() for path in out.iterdir()} == files


def test_the_order_of_what_is_asked_for_changes_nothing(shots):
    names = [shots / name for name in sorted(demo_files())]
    first = hinge_audit("check", *names, "--format", "json").stdout
    assert (
        hinge_audit("check", *reversed(names), names[0], shots, "--format", "json").stdout == first
    )


def test_results_in_the_folder_of_the_shots_are_no_shots(shots, tmp_path):
    folder = tmp_path / "shots"
    folder.mkdir()
    (folder / "wade_clean.bvh").write_bytes((shots / "wade_clean.bvh").read_bytes())
    words = ["check", folder, "--out", folder / "results", "--format", "csv", "--replace"]
    assert [hinge_audit(*words).returncode for _ in range(2)] == [0, 0]


@pytest.mark.parametrize(
    ("words", "hint"),
    [
        (["check"], "PATH"),
        (["check", "a.bvh", "--format", "csv", "--format", "json"], "Add --out DIR"),
        (["check", "a.bvh", "--format", "xml"], "xml"),
        (["check", "a.bvh", "--policy", "none.toml"], "policy init"),
        (["check", "-"], "list of shots is empty"),
        (["check", "a.bvh", "--resume"], "Add --out DIR"),
        (["check", "a.bvh", "--cache", "c", "--no-cache"], "Leave one out"),
        (["check", "a.bvh", "--show", "harbour"], "Add --record DIR"),
        (["check", "a.bvh", "--cluster", "tcp://x:1", "--time-limit", "3"], "Leave them out"),
        (["check", "a.bvh", "--workers", "0"], "--workers"),
    ],
)
def test_wrong_usage(words, hint, tmp_path):
    done = hinge_audit(*words, cwd=tmp_path)
    assert done.returncode == 2
    assert hint in done.stderr
    assert done.stdout == ""


def test_a_policy_with_mistakes_stops_the_run_before_it_begins(shots, tmp_path):
    policy = tmp_path / "show.toml"
    policy.write_text("\n[checks.twsit]\noffset = 3\n")
    done = hinge_audit("check", shots, "--policy", policy, "--out", tmp_path / "out")
    assert done.returncode == 2
    assert f"{policy}: line 2: no check is called 'twsit'. Did you mean 'twist'?" in done.stderr
    assert not (tmp_path / "out").exists()


def test_a_policy_is_found_upwards_and_waivers_are_honoured(shots, tmp_path):
    folder = tmp_path / "show" / "sh010"
    folder.mkdir(parents=True)
    (folder / "wade_messy.bvh").write_bytes((shots / "wade_messy.bvh").read_bytes())
    waiver = '[[waivers]]\njoint = "*"\ncheck = ["twist", "spread", "aim", "order"]\n'
    waiver += 'reason = "locked"\nwho = "lead"\nuntil = {}\n'
    (tmp_path / "show" / "policy.toml").write_text(waiver.format("9999-12-31"))
    done = hinge_audit("check", folder)
    assert (done.returncode, "51 waived" in done.stdout) == (0, True)
    (tmp_path / "show" / "policy.toml").write_text(waiver.format("2020-01-01"))
    done = hinge_audit("check", folder)
    assert done.returncode == 1
    assert (
        "policy.toml: line 1: look: The waiver of twist, spread, aim, order on * ended"
        in done.stdout
    )


def test_lists_in_a_file_and_on_standard_input(shots, tmp_path):
    listed = tmp_path / "list.txt"
    listed.write_bytes(b"\xef\xbb\xbf# delivery\r\n\r\nwade_clean.bvh\r\n  wade_messy.bvh\r\n")
    done = hinge_audit("check", f"@{listed}", "--format", "json", cwd=shots)
    names = [each["file"] for each in json.loads(done.stdout)["files"]]
    assert names == ["wade_clean.bvh", "wade_messy.bvh"]
    with_nulls = b"wade_clean.bvh\0wade_messy.bvh\0"
    assert (
        hinge_audit("check", "-", "--format", "json", cwd=shots, given=with_nulls).stdout
        == done.stdout
    )
    gone = hinge_audit("check", "@gone.txt", "wade_clean.bvh", cwd=shots)
    assert gone.returncode == 3
    assert "@gone.txt: cannot be opened" in gone.stdout


def test_patterns(shots, monkeypatch):
    monkeypatch.chdir(shots.parent)
    files, missing = shots_among(["**/*_messy.bvh", "shots/wade_clean.bvh", "shots/[x].bvh"])
    assert [Path(each).name for each in files] == [
        "strike_messy.bvh",
        "wade_clean.bvh",
        "wade_messy.bvh",
    ]
    assert [each.word for each in missing] == ["shots/[x].bvh"]
    odd = shots.parent / "odd[1].bvh"
    odd.write_bytes(b"")
    assert shots_among(["odd[1].bvh"]) == (["odd[1].bvh"], [])
    odd.unlink()
    with pytest.raises(UsageError):
        shots_among(["-"], standard_input=lambda: b"# nothing\n")


def test_progress_tells_rate_and_time_left():
    now = [0.0]
    progress = RunProgress(2000, "file", clock=lambda: now[0])
    for _ in range(500):
        now[0] += 0.02
        progress.step()
    assert progress.line() == "500 of 2,000 files, 50.0 a second, 30 s left"


def test_a_log_gets_plain_lines_every_few_seconds(capsys):
    now = [0.0]
    with RunProgress(100, "file", clock=lambda: now[0]) as progress:
        for _ in range(100):
            now[0] += 0.25
            progress.step()
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 5
    assert lines[0] == "20 of 100 files, 4.0 a second, 20 s left"
    with RunProgress(100, "file", quiet=True, clock=lambda: now[0]) as progress:
        now[0] += 100.0
        progress.step()
    assert capsys.readouterr().err == ""


@POSIX
def test_ctrl_c_ends_at_once_and_keeps_what_is_finished(shots, tmp_path):
    folder = tmp_path / "many"
    folder.mkdir()
    for number in range(400):
        (folder / f"{number:03}.bvh").symlink_to(shots / "wade_messy.bvh")
    out = tmp_path / "out"
    words = ["check", folder, "--out", out, "--format", "json", "--format", "junit", "-q"]
    process = subprocess.Popen(
        [sys.executable, "-m", "audit", *map(str, words)], stderr=subprocess.PIPE, text=True
    )
    drafts = lambda: [path for path in out.rglob("check.json") if path.stat().st_size > 1]  # noqa: E731
    deadline = time.monotonic() + 60.0
    while not (out.exists() and drafts()) and time.monotonic() < deadline:
        time.sleep(0.02)
    time.sleep(0.3)
    asked = time.monotonic()
    process.send_signal(signal.SIGINT)
    time.sleep(0.01)
    process.send_signal(signal.SIGINT)  # people press it twice
    _, told = process.communicate(timeout=30)
    # The requirement is one second; a machine with other work may be slower, but never a whole run.
    assert time.monotonic() - asked < 3.0
    assert process.returncode == 130
    done, every = map(int, re.search(r"Stopped: (\d+) of (\d+) files", told).groups())
    assert 0 < done < every == 400
    document = json.loads((out / "check.json").read_text("utf-8"))
    assert len(document["files"]) == document["summary"]["files"] == done
    assert document["summary"]["complete"] is False
    assert (out / "check.junit.xml").read_text("utf-8").endswith("</testsuites>\n")
    left = sorted(path.name for path in out.iterdir())
    assert left == [".unfinished-run", "check.json", "check.junit.xml"]
    # It can go on, and its results take the place of those of the run that was stopped.
    (folder / "399.bvh").unlink()
    for path in sorted(folder.iterdir())[done + 20 :]:
        path.unlink()
    again = hinge_audit(*words, "--resume", "--no-cache")
    assert (again.returncode, again.stderr) == (1, "")
    document = json.loads((out / "check.json").read_text("utf-8"))
    assert len(document["files"]) == done + 20
    assert document["summary"]["complete"] is True
    assert sorted(path.name for path in out.iterdir()) == ["check.json", "check.junit.xml"]


@POSIX
def test_a_reader_that_goes_away_is_no_fault(shots):
    command = [sys.executable, "-m", "audit", "check", str(shots), "--format", "json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        process.stdout.close()
        told = process.stderr.read().decode()
        assert process.wait(timeout=60) == 3
    assert told == "hinge-audit: nobody reads standard output any more\n"


@POSIX
def test_a_folder_that_cannot_be_written_to_is_named(shots, tmp_path):
    taken = tmp_path / "taken"
    taken.write_text("a file")
    done = hinge_audit("check", shots / "wade_clean.bvh", "--out", taken / "out", "--format", "csv")
    assert done.returncode == 3
    assert "cannot be written" in done.stderr


@pytest.fixture(scope="module")
def dozen(shots, tmp_path_factory) -> Path:
    """Return a folder with so many files that they are spread over processes, one of them damaged."""
    folder = tmp_path_factory.mktemp("dozen")
    for number, path in enumerate(sorted(shots.iterdir()) * 4):
        (folder / f"{number:02}_{path.name}").write_bytes(path.read_bytes())
    (folder / "bad.bvh").write_bytes((shots / "wade_clean.bvh").read_bytes()[:5000])
    return folder


@pytest.fixture(scope="module")
def by_one_worker(dozen) -> str:
    """Return what one worker says of them."""
    done = hinge_audit("check", dozen, "--format", "json", "--workers", 1, "--no-cache", "-q")
    assert (done.returncode, done.stderr) == (3, "")
    return done.stdout


def test_workers_and_cache_give_the_same_bytes(dozen, by_one_worker, tmp_path):
    words = ["check", dozen, "--format", "json", "-q", "--cache", tmp_path / "cache"]
    assert hinge_audit(*words, "--workers", 2).stdout == by_one_worker
    kept = {path: path.stat().st_mtime_ns for path in (tmp_path / "cache").rglob("*.entry")}
    assert len(kept) == 12  # nothing is kept of the damaged one
    assert hinge_audit(*words).stdout == by_one_worker
    assert set((tmp_path / "cache").rglob("*.entry")) == set(kept)
    # What a rule changes, and what was asked for, is not answered from before.
    assert '"severity":"fix"' in by_one_worker
    policy = tmp_path / "show.toml"
    policy.write_text("[checks.twist]\nseverity = 'note'\n")
    ruled = hinge_audit(*words, "--policy", policy).stdout
    fixes = [
        json.loads(text)["summary"]["fix"]
        for text in (by_one_worker, ruled, hinge_audit(*words).stdout)
    ]
    assert fixes[1] < fixes[0] == fixes[2]


def test_a_run_whose_answers_are_known_loads_nothing_that_measures(dozen, tmp_path):
    listed = tmp_path / "list.txt"
    listed.write_text("\n".join(map(str, sorted(dozen.glob("*_wade*")))))
    code = (
        "import sys\n"
        "from audit.batch import Gate, Ways\n"
        "from audit.gate import HeldPolicies, Options, collect, output_formats\n"
        "from pathlib import Path\n"
        "paths = Path(sys.argv[1]).read_text().splitlines()\n"
        "policies = HeldPolicies(Options())\n"
        "gate = Gate(Options(), policies, Path(sys.argv[2]))\n"
        "verdicts = gate.verdicts(paths, Ways(int(sys.argv[3])), cache=gate.cache())\n"
        "run = collect(verdicts, writers=[output_formats()['json'].writer(sys.stdout.buffer)])\n"
        "sys.stdout.flush()\n"
        "print('measures', 'audit.measures' in sys.modules, 'scipy' in sys.modules)\n"
    )
    said = [
        subprocess.run(
            [sys.executable, "-c", code, listed, tmp_path / "cache", workers],
            capture_output=True,
            text=True,
            check=True,
        ).stdout.splitlines()
        for workers in ("1", "2", "1")
    ]
    assert [each[-1] for each in said] == [
        "measures True True",
        "measures False False",
        "measures False False",
    ]
    assert said[0][:-1] == said[1][:-1] == said[2][:-1]


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning")
def test_a_cluster_gives_the_same_bytes(dozen, by_one_worker):
    distributed = pytest.importorskip("distributed", reason="needs the extra 'cluster'")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0"
    ) as cluster:
        words = ["check", dozen, "--format", "json", "-q", "--no-cache", "--cluster"]
        done = hinge_audit(*words, cluster.scheduler_address)
    assert (done.returncode, done.stdout) == (3, by_one_worker)


@LINUX
@pytest.mark.parametrize(
    ("limit", "reason"),
    [
        (["--time-limit", 1.5], "took longer than the time limit of 1.5 s"),
        (["--memory-limit", 96], "needs more memory than the limit of 96 MiB"),
    ],
)
def test_a_file_that_passes_a_limit_has_its_line(shots, tmp_path, limit, reason):
    folder = tmp_path / "shots"
    folder.mkdir()
    for path in shots.iterdir():
        (folder / path.name).write_bytes(path.read_bytes())
    head, rows = (shots / "wade_messy.bvh").read_text().split("Frame Time:")
    first, *frames = rows.strip().splitlines()
    frames *= 60_000 // len(frames)
    head = re.sub(r"Frames:.*", f"Frames: {len(frames)}", head)
    large = folder / "large.bvh"
    large.write_text("\n".join([f"{head}Frame Time: {first}", *frames]) + "\n")
    done = hinge_audit("check", folder, "--no-cache", *limit)
    assert done.returncode == 3
    lines = done.stdout.splitlines()
    assert lines[0].startswith(f"{large}: {reason}. Allow more with --")
    assert sum(str(large) in line for line in lines) == 1
    assert "Checked 3 shots: 1 pass, 2 do not. Not checked: 1 file." in lines


def test_only_what_is_new_or_worse_since_the_baseline_counts(shots, tmp_path):
    folder = tmp_path / "show"
    folder.mkdir()
    for name in ("wade_messy.bvh", "wade_clean.bvh"):
        (folder / name).write_bytes((shots / name).read_bytes())
    waived = '[[waivers]]\njoint = "L_Knee"\ncheck = "twist"\nreason = "locked"\nwho = "lead"\n'
    (folder / "policy.toml").write_text(f"{waived}until = 9999-12-31\n")
    record = tmp_path / "record"
    first = hinge_audit("check", folder, "--record", record, "--show", "harbour")
    assert first.returncode == 1
    (findings,) = record.glob("findings/show_name=harbour/*/*.parquet")
    recorded = pq.read_table(findings).num_rows
    # Nothing is new: it passes, says what it left out, and no waiver becomes useless by that.
    words = ["check", folder, "--baseline", findings, "--format", "json"]
    same = hinge_audit(*words)
    document = json.loads(same.stdout)
    assert (same.returncode, document["waivers"]) == (0, [])
    left = document["summary"]["fix"] + document["summary"]["look"] + document["summary"]["note"]
    assert (left, document["summary"]["waived"]) == (0, 1)
    assert document["summary"]["known"] == recorded - 1
    assert "Known from the baseline, and not counted:" in hinge_audit(*words[:-2]).stdout
    # A shot that was not there before is new, and only that is told.
    (folder / "strike_messy.bvh").write_bytes((shots / "strike_messy.bvh").read_bytes())
    done = hinge_audit(*words)
    shown = {
        shot["shot"]: shot["fix"]
        for file in json.loads(done.stdout)["files"]
        for shot in file["shots"]
    }
    assert done.returncode == 1
    assert shown == {"strike_messy": shown["strike_messy"], "wade_clean": 0, "wade_messy": 0}
    # A stricter rule makes what was a note into something to look at: worse.
    (folder / "strike_messy.bvh").unlink()
    (folder / "policy.toml").write_text(
        f"[checks.spread]\nseverity = 'look'\n\n{waived}until = 9999-12-31\n"
    )
    assert hinge_audit(*words).returncode == 0  # 'look' was 'fix' before: better
    # The record holds all that was found, baseline or not.
    (folder / "policy.toml").write_text(f"{waived}until = 9999-12-31\n")
    second = hinge_audit(*words, "--record", record, "--show", "pier")
    assert second.returncode == 0
    (other,) = record.glob("findings/show_name=pier/*/*.parquet")
    assert pq.read_table(other).num_rows == recorded
    (rows,) = record.glob("shots/show_name=pier/*/*.parquet")
    assert pq.read_table(rows)["status"].to_pylist() == ["passed", "passed"]
    assert hinge_audit("check", folder, "--baseline", tmp_path / "none.parquet").returncode == 3


def test_a_record_as_baseline_and_files_that_could_not_be_read(shots, tmp_path):
    pytest.importorskip("duckdb", reason="needs the extra 'history'")
    bad = tmp_path / "bad.bvh"
    bad.write_bytes((shots / "wade_clean.bvh").read_bytes()[:5000])
    record = tmp_path / "record"
    done = hinge_audit("check", shots, bad, "--record", record)
    assert done.returncode == 3
    (rows,) = record.glob("shots/*/*/*.parquet")
    status = pq.read_table(rows)["status"].to_pylist()
    assert sorted(status) == ["failed", "failed", "passed", "unreadable"]
    assert hinge_audit("check", shots, "--baseline", record).returncode == 0
    assert hinge_audit("check", shots, "--baseline", record, "--show", "other").returncode == 1


def test_a_cache_that_cannot_be_written_is_remarked_and_ends_nothing(shots, tmp_path):
    taken = tmp_path / "file"
    taken.write_text("")
    done = hinge_audit("check", shots / "wade_clean.bvh", "--cache", taken / "cache")
    assert done.returncode == 0
    assert done.stderr.splitlines() == [
        "hinge-audit: the cache cannot be written, so nothing of this run is kept in it"
    ]
