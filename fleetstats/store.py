"""The DuckDB file of a fleet: opens it, runs the SQL models and checks, keeps and hands out results."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from types import TracebackType
from typing import Any

import duckdb
import polars as pl

from fleetstats.errors import StoreError
from fleetstats.models import Model, checks, models
from fleetstats.schema import open_store
from fleetstats.settings import Settings
from fleetstats.tables import TABLES, declared

DISK_ERRORS = (
    duckdb.IOException,
    duckdb.OutOfMemoryException,
    duckdb.SerializationException,
    duckdb.InternalException,
    duckdb.FatalException,
    duckdb.TransactionException,
)
CHECK_COLUMNS = "check_name, severity, site_id, visit_id, rows, message, what_to_do"


@dataclass(frozen=True, slots=True)
class Relations:
    """Everything known of the fleet at `as_of`: where SQL ends and Python begins.

    Each field but `as_of` is a polars frame; grain, units and columns stand at the head of the SQL model of
    the same name. `checks` holds what the checks found: check, severity, site_id, visit_id, rows, message,
    what_to_do.
    """

    as_of: date
    spells: pl.DataFrame
    left_out: pl.DataFrame
    readings: pl.DataFrame
    stages_read: pl.DataFrame
    in_place: pl.DataFrame
    visits: pl.DataFrame
    sites: pl.DataFrame
    work: pl.DataFrame
    parts: pl.DataFrame
    changes: pl.DataFrame
    samples: pl.DataFrame
    site_limits: pl.DataFrame
    decisions: pl.DataFrame
    checks: pl.DataFrame


class _Frame:
    """A polars frame that DuckDB can scan: it reads the Arrow stream itself, without pyarrow."""

    def __init__(self, frame: pl.DataFrame) -> None:
        self._frame = frame

    def __arrow_c_stream__(self, requested_schema: object = None) -> object:
        return self._frame.__arrow_c_stream__(requested_schema)


class Store:
    """The store of one fleet: a DuckDB file, or ":memory:".

    Parameters
    ----------
    path : str or Path
        The file; made if it does not exist, unless `read_only`.
    read_only : bool
        Open without the right to change it.

    Raises
    ------
    StoreError
        If the file is in use, damaged, no store of fleetstats, or of a schema that cannot be brought up to
        date.
    """

    def __init__(self, path: str | Path, *, read_only: bool = False) -> None:
        self.path = str(path)
        self._con = open_store(self.path, read_only=read_only)

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; the store cannot be used after."""
        self._con.close()

    # -- plain access, for intake ------------------------------------------------------------------------

    def run(
        self, query: str, values: Mapping[str, Any] | Sequence[Any] | None = None
    ) -> list[tuple[Any, ...]]:
        """Return all rows that a statement gives, in order."""
        with self._telling():
            return self._con.execute(query, values).fetchall()

    def frame(self, query: str) -> pl.DataFrame:
        """Return the rows of a query as a frame."""
        with self._telling():
            return pl.DataFrame(self._con.sql(query))

    def stage(self, name: str, frame: pl.DataFrame) -> None:
        """Keep `frame` as the temporary table `name`, replacing any other of that name."""
        with self.lent("_incoming_frame", frame):
            self._con.execute(f'CREATE OR REPLACE TEMP TABLE "{name}" AS SELECT * FROM _incoming_frame')

    @contextmanager
    def lent(self, name: str, frame: pl.DataFrame) -> Iterator[None]:
        """Let queries of the block read `frame` as the view `name`, without a copy of it."""
        self._con.register(name, _Frame(frame))
        try:
            yield
        finally:
            self._con.unregister(name)

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Run the block as one transaction: all of it is kept, or after an error none.

        Raises
        ------
        StoreError
            If the file cannot be written (a full disk, a read-only file).
        """
        with self._telling():
            self._con.execute("BEGIN")
            try:
                yield
                self._con.execute("COMMIT")
            except BaseException:
                with suppress(duckdb.Error):  # the failed statement may have ended the transaction already
                    self._con.execute("ROLLBACK")
                raise

    @contextmanager
    def _telling(self) -> Iterator[None]:
        """Turn what the disk or the file is to blame for into a StoreError."""
        try:
            yield
        except DISK_ERRORS as exc:
            raise StoreError(
                f"store {self.path}: could not be read or written ({exc}); it is as before this "
                "command; free some room on the disk and try again, or put back a copy if the file is damaged"
            ) from exc

    # -- what is known -----------------------------------------------------------------------------------

    def has_records(self) -> bool:
        """Return whether any visit was ever accepted."""
        known = self.run(
            "SELECT 1 FROM duckdb_tables() WHERE schema_name = 'records' AND table_name = 'visits'"
        )
        return bool(known) and bool(self.run("SELECT 1 FROM records.visits LIMIT 1"))

    def latest_visit(self) -> date | None:
        """Return the latest accepted visit date, or None when there are no visits."""
        if not self.has_records():
            return None
        found: date | None = self.run("SELECT max(visit_date) FROM records.visits")[0][0]
        return found

    def relations(self, *, as_of: date, settings: Settings) -> Relations:
        """Return what was known of the fleet at `as_of`, later visits unseen.

        Parameters
        ----------
        as_of : date
            The day things are seen from; an earlier day gives what was known then.
        settings : Settings
            Says what ends the life of each component and what renews it.

        Raises
        ------
        StoreError
            If there are no records up to that day, or a model fails.
        """
        first = self.run("SELECT min(visit_date) FROM records.visits")[0][0] if self.has_records() else None
        if first is None:
            raise StoreError(
                f"store {self.path}: holds no visits yet; load records first: fleetstats load PATH"
            )
        if first > as_of:
            raise StoreError(
                f"store {self.path}: as-of {as_of} is before the first visit, {first}; give a later day"
            )
        self._stage_settings(settings)
        for model in models():
            self._run_model(model, as_of)
        names = [name for name in Relations.__slots__ if name not in ("as_of", "checks")]
        frames = {name: self.frame(f'FROM temp."{name}"') for name in names}
        return Relations(as_of=as_of, checks=self._run_checks(as_of), **frames)

    # -- results -----------------------------------------------------------------------------------------

    def keep(self, results: Mapping[str, pl.DataFrame], *, as_of: date) -> None:
        """Keep result tables, replacing those of an earlier run; all or none.

        Parameters
        ----------
        results : mapping of name to frame
            Every table of the run; tables of an earlier run that are not among them are dropped.
        as_of : date
            Kept with them as table `analysis`.

        Raises
        ------
        StoreError
            If a table is not as `fleetstats.tables` declares it, or the file cannot be written.
        """
        with self.transaction():
            for (name,) in self.run("SELECT table_name FROM duckdb_tables() WHERE schema_name = 'results'"):
                self.run(f'DROP TABLE results."{name}"')
            self._keep({**results, "analysis": pl.DataFrame({"as_of": [as_of]})})

    def keep_also(self, results: Mapping[str, pl.DataFrame]) -> None:
        """Keep result tables beside those of the last run, replacing any of the same name; all or none.

        Raises
        ------
        StoreError
            If the file cannot be written.
        """
        with self.transaction():
            self._keep(results)

    def table(self, name: str) -> pl.DataFrame:
        """Return a kept result table, or one of the load journal (loads, refused, corrections).

        Raises
        ------
        StoreError
            If there is no such table; the message names those there are.
        """
        places = self._places()
        if name not in places:
            raise StoreError(
                f"store {self.path}: no table '{name}'; there are {', '.join(sorted(places)) or 'none yet'}; "
                "run fleetstats analyse to make the results"
            )
        return self.frame(f'SELECT * FROM {places[name]}."{name}"')

    def tables(self) -> dict[str, list[str]]:
        """Return every table that `table` knows, with its columns."""
        places = self._places()
        found: dict[str, list[str]] = {name: [] for name in places}
        for schema, table, column in self.run(
            "SELECT schema_name, table_name, column_name FROM duckdb_columns() ORDER BY column_index"
        ):
            if places.get(table) == schema:
                found[table].append(column)
        return found

    def _places(self) -> dict[str, str]:
        rows = self.run(
            "SELECT table_name, schema_name FROM duckdb_tables() WHERE schema_name IN ('journal', 'results') "
            "ORDER BY schema_name, table_name"
        )
        return {name: schema for name, schema in rows if name in TABLES}

    # -- inside ------------------------------------------------------------------------------------------

    def _keep(self, results: Mapping[str, pl.DataFrame]) -> None:
        for name, frame in results.items():
            self.stage("_kept", declared(name).to_keep(frame))
            self.run(f'CREATE OR REPLACE TABLE results."{name}" AS SELECT * FROM temp._kept')
            self.run("DROP TABLE temp._kept")

    def _stage_settings(self, settings: Settings) -> None:
        kinds = list(settings.components.values())
        rules = pl.DataFrame(
            [(k.name, k.role.name, k.announced, k.pressure_limit_kpa, k.customary_days) for k in kinds],
            schema={
                "component": pl.String, "role": pl.String, "announced": pl.Boolean,
                "pressure_limit_kpa": pl.Float64, "customary_days": pl.Float64,
            },
            orient="row",
        )  # fmt: skip
        self.stage("component_rules", rules)
        left_out = pl.DataFrame({"kind": settings.changes_left_out}, schema={"kind": pl.String})
        self.stage("changes_left_out", left_out)
        lists = {
            "end_conditions": ("condition", {k.name: k.end_conditions for k in kinds}),
            "end_causes": ("cause", {k.name: k.callout_causes for k in kinds}),
            "renewing_actions": ("action", {k.name: k.renewed_by for k in kinds}),
        }
        for name, (column, words) in lists.items():
            rows = [(component, word) for component, several in words.items() for word in several]
            self.stage(
                name, pl.DataFrame(rows, schema={"component": pl.String, column: pl.String}, orient="row")
            )

    def _run_model(self, model: Model, as_of: date) -> None:
        try:
            self._con.execute(
                f'CREATE OR REPLACE TEMP TABLE "{model.name}" AS {model.query}',
                {"as_of": as_of} if "$as_of" in model.query else None,
            )
        except duckdb.Error as exc:
            raise StoreError(f"store {self.path}: model {model.name} failed: {exc}") from exc

    def _run_checks(self, as_of: date) -> pl.DataFrame:
        found = []
        for check in checks():
            self._run_model(check, as_of)
            found.append(f'SELECT {CHECK_COLUMNS} FROM temp."{check.name}"')
        return self.frame(" UNION ALL ".join(found) + " ORDER BY ALL").rename({"check_name": "check"})
