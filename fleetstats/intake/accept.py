"""Accepts records: checks every row, sets aside what fails, and merges the rest in one transaction."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import polars as pl

from fleetstats.errors import IntakeError
from fleetstats.intake.fields import TABLES, Table
from fleetstats.intake.files import RawTable, is_table_name, read_tables
from fleetstats.intake.import_map import ImportMap
from fleetstats.intake.journal import (
    FileReport,
    forget,
    forget_mended,
    make_tables,
    next_load,
    note_cuts,
    note_load,
    note_misshapen,
    note_refused,
)
from fleetstats.intake.merge import Merged, merge
from fleetstats.intake.rules import cell_faults, literal, order_faults, quoted, reference_faults, typed_query
from fleetstats.intake.sheet_loads import SheetLoad, open_sheets
from fleetstats.store import Store

NEEDED = tuple(name for name, table in TABLES.items() if table.needed)


@dataclass(frozen=True, slots=True)
class LoadReport:
    """What became of every file of one load, in the order they were loaded."""

    files: tuple[FileReport, ...]

    @property
    def refused(self) -> int:
        """Return how many rows were refused."""
        return sum(file.refused for file in self.files)

    def __str__(self) -> str:
        """Return one line a file."""
        return "\n".join(map(str, self.files))


def load_paths(
    store: Store,
    paths: Iterable[Path | str],
    *,
    today: date,
    components: Collection[str] | None = None,
    import_map: ImportMap | None = None,
) -> LoadReport:
    """Return what became of each file after its accepted rows went into the store.

    Parameters
    ----------
    store : Store
        Open for writing.
    paths : iterable of Path
        Files or folders of records.
    today : date
        The day of loading: no visit may be later.
    components : collection of str, optional
        The components that the settings define; None accepts any name.
    import_map : ImportMap, optional
        Reads every path that is neither called after a table of records nor a folder of such files.

    Raises
    ------
    IntakeError
        If a file cannot be read at all, or sites, visits or work are neither given nor in the store.
    """
    own, by_map = _sorted_out(paths, import_map)
    sheets = [] if import_map is None else open_sheets(by_map, import_map, today=today, components=components)
    with store.transaction():
        make_tables(store)
        files = read_tables(own)
        for sheet in sheets:
            sheet.read(store)
        for sheet in sheets:
            files += sheet.make(store, [other for other in sheets if other is not sheet])
        _refuse_gaps(store, files)
        load_id = next_load(store)
        reports: list[FileReport] = []
        for table in TABLES.values():
            for group in _groups(table, files):
                reports += _Batch(store, _with_components(table, components), group, load_id, today).load()
        return LoadReport(tuple(_with_sheets(store, sheets, reports, load_id)))


def _sorted_out(paths: Iterable[Path | str], rules: ImportMap | None) -> tuple[list[Path], list[Path]]:
    """Return the paths that hold tables of records, and those that the map reads."""
    own: list[Path] = []
    by_map: list[Path] = []
    for path in map(Path, paths):
        mapped = rules is not None and (path.name == rules.file or not is_table_name(path))
        (by_map if mapped else own).append(path)
    return own, by_map


def _with_sheets(
    store: Store, sheets: Sequence[SheetLoad], reports: Sequence[FileReport], load_id: int
) -> list[FileReport]:
    """Return the reports, with one on each sheet in place of those on the tables that it made."""
    found = list(reports)
    for sheet in sheets:
        made = [report for report in found if report.file == sheet.identity]
        found = [report for report in found if report.file != sheet.identity]
        found.append(sheet.finish(store, load_id, made))
    return found


def _groups(table: Table, files: Sequence[RawTable]) -> list[list[RawTable]]:
    """Return the files of a table in groups that go in one after another.

    Work is replaced visit by visit, so all its files go in together, but for second copies of one.
    """
    batch = [file for file in files if file.table is table]
    if table.name != "work" or not batch:
        return [[file] for file in batch]
    first = {file.content_hash: file for file in reversed(batch)}
    together = [file for file in batch if first[file.content_hash] is file]
    return [together, *([file] for file in batch if file not in together)]


def _refuse_gaps(store: Store, files: Sequence[RawTable]) -> None:
    given = {file.table.name for file in files}
    for name in NEEDED:
        if name not in given and not store.run(f"SELECT 1 FROM records.{name} LIMIT 1"):
            found = ", ".join(file.file for file in files)
            raise IntakeError(
                f"{name} is missing: found are {found}; accepted as a first load are {', '.join(NEEDED)} "
                f"together: add {name}.csv"
            )


def _with_components(table: Table, components: Collection[str] | None) -> Table:
    if components is None:
        return table
    columns = (replace(c, words=tuple(components)) if c.kind == "name" else c for c in table.columns)
    return replace(table, columns=tuple(columns))


class _Batch:
    """The files of one table on their way into the store."""

    def __init__(
        self, store: Store, table: Table, files: Sequence[RawTable], load_id: int, today: date
    ) -> None:
        self.store, self.table, self.files, self.load_id, self.today = store, table, files, load_id, today
        columns = {name for file in files for name in file.rows.columns}
        self.present = [name for name in table.names if name in columns]

    def load(self) -> list[FileReport]:
        """Return what became of each file."""
        rows = self._stage()
        with self.store.lent("incoming", rows):
            query = typed_query(self.table, self.present)
            values = {"today": self.today} if "$today" in query else None
            self.store.run(f"CREATE OR REPLACE TEMP TABLE typed AS {query}", values)
        forget(self.store, self.table.name)
        self._judge(rows)
        good = dict(self.store.run("SELECT file_no, count(*) FROM temp.typed GROUP BY file_no"))
        merged = merge(self.store, self.table, self.present, self.load_id)
        forget_mended(self.store, self.table.name)
        note_cuts(self.store, self.table.name)
        note_refused(self.store, self.table, self.present)
        for file in self.files:
            note_misshapen(self.store, file, self._first_load(file) or self.load_id)
        return [self._report(file, n, good.get(n, 0), merged) for n, file in enumerate(self.files)]

    # -- steps -------------------------------------------------------------------------------------------

    def _stage(self) -> pl.DataFrame:
        """Return the rows to be judged: of a file loaded before, only those refused then."""
        frames, index = [], []
        for number, file in enumerate(self.files):
            rows = self._rows_to_judge(file)
            frames.append(
                rows.with_columns(
                    pl.lit(number, pl.Int32).alias("file_no"),
                    pl.lit(file.decimal_comma).alias("decimal_comma"),
                )
            )
            index.append(
                (number, self._first_load(file) or self.load_id, file.file, file.sheet, file.content_hash)
            )
        schema = {
            "file_no": pl.Int32, "load_id": pl.Int32, "file": pl.String, "sheet": pl.String,
            "content_hash": pl.String,
        }  # fmt: skip
        self.store.stage("incoming_files", pl.DataFrame(index, schema=schema, orient="row"))
        return pl.concat(frames, how="diagonal")

    def _first_load(self, file: RawTable) -> int | None:
        """Return the number of the load that read this very content first, None if none did."""
        query = "SELECT min(load_id) FROM journal.loads WHERE content_hash = $h AND table_name = $t"
        found = self.store.run(query, {"h": file.content_hash, "t": self.table.name})[0][0]
        return None if found is None else int(found)

    def _rows_to_judge(self, file: RawTable) -> pl.DataFrame:
        if self._first_load(file) is None:
            return file.rows
        query = (
            "SELECT DISTINCT line FROM journal.refused "
            "WHERE content_hash = $h AND table_name = $t AND kind = 'row'"
        )
        found = self.store.run(query, {"h": file.content_hash, "t": self.table.name})
        again = file.rows.filter(pl.col("line").is_in([line for (line,) in found]))
        if self.table.name == "work":  # the work of a visit goes in whole
            again = file.rows.filter(pl.col("visit_id").is_in(again["visit_id"].unique().to_list()))
        return again

    def _judge(self, rows: pl.DataFrame) -> None:
        """Put what is wrong with the rows in `typed` into `faults`, and move those refused to `faulty`."""
        run, table = self.store.run, self.table
        run(
            'CREATE OR REPLACE TEMP TABLE faults (file_no INTEGER, line BIGINT, "column" VARCHAR, '
            "value VARCHAR, reason VARCHAR, whole_row BOOLEAN)"
        )
        if self._stage_raw(rows, "temp.typed WHERE doubtful"):
            for faults in cell_faults(table, self.present):
                run(f"INSERT INTO temp.faults {faults}")
        for faults in reference_faults(table):
            run(f"INSERT INTO temp.faults {faults}")
        for column, faults in order_faults(table):
            run(f"CREATE OR REPLACE TEMP TABLE late AS {faults}")
            if run("SELECT 1 FROM temp.late LIMIT 1"):
                run("INSERT INTO temp.faults FROM temp.late")
                run(
                    f"UPDATE temp.typed AS t SET {quoted(column)} = NULL FROM temp.late AS f "
                    "WHERE (f.file_no, f.line) = (t.file_no, t.line)"
                )
        self._stage_raw(rows, "temp.faults")
        run(
            "CREATE OR REPLACE TEMP TABLE faulty AS SELECT t.* FROM temp.typed AS t "
            "SEMI JOIN temp.faults AS f ON f.whole_row AND (f.file_no, f.line) = (t.file_no, t.line)"
        )
        run(
            "DELETE FROM temp.typed AS t USING temp.faulty AS f "
            "WHERE (f.file_no, f.line) = (t.file_no, t.line)"
        )
        names = ", ".join(quoted(name) for name in table.names)
        of_file = " ".join(f"WHEN {n} THEN {literal(file.file)}" for n, file in enumerate(self.files))
        run(
            f"CREATE OR REPLACE TEMP VIEW accepted AS SELECT file_no, CASE file_no {of_file} END AS file, "
            f"line, {names} FROM temp.typed"
        )

    def _stage_raw(self, rows: pl.DataFrame, among: str) -> bool:
        """Return whether `among` names any rows, after putting those rows as they were written into `raw`."""
        named = self.store.frame(f"SELECT DISTINCT file_no, line FROM {among}")
        # by the line alone first: quicker than to join all rows
        near = rows.filter(pl.col("line").is_in(named["line"].unique().to_list()))
        written = near.join(named, on=["file_no", "line"], how="semi").drop("decimal_comma")
        self.store.stage("raw", written)
        return bool(named.height)

    def _report(self, file: RawTable, number: int, good: int, merged: Merged) -> FileReport:
        """Return what became of one file, and write it down unless nothing came of it."""
        run, values = self.store.run, {"h": file.content_hash, "t": self.table.name}
        refused, aside = run(
            "SELECT count(*) FILTER (kind = 'row'), count(*) FILTER (kind = 'value') FROM journal.refused "
            "WHERE content_hash = $h AND table_name = $t",
            values,
        )[0]
        accepted = good - merged.repeated[number]
        report = FileReport(
            file.file, file.sheet, self.table.name, file.rows_read, accepted,
            file.rows_read - refused - accepted, refused, aside, merged.changed[number],
            file.ignored_columns, (*file.notes, *self._years_alone(number)),
        )  # fmt: skip
        if file.mapped:  # the journal keeps an account of the sheet as a whole
            return report
        first = self._first_load(file)
        if first is None and report.repeated != merged.repeated[number]:
            raise IntakeError(
                f"{file.file}: {good} good and {refused} refused rows do not add up to {file.rows_read} rows "
                "read; nothing was loaded; this is a fault of fleetstats: report it with the file"
            )
        if first is None or accepted or report.changed:
            note_load(self.store, self.load_id, self.today, file.content_hash, report)
        return report

    def _years_alone(self, number: int) -> list[str]:
        notes = []
        for column in self.table.columns:
            if column.kind == "date_or_year" and column.name in self.present:
                query = (
                    f"SELECT count(*) FROM temp.typed WHERE raw_{column.name} LIKE '____' "
                    f"AND {column.name} IS NOT NULL AND file_no = $n"
                )
                found = self.store.run(query, {"n": number})[0][0]
                notes += (
                    [f"{found} rows give {column.name} as a year alone: taken as 1 July"] if found else []
                )
        return notes
