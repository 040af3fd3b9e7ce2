"""Takes out of the records what a sheet said before and says no more, with a note of each correction."""

from collections.abc import Mapping

import polars as pl

from fleetstats.intake.fields import TABLES
from fleetstats.intake.rules import quoted
from fleetstats.store import Store

_OF_SITES = ("visits", "changes", "samples", "site_limits", "decisions")
_KEYS = {
    "visits": "visit_id",
    "sites": "site_id",
    "work": "concat_ws(' | ', visit_id, component, slot, action)",
}


def withdraw(store: Store, identity: str, accepted: Mapping[str, pl.DataFrame], load_id: int) -> int:
    """Return how many records were taken out: those of the sheet `identity` that it no longer makes.

    Parameters
    ----------
    store : Store
        In a transaction, after the sheet's tables went in.
    identity : str
        The `file` of the records that came from the sheet.
    accepted : mapping of table name to frame
        The rows that the sheet makes now and that were accepted, with their keys.
    """
    gone = 0
    if "visits" in accepted:
        for name, kept in (("work", "work"), ("visits", "visits")):
            store.stage("kept", accepted[kept].select(pl.col("visit_id").unique()))
            gone += _take_out(store, name, identity, "visit_id NOT IN (FROM temp.kept)", load_id)
    if "sites" in accepted:
        store.stage("kept", accepted["sites"].select(pl.col("site_id").unique()))
        named = " UNION ALL ".join(f"SELECT site_id FROM records.{name}" for name in _OF_SITES)
        which = (
            f"site_id NOT IN (SELECT site_id FROM ({named} UNION ALL FROM temp.kept) WHERE site_id NOT NULL)"
        )
        gone += _take_out(store, "sites", identity, which, load_id)
    return gone


def _take_out(store: Store, name: str, identity: str, which: str, load_id: int) -> int:
    where = f"FROM records.{name} AS r WHERE file = $file AND {which}"
    values = {"file": identity}
    gone = int(store.run(f"SELECT count(*) {where}", values)[0][0])
    if gone:
        store.run(
            f"INSERT INTO journal.corrections SELECT {load_id}, '{name}', {_KEYS[name]}, "
            f"to_json(r)::VARCHAR, NULL {where} ORDER BY line",
            values,
        )
        store.run(f"DELETE {where}", values)
    return gone


def move_lines(store: Store, identity: str, accepted: Mapping[str, pl.DataFrame]) -> None:
    """Let every record of a sheet name the line it stands on now: rows above may have come or gone."""
    for name in ("sites", "visits", "work"):
        if name not in accepted:
            continue
        key = [k for k in TABLES[name].key if k in accepted[name].columns]
        last = accepted[name].unique(subset=key, keep="last")
        store.stage("moved", last.select(*key, "line"))
        same = " AND ".join(f"r.{quoted(k)} IS NOT DISTINCT FROM m.{quoted(k)}" for k in key)
        store.run(
            f"UPDATE records.{name} AS r SET line = m.line FROM temp.moved AS m "
            f"WHERE r.file = $file AND r.line <> m.line AND {same}",
            {"file": identity},
        )
