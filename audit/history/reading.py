"""A record, or one Parquet file of it, as tables: whatever folders its files lie in."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from glob import escape, glob
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.dataset as pads
import pyarrow.parquet as pq

from audit.errors import InputError
from audit.history.columns import VERSION, VERSION_KEY, read_schemas, whole_runs

ROWS_AT_ONCE = 10_000


def record_table(folder: Path, table: str) -> Any:
    """Return a table of a record as a pyarrow dataset, after a look at the version of its newest file.

    Parameters
    ----------
    folder
        The record.
    table
        Its name.

    Returns
    -------
    pyarrow.dataset.Dataset
        Without files where there are none. Those of a run that was cut off are left out.

    Raises
    ------
    InputError
        Where a file is none of Parquet, or of a later version of this program.

    Notes
    -----
    Files may lie in different folders, one record having been parted by day and by month in turn: what the
    folders of a file do not say is taken from the file.
    """
    root = folder / table
    # Not Path.rglob, which does not follow links: a show may lie on another drive.
    files = whole_runs(sorted(glob(f"{escape(str(root))}/**/*.parquet", recursive=True)))
    if files:
        _refuse_later(max(files, key=lambda path: Path(path).name))
    schema, in_folders = read_schemas(table)
    return pads.dataset(
        files,
        schema=schema,
        format="parquet",
        partitioning=pads.partitioning(in_folders, flavor="hive"),
        partition_base_dir=str(root),
    )


def _refuse_later(path: str) -> None:
    try:
        metadata = pq.read_schema(path).metadata or {}
    except (OSError, pa.ArrowException) as error:
        raise InputError(
            f"is no Parquet file ({error})", path=path, hint="Take it out of the record"
        ) from error
    version = metadata.get(VERSION_KEY, b"")
    if not version.isdigit() or int(version) > VERSION:
        raise InputError(
            "was not recorded by this version of hinge-audit or an earlier one",
            path=path,
            hint="Install the version that recorded it, or take the file out",
        )


def file_rows(
    path: Path, table: str, needed: Sequence[str], others: Sequence[str] = ()
) -> Iterator[dict[str, Any]]:
    """Go through the rows of a single Parquet file of a record; no more than some of them are held at a time.

    Parameters
    ----------
    path
        The file. The folders that it lies in say nothing here.
    table
        The table that it is to hold, for the errors.
    needed, others
        Columns that it must have, and columns that are read where it has them.

    Raises
    ------
    InputError
        At once, where it cannot be read or lacks a column.
    """
    hint = f"Give a file from the folder {table!r} of a record, or the record itself"
    if not path.is_file():
        raise InputError("is no file and no record", path=path, hint=hint)
    try:
        file = pq.ParquetFile(path)
    except (OSError, pa.ArrowException) as error:
        raise InputError(
            f"is no Parquet file of {table} ({error})", path=path, hint=hint
        ) from error
    told = file.schema_arrow.names
    missing = ", ".join(each for each in needed if each not in told)
    if missing:
        raise InputError(f"lacks the columns {missing}", path=path, hint=hint)
    return _rows(file, [*needed, *(each for each in others if each in told)], path)


def _rows(file: Any, columns: Sequence[str], path: Path) -> Iterator[dict[str, Any]]:
    with file:
        try:
            for batch in file.iter_batches(ROWS_AT_ONCE, columns=columns):
                yield from batch.to_pylist()
        except (OSError, pa.ArrowException) as error:
            raise InputError(f"is damaged ({error})", path=path) from error
