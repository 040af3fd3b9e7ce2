"""The method page: the settings in force and what the model learned; its prose stands in the template."""

from dataclasses import dataclass

from fleetstats.components import Component
from fleetstats.report import labels, tables, words
from fleetstats.report.pages import parts
from fleetstats.report.pages.parts import Fact, Head
from fleetstats.report.results import Results
from fleetstats.report.tables import Column, Table


@dataclass(frozen=True, slots=True)
class MethodPage:
    """What the method page shows beside its prose."""

    head: Head
    settings: tuple[Fact, ...]
    components: Table
    gauge_laws: Table
    families: Table
    effects: Table
    scores: Table


def method_page(results: Results) -> MethodPage:
    """Return the method page."""
    return MethodPage(
        head=parts.head(results, "Method, sources and cautions", "method"),
        settings=_settings(results),
        components=_components(results),
        gauge_laws=_gauge_laws(results),
        families=_families(results),
        effects=_effects(results),
        scores=_scores(results),
    )


def _settings(results: Results) -> tuple[Fact, ...]:
    display = results.display
    rule = "none set"
    if display.local_rule_days:
        rule = f"at most {words.weeks(display.local_rule_days)} between visits"
    return (
        Fact("A planned visit, before parts", _exact(display.trip_cost, display.currency)),
        Fact("A call-out, the whole trip, before the part", _exact(display.callout_cost, display.currency)),
        Fact("Local rule", rule, display.local_rule_source),
    )


def _exact(value: float | None, currency: str) -> str:
    return words.UNKNOWN if value is None else f"{currency} {value:,.0f}"


def _components(results: Results) -> Table:
    rows = [
        _component_row(name, shown, results.display.currency)
        for name, shown in results.display.components.items()
    ]
    columns = (
        Column("component", "Component"), Column("planned_cost", "Part and labour, planned", True),
        Column("announced", "When it fails"), Column("current", "Today's interval", True),
        Column("ceiling", "Longest in service", True), Column("rated", "Rated life", True),
        Column("chance", "Spent before, at most", True), Column("pressure", "Changed at", True),
        Column("source", "Source of a raised limit"),
    )  # fmt: skip
    return Table(
        "settings", "Settings of each component", columns, tuple(rows), "No components are defined.",
        "data/settings.csv",
    )  # fmt: skip


def _chance(limit: float | None) -> tables.Cell:
    """Return the tolerated chance that a part is spent before its interval."""
    if limit is None or limit >= 1:
        return tables.number("not limited", limit)
    return tables.number(words.chance(limit), limit)


def _component_row(name: str, shown: Component, currency: str) -> tuple[tables.Cell, ...]:
    def weeks(days: float | None) -> tables.Cell:
        return tables.number(words.weeks(days), days)

    kpa = shown.pressure_limit_kpa
    return (
        tables.text(labels.component(name)),
        tables.number(_exact(shown.planned_cost, currency), shown.planned_cost),
        tables.text("the household notices" if shown.announced else "only looking shows it"),
        weeks(shown.current_interval_days),
        weeks(shown.ceiling),
        weeks(shown.rated_life_days),
        _chance(shown.failure_chance_limit),
        tables.number(f"{kpa:g} kPa" if kpa else words.UNKNOWN, kpa),
        tables.text(shown.source),
    )


