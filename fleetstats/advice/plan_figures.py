"""The figures of a plan as frames: what was chosen, priced draw by draw, beside today's rule."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetstats.advice.binding import COST
from fleetstats.advice.evidence import FAILURES_OF_ITS_OWN, PER_SITE
from fleetstats.advice.fleet_rows import Batch, FleetRows
from fleetstats.advice.prices import ComponentPrices, YearlyDraws
from fleetstats.advice.terms import MOST_VISITS
from fleetstats.quantities import DAYS_PER_YEAR, WEEK, FloatArray, IntArray

#: A month either way of the plan, in whole weeks, is priced beside it.
MONTH_WEEKS = 4


@dataclass(frozen=True, slots=True)
class PlannedSites:
    """The plan of each site, in the order of the sites.

    Attributes
    ----------
    frame : polars frame
        One row a site: visits, trips, call-outs, cost a year, the same under today's rule, and beside them
        the cost of visits a month sooner and later (null where that may not be) and of the cheapest visits
        closer together than the settings look at (null where these would not cost clearly less).
    cost_draws : array (sites, D)
        Cost a year in each draw of what is unknown.
    together : array (batches, 4, D)
        For each batch of sites and draw, their summed cost, today's, call-outs and today's: draws share what
        is unknown of the whole fleet, so sums must be taken within a draw.
    """

    frame: pl.DataFrame
    cost_draws: FloatArray
    together: FloatArray


def joined(parts: Sequence[tuple[PlannedSites, pl.DataFrame]]) -> tuple[PlannedSites, pl.DataFrame]:
    """Return the plans of several batches of sites, and of their units, as one."""
    sites = [of_sites for of_sites, _ in parts]
    return PlannedSites(
        pl.concat([part.frame for part in sites]),
        np.concatenate([part.cost_draws for part in sites]),
        np.concatenate([part.together for part in sites]),
    ), pl.concat([of_units for _, of_units in parts])


@dataclass(frozen=True, slots=True)
class Beside:
    """How much more a year each site costs with other plans, (sites,); not finite where these may not be.

    Attributes
    ----------
    dearer_seen : array (sites,)
        With the best plan within the ages seen.
    dearer_sooner, dearer_later : array (sites,)
        With visits a month sooner and later.
    dearer_closer : array (sites,)
        With visits closer together than any looked at.
    closer_days : array (addresses,)
        How close those are; the plan's own interval where they would not cost less.
    """

    dearer_seen: FloatArray
    dearer_sooner: FloatArray
    dearer_later: FloatArray
    dearer_closer: FloatArray
    closer_days: FloatArray


def plan_figures(
    fleet: FleetRows,
    batch: Batch,
    visit_days: FloatArray,
    every_n: IntArray,
    limited_by: list[str],
    beside: Beside,
) -> tuple[PlannedSites, pl.DataFrame]:
    """Return the figures of the sites and units of a batch under its plan and under today's rule.

    A unit has a row: its interval, what bounds it, its chances and its cost without trips.

    Parameters
    ----------
    fleet : FleetRows
    batch : Batch
    visit_days : array (addresses,)
    every_n, limited_by : array, list (units in place,)
    beside : Beside
    """
    units, sites = batch.units, batch.sites
    site_visit = visit_days[fleet.site_address[sites] - batch.first_address]
    visit = site_visit[fleet.site[units] - batch.first_site]
    in_place = fleet.in_place[units]
    usual = np.minimum(fleet.customary[units], fleet.limits.hard_unit_days[units])
    of_units = np.clip(np.floor(usual / visit), 1, MOST_VISITS).astype(np.int64)
    of_units[in_place] = every_n
    names = np.full(len(units), COST, dtype=object)
    names[in_place] = limited_by
    today_visit = fleet.today_visit[fleet.site[units]]
    rows, costs = fleet.life_row[units], fleet.planned_cost[units]
    oldest = fleet.limits.hard_unit_days[units]
    plan = _draws(fleet, units, lambda prices, at: prices.yearly_draws(
        rows[at], planned_cost=costs[at], visit_days=visit[at], every_n=of_units[at],
        oldest_days=oldest[at],
    ))  # fmt: skip
    today = _draws(fleet, units, lambda prices, at: prices.today_draws(
        rows[at], planned_cost=costs[at], visit_days=today_visit[at]
    ))  # fmt: skip
    return (
        _site_figures(fleet, batch, site_visit, plan, today, beside),
        _unit_figures(fleet, units, visit, of_units, names, plan, today),
    )


def _draws(
    fleet: FleetRows, units: IntArray, priced: Callable[[ComponentPrices, IntArray], YearlyDraws]
) -> YearlyDraws:
    """Return yearly cost and call-outs of each unit for each draw; nothing for what is not in place."""
    draws = next((prices.draws for prices in fleet.prices.values()), 1)
    cost, callouts = np.zeros((len(units), draws)), np.zeros((len(units), draws))
    for prices, at in fleet.by_component(units):
        there = at[fleet.in_place[units[at]]]
        found = priced(prices, there)
        cost[there], callouts[there] = found.cost, found.callouts
    return YearlyDraws(cost, callouts)


def _site_figures(
    fleet: FleetRows,
    batch: Batch,
    visit_days: FloatArray,
    plan: YearlyDraws,
    today: YearlyDraws,
    beside: Beside,
) -> PlannedSites:
    def summed(values: FloatArray) -> FloatArray:
        total = np.zeros((len(batch.sites), values.shape[1]))
        np.add.at(total, fleet.site[batch.units] - batch.first_site, values)
        return total

    today_visit = fleet.today_visit[batch.sites]
    closer = beside.closer_days[fleet.site_address[batch.sites] - batch.first_address]
    trip = fleet.terms.trip_cost / fleet.sharing[batch.sites] * DAYS_PER_YEAR
    cost = summed(plan.cost) + (trip / visit_days)[:, None]
    cost_today = summed(today.cost) + (trip / today_visit)[:, None]
    saving = cost_today.mean(axis=1) - cost.mean(axis=1)
    seen = saving_at_ages_seen(saving, beside.dearer_seen)
    callouts, callouts_today = summed(plan.callouts), summed(today.callouts)
    together = [values.sum(axis=0) for values in (cost, cost_today, callouts, callouts_today)]
    decided = ("decision", "decided_on", "decided_interval_days", "decided_reason")
    frame = fleet.sites[batch.sites].select(
        "site_id",
        visit_interval_days=visit_days.astype(np.int64),
        trips_per_year=DAYS_PER_YEAR / visit_days,
        callouts_per_year=callouts.mean(axis=1),
        **_ranged(cost, "cost_per_year", "low", "high"),
        visit_interval_days_current=today_visit,
        trips_per_year_current=DAYS_PER_YEAR / today_visit,
        callouts_per_year_current=callouts_today.mean(axis=1),
        **_ranged(cost_today, "cost_per_year_current", "low_current", "high_current"),
        saving_seen=seen,
        saving_projected=saving - seen,
        **_beside_columns(cost.mean(axis=1), visit_days, closer, beside),
        **{name: pl.col(name) for name in decided},
    )
    return PlannedSites(frame, cost, np.stack(together)[None])


def _beside_columns(
    cost: FloatArray, visit_days: FloatArray, closer_days: FloatArray, beside: Beside
) -> dict[str, pl.Series]:
    closer = closer_days < visit_days
    return {
        "cost_per_year_month_sooner": _known(cost + beside.dearer_sooner),
        "cost_per_year_month_later": _known(cost + beside.dearer_later),
        "visit_interval_days_closer": _known(np.where(closer, closer_days, np.nan)),
        "cost_per_year_closer": _known(np.where(closer, cost + beside.dearer_closer, np.nan)),
    }


def _unit_figures(
    fleet: FleetRows,
    units: IntArray,
    visit_days: FloatArray,
    every_n: IntArray,
    limited_by: npt.NDArray[np.object_],
    plan: YearlyDraws,
    today: YearlyDraws,
) -> pl.DataFrame:
    days, limits = visit_days * every_n, fleet.limits
    known = fleet.life_row[units] >= 0
    known &= np.array([name in fleet.prices for name in fleet.component[units]], dtype=np.bool_)
    own = fleet.units[units]
    return own.select(
        "site_id",
        "component",
        "slot",
        "spells",
        "failures",
        visit_interval_days=visit_days.astype(np.int64),
        every_n_visits=every_n,
        interval_days=days.astype(np.int64),
        current_interval_days=fleet.today[units],
        limited_by=pl.Series(limited_by.tolist(), dtype=pl.String),
        **_failure_chances(fleet, units, days),
        cost_per_year=_known(np.where(known, plan.cost.mean(axis=1), np.nan)),
        cost_per_year_current=_known(np.where(known, today.cost.mean(axis=1), np.nan)),
        hard_limit_days=_known(limits.hard_unit_days[units]),
        deadline_days=_known(limits.deadline_days[units]),
        deadline=pl.Series([limits.deadline_name[row] or None for row in units], dtype=pl.String),
        visit_deadline_days=_known(limits.visit_deadline_days[units]),
        evidence=_evidence(fleet, own, units),
    )


def _failure_chances(fleet: FleetRows, units: IntArray, days: FloatArray) -> dict[str, pl.Series]:
    """Return the chances that fresh units are spent by their intervals, today's, and a month either way."""
    chance = np.full((6, len(units)), np.nan)
    month = MONTH_WEEKS * WEEK
    for prices, at in fleet.by_component(units):
        rows, own = fleet.life_row[units[at]], days[at]
        chance[:3, at] = mean_low_high(prices.spent_by(rows, own)).T
        others = (fleet.today[units[at]], np.maximum(own - month, 1.0), own + month)
        for side, other in enumerate(others, 3):
            chance[side, at] = prices.spent_by(rows, other).mean(axis=1)
    names = ("", "_low", "_high", "_current", "_month_sooner", "_month_later")
    return {f"failure_chance{name}": _known(own) for name, own in zip(names, chance, strict=True)}


