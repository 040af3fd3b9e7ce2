"""How many of each part the coming months will take, under a plan of visits and under today's rule."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl

from fleetstats.errors import StockError
from fleetstats.life.draws import LifeDraws
from fleetstats.quantities import FloatArray, IntArray
from fleetstats.stock.fleet import Fleet, component_units, fleet_in_place, visit_lateness, with_plans
from fleetstats.stock.lifespans import lifespans
from fleetstats.stock.part_changes import next_part
from fleetstats.stock.visit_walk import Periods, count_renewals

LEVELS = (0.50, 0.80, 0.95)
#: Unit-replicates that a few seconds pay for; between the two bounds, the fleet's size decides.
CELLS_PAID_FOR = 2_000_000
FEWEST_REPLICATES, MOST_REPLICATES = 100, 2_000
#: Of today's rule only the mean is told, and a large fleet's mean is steady: fewer replicates will do.
CURRENT_SHARE = 4


@dataclass(frozen=True, slots=True)
class DemandForecast:
    """Use of P parts in the rest of the as-of month (period 0) and the m months after it, R replicates.

    Attributes
    ----------
    as_of : date
    parts : polars frame, P rows
        part_number, component, units, sites (how many hold this part now), unit_days (in service over the
        days ahead, units at sites that are added included).
    periods : polars frame, m + 1 rows
        starts_on, ends_before. Period 0 has no days where the as-of date ends a month.
    use : numpy.ndarray (P, m + 1, R)
        Parts used: the replicates carry chance, parameters, site effects and late visits together; what is
        first fitted at sites that are added counts as used.
    callouts : numpy.ndarray (P, m + 1, R)
        Call-outs that a failure of the unit holding this part causes (whether or not it takes a part).
    first_fits : numpy.ndarray (P, m + 1)
        How many of `use` are first fitted at sites that are added.
    renewed : numpy.ndarray (P, R)
        Parts used over all the days ahead by the units that hold this part now, whatever part they take.
    use_current : numpy.ndarray (P, m + 1) or None
        Expected use under today's rule.
    """

    as_of: date
    parts: pl.DataFrame
    periods: pl.DataFrame
    use: IntArray
    callouts: IntArray
    first_fits: IntArray
    renewed: IntArray
    use_current: FloatArray | None

    @property
    def stock(self) -> pl.DataFrame:
        """Return the table `stock`: one row for each part and month after the as-of month."""
        months = self.periods["starts_on"].to_list()
        pieces = [self._summary(slice(i, i + 1), month=months[i]) for i in range(1, len(months))]
        return pl.concat(pieces).sort("component", "part_number", "month")

    @property
    def rest_of_month(self) -> pl.DataFrame:
        """Return the same columns for the days from the as-of date to the end of its month."""
        return self._summary(slice(0, 1), month=self.as_of.replace(day=1))

    @property
    def whole_horizon(self) -> pl.DataFrame:
        """Return the same columns for all days ahead together; quantiles do not add up over months."""
        return self._summary(slice(0, None), month=self.as_of.replace(day=1))

    def _summary(self, span: slice, *, month: date) -> pl.DataFrame:
        use = self.use[:, span].sum(axis=1)
        levels = np.quantile(use, LEVELS, axis=-1, method="inverted_cdf")
        current = None if self.use_current is None else self.use_current[:, span].sum(axis=1)
        return self.parts.with_columns(
            month=pl.lit(month, dtype=pl.Date),
            expected=use.mean(axis=-1),
            p50=levels[0],
            p80=levels[1],
            p95=levels[2],
            expected_current_rule=pl.lit(None, dtype=pl.Float64) if current is None else pl.Series(current),
            expected_callouts=self.callouts[:, span].sum(axis=1).mean(axis=-1),
        ).select(
            "part_number", "component", "month", "expected", "p50", "p80", "p95", "expected_current_rule",
            "expected_callouts", "units", "sites",
        )  # fmt: skip


def monthly_demand(
    *,
    units: pl.DataFrame,
    lives: Mapping[str, LifeDraws],
    announced: Mapping[str, bool],
    plans: pl.DataFrame,
    current_plans: pl.DataFrame | None = None,
    as_of: date,
    months: int = 12,
    lateness_days: float = 0.0,
    part_share: Mapping[str, float] | None = None,
    changes: pl.DataFrame | None = None,
    replicates: int | None = None,
    seed: int = 0,
) -> DemandForecast:
    """Return the use of every part in the months ahead, with its uncertainty.

    Every unit is walked through its site's coming visits in many replicates. A replicate draws the
    parameters of each component and each site's effect once, so that what is unknown of the whole fleet
    moves all its sites together; then the life left to each unit in place given how long it has lasted,
    the days by which visits are late, and the lives of the units fitted in their turn. Units of unknown
    age are taken to have any age up to their interval and are renewed at the next visit, as are units
    already found spent.

    Parameters
    ----------
    units : polars frame
        Rows of the relation `in_place`: site_id, component, slot, part_number (null = unknown), age_days
        (null = unknown), survived_days, spent_seen; rows `removed` or not `served` are passed over when
        the frame has those columns; life_row, where given, is the unit's row in the draws; joins_on,
        where given, is the day on which a unit of a site that is yet to be added is first fitted.
    lives : mapping of component to draws
        Life of the next spell; without life_row, row i belongs to the i-th of `units` of that component.
    announced : mapping of component to bool
        Whether a failure brings a call-out (True) or waits unseen for the next visit (False).
    plans, current_plans : polars frame
        site_id, component, slot, visit_interval_days, every_n_visits, hard_limit_days (null = none;
        already less the usual lateness), next_visit_on (planned date; one that has passed means the day
        after the as-of date). `current_plans` describes today's rule in the same way.
    as_of : date
    months : int
        Whole months forecast, from the first one after `as_of`.
    lateness_days : float
        Nine visits in ten are no later than this many days; lateness falls off exponentially.
    part_share : mapping of component to float, optional
        Share of renewals that take a new part, 1 where not named; 0 for units renewed by cleaning only.
    changes : polars frame, optional
        Which part follows which, see `part_changes`; without it a place takes the part it holds again. The
        lives stay those of the part in place.
    replicates : int, optional
        Default: from 2,000 for a small fleet down to 100 for 20,000 units and more.
    seed : int

    Raises
    ------
    StockError
        If a column, a plan, a kind or draws are missing, or a number is out of range.
    """
    _check_numbers(months, lateness_days, replicates)
    share = {} if part_share is None else part_share
    periods, calendar = _calendar(as_of, months)
    fleet = fleet_in_place(units, lives=lives, announced=announced, part_share=share, changes=changes)
    count = replicates or int(
        np.clip(CELLS_PAID_FOR // max(fleet.units.height, 1), FEWEST_REPLICATES, MOST_REPLICATES)
    )
    ahead = _Ahead(fleet, as_of, periods, lateness_days, share, changes, seed)
    use, callouts, renewed = _walk(ahead, plans, count)
    first_fits, unit_days = _joining(fleet, as_of, periods)
    use += first_fits[:, :, None]
    current = None
    if current_plans is not None:
        current, _, _ = _walk(ahead, current_plans, -(-count // CURRENT_SHARE))
    return DemandForecast(
        as_of=as_of,
        parts=fleet.parts.with_columns(unit_days=pl.Series(unit_days, dtype=pl.Float64)),
        periods=calendar,
        use=use,
        callouts=callouts,
        first_fits=first_fits,
        renewed=renewed,
        use_current=None if current is None else current.mean(axis=-1) + first_fits,
    )


@dataclass(frozen=True, slots=True)
class _Ahead:
    """What every walk into the months ahead has in common; the names are those of `monthly_demand`."""

    fleet: Fleet
    as_of: date
    periods: Periods
    lateness_days: float
    part_share: Mapping[str, float]
    changes: pl.DataFrame | None
    seed: int


def _walk(ahead: _Ahead, plans: pl.DataFrame, replicates: int) -> tuple[IntArray, IntArray, IntArray]:
    """Return what is used and call-outs, (parts, periods, R), and renewals by part held now, (parts, R)."""
    fleet, periods, seed = ahead.fleet, ahead.periods, ahead.seed
    planned = with_plans(fleet, plans, as_of=ahead.as_of)
    lateness = visit_lateness(planned, periods.last_day, ahead.lateness_days, replicates, seed)
    shape = (fleet.parts.height, periods.starts.size - 1, replicates)
    use, callouts = np.zeros(shape, np.int64), np.zeros(shape, np.int64)
    renewed = np.zeros((shape[0], replicates), np.int64)
    for number, component in enumerate(fleet.components):
        units, rows, parts = component_units(fleet, planned, component)
        own, chances = fleet.parts[parts], [seed, number, 4]
        counts = count_renewals(
            units,
            lifespans(fleet.lives[component], rows, replicates, [seed, number, 0]),
            lateness=lateness,
            periods=periods,
            parts=own.height,
            seed=[seed, number, 1],
            following=next_part(ahead.changes, own, component, replicates=replicates, seed=chances),
        )
        use[parts], share = counts.fitted, ahead.part_share.get(component, 1.0)
        renewed[parts] = (counts.at_visits + counts.at_callouts).sum(axis=1)
        if share < 1.0:
            stream = np.random.default_rng([seed, number, 2])
            use[parts] = stream.binomial(use[parts], share)
            renewed[parts] = stream.binomial(renewed[parts], share)
        callouts[parts] = counts.at_callouts
    return use, callouts, renewed


def _joining(fleet: Fleet, as_of: date, periods: Periods) -> tuple[IntArray, FloatArray]:
    """Return the parts first fitted at added sites, (parts, periods), and each part's days in service."""
    joins = (pl.col("joins_on") - pl.lit(as_of)).dt.total_days().cast(pl.Float64)
    rows = fleet.units.select("part_row", day=joins.clip(lower_bound=1.0), added=joins.is_not_null())
    part, day = rows["part_row"].to_numpy(), rows["day"].fill_null(0.0).to_numpy()
    added, last = rows["added"].to_numpy(), periods.last_day
    first_fits = np.zeros((fleet.parts.height, periods.starts.size - 1), np.int64)
    now = added & (day <= last)
    np.add.at(first_fits, (part[now], periods.of(day[now])), 1)
    served = np.maximum(last - day, 0.0)
    return first_fits, np.bincount(part, served, minlength=fleet.parts.height).astype(np.float64)


def _calendar(as_of: date, months: int) -> tuple[Periods, pl.DataFrame]:
    """Return the rest of the as-of month and the months after it, as days ahead and as dates."""
    after = as_of.year * 12 + as_of.month  # counting months from 0, the one after the as-of month
    starts = [date(number // 12, number % 12 + 1, 1) for number in range(after, after + months + 1)]
    days = np.array([1.0] + [float((start - as_of).days) for start in starts])
    dates = {"starts_on": [as_of + timedelta(days=1), *starts[:-1]], "ends_before": starts}
    return Periods(days), pl.DataFrame(dates)


def _check_numbers(months: int, lateness_days: float, replicates: int | None) -> None:
    for name, value, accepted, fine in (
        ("months", months, "a whole number of 1 or more", months >= 1),
        ("lateness_days", lateness_days, "a number of 0 or more", 0 <= lateness_days < np.inf),
        ("replicates", replicates, "a whole number of 1 or more", replicates is None or replicates >= 1),
    ):
        if not fine:
            raise StockError(f"demand: {name} is {value}; accepted is {accepted}; change the settings")
