"""Results as a Parquet dataset that grows by one file a table with every run.

Three tables, each a folder of its own with the same partitions: ``shots`` has one row a shot, ``joints`` one
row a joint a shot, ``findings`` one row a finding. A run writes all its files beside and puts them in place
together; those of ``shots`` come last, so a joint or a finding without its shot belongs to a run that was cut
off just then, and every answer leaves it out.
"""

from __future__ import annotations

import hashlib
import os
import re
import secrets
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from contextlib import ExitStack
from datetime import UTC, date, datetime
from functools import cache
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self
from urllib.parse import quote

import pyarrow as pa
import pyarrow.parquet as pq

import audit
from audit.errors import OutputError, UsageError
from audit.files import draft_folder, not_written
from audit.plugins import SEVERITIES
from audit.results import Document, flat_row

VERSION = 1
"""Of the layout below; it stands in each file under :data:`VERSION_KEY`."""

VERSION_KEY = b"hinge_audit_record"

TABLES = ("findings", "joints", "shots")
"""In the order in which a run's files get their names."""

PARTITIONS = ("show_name", "date")
UNNAMED_SHOW = "unnamed"

ROWS_AT_ONCE = 20_000
"""Rows that are held in memory before they are written."""

Status = Literal["passed", "failed", "unreadable"]
Row = Mapping[str, Any]

_TEXT, _COUNT, _NUMBER, _YES = pa.string(), pa.int64(), pa.float64(), pa.bool_()
_RUN: dict[str, Any] = {
    "run": _TEXT,
    "recorded_at": pa.timestamp("us", tz="UTC"),
    "rig": _TEXT,
    "shot": _TEXT,
    "file": _TEXT,
}
_SHOT: dict[str, Any] = {
    "sha256": _TEXT,
    "format": _TEXT,
    "frames": _COUNT,
    "seconds": _NUMBER,
    "joints": _COUNT,
    "status": _TEXT,
    "reason": _TEXT,
    "hinges": _COUNT,
    "clean_hinges": _COUNT,
    "fix": _COUNT,
    "look": _COUNT,
    "note": _COUNT,
    "edit_keys_now": _COUNT,
    "edit_keys_after": _COUNT,
    "tool_version": _TEXT,
}
_FINDING: dict[str, Any] = {
    "joint": _TEXT,
    "check_name": _TEXT,
    "severity": _TEXT,
    "message": _TEXT,
    "value": _NUMBER,
    "limit_value": _NUMBER,
    "waived": _YES,
}
_AFTER = {"moving_channels": _COUNT, "channel_spread": _NUMBER, "edit_keys": _COUNT}
_JOINT: dict[str, Any] = {
    "joint": _TEXT,
    "parent": _TEXT,
    "rotation_order": _TEXT,
    "rotation_order_from": _TEXT,
    "kind": _TEXT,
    "range_deg": _NUMBER,
    **{f"shares_{place}": _NUMBER for place in (1, 2, 3)},
    "off_axis_deg": _NUMBER,
    **{f"hinge_axis_{letter}": _NUMBER for letter in "xyz"},
    "hinge_axis_interval_deg": _NUMBER,
    **{f"limb_axis_{letter}": _NUMBER for letter in "xyz"},
    "aim_error_deg": _NUMBER,
    "residual_deg": _NUMBER,
    **{
        f"channels_{letter}_{name}": kind
        for letter in "xyz"
        for name, kind in (("range_deg", _NUMBER), ("travel_deg", _NUMBER), ("keys", _COUNT))
    },
    "moving_channels": _COUNT,
    "channel_spread": _NUMBER,
    "leak": _NUMBER,
    "edit_keys": _COUNT,
    "twist_offset_deg": _NUMBER,
    "twist_interval_deg_low": _NUMBER,
    "twist_interval_deg_high": _NUMBER,
    "no_offset_because": _TEXT,
    **{f"after_twist_{name}": kind for name, kind in _AFTER.items()},
    **{f"full_offset_xyzw_{letter}": _NUMBER for letter in "xyzw"},
    "advised_order": _TEXT,
    **{f"after_full_{name}": kind for name, kind in _AFTER.items()},
    **{f"causes_{name}": _NUMBER for name in ("twist", "aim", "order", "own")},
    "findings": _TEXT,
}
_COLUMNS = {"shots": _RUN | _SHOT, "joints": _RUN | _JOINT, "findings": _RUN | _FINDING}