def _evidence(fleet: FleetRows, own: pl.DataFrame, units: IntArray) -> pl.Expr:
    """Return what each unit's interval rests on: its own records, those of sites like it, or custom."""
    sure = fleet.levels.filter(pl.col("level") == PER_SITE)["component"].implode()
    by_itself = own["component"].is_in(sure) & (own["failures"] >= FAILURES_OF_ITS_OWN)
    otherwise = pl.when(by_itself).then(pl.lit("own_records")).otherwise(pl.lit("like_sites"))
    return pl.when(pl.Series(fleet.held[units])).then(pl.lit("customary")).otherwise(otherwise)


def mean_low_high(draws: FloatArray) -> FloatArray:
    """Return mean, 5 % and 95 % point over draws, (rows, 3)."""
    low, high = np.quantile(draws, (0.05, 0.95), axis=1)
    return np.stack([draws.mean(axis=1), low, high], axis=1)


def _ranged(draws: FloatArray, *names: str) -> dict[str, FloatArray]:
    return dict(zip(names, mean_low_high(draws).T, strict=True))


def saving_at_ages_seen(saving: FloatArray, saved_beyond: FloatArray) -> FloatArray:
    """Return the part of each site's saving that rests on ages already seen, (sites,); the rest is projected.

    It is what the best plan within the ages seen saves against today's rule, and none where that plan costs
    more than the rule: both parts then have the sign of the whole. A plan that limits make dearer than the
    rule is not projected: all of that is known.

    Parameters
    ----------
    saving : array (sites,)
        Today's cost a year less the plan's.
    saved_beyond : array (sites,)
        Cost a year of the best plan within the ages seen, less the plan's.
    """
    return np.where(saving > 0, np.clip(saving - saved_beyond, 0.0, np.maximum(saving, 0.0)), saving)


def _known(values: FloatArray) -> pl.Series:
    """Return the values with what is not finite told as null."""
    return pl.Series(np.where(np.isfinite(values), values, np.nan)).fill_nan(None)
