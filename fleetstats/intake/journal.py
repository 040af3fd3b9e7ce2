"""The tables of the records and of the load journal: what was loaded, refused, corrected, and may be cut."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import polars as pl

from fleetstats.intake.fields import TABLES, Table
from fleetstats.intake.files import RawTable
from fleetstats.intake.rules import quoted
from fleetstats.store import Store

_JOURNAL = (
    # one row a file and load; rows_read = accepted + repeated + refused
    """journal.loads (load_id INTEGER, loaded_on DATE, file VARCHAR, sheet VARCHAR, table_name VARCHAR,
       content_hash VARCHAR, rows_read BIGINT, accepted BIGINT, repeated BIGINT, refused BIGINT,
       values_set_aside BIGINT, changed BIGINT, ignored_columns VARCHAR, notes VARCHAR)""",
    # one row a refused row (its first fault; kind 'row') or a value set aside (kind 'value') that no later
    # load has mended; record is the row as it was written, as JSON (null where it could not be told apart)
    """journal.refused (load_id INTEGER, table_name VARCHAR, file VARCHAR, sheet VARCHAR, line BIGINT,
       "column" VARCHAR, value VARCHAR, reason VARCHAR, kind VARCHAR, content_hash VARCHAR,
       record VARCHAR)""",
    # one row a record that a later row changed or took away (after is null); before and after as JSON
    """journal.corrections (load_id INTEGER, table_name VARCHAR, record_key VARCHAR, before VARCHAR,
       after VARCHAR)""",
    # one row a refused row of visits or work whose site is known; null = not known, so any
    """journal.cuts (load_id INTEGER, table_name VARCHAR, site_id VARCHAR, visit_id VARCHAR, visit_date DATE,
       component VARCHAR, slot VARCHAR, file VARCHAR, line BIGINT, content_hash VARCHAR)""",
)


@dataclass(frozen=True, slots=True)
class FileReport:
    """What became of one file: accepted + repeated + refused = rows_read."""

    file: str
    sheet: str | None
    table: str
    rows_read: int
    accepted: int
    repeated: int
    refused: int
    values_set_aside: int
    changed: int
    ignored_columns: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def __str__(self) -> str:
        """Return the line that the command line prints."""
        name = self.file if self.sheet is None else f"{self.file}, sheet {self.sheet}"
        text = (
            f"{name}: {self.rows_read} rows read = {self.accepted} accepted + {self.repeated} repeated "
            f"+ {self.refused} refused; {self.values_set_aside} values set aside, "
            f"{self.changed} records changed"
        )
        if self.ignored_columns:
            text += f"; columns not used: {', '.join(self.ignored_columns)}"
        return "; ".join((text, *self.notes))


def make_tables(store: Store) -> None:
    """Make every table of the records and of the journal that the store does not have yet."""
    for table in TABLES.values():
        columns = ", ".join(f"{quoted(c.name)} {c.sql_type}" for c in table.columns)
        name = f"records.{table.name}"
        store.run(f"CREATE TABLE IF NOT EXISTS {name} ({columns}, file VARCHAR, line BIGINT)")
        for c in table.columns:  # declared since an older store was made
            store.run(f"ALTER TABLE {name} ADD COLUMN IF NOT EXISTS {quoted(c.name)} {c.sql_type}")
    for table_text in _JOURNAL:
        store.run(f"CREATE TABLE IF NOT EXISTS {table_text}")


def next_load(store: Store) -> int:
    """Return the number of the next load."""
    return int(store.run("SELECT coalesce(max(load_id), 0) + 1 FROM journal.loads")[0][0])


def forget(store: Store, table_name: str) -> None:
    """Delete what the journal holds of the lines in `typed`: they are judged again."""
    for name in ("refused", "cuts"):
        store.run(
            f"DELETE FROM journal.{name} AS j "
            "USING temp.typed AS r JOIN temp.incoming_files AS i USING (file_no) "
            f"WHERE j.table_name = '{table_name}' AND j.content_hash = i.content_hash AND j.line = r.line"
        )


#: The id by which a record sent again speaks for what was refused of it before.
_SPEAKS_BY = {"sites": "site_id", "visits": "visit_id", "work": "visit_id", "parts": "part_number"}
_OTHER_CONTENT = "j.content_hash NOT IN (SELECT content_hash FROM temp.incoming_files)"


def forget_mended(store: Store, table_name: str) -> None:
    """Delete what was refused of records that other content has now sent again and had accepted."""
    name = _SPEAKS_BY.get(table_name)
    if name is not None:
        store.run(
            f"DELETE FROM journal.refused AS j USING temp.newest AS n WHERE j.table_name = '{table_name}' "
            f"AND {_OTHER_CONTENT} AND n.{name} = json_extract_string(j.record, '$.{name}')"
        )
    if table_name == "work":
        store.run(
            "DELETE FROM journal.cuts AS c USING temp.newest AS n "
            "WHERE c.table_name = 'work' AND c.visit_id = n.visit_id"
        )


def note_cuts(store: Store, table_name: str) -> None:
    """Note the refused rows that may cut a spell: those whose site is known.

    A refused visit with a date that is not accepted may cut any spell of its site; so may, at the date of its
    visit, a refused row of work whose component cannot be read.
    """
    faulty = "temp.faulty AS t JOIN temp.incoming_files AS i USING (file_no)"
    if table_name == "visits":
        found = (
            "SELECT i.load_id, 'visits' AS table_name, t.site_id, t.visit_id, t.visit_date, "
            "NULL::VARCHAR AS component, NULL::VARCHAR AS slot, i.file, t.line, i.content_hash "
            f"FROM {faulty} SEMI JOIN records.sites AS s ON s.site_id = t.site_id"
        )
    elif table_name == "work":
        found = (
            "SELECT load_id, 'work' AS table_name, site_id, visit_id, visit_date, component, slot, file, "
            f"line, content_hash FROM (SELECT i.load_id, i.file, i.content_hash, t.* FROM {faulty}) "
            "JOIN (SELECT visit_id, site_id, visit_date FROM records.visits) USING (visit_id)"
        )
    else:
        return
    store.run(f"CREATE OR REPLACE TEMP TABLE found AS {found}")
    same = ("table_name", "site_id", "visit_id", "visit_date", "component", "slot")
    _forget_sent_again(store, "cuts", same)
    store.run("INSERT INTO journal.cuts BY NAME FROM temp.found")


def note_refused(store: Store, table: Table, present: Sequence[str]) -> None:
    """Note the first fault of each refused row, and every value set aside from a row that stays."""
    cells = ", ".join(f"{quoted(name)} := w.{quoted(name)}" for name in present)
    store.run(
        f"""CREATE OR REPLACE TEMP TABLE found AS
        WITH refused_rows AS (
            FROM temp.faults WHERE whole_row
            QUALIFY row_number() OVER (PARTITION BY file_no, line ORDER BY rowid) = 1
        ), values_set_aside AS (
            FROM temp.faults AS f ANTI JOIN refused_rows AS r ON (f.file_no, f.line) = (r.file_no, r.line)
        )
        SELECT i.load_id, '{table.name}' AS table_name, i.file, i.sheet, line, f."column", f.value, f.reason,
            CASE WHEN f.whole_row THEN 'row' ELSE 'value' END AS kind, i.content_hash,
            to_json(struct_pack({cells}))::VARCHAR AS record
        FROM (FROM refused_rows UNION ALL FROM values_set_aside) AS f
        JOIN temp.incoming_files AS i USING (file_no)
        JOIN temp.raw AS w USING (file_no, line)
        ORDER BY file_no, line, f."column" """
    )
    _note_found(store)


def _note_found(store: Store) -> None:
    _forget_sent_again(store, "refused", ("table_name", "column", "value"), record=True)
    store.run("INSERT INTO journal.refused BY NAME FROM temp.found")


def _forget_sent_again(store: Store, name: str, same: Sequence[str], *, record: bool = False) -> None:
    """Delete what other content said just as `found` says it again: the same rows in a new file.

    With `record` their cells must be the same too, in the columns that both files have. Two sheets of one
    load that hold the same faulty row are told both: each is accounted for by itself.
    """
    alike = " AND ".join(f"j.{quoted(c)} IS NOT DISTINCT FROM f.{quoted(c)}" for c in same)
    if record:
        alike += (
            " AND (j.record IS NOT DISTINCT FROM f.record OR json_contains(f.record, j.record) "
            "OR json_contains(j.record, f.record))"
        )
    store.run(
        f"DELETE FROM journal.{name} AS j USING temp.found AS f WHERE {alike} AND {_OTHER_CONTENT} "
        "AND j.load_id < f.load_id"
    )


def note_misshapen(store: Store, file: RawTable, load_id: int) -> None:
    """Note the lines of a file that have another number of fields than its header."""
    run = store.run
    run('DELETE FROM journal.refused WHERE content_hash = $h AND "column" IS NULL', {"h": file.content_hash})
    if file.misshapen:
        lines = [(bad.line, bad.text, bad.reason) for bad in file.misshapen]
        schema = {"line": pl.Int64, "value": pl.String, "reason": pl.String}
        store.stage("misshapen", pl.DataFrame(lines, schema=schema, orient="row"))
        run(
            "CREATE OR REPLACE TEMP TABLE found AS SELECT $id AS load_id, $t AS table_name, $file AS file, "
            "$sheet AS sheet, line, NULL::VARCHAR AS \"column\", value, reason, 'row' AS kind, "
            "$h AS content_hash, NULL::VARCHAR AS record FROM temp.misshapen",
            {
                "id": load_id,
                "t": file.table.name,
                "file": file.file,
                "sheet": file.sheet,
                "h": file.content_hash,
            },
        )
        _note_found(store)


def note_load(store: Store, load_id: int, today: date, content_hash: str, report: FileReport) -> None:
    """Note what became of one file."""
    store.run(
        "INSERT INTO journal.loads VALUES ($id, $on, $file, $sheet, $t, $hash, $rows, $accepted, $repeated, "
        "$refused, $aside, $changed, $columns, $notes)",
        {
            "id": load_id, "on": today, "file": report.file, "sheet": report.sheet, "t": report.table,
            "hash": content_hash, "rows": report.rows_read, "accepted": report.accepted,
            "repeated": report.repeated, "refused": report.refused, "aside": report.values_set_aside,
            "changed": report.changed, "columns": ", ".join(report.ignored_columns) or None,
            "notes": "; ".join(report.notes) or None,
        },
    )  # fmt: skip
