"""The supplier's page: what is needed of each part and when; and the pack that leaves the house."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import polars as pl

from fleetstats.report import labels, tables, words
from fleetstats.report.pages import parts
from fleetstats.report.pages.parts import Head
from fleetstats.report.pages.supplier_sheet import sheet
from fleetstats.report.pages.supplier_words import first_orders, past_error, season, swings
from fleetstats.report.results import Results
from fleetstats.report.sketches import Need, Sketch, need_by_month
from fleetstats.report.tables import Cell, Column, Table

#: A figure that fewer sites than this contribute to never stands alone in a supplier's pack.
FEWEST_SITES = 5
OTHER = "other parts"


@dataclass(frozen=True, slots=True)
class PartNeed:
    """One part's fan, the numbers beside it, and why months stand out."""

    fan: Sketch
    numbers: Table
    told: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SupplierPage:
    """What the supplier's page shows; `outside` marks the pack that leaves the house."""

    head: Head
    outside: bool
    supplier: str
    lead: str
    orders: Table
    later: Table
    stands: Table
    each: tuple[PartNeed, ...]
    needs: Table
    past: Table
    past_told: str
    merged_told: str
    sheet: Table | None


def supplier_page(results: Results) -> SupplierPage:
    """Return the page as the firm itself sees it, all suppliers together."""
    names = _part_names(results.parts)
    first, later = _orders(results.orders, names, _held(results.display.currency))
    stock = results.stock.with_columns(pl.col("part_number").fill_null("part not on record"))
    return SupplierPage(
        head=parts.head(results, "For the supplier", "supplier"),
        outside=False,
        supplier="",
        lead=first_orders(results.orders, names, outside=False),
        orders=first,
        later=later,
        stands=_stands(results.orders, names, results.display.currency),
        each=_each(results, stock, names),
        needs=_needs(results, stock, names, inside=True),
        past=_past(results.stock_past, names, inside=True),
        past_told=past_error(results.stock_past),
        merged_told="",
        sheet=None,
    )


def supplier_packs(results: Results) -> list[SupplierPage]:
    """Return one page a supplier with its own parts and totals only; one for all where none is named."""
    named = dict(results.parts.select("part_number", pl.col("supplier").fill_null("")).iter_rows())
    suppliers = sorted({named.get(part, "") for part in results.stock["part_number"].to_list()})
    return [_pack(results, supplier, named) for supplier in suppliers or [""]]


def _pack(results: Results, supplier: str, named: dict[str, str]) -> SupplierPage:
    def own(frame: pl.DataFrame) -> pl.DataFrame:
        mine = [named.get(part, "") == supplier for part in frame["part_number"].to_list()]
        return frame.filter(pl.Series(mine, dtype=pl.Boolean))

    names = _part_names(results.parts, inside=False)
    stock, left_out = _merged(own(results.stock), results)
    alone = set(stock["part_number"].to_list()) - {OTHER}
    told = f"Figures that fewer than {FEWEST_SITES} sites contribute to are merged into '{OTHER}'."
    if OTHER in stock["part_number"].to_list():
        told += " What is enough of those is the sum of what is enough of each, so rather more than enough."
    if left_out:
        told += f" In {words.counted(left_out, 'month')} even those were too few to print."
    orders = own(results.orders).filter(pl.col("part_number").is_in(sorted(alone)))
    first, later = _orders(orders, names, ())
    past = _past_merged(own(results.stock_past), alone)
    return SupplierPage(
        head=parts.head(results, "Parts needed: a forecast, not an order", plain=True),
        outside=True,
        supplier=supplier,
        lead=first_orders(orders, names, outside=True),
        orders=replace(first, csv_href=""),
        later=replace(later, csv_href=""),
        stands=_stands(orders.clear(), names, ""),
        each=_each(results, stock, names),
        needs=replace(_needs(results, stock, names, inside=False), csv_href=""),
        past=replace(_past(past, names, inside=False), csv_href=""),
        past_told=past_error(past),
        merged_told=told,
        sheet=sheet(stock, orders.filter(pl.col("quantity") > 0).sort("order_by"), past, names),
    )


