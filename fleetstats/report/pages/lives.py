"""What ends the lives of parts: reasons, first weeks, bad years, rival parts, sites beside their likes."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import polars as pl

from fleetstats.report import labels, tables, words
from fleetstats.report.pages import costs, fast, parts
from fleetstats.report.pages.parts import Head, Row
from fleetstats.report.results import Results
from fleetstats.report.tables import Cell, Column, Table

#: Ages at which the shares gone are told: half a year and a year.
AGES_DAYS = (182.0, 364.0)
#: How a unit came out, for the reader; "{gone}" is the component's own word for spent.
_CAUSES: Mapping[str, str] = {
    "spent": "{gone}",
    "before it was spent": "taken out while still good",
    "unknown": "taken out, state not noted",
}
MORE, FEWER = "more than foretold", "fewer than foretold"
#: With fewer failures foretold than this a ratio says nothing.
FEWEST_FORETOLD = 0.5
#: A chance of being among the worst tenth above this is worth a look.
LIKELY_WORST = 0.5


@dataclass(frozen=True, slots=True)
class LivesPage:
    """What the page on lives shows."""

    head: Head
    ends: Table
    early_told: tuple[str, ...]
    early: Table
    rivals: Table
    costs_told: bool
    years_told: tuple[str, ...]
    years: Table
    months_told: tuple[str, ...]
    months: Table
    worst_told: str
    worst: Table


def lives_page(results: Results) -> LivesPage:
    """Return the page on what ends the lives of parts."""
    years = [(row, str(row["year"])) for row in results.lives_by_year.iter_rows(named=True)]
    months = [
        (row, words.MONTH_NAMES[row["month"] - 1]) for row in results.lives_by_month.iter_rows(named=True)
    ]
    worst = _worst_rows(results)
    return LivesPage(
        head=parts.head(results, "What ends the lives of parts", "lives"),
        ends=_ends(results),
        early_told=_early_told(results),
        early=_early(results),
        rivals=_rivals(results),
        costs_told=not costs.instead(results),
        years_told=_told(results, years, "in"),
        years=_against(results, "years", "Year", "Failures by year, against those foretold", years),
        months_told=_told(results, months, "in"),
        months=_against(results, "months", "Month", "Failures by month, against those foretold", months),
        worst_told=_worst_told(worst),
        worst=_worst(results, worst),
    )


def _ends(results: Results) -> Table:
    rows = []
    order = {name: place for place, name in enumerate(results.display.components)}
    found = results.removals.group_by("component", "cause", maintain_order=True).agg(
        pl.col("units").first(),
        *(_at(age, name).alias(f"{name}{k}") for k, age in enumerate(AGES_DAYS)
          for name in ("incidence", "low", "high")),
    )  # fmt: skip
    ranked = sorted(
        found.iter_rows(named=True),
        key=lambda r: (order.get(r["component"], 9), -r["incidence1"], r["cause"]),
    )
    for row in ranked:
        shares = [
            tables.number(
                _hundreds(row[f"incidence{k}"])
                + words.in_brackets(_hundreds_range(row[f"low{k}"], row[f"high{k}"])),
                row[f"incidence{k}"],
            )
            for k in range(len(AGES_DAYS))
        ]
        rows.append((
            tables.text(labels.component(row["component"])),
            tables.text(_cause(results, row["component"], row["cause"])), *shares,
            tables.number(words.whole(row["units"]), row["units"]),
        ))  # fmt: skip
    columns = (
        Column("component", "Component"), Column("reason", "Out because"),
        Column("by_26_weeks", "Of 100, out within 26 weeks (range)", True),
        Column("by_52_weeks", "Of 100, out within 52 weeks (range)", True),
        Column("units", "Came out so, in all", True),
    )  # fmt: skip
    return Table(
        "removals", "Why units came out, by age", columns, tuple(rows),
        "Not worked out because no unit is on record as having come out.", "data/removals.csv",
    )  # fmt: skip


def _at(age: float, name: str) -> pl.Expr:
    return pl.col(name).filter(pl.col("days") <= age).last().fill_null(0.0)


def _cause(results: Results, component: str, cause: str) -> str:
    told = _CAUSES.get(cause, labels.CONDITIONS.get(cause, labels.plain(cause)))
    return told.format(gone=labels.gone(results, component))


def _hundreds(share: float) -> str:
    return "under 1" if 0 < share < 0.005 else f"{100 * share:.0f}"


def _hundreds_range(low: float | None, high: float | None) -> str:
    known = low is not None and high is not None and high > low
    return f"{100 * low:.0f} to {100 * high:.0f}" if known and low is not None and high is not None else ""


_COUNTS = (
    Column("spells", "Units watched", True), Column("failures", "Ended", True),
    Column("expected", "Foretold", True), Column("ratio", "Times as many (range)", True),
    Column("finding", "So"),
)  # fmt: skip


def _counted(row: Row) -> tuple[Cell, ...]:
    return (
        tables.number(words.whole(row["spells"]), row["spells"]),
        tables.number(words.whole(row["failures"]), row["failures"]),
        tables.number(words.amount(row["expected"]), row["expected"]),
        tables.number(_times(row), row["ratio"]),
        tables.text(row["finding"]),
    )


def _times(row: Row) -> str:
    if (row["expected"] or 0.0) < FEWEST_FORETOLD:
        return "too few foretold"
    return words.share(row["ratio"]) + words.in_brackets(
        words.share_range(row["ratio_low"], row["ratio_high"])
    )


def _early(results: Results) -> Table:
    rows = [
        (
            tables.text(labels.component(row["component"])),
            tables.text(_age_span(row)),
            *_counted(row),
        )
        for row in results.early_deaths.iter_rows(named=True)
    ]
    columns = (Column("component", "Component"), Column("age", "Age"), *_COUNTS)
    return Table(
        "early", "Failures in the first weeks and later, against those that ageing foretells", columns,
        tuple(rows), _NO_FAILURES, "data/early.csv",
    )  # fmt: skip


_NO_FAILURES = "Not worked out because no failure that the household notices is on record yet."


def _age_span(row: Row) -> str:
    if row["to_days"] is not None:
        return f"first {words.weeks(row['to_days'])}"
    return f"after {words.weeks(row['from_days'])}"


def _early_told(results: Results) -> tuple[str, ...]:
    told = []
    for row in results.early_deaths.filter(pl.col("to_days").is_not_null()).iter_rows(named=True):
        name, gone = (
            labels.component(row["component"]),
            labels.gone(results, row["component"]),
        )
        seen = (
            f"{name}: {words.whole(row['failures'])} of {words.counted(row['spells'], 'unit')} {gone} in the "
            f"{_age_span(row)}, where ageing alone foretells {_few(row['expected'])}"
        )
        meaning = {
            MORE: "more than ageing explains: some were weak from the start or badly fitted; ask the "
                  "supplier and look at the work",
            FEWER: "fewer than the lives foretell",
        }.get(row["finding"], "no sign of units weak from the start")  # fmt: skip
        told.append(f"{seen}: {meaning}.")
    return tuple(told)


def _few(count: float | None) -> str:
    return "none" if count is not None and count < 0.05 else words.amount(count)


def _rivals(results: Results) -> Table:
    ratios = {
        (row["component"], row["term"].removeprefix("part_number[").rstrip("]")): row
        for row in results.effects.iter_rows(named=True)
        if row["term"].startswith("part_number[")
    }
    usual = {row["component"]: row["against"] for row in ratios.values()}
    rows = []
    for row in sorted(results.part_costs.iter_rows(named=True), key=_by_component(results)):
        key = (row["component"], row["part_number"])
        cost = words.amount(row["cost_per_month"], row["low"], row["high"])
        rows.append((
            tables.text(row["part_number"]),
            tables.text(labels.component(row["component"])),
            _life_against(ratios.get(key), row["part_number"], usual.get(row["component"])),
            tables.number(cost if cost != words.UNKNOWN else "price not on record", row["cost_per_month"]),
            tables.number(words.amount(row["used_per_year"]), row["used_per_year"]),
            tables.number(words.amount(row["callouts_per_year"]), row["callouts_per_year"]),
            tables.number(words.whole(row["units"]), row["units"]),
            tables.number(words.whole(row["sites"]), row["sites"]),
        ))  # fmt: skip
    columns = (
        Column("part_number", "Part"), Column("component", "Component"),
        Column("life", "Life against the commonest part (range)", True),
        Column("cost_per_month", f"A month in service costs, {results.display.currency} (range)", True),
        Column("used_per_year", "Used a year, each place", True),
        Column("callouts_per_year", "Call-outs a year, each place", True),
        Column("units", "Places", True), Column("sites", "Sites", True),
    )  # fmt: skip
    table = Table(
        "rivals", "Parts of one kind beside each other", columns, tuple(rows),
        "Not worked out because no part numbers are in service on record.", "data/rivals.csv",
    )  # fmt: skip
    return tables.without(table, ("cost_per_month", "callouts_per_year")) if costs.instead(results) else table


def _by_component(results: Results) -> Callable[[Row], tuple[int, str]]:
    order = {name: place for place, name in enumerate(results.display.components)}
    return lambda row: (order.get(row["component"], len(order)), row["part_number"])


def _life_against(row: Row | None, part: str, usual: str | None) -> Cell:
    if row is None:
        told = "the one others are held against" if part == usual else "too rare to compare"
        return tables.number(told if usual else "no rival on record", None)
    unclear = "" if row["low"] > 1.0 or row["high"] < 1.0 else ", no clear difference yet"
    spread = words.share_range(row["low"], row["high"])
    return tables.number(f"{words.share(row['time_ratio'])} ({spread}){unclear}", row["time_ratio"])


def _told(results: Results, rows: list[tuple[Row, str]], when: str) -> tuple[str, ...]:
    """Return for each component a sentence on the times in which clearly more or fewer failed."""
    told = []
    for finding, many in ((MORE, "more"), (FEWER, "fewer")):
        for component in dict.fromkeys(row["component"] for row, _ in rows):
            found = [
                f"{name} ({words.whole(row['failures'])}, foretold {words.amount(row['expected'])})"
                for row, name in rows
                if row["component"] == component and row["finding"] == finding
            ]
            if found:
                name, gone = labels.component(component), labels.gone(results, component)
                told.append(f"{name}: {many} {gone} than their age foretells {when} {words.listed(found)}.")
    if rows and not told:
        return ("None stands out: the differences are no larger than chance makes them.",)
    return tuple(told)


def _against(results: Results, name: str, heading: str, caption: str, rows: list[tuple[Row, str]]) -> Table:
    cells = [
        (
            tables.text(labels.component(row["component"])), tables.text(when),
            *_counted(row),
        )
        for row, when in rows
    ]  # fmt: skip
    columns = (Column("component", "Component"), Column(name, heading), *_COUNTS)
    return Table(name, caption, columns, tuple(cells), _NO_FAILURES, f"data/{name}.csv")


def _worst_rows(results: Results) -> list[Row]:
    known = results.site_life.filter(pl.col("worst_tenth_chance").is_not_null())
    ranked = known.sort(
        ["worst_tenth_chance", "site_id", "component", "slot"], descending=[True, False, False, False]
    )
    return list(ranked.iter_rows(named=True))


def _worst_told(rows: list[Row]) -> str:
    if not rows:
        return ""
    likely = [row for row in rows if row["worst_tenth_chance"] >= LIKELY_WORST]
    sites = len({row["site_id"] for row in likely})
    if not likely:
        return "No site is likelier than not to be truly among the worst tenth: the records cannot yet say."
    return (
        f"{words.counted(len(likely), 'part place')} at {words.counted(sites, 'site')} "
        f"{'is' if len(likely) == 1 else 'are'} likelier than not to be truly among the worst tenth."
    )


def _worst(results: Results, found: list[Row]) -> Table:
    names = parts.site_names(results.sites)
    middle = dict(results.site_life.group_by("component").agg(pl.col("like_days").median()).iter_rows())
    reasons = fast.reasons_of(results)
    rows = []
    for row in found:
        usual = middle.get(row["component"])
        share = row["like_days"] / usual if usual and row["like_days"] else None
        known = reasons.get((row["site_id"], row["component"], row["slot"]), [])
        why = words.listed([text for text, _ in known])
        spread = words.in_brackets(words.share_range(row["relative_low"], row["relative_high"]))
        rows.append((
            tables.text(names.get(row["site_id"], row["site_id"]), parts.site_href(row["site_id"])),
            tables.text(labels.component(row["component"], row["slot"])),
            tables.number(words.chance(row["worst_tenth_chance"]), row["worst_tenth_chance"]),
            tables.number(words.share(row["relative_life"]) + spread, row["relative_life"]),
            tables.number(words.share(share), share), tables.text(why),
            tables.text(
                parts.evidence(row["spells"], row["failures"], labels.gone(results, row["component"]))
            ),
        ))  # fmt: skip
    columns = (
        Column("site", "Site"), Column("component", "Component"),
        Column("worst_tenth_chance", "Chance to be among the worst tenth", True),
        Column("relative_life", "Unexplained: life against sites like it (range)", True),
        Column("known_reasons", "Known reasons: life at such sites against the fleet's middle", True),
        Column("reason", "Known reasons that shorten"), Column("evidence", "Fittings, ended"),
    )  # fmt: skip
    return Table(
        "worst", "Sites against sites like them", columns, tuple(rows),
        "Not worked out because no life is on record yet.", "data/worst.csv",
    )  # fmt: skip
