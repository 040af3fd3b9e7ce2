"""The choice among priced plans: one visit interval for each address, every n-th visit for each unit."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from fleetstats.advice.cost import NEAR_EQUAL
from fleetstats.advice.terms import MOST_VISITS
from fleetstats.quantities import WEEK, BoolArray, FloatArray, IntArray

#: More money a year than anything costs; sums of it stay numbers.
_MOST_MONEY: Final = 1e150


@dataclass(frozen=True, slots=True)
class PricedPlans:
    """All candidate plans of some addresses with what they cost a year.

    A cost beyond all measure, or that is no number, counts as 1e150: whatever it is, the choice stays among
    the allowed plans.

    Attributes
    ----------
    weeks : array (W,)
        Visit intervals considered.
    unit_cost : array (units, W, n)
        Cost of each unit a year, without trips.
    trip_cost : array (addresses, W)
        Cost of planned trips a year.
    address : array (units,)
        Which address each unit is at.
    """

    weeks: IntArray
    unit_cost: FloatArray
    trip_cost: FloatArray
    address: IntArray

    def __post_init__(self) -> None:
        for name in ("unit_cost", "trip_cost"):
            cost = getattr(self, name)
            if not (np.abs(cost) < _MOST_MONEY).all():
                bounded = np.nan_to_num(cost, nan=_MOST_MONEY).clip(-_MOST_MONEY, _MOST_MONEY)
                object.__setattr__(self, name, bounded)


@dataclass(frozen=True, slots=True)
class Chosen:
    """A plan: place of each address's visit interval among `weeks` (addresses,), n of each unit (units,)."""

    week_at: IntArray
    every_n: IntArray


def allowed_weeks(
    *, weeks: IntArray, most_days: FloatArray, shortest_days: float, longest_days: float
) -> BoolArray:
    """Return which visit intervals each address may have, (addresses, W).

    Hard limits win over the shortest visit interval: where they ask for less, it is the limit rounded down to
    whole weeks, and one week at the least.

    Parameters
    ----------
    weeks : array (W,)
    most_days : array (addresses,)
        Hard limit on the visit interval.
    shortest_days, longest_days : float
    """
    days = weeks * WEEK
    usual = (days >= shortest_days) & (days <= longest_days)
    within = usual & (days <= most_days[:, None])
    down = np.clip(np.floor(most_days / WEEK), 1, weeks[-1]).astype(np.int64)
    forced = np.equal(weeks, down[:, None])
    return np.where(np.asarray(within.any(axis=1))[:, None], within, forced)


def allowed_visits(*, weeks: IntArray, limit_days: FloatArray, longest_only: BoolArray) -> BoolArray:
    """Return which n each unit may have at each visit interval, (units, W, n).

    Parameters
    ----------
    weeks : array (W,)
    limit_days : array (units,)
        Longest interval by all of the unit's limits.
    longest_only : array (units,) of bool
        Units that keep today's rule as nearly as the visits allow: the largest n within the limit.
    """
    n = np.arange(1, MOST_VISITS + 1)
    within = (weeks * WEEK)[:, None] * n <= limit_days[:, None, None]
    most = within.sum(axis=2, keepdims=True)
    return np.asarray(within & (~longest_only[:, None, None] | (n == most)))


def cheapest(plans: PricedPlans, allowed_week: BoolArray, allowed_visit: BoolArray) -> Chosen:
    """Return the allowed plan of each address that costs least."""
    cost = np.where(allowed_visit, plans.unit_cost, np.inf)
    total = address_total(plans, cost.min(axis=2), allowed_week)
    week_at = total.argmin(axis=1)
    return Chosen(week_at, _own(cost, plans, week_at).argmin(axis=1) + 1)


