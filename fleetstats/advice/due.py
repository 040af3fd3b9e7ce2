"""The due list: for every component at every served site when someone comes, what is done, and why."""

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Final

import polars as pl

from fleetstats.advice.address import with_address
from fleetstats.advice.due_words import GAUGE_SAID, reason
from fleetstats.advice.moves import (
    PHASE_IN_DAYS,
    Window,
    days_to_next,
    months_together,
    moved_window,
    next_arrivals,
)
from fleetstats.advice.spent import Ahead, SpentBy
from fleetstats.advice.terms import ComponentTerms
from fleetstats.advice.today import last_planned_visits
from fleetstats.advice.visit_days import CARRY_CHANCE, days_on, renewed_by, waiting_for_work
from fleetstats.advice.visit_rule import CENTURY
from fleetstats.errors import AdviceError
from fleetstats.life.draws import LifeDraws
from fleetstats.tables import TABLES

_KEY: Final = ("site_id", "component", "slot")
_DAY: Final = pl.duration(days=1)


def due_list(
    *,
    sites: pl.DataFrame,
    units: pl.DataFrame,
    visits: pl.DataFrame,
    intervals: pl.DataFrame,
    lives: Mapping[str, LifeDraws],
    components: Mapping[str, ComponentTerms],
    as_of: date,
    lateness_days: float = 0.0,
    gauges: Mapping[str, SpentBy] | None = None,
    gauge_now: pl.DataFrame | None = None,
    changes: pl.DataFrame | None = None,
    blocked_months: Mapping[str, frozenset[int]] | None = None,
) -> pl.DataFrame:
    """Return one line for every component seen at every served site, most urgent first.

    A site's next visit is its last planned one plus its visit interval; it is pulled forward by any hard
    limit of a unit in place (one past its limit is due now), by a unit known to be spent, by a lamp of
    unknown age, and by a failed sample or an open alarm; it is never before `as_of`. Sites at one address
    are visited on one day; where nothing would be renewed on it, the visit waits (see `waiting_for_work`).
    What is renewed there follows the visit rule; should the visit come later in its window, what stays is
    still in time, because its own limit then pulls the visit after it forward. A visit that only the plan's
    shorter interval makes due may be booked later, though never past a hard limit, the day it would have
    had under today's rule, or the last day on which no unit there is likelier spent than is tolerated (its
    component's limit, else `CARRY_CHANCE`, which parts of the UV unit never pass); see `moves` for blocked
    months and homes lived in part of the year.

    Parameters
    ----------
    sites : polars frame
        site_id, served, failed_sample_open, open_alarm, first_visit_on; optional address_id.
    units : polars frame
        site_id, component, slot, part_number, fitted_on (null = age unknown), survived_days, spent_seen,
        removed, life_row (row in the component's draws; null = no curve); optional renewed_by and
        put_in_noted_on, for the words.
    visits : polars frame
        site_id, visit_date, visit_reason.
    intervals : polars frame
        The intervals of `plan_visits`.
    lives, components : mappings
        Component -> draws; component -> terms.
    as_of : date
    lateness_days : float
        How late visits happen: the width of the window a visit is booked in.
    gauges : mapping, optional
        Component -> the chance that units are spent by an age, from their own gauge readings.
    gauge_now : polars frame or None
        What gauges say of units in place: site_id, component, slot, last_read_on, share_spent, share_low,
        share_high, readings (all null where none counts), doubtful, faulty_on (a later reading not counted).
    changes : polars frame or None
        Changes at sites, for the absences of households (see `next_arrivals`).
    blocked_months : mapping or None
        Site -> months 1 to 12 without planned visits.

    Returns
    -------
    polars frame
        site_id, visit_from, visit_by, component, slot, action (replace, clean, inspect), part_number (to
        carry; null = none), reason, chance_already_spent (by visit_by), urgency (0 failed sample or open
        alarm, 1 lamp or sleeve past its hard limit or lamp of unknown age, 2 the rest), uv_late (it is such a
        lamp or sleeve, whatever else is urgent there), age_days (at as-of; null = unknown), moved (why the
        visit is not on its own day; null = it is). Within an urgency lamps come first, then what is past its
        limit or known to be spent, then by chance.
    """
    rows = _gathered(sites, units, visits, intervals, components, as_of)
    arrivals = next_arrivals(sites=sites, changes=changes, as_of=as_of)
    ahead = Ahead(lives, as_of, gauges or {})
    rows = waiting_for_work(_with_planned_day(rows, as_of, lateness_days), ahead, arrivals)
    rows = _with_visit_dates(rows, as_of, lateness_days)
    rows = _waiting_no_longer_than_tolerated(rows, components, ahead)
    rows = _moved(rows, as_of, int(lateness_days), arrivals, blocked_months or {})
    rows = _with_renewals(rows)
    chances = ahead.chances_by(rows, rows["visit_by"])
    rows = rows.with_columns(chance_already_spent=pl.Series(chances, dtype=pl.Float64))
    if gauge_now is not None:
        rows = rows.join(gauge_now.select(*_KEY, *GAUGE_SAID), on=_KEY, how="left", maintain_order="left")
    return _worded(rows, components)


