"""The visit plan of every site: one visit interval, and for each component its interval as every n-th visit.

The rule that is priced: at EVERY visit a component is renewed if its age at the next visit would pass its
interval by more than half a visit interval, or a hard limit by one day; otherwise it stays. Call-outs renew
what is spent; ages run on for the rest. Hidden components: every visit looks, and renews what it finds
spent.

Cost of a site-year = visits x trip_cost / sites at the address + call-outs x (callout_cost + planned_cost)
+ renewals at visits x planned_cost + days spent unseen x hidden_day_cost.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np
import polars as pl

from fleetstats.advice.address import with_address
from fleetstats.advice.decisions import decisions_in_force
from fleetstats.advice.evidence import advice_levels
from fleetstats.advice.fleet_rows import FleetRows
from fleetstats.advice.limit_costs import limit_costs
from fleetstats.advice.limits import Limits, find_limits, strictest_site_limits
from fleetstats.advice.plan_frames import totals_frame, with_limit_source
from fleetstats.advice.planner import Planner
from fleetstats.advice.prices import price_components
from fleetstats.advice.terms import ComponentTerms, VisitTerms
from fleetstats.errors import AdviceError
from fleetstats.life.draws import LifeDraws
from fleetstats.quantities import WEEK, IntArray
from fleetstats.tables import TABLES

#: An interval decided on that is longer than this counts as this long.
LONGEST_PIN_DAYS = 728.0
#: What a frame may leave out, and what then holds.
SITE_DEFAULTS: Mapping[str, object] = {
    "served": True, "failed_sample_open": False, "open_alarm": False,
    "current_visit_days": None,
}  # fmt: skip
UNIT_DEFAULTS: Mapping[str, object] = {
    "slot": "", "life_row": None, "part_number": None, "rated_life_days": None, "planned_cost": None,
    "removed": False, "seen_days": None, "spells": 0, "failures": 0,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class VisitPlans:
    """The plans of all served sites.

    Attributes
    ----------
    plans : polars frame
        One row for each served site: visit interval, trips, call-outs and cost a year, under the plan and
        today's rule.
    intervals : polars frame
        One row for each component in a slot: its interval, the limit that binds, its chances and cost.
    levels : polars frame
        One row for each component: how much its records can carry, and what would settle more.
    totals : polars frame
        The fleet's trips, call-outs, cost and saving a year, with the range of each sum.
    priced : FleetRows
        What the plans were chosen by.
    limit_costs : polars frame
        What each site's limit and decision costs a year; empty unless asked for.
    blocked_total : polars frame
        What months without planned visits cost a year together; empty unless worked out.
    """

    plans: pl.DataFrame
    intervals: pl.DataFrame
    levels: pl.DataFrame
    totals: pl.DataFrame
    priced: FleetRows
    limit_costs: pl.DataFrame = field(default_factory=TABLES["limit_costs"].of)
    blocked_total: pl.DataFrame = field(default_factory=pl.DataFrame)


def plan_visits(
    *,
    sites: pl.DataFrame,
    units: pl.DataFrame,
    lives: Mapping[str, LifeDraws],
    components: Mapping[str, ComponentTerms],
    terms: VisitTerms,
    as_of: date,
    months_seen: float,
    site_limits: pl.DataFrame | None = None,
    decisions: pl.DataFrame | None = None,
    price_limits: bool = False,
    most_draws: int = 200,
) -> VisitPlans:
    """Return the plan of every served site, priced by the visit rule and averaged over what is unknown.

    Parameters
    ----------
    sites : polars frame
        site_id, served (bool); optional address_id, region, failed_sample_open, open_alarm (bool),
        current_visit_days (this site's own rule today).
    units : polars frame
        One row for each component in a slot ever seen: site_id, component, slot; optional life_row (row in
        the component's draws; null = no curve), rated_life_days and planned_cost (the part's), removed
        (bool: nothing is in place), seen_days (see `ages_seen`), spells, failures.
    lives : mapping
        Component -> draws of the life of its next spell.
    components : mapping
        Component -> its terms.
    terms : VisitTerms
        Costs and bounds of visits.
    as_of : date
    months_seen : float
        Months of records.
    site_limits : polars frame or None
        See `strictest_site_limits`.
    decisions : polars frame or None
        See `decisions_in_force`.
    price_limits : bool
        Whether what limits and decisions cost is worked out too.
    most_draws : int
        Draws used for each site; more are thinned evenly.

    Raises
    ------
    AdviceError
        If a unit names a component without terms, or a site limit is not above 0.
    """
    units = _with_defaults(units, UNIT_DEFAULTS)
    levels = advice_levels(units=units, months_seen=months_seen)
    sites = _served_sites(sites, units, site_limits, decisions, as_of, terms.current_visit_days)
    units = _units_there(units, sites, components)
    limits = find_limits(units=units, components=components, terms=terms)
    weeks = _weeks(limits, sites, terms)
    prices = price_components(
        units=units, lives=lives, components=components, callout_cost=terms.callout_cost, weeks=weeks,
        levels=levels, most_draws=most_draws,
    )  # fmt: skip

    def rows(sites: pl.DataFrame, units: pl.DataFrame) -> FleetRows:
        return FleetRows(
            sites=sites, units=units, prices=prices, components=components, levels=levels, weeks=weeks,
            terms=terms,
        )  # fmt: skip

    fleet = rows(sites, units)
    of_sites, of_units = Planner(fleet).plan()
    intervals = with_limit_source(of_units, sites, terms.lateness_days)
    found = VisitPlans(of_sites.frame, intervals, levels, totals_frame(sites, of_sites), fleet)
    if price_limits:
        costs = limit_costs(fleet=fleet, planned=of_sites, replan=lambda *own: Planner(rows(*own)).plan()[0])
        found = replace(found, limit_costs=costs)
    return found


def _weeks(limits: Limits, sites: pl.DataFrame, terms: VisitTerms) -> IntArray:
    """Return the visit intervals that are priced, whole weeks, from half of the shortest looked at.

    The ones below are planned only where a limit or a decision asks for them.
    """
    pinned = sites["pinned_days"].drop_nulls().to_numpy()
    # an interval decided on is planned as it stands, whatever the settings look at by themselves
    last = max(int(max(terms.longest_visit_days, min(pinned.max(initial=0.0), LONGEST_PIN_DAYS)) // WEEK), 1)
    asked = min(
        terms.shortest_visit_days / 2,
        float(limits.hard_visit_days.min(initial=np.inf)),
        float(sites["current_visit_days"].to_numpy().min(initial=np.inf)),
        float(pinned.min(initial=np.inf)),
    )
    return np.arange(min(max(int(asked // WEEK), 1), last), last + 1)


def _served_sites(
    sites: pl.DataFrame,
    units: pl.DataFrame,
    site_limits: pl.DataFrame | None,
    decisions: pl.DataFrame | None,
    as_of: date,
    visit_days: float,
) -> pl.DataFrame:
    """Return the served sites that have units, in the order of their addresses, with what bounds them."""
    sites = _with_defaults(sites, SITE_DEFAULTS).filter(pl.col("served").fill_null(True))
    sites = sites.join(units.select("site_id").unique(), on="site_id", how="semi").with_columns(
        current_visit_days=pl.col("current_visit_days").cast(pl.Float64).fill_null(visit_days)
    )
    decided = decisions_in_force(sites=sites, decisions=decisions, as_of=as_of)
    strictest = strictest_site_limits(sites=sites, site_limits=site_limits, as_of=as_of)
    return (
        with_address(sites)
        .join(strictest, on="site_id", how="left", maintain_order="left")
        .join(decided, on="site_id", how="left", maintain_order="left")
        .with_columns(address=pl.col("address").rank("dense").cast(pl.Int64) - 1)
        .with_columns(sharing=pl.len().over("address").cast(pl.Float64))
        .sort("address", "site_id")
        .with_row_index("site_row")
        .with_columns(pl.col("site_row").cast(pl.Int64))
    )


def _units_there(
    units: pl.DataFrame, sites: pl.DataFrame, components: Mapping[str, ComponentTerms]
) -> pl.DataFrame:
    """Return the units of the served sites in the order of the sites, with what their site says."""
    unknown = set(units["component"]) - set(components)
    if unknown:
        raise AdviceError(
            f"units: found component {sorted(unknown)[0]!r}, which has no terms; accepted are "
            f"{', '.join(components)}; define it in the settings"
        )
    usual = pl.col("component").replace_strict(
        {name: term.planned_cost for name, term in components.items()}, return_dtype=pl.Float64
    )
    facts = (
        "site_id", "site_row", "address", "current_visit_days", "site_limit_days", "site_limit_begun_days",
        "failed_sample_open", "open_alarm",
    )  # fmt: skip
    return (
        units.with_columns(planned_cost=pl.coalesce(pl.col("planned_cost").cast(pl.Float64), usual))
        .join(sites.select(facts), on="site_id")
        .sort("address", "site_row", "component", "slot")
    )


def _with_defaults(frame: pl.DataFrame, defaults: Mapping[str, object]) -> pl.DataFrame:
    """Return the frame with the columns it leaves out."""
    missing = [pl.lit(value).alias(name) for name, value in defaults.items() if name not in frame.columns]
    return frame.with_columns(missing)
