"""Sites that spend cartridges fast: for a reason that the records know, or for none that they show."""

import math

import polars as pl

from fleetstats.report import labels, tables, words
from fleetstats.report.pages import parts
from fleetstats.report.pages.why_life import PART
from fleetstats.report.results import Results
from fleetstats.report.tables import Cell, Column, Table

#: A life under this share of the fleet's middle life counts as fast.
FAST_SHARE = 0.75


def unexplained(results: Results) -> Table:
    """Return the site components that last clearly less than at sites like it, worst first."""
    rows = [
        row
        for row in _fouled(results).iter_rows(named=True)
        if row["relative_life"] is not None
        and row["relative_high"] is not None
        and row["relative_high"] < 1.0
    ]
    names = parts.site_names(results.sites)
    rows.sort(key=lambda row: (row["relative_life"], row["site_id"], row["component"], row["slot"]))
    return Table(
        "fast-unexplained", "Spent faster than at sites like it, no reason on record",
        _columns("relative_life", "Life against sites like it"),
        tuple((*_start(results, names, row), _relative(row), _count(results, row)) for row in rows),
        "No site is clearly faster than sites like it.", "data/fast-unexplained.csv",
    )  # fmt: skip


def explained(results: Results) -> Table:
    """Return the site components that are fast as sites like it are, with the reasons on record."""
    medians = results.site_life.group_by("component").agg(pl.col("median_days").median())
    middle = dict(medians.iter_rows())
    reasons, names = reasons_of(results), parts.site_names(results.sites)
    found = []
    for row in _fouled(results).iter_rows(named=True):
        share = row["median_days"] / middle[row["component"]] if middle[row["component"]] else 1.0
        told = reasons.get((row["site_id"], row["component"], row["slot"]), [])
        if not told or share >= FAST_SHARE or (row["relative_high"] or 1.0) < 1.0:
            continue
        if sum(math.log(ratio) for _, ratio in told) <= PART * math.log(share):
            found.append((share, row, words.listed([text for text, _ in told])))
    found.sort(key=lambda item: (item[0], item[1]["site_id"], item[1]["component"], item[1]["slot"]))
    return Table(
        "fast-explained", "Spent fast for a reason on record",
        _columns("reason", "Known reason", number=False),
        tuple(
            (*_start(results, names, row), tables.text(told), _count(results, row)) for _, row, told in found
        ),
        "No site is fast for a reason on record.", "data/fast-explained.csv",
    )  # fmt: skip


def _fouled(results: Results) -> pl.DataFrame:
    """The lives that the water wears out; a lamp burns out whatever the water."""
    lamps = [name for name, kind in results.display.components.items() if kind.lamp]
    return results.site_life.filter(~pl.col("component").is_in(lamps))


def reasons_of(results: Results) -> dict[tuple[str, str, str], list[tuple[str, float]]]:
    """Return the known reasons that shorten a life, in words, with their time ratio, by unit."""
    found: dict[tuple[str, str, str], list[tuple[str, float]]] = {}
    for row in results.known_reasons.filter(pl.col("time_ratio") < 1.0).iter_rows(named=True):
        key = row["site_id"], row["component"], row["slot"]
        found.setdefault(key, []).append((labels.reason(row), row["time_ratio"]))
    return found


def _columns(name: str, heading: str, *, number: bool = True) -> tuple[Column, ...]:
    return (
        Column("site", "Site"), Column("component", "Component"), Column("median_days", "Lasts about", True),
        Column(name, heading, number, long=not number), Column("evidence", "Fittings, spent"),
    )  # fmt: skip


def _start(results: Results, names: dict[str, str], row: parts.Row) -> tuple[Cell, ...]:
    site = row["site_id"]
    spread = words.in_brackets(words.week_range(row["low_days"], row["high_days"]))
    return (
        tables.text(names.get(site, site), parts.site_href(site)),
        tables.text(labels.component(row["component"], row["slot"])),
        tables.number(words.weeks(row["median_days"]) + spread, row["median_days"]),
    )


def _relative(row: parts.Row) -> Cell:
    spread = words.in_brackets(words.share_range(row["relative_low"], row["relative_high"]))
    return tables.number(words.share(row["relative_life"]) + spread, row["relative_life"])


def _count(results: Results, row: parts.Row) -> Cell:
    return tables.text(parts.evidence(row["spells"], row["failures"], labels.gone(results, row["component"])))
