"""Makes one row a site from facts repeated on its visit rows: the latest that can be right wins."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import polars as pl

from fleetstats.intake.fields import TABLES
from fleetstats.intake.rules import cell_faults, quoted, typed_query
from fleetstats.store import Store

_WHAT_TO_DO = (
    "the latest counts and this value was not used; if the site changed for good, add a row to the table "
    "changes, else correct the sheet"
)


@dataclass(frozen=True, slots=True)
class Doubt:
    """A site's fact on one line that was not used; `reason` is None where the value cannot be right."""

    line: int
    field: str
    value: str
    reason: str | None


@dataclass(frozen=True, slots=True)
class SheetFacts:
    """What one sheet says of sites: `line`, `site_id`, `visit_date` (text) and fields of a site as text.

    `identity` is the name under which the store keeps what comes from the sheet, `place` what it is called.
    """

    identity: str
    place: str
    facts: pl.DataFrame


def gather_facts(
    store: Store, own: SheetFacts, others: Sequence[SheetFacts], *, today: date
) -> tuple[pl.DataFrame, list[Doubt]]:
    """Return one row a site, and the facts that were not used: those that cannot be, those overtaken.

    The latest visit counts, whichever sheet of the load it stands on, and visits that other files brought
    before count too: loading last year's sheet after this year's does not turn a site back.

    Parameters
    ----------
    store : Store
        Its rules judge the cells (in temporary tables).
    own : SheetFacts
        The sheet whose sites are made.
    others : sequence of SheetFacts
        The other sheets of this load, in order.
    """
    sheets = (*others, own)
    names = [name for name in own.facts.columns if name not in ("line", "site_id", "visit_date")]
    told = pl.concat([_told(sheet.facts, names, nth) for nth, sheet in enumerate(sheets)])
    mine = pl.col("_sheet") == len(others)
    known = told.filter(pl.col("site_id").is_in(told.filter(mine)["site_id"].unique().to_list()))
    faults = _judge(store, known.drop("visit_date"), names, today)
    day = pl.col("visit_date").str.to_date("%Y-%m-%d", strict=False)
    believed = pl.when(day <= today).then(day)  # a day to come is no later word on the site
    ordered = known.with_columns(believed.alias("_day")).sort("_day", "_sheet", "line", nulls_last=False)
    for name in names:
        bad = [(sheet, line) for sheet, line, field, _ in faults if field == name]
        if bad:
            schema = {"_sheet": pl.Int32, "line": pl.Int64}
            wrong = pl.DataFrame(bad, schema=schema, orient="row").with_columns(wrong=pl.lit(value=True))
            joined = ordered.join(wrong, on=["_sheet", "line"], how="left", maintain_order="left")
            good = pl.when(pl.col("wrong").is_null()).then(pl.col(name))
            ordered = joined.with_columns(good.alias(name)).drop("wrong")
    latest = ordered.group_by("site_id", maintain_order=True).agg(
        pl.col("line").filter(mine).last(), *(pl.col(name).drop_nulls().last() for name in names)
    )
    doubts = [Doubt(line, field, value, None) for sheet, line, field, value in faults if sheet == len(others)]
    for name in names:
        doubts += _overtaken(ordered, name, [sheet.place for sheet in sheets])
        latest, passed = _passed_by(store, latest, ordered, name, sheets)
        doubts += passed
    return latest.sort("line").select("site_id", *names, "line"), doubts


def _told(facts: pl.DataFrame, names: Sequence[str], nth: int) -> pl.DataFrame:
    """Return the lines that name their site, with every field asked for and the number of the sheet."""
    blank = pl.lit(None, pl.String)
    wanted = ["visit_date", *names]
    cells = [pl.col(name) if name in facts.columns else blank.alias(name) for name in wanted]
    known = facts.filter(pl.col("site_id").is_not_null())
    return known.select("line", "site_id", *cells, pl.lit(nth, pl.Int32).alias("_sheet"))


