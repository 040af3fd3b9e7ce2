"""How far to trust the report: what was said beforehand against what happened, and what cannot be said."""

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from fleetstats.components import label_of
from fleetstats.report import figures, labels, tables, words
from fleetstats.report.figures import Figure
from fleetstats.report.pages import parts, verdict
from fleetstats.report.pages.parts import Head
from fleetstats.report.pages.verdict import FEW_ENDED
from fleetstats.report.results import Results
from fleetstats.report.tables import Column, Table
from fleetstats.trust.second_opinion import AGREES, DIFFERS, NO_OPINION


@dataclass(frozen=True, slots=True)
class TrustPage:
    """What the page on trust shows."""

    head: Head
    verdict: tuple[str, ...]
    replay: Table
    helped: Table
    costs: Table
    groups: Table
    groups_told: str
    figure: Figure | None
    opinion: Table
    opinion_told: str
    sensitivity: Table
    sensitivity_told: str
    cannot_say: tuple[str, ...]


def trust_page(results: Results) -> TrustPage:
    """Return the page on trust."""
    return TrustPage(
        head=parts.head(results, "How far to trust this", "trust"),
        verdict=verdict.verdict(results),
        replay=_replay(results),
        helped=_helped(results),
        costs=_costs(results),
        groups=_groups(results),
        groups_told=_groups_told(results),
        figure=figures.said_and_happened(
            "said-and-happened", "Chances said beforehand against what happened",
            results.calibration_tenths.with_columns(pl.col("component").replace(_labels(results))),
        ),
        opinion=_opinion(results),
        opinion_told=_opinion_told(results),
        sensitivity=_sensitivity(results),
        sensitivity_told=_sensitivity_told(results),
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
            name, gone = labels.component(component), labels.gone(results, component)
            told.append(
                f"{name}: {words.counted(failures, 'unit')} seen {gone}; its life at single sites cannot be "
                "told from custom yet."
            )
    custom = results.intervals.filter(pl.col("evidence") == "customary")["site_id"].n_unique()
    if custom:
        told.append(f"At {words.counted(custom, 'site')} some interval still rests on custom alone.")
    if results.replay.height == 0:
        told.append(f"Whether the chances come true: {verdict.no_trial(results)}.")
    told.append("Whether a lit lamp is still strong enough: a weak lamp is not visible in these records.")
    told.append("Whether the water was fit to drink on any day: only samples and the UV unit's sensor tell.")
    return tuple(told)


def _labels(results: Results) -> dict[str, str]:
    names = results.calibration_tenths["component"].drop_nulls().unique().to_list()
    return {name: labels.component(name) for name in names}


def _name(results: Results, component: str | None) -> str:
    return labels.component(component) if component else "All components"


def _replay(results: Results) -> Table:
    rows = [
        (
            *_when(results, row), tables.number(words.whole(row["units"]), row["units"]),
            tables.number(
                words.amount(row["expected_failures"], row["expected_low"], row["expected_high"]),
                row["expected_failures"],
            ),
            tables.number(words.whole(row["failures"]), row["failures"]),
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
        "replay", "Said beforehand, and what came", columns, tuple(rows), _no_past(results), "data/replay.csv"
    )


_WHEN = (
    Column("as_of", "As known on"), Column("weeks", "Weeks that followed", True),
    Column("component", "Component"),
)  # fmt: skip


def _when(results: Results, row: parts.Row) -> tuple[tables.Cell, ...]:
    return (
        tables.day(row["origin"]),
        tables.number(words.whole(words.week_number(row["horizon_days"])), row["horizon_days"]),
        tables.text(_name(results, row["component"])),
    )


def _no_past(results: Results) -> str:
    return f"Not worked out because {verdict.no_trial(results)}."


def _tenths(share: float | None) -> str:
    return words.UNKNOWN if share is None else f"{round(share * 10)} in 10"


def _helped(results: Results) -> Table:
    rows = [
        (*_when(results, row), *(_gain(row, rival) for rival in ("fleet", "cohort")))
        for row in results.replay.drop_nulls("log_score").iter_rows(named=True)
    ]
    columns = (
        *_WHEN,
        Column("against_one_life", "Against one life for the whole fleet (range)", True),
        Column("against_groups", "Against tank, roof and trees alone (range)", True),
    )  # fmt: skip
    return Table(
        "helped", "How many times the chance given to what really happened", columns, tuple(rows),
        _no_past(results), "data/helped.csv",
    )  # fmt: skip


def _gain(row: parts.Row, rival: str) -> tables.Cell:
    found = verdict.gain_range(row, rival)
    if found is None:
        return tables.number(words.UNKNOWN, None)
    middle, low, high = found
    return tables.number(f"{words.share(middle)} ({words.share_range(low, high)})", middle)


def _costs(results: Results) -> Table:
    currency = results.display.currency
    rows = [
        (
            *_when(results, row),
            *(
                tables.number(verdict.cost_shown(row, name), row[f"cost_{name}"])
                for name in ("rule", "plan")
            ),
            *(
                tables.number(words.amount(row[f"callouts_{name}"]), row[f"callouts_{name}"])
                for name in ("rule", "plan")
            ),
        )
        for row in verdict.costed(results).iter_rows(named=True)
    ]  # fmt: skip
    columns = (
        *_WHEN,
        Column("cost_rule", f"Today's rule, {currency} (range)", True),
        Column("cost_plan", f"The plan, {currency} (range)", True),
        Column("callouts_rule", "Call-outs, today's rule", True),
        Column("callouts_plan", "Call-outs, the plan", True),
    )  # fmt: skip
    return Table(
        "replay-costs", "What each would have cost on the fittings that followed, a site and year", columns,
        tuple(rows), _no_past(results),
        "data/replay-costs.csv",
    )  # fmt: skip


def _groups(results: Results) -> Table:
    rows = [
        (
            tables.text(_name(results, row["component"])),
            tables.number(words.whole(row["units"]), row["units"]),
            tables.number(words.amount(row["expected"]), row["expected"]),
            tables.number(words.whole(row["failures"]), row["failures"]),
            tables.number(words.share(row["predicted"]), row["predicted"]),
            tables.number(
                words.share(row["happened"])
                + words.in_brackets(words.share_range(row["happened_low"], row["happened_high"])),
                row["happened"],
            ),
        )
        for row in results.calibration_tenths.iter_rows(named=True)
    ]
    columns = (
        Column("component", "Component"), Column("fittings", "Fittings", True),
        Column("expected", "Said would be spent", True), Column("spent", "Were spent", True),
        Column("said", "As a chance: said", True), Column("happened", "As a chance: came true (range)", True),
    )  # fmt: skip
    return Table(
        "said", "The numbers behind the drawing", columns, tuple(rows), _no_past(results),
        "data/said-and-happened.csv",
    )  # fmt: skip


def _groups_told(results: Results) -> str:
    """Return why a chance in the table is not the number spent over the number of fittings."""
    rows = results.calibration_tenths.drop_nulls(["happened", "units", "failures"]).filter(
        pl.col("units") > 0
    )
    told = (
        "Many parts are taken out before the day, and the parts that follow them count too, so both numbers "
        "of spent parts are told for the time that each fitting was watched. As a chance they allow for "
        "this: 1 less e to the power of minus the number spent over the number of fittings"
    )
    plain = pl.col("failures") / pl.col("units")
    apart = rows.filter(pl.col("failures") > 0).sort((plain - pl.col("happened")).abs(), descending=True)
    if not apart.height:
        return f"{told}."
    row = apart.row(0, named=True)
    return (
        f"{told}. So {words.whole(row['failures'])} spent among {words.counted(row['units'], 'fitting')} "
        f"are a chance of {words.share(row['happened'])}, not "
        f"{words.share(row['failures'] / row['units'])}."
    )


def _opinion(results: Results) -> Table:
    """Return the lives of the whole fleet as an independent library fits them, beside ours."""
    rows = [
        (
            tables.text(_name(results, row["component"])),
            tables.number(words.whole(row["spells"]), row["spells"]),
            tables.number(words.whole(row["left_out"]), row["left_out"]),
            tables.number(words.whole(row["median_days"]), row["median_days"]),
            tables.number(words.whole(row["median_days_library"]), row["median_days_library"]),
            tables.number(_percent(row["median_difference"]), row["median_difference"]),
            tables.number(_percent(row["sigma_difference"]), row["sigma_difference"]),
            tables.text(f"{row['opinion']}: {row['reason']}" if row["reason"] else row["opinion"]),
        )
        for row in results.second_opinion.unique("component", keep="first", maintain_order=True).iter_rows(
            named=True
        )
    ]  # fmt: skip
    columns = (
        Column("component", "Component"), Column("fittings", "Fittings", True),
        Column("left_out", "Left out of both", True), Column("median_days", "Our median, days", True),
        Column("median_days_library", "The library's", True),
        Column("median_difference", "Medians differ by", True),
        Column("sigma_difference", "Spreads differ by", True),
        Column("opinion", "Opinion"),
    )  # fmt: skip
    return Table(
        "opinion", "One life for the whole fleet, fitted twice", columns, tuple(rows), _NOT_ASKED,
        "data/second-opinion.csv",
    )  # fmt: skip


_NOT_ASKED = "Not asked yet: run fleetstats replay, then fleetstats report."


def _percent(share: float | None) -> str:
    return words.UNKNOWN if share is None else f"{abs(100 * share):.2f} %"


def _opinion_told(results: Results) -> str:
    """Return in a sentence how far an independent library agrees."""
    count = dict(results.second_opinion.group_by("opinion").len().iter_rows())
    if not count:
        return ""
    agree, differ, none = (count.get(word, 0) for word in (AGREES, DIFFERS, NO_OPINION))
    told = f"An independent library, lifelines, agrees with {agree} of {words.counted(agree + differ, 'fit')}"
    return f"{told}; {none} more without an answer from these records alone." if none else f"{told}."


def _sensitivity(results: Results) -> Table:
    rows = [
        (
            tables.text(_reading(row["assumption"])), tables.text(_name(results, row["component"])),
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
        "Not worked out because no fitting that counts in a life is on record.", "data/sensitivity.csv",
    )  # fmt: skip


def _sensitivity_told(results: Results) -> str:
    """Return which reading moves the intervals most, as a sentence."""
    # that lives without any records are other lives is no finding
    read = pl.col("assumption") != _WITHOUT_RECORDS
    rows = results.sensitivity.drop_nulls("shift_days").filter(read)
    if not rows.height:
        return ""
    row = rows.sort([pl.col("shift_days").abs(), "assumption", "component"], descending=[True, False, False])
    most = row.row(0, named=True)
    if not words.week_number(most["shift_days"]):
        return (
            "No other reading moves the intervals by a week on average: they rest on none of these choices."
        )
    return (
        f"Most depends on this: {_reading(most['assumption'])}. The intervals of the "
        f"{label_of(most['component'])} would then be "
        f"{_shift(most['shift_days'])} on average."
    )


_WITHOUT_RECORDS = "custom alone, records off"
#: The readings in the reader's words.
_READINGS: Mapping[str, str] = {
    "loaded counts as nearly spent": "cartridges taken out loaded were nearly spent",
    "unknown finding counts as spent": "units of which nobody noted the state were spent",
    "found spent means spent of late": "what a visit found spent had been so for a short time only",
    "records alone, priors off": "the records alone speak, without custom",
    _WITHOUT_RECORDS: "custom alone speaks, without the records",
    "fittings during passing changes left out":
        "fittings during droughts, ash, empty houses and cleanings do not count",
}  # fmt: skip


def _reading(word: str) -> str:
    return _READINGS.get(word, labels.plain(word))


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