def _merged(stock: pl.DataFrame, results: Results) -> tuple[pl.DataFrame, int]:
    """Stock where every figure rests on enough sites; and in how many months even the rest did not."""
    fewest = stock.group_by("part_number").agg(pl.col("sites").fill_null(0).min().alias("fewest"))
    stands = fewest.filter((pl.col("fewest") >= FEWEST_SITES) & pl.col("part_number").is_not_null())
    alone = stands["part_number"].to_list()
    together = stock.filter(~pl.col("part_number").is_in(alone) | pl.col("part_number").is_null())
    kept = stock.filter(pl.col("part_number").is_in(alone))
    if together.height == 0:
        return kept, 0
    held = results.in_place.filter(
        pl.col("part_number").is_in(together["part_number"].drop_nulls().unique().to_list())
    )
    if held["site_id"].n_unique() < FEWEST_SITES:
        return kept, together["month"].n_unique()
    columns = ("expected", "p50", "p80", "p95", "expected_current_rule")
    other = (
        together.group_by("month", maintain_order=True)
        .agg(*(pl.col(column).sum() for column in columns))
        .with_columns(
            pl.lit(OTHER).alias("part_number"), pl.lit("").alias("component"),
            pl.lit(held["site_id"].n_unique(), dtype=pl.Int64).alias("sites"),
        )
    )  # fmt: skip
    return pl.concat([kept, other.select(kept.columns)]), 0


def _past_merged(past: pl.DataFrame, alone: set[str]) -> pl.DataFrame:
    """Last year's forecast where every figure rests on enough sites, the rest together if that is enough."""
    stands = pl.col("part_number").is_in(sorted(alone)) & (pl.col("sites").fill_null(0) >= FEWEST_SITES)
    rest = past.filter(~stands.fill_null(False))
    # sites of two parts may be the same: only the part held at most of them counts
    if max(rest["sites"].fill_null(0).to_list(), default=0) < FEWEST_SITES:
        return past.filter(stands)
    numbers = ("forecast", "forecast_low", "forecast_high", "used", "used_at_added_sites", "sites")
    other = rest.select(
        pl.lit(OTHER).alias("part_number"), pl.lit("").alias("component"), *(pl.col(n).sum() for n in numbers)
    )
    return pl.concat([past.filter(stands), other.select(past.columns)])


def _part_names(frame: pl.DataFrame, *, inside: bool = True) -> dict[str, str]:
    """Each part as its supplier knows it: the supplier's own number where there is one, and what it is."""
    named = {}
    for row in frame.iter_rows(named=True):
        theirs = row["supplier_part_number"]
        own = row["part_number"]
        number = theirs or own
        if inside and number != own:
            number = f"{own} (theirs {theirs})"
        named[own] = f"{number}, {row['description']}" if row["description"] else number
    return named


def _orders(orders: pl.DataFrame, names: dict[str, str], held: Sequence[Column]) -> tuple[Table, Table]:
    """The first order of each part, with the columns `held` for the firm itself, and the later ones."""
    wanted = orders.filter(pl.col("order_by").is_not_null() & (pl.col("quantity") > 0))
    wanted = wanted.sort("order_by", maintain_order=True)
    first = wanted.unique("part_number", keep="first", maintain_order=True)
    later = wanted.filter(~pl.struct("part_number", "order_by").is_in(first.select(
        pl.struct("part_number", "order_by")).to_series().implode()))  # fmt: skip
    shown = [
        Column("part_number", "Part"),
        Column("order_by", "Order by"),
        Column("quantity", "Pieces", True),
    ]
    held = [column for column in held if first[column.name].count()]
    return (
        Table(
            "orders", "First dates and quantities", (*shown, *held), _order_rows(first, names, held),
            "No order dates: stock on hand or delivery times are not on record, or nothing is needed yet.",
            "data/orders.csv",
        ),
        Table(
            "later-orders", "Dates and quantities after those", tuple(shown), _order_rows(later, names, []),
            "No later orders.", "data/later-orders.csv",
        ),
    )  # fmt: skip


def _held(currency: str) -> tuple[Column, ...]:
    """What the firm itself reads beside each first order."""
    return (
        Column("runs_short_on", "May run short on"),
        Column("on_hand", "On hand", True), Column("on_order", "On order", True),
        Column("lead_time_days", "Delivery, days", True), Column("pack_size", "Pack of", True),
        Column("order_cost", f"Costs, {currency}", True),
        Column("money_in_stock", f"In stock, {currency}", True), Column("reason", "Arrives"),
    )  # fmt: skip


def _stands(orders: pl.DataFrame, names: dict[str, str], currency: str) -> Table:
    """The parts for which nothing is ordered: why, and the money tied up in them."""
    idle = orders.filter(pl.col("quantity").is_null()).sort("component", "part_number")
    rows = tuple(
        (
            tables.text(names.get(row["part_number"], row["part_number"] or "part not on record")),
            tables.number(words.whole(row["on_hand"]), row["on_hand"]),
            tables.number(words.money(row["money_in_stock"]), row["money_in_stock"]),
            tables.text(row["reason"]),
        )
        for row in idle.iter_rows(named=True)
    )
    columns = (
        Column("part_number", "Part"), Column("on_hand", "On hand", True),
        Column("money_in_stock", f"In stock, {currency}", True), Column("reason", "Why", long=True),
    )  # fmt: skip
    return Table(
        "stock-stands", "Parts without an order", columns, rows,
        "Every part has an order.", "data/stock-stands.csv",
    )  # fmt: skip