def _gathered(
    sites: pl.DataFrame,
    units: pl.DataFrame,
    visits: pl.DataFrame,
    intervals: pl.DataFrame,
    components: Mapping[str, ComponentTerms],
    as_of: date,
) -> pl.DataFrame:
    """Return the units of the served sites with their plan, dates, and what makes them urgent."""
    served = (
        with_address(sites)
        .filter("served")
        .select("site_id", "failed_sample_open", "open_alarm", "first_visit_on", "address")
    )
    plan = intervals.select(
        *_KEY, "visit_interval_days", "every_n_visits", "interval_days", "hard_limit_days", "deadline_days",
        "deadline", "visit_deadline_days", "current_interval_days",
    )  # fmt: skip
    facts = ("part_number", "fitted_on", "survived_days", "spent_seen", "removed", "life_row")
    said = [name for name in ("renewed_by", "put_in_noted_on") if name in units.columns]
    rows = (
        units.select(*_KEY, *facts, *said)
        .join(served, on="site_id")
        .join(plan, on=_KEY, how="left")
        .join(last_planned_visits(visits), on="site_id", how="left")
    )
    _refuse_unplanned(rows)
    lamps = [name for name, terms in components.items() if terms.lamp]
    of_uv_unit = [name for name, terms in components.items() if terms.of_uv_unit]
    flags = ("failed_sample_open", "open_alarm", "spent_seen", "removed")
    return rows.with_columns(
        *(pl.col(flag).fill_null(False) for flag in flags),
        lamp=pl.col("component").is_in(lamps),
        of_uv_unit=pl.col("component").is_in(of_uv_unit),
        age_days=pl.when(~pl.col("removed").fill_null(False)).then(
            (pl.lit(as_of) - pl.col("fitted_on")).dt.total_days()
        ),
        last_planned_on=pl.col("last_planned_on").fill_null(as_of),
    )


def _refuse_unplanned(rows: pl.DataFrame) -> None:
    for row in rows.filter(pl.col("visit_interval_days").is_null()).iter_rows(named=True):
        raise AdviceError(
            f"due list: site {row['site_id']!r}, {row['component']}: no interval found; accepted is one for "
            "every unit of a served site; plan the visits with the same units"
        )


