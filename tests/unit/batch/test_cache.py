"""A result is found again where everything that it depends on is the same, and nowhere else."""

from __future__ import annotations

import os
import threading
import time
from dataclasses import replace
from pathlib import Path

import pytest

from audit.batch import Cache, Event, Packing, digest_of, run
from audit.batch.cache import SUFFIX, default_folder, file_digest
from audit.errors import InputError
from tests.unit.batch.tasks import (
    Verdict,
    change_while_read,
    content,
    counted,
    is_odd,
    renamed,
    rules_of,
)

PACKING = Packing((Verdict,))


@pytest.fixture
def cache(tmp_path: Path) -> Cache[Verdict]:
    return Cache(tmp_path / "cache", digest_of({"a": 1}), PACKING)


@pytest.fixture
def shots(tmp_path: Path) -> list[str]:
    folder = tmp_path / "shots"
    folder.mkdir()
    for number in range(40):
        (folder / f"{number:02}.txt").write_text(f"shot {number}", encoding="utf-8")
    return [str(path) for path in sorted(folder.iterdir())]


def origins(shots: list[str], cache: Cache[Verdict], workers: int = 1) -> list[str]:
    """Return where each result came from, after a look at whether it is right."""
    outcomes = list(run(content, shots, workers=workers, cache=cache))
    assert [each.value for each in outcomes] == [content(path) for path in shots]
    return [each.origin for each in outcomes]


@pytest.mark.parametrize("workers", [1, 2])
def test_the_second_run_works_on_nothing(
    shots: list[str], cache: Cache[Verdict], workers: int
) -> None:
    assert origins(shots, cache, workers) == ["worked"] * 40
    assert origins(shots, cache, workers) == ["cache"] * 40
    list(run(counted, shots, workers=workers, cache=cache))
    assert not list(Path(shots[0]).parent.glob("*.count"))


def test_a_shot_that_changed_is_done_again(shots: list[str], cache: Cache[Verdict]) -> None:
    origins(shots, cache)
    found = os.stat(shots[7])
    Path(shots[7]).write_text("SHOT 7", encoding="utf-8")
    os.utime(shots[7], ns=(found.st_atime_ns, found.st_mtime_ns))  # size and times as before
    again = origins(shots, cache)
    assert [place for place, origin in enumerate(again) if origin == "worked"] == [7]
    os.utime(shots[8])
    assert origins(shots, cache) == ["cache"] * 40


@pytest.mark.parametrize("options", [{"a": 2}, {"a": 1, "b": None}, {}])
def test_other_options_are_another_result(
    shots: list[str], cache: Cache[Verdict], options: dict[str, object]
) -> None:
    origins(shots, cache)
    assert set(origins(shots, replace(cache, digest=digest_of(options)))) == {"worked"}