@cache
def table_schema(table: str) -> Any:
    """Return the pyarrow schema of a table's files; the partitions stand in the names of the folders.

    Parameters
    ----------
    table
        One of :data:`TABLES`.
    """
    return pa.schema(_COLUMNS[table], metadata={VERSION_KEY: str(VERSION).encode()})


def rig_of(joints: Iterable[Row]) -> str:
    """Return a name for a rig: its first joint, and eight digits that tell rigs of different joints apart.

    Parameters
    ----------
    joints
        Rows with ``joint`` and ``parent``, in the skeleton's order.
    """
    whole, first = hashlib.sha256(), ""
    for row in joints:
        first = first or row["joint"]
        whole.update(f"{row['joint']}\n{row['parent']}\n".encode("utf-8", "surrogatepass"))
    return f"{first or 'empty'}-{whole.hexdigest()[:8]}"


class Recorder:
    """Appends one run to a record, whole or not at all.

    Parameters
    ----------
    folder
        The record; made where it does not exist.
    show_name, day
        Partition of the run. The day is that of Greenwich where None is given.

    Examples
    --------
    >>> with Recorder(folder, show_name="harbour") as recorder:  # doctest: +SKIP
    ...     recorder.add(document, passed=True)

    Raises
    ------
    OutputError
        Where the folder cannot be written; at the start, while rows are added, or at the end.
    """

    def __init__(
        self, folder: Path, *, show_name: str = UNNAMED_SHOW, day: date | None = None
    ) -> None:
        if not show_name.strip():
            raise UsageError("a show needs a name", hint=f"Leave it out for {UNNAMED_SHOW!r}")
        self._folder = folder
        self._moment = datetime.now(UTC)
        self.run = f"{self._moment:%Y%m%dT%H%M%SZ}-{secrets.token_hex(4)}"
        day = day or self._moment.date()
        self._part = Path(f"show_name={quote(show_name, safe=' ')}", f"date={day.isoformat()}")
        self._rows: dict[str, list[Row]] = {table: [] for table in TABLES}
        self._writers: dict[str, Any] = {}
        self._stack = ExitStack()
        self._is_wanted = True

    def __enter__(self) -> Self:
        """Make the folder for drafts, so that a folder that cannot be written is known before the work."""
        self._draft = self._stack.enter_context(draft_folder(self._folder))
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Put the files in place; throw them away where an error ended the run."""
        with self._stack:
            try:
                if kind is None and self._is_wanted:
                    self._put_in_place()
            finally:
                for writer in self._writers.values():
                    if writer.is_open:
                        self._closed(writer, is_wanted=False)

    def discard(self) -> None:
        """Let nothing of this run be recorded, as where it was stopped."""
        self._is_wanted = False

    def add(
        self,
        document: Document,
        *,
        passed: bool,
        label: str | None = None,
        rig: str | None = None,
    ) -> None:
        """Add a shot from its results, as ``results.json`` has them; see :meth:`add_shot`."""
        found = [
            each | {"joint": row["joint"]} for row in document["joints"] for each in row["findings"]
        ]
        found += [each | {"joint": None} for each in document["findings"]]
        self.add_shot(
            document["source"],
            [flat_row(row) for row in document["joints"]],
            found,
            passed=passed,
            label=label,
            rig=rig,
        )

    def add_shot(
        self,
        source: Row,
        joints: Sequence[Row],
        findings: Sequence[Row],
        *,
        passed: bool,
        label: str | None = None,
        rig: str | None = None,
    ) -> None:
        """Add a shot.

        Parameters
        ----------
        source
            ``file``, ``sha256``, ``format``, ``frames``, ``seconds`` and ``joints`` (their number), as in the
            results.
        joints
            One row a joint, flat, as in ``joints.csv``.
        findings
            Rows with ``joint`` (None for the shot as a whole), ``check``, ``severity``, ``message``, ``value``,
            ``limit``, and ``waived`` where somebody accepted it.
        passed
            Whether it may be delivered.
        label
            Name of the shot, by which it is known again in later runs; that of its file, without folder and
            suffix, where None.
        rig
            Name of its rig; see :func:`rig_of` where None.
        """
        head = self._head(source["file"], label, rig_of(joints) if rig is None else rig)
        fields = ("sha256", "format", "frames", "seconds", "joints")
        counts = Counter(each["severity"] for each in findings if not each.get("waived"))
        status: Status = "passed" if passed else "failed"
        self._rows["shots"].append(
            head
            | {name: source[name] for name in fields}
            | {severity: counts[severity] for severity in SEVERITIES}
            | _sums(joints, findings)
            | {"status": status, "tool_version": audit.__version__}
        )
        for row in joints:
            flat = {name.replace(".", "_").lower(): value for name, value in row.items()}
            self._rows["joints"].append(flat | head)
        self._rows["findings"] += [_finding(head, each) for each in findings]
        self._write_some(ROWS_AT_ONCE)

    def add_unreadable(self, file: str, reason: str, *, label: str | None = None) -> None:
        """Add a shot that could not be read or used, with the sentence that says why."""
        status: Status = "unreadable"
        row = {"status": status, "reason": reason, "tool_version": audit.__version__}
        self._rows["shots"].append(self._head(file, label, None) | row)
        self._write_some(ROWS_AT_ONCE)

    def _head(self, file: str, label: str | None, rig: str | None) -> dict[str, Any]:
        return {
            "run": self.run,
            "recorded_at": self._moment,
            "rig": rig,
            "shot": Path(file).stem if label is None else label,
            "file": file,
        }

    def _write_some(self, least: int) -> None:
        """Write the rows of each table that has so many of them."""
        for table, rows in self._rows.items():
            if len(rows) < least:
                continue
            try:
                if table not in self._writers:
                    self._writers[table] = pq.ParquetWriter(
                        self._draft / table, table_schema(table), compression="zstd"
                    )
                self._writers[table].write_table(_table(rows, table_schema(table)))
            except OSError as error:
                raise _not_written(self._folder, error) from error
            rows.clear()

    def _put_in_place(self) -> None:
        self._write_some(1)
        for writer in self._writers.values():
            self._closed(writer, is_wanted=True)
        placed: list[Path] = []
        try:
            for table in TABLES:
                if table in self._writers:
                    target = self._folder / table / self._part / f"{self.run}.parquet"
                    target.parent.mkdir(parents=True, exist_ok=True)
                    (self._draft / table).replace(target)
                    placed.append(target)
        except OSError as error:
            for path in placed:
                path.unlink(missing_ok=True)
            raise not_written(self._folder, error) from error

    def _closed(self, writer: Any, *, is_wanted: bool) -> None:
        """Close a file; its last part is only written then, so that a full disk may show here."""
        try:
            writer.close()
        except OSError as error:
            if is_wanted:
                raise _not_written(self._folder, error) from error


def _not_written(folder: Path, error: OSError) -> OutputError:
    """Return the error for a record that cannot be written; Arrow hides the system's words in longer ones."""
    found = re.search(r"\[errno (\d+)\]", str(error), re.IGNORECASE)
    if found:
        number = int(found.group(1))
        return not_written(folder, OSError(number, os.strerror(number)))
    return not_written(folder, error)