def _with_planned_day(rows: pl.DataFrame, as_of: date, lateness_days: float) -> pl.DataFrame:
    """Return the rows with urgency, limits, and the day that plan, limits and what is urgent give a visit."""
    there = ~pl.col("removed")
    unknown = there & pl.col("age_days").is_null()
    overdue = there & (pl.col("age_days") > pl.col("deadline_days")).fill_null(False)
    uv_late = ((overdue & pl.col("of_uv_unit")) | (pl.col("lamp") & unknown)).fill_null(False)
    of_site = pl.col("failed_sample_open") | pl.col("open_alarm")
    now = of_site | overdue | uv_late | (there & pl.col("spent_seen"))
    fitted = pl.when(there).then(pl.col("fitted_on"))
    flags = {"age_unknown": unknown, "overdue": overdue, "uv_late": uv_late}
    rows = rows.with_columns(
        **flags,
        urgency=pl.when(of_site).then(0).when(uv_late).then(1).otherwise(2),
        _planned=days_on("last_planned_on", pl.col("visit_interval_days")),
        _limit=days_on(fitted, pl.col("hard_limit_days")),
        _deadline=days_on(fitted, pl.col("deadline_days")),
        agreed_by=days_on("last_planned_on", pl.col("visit_deadline_days")),
        _now=pl.when(now).then(pl.lit(as_of)),
    )
    agreed = pl.col("visit_deadline_days") - lateness_days
    return rows.with_columns(
        _earliest=pl.min_horizontal("_planned", "_limit", "_now").min().over("address"),
        _last_day=pl.min_horizontal("_limit", days_on("last_planned_on", agreed)).min().over("address"),
        _urgent=pl.col("_now").min().over("address").is_not_null(),
        _deadline=pl.min_horizontal("_deadline", "agreed_by").min().over("address"),
        agreed_by=pl.when(pl.col("agreed_by") < as_of).then("agreed_by"),
    )


def _with_visit_dates(rows: pl.DataFrame, as_of: date, lateness_days: float) -> pl.DataFrame:
    """Return the rows with visit_from and visit_by; all rows of an address share the dates."""
    rows = rows.with_columns(visit_from=pl.max_horizontal("_earliest", pl.lit(as_of)))
    window = pl.when("_urgent").then(0).otherwise(int(lateness_days))
    usual = pl.col("visit_from") + window * _DAY
    late = (pl.col("_earliest") < as_of) & ~pl.col("_urgent")
    today = days_on("last_planned_on", pl.col("current_interval_days")).min().over("address")
    phased = pl.min_horizontal(today, "_last_day", pl.lit(as_of + timedelta(days=PHASE_IN_DAYS)))
    rows = rows.with_columns(_phased=(late & (phased > usual)).fill_null(False), _usual=usual)
    latest = pl.min_horizontal(pl.when("_phased").then(phased).otherwise("_usual"), "_deadline")
    kept = pl.max_horizontal(pl.min_horizontal("_usual", "_deadline"), "visit_from")
    return rows.with_columns(visit_by=pl.max_horizontal(latest, "visit_from"), _kept=kept)


def _waiting_no_longer_than_tolerated(
    rows: pl.DataFrame, components: Mapping[str, ComponentTerms], ahead: Ahead
) -> pl.DataFrame:
    """Return the rows with the visits of a plan just begun no later than the chances there allow.

    Where not even the usual window is within them, the visit keeps its date.
    """
    phased = rows.filter("_phased")
    if phased.is_empty():
        return rows
    tolerated = {name: _tolerated(terms) for name, terms in components.items()}
    within = ahead.last_day_within(phased, tolerated)
    rows = rows.join(within, on="address", how="left", maintain_order="left")
    shorter = pl.min_horizontal("visit_by", pl.max_horizontal("_within", "_kept"))
    return rows.with_columns(
        visit_by=pl.when("_phased").then(shorter).otherwise("visit_by"),
        _phased=pl.col("_phased") & (pl.col("_within") > pl.col("_kept")).fill_null(True),
    )


def _tolerated(terms: ComponentTerms) -> float:
    """Return up to which chance of being spent a visit may wait: of the UV unit no more than of any."""
    own = terms.failure_chance_limit
    if terms.of_uv_unit:
        return min(own, CARRY_CHANCE)
    return own if own < 1 else CARRY_CHANCE