def test_the_digest_knows_options_files_and_program(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    skeleton = tmp_path / "rig.asf"
    skeleton.write_text("one", encoding="utf-8")
    digests = {digest_of({}), digest_of({"a": 1}), digest_of({"a": 1}, [skeleton])}
    assert digest_of({"b": 1, "a": 2}) == digest_of({"a": 2, "b": 1})
    skeleton.write_text("two", encoding="utf-8")
    digests.add(digest_of({"a": 1}, [skeleton]))
    monkeypatch.setattr("audit.batch.cache._program", lambda: "hinge-audit 99")
    digests.add(digest_of({}))
    assert len(digests) == 5
    with pytest.raises(InputError, match="cannot be opened"):
        digest_of({}, [tmp_path / "none"])


def test_a_copy_under_another_name(shots: list[str], cache: Cache[Verdict], tmp_path: Path) -> None:
    copy = tmp_path / "copy.txt"
    copy.write_bytes(Path(shots[3]).read_bytes())
    origins(shots, cache)
    assert origins([str(copy)], cache) == ["worked"]
    naming = replace(cache, renamed=renamed)
    assert set(origins(shots, naming)) == {"worked"}
    assert origins([str(copy)], naming) == ["cache"]


def test_a_file_that_the_shot_names_counts_too(tmp_path: Path, cache: Cache[Verdict]) -> None:
    shot, beside = tmp_path / "shot.txt", tmp_path / "beside.bin"
    shot.write_text("beside beside.bin", encoding="utf-8")
    assert origins([str(shot)], cache) == ["worked"]  # there is no such file yet
    # The task asks whether it is there, and opens it only then: the cache knows what was opened.
    beside.write_text("one", encoding="utf-8")
    fresh = replace(cache, digest="x" * 64)
    assert origins([str(shot)], fresh) == ["worked"]
    assert origins([str(shot)], fresh) == ["cache"]
    beside.write_text("two", encoding="utf-8")
    assert origins([str(shot)], fresh) == ["worked"]
    assert origins([str(shot)], fresh) == ["cache"]


def test_a_missing_buffer_of_a_gltf_that_turns_up(tmp_path: Path, cache: Cache[Verdict]) -> None:
    from audit.batch.opened import companions, noted_files

    shot = tmp_path / "shot.txt"
    with noted_files() as opened, pytest.raises(FileNotFoundError):
        (tmp_path / "none.bin").read_bytes()
    assert companions(str(shot), opened) == ["none.bin"]
    shot.write_text("x", encoding="utf-8")
    cache.keep(str(shot), file_digest(shot), ["none.bin"], Verdict("a", "b"))
    assert cache.look(str(shot)).value == Verdict("a", "b")
    (tmp_path / "none.bin").write_bytes(b"here now")
    assert cache.look(str(shot)).value is None


@pytest.mark.parametrize("damage", [b"", b"nonsense", None])
def test_a_damaged_entry_counts_as_none_and_is_written_anew(
    shots: list[str], cache: Cache[Verdict], damage: bytes | None
) -> None:
    origins(shots, cache)
    entries = sorted(cache.folder.rglob(f"*{SUFFIX}"))
    assert len(entries) == 40
    for entry in entries[:10]:
        entry.write_bytes(entry.read_bytes()[:-1] if damage is None else damage)
    assert origins(shots, cache).count("worked") == 10
    assert origins(shots, cache) == ["cache"] * 40


def test_a_shot_that_changes_while_it_is_worked_on_is_not_kept(
    shots: list[str], cache: Cache[Verdict]
) -> None:
    list(run(change_while_read, shots[:1], workers=1, cache=cache))
    assert not list(cache.folder.rglob(f"*{SUFFIX}"))


def test_a_cache_that_cannot_be_written_is_said_once(shots: list[str], tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("in the way", encoding="utf-8")
    events: list[Event[str, Verdict]] = []
    cache: Cache[Verdict] = Cache(blocked / "cache", "d", PACKING)
    outcomes = list(run(content, shots, workers=1, cache=cache, on_event=events.append))
    assert {each.status for each in outcomes} == {"done"}
    assert [event.remark for event in events if event.remark] == [
        "the cache cannot be written, so nothing of this run is kept in it"
    ]


def test_what_else_a_result_depends_on(shots: list[str], cache: Cache[Verdict]) -> None:
    ruled = replace(cache, also=rules_of)
    assert set(origins(shots, ruled)) == {"worked"}
    assert set(origins(shots, ruled)) == {"cache"}
    (Path(shots[0]).parent / "rules").write_text("new", encoding="utf-8")
    assert set(origins(shots, ruled)) == {"worked"}


def test_a_result_that_is_not_final_is_not_kept(shots: list[str], cache: Cache[Verdict]) -> None:
    choosy = replace(cache, is_final=is_odd)
    origins(shots, choosy)
    assert origins(shots, choosy) == ["worked", "cache"] * 20


def test_two_runs_at_once(shots: list[str], cache: Cache[Verdict]) -> None:
    found: list[list[str]] = []
    threads = [
        threading.Thread(target=lambda: found.append(origins(shots, cache))) for _ in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(found) == 4
    assert origins(shots, cache) == ["cache"] * 40
    assert not list(cache.folder.rglob("*.part"))


def test_a_folder_that_vanishes(shots: list[str], cache: Cache[Verdict]) -> None:
    import shutil

    origins(shots, cache)
    shutil.rmtree(cache.folder)
    assert origins(shots, cache) == ["worked"] * 40
    assert origins(shots, cache) == ["cache"] * 40


def test_stamps_are_trusted_only_where_that_was_asked_for(
    shots: list[str], cache: Cache[Verdict], monkeypatch: pytest.MonkeyPatch
) -> None:
    trusting = replace(cache, trust_stamps=True)
    old = time.time() - 100.0
    for path in shots[:-1]:
        os.utime(path, (old, old))
    assert set(origins(shots, trusting)) == {"worked"}
    read: list[str] = []

    def noted(path: str | Path) -> str:
        read.append(str(path))
        return file_digest(path)

    monkeypatch.setattr("audit.batch.cache.file_digest", noted)
    assert set(origins(shots, trusting)) == {"cache"}
    assert read == shots[-1:]  # it changed too short a time ago
    os.utime(shots[0], (old + 1, old + 1))
    assert set(origins(shots, trusting)) == {"cache"}
    assert shots[0] in read
    assert len(list(cache.folder.rglob(f"*{SUFFIX}"))) == len(shots)


def test_trimming_takes_what_was_not_used_for_longest(
    shots: list[str], cache: Cache[Verdict]
) -> None:
    origins(shots, cache)
    old = time.time() - 10_000.0
    for entry in cache.folder.rglob(f"*{SUFFIX}"):
        os.utime(entry, (old, old))
    origins(shots[:10], cache)
    left = cache.folder / "ab"
    left.mkdir(exist_ok=True)
    draft = left / ".0.part"
    draft.write_bytes(b"half")
    os.utime(draft, (old, old))
    size = sum(entry.stat().st_size for entry in cache.folder.rglob(f"*{SUFFIX}"))
    small = replace(cache, most_bytes=size // 2)
    assert small.trim() == 0  # looked at today already
    assert small.trim(now=True) > 0
    assert not draft.exists()
    assert origins(shots, cache)[:10] == ["cache"] * 10
    assert sum(entry.stat().st_size for entry in cache.folder.rglob(f"*{SUFFIX}")) <= size


def test_the_default_folder_is_the_users_own(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.platform", "linux")
    monkeypatch.setenv("XDG_CACHE_HOME", "/somewhere/else")
    assert default_folder() == Path("/somewhere/else/hinge-audit")
    monkeypatch.setenv("XDG_CACHE_HOME", "relative")
    assert default_folder() == Path.home() / ".cache" / "hinge-audit"
