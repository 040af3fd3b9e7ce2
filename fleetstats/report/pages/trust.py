"""How far to trust the report: what was said beforehand against what happened, and what cannot be said."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from fleetstats.report import figures, labels, tables, words
from fleetstats.report.figures import Figure
from fleetstats.report.pages import parts
from fleetstats.report.pages.parts import Head
from fleetstats.report.results import Results
from fleetstats.report.tables import Column, Table

#: With fewer ended lives than this a component's own pattern cannot be told from custom.
FEW_ENDED = 30


@dataclass(frozen=True, slots=True)
class TrustPage:
    """What the page on trust shows."""

    head: Head
    replay: Table
    scores: Table
    costs: Table
    groups: Table
    figure: Figure | None
    sensitivity: Table
    cannot_say: tuple[str, ...]


def trust_page(results: Results) -> TrustPage:
    """Return the page on trust."""
    return TrustPage(
        head=parts.head(results, "How far to trust this", "trust"),
        replay=_replay(results),
        scores=_scores(results),
        costs=_costs(results),
        groups=_groups(results),
        figure=figures.said_and_happened(
            "said-and-happened", "Chances said beforehand against what happened",
            results.calibration.with_columns(pl.col("component").replace(_labels(results))),
        ),
        sensitivity=_sensitivity(results),
        cannot_say=cannot_say(results),
    )  # fmt: skip


def cannot_say(results: Results) -> tuple[str, ...]:
    """Return, as sentences, what these records cannot yet tell."""
    told = []
    ended = dict.fromkeys(results.display.components, 0)
    for component, failures in results.families.select("component", "failures").iter_rows():
        ended[component] = failures or 0
    for component, failures in sorted(ended.items()):
        if failures < FEW_ENDED:
            name, gone = labels.component(results.display, component), labels.gone(component)
            told.append(
                f"{name}: {words.counted(failures, 'unit')} seen {gone}; its life at single sites cannot be "
                "told from custom yet."
            )
    custom = results.intervals.filter(pl.col("evidence") == "customary")["site_id"].n_unique()
    if custom:
        told.append(f"At {words.counted(custom, 'site')} some interval still rests on custom alone.")
    if results.replay.height == 0:
        told.append(
            "Whether the chances come true: the records do not reach back far enough to try the method on "
            "their own past."
        )
    told.append("Whether a lit lamp is still strong enough: a weak lamp is not visible in these records.")
    told.append("Whether the water was fit to drink on any day: only samples and the UV unit's sensor tell.")
    return tuple(told)


def _labels(results: Results) -> dict[str, str]:
    names = results.calibration["component"].drop_nulls().unique().to_list()
    return {name: labels.component(results.display, name) for name in names}


def _name(results: Results, component: str | None) -> str:
    return labels.component(results.display, component) if component else "All components"


def _replay(results: Results) -> Table:
    rows = [
        (
            *_when(results, row), tables.number(words.whole(row["spells"]), row["spells"]),
            tables.number(
                words.amount(row["predicted"], row["predicted_low"], row["predicted_high"]), row["predicted"]
            ),
            tables.number(words.whole(row["happened"]), row["happened"]),
            tables.number(_tenths(row["coverage"]), row["coverage"]),
        )
        for row in results.replay.drop_nulls("component").iter_rows(named=True)
    ]  # fmt: skip
    columns = (
        *_WHEN,
        Column("fittings", "Fittings that followed", True),
        Column("said", "Said would be spent (range)", True), Column("happened", "Were spent", True),
        Column("inside", "Groups of chances inside their range", True),
    )  # fmt: skip
    return Table(
        "replay", "The method tried on the firm's own past", columns, tuple(rows), _NO_PAST, "data/replay.csv"
    )


_WHEN = (
    Column("as_of", "As known on"), Column("weeks", "Weeks that followed", True),
    Column("component", "Component"),
)  # fmt: skip


def _when(results: Results, row: parts.Row) -> tuple[tables.Cell, ...]:
    return (
        tables.day(row["as_of"]),
        tables.number(words.whole(words.week_number(row["horizon_days"])), row["horizon_days"]),
        tables.text(_name(results, row["component"])),
    )


_NO_PAST = "The records do not yet reach back far enough to try the method on their own past."


def _tenths(share: float | None) -> str:
    return words.UNKNOWN if share is None else f"{round(share * 10)} in 10"


def _scores(results: Results) -> Table:
    scored = results.replay.filter(pl.col("log_score").is_not_null())
    names = ("log_score", "log_score_one_curve", "log_score_cohorts")
    rows = [
        (
            *_when(results, row),
            *(tables.number(_score(row[name]), row[name]) for name in names),
        )
        for row in scored.iter_rows(named=True)
    ]  # fmt: skip
    columns = (
        *_WHEN,
        Column("this_method", "This method", True),
        Column("one_life_for_all", "One life for the whole fleet", True),
        Column("groups_alone", "Tank, roof and trees alone", True),
    )  # fmt: skip
    return Table(
        "scores", "Score of the chances: nearer zero is better", columns, tuple(rows), _NO_PAST,
        "data/replay-scores.csv",
    )  # fmt: skip


def _score(value: float | None) -> str:
    return words.UNKNOWN if value is None else f"{value:.3f}".replace("-", "−")


def _costs(results: Results) -> Table:
    costed = results.replay.drop_nulls(["cost_rule", "cost_plan"])
    currency = results.display.currency
    rows = [
        (
            *_when(results, row),
            tables.number(words.money(row["cost_rule"]), row["cost_rule"]),
            tables.number(words.money(row["cost_plan"]), row["cost_plan"]),
        )
        for row in costed.iter_rows(named=True)
    ]  # fmt: skip
    columns = (
        *_WHEN,
        Column("cost_rule", f"Today's rule, {currency}", True),
        Column("cost_plan", f"The plan, {currency}", True),
    )  # fmt: skip
    return Table(
        "replay-costs", "What each would have cost on the fittings that followed, a site and year", columns,
        tuple(rows), "What each rule would have cost was not worked out for these records.",
        "data/replay-costs.csv",
    )  # fmt: skip


def _groups(results: Results) -> Table:
    rows = [
        (
            tables.text(_name(results, row["component"])),
            tables.number(words.share(row["predicted"]), row["predicted"]),
            tables.number(
                words.share(row["happened"])
                + words.in_brackets(words.share_range(row["happened_low"], row["happened_high"])),
                row["happened"],
            ),
            tables.number(words.whole(row["spells"]), row["spells"]),
            tables.number(words.whole(row["failures"]), row["failures"]),
        )
        for row in results.calibration.iter_rows(named=True)
    ]
    columns = (
        Column("component", "Component"), Column("said", "Chance said", True),
        Column("happened", "Share that came true (range)", True), Column("fittings", "Fittings", True),
        Column("spent", "Spent", True),
    )  # fmt: skip
    return Table(
        "said", "The numbers behind the drawing", columns, tuple(rows), _NO_PAST,
        "data/said-and-happened.csv",
    )  # fmt: skip


def _sensitivity(results: Results) -> Table:
    rows = [
        (
            tables.text(labels.plain(row["assumption"])), tables.text(_name(results, row["component"])),
            tables.number(_shift(row["shift_days"]), row["shift_days"]),
            tables.text(_shift_range(row["shift_low_days"], row["shift_high_days"])),
            tables.number(words.whole(row["sites"]), row["sites"]),
        )
        for row in results.sensitivity.iter_rows(named=True)
    ]  # fmt: skip
    columns = (
        Column("assumption", "If instead"), Column("component", "Component"),
        Column("shift_days", "Intervals move by", True), Column("range", "At nine sites in ten"),
        Column("sites", "Sites", True),
    )  # fmt: skip
    return Table(
        "sensitivity", "How far the intervals move under other readings of the records", columns, tuple(rows),
        "Not worked out for these records.", "data/sensitivity.csv",
    )  # fmt: skip


def _shift(days: float | None) -> str:
    number = words.week_number(days)
    if number is None:
        return words.UNKNOWN
    return (
        f"{words.counted(abs(number), 'week')} {'shorter' if number < 0 else 'longer'}"
        if number
        else "no change"
    )


def _shift_range(low: float | None, high: float | None) -> str:
    return f"{_shift(low)} to {_shift(high)}" if low is not None and high is not None else ""
