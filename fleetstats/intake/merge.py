"""Merges accepted rows into the records: exact repeats, corrections, and the re-sent work of a visit."""

from __future__ import annotations

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
    """Return the counts after the rows of the temporary table `accepted` went into the records.

    Parameters
    ----------
    table : Table
        The table of records; its rows in `accepted` are typed and carry `file_no`, `file`, `line`.
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
    """Leave in `newest` the last row of each key; the others are repeats, or corrected by it."""
    key = _names(table.key)
    twice = store.run(f"SELECT 1 FROM temp.accepted GROUP BY {key} HAVING count(*) > 1 LIMIT 1")
    if not twice:
        store.run("CREATE OR REPLACE TEMP VIEW newest AS FROM temp.accepted")
        return
    store.run(
        f"CREATE OR REPLACE TEMP TABLE newest_rows AS FROM temp.accepted "
        f"QUALIFY row_number() OVER (PARTITION BY {key} ORDER BY file_no DESC, line DESC) = 1"
    )
    store.run("CREATE OR REPLACE TEMP VIEW newest AS FROM temp.newest_rows")
    older = (
        f"temp.accepted AS a JOIN temp.newest AS n ON {_same(table.key, 'a', 'n')} "
        "WHERE (a.file_no, a.line) <> (n.file_no, n.line)"
    )
    same = _same(present, "a", "n")
    _count(merged.repeated, store.run(f"SELECT a.file_no, count(*) FROM {older} AND ({same}) GROUP BY ALL"))
    _count(
        merged.changed, store.run(f"SELECT n.file_no, count(*) FROM {older} AND NOT ({same}) GROUP BY ALL")
    )
    store.run(
        f"INSERT INTO journal.corrections SELECT {load_id}, '{table.name}', {_key_text(table, 'a')}, "
        f"{_as_text(present, 'a')}, {_as_text(present, 'n')} FROM {older} AND NOT ({same}) ORDER BY a.line"
    )


def _replace_by_key(store: Store, table: Table, present: Sequence[str], load_id: int, merged: Merged) -> None:
    target = f"records.{table.name}"
    joined = f"temp.newest AS n JOIN {target} AS r ON {_same(table.key, 'n', 'r')}"
    same = _same(present, "n", "r")
    _count(merged.repeated, store.run(f"SELECT n.file_no, count(*) FROM {joined} WHERE {same} GROUP BY ALL"))
    _count(
        merged.changed, store.run(f"SELECT n.file_no, count(*) FROM {joined} WHERE NOT ({same}) GROUP BY ALL")
    )
    store.run(
        f"CREATE OR REPLACE TEMP TABLE added AS SELECT n.* FROM temp.newest AS n ANTI JOIN {target} AS r "
        f"ON {_same(table.key, 'n', 'r')}"
    )
    if merged.changed:
        store.run(
            f"INSERT INTO journal.corrections SELECT {load_id}, '{table.name}', {_key_text(table, 'n')}, "
            f"{_as_text(present, 'r')}, {_as_text(present, 'n')} "
            f"FROM {joined} WHERE NOT ({same}) ORDER BY n.line"
        )
        news = ", ".join(f"{quoted(c)} = n.{quoted(c)}" for c in present if c not in table.key)
        sets = ", ".join(filter(None, (news, "file = n.file", "line = n.line")))
        store.run(
            f"UPDATE {target} AS r SET {sets} FROM temp.newest AS n WHERE {_same(table.key, 'n', 'r')} "
            f"AND NOT ({same})"
        )
    store.run(f"INSERT INTO {target} BY NAME SELECT * EXCLUDE (file_no) FROM temp.added")


def _replace_work(store: Store, table: Table, load_id: int, merged: Merged) -> None:
    """Replace all work of every visit whose work was sent again; rows that stayed the same are repeats."""
    stale = "records.work AS r SEMI JOIN temp.newest AS v ON v.visit_id = r.visit_id"
    known = f"temp.newest AS n JOIN records.work AS r ON {_same(table.key, 'n', 'r')}"
    same = _same(table.names, "n", "r")
    _count(merged.repeated, store.run(f"SELECT n.file_no, count(*) FROM {known} WHERE {same} GROUP BY ALL"))
    store.run(
        f"CREATE OR REPLACE TEMP TABLE stale AS SELECT r.* FROM {stale} "
        f"ANTI JOIN temp.newest AS n ON {_same(table.names, 'n', 'r')}"
    )
    store.run(
        f"CREATE OR REPLACE TEMP TABLE added AS SELECT n.* FROM temp.newest AS n ANTI JOIN records.work AS r "
        f"ON {same}"
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
        store.run(f"DELETE FROM records.work AS r USING temp.stale AS s WHERE {_same(table.key, 's', 'r')}")
    store.run("INSERT INTO records.work BY NAME SELECT * EXCLUDE (file_no) FROM temp.added")
