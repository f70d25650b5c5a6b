"""A run that was stopped goes on where it was, whatever state its journal is in."""

from __future__ import annotations

from pathlib import Path

import pytest

from audit.batch import Event, Journal, Packing, run
from audit.errors import OutputError, UsageError
from tests.unit.batch.tasks import Verdict, content, is_odd

PACKING = Packing((Verdict,))


@pytest.fixture
def shots(tmp_path: Path) -> list[str]:
    folder = tmp_path / "shots"
    folder.mkdir()
    for number in range(12):
        (folder / f"é{number:02}.txt").write_text(f"shot {number}", encoding="utf-8")
    return [str(path) for path in sorted(folder.iterdir())]


def journal(tmp_path: Path, digest: str = "d", *, resume: bool = True) -> Journal[Verdict]:
    return Journal(tmp_path / "out", digest, PACKING, resume=resume)


def half_run(shots: list[str], tmp_path: Path, *, resume: bool = False) -> Path:
    """Do five shots and stop."""
    kept = journal(tmp_path, resume=resume)
    outcomes = run(content, shots, workers=1, journal=kept)
    for _ in range(5):
        next(outcomes)
    outcomes.close()  # type: ignore[attr-defined]
    kept.close(finished=False)
    return kept.path


def origins(shots: list[str], tmp_path: Path) -> list[str]:
    """Finish the run, and return where each result came from, after a look at whether it is right."""
    kept = journal(tmp_path)
    outcomes = list(run(content, shots, workers=1, journal=kept))
    assert [each.value for each in outcomes] == [content(path) for path in shots]
    kept.close(finished=True)
    assert not kept.path.exists()
    return [each.origin for each in outcomes]


def test_it_goes_on(shots: list[str], tmp_path: Path) -> None:
    half_run(shots, tmp_path)
    assert origins(shots, tmp_path) == ["journal"] * 5 + ["worked"] * 7


def test_twice_stopped(shots: list[str], tmp_path: Path) -> None:
    half_run(shots, tmp_path)
    half_run(shots[4:], tmp_path, resume=True)
    assert origins(shots, tmp_path) == ["journal"] * 9 + ["worked"] * 3


def test_a_result_that_does_not_stand_is_worked_out_again(shots: list[str], tmp_path: Path) -> None:
    kept: Journal[Verdict] = Journal(tmp_path / "out", "d", PACKING, is_final=is_odd)
    list(run(content, shots, workers=1, journal=kept))
    kept.close(finished=False)
    assert origins(shots, tmp_path) == ["worked", "journal"] * 6


def test_without_resume_it_begins_anew(shots: list[str], tmp_path: Path) -> None:
    half_run(shots, tmp_path)
    kept = journal(tmp_path, resume=False)
    assert len(kept) == 0
    kept.close(finished=False)
    assert origins(shots, tmp_path) == ["worked"] * 12


def test_resume_with_nothing_there_begins_anew(shots: list[str], tmp_path: Path) -> None:
    assert origins(shots, tmp_path) == ["worked"] * 12


def test_a_line_that_was_cut_off_at_any_place(shots: list[str], tmp_path: Path) -> None:
    path = half_run(shots, tmp_path)
    whole = path.read_bytes()
    last = whole[:-1].rindex(b"\n") + 1
    for length in range(last, len(whole), 7):
        path.write_bytes(whole[:length])
        with_four = journal(tmp_path)
        assert len(with_four) == 4
        with_four.add(shots[9], "stamp", Verdict("a", "b"))
        with_four.close(finished=False)
        again = journal(tmp_path)
        assert len(again) == 5  # the new line did not stick to the half one
        again.close(finished=False)
    path.write_bytes(whole[:-1])  # only the end of the line is missing
    assert origins(shots, tmp_path).count("journal") == 5


def test_a_damaged_line_in_the_middle(shots: list[str], tmp_path: Path) -> None:
    path = half_run(shots, tmp_path)
    lines = path.read_bytes().split(b"\n")
    lines[2] = lines[2][:30] + b"#" + lines[2][31:]
    path.write_bytes(b"\n".join(lines))
    assert origins(shots, tmp_path) == ["journal", "worked", *["journal"] * 3, *["worked"] * 7]


def test_a_shot_that_changed_is_done_again(shots: list[str], tmp_path: Path) -> None:
    half_run(shots, tmp_path)
    Path(shots[1]).write_text("another length", encoding="utf-8")
    Path(shots[2]).unlink()
    assert origins([shots[0], shots[1], shots[3]], tmp_path) == ["journal", "worked", "journal"]


def test_other_options_are_refused(shots: list[str], tmp_path: Path) -> None:
    path = half_run(shots, tmp_path)
    with pytest.raises(UsageError, match=r"other options.*Leave --resume out"):
        journal(tmp_path, "other")
    path.write_bytes(b"something else")
    with pytest.raises(OutputError, match="damaged at its beginning"):
        journal(tmp_path)


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file", encoding="utf-8")
    with pytest.raises(OutputError, match="cannot be written"):
        journal(tmp_path)


def test_a_journal_that_breaks_is_said_once_and_ends_nothing(
    shots: list[str], tmp_path: Path
) -> None:
    kept = journal(tmp_path)
    kept._file.close()
    kept._file = open(kept.path, "rb", buffering=0)  # noqa: SIM115 (a file that cannot be written)
    events: list[Event[str, Verdict]] = []
    outcomes = list(run(content, shots, workers=1, journal=kept, on_event=events.append))
    assert [each.value for each in outcomes] == [content(path) for path in shots]
    assert [event.remark for event in events if event.remark] == [
        f"{kept.path}: cannot be written (File not open for writing), so this run cannot be resumed"
    ]
    kept.close(finished=True)
