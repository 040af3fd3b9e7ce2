"""Takes out of the records what a sheet said before and says no more, with a note of each correction."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import polars as pl

from fleetstats.intake.files import RawTable
from fleetstats.intake.rules import quoted
from fleetstats.store import Store

_OF_SITES = ("visits", "changes", "samples", "site_limits", "decisions")


def withdraw(store: Store, identity: str, tables: Sequence[RawTable], load_id: int) -> int:
    """Return how many records were taken out: those of the sheet `identity` that it no longer makes.

    Parameters
    ----------
    store : Store
        In a transaction, after the sheet's tables went in and its refused rows were noted.
    identity : str
        The `file` of the records that came from the sheet.
    tables : sequence of RawTable
        What the sheet makes now.
    """
    made = {table.table.name: table for table in tables}
    gone = 0
    if "visits" in made:
        store.stage("kept_visits", _accepted(store, made["visits"], "visit_id"))
        gone += _take_out(store, "visits", identity, "visit_id NOT IN (FROM temp.kept_visits)", load_id)
        store.stage("kept_work", _accepted(store, made["work"], "visit_id"))
        without = "visit_id NOT IN (FROM temp.kept_work)"
        gone += _take_out(store, "work", identity, without, load_id)
    store.stage("kept_sites", _accepted(store, made["sites"], "site_id"))
    unused = " AND ".join(f"site_id NOT IN (SELECT site_id FROM records.{n} WHERE site_id IS NOT NULL)"
                          for n in _OF_SITES)  # fmt: skip
    return gone + _take_out(
        store, "sites", identity, f"site_id NOT IN (FROM temp.kept_sites) AND {unused}", load_id
    )


def _accepted(store: Store, table: RawTable, key: str) -> pl.DataFrame:
    """Return the keys of the rows of a table that are in the records now."""
    store.stage("sent", table.rows.select(key).drop_nulls().unique())
    name = table.table.name
    refused = f"SELECT json_extract_string(record, '$.{key}') FROM journal.refused"
    del refused
    return store.frame(f"SELECT {key} FROM temp.sent SEMI JOIN records.{name} USING ({key})")


def _take_out(store: Store, name: str, identity: str, which: str, load_id: int) -> int:
    keys = {"visits": "visit_id", "sites": "site_id", "work": "concat_ws(' | ', visit_id, component, slot, action)"}
    where = f"FROM records.{name} AS r WHERE file = $file AND {which}"
    values = {"file": identity}
    gone = int(store.run(f"SELECT count(*) {where}", values)[0][0])
    if gone:
        store.run(
            f"INSERT INTO journal.corrections SELECT {load_id}, '{name}', {keys[name]}, to_json(r)::VARCHAR, "
            f"NULL {where} ORDER BY line",
            values,
        )
        store.run(f"DELETE {where}", values)
    return gone


def moved_lines(store: Store, identity: str, tables: Iterable[RawTable]) -> None:
    """Let every record of the sheet name the line it stands on now: rows above may have come or gone."""
    for table in tables:
        name, key = table.table.name, [k for k in table.table.key if k in table.rows.columns]
        if name not in ("sites", "visits", "work"):
            continue
        store.stage("moved", table.rows.select(*key, "line").drop_nulls(key[0]))
        same = " AND ".join(f"r.{quoted(k)} IS NOT DISTINCT FROM m.{quoted(k)}" for k in key)
        store.run(
            f"UPDATE records.{name} AS r SET line = m.line FROM temp.moved AS m "
            f"WHERE r.file = $file AND r.line <> m.line AND {same}",
            {"file": identity},
        )
