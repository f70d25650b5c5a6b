"""Results as a Parquet dataset that grows with every run: by one file a table, or by one for each rig.

Three tables, each a folder of its own with the same partitions: ``shots`` has one row a shot, ``joints`` one
row a joint a shot, ``findings`` one row a finding. A run writes all its files beside and puts them in place
together; those of ``shots`` come last, so a joint or a finding without its shot belongs to a run that was cut
off just then, and every answer leaves it out. Where a run has several files of a table, their names say how
many, and a run that lacks one of its ``shots`` was cut off as well.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import secrets
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from contextlib import ExitStack
from datetime import UTC, date, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self
from urllib.parse import quote

import pyarrow as pa
import pyarrow.parquet as pq

import audit
from audit.errors import OutputError, UsageError
from audit.files import draft_folder, not_written
from audit.gate import UnchangedFile
from audit.gate.data import Beside
from audit.history.columns import TABLES, UNNAMED_SHOW, file_name, folder_of, table_schema
from audit.plugins import SEVERITIES
from audit.policy import USUAL_PARTS
from audit.results import Document, flat_row

ROWS_AT_ONCE = 20_000
"""Rows that are held in memory before they are written."""

MOST_OPEN = 64
"""Files that are open at once: a run may have more rigs than the system allows files."""

MOST_IN_NAME = 160
"""Letters of a rig's name, as a folder may be called: systems allow 255 for all of it."""

Status = Literal["passed", "failed", "unreadable", "unchanged"]
Row = Mapping[str, Any]


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
    while len(quote(_clean(first))) > MOST_IN_NAME:
        first = first[:-1]
    return f"{first or 'empty'}-{whole.hexdigest()[:8]}"


class Recorder:
    """Appends one run to a record, whole or not at all.

    Parameters
    ----------
    folder
        The record; made where it does not exist.
    show_name, day
        What the run belongs to. The day is that of Greenwich where None is given.
    partition
        What its files are parted by: ``show``, ``rig``, ``year``, ``month``, ``day``, the outermost folder
        first. Runs of one record may differ in it.

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
        self,
        folder: Path,
        *,
        show_name: str = UNNAMED_SHOW,
        day: date | None = None,
        partition: Sequence[str] = USUAL_PARTS,
    ) -> None:
        if not show_name.strip():
            raise UsageError("a show needs a name", hint=f"Leave it out for {UNNAMED_SHOW!r}")
        self._folder = folder
        self._moment = datetime.now(UTC)
        self.run = f"{self._moment:%Y%m%dT%H%M%SZ}-{secrets.token_hex(4)}"
        self._show = show_name
        self._day = day or self._moment.date()
        self._partition = tuple(partition)
        self._rows: dict[str, list[Row]] = {table: [] for table in TABLES}
        self._writers: dict[tuple[str, Path], Any] = {}
        self._drafts: list[tuple[str, Path, Path]] = []
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
        path: str | None = None,
        passed_under: str | None = None,
        beside: Beside = (),
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
        path
            Its file, without the name of the shot that ``file`` has behind ``#`` in a file of several; that
            where None.
        passed_under
            See :class:`audit.gate.UnchangedFile`; None where the file is to be checked again in any case.
        beside
            The files that were read with it, each with its digest.
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
            | {"path": source["file"] if path is None else path}
            | _passing(passed_under, beside)
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
        self._rows["shots"].append(self._head(file, label, None) | row | {"path": file})
        self._write_some(ROWS_AT_ONCE)

    def add_unchanged(self, file: UnchangedFile) -> None:
        """Add a file that was not checked again, because it passed before and is what it was.

        Its row says no more than that. What was found on its shots stands in the run that checked them.
        """
        status: Status = "unchanged"
        row = {"status": status, "sha256": file.sha256, "tool_version": audit.__version__}
        passing = _passing(file.passed_under, file.beside)
        head = self._head(file.path, None, None)
        self._rows["shots"].append(head | row | {"path": file.path} | passing)
        self._write_some(ROWS_AT_ONCE)

    def _head(self, file: str, label: str | None, rig: str | None) -> dict[str, Any]:
        return {
            "run": self.run,
            "recorded_at": self._moment,
            "rig": rig,
            "shot": Path(file).stem if label is None else label,
            "file": file,
            "show_name": self._show,
            "date": self._day,
        }

    def _write_some(self, least: int) -> None:
        """Write the rows of each table that has so many of them."""
        for table, rows in self._rows.items():
            if len(rows) < least:
                continue
            parted: dict[Path, list[Row]] = {}
            for row in rows:
                rig = None if row["rig"] is None else _clean(row["rig"])
                parts = folder_of(self._partition, self._show, self._day, rig)
                parted.setdefault(parts, []).append(row)
            schema = table_schema(table, self._partition)
            try:
                for parts, some in parted.items():
                    self._writer(table, parts).write_table(_table(some, schema))
            except OSError as error:
                raise _not_written(self._folder, error) from error
            rows.clear()

    def _writer(self, table: str, parts: Path) -> Any:
        """Return what writes rows of a table into a folder; one that was long not asked for may close."""
        writer = self._writers.pop((table, parts), None)
        if writer is None:
            while len(self._writers) >= MOST_OPEN:
                self._closed(self._writers.pop(next(iter(self._writers))), is_wanted=True)
            draft = self._draft / f"{table}-{len(self._drafts)}"
            schema = table_schema(table, self._partition)
            writer = pq.ParquetWriter(draft, schema, compression="zstd")
            self._drafts.append((table, parts, draft))
        self._writers[table, parts] = writer
        return writer

    def _put_in_place(self) -> None:
        self._write_some(1)
        for writer in self._writers.values():
            self._closed(writer, is_wanted=True)
        placed: list[Path] = []
        try:
            for table in TABLES:
                drafts = [each for each in self._drafts if each[0] == table]
                for number, (_, parts, draft) in enumerate(drafts, 1):
                    name = file_name(self.run, number, len(drafts))
                    target = self._folder / table / parts / name
                    target.parent.mkdir(parents=True, exist_ok=True)
                    draft.replace(target)
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


def _passing(passed_under: str | None, beside: Beside) -> dict[str, str | None]:
    return {
        "passed_under": passed_under,
        "read_beside": json.dumps(beside) if passed_under and beside else None,
    }


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
