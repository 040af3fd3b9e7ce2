"""Makes one row a site from facts repeated on its visit rows: the latest that can be right wins."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import polars as pl

from fleetstats.intake.fields import TABLES
from fleetstats.intake.rules import cell_faults, typed_query
from fleetstats.store import Store


@dataclass(frozen=True, slots=True)
class Doubt:
    """A site's fact on one line that was not used; `reason` is None where the value cannot be right."""

    line: int
    field: str
    value: str
    reason: str | None


def gather_facts(store: Store, facts: pl.DataFrame, *, today: date) -> tuple[pl.DataFrame, list[Doubt]]:
    """Return one row a site, and the facts that were not used: those that cannot be, those overtaken.

    Parameters
    ----------
    store : Store
        Its rules judge the cells (in temporary tables).
    facts : DataFrame
        `line`, `site_id`, `visit_date` (text, if there is any) and fields of a site as text.
    """
    known = facts.filter(pl.col("site_id").is_not_null())
    if "visit_date" not in known.columns:
        known = known.with_columns(pl.lit(None, pl.String).alias("visit_date"))
    names = [name for name in known.columns if name not in ("line", "site_id", "visit_date")]
    faults = _judge(store, known.drop("visit_date"), names, today)
    wrong = {(doubt.line, doubt.field) for doubt in faults}
    day = pl.col("visit_date").str.to_date("%Y-%m-%d", strict=False)
    believed = pl.when(day <= today).then(day)  # a day to come is no later word on the site
    ordered = known.with_columns(believed.alias("_day")).sort("_day", "line", nulls_last=False)
    for name in names:
        bad = [line for line, field in wrong if field == name]
        if bad:
            good = ~pl.col("line").is_in(bad)
            ordered = ordered.with_columns(pl.when(good).then(pl.col(name)).alias(name))
    latest = ordered.group_by("site_id", maintain_order=True).agg(
        pl.col("line").last(), *(pl.col(name).drop_nulls().last() for name in names)
    )
    overtaken = [doubt for name in names for doubt in _overtaken(ordered, name)]
    return latest.sort("line").select("site_id", *names, "line"), [*faults, *overtaken]


def _judge(store: Store, rows: pl.DataFrame, names: Sequence[str], today: date) -> list[Doubt]:
    """Return the cells that the rules of the table of sites do not accept."""
    sites, present = TABLES["sites"], ("site_id", *names)
    numbered = rows.with_columns(pl.lit(0, pl.Int32).alias("file_no"))
    query = typed_query(sites, present)
    with store.lent("incoming", numbered.with_columns(pl.lit(value=False).alias("decimal_comma"))):
        store.run(
            f"CREATE OR REPLACE TEMP TABLE typed AS {query}", {"today": today} if "$today" in query else None
        )
    store.stage("raw", numbered)
    found = [row for faults in cell_faults(sites, present) for row in store.run(faults)]
    return sorted(
        (Doubt(line, field, value, None) for _, line, field, value, _, _ in found),
        key=lambda doubt: (doubt.line, doubt.field),
    )


def _overtaken(ordered: pl.DataFrame, name: str) -> list[Doubt]:
    """Return the last line of each value of a fact that a later visit contradicts."""
    told = ordered.filter(pl.col(name).is_not_null()).select("site_id", "line", "visit_date", name)
    last = told.group_by("site_id", name, maintain_order=True).last()
    winner = told.group_by("site_id", maintain_order=True).last()
    both = last.join(winner, on="site_id", suffix="_later").filter(pl.col(name) != pl.col(f"{name}_later"))
    return [
        Doubt(
            row["line"],
            name,
            row[name],
            f"line {row['line_later']} ({row['visit_date_later'] or 'no date'}) says "
            f"{row[f'{name}_later']} of "
            f"the same site {row['site_id']}: the latest counts and this value was not used; if the site "
            "changed for good, add a row to the table changes, else correct the sheet",
        )
        for row in both.sort("line").iter_rows(named=True)
    ]
