"""Merges accepted rows into the records: exact repeats, corrections, and the re-sent work of a visit."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from fleetstats.intake.fields import Table
from fleetstats.intake.rules import quoted
from fleetstats.store import Store


@dataclass(frozen=True, slots=True)
class Merged:
    """How many accepted rows of each file (by its number) were repeats, and how many records they changed."""

    repeated: Counter[int] = field(default_factory=Counter)
    changed: Counter[int] = field(default_factory=Counter)


def merge(store: Store, table: Table, present: Sequence[str], load_id: int) -> Merged:
    """Return the counts after the rows in `accepted` went into the records.

    Parameters
    ----------
    table : Table
        The table of records; its rows in `accepted`, a view of the temporary table `typed`, are typed and
        carry `file_no`, `file`, `line`.
    present : sequence of str
        The columns that the files have; what a file does not speak of keeps its value.
    """
    merged = Merged()
    _newest_only(store, table, present, load_id, merged)
    if not store.run(f"SELECT 1 FROM records.{table.name} LIMIT 1"):
        store.run(f"INSERT INTO records.{table.name} BY NAME SELECT * EXCLUDE (file_no) FROM temp.newest")
    elif table.name == "work":
        _replace_work(store, table, load_id, merged)
    else:
        _replace_by_key(store, table, present, load_id, merged)
    return merged


def _same(columns: Sequence[str], left: str, right: str) -> str:
    return " AND ".join(f"{left}.{quoted(c)} IS NOT DISTINCT FROM {right}.{quoted(c)}" for c in columns)


def _names(columns: Sequence[str], prefix: str = "") -> str:
    return ", ".join(prefix + quoted(c) for c in columns)


def _as_text(columns: Sequence[str], prefix: str) -> str:
    pairs = ", ".join(f"{quoted(c)} := {prefix}.{quoted(c)}" for c in columns)
    return f"to_json(struct_pack({pairs}))::VARCHAR"


def _key_text(table: Table, prefix: str) -> str:
    return f"concat_ws(' | ', {_names(table.key, prefix + '.')})"


def _count(counter: Counter[int], rows: Sequence[tuple[int, int]]) -> None:
    counter.update(dict(rows))


def _newest_only(store: Store, table: Table, present: Sequence[str], load_id: int, merged: Merged) -> None:
    """Leave in `typed`, seen as `newest`, the last row of each key; others repeat it or are mended by it."""
    store.run("CREATE OR REPLACE TEMP VIEW newest AS FROM temp.accepted")
    marks = store.frame("SELECT mark FROM temp.typed")["mark"].sort()  # a third of the time of GROUP BY
    several = marks.filter(marks == marks.shift()).unique()
    if several.is_empty():
        return
    store.stage("several", several.to_frame())
    store.run(
        "CREATE OR REPLACE TEMP TABLE alike AS SELECT *, row_number() OVER (PARTITION BY "
        f"{_names(table.key)} ORDER BY file_no DESC, line DESC) AS place FROM temp.accepted AS a SEMI JOIN "
        "(FROM temp.typed SEMI JOIN temp.several USING (mark)) AS t ON (t.file_no, t.line) = (a.file_no, "
        "a.line)"
    )
    store.run(
        "DELETE FROM temp.typed AS t USING temp.alike AS o "
        "WHERE o.place > 1 AND (o.file_no, o.line) = (t.file_no, t.line)"
    )
    older = (
        f"temp.alike AS a JOIN temp.alike AS n ON {_same(table.key, 'a', 'n')} "
        "AND a.place > 1 AND n.place = 1"
    )
    same = _same(present, "a", "n")
    counts = f"SELECT a.file_no, count(*) FROM {older} WHERE {same} GROUP BY ALL"
    _count(merged.repeated, store.run(counts))
    counts = f"SELECT n.file_no, count(*) FROM {older} WHERE NOT ({same}) GROUP BY ALL"
    _count(merged.changed, store.run(counts))
    store.run(
        f"INSERT INTO journal.corrections SELECT {load_id}, '{table.name}', {_key_text(table, 'a')}, "
        f"{_as_text(present, 'a')}, {_as_text(present, 'n')} FROM {older} WHERE NOT ({same}) ORDER BY a.line"
    )


def _meet(store: Store, table: Table, present: Sequence[str]) -> None:
    """Put beside each row of `newest` the record of its key, by its rowid, and whether it is the same."""
    store.run(
        "CREATE OR REPLACE TEMP TABLE met AS SELECT n.file_no, n.line, r.rowid AS record, "
        f"r.rowid IS NOT NULL AND {_same(present, 'n', 'r')} AS same "
        f"FROM temp.newest AS n LEFT JOIN records.{table.name} AS r ON {_same(table.key, 'n', 'r')}"
    )


_MET_NEWEST = "temp.met AS m JOIN temp.newest AS n ON (n.file_no, n.line) = (m.file_no, m.line)"


def _replace_by_key(store: Store, table: Table, present: Sequence[str], load_id: int, merged: Merged) -> None:
    target = f"records.{table.name}"
    _meet(store, table, present)
    counts = "SELECT file_no, count(*) FROM temp.met WHERE {} GROUP BY ALL"
    _count(merged.repeated, store.run(counts.format("same")))
    _count(merged.changed, store.run(counts.format("record IS NOT NULL AND NOT same")))
    _stage_added(store, "m.record IS NULL")
    if merged.changed:
        changed = f"(SELECT m.record, n.* FROM {_MET_NEWEST} WHERE m.record IS NOT NULL AND NOT m.same)"
        store.run(
            f"INSERT INTO journal.corrections SELECT {load_id}, '{table.name}', {_key_text(table, 'n')}, "
            f"{_as_text(present, 'r')}, {_as_text(present, 'n')} "
            f"FROM {changed} AS n JOIN {target} AS r ON r.rowid = n.record ORDER BY n.line"
        )
        news = ", ".join(f"{quoted(c)} = n.{quoted(c)}" for c in present if c not in table.key)
        sets = ", ".join(filter(None, (news, "file = n.file", "line = n.line")))
        store.run(f"UPDATE {target} AS r SET {sets} FROM {changed} AS n WHERE r.rowid = n.record")
    store.run(f"INSERT INTO {target} BY NAME FROM temp.added")


def _stage_added(store: Store, which: str) -> None:
    store.run(
        "CREATE OR REPLACE TEMP TABLE added AS "
        f"SELECT n.* EXCLUDE (file_no) FROM {_MET_NEWEST} WHERE {which} ORDER BY n.file_no, n.line"
    )


def _replace_work(store: Store, table: Table, load_id: int, merged: Merged) -> None:
    """Replace all work of every visit whose work was sent again; rows that stayed the same are repeats."""
    _meet(store, table, table.names)
    counts = "SELECT file_no, count(*) FROM temp.met WHERE same GROUP BY ALL"
    _count(merged.repeated, store.run(counts))
    _stage_added(store, "NOT m.same")
    store.run(
        "CREATE OR REPLACE TEMP TABLE stale AS SELECT r.rowid AS record, r.* FROM records.work AS r "
        "SEMI JOIN temp.newest AS v ON v.visit_id = r.visit_id "
        "ANTI JOIN temp.met AS m ON m.same AND m.record = r.rowid"
    )
    by_file = "(SELECT visit_id, max(file_no) AS file_no FROM temp.newest GROUP BY ALL)"
    _count(
        merged.changed,
        store.run(f"SELECT file_no, count(*) FROM temp.stale JOIN {by_file} USING (visit_id) GROUP BY ALL"),
    )
    if merged.changed:
        store.run(
            f"INSERT INTO journal.corrections SELECT {load_id}, 'work', {_key_text(table, 's')}, "
            f"{_as_text(table.names, 's')}, "
            f"CASE WHEN n.visit_id IS NOT NULL THEN {_as_text(table.names, 'n')} END "
            f"FROM temp.stale AS s LEFT JOIN temp.newest AS n ON {_same(table.key, 's', 'n')} ORDER BY s.line"
        )
        store.run("DELETE FROM records.work AS r USING temp.stale AS s WHERE s.record = r.rowid")
    store.run("INSERT INTO records.work BY NAME FROM temp.added")
