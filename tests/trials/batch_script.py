"""A run over many shots, as a process of its own that the trials can stop, kill and starve.

    python -m tests.trials.batch_script OUT SHOTS [--resume] [--workers N] [--largest BYTES]

Prints a line for each shot that could not be done, and a line for each remark; writes ``OUT/results.json`` and
the record ``OUT/record`` at the end.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from audit.batch import Cache, Event, Journal, Packing, run
from audit.errors import AuditError
from audit.files import write_whole
from audit.history import Recorder

GIGABYTE = 2**30


def document_of(path: str) -> dict[str, Any]:
    """Return the results of a shot; one whose name says so asks for a gigabyte first."""
    from audit.pipeline import examine, read

    if "gigabyte" in path:
        bytearray(GIGABYTE)
    return examine(read(path)).document


def main() -> int:
    """Do the run and return its exit code."""
    parser = argparse.ArgumentParser()
    parser.add_argument("out", type=Path)
    parser.add_argument("shots", type=Path)
    parser.add_argument("--resume", action="store_true")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument(
        "--largest", type=int, help="bytes that any file may have, as on a full disk"
    )
    parser.add_argument("--cache", type=Path)
    asked = parser.parse_args()
    if asked.largest is not None:
        import resource

        resource.setrlimit(resource.RLIMIT_FSIZE, (asked.largest, asked.largest))
    try:
        return batch(asked)
    except KeyboardInterrupt:
        print("stopped", flush=True)
        return 130
    except AuditError as error:
        print(error, flush=True)
        return error.exit_code


def batch(asked: argparse.Namespace) -> int:
    """Do the run."""
    digest, packing = "trial", Packing()
    journal: Journal[dict[str, Any]] = Journal(asked.out, digest, packing, resume=asked.resume)
    cache = None if asked.cache is None else Cache[dict[str, Any]](asked.cache, digest, packing)
    shots = [str(path) for path in sorted(asked.shots.glob("*.bvh"))]
    results, failed = {}, False

    def told(event: Event[str, dict[str, Any]]) -> None:
        if event.remark:
            print(f"remark: {event.remark}", flush=True)
        elif event.outcome:
            print(f"finished: {event.done}", flush=True)

    with Recorder(asked.out / "record") as recorder:
        for outcome in run(
            document_of,
            shots,
            workers=asked.workers,
            memory_limit_bytes=GIGABYTE // 2,
            time_limit_s=60.0,
            cache=cache,
            journal=journal,
            on_event=told,
        ):
            if outcome.value is None:
                failed = True
                print(f"{outcome.item}: {outcome.reason}", flush=True)
                recorder.add_unreadable(outcome.item, outcome.reason)
            else:
                results[Path(outcome.item).name] = outcome.value["summary"]
                recorder.add(outcome.value, passed=True)
        text = json.dumps(results, sort_keys=True)
        write_whole(asked.out / "results.json", text.encode())
    journal.close(finished=True)
    return 3 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
