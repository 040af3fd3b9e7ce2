"""Why each interval is what it is: what speaks for it, what else could be done, what would change it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import polars as pl

from fleetstats.components import SLEEVE, Component, Role, plural_of, role_of
from fleetstats.report import labels, words
from fleetstats.report.pages.decided import decision_outcome, decision_told
from fleetstats.report.pages.why_life import Lives

Row = Mapping[str, Any]
WHY: Final = dict.fromkeys(
    ("site_id", "component", "slot", "evidence", "alternative", "would_change"), pl.String
)
#: From so many units found spent at a site its own records lead; the advice goes by the same number.
OF_ITS_OWN: Final = 3
#: A month either way that costs less than this share more makes no difference worth a thought.
ALIKE: Final = 0.02
_PER_SITE: Final = "per_site"
#: Limits that bind all of a site, or whose cause lies outside one component.
_OF_SITE: Final = (
    "failed_sample", "open_alarm", "site_limit", "local_rule", "shared_trip", "decision", "few_records",
    "cannot_be_met", "shortest_visit",
)  # fmt: skip
#: Among what limits cost: months without planned visits.
_BLOCKED: Final = "blocked_months"
_UNPRICED: Final = {
    "few_records": "cannot be priced: the records here are too few for a plan",
    "out_of_range": "cannot be priced: visits lie further apart, or closer, than any interval looked at",
}
_WEEK: Final = 7.0
#: Of `plans`: how close visits would cost clearly less, were such looked at, and what they would cost a year.
_CLOSER: Final = ("visit_interval_days_closer", "cost_per_year_closer")
#: What would change an interval that is held by something else than cost.
_FIXED: Final = {
    "failed_sample": "A later good sample: until then nothing is lengthened here.",
    "open_alarm": "Putting the UV alarm right: until then nothing is lengthened here.",
    "local_rule": "Nothing in the records: the local rule holds it.",
    "cannot_be_met": (
        "No interval would do: look at the screen, the first flush, the sludge or a larger housing."
    ),
    "shared_trip": (
        "A trip of its own: one trip serves all homes at this address, and another of them sets how often it "
        "comes."
    ),
    "beyond_records": (
        "Time: nothing is planned far beyond the ages that units were watched to here or at sites like it."
    ),
    "decision": "A later decision for this site.",
    "fourth_visit": "Nothing in the records: plans renew it at every fourth visit at the latest.",
}


@dataclass(frozen=True, slots=True)
class _Known:
    """What the sentences are made from, laid out by key."""

    components: Mapping[str, Component]
    lives: Lives
    levels: Mapping[str, Row]
    costs: Mapping[str, list[Row]]
    closer: Mapping[str, tuple[float | None, float | None]]
    currency: str


def why_table(
    *,
    components: Mapping[str, Component],
    intervals: pl.DataFrame,
    plans: pl.DataFrame,
    site_life: pl.DataFrame,
    spells: pl.DataFrame,
    known_reasons: pl.DataFrame,
    levels: pl.DataFrame,
    limit_costs: pl.DataFrame,
    currency: str,
) -> pl.DataFrame:
    """Return the reasons in plain words: a row for each component in its slot, and one for a site's visits.

    Parameters
    ----------
    components : mapping of name to Component
    intervals, plans, site_life, spells, known_reasons, limit_costs : polars frames
        The result tables of these names.
    levels : polars frame
        The result table evidence_levels.
    currency : str

    Returns
    -------
    polars frame
        site_id, component (blank: the site's visits), slot, evidence, alternative, would_change; in the
        order of `plans`, visits first, the component renewed most often next.
    """
    known = _Known(
        components,
        Lives(components=components, site_life=site_life, spells=spells, reasons=known_reasons),
        {row["component"]: row for row in levels.iter_rows(named=True)},
        _by_site(limit_costs),
        {row["site_id"]: (row[_CLOSER[0]], row[_CLOSER[1]]) for row in plans.iter_rows(named=True)},
        currency,
    )
    of_units = _by_site(intervals.sort("interval_days", maintain_order=True))
    rows: list[tuple[str, ...]] = []
    for plan in plans.iter_rows(named=True):
        site, units = plan["site_id"], of_units.get(plan["site_id"], [])
        told = [_of_unit(known, row) for row in units]
        if units:
            first = lead(units)
            change = _either_way(plan, _would_change(known, first))
            evidence = f"{_visits(plan, first, known.costs.get(site, []))} {known.lives.told(first)}"
            rows.append((site, "", "", evidence, _costs(plan, currency), change))
        rows += told
    return pl.DataFrame(rows, schema=WHY, orient="row")


def _by_site(frame: pl.DataFrame) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = {}
    for row in frame.iter_rows(named=True):
        found.setdefault(row["site_id"], []).append(row)
    return found


def _of_unit(known: _Known, row: Row) -> tuple[str, ...]:
    key = (row["site_id"], row["component"], row["slot"])
    return (*key, known.lives.told(row), _chances(known, row), _would_change(known, row))


def lead(units: Sequence[Row]) -> Row:
    """Return the unit that sets how often a site is visited, of all its rows of `intervals`.

    Among those renewed most often: one at its hard limit, else one that something about the whole site
    holds, else the one most likely to be spent before its interval.
    """
    shortest = min(row["interval_days"] for row in units)

    def order(row: Row) -> tuple[bool, bool, float]:
        hard = row["hard_limit_days"]
        bound = hard is not None and hard - row["interval_days"] < _WEEK
        return not bound, _held_by(row) not in _OF_SITE, -(row["failure_chance"] or 0.0)

    return min((row for row in units if row["interval_days"] == shortest), key=order)


def _held_by(row: Row) -> str:
    return str(row["limited_by"] or "cost").partition(":")[0]


def _visits(plan: Row, first: Row, costs: Sequence[Row] = ()) -> str:
    """Return how often the site is visited, for which component, and what became of a decision there."""
    often, today = words.weeks(plan["visit_interval_days"]), words.weeks(plan["visit_interval_days_current"])
    told, held = f"Visits every {often} (today {today})", _held_by(first)
    decision = next((row for row in costs if row["decided_on"] is not None), None)
    if held == "decision" and decision:
        return f"{told}: {decision_told(decision)} holds them there."
    by = labels.limit(first["limited_by"], first["limit_source"] if held == "shared_trip" else "")
    told += f", held there by: {by}." if held in _OF_SITE else f", as often as the {_noun(first)} asks for."
    if decision is None:
        return told
    return f"{told} {decision_outcome(decision, plan['visit_interval_days'], by)}"


def _noun(row: Row) -> str:
    return labels.in_sentence(row["component"], row["slot"] or "")


def _chances(known: _Known, row: Row) -> str:
    """Return the chance to be spent before the interval, and at today's rule and a month either way."""
    if row["failure_chance"] is None:
        return ""
    gone = role_of(known.components, row["component"]).spent
    away = [
        f"{words.chance(chance)} {when}"
        for chance, when in (
            (row["failure_chance_current"], "at today's rule"),
            (row["failure_chance_month_sooner"], "a month sooner"),
            (row["failure_chance_month_later"], "a month later"),
        )
        if chance is not None
    ]
    spread = words.in_brackets(words.chance_range(row["failure_chance_low"], row["failure_chance_high"]))
    told = f"{words.sentence(gone)} before then: {words.chance(row['failure_chance'])}{spread}"
    if all(text.startswith(words.chance(row["failure_chance"])) for text in away):
        return f"{told}, at today's rule or a month either way too." if len(away) == 3 else f"{told}."
    return f"{told}; {', '.join(away)}."


def _costs(plan: Row, currency: str) -> str:
    """Return the site's cost a year as planned, under today's rule and a month either way."""
    if plan["cost_per_year"] is None:
        return ""
    spread = words.in_brackets(words.money_range(plan["low"], plan["high"]))
    told = f"As planned {words.money(plan['cost_per_year'], currency)} a year{spread}"
    today = words.weeks(plan["visit_interval_days_current"])
    others = [f"at today's {today} {words.money(plan['cost_per_year_current'])}"]
    barred = []
    for side in ("sooner", "later"):
        cost = plan[f"cost_per_year_month_{side}"]
        if cost is None:
            barred.append(f"a month {side}")
        else:
            others.append(f"a month {side} {words.money(cost)}")
    told += f"; {words.listed(others)}."
    if plan[_CLOSER[0]] is not None:
        closer = words.weeks(plan[_CLOSER[0]])
        told += f" Every {closer}, closer than the settings look at, {words.money(plan[_CLOSER[1]])}."
    return f"{told} {words.sentence(' or '.join(barred))} is outside the limits here." if barred else told


def _either_way(plan: Row, would_change: str) -> str:
    """Return what would change the visits, and whether a month either way matters at all."""
    cost = plan["cost_per_year"]
    sides = [plan[f"cost_per_year_month_{side}"] for side in ("sooner", "later")]
    if cost is None or None in sides or max(sides) > cost * (1 + ALIKE):
        return would_change
    return f"{would_change} Little hangs on it: a month either way costs about the same."


def _would_change(known: _Known, row: Row) -> str:
    """Return what would change the interval of one unit, or that nothing in the records would."""
    held, role, kind = _held_by(row), role_of(known.components, row["component"]), _noun(row)
    if held == "cannot_be_met" and role is SLEEVE:
        return "No interval looked at would do: softer water would make the sleeve last."
    if held in _FIXED:
        return _FIXED[held]
    if held == "rated_life":
        return (
            f"Nothing in the records: the rated life of the {kind} holds it, however well it seems to work."
        )
    if held == "site_limit":
        return _agreed(known, row)
    if held == "ceiling":
        if role.of_uv_unit:
            return (
                f"Nothing in the records: the longest time a {kind} may stay in holds it, and records may "
                "only shorten it."
            )
        return f"Only a longer time in service for the {kind}, given with its source in the settings."
    if held == "failure_chance":
        return _tolerated(role, kind)
    if held == "shortest_visit":
        return _closer(known, row["site_id"])
    if held == "few_records":
        return _wanted(known, row)
    return _settled(known, row)


def _tolerated(role: Role, kind: str) -> str:
    """Return what would change an interval held by the tolerated chance of being spent."""
    told = f"The chance that the {kind} is {role.spent} before, which the settings bound, holds it"
    if role is SLEEVE:
        return f"{told}: softer water would make it last, wider intervals would not."
    return f"{told}; records of longer lives here would change it."


def _closer(known: _Known, site: str) -> str:
    """Return what visits closer together than any looked at would cost a year."""
    days, cost = known.closer.get(site, (None, None))
    told = "Only a shorter `shortest_visit_days` in the settings"
    if days is None or cost is None:
        return f"{told}, or a fix at the site."
    return (
        f"{told}: every {words.weeks(days)} would cost {words.money(cost, known.currency)} a year. A fix at "
        "the site may be worth more: screen, first flush, tank clean or larger housing."
    )


def _agreed(known: _Known, row: Row) -> str:
    """Return the limit that holds the interval, with what it costs a year."""
    told = f"Only the limit agreed for this site ({row['limit_source'] or 'no source on record'})"
    for cost in known.costs.get(row["site_id"], []):
        if cost["decided_on"] is None and cost["kind"] != _BLOCKED:
            return f"{told}: it {limit_cost(cost, known.currency)}."
    return f"{told}."


def limit_cost(row: Row, currency: str) -> str:
    """Return what a limit or a decision costs a year, as the end of a sentence; a row of `limit_costs`."""
    more, low, high = row["cost_per_year_more"], row["low"], row["high"]
    if more is None:
        return _UNPRICED.get(row["unpriced"] or "", "was not priced")
    if row["visit_interval_days"] == row["visit_interval_days_without"] and words.round_money(more) == 0:
        return "costs nothing: the plan comes that often anyway"
    if low > 0:
        return f"costs {words.money(more, currency)} a year ({words.money_range(low, high)})"
    if high < 0:
        return f"saves {words.money(-more, currency)} a year ({words.money_range(-high, -low)})"
    return "makes no clear difference to the cost"


def _wanted(known: _Known, row: Row) -> str:
    level = known.levels.get(row["component"], {})
    wanted, months = level.get("wanted"), level.get("months_to_wait")
    if not wanted:
        return "More records: custom holds it until then."
    when = f", in about {words.counted(months, 'month')} at the pace so far" if months else ""
    return f"Over all sites, for {plural_of(row['component'])}: {wanted}{when}; custom holds it until then."


def _settled(known: _Known, row: Row) -> str:
    """Return what would change an interval that cost alone chose."""
    gone, failures = role_of(known.components, row["component"]).spent, row["failures"] or 0
    if row["evidence"] == "own_records":
        return "Its own records decide: only other costs of a trip or a call-out, or a change at the site."
    level = known.levels.get(row["component"], {})
    if level.get("level") != _PER_SITE and level.get("wanted"):
        return (
            f"Over all sites, for {plural_of(row['component'])}: {level['wanted']}; then each site is told "
            "by its own records."
        )
    missing = max(OF_ITS_OWN - failures, 1)
    kinds = (plural_of if missing != 1 else labels.in_sentence)(row["component"])
    told = f"{words.sentence(words.in_words(missing))} more {kinds} found {gone} here"
    return f"{told} would let its own records lead{known.lives.unnoted(row)}."