def preferred(
    plans: PricedPlans, allowed_week: BoolArray, allowed_visit: BoolArray, *, customary_days: FloatArray
) -> Chosen:
    """Return, among the allowed plans within 2 % of the cheapest, the customary one, else the plainest.

    The plainest plan has its units on the fewest different intervals; among equals it is the cheapest. Where
    no plan is allowed at all it is the first of all.

    Parameters
    ----------
    plans : PricedPlans
    allowed_week : array (addresses, W)
    allowed_visit : array (units, W, n)
    customary_days : array (units,)
        The trade's usual interval of each unit.
    """
    cost = np.where(allowed_visit, plans.unit_cost, np.inf)
    options = [cost.argmin(axis=2) + 1]
    most = np.where(allowed_visit, np.arange(1, MOST_VISITS + 1), 0).max(axis=2)
    options += [np.minimum(n, most) for n in range(1, MOST_VISITS + 1)]
    visits = np.stack([np.maximum(option, 1) for option in options])  # (options, units, W)
    picked = np.stack([np.take_along_axis(cost, option[..., None] - 1, axis=2)[..., 0] for option in visits])
    totals = np.stack([address_total(plans, option, allowed_week) for option in picked])
    limit = totals.min(axis=(0, 2)) * (1.0 + NEAR_EQUAL)
    different = np.stack([_different(plans, option) for option in visits])
    near = (totals <= limit[:, None]) & np.isfinite(limit)[:, None]
    rank = np.where(near, different * 2.0 + totals / (totals.max(where=near, initial=1.0) * 1.001), np.inf)
    best = np.moveaxis(rank, 1, 0).reshape(len(limit), len(options) * len(plans.weeks)).argmin(axis=1)
    option, week_at = np.divmod(best, len(plans.weeks))
    every_n = visits[option[plans.address], np.arange(len(plans.address)), week_at[plans.address]]
    return _customary_where_near(
        plans, cost, allowed_week, limit, Chosen(week_at, every_n), customary_days=customary_days
    )


def _customary_where_near(
    plans: PricedPlans,
    cost: FloatArray,
    allowed_week: BoolArray,
    limit: FloatArray,
    chosen: Chosen,
    *,
    customary_days: FloatArray,
) -> Chosen:
    """Return `chosen`, or the customary plan at addresses where that costs no more than `limit`."""
    shortest = np.full(len(limit), np.inf)
    np.minimum.at(shortest, plans.address, customary_days)
    days = plans.weeks * WEEK
    usable = allowed_week & (days <= shortest[:, None])
    week_at = np.where(usable.any(axis=1), len(days) - 1 - usable[:, ::-1].argmax(axis=1), 0)
    own = _own(cost, plans, week_at)
    n = np.arange(1, MOST_VISITS + 1)
    fits = np.isfinite(own) & (days[week_at[plans.address], None] * n <= customary_days[:, None])
    every_n = np.where(fits, n, 0).max(axis=1)
    unit = np.where(
        every_n > 0, np.take_along_axis(own, np.maximum(every_n - 1, 0)[:, None], axis=1)[:, 0], np.inf
    )
    total = np.bincount(plans.address, unit, len(limit)) + plans.trip_cost[np.arange(len(limit)), week_at]
    near = usable.any(axis=1) & (total <= limit)
    return _where(near, Chosen(week_at, every_n), chosen, plans)


def closer_plan(
    plans: PricedPlans, allowed_visit: BoolArray, chosen: Chosen, *, shortest_days: float, fixed: BoolArray
) -> Chosen:
    """Return the cheapest plan with visits closer together than any looked at, where that costs clearly less.

    It is `chosen` where that is fixed, or costs within 2 % of it.

    Parameters
    ----------
    plans : PricedPlans
    allowed_visit : array (units, W, n)
    chosen : Chosen
    shortest_days : float
    fixed : array (addresses,) of bool
    """
    days = plans.weeks * float(WEEK)
    closer_ok = days < np.minimum(shortest_days, days[chosen.week_at])[:, None]
    asked = closer_ok.any(axis=1) & ~fixed
    if not asked.any():
        return chosen
    closer_ok = np.where(asked[:, None], closer_ok, True)
    closer = cheapest(plans, closer_ok, allowed_visit)
    total, other = (
        np.bincount(plans.address, plan_cost(plans, plan), len(fixed)) + trips_cost(plans, plan)
        for plan in (chosen, closer)
    )
    better = asked & (other * (1.0 + NEAR_EQUAL) < total)
    return _where(better, closer, chosen, plans)


