"""What each unit costs a year under any plan: the component's rates times its costs."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from fleetstats.advice.evidence import FLEET_TYPICAL
from fleetstats.advice.pricing import Pricer
from fleetstats.advice.terms import MOST_VISITS, ComponentTerms
from fleetstats.advice.visit_rule import OVERRUNS, overrun_within
from fleetstats.life.draws import LifeDraws
from fleetstats.quantities import DAYS_PER_YEAR, WEEK, FloatArray, IntArray

#: Today's rule may be a visit every month and a lamp once a year.
MOST_VISITS_TODAY = 13


@dataclass(frozen=True, slots=True)
class YearlyDraws:
    """What one plan costs each unit a year, for each draw: money and call-outs, each (rows, D)."""

    cost: FloatArray
    callouts: FloatArray


class ComponentPrices:
    """Yearly costs of one component's units.

    Parameters
    ----------
    pricer : Pricer
    terms : ComponentTerms
    callout_cost : float
    weeks : array (W,)
        Visit intervals that may be planned.
    typical_rows : array or None
        Rows of the draws whose average stands for every unit, where the records carry fleet-typical advice
        only.
    """

    def __init__(
        self,
        pricer: Pricer,
        *,
        terms: ComponentTerms,
        callout_cost: float,
        weeks: IntArray,
        typical_rows: IntArray | None,
    ) -> None:
        self._pricer, self._terms, self._callout_cost = pricer, terms, callout_cost
        self._days = (weeks * WEEK).astype(np.float64)
        spent, renewed = pricer.node_rates(self._days)
        self._node_spent, self._node_renewed = spent[:, :, :MOST_VISITS], renewed[:, :, :MOST_VISITS]
        self._node_spent_by: FloatArray | None = None
        self._typical = None if typical_rows is None else pricer.mean_spread(typical_rows)

    @property
    def draws(self) -> int:
        """Number of draws in use."""
        return self._pricer.draws

    def _spread(self, rows: IntArray) -> FloatArray:
        if self._typical is None:
            return self._pricer.spread(rows)
        return np.broadcast_to(self._typical, (len(rows), len(self._typical)))

    def yearly(self, rows: IntArray, *, planned_cost: FloatArray, oldest_days: FloatArray) -> FloatArray:
        """Return the expected cost a year of each unit under each candidate plan, (rows, W, n).

        Parameters
        ----------
        rows : array (rows,)
            Rows of the component's draws.
        planned_cost : array (rows,)
        oldest_days : array (rows,)
            Hard limit on the unit's age.
        """
        spent, renewed = self._rates(rows, oldest_days)
        return self._money(spent, renewed, self._days[:, None], planned_cost[:, None, None])

    def yearly_parts(
        self, rows: IntArray, *, planned_cost: FloatArray, oldest_days: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return the call-outs a year, and the money a year without call-outs' trips, each (rows, W, n).

        Parameters
        ----------
        rows, planned_cost, oldest_days
            As in `yearly`, which is the first times the cost of a call-out, plus the second.
        """
        spent, renewed = self._rates(rows, oldest_days)
        each = planned_cost[:, None, None]
        if not self._terms.announced:
            return np.zeros_like(spent), self._money(spent, renewed, self._days[:, None], each)
        per_year = DAYS_PER_YEAR / self._days[:, None]
        return np.asarray(per_year * spent), np.asarray(per_year * (spent + renewed) * each)

    def _rates(self, rows: IntArray, oldest_days: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return spent and renewed per visit interval under each candidate plan, each (rows, W, n)."""
        spread = self._spread(rows)
        n = np.arange(1, MOST_VISITS + 1)
        within = overrun_within(oldest_days[:, None, None], visit=self._days[:, None], every_n=n)
        share = _overrun_shares(within)
        shape = (len(rows), *self._node_spent.shape[1:])
        spent, renewed = (
            np.einsum("rwno,ronw->rwn", share, (spread @ node.reshape(len(node), -1)).reshape(shape))
            for node in (self._node_spent, self._node_renewed)
        )
        return spent, renewed

    def yearly_draws(
        self,
        rows: IntArray,
        *,
        planned_cost: FloatArray,
        visit_days: FloatArray,
        every_n: IntArray,
        oldest_days: FloatArray,
    ) -> YearlyDraws:
        """Return what one plan costs each unit a year for each draw of what is unknown there.

        Parameters
        ----------
        rows, planned_cost, oldest_days
            As in `yearly`.
        visit_days : array (rows,)
        every_n : array (rows,)
        """
        overrun = overrun_within(oldest_days, visit=visit_days, every_n=every_n)
        spent, renewed = self._pricer.draw_rates(rows, visit_days, every_n, overrun)
        cost = self._money(spent, renewed, visit_days[:, None], planned_cost[:, None])
        callouts = DAYS_PER_YEAR / visit_days[:, None] * spent * self._terms.announced
        return YearlyDraws(cost, callouts)

    def today_draws(self, rows: IntArray, *, planned_cost: FloatArray, visit_days: FloatArray) -> YearlyDraws:
        """Return what today costs each unit a year, draw by draw: the rule in force, as it is practised.

        Where young units are renewed at some planned visits, visits with and without are priced apart and
        weighed by how often each is done.

        Parameters
        ----------
        rows, planned_cost, visit_days
            As in `yearly_draws`.
        """
        every_n = every_n_today(self._terms.current_interval_days, visit_days)
        first, second = self._terms.renewed_young
        total = YearlyDraws(np.zeros((len(rows), self.draws)), np.zeros((len(rows), self.draws)))
        for overrun, share in zip(OVERRUNS, (first, second - first, 1.0 - second), strict=True):
            if share <= 0:
                continue
            part = self.yearly_draws(
                rows, planned_cost=planned_cost, visit_days=visit_days, every_n=every_n,
                oldest_days=(every_n + overrun) * visit_days,
            )  # fmt: skip
            total = YearlyDraws(total.cost + share * part.cost, total.callouts + share * part.callouts)
        return total

    def _money(
        self, spent: FloatArray, renewed: FloatArray, visit_days: FloatArray, planned_cost: FloatArray
    ) -> FloatArray:
        if self._terms.announced:
            per_interval = spent * (self._callout_cost + planned_cost) + renewed * planned_cost
            return np.asarray(DAYS_PER_YEAR / visit_days * per_interval)
        per_day = spent * self._terms.hidden_day_cost + renewed * planned_cost / visit_days
        return np.asarray(DAYS_PER_YEAR * per_day)

    def spent_by(self, rows: IntArray, days: FloatArray) -> FloatArray:
        """Return the chance that a fresh unit is spent by its own `days` (rows,), for each draw (rows, D)."""
        return self._pricer.spent_by_draws(rows, days)

    def longest_within_chance(self, rows: IntArray) -> FloatArray:
        """Return the most whole weeks, in days, that keep a fresh unit within the component's failure chance.

        0 where not even a week does; inf where the component has no such limit.
        """
        limit = self._terms.failure_chance_limit
        if limit >= 1:
            return np.full(len(rows), np.inf)
        return longest_within(self.spent_by_week(rows), limit)

    def spent_by_week(self, rows: IntArray) -> FloatArray:
        """Return the chance that a fresh unit is spent by the end of each week, (rows, weeks).

        By the unit's own life, also where it is priced by what is typical of the fleet: a limit asks what is
        known of this site, however little that is.
        """
        weeks = np.arange(1, MOST_VISITS * int(self._days[-1] / WEEK) + 1)
        if self._node_spent_by is None:
            self._node_spent_by = self._pricer.node_spent_by((weeks * WEEK).astype(np.float64))
        return np.asarray(self._pricer.spread(rows) @ self._node_spent_by)


def longest_within(spent_by_week: FloatArray, limit: float | FloatArray) -> FloatArray:
    """Return the most whole weeks, in days, over which the chance of being spent stays within the limit.

    Parameters
    ----------
    spent_by_week : array (rows, weeks)
    limit : float or array (rows, 1)

    Returns
    -------
    array (rows,)
        0 where not even a week does; inf where all of the weeks do.
    """
    within = spent_by_week <= limit
    return np.where(within.all(axis=1), np.inf, within.cumprod(axis=1).sum(axis=1) * float(WEEK))


def _overrun_shares(overrun: FloatArray) -> FloatArray:
    """Return the weight of each tabulated overrun, (..., overruns), by straight lines between them."""
    place = np.interp(overrun, OVERRUNS, np.arange(len(OVERRUNS)))
    return np.clip(1.0 - np.abs(place[..., None] - np.arange(len(OVERRUNS))), 0.0, None)


def price_components(
    *,
    units: pl.DataFrame,
    lives: Mapping[str, LifeDraws],
    components: Mapping[str, ComponentTerms],
    callout_cost: float,
    weeks: IntArray,
    levels: pl.DataFrame,
    most_draws: int,
) -> dict[str, ComponentPrices]:
    """Return the prices of every component that has both units and draws.

    Parameters
    ----------
    units : polars frame
        component, life_row, current_interval_days, current_visit_days.
    lives, components : mappings
    callout_cost : float
    weeks : array (W,)
    levels : polars frame
        component, level.
    most_draws : int
    """
    level = dict(levels.select("component", "level").iter_rows())
    priced = units.filter(pl.col("life_row").is_not_null())
    names = [name for name in sorted(set(priced["component"])) if name in lives]
    most_draws = min([most_draws, *(len(lives[name].scale) for name in names)])
    out = {}
    for name in names:
        own = priced.filter(pl.col("component") == name)
        today = own["current_visit_days"].to_numpy()
        n_today = every_n_today(components[name].current_interval_days, today)
        pricer = Pricer(
            lives[name],
            announced=components[name].announced,
            most_visits=max(MOST_VISITS, int(n_today.max())),
            shortest_days=float(min(weeks[0] * WEEK, today.min())),
            longest_days=float(max(weeks[-1] * WEEK, today.max())),
            most_draws=most_draws,
        )
        rows = own["life_row"].to_numpy() if level.get(name) == FLEET_TYPICAL else None
        out[name] = ComponentPrices(
            pricer, terms=components[name], callout_cost=callout_cost, weeks=weeks, typical_rows=rows
        )
    return out


def every_n_today(interval_days: float | FloatArray, visit_days: FloatArray) -> IntArray:
    """Return every how many visits today's rule renews, the nearest whole number."""
    return np.clip(np.rint(interval_days / visit_days), 1, MOST_VISITS_TODAY).astype(np.int64)