def _moved(
    rows: pl.DataFrame,
    as_of: date,
    lateness_days: int,
    arrivals: Mapping[str, date],
    blocked_months: Mapping[str, frozenset[int]],
) -> pl.DataFrame:
    """Return the rows with the windows of whole addresses moved (see `moves`) and why, `moved`."""
    never = as_of + timedelta(days=CENTURY)
    rows = rows.with_columns(_at=pl.col("address").rank("dense").cast(pl.Int64))
    facts = ("visit_from", "visit_by", "_last_day", "_deadline", "_urgent", "_phased", "_waits")
    stops = rows.group_by("_at", maintain_order=True).agg(
        *(pl.col(name).first() for name in facts),
        pl.col("visit_interval_days").min(),
        pl.col("last_planned_on").min(),
        pl.col("site_id").unique(maintain_order=True),
    )
    found = []
    for at, begins, ends, limit, deadline, urgent, phased, waits, days, last, sites in stops.iter_rows():
        why = "phased_in" if phased else "nothing_due" if waits else ""
        window = Window(begins, ends, limit or never, deadline or never, days, last, why)
        blocked = months_together(sites, blocked_months)
        if not urgent:
            arrival = min((arrivals[site] for site in sites if site in arrivals), default=None)
            window = moved_window(
                window, as_of=as_of, blocked=blocked, arrival=arrival, lateness_days=lateness_days
            )
        found.append((at, window.begins, window.ends, window.moved or None, days_to_next(window, blocked)))
    schema = {"_at": pl.Int64, "visit_from": pl.Date, "visit_by": pl.Date, "moved": pl.String,
              "_to_next": pl.Int64}  # fmt: skip
    moved = pl.DataFrame(found, schema=schema, orient="row")
    return rows.drop("visit_from", "visit_by").join(moved, on="_at", how="left", maintain_order="left")


def _with_renewals(rows: pl.DataFrame) -> pl.DataFrame:
    """Return the rows with what the visit rule renews, and whether a hard limit asks for it."""
    # longer than the interval where the visit after would fall in a blocked month
    to_next = pl.max_horizontal("visit_interval_days", "_to_next")
    by_rule, by_limit = renewed_by("visit_from", to_next)
    renewed = ~pl.col("removed") & (by_rule | by_limit | pl.col("spent_seen") | pl.col("age_unknown"))
    return rows.with_columns(by_limit=by_limit & ~by_rule, renewed=renewed)


def _worded(rows: pl.DataFrame, components: Mapping[str, ComponentTerms]) -> pl.DataFrame:
    """Return the due list's columns in its order, with action, part to carry and reason."""
    cleaned = [name for name, terms in components.items() if terms.cleaned]
    carried = pl.col("renewed") | (
        ~pl.col("removed") & (pl.col("chance_already_spent").fill_nan(0.0) >= CARRY_CHANCE)
    )
    rows = rows.with_columns(
        action=pl.when(~pl.col("renewed"))
        .then(pl.lit("inspect"))
        .when(pl.col("component").is_in(cleaned))
        .then(pl.lit("clean"))
        .otherwise(pl.lit("replace")),
        part_number=pl.when(carried).then(pl.col("part_number")),
        carried=carried,
        chance_already_spent=pl.col("chance_already_spent").fill_nan(None),
    )
    known = pl.col("overdue") | (~pl.col("removed") & pl.col("spent_seen"))
    late = pl.col("uv_late")
    turn = pl.when(late & pl.col("lamp")).then(0).when(late | known).then(1).otherwise(2)
    rows = rows.with_columns(_turn=turn).sort(
        "urgency", "_turn", "chance_already_spent", "visit_by", *_KEY,
        descending=[False, False, True, False, False, False, False], nulls_last=True,
    )  # fmt: skip
    # told once a site, with its first line
    first = pl.int_range(pl.len()).over("site_id") == 0
    rows = rows.with_columns(agreed_by=pl.when(first).then("agreed_by"))
    reasons = [reason(row, components[row["component"]].role) for row in rows.iter_rows(named=True)]
    told = (column.name for column in TABLES["due"].columns if column.name != "rank")
    return rows.with_columns(reason=pl.Series(reasons, dtype=pl.String)).select(told)
