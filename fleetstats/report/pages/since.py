"""The owner's section on what has changed since the last report, and whether decided intervals paid."""

from dataclasses import dataclass
from typing import Any, Final

import polars as pl

from fleetstats.quantities import DAYS_PER_MONTH
from fleetstats.report import labels, tables, words
from fleetstats.report.pages import parts
from fleetstats.report.results import Results
from fleetstats.report.tables import Column, Table

_REASONS: Final = {
    "settings": "the settings are not what they were",
    "records_elsewhere": "records of other sites, which this one is likened to",
}
_VERDICTS: Final = {
    "paid": "paid", "did_not_pay": "did not pay", "not_practised": "not practised",
    "too_early": "too early to say",
}  # fmt: skip
_DECISIONS: Final = {"accepted": "accepted", "trial": "on trial"}


@dataclass(frozen=True, slots=True)
class SinceLast:
    """The section in words, the visit intervals that changed, and the decisions with what followed."""

    told: str
    changed: Table
    paid_told: str
    paid: Table


def since_last(results: Results) -> SinceLast:
    """Return the section."""
    changed = results.plan_changes.filter(pl.col("component").is_null())
    return SinceLast(_told(results, changed), _changed(results, changed), _paid_told(results), _paid(results))


def _told(results: Results, changed: pl.DataFrame) -> str:
    before = results.earlier_intervals.filter(pl.col("as_of") < results.as_of)
    if before.is_empty():
        return "This is the first report from these records: there is none to hold it against."
    before = before.filter(pl.col("as_of") == pl.col("as_of").max())
    day, sites = words.day(before["as_of"][0]), before["site_id"].n_unique()
    if changed.is_empty():
        parts_too = results.plan_changes.height
        also = f"; {words.counted(parts_too, 'interval')} of single parts did" if parts_too else ""
        return f"Since the report as of {day} no interval between visits has changed by a week or more{also}."
    shorter = changed.filter(pl.col("interval_days") < pl.col("interval_before_days")).height
    return (
        f"Since the report as of {day} the interval between visits has changed by a week or more at "
        f"{words.counted(changed.height, 'site')} of {words.whole(sites)}: shorter at {shorter}, "
        f"longer at {changed.height - shorter}."
    )


def _changed(results: Results, changed: pl.DataFrame) -> Table:
    names = parts.site_names(results.sites)
    rows = [
        (
            tables.text(names.get(row["site_id"], row["site_id"]), _href(row["site_id"], names)),
            tables.number(words.weeks(row["interval_before_days"]), row["interval_before_days"]),
            tables.number(words.weeks(row["interval_days"]), row["interval_days"]),
            tables.text(words.sentence(_why(row))),
        )
        for row in changed.iter_rows(named=True)
    ]
    columns = (
        Column("site", "Site"), Column("interval_before_days", "Before", True),
        Column("interval_days", "Now", True), Column("reason", "Why", long=True),
    )  # fmt: skip
    return Table(
        "plan-changes", "Intervals between visits that changed", columns, tuple(rows),
        "No interval between visits changed.", "data/plan-changes.csv",
    )  # fmt: skip


def _why(row: dict[str, Any]) -> str:
    if row["reason"] == "limit":
        return f"now held by: {labels.limit(row['limited_by'])}"
    if row["reason"] == "freed":
        return f"no longer held by: {labels.limit(row['limited_by'])}"
    if row["reason"] != "records_here":
        return _REASONS[row["reason"]]
    more, failed = row["spells_more"] or 0, row["failures_more"] or 0
    told = [words.counted(more, "more fitting", "more fittings")] if more > 0 else []
    told += [f"{words.whole(failed)} more found spent"] if failed > 0 else []
    return f"new records here: {words.listed(told)}" if told else "records here were mended"


def _paid_told(results: Results) -> str:
    verdicts = results.decisions_paid["verdict"].to_list()
    counted = [f"{verdicts.count(name)} {told}" for name, told in _VERDICTS.items() if verdicts.count(name)]
    return (
        f"Of {words.counted(len(verdicts), 'decision')}: {words.listed(counted)}. Held against each other "
        "are up to two years before and all the time after, to the last visit on record in the fleet, "
        "trips and call-outs at the costs in the settings, parts aside. Not practised: planned visits came "
        "more than one and a half times as far apart as decided, or closer by as much. The range of the "
        "ratio is what chance alone leaves open."
    )


def _paid(results: Results) -> Table:
    names = parts.site_names(results.sites)
    rows = [
        (
            tables.text(names.get(row["site_id"], row["site_id"]), _href(row["site_id"], names)),
            tables.day(row["decided_on"]),
            tables.text(_DECISIONS.get(row["decision"], row["decision"])),
            tables.number(words.weeks(row["visit_interval_days"]), row["visit_interval_days"]),
            tables.text(_counts(row["callouts_before"], row["days_before"])),
            tables.text(_counts(row["callouts_after"], row["days_after"])),
            tables.number(_ratio(row), row["callout_ratio"]),
            tables.number(words.money(row["cost_per_year_before"]), row["cost_per_year_before"]),
            tables.number(_after(row), row["cost_per_year_after"]),
            tables.text(_verdict(row)),
        )
        for row in results.decisions_paid.iter_rows(named=True)
    ]
    currency = results.display.currency
    columns = (
        Column("site", "Site"), Column("decided_on", "Decided"), Column("decision", "What"),
        Column("visit_interval_days", "Interval", True), Column("callouts_before", "Call-outs before"),
        Column("callouts_after", "Call-outs after"), Column("callout_ratio", "After over before", True),
        Column("cost_per_year_before", f"A year before, {currency}", True),
        Column("cost_per_year_after", f"A year after, {currency}", True), Column("verdict", "So"),
    )  # fmt: skip
    return Table(
        "decisions-paid", "Decided intervals, before and after", columns, tuple(rows),
        "No decided interval is on record.", "data/decisions-paid.csv",
    )  # fmt: skip


def _after(row: dict[str, Any]) -> str:
    return words.money(row["cost_per_year_after"]) if row["visits_after"] else "no planned visit yet"


def _verdict(row: dict[str, Any]) -> str:
    told = _VERDICTS[row["verdict"]]
    if row["verdict"] != "not_practised" or row["days_between_after"] is None:
        return told
    return f"{told}: visits came every {words.weeks(row['days_between_after'])}"


def _counts(callouts: int | None, days: int | None) -> str:
    months = round((days or 0) / DAYS_PER_MONTH)
    return f"{words.whole(callouts)} in {words.counted(months, 'month')}"


def _ratio(row: dict[str, Any]) -> str:
    if row["callout_ratio"] is None and row["ratio_low"] is None:
        return words.UNKNOWN
    if row["ratio_high"] is None:
        return f"{words.share(row['ratio_low'])} or more"
    return f"{words.share(row['callout_ratio'])} ({words.share_range(row['ratio_low'], row['ratio_high'])})"


def _href(site_id: str, names: dict[str, str]) -> str:
    return parts.site_href(site_id) if site_id in names else ""
