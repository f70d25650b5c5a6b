"""The layout of a record: its tables, their columns, and the folders that its files lie in.

Every row belongs to a show and a day. What the folders above a file say, as Hive's partitions do, does not
stand in the file as well; what they do not say stands there.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pyarrow as pa

from audit.policy import USUAL_PARTS

VERSION = 2
"""Of the layout below; it stands in each file under :data:`VERSION_KEY`."""

VERSION_KEY = b"hinge_audit_record"

TABLES = ("findings", "joints", "shots")
"""In the order in which a run's files get their names."""

UNNAMED_SHOW = "unnamed"
NOTHING = "__HIVE_DEFAULT_PARTITION__"
"""What a folder is called for rows that have no such value, as Hive does."""

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
    "path": _TEXT,
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
    "passed_under": _TEXT,
    "read_beside": _TEXT,
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


_PARTED: dict[str, Any] = {"show_name": _TEXT, "date": pa.date32()}
"""Columns that are not in a file where its folders say them."""

_NUMBERED = re.compile(r"(?P<run>.+)\.\d+-of-(?P<count>\d+)\.parquet")

_NAMES = {"show": "show_name", "rig": "rig", "year": "year", "month": "month", "day": "date"}
"""What the folders are called, for each word of a policy."""


@cache
def table_schema(table: str, partition: tuple[str, ...] = USUAL_PARTS) -> Any:
    """Return the pyarrow schema of a table's files.

    Parameters
    ----------
    table
        One of :data:`TABLES`.
    partition
        What they are parted by, in the words of a policy.
    """
    in_folders = {_NAMES[part] for part in partition}
    columns = {
        name: kind for name, kind in (_COLUMNS[table] | _PARTED).items() if name not in in_folders
    }
    return pa.schema(columns, metadata={VERSION_KEY: str(VERSION).encode()})


def read_schemas(table: str) -> tuple[Any, Any]:
    """Return the schema of a table as it is read, and that of what folders may say of it.

    Parameters
    ----------
    table
        One of :data:`TABLES`.
    """
    columns = _COLUMNS[table] | _PARTED
    in_folders = {name: columns[name] for name in _NAMES.values() if name in columns}
    return pa.schema(columns), pa.schema(in_folders)


def folder_of(partition: Sequence[str], show_name: str, day: date, rig: str | None) -> Path:
    """Return the folders that a row's file lies in, below that of its table.

    Parameters
    ----------
    partition
        What files are parted by, in the words of a policy, the outermost folder first.
    show_name, day, rig
        What the row belongs to.
    """
    values = {
        "show": quote(show_name, safe=" "),
        "rig": NOTHING if rig is None else quote(rig, safe=" "),
        "year": f"{day.year}",
        "month": f"{day:%Y-%m}",
        "day": day.isoformat(),
    }
    return Path(*(f"{_NAMES[part]}={values[part]}" for part in partition))


def file_name(run: str, number: int, count: int) -> str:
    """Return what a file of a run is called: one of several says which one, and of how many.

    Parameters
    ----------
    run
        The run.
    number, count
        Which of the run's files of a table it is, from 1, and of how many.
    """
    return f"{run}.parquet" if count == 1 else f"{run}.{number}-of-{count}.parquet"


def whole_runs(paths: Sequence[str]) -> list[str]:
    """Return the files that belong to runs of which no file is missing; the others were cut off.

    Parameters
    ----------
    paths
        All files of a table.
    """
    found = [(path, _NUMBERED.fullmatch(Path(path).name)) for path in paths]
    counts = Counter((name["run"], name["count"]) for _, name in found if name)
    return [
        path
        for path, name in found
        if name is None or counts[name["run"], name["count"]] == int(name["count"])
    ]
