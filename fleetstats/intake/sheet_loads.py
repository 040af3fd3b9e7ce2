"""Takes what a map made of a sheet into the store, in place of all that came from that sheet before."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import polars as pl

from fleetstats.components import KINDS
from fleetstats.intake.fields import TABLES
from fleetstats.intake.files import RawTable
from fleetstats.intake.import_map import ImportMap
from fleetstats.intake.journal import FileReport, note_load
from fleetstats.intake.mapped import MappedRows, map_rows
from fleetstats.intake.origin import Origin, reason_for, sources_of
from fleetstats.intake.readers import Grid, read_grids
from fleetstats.intake.readers.choose import file_bytes
from fleetstats.intake.set_aside import ENDING, records_of, refuse_set_aside
from fleetstats.intake.site_facts import Doubt, SheetFacts, gather_facts
from fleetstats.intake.withdraw import move_lines, withdraw
from fleetstats.intake.words import same_word
from fleetstats.store import Store


@dataclass(frozen=True, slots=True)
class _Fault:
    """One fault as the journal tells it: of a field of a table of records."""

    table: str
    field: str | None
    line: int
    value: str | None
    kind: str
    reason: str | None


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

    # -- before the tables are loaded --------------------------------------------------------------------

    def read(self, store: Store) -> None:
        """Take the rows of the sheet, after the journal forgot what it held of it."""
        store.run(
            "DELETE FROM journal.refused WHERE file = $f AND sheet IS NOT DISTINCT FROM $s",
            {"f": self.file, "s": self.grid.sheet},
        )
        store.run("DELETE FROM journal.cuts WHERE file = $f", {"f": self.identity})
        self.rows = map_rows(self.grid, self.rules, today=self.today, components=self.components)
        self.known_visits = self._known_visits(store)

    @property
    def facts(self) -> SheetFacts | None:
        """Return what the sheet says of sites."""
        if self.rows.facts is None:
            return None
        place = self.file if self.grid.sheet is None else f"sheet {self.grid.sheet} of {self.file}"
        return SheetFacts(self.identity, place, self.rows.facts)

    def make(self, store: Store, others: Sequence[SheetLoad]) -> tuple[RawTable, ...]:
        """Return the tables that the sheet makes, told what the other sheets of the load say of its sites."""
        self.tables = tuple(self._tables(store, others))
        return self.tables

    def _tables(self, store: Store, others: Sequence[SheetLoad]) -> Iterable[RawTable]:
        if self.facts is not None:
            elsewhere = [facts for other in others if (facts := other.facts) is not None]
            sites, doubts = gather_facts(store, self.facts, elsewhere, today=self.today)
            self.doubts = tuple(doubts)
            yield self._table("sites", sites)
        if self.rows.visits is not None and self.rows.work is not None:
            yield self._table("visits", self.rows.visits)
            nth = pl.int_range(pl.len()).over("line")
            apart = (pl.col("line") * _APART + nth - _BELOW).alias("line")
            yield self._table("work", self.rows.work.with_columns(apart))
        for name, frame in self.rows.others.items():
            yield self._table(name, frame)

    def _table(self, name: str, rows: pl.DataFrame) -> RawTable:
        first = "visits" if self.rows.visits is not None else next(iter(self.rows.others), "sites")
        return RawTable(
            TABLES[name],
            self.identity,
            self.grid.sheet,
            hashlib.sha256(f"{self.digest} {name}".encode()).hexdigest(),
            rows,
            self.grid.misshapen if name == first else (),
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
        accepted = self._accepted(store)
        self._bring_lines_back(store)
        self._trace(store, load_id)
        gone = withdraw(store, self.identity, accepted, load_id)
        move_lines(store, self.identity, accepted)
        report = self._report(store, load_id, reports, accepted, gone)
        query = "SELECT 1 FROM journal.loads WHERE content_hash = $h LIMIT 1"
        if not store.run(query, {"h": self.digest}) or report.accepted or report.changed:
            note_load(store, load_id, self.today, self.digest, report)
        return report

    @property
    def _hashes(self) -> list[str]:
        return [table.content_hash for table in self.tables]

    def _accepted(self, store: Store) -> dict[str, pl.DataFrame]:
        """Return the rows of each table that went into the records, with the lines of the sheet."""
        query = "SELECT line FROM journal.refused WHERE content_hash = $h AND kind = 'row'"
        found = {}
        for table in self.tables:
            refused = [line for (line,) in store.run(query, {"h": table.content_hash})]
            rows = table.rows.filter(~pl.col("line").is_in(refused))
            if table.table.name == "work":
                rows = rows.with_columns((pl.col("line") + _BELOW) // _APART)
            found[table.table.name] = rows
        return found

    def _bring_lines_back(self, store: Store) -> None:
        back = f"SET line = (line + {_BELOW}) // {_APART} WHERE line < 0 AND"
        store.run(f"UPDATE records.work {back} file = $f", {"f": self.identity})
        for name in ("refused", "cuts"):
            store.run(f"UPDATE journal.{name} {back} list_contains($h, content_hash)", {"h": self._hashes})

    def _trace(self, store: Store, load_id: int) -> None:
        """Let the journal name the sheet's own columns and values, and note the facts that were not used."""
        mine = {"h": self._hashes}
        query = (
            'SELECT table_name, "column", line, value, kind, reason FROM journal.refused '
            "WHERE list_contains($h, content_hash)"
        )
        faults = [_Fault(*row) for row in store.run(query, mine)]
        faults += [_Fault("sites", d.field, d.line, d.value, "value", d.reason) for d in self.doubts]
        store.run("DELETE FROM journal.refused WHERE list_contains($h, content_hash)", mine)
        cells = self.rows.cells.filter(pl.col("line").is_in([fault.line for fault in faults]))
        origin = Origin(sources_of(self.rules), {row["line"]: row for row in cells.iter_rows(named=True)})
        records = records_of(cells)
        hashes = {table.table.name: table.content_hash for table in self.tables}
        told = [
            (load_id, fault.table, self.file, self.grid.sheet, fault.line, *_named(fault, origin),
             hashes[fault.table], records.get(fault.line))
            for fault in faults
        ]  # fmt: skip
        text = dict.fromkeys(("column", "value", "reason", "kind", "content_hash", "record"), pl.String)
        head = {"load_id": pl.Int32, "table_name": pl.String, "file": pl.String, "sheet": pl.String}
        store.stage("told", pl.DataFrame(told, schema={**head, "line": pl.Int64, **text}, orient="row"))
        store.run('INSERT INTO journal.refused BY NAME FROM temp.told ORDER BY line, "column"')

    def _refused_lines(self, store: Store) -> set[int]:
        query = "SELECT line FROM journal.refused WHERE list_contains($h, content_hash) AND kind = 'row'"
        return {line for (line,) in store.run(query, {"h": list(self._hashes)})}

    def _report(
        self,
        store: Store,
        load_id: int,
        reports: Sequence[FileReport],
        accepted: Mapping[str, pl.DataFrame],
        gone: int,
    ) -> FileReport:
        """Return the account of the sheet: every line of it is accepted, repeated or refused."""
        read = self.rows.cells.height + len(self.rows.repeats) + len(self.grid.misshapen)
        refused = len(self._refused_lines(store))
        repeated = len(self.rows.repeats) + self._lines_known(store, load_id, reports)
        aside = store.run(
            "SELECT count(*) FROM journal.refused WHERE list_contains($h, content_hash) AND kind = 'value'",
            {"h": list(self._hashes)},
        )[0][0]
        used = {same_word(header) for header in self.rules.headers}
        unused = [
            " ".join(name.split()) for name in self.grid.header
            if name and same_word(name) not in used
        ]  # fmt: skip
        return FileReport(
            self.file, self.grid.sheet, SHEET, read, read - repeated - refused, repeated, refused, int(aside),
            sum(report.changed for report in reports) + gone, tuple(unused), tuple(self._notes(accepted)),
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

    def _notes(self, accepted: Mapping[str, pl.DataFrame]) -> Iterable[str]:
        counts = {name: rows.select(TABLES[name].key[0]).n_unique() for name, rows in accepted.items()}
        counts["work"] = accepted["work"].height if "work" in accepted else 0
        made = [f"{count:,} {_counted(name, count)}" for name, count in counts.items() if count]
        yield "makes " + (", ".join(made) or "no records")
        if self.rows.blanks:
            told = ", ".join(f"{n} '{word}'" for word, n in sorted(self.rows.blanks.items()))
            yield f"read as blank: {told}"
        yield from self.rows.notes
        yield from self.grid.told


def _counted(table: str, count: int) -> str:
    """Return the name of a table as it stands behind a count of its rows."""
    if table in ("sites", "visits"):
        return table if count != 1 else table[:-1]
    return f"{'row' if count == 1 else 'rows'} of {table}"


def _named(fault: _Fault, origin: Origin) -> tuple[str | None, str | None, str | None, str]:
    """Return the sheet's own column and value for a fault, its reason and its kind.

    An unknown word costs a row of work, but no row of the sheet.
    """
    costs_row = fault.kind == "row" and (fault.table != "work" or fault.field is None)
    kind = "row" if costs_row else "value"
    told = origin.trace(fault.table, fault.field, fault.line, fault.value) if fault.field else None
    if told is None:
        return fault.field, fault.value, fault.reason, kind
    source, written = told
    own = fault.reason if fault.kind == "value" and fault.table == "sites" else None
    return source.header, written, own or reason_for(source, written, costs_row=costs_row), kind


def open_sheets(
    paths: Iterable[Path | str], rules: ImportMap, *, today: date, components: Collection[str] | None
) -> list[SheetLoad]:
    """Return the sheets that a map reads from the files named.

    Raises
    ------
    IntakeError
        If a file cannot be read, or has not the sheet or the header that the map names.
    """
    known = tuple(KINDS if components is None else components)
    found = []
    for path in map(Path, paths):
        data = file_bytes(path)
        if path.stem.endswith(ENDING):  # told what it is even where the map names another sheet or row
            refuse_set_aside(read_grids(data, path)[0].header, str(path))
        for grid in read_grids(data, path, sheets=rules.sheets or None, header_row=rules.header_row):
            refuse_set_aside(grid.header, grid.place)
            digest = hashlib.sha256(data)
            digest.update(f"{rules.digest} {grid.sheet}".encode())
            found.append(SheetLoad(grid, rules, digest.hexdigest(), today, known))
    return found