def _sums(joints: Sequence[Row], findings: Sequence[Row]) -> dict[str, int]:
    """Return what the joints of a shot come to: hinges and edit keys, as in the summary of the results."""
    to_fix = {each["joint"] for each in findings if each["severity"] == "fix"}
    hinges = [row["joint"] for row in joints if row["kind"] == "hinge"]
    after = ("edit_keys", "after_twist.edit_keys", "after_full.edit_keys")
    return {
        "hinges": len(hinges),
        "clean_hinges": sum(joint not in to_fix for joint in hinges),
        "edit_keys_now": sum(row["edit_keys"] for row in joints),
        "edit_keys_after": sum(
            min(row[name] for name in after if row.get(name) is not None) for row in joints
        ),
    }


def _finding(head: Mapping[str, Any], finding: Row) -> dict[str, Any]:
    return {
        **head,
        "joint": finding["joint"],
        "check_name": finding["check"],
        "severity": finding["severity"],
        "message": finding["message"],
        "value": finding["value"],
        "limit_value": finding["limit"],
        "waived": bool(finding.get("waived", False)),
    }


def _table(rows: Sequence[Row], schema: Any) -> Any:
    columns = [
        pa.array([_clean(row.get(field.name)) for row in rows], field.type) for field in schema
    ]
    return pa.Table.from_arrays(columns, schema=schema)


def _clean(value: Any) -> Any:
    """Return a value as Parquet can hold it: a file's name may have bytes that are no text."""
    if isinstance(value, str):
        return value.encode("utf-8", "backslashreplace").decode("utf-8")
    return value