def _judge(
    store: Store, rows: pl.DataFrame, names: Sequence[str], today: date
) -> list[tuple[int, int, str, str]]:
    """Return (sheet, line, field, value) of the cells that the rules of the table of sites do not accept.

    Leaves the cells with their types in `temp.typed`.
    """
    sites, present = TABLES["sites"], ("site_id", *names)
    numbered = rows.rename({"_sheet": "file_no"})
    query = typed_query(sites, present)
    with store.lent("incoming", numbered.with_columns(pl.lit(value=False).alias("decimal_comma"))):
        store.run(
            f"CREATE OR REPLACE TEMP TABLE typed AS {query}", {"today": today} if "$today" in query else None
        )
    store.stage("raw", numbered)
    found = [row for faults in cell_faults(sites, present) for row in store.run(faults)]
    return sorted((sheet, line, field, value) for sheet, line, field, value, _, _ in found)


def _winners(ordered: pl.DataFrame, name: str) -> pl.DataFrame:
    """Return the last line that says a fact of each site, with what it says."""
    told = ordered.filter(pl.col(name).is_not_null())
    return told.select("site_id", "_sheet", "line", "visit_date", "_day", name).unique(
        "site_id", keep="last", maintain_order=True
    )


def _overtaken(ordered: pl.DataFrame, name: str, places: Sequence[str]) -> list[Doubt]:
    """Return the last own line of each value of a fact that a later visit contradicts."""
    own = len(places) - 1
    told = ordered.filter((pl.col("_sheet") == own) & pl.col(name).is_not_null())
    last = told.unique(["site_id", name], keep="last", maintain_order=True)
    both = last.join(_winners(ordered, name), on="site_id", suffix="_later")
    both = both.filter(pl.col(name) != pl.col(f"{name}_later"))
    return [
        Doubt(
            row["line"],
            name,
            row[name],
            f"{'' if row['_sheet_later'] == own else places[row['_sheet_later']] + ', '}line "
            f"{row['line_later']} ({row['visit_date_later'] or 'no date'}) says {row[f'{name}_later']} of "
            f"the same site {row['site_id']}: {_WHAT_TO_DO}",
        )
        for row in both.sort("line").iter_rows(named=True)
    ]


def _passed_by(
    store: Store, latest: pl.DataFrame, ordered: pl.DataFrame, name: str, sheets: Sequence[SheetFacts]
) -> tuple[pl.DataFrame, list[Doubt]]:
    """Return the sites with the fact that the records hold, where another file brought a later visit."""
    store.stage("winners", _winners(ordered, name))
    column = quoted(name)
    query = f"""
        WITH later AS (
            SELECT site_id, max(visit_date) AS seen FROM records.visits
            WHERE NOT list_contains($files, file) GROUP BY site_id
        )
        SELECT w.site_id, w._sheet, w.line, w.{column}, s.{column}::VARCHAR, later.seen::VARCHAR
        FROM temp.winners AS w
        JOIN temp.typed AS t ON (t.file_no, t.line) = (w._sheet, w.line)
        JOIN records.sites AS s ON s.site_id = w.site_id
        JOIN later ON later.site_id = w.site_id
        WHERE s.{column} IS NOT NULL AND s.{column} IS DISTINCT FROM t.{column}
            AND NOT list_contains($files, s.file)  -- what a sheet itself said it may correct
            AND later.seen > coalesce(w._day, DATE '0001-01-01')
        ORDER BY w.line"""
    files = {"files": [sheet.identity for sheet in sheets]}
    found = store.run(query, files)
    held = {site: value for site, _, _, _, value, _ in found} | dict(store.run(_untold(name), files))
    doubts = [
        Doubt(line, name, value, f"the records say {kept} of site {site}, visited on {seen}: {_WHAT_TO_DO}")
        for site, sheet, line, value, kept, seen in found
        if sheet == len(sheets) - 1
    ]
    if held:
        kept = pl.col("site_id").replace_strict(held, default=None, return_dtype=pl.String)
        latest = latest.with_columns(pl.coalesce(kept, name).alias(name))
    return latest, doubts


def _untold(name: str) -> str:
    """Return the query of the facts that other files brought and the sheets say nothing of."""
    return (
        f"SELECT site_id, {quoted(name)}::VARCHAR FROM records.sites AS s ANTI JOIN temp.winners USING "
        f"(site_id) WHERE {quoted(name)} IS NOT NULL AND NOT list_contains($files, file)"
    )
