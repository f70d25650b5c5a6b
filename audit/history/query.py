"""Answers from a record, by DuckDB over its Parquet files.

DuckDB itself opens no file: pyarrow reads the record, and a question sees three tables and nothing else.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from importlib import import_module
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from audit.errors import InputError, UsageError
from audit.history.baseline import against_baseline
from audit.history.columns import TABLES
from audit.history.reading import record_table

CLOSED = {
    "temp_directory": "''",
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "python_enable_replacements": "false",
    "enable_external_access": "false",
    "lock_configuration": "true",
}
"""Keeps a question from files, extensions, the network and Python; the last one locks the others."""

UNCHANGED = "unchanged"
"""Status of files that were not checked again: their rows say nothing more, and questions do not see them."""

ROWS_AT_ONCE = 10_000
"""Rows of an answer that are held at a time where it may be long."""

_FINDING = "show_name, shot, joint, check_name, severity, message, value, limit_value"


@dataclass(frozen=True, slots=True)
class Answer:
    """A table: names of its columns, and its rows."""

    columns: tuple[str, ...]
    rows: list[tuple[Any, ...]]

    def dicts(self) -> list[dict[str, Any]]:
        """Return the rows by name of column."""
        return [dict(zip(self.columns, row, strict=True)) for row in self.rows]


class History:
    """A record that is open for questions.

    Parameters
    ----------
    folder
        The record.

    Raises
    ------
    UsageError
        Where the extra ``history`` is not installed.
    InputError
        Where the folder holds no record, or one of a later version of this program.
    """

    def __init__(self, folder: Path) -> None:
        try:
            self._duckdb: Any = import_module("duckdb")
        except ImportError as error:
            raise UsageError(
                "a history needs the package duckdb",
                hint="Install it with: pip install 'hinge-audit[history]'",
            ) from error
        self.folder = folder
        self._connection: Any = self._duckdb.connect()
        sets = {table: record_table(folder, table) for table in TABLES}
        if not sets["shots"].files:
            raise InputError(
                "holds no record", path=folder, hint="Make one with: hinge-audit check --record DIR"
            )
        for table, found in sets.items():
            self._connection.register(f"all_{table}", found)
        # A run whose files were not all put in place has no shots, and does not count.
        self._connection.execute(
            f"create view shots as from all_shots where status <> '{UNCHANGED}'"
        )
        for table in ("joints", "findings"):
            self._connection.execute(
                f"create view {table} as from all_{table} where run in (select run from all_shots)"
            )
        for name, value in CLOSED.items():
            self._connection.execute(f"set {name} = {value}")

    def __enter__(self) -> Self:
        """Return the history itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Let go of the record."""
        self._connection.close()

    def ask(self, sql: str) -> Answer:
        """Answer a question in SQL over the tables ``shots``, ``joints`` and ``findings``.

        Parameters
        ----------
        sql
            One ``select``.

        Raises
        ------
        UsageError
            Where it is something else than one question, has a mistake, or asks for what is closed to it.
        """
        kinds = self._duckdb.StatementType
        try:
            statements = self._connection.extract_statements(sql)
            if len(statements) != 1 or statements[0].type not in (kinds.SELECT, kinds.EXPLAIN):
                raise UsageError(
                    "only a single question can be asked",
                    hint="Give one select; a record is never changed",
                )
            return self._answer(statements[0])
        except self._duckdb.Error as error:
            raise UsageError(
                f"this question has no answer: {str(error).strip()}",
                hint="The tables are shots, joints and findings; `describe shots` lists columns",
            ) from error

    def rigs(self) -> list[str]:
        """Return the names of all rigs, those with most shots first."""
        answer = self._answer(
            "select rig from shots where rig is not null "
            "group by rig order by count(distinct shot) desc, rig"
        )
        return [row[0] for row in answer.rows]

    def last_day(self) -> date:
        """Return the day of the last run."""
        day: date = self._answer("select max(date) from all_shots").rows[0][0]
        return day

    def worst_joints(
        self, *, rig: str | None = None, since: date | None = None, most: int = 50
    ) -> Answer:
        """Return the joints that cost most, over the last recording of each shot.

        Parameters
        ----------
        rig
            One rig; all where None.
        since
            Leave out shots that were not recorded since that day.
        most
            How many rows.
        """
        return self._answer(
            f"""
            with last as ({_last("date >= $since or $since is null")})
            select rig, joint, count(*) as shots,
                sum((twist_offset_deg is not null)::int)::bigint as shots_with_offset,
                sum(edit_keys)::bigint as edit_keys,
                sum(edit_keys - least(edit_keys, after_twist_edit_keys, after_full_edit_keys))::bigint
                    as keys_saved,
                round(avg(channel_spread), 3) as mean_channel_spread,
                round(median(twist_offset_deg), 3) as median_twist_offset_deg
            from joints semi join last using (run, file, shot)
            where rig = $rig or $rig is null
            group by rig, joint
            order by keys_saved desc, edit_keys desc, rig, joint
            limit $most
            """,
            {"rig": rig, "since": since, "most": most},
        )

    def never_passed(self, *, rig: str | None = None) -> Answer:
        """Return the shots that passed in no run, with what their last run says."""
        return self._answer(
            """
            select show_name, shot, count(distinct run) as runs,
                min(date) as first_date, max(date) as last_date,
                arg_max(status, recorded_at) as last_status,
                arg_max(fix, recorded_at) as last_fix,
                arg_max(reason, recorded_at) as last_reason
            from shots
            where rig = $rig or $rig is null
            group by show_name, shot
            having not bool_or(status = 'passed')
            order by last_date desc, show_name, shot
            """,
            {"rig": rig},
        )

    def trend(self, *, rig: str | None = None) -> Answer:
        """Return how each rig did, day by day: its shots, what they cost, and what is to be fixed.

        A file that was not checked again on a day counts there with what its last check said.
        """
        return self._answer(
            f"""
            with again as (
                select checked.* replace (mark.run as run, mark.recorded_at as recorded_at, mark.date as date)
                from all_shots mark join shots checked
                    using (show_name, sha256, path)
                where mark.status = '{UNCHANGED}' and checked.recorded_at < mark.recorded_at
                qualify rank() over (
                    partition by mark.run, show_name, path
                    order by checked.recorded_at desc, checked.run desc
                ) = 1
            ),
            told as (from shots union all by name from again),
            day as ({_last("true", "rig, date,", "told")})
            select rig, date, count(*) as shots,
                sum((status = 'passed')::int)::bigint as passed,
                sum(fix)::bigint as fix, sum(look)::bigint as look,
                sum(edit_keys_now)::bigint as edit_keys_now,
                sum(edit_keys_after)::bigint as edit_keys_after,
                sum(hinges)::bigint as hinges, sum(clean_hinges)::bigint as clean_hinges
            from day
            where rig is not null and (rig = $rig or $rig is null)
            group by rig, date order by rig, date
            """,
            {"rig": rig},
        )

    def worse_since(self, day: date, *, rig: str | None = None) -> Answer:
        """Return the findings that are new or worse since a day.

        Parameters
        ----------
        day
            Each shot's last recording of that day or later is held against its last one before that day; see
            :func:`audit.history.baseline.against_baseline`. A shot without an earlier one is left out.
        rig
            One rig; all where None.
        """
        columns = ("news", *_FINDING.split(", "))
        rows = []
        then = self.findings_at(day, rig=rig)
        for row, news in against_baseline(_named(self._findings_since(day, rig)), _named(then)):
            if news != "known":
                plain = {**row, "shot": row["shot"][1]}
                rows.append((news, *(plain[name] for name in columns[1:])))
        return Answer(columns, rows)

    def findings_at(self, day: date | None, *, rig: str | None = None) -> list[dict[str, Any]]:
        """Return the findings of each shot's last recording before a day; of its very last where None."""
        return self._answer(
            f"""
            with last as ({_last("date < $day or $day is null")})
            select {_FINDING} from findings semi join last using (run, file, shot)
            where not waived and (rig = $rig or $rig is null) order by all
            """,
            {"day": day, "rig": rig},
        ).dicts()

    def passes(self, show_name: str | None = None) -> Iterator[tuple[str, str, str | None]]:
        """Go through the files that passed when they were last looked at.

        Parameters
        ----------
        show_name
            Of this show only; of all where None.

        Yields
        ------
        (sha256, passed_under, read_beside)
            As the table ``shots`` has them. Files that have to be checked again in any case are left out.
        """
        done = self._connection.execute(
            f"""
            with last as (
                select * from all_shots where show_name = $show or $show is null
                qualify rank() over (
                    partition by show_name, coalesce(path, file) order by recorded_at desc, run desc
                ) = 1
            )
            select distinct sha256, passed_under, read_beside from last
            where status in ('passed', '{UNCHANGED}') and passed_under is not null and sha256 is not null
            """,
            {"show": show_name},
        )
        while rows := done.fetchmany(ROWS_AT_ONCE):
            yield from rows

    def _findings_since(self, day: date, rig: str | None) -> list[dict[str, Any]]:
        return self._answer(
            f"""
            with last as ({_last("date >= $day")})
            select {_FINDING} from findings semi join last using (run, file, shot)
            where not waived and (rig = $rig or $rig is null)
                and (show_name, shot) in (select (show_name, shot) from shots where date < $day)
            order by all
            """,
            {"day": day, "rig": rig},
        ).dicts()

    def _answer(self, sql: Any, values: dict[str, Any] | None = None) -> Answer:
        done = self._connection.execute(sql, values) if values else self._connection.execute(sql)
        return Answer(tuple(column[0] for column in done.description), done.fetchall())


def _last(condition: str, by: str = "", table: str = "shots") -> str:
    """Return the question for the last recording of each shot among those that meet a condition."""
    return (
        f"select * from {table} where ({condition}) qualify row_number() over "
        f"(partition by {by} show_name, shot order by recorded_at desc, run desc, file) = 1"
    )


def _named(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return findings whose shots are told apart by their show as well."""
    return [row | {"shot": (row["show_name"], row["shot"])} for row in rows]