def plan_cost(plans: PricedPlans, chosen: Chosen) -> FloatArray:
    """Return the yearly cost of each unit under a plan, without trips, (units,)."""
    own = _own(plans.unit_cost, plans, chosen.week_at)
    return np.asarray(np.take_along_axis(own, chosen.every_n[:, None] - 1, axis=1)[:, 0])


def trips_cost(plans: PricedPlans, chosen: Chosen) -> FloatArray:
    """Return what the trips of each address cost a year under a plan, (addresses,)."""
    return np.asarray(plans.trip_cost[np.arange(len(chosen.week_at)), chosen.week_at])


def unless_within(plans: PricedPlans, chosen: Chosen, seen: Chosen, seen_days: FloatArray) -> Chosen:
    """Return `seen`, with `chosen` in its place at addresses where that stays within the ages seen anyway."""
    interval = plans.weeks[chosen.week_at][plans.address] * WEEK * chosen.every_n
    within = np.ones(len(chosen.week_at), dtype=np.bool_)
    np.logical_and.at(within, plans.address, interval <= seen_days)
    return _where(within, chosen, seen, plans)


def shifted_cost(
    plans: PricedPlans,
    allowed_visit: BoolArray,
    chosen: Chosen,
    *,
    most_days: FloatArray,
    least_days: float,
    weeks_on: int,
) -> tuple[FloatArray, FloatArray]:
    """Return what each unit (units,) and each address's trips (addresses,) cost a year some weeks on.

    Units take their cheapest n there; inf where the visit interval is not among those priced, crosses the
    hard limit `most_days` (addresses,), comes sooner than any looked at (`least_days`), or leaves a unit no n
    within its limits.
    """
    wanted = plans.weeks[chosen.week_at] + weeks_on
    at = np.clip(np.searchsorted(plans.weeks, wanted), 0, len(plans.weeks) - 1)
    there = (plans.weeks[at] == wanted) & (wanted * WEEK <= most_days)
    if weeks_on < 0:
        there &= wanted * WEEK >= least_days
    cost = _own(np.where(allowed_visit, plans.unit_cost, np.inf), plans, at).min(axis=1)
    trips = plans.trip_cost[np.arange(len(at)), at]
    return np.where(there[plans.address], cost, np.inf), np.where(there, trips, np.inf)


def _where(which: BoolArray, one: Chosen, other: Chosen, plans: PricedPlans) -> Chosen:
    """Return `one` at some of the addresses (addresses,), and the other elsewhere."""
    return Chosen(
        np.where(which, one.week_at, other.week_at),
        np.where(which[plans.address], one.every_n, other.every_n),
    )


def _own(cost: FloatArray, plans: PricedPlans, week_at: IntArray) -> FloatArray:
    """Return each unit's costs at its address's visit interval, (units, n)."""
    return np.asarray(cost[np.arange(len(plans.address)), week_at[plans.address]])


def address_total(plans: PricedPlans, unit_cost: FloatArray, allowed_week: BoolArray) -> FloatArray:
    """Return the yearly cost of each address at each visit interval, inf if not allowed, (addresses, W).

    Parameters
    ----------
    plans : PricedPlans
    unit_cost : array (units, W)
    allowed_week : array (addresses, W) of bool
    """
    total = plans.trip_cost.copy()
    np.add.at(total, plans.address, unit_cost)
    return np.where(allowed_week, total, np.inf)


def _different(plans: PricedPlans, every_n: IntArray) -> IntArray:
    """Return how many different n the units of each address have, (addresses, W)."""
    present = np.zeros((len(plans.trip_cost), len(plans.weeks), MOST_VISITS), dtype=np.bool_)
    np.logical_or.at(present, (plans.address[:, None], np.arange(len(plans.weeks)), every_n - 1), True)
    return np.asarray(present.sum(axis=2))