def _order_rows(
    orders: pl.DataFrame, names: dict[str, str], held: Sequence[Column]
) -> tuple[tuple[Cell, ...], ...]:
    return tuple(
        (
            tables.text(names.get(row["part_number"], row["part_number"] or "part not on record")),
            tables.day(row["order_by"]),
            tables.number(words.whole(row["quantity"]), row["quantity"]),
            *(_held_cell(row[column.name], column) for column in held),
        )
        for row in orders.iter_rows(named=True)
    )


def _held_cell(value: Any, column: Column) -> Cell:
    if isinstance(value, date):
        return tables.day(value)
    return tables.number(words.whole(value), value) if column.number else tables.text(value)


def _each(results: Results, stock: pl.DataFrame, names: dict[str, str]) -> tuple[PartNeed, ...]:
    found: list[PartNeed] = []
    seasons = season(results.work, results.visits, results.as_of)
    for part in stock["part_number"].unique(maintain_order=True).to_list():
        rows = stock.filter(pl.col("part_number") == part).sort("month")
        need = Need(
            tuple(rows["month"].to_list()),
            *(tuple(_level(rows, column)) for column in ("expected", "p50", "p80", "p95")),
        )
        component = rows["component"][0]
        title = _short_name(results, names.get(part, part).split(",")[0], component)
        sketch = need_by_month(f"need-{len(found) + 1}", name=title, need=need)
        if sketch:
            numbers = _months(f"months-{len(found) + 1}", title, rows)
            found.append(PartNeed(sketch, numbers, swings(rows, seasons.get(component or "", {}))))
    return tuple(found)


def _months(table_id: str, title: str, rows: pl.DataFrame) -> Table:
    columns = (
        Column("month", "Month"), Column("expected", "Expected", True), Column("p50", "50 in 100", True),
        Column("p80", "80 in 100", True), Column("p95", "95 in 100", True),
    )  # fmt: skip
    shown = tuple(
        (_month(row["month"]), *(_pieces(row[column.name]) for column in columns[1:]))
        for row in rows.iter_rows(named=True)
    )
    return Table(table_id, f"{title}: pieces that are enough", columns, shown, "")


def _level(rows: pl.DataFrame, column: str) -> Sequence[float]:
    values = rows[column]
    return () if values.null_count() else [float(value) for value in values.to_list()]


def _short_name(results: Results, part: str, component: str | None) -> str:
    return f"{part}, {labels.component(component)}" if component else part


def _needs(results: Results, stock: pl.DataFrame, names: dict[str, str], *, inside: bool) -> Table:
    columns = [
        Column("part_number", "Part"), Column("month", "Month"), Column("expected", "Expected", True),
        Column("p50", "Enough 50 in 100", True), Column("p80", "Enough 80 in 100", True),
        Column("p95", "Enough 95 in 100", True),
    ]  # fmt: skip
    if inside:
        columns.append(Column("expected_current_rule", "Expected under today's rule", True))
    order = {part: place for place, part in enumerate(stock["part_number"].unique(maintain_order=True))}
    rows = [
        (
            tables.text(names.get(row["part_number"], row["part_number"])),
            _month(row["month"]),
            *(_pieces(row[column.name]) for column in columns[2:]),
        )
        for row in sorted(stock.iter_rows(named=True), key=lambda r: (order[r["part_number"]], r["month"]))
    ]
    return Table(
        "needs", "Need by part and month", tuple(columns), tuple(rows),
        "No need is forecast: no plan has been worked out yet.", "data/needs.csv",
    )  # fmt: skip


def _month(value: date) -> Cell:
    return Cell(words.month(value), value.isoformat())


def _pieces(value: float | None) -> Cell:
    return tables.number(words.amount(value) if value and value % 1 else words.whole(value), value)


def _past(past: pl.DataFrame, names: dict[str, str], *, inside: bool) -> Table:
    added = [Column("used_at_added_sites", "Of these at sites added since", True)] if inside else []
    rows = [
        (
            tables.text(names.get(row["part_number"], row["part_number"])),
            tables.number(
                words.amount(row["forecast"], row["forecast_low"], row["forecast_high"]), row["forecast"]
            ),
            tables.number(words.whole(row["used"]), row["used"]),
            *(tables.number(words.whole(row[column.name]), row[column.name]) for column in added),
        )
        for row in past.iter_rows(named=True)
    ]
    columns = (
        Column("part_number", "Part"), Column("forecast", "Forecast a year ago (range)", True),
        Column("used", "Used since", True), *added,
    )  # fmt: skip
    return Table(
        "stock-past", "Last year's forecast against use", columns, tuple(rows),
        "The records do not yet reach back far enough to hold a forecast against what was used.",
        "data/forecast-against-use.csv",
    )  # fmt: skip
