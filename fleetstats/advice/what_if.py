"""What a typical site of each kind would get at other costs and another tolerated chance."""

from dataclasses import replace

import numpy as np
import polars as pl

from fleetstats.advice.choice import (
    Chosen,
    PricedPlans,
    address_total,
    allowed_visits,
    allowed_weeks,
    plan_cost,
    preferred,
    trips_cost,
)
from fleetstats.advice.cost import NEAR_EQUAL
from fleetstats.advice.prices import longest_within
from fleetstats.advice.site_kinds import SiteKinds, site_kinds
from fleetstats.advice.terms import MOST_VISITS
from fleetstats.advice.visits import VisitPlans
from fleetstats.quantities import DAYS_PER_YEAR, WEEK, BoolArray, FloatArray, IntArray


def what_if_tables(visits: VisitPlans) -> dict[str, pl.DataFrame]:
    """Return the tables what_if_kinds, what_if_units and what_if_rates; without rows where no kind is found.

    Parameters
    ----------
    visits : VisitPlans
    """
    terms = visits.priced.terms
    found = site_kinds(visits.priced, visits.plans.select("site_id", "callouts_per_year_current"))
    plans = kind_plans(found, trip_cost=terms.trip_cost, callout_cost=terms.callout_cost)
    return {
        "what_if_kinds": plans.kinds,
        "what_if_units": plans.units,
        "what_if_rates": plans.rates,
    }


def kind_plans(
    found: SiteKinds, *, trip_cost: float, callout_cost: float, tolerated: float | None = None
) -> SiteKinds:
    """Return the kinds with the plan of a typical site of each, chosen as every site's own plan is.

    Hard limits hold whatever is asked. Of the kinds: visit_interval_days, near_low_days, near_high_days
    (visit intervals that cost within 2 % of the cheapest), cost_per_year, callouts_per_year, trips_per_year
    (a site and year); of the units: every_n_visits, interval_days.

    Parameters
    ----------
    found : SiteKinds
    trip_cost, callout_cost : float
        A planned trip, and a whole call-out before the part.
    tolerated : float or None
        Most chance that a fresh unit is spent before its interval, 1 = no limit; for the UV unit it may only
        tighten what the settings say. None: as the settings say.
    """
    kinds, units = found.kinds, found.units
    if kinds.is_empty():
        return found
    first = int(kinds["first_week"][0])
    weeks = np.arange(first, int(kinds["longest_days"][0] // WEEK) + 1)
    callouts, other = _tables(found)
    address = units["kind"].to_numpy() - 1
    trips = DAYS_PER_YEAR / (weeks * WEEK) * kinds["trip_share"].to_numpy()[:, None]
    plans = PricedPlans(weeks, callouts * callout_cost + other, trips * trip_cost, address)
    week_ok = allowed_weeks(
        weeks=weeks, most_days=kinds["most_days"].to_numpy(), shortest_days=float(kinds["shortest_days"][0]),
        longest_days=float(kinds["longest_days"][0]),
    )  # fmt: skip
    limit = longest_days(units, weeks[week_ok.argmax(axis=1)][address] * float(WEEK), tolerated)
    visit_ok = allowed_visits(weeks=weeks, limit_days=limit, longest_only=units["held"].to_numpy())
    chosen = preferred(plans, week_ok, visit_ok, customary_days=units["customary_days"].to_numpy())
    near = _near(plans, week_ok, visit_ok)
    return _framed(found, plans, chosen, callouts, near)


def longest_days(units: pl.DataFrame, shortest_days: FloatArray, tolerated: float | None) -> FloatArray:
    """Return the longest interval that each unit's limits allow, days (units,).

    Parameters
    ----------
    units : polars frame
        As in `SiteKinds`.
    shortest_days : array (units,)
        Shortest visit interval that its kind may have: soft limits ask for no less.
    tolerated : float or None
    """
    own = units["chance_limit"].to_numpy()
    asked = own if tolerated is None else np.full(len(own), tolerated)
    asked = np.where(units["of_uv_unit"].to_numpy(), np.minimum(own, asked), asked)
    held, late = units["held"].to_numpy(), units["late_days"].to_numpy()
    soft = units["beyond_days"].fill_null(np.inf).to_numpy()
    soft = np.where(held, np.minimum(soft, units["today_days"].to_numpy()), soft)
    for row, chances in enumerate(units["chances"].to_list()):
        if asked[row] < 1 and chances:
            within = longest_within(np.array([chances]), asked[row])[0] - late[row]
            soft[row] = min(soft[row], within)
    hard = units["longest_days"].fill_null(np.inf).to_numpy()
    return np.asarray(np.minimum(hard, np.maximum(soft, shortest_days)))


def _tables(found: SiteKinds) -> tuple[FloatArray, FloatArray]:
    """Return call-outs and other money a year of every unit under every plan, each (units, W, n)."""
    rates = found.rates
    size = (found.units.height, MOST_VISITS, -1)
    callouts, other = (
        np.array(rates[name].to_list(), dtype=np.float64).reshape(size).transpose(0, 2, 1)
        for name in ("callouts", "other_cost")
    )
    return callouts, other


def _near(plans: PricedPlans, week_ok: BoolArray, visit_ok: BoolArray) -> tuple[IntArray, IntArray]:
    """Return the first and last place among the weeks that costs within 2 % of the cheapest, (kinds,)."""
    total = address_total(plans, np.where(visit_ok, plans.unit_cost, np.inf).min(axis=2), week_ok)
    near = total <= total.min(axis=1, keepdims=True) * (1.0 + NEAR_EQUAL)
    return near.argmax(axis=1), near.shape[1] - 1 - near[:, ::-1].argmax(axis=1)


def _framed(
    found: SiteKinds,
    plans: PricedPlans,
    chosen: Chosen,
    callouts: FloatArray,
    near: tuple[IntArray, IntArray],
) -> SiteKinds:
    kinds, days = found.kinds.height, plans.weeks * WEEK
    at = chosen.week_at[plans.address]
    called = callouts[np.arange(len(at)), at, chosen.every_n - 1]
    cost = np.bincount(plans.address, plan_cost(plans, chosen), kinds) + trips_cost(plans, chosen)
    of_kinds = found.kinds.with_columns(
        visit_interval_days=days[chosen.week_at],
        near_low_days=days[near[0]],
        near_high_days=days[near[1]],
        cost_per_year=cost,
        callouts_per_year=np.bincount(plans.address, called, kinds),
        trips_per_year=DAYS_PER_YEAR / days[chosen.week_at],
    )
    of_units = found.units.with_columns(
        every_n_visits=chosen.every_n, interval_days=days[at] * chosen.every_n
    )
    return replace(found, kinds=of_kinds, units=of_units)
