"""Takes the rows that a map made of a sheet into the store, in place of all that came from that sheet before."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import polars as pl

from fleetstats.intake import set_aside
from fleetstats.intake.fields import TABLES
from fleetstats.intake.files import RawTable
from fleetstats.intake.import_map import ImportMap
from fleetstats.intake.journal import FileReport, note_load
from fleetstats.intake.mapped import MappedRows, map_rows
from fleetstats.intake.origin import Origin, reason_for, sources_of
from fleetstats.intake.readers import Grid, read_grids
from fleetstats.intake.readers.choose import file_bytes
from fleetstats.intake.site_facts import Doubt, gather_facts
from fleetstats.intake.withdraw import moved_lines, withdraw
from fleetstats.store import Store

#: How a sheet as a whole is called in the journal of loads, where its tables are not named one by one.
SHEET = "sheet"
#: Several rows of work stand on one line of a sheet: while they are judged each has a number of its own.
_APART, _BELOW = 1000, 10**15


@dataclass(slots=True)
class SheetLoad:
    """One sheet on its way into the store."""

    grid: Grid
    rules: ImportMap
    digest: str
    today: date
    components: tuple[str, ...]
    mended_before: frozenset[int] = frozenset()
    rows: MappedRows = field(init=False)
    known_visits: frozenset[str] = frozenset()
    doubts: tuple[Doubt, ...] = ()
    tables: tuple[RawTable, ...] = ()

    @property
    def file(self) -> str:
        """Return the name of the file, or the one the map gives for all files of this source."""
        return self.rules.source or Path(self.grid.file).name

    @property
    def identity(self) -> str:
        """Return the name under which the records of this sheet are kept: a reload replaces what it names."""
        return self.file if self.grid.sheet is None else f"{self.file} [{self.grid.sheet}]"

    @property
    def is_mending(self) -> bool:
        """Return whether the sheet is one of rows that were set aside: it adds, and replaces nothing."""
        return set_aside.is_set_aside(self.grid.header)

    # -- before the tables are loaded --------------------------------------------------------------------

    def prepare(self, store: Store) -> tuple[RawTable, ...]:
        """Return the tables that the sheet makes, after the journal forgot what it held of it."""
        grid = set_aside.unguard(self.grid) if self.is_mending else self.grid
        if not self.is_mending:
            self.mended_before = set_aside.mended_lines(store, grid)
            grid = set_aside.without_lines(grid, self.mended_before)
            for name, file in (("refused", self.file), ("cuts", self.identity)):
                store.run(f"DELETE FROM journal.{name} WHERE file = $f", {"f": file})
        self.rows = map_rows(grid, self.rules, today=self.today, components=self.components)
        facts, doubts = gather_facts(store, self.rows.facts, today=self.today)
        self.doubts = tuple(doubts)
        self.known_visits = self._known_visits(store)
        self.tables = tuple(self._tables(facts))
        return self.tables

    def _tables(self, facts: pl.DataFrame) -> Iterable[RawTable]:
        yield self._table("sites", facts)
        if self.rows.visits is not None and self.rows.work is not None:
            yield self._table("visits", self.rows.visits)
            nth = pl.int_range(pl.len()).over("line")
            apart = (pl.col("line") * _APART + nth - _BELOW).alias("line")
            yield self._table("work", self.rows.work.with_columns(apart))
        for name, frame in self.rows.others.items():
            yield self._table(name, frame)

    def _table(self, name: str, rows: pl.DataFrame) -> RawTable:
        main = name == ("visits" if self.rows.visits is not None else "sites")
        return RawTable(
            TABLES[name],
            self.identity,
            self.grid.sheet,
            hashlib.sha256(f"{self.digest} {name}".encode()).hexdigest(),
            rows,
            self.grid.misshapen if main else (),
            mapped=True,
        )

    def _known_visits(self, store: Store) -> frozenset[str]:
        if self.rows.visits is None:
            return frozenset()
        store.stage("sheet_visits", self.rows.visits.select("visit_id").drop_nulls().unique())
        found = store.run("SELECT visit_id FROM records.visits SEMI JOIN temp.sheet_visits USING (visit_id)")
        return frozenset(visit for (visit,) in found)

    # -- after -------------------------------------------------------------------------------------------

    def finish(self, store: Store, load_id: int, reports: Sequence[FileReport]) -> FileReport:
        """Return what became of the sheet, after the journal names its own lines, columns and values."""
        self._bring_lines_back(store)
        self._trace(store)
        self._note_doubts(store, load_id)
        gone = 0 if self.is_mending else withdraw(store, self.identity, self.tables, load_id)
        moved_lines(store, self.identity, self._with_plain_lines())
        if self.is_mending:
            set_aside.note_mended(store, load_id, self.grid, self._refused_lines(store), self._hashes)
        report = self._report(store, load_id, reports, gone)
        first = not store.run("SELECT 1 FROM journal.loads WHERE content_hash = $h LIMIT 1", {"h": self.digest})
        if first or report.accepted or report.changed:
            note_load(store, load_id, self.today, self.digest, report)
        return report

    @property
    def _hashes(self) -> tuple[str, ...]:
        return tuple(table.content_hash for table in self.tables)

    def _with_plain_lines(self) -> list[RawTable]:
        from dataclasses import replace

        found = []
        for table in self.tables:
            line = (pl.col("line") + _BELOW) // _APART
            rows = table.rows.with_columns(line) if table.table.name == "work" else table.rows
            found.append(replace(table, rows=rows))
        return found

    def _bring_lines_back(self, store: Store) -> None:
        for name in ("records.work", "journal.refused", "journal.cuts"):
            store.run(f"UPDATE {name} SET line = (line + {_BELOW}) // {_APART} WHERE line < 0")

    def _trace(self, store: Store) -> None:
        """Name in the journal the sheet's own columns and values; an unknown word costs no row of the sheet."""
        origin = Origin(sources_of(self.rules), self.rows.cells)
        query = (
            "SELECT rowid, table_name, \"column\", line, value, kind FROM journal.refused "
            "WHERE list_contains($h, content_hash)"
        )
        names = {"f": self.file, "s": self.grid.sheet}
        for row, table, column, line, value, kind in store.run(query, {"h": list(self._hashes)}):
            told = origin.trace(table, column, line, value) if column else None
            costs_row = kind == "row" and table != "work"
            if told is not None:
                source, written = told
                store.run(
                    'UPDATE journal.refused SET "column" = $c, value = $v, reason = $r WHERE rowid = $id',
                    {
                        "c": source.header, "v": written, "id": row,
                        "r": reason_for(source, written, costs_row=costs_row),
                    },
                )  # fmt: skip
            record = set_aside.record_of(self.rows.cells, line)
            store.run(
                "UPDATE journal.refused SET file = $f, sheet = $s, kind = $k, record = $j WHERE rowid = $id",
                {**names, "k": "row" if costs_row else "value", "j": record, "id": row},
            )

    def _note_doubts(self, store: Store, load_id: int) -> None:
        """Note the facts of a site that were not used."""
        origin = Origin(sources_of(self.rules), self.rows.cells)
        for doubt in self.doubts:
            told = origin.trace("sites", doubt.field, doubt.line, doubt.value)
            if told is None:
                continue
            source, written = told
            reason = doubt.reason or reason_for(source, written, costs_row=False)
            store.run(
                'INSERT INTO journal.refused (load_id, table_name, file, sheet, line, "column", value, reason, '
                "kind, content_hash, record) VALUES ($id, 'sites', $f, $s, $line, $c, $v, $r, 'value', $h, $j)",
                {
                    "id": load_id, "f": self.file, "s": self.grid.sheet, "line": doubt.line,
                    "c": source.header, "v": written, "r": reason, "h": self._hashes[0],
                    "j": set_aside.record_of(self.rows.cells, doubt.line),
                },
            )  # fmt: skip

    def _refused_lines(self, store: Store) -> set[int]:
        query = "SELECT line FROM journal.refused WHERE list_contains($h, content_hash) AND kind = 'row'"
        return {line for (line,) in store.run(query, {"h": list(self._hashes)})}

    def _report(
        self, store: Store, load_id: int, reports: Sequence[FileReport], gone: int
    ) -> FileReport:
        """Return the account of the sheet: every line of it is accepted, repeated or refused."""
        read = self.rows.cells.height + len(self.rows.repeats) + len(self.grid.misshapen)
        read += len(self.mended_before)
        refused = len(self._refused_lines(store))
        repeated = len(self.rows.repeats) + len(self.mended_before) + self._lines_known(store, load_id, reports)
        aside = store.run(
            "SELECT count(*) FROM journal.refused WHERE list_contains($h, content_hash) AND kind = 'value'",
            {"h": list(self._hashes)},
        )[0][0]
        used = {header.casefold() for header in self.rules.headers}
        unused = [
            name for name in self.grid.header
            if name and name.casefold() not in used and name not in set_aside.COLUMNS
        ]  # fmt: skip
        return FileReport(
            self.file, self.grid.sheet, SHEET, read, read - repeated - refused, repeated, refused, int(aside),
            sum(report.changed for report in reports) + gone, tuple(unused), tuple(self._notes(store)),
        )  # fmt: skip

    def _lines_known(self, store: Store, load_id: int, reports: Sequence[FileReport]) -> int:
        """Return how many good lines say nothing new."""
        if self.rows.visits is None:
            return sum(report.repeated for report in reports)
        query = (
            "SELECT DISTINCT split_part(record_key, ' | ', 1) FROM journal.corrections "
            "WHERE load_id = $id AND table_name IN ('visits', 'work')"
        )
        changed = {key for (key,) in store.run(query, {"id": load_id})}
        same = self.known_visits - changed
        return sum(visit in same for visit in self.rows.line_visits["visit_id"].to_list())

    def _notes(self, store: Store) -> Iterable[str]:
        made = [
            f"{table.rows.height:,} {table.table.name}"
            for table in self.tables
            if table.table.name != "visits"
        ]
        visits = self.rows.line_visits
        if self.rows.visits is not None:
            made.insert(1, f"{visits['visit_id'].n_unique():,} visits")
        yield "made " + ", ".join(made)
        if self.mended_before:
            yield f"{len(self.mended_before)} lines were mended by an earlier load: not taken again"
        if self.rows.blanks:
            told = ", ".join(f"{n} '{word}'" for word, n in sorted(self.rows.blanks.items()))
            yield f"read as blank: {told}"
        yield from self.grid.told


def open_sheets(
    paths: Iterable[Path | str], rules: ImportMap, *, today: date, components: Collection[str]
) -> list[SheetLoad]:
    """Return the sheets that a map reads from the files named.

    Raises
    ------
    IntakeError
        If a file cannot be read, or has not the sheet or the header that the map names.
    """
    found = []
    for path in map(Path, paths):
        data = file_bytes(path)
        for grid in set_aside.read_set_aside(data, path) or read_grids(
            data, path, sheets=rules.sheets or None, header_row=rules.header_row
        ):
            digest = hashlib.sha256(data)
            digest.update(f"{rules.digest} {grid.sheet}".encode())
            found.append(SheetLoad(grid, rules, digest.hexdigest(), today, tuple(components)))
    return found
