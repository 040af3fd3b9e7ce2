"""Starting intervals for sites that have no records yet, by tank, roof, trees and use."""

from collections.abc import Mapping
from typing import Final

import numpy as np
import polars as pl

from fleetstats.advice.limits import beyond_ages_seen
from fleetstats.advice.prices import ComponentPrices
from fleetstats.advice.pricing import Pricer
from fleetstats.advice.terms import ComponentTerms, VisitTerms
from fleetstats.life.draws import LifeDraws
from fleetstats.quantities import DAYS_PER_YEAR, WEEK, FloatArray, IntArray

_KEY: Final = ("tank_material", "roof_material", "tree_cover", "daily_litres")


def starting_intervals(
    *,
    combinations: pl.DataFrame,
    lives: Mapping[str, LifeDraws],
    components: Mapping[str, ComponentTerms],
    terms: VisitTerms,
    most_draws: int = 200,
) -> pl.DataFrame:
    """Return the visit interval to start a new site with, for each component and kind of site.

    It is the interval at which visits that renew the component every time cost least, averaged over the
    sites that a new one may turn out to be; low and high are the 90 % range of what would be best if the
    site were known.

    Parameters
    ----------
    combinations : polars frame
        component, tank_material, roof_material, tree_cover, daily_litres, sites, spells (seen like it),
        seen_days (age that 10 of them reached; null = none), life_row (row in the component's draws for an
        unknown site).
    lives, components : mappings
    terms : VisitTerms
    most_draws : int

    Returns
    -------
    polars frame
        component, tank_material, roof_material, tree_cover, daily_litres, interval_days, low_days,
        high_days, sites, spells.
    """
    parts = []
    for name in sorted(set(combinations["component"])):
        own = combinations.filter(pl.col("component") == name)
        kind = components[name]
        rule = np.inf if terms.local_rule_days is None else terms.local_rule_days
        limit = min(kind.ceiling, kind.rated_life(None), rule) - terms.lateness_days
        last = max(int(min(limit, terms.longest_visit_days) // WEEK), 1)
        weeks = np.arange(min(int(-(-terms.shortest_visit_days // WEEK)), last), last + 1)
        cost = _yearly_costs(own, lives[name], kind, weeks, limit, terms.callout_cost, most_draws)
        cost += (terms.trip_cost * DAYS_PER_YEAR / (weeks * WEEK))[:, None, None]
        usual = min(kind.current_interval_days, kind.customary_days)
        seen = beyond_ages_seen(own, usual if terms.beyond_records > 0 else np.inf, terms.beyond_records)
        parts.append(_cheapest_weeks(own, cost, weeks, seen))
    return pl.concat(parts)


def _yearly_costs(
    own: pl.DataFrame,
    lives: LifeDraws,
    kind: ComponentTerms,
    weeks: IntArray,
    limit_days: float,
    callout_cost: float,
    most_draws: int,
) -> FloatArray:
    """Return the cost a year without the trip of renewing at every visit, (weeks, combinations, draws)."""
    pricer = Pricer(
        lives,
        announced=kind.announced,
        most_visits=1,
        shortest_days=float(weeks[0] * WEEK),
        longest_days=float(weeks[-1] * WEEK),
        most_draws=most_draws,
    )
    prices = ComponentPrices(pricer, terms=kind, callout_cost=callout_cost, weeks=weeks, typical_rows=None)
    found = [
        prices.yearly_draws(
            own["life_row"].to_numpy(),
            planned_cost=np.full(len(own), kind.planned_cost),
            visit_days=np.full(len(own), float(week * WEEK)),
            every_n=np.ones(len(own), dtype=np.int64),
            oldest_days=np.full(len(own), limit_days),
        ).cost
        for week in weeks
    ]
    return np.stack(found)


def _cheapest_weeks(
    own: pl.DataFrame, cost: FloatArray, weeks: IntArray, limit_days: FloatArray
) -> pl.DataFrame:
    beyond = (weeks * WEEK)[:, None] > np.maximum(limit_days, weeks[0] * WEEK)
    expected = np.where(beyond, np.inf, cost.mean(axis=2)).argmin(axis=0)
    if_known = np.where(beyond[..., None], np.inf, cost).argmin(axis=0)
    low, high = np.quantile(if_known, (0.05, 0.95), axis=1, method="nearest")
    days = weeks * WEEK
    return own.select("component", *_KEY).with_columns(
        interval_days=days[expected],
        low_days=days[np.minimum(low, expected)],
        high_days=days[np.maximum(high, expected)],
        sites=own["sites"],
        spells=own["spells"],
    )