def _gauge_laws(results: Results) -> Table:
    rows = [
        (
            tables.text(labels.component(row["component"])), tables.text(row["law"]),
            tables.number(words.share(row["law_index"]), row["law_index"]),
            tables.text(words.share_range(row["law_index_low"], row["law_index_high"])),
            tables.number(f"{row['clean_kpa']:.0f} kPa", row["clean_kpa"]),
            tables.text(f"{row['clean_low_kpa']:.0f} to {row['clean_high_kpa']:.0f} kPa"),
            tables.number(words.share(row["spread"]), row["spread"]),
            tables.number(f"{row['gauge_error_kpa']:.1f} kPa", row["gauge_error_kpa"]),
            tables.number(words.chance(row["doubtful_share"]), row["doubtful_share"]),
            tables.number(words.whole(row["readings"]), row["readings"]),
            tables.number(words.whole(row["readings_across_all"]), row["readings_across_all"]),
        )
        for row in results.gauge_laws.iter_rows(named=True)
    ]  # fmt: skip
    columns = (
        Column("component", "Component"), Column("law", "Nearest law"), Column("law_index", "n", True),
        Column("law_range", "n, 90 % range"), Column("clean", "Clean drop", True),
        Column("clean_range", "90 % range"), Column("spread", "Spread of log drop", True),
        Column("gauge", "Gauge error", True), Column("wild", "Wild readings", True),
        Column("readings", "Readings", True), Column("across_all", "Of these across all", True),
    )  # fmt: skip
    return Table(
        "gauge-laws", "How cartridges block, by their gauges", columns, tuple(rows),
        "Too few pressure readings to learn from.", "data/gauge-laws.csv",
    )  # fmt: skip


def _families(results: Results) -> Table:
    rows = [
        (
            tables.text(labels.component(row["component"])), tables.text(row["family"]),
            *(tables.number(words.share(row[name]), row[name]) for name in ("weight", "sigma", "tau")),
            tables.number(_plain(row["log_evidence"]), row["log_evidence"]),
            tables.number(words.whole(row["spells"]), row["spells"]),
            tables.number(words.whole(row["failures"]), row["failures"]),
        )
        for row in results.families.iter_rows(named=True)
    ]  # fmt: skip
    columns = (
        Column("component", "Component"), Column("family", "Family"), Column("weight", "Weight", True),
        Column("sigma", "sigma", True), Column("tau", "tau", True),
        Column("log_evidence", "Log evidence", True), Column("spells", "Spells", True),
        Column("failures", "Failures", True),
    )  # fmt: skip
    return Table(
        "families", "Families of lives and their weights", columns, tuple(rows),
        "No life model was fitted: too few records.", "data/families.csv",
    )  # fmt: skip


def _plain(value: float | None, decimals: int = 1) -> str:
    return words.UNKNOWN if value is None else f"{value:,.{decimals}f}".replace("-", "−")


def _effects(results: Results) -> Table:
    rows = [
        (
            tables.text(labels.component(row["component"])), tables.text(row["term"]),
            *(tables.number(words.share(row[name]), row[name]) for name in ("time_ratio", "low", "high")),
        )
        for row in results.effects.iter_rows(named=True)
    ]  # fmt: skip
    columns = (
        Column("component", "Component"), Column("term", "Term"), Column("time_ratio", "Time ratio", True),
        Column("low", "Low", True), Column("high", "High", True),
    )  # fmt: skip
    return Table(
        "effects", "Time ratios, 90 % intervals", columns, tuple(rows),
        "No life model was fitted: too few records.", "data/effects.csv",
    )  # fmt: skip


def _scores(results: Results) -> Table:
    names = ("log_score", "log_score_fleet", "log_score_cohort")
    rows = [
        (
            tables.day(row["origin"]),
            tables.number(words.whole(words.week_number(row["horizon_days"])), row["horizon_days"]),
            tables.text(labels.component(row["component"])),
            *(tables.number(_plain(row[name], 3), row[name]) for name in names),
        )
        for row in results.replay.drop_nulls(["component", "log_score"]).iter_rows(named=True)
    ]
    columns = (
        Column("as_of", "As known on"), Column("weeks", "Weeks", True), Column("component", "Component"),
        Column("model", "This model", True), Column("one_curve", "One curve", True),
        Column("cohorts", "Cohorts", True),
    )  # fmt: skip
    return Table(
        "scores", "Mean log scores of the trial on the past", columns, tuple(rows),
        "Not worked out because the records do not reach back far enough.", "data/replay-scores.csv",
    )  # fmt: skip
