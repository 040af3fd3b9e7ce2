"""The served sites and their units with all that plans are chosen by, and whole addresses at a time."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from fleetstats.advice.decisions import WISHES
from fleetstats.advice.evidence import DUE_LIST_ONLY
from fleetstats.advice.limits import find_limits
from fleetstats.advice.prices import ComponentPrices
from fleetstats.advice.terms import ComponentTerms, VisitTerms
from fleetstats.quantities import IntArray

_UNITS_AT_ONCE = 4000


@dataclass(frozen=True, slots=True)
class Batch:
    """Whole addresses with their sites and units; `there` are the units in place, the ones that count."""

    sites: IntArray
    units: IntArray
    there: IntArray
    first_site: int
    first_address: int
    addresses: int


class FleetRows:
    """The served sites and their units, with all that their plans are chosen by.

    Arrays (sites,): site_address, sharing, today_visit, wishes (one for each of `WISHES`); arrays (units,):
    address, site, life_row (-1 = no curve), in_place, planned_cost, seen, component, today, customary,
    of_uv_unit, held (kept to today's rule).

    Parameters
    ----------
    sites, units : polars frames
        In the order of addresses, sites and units; `site_row` leads from a unit to its site.
    prices : mapping
        Component -> its prices.
    components : mapping
    levels : polars frame
        See `advice_levels`.
    weeks : array (W,)
        Visit intervals that may be planned.
    terms : VisitTerms
    """

    def __init__(
        self,
        *,
        sites: pl.DataFrame,
        units: pl.DataFrame,
        prices: Mapping[str, ComponentPrices],
        components: Mapping[str, ComponentTerms],
        levels: pl.DataFrame,
        weeks: IntArray,
        terms: VisitTerms,
    ) -> None:
        self.sites, self.units, self.prices, self.weeks = sites, units, prices, weeks
        self.levels, self.components, self.terms = levels, components, terms
        self.shortest, self.longest = terms.shortest_visit_days, terms.longest_visit_days
        self.limits = find_limits(units=units, components=components, terms=terms)
        self.site_address = sites["address"].to_numpy()
        self.sharing = sites["sharing"].to_numpy()
        self.today_visit = sites["current_visit_days"].to_numpy()
        self.wishes = [sites[name].cast(pl.Float64).fill_null(np.nan).to_numpy() for name in WISHES]
        self.address, self.site = units["address"].to_numpy(), units["site_row"].to_numpy()
        self.life_row = units["life_row"].fill_null(-1).to_numpy()
        self.in_place = ~units["removed"].fill_null(False).to_numpy()
        self.planned_cost = units["planned_cost"].to_numpy()
        self.seen = units["seen_days"].cast(pl.Float64).fill_null(0.0).to_numpy()
        names = units["component"].to_list()
        self.component = np.array(names, dtype=object)
        self.today = np.array([components[name].current_interval_days for name in names])
        self.customary = np.array([components[name].customary_days for name in names])
        self.of_uv_unit = np.array([components[name].of_uv_unit for name in names], dtype=np.bool_)
        level = dict(levels.select("component", "level").iter_rows())
        without = {name for name in components if name not in prices or level.get(name) == DUE_LIST_ONLY}
        self.held = np.array([name in without for name in names], dtype=np.bool_) | (self.life_row < 0)

    def batches(self) -> Iterator[Batch]:
        """Yield whole addresses, some thousand units at a time; one empty batch where there is no site."""
        total = int(self.site_address[-1]) + 1 if len(self.site_address) else 0
        ends = np.searchsorted(self.address, np.arange(total), "right")
        first = 0
        while first < max(total, 1):
            start = int(ends[first - 1]) if first else 0
            last = max(int(np.searchsorted(ends, start + _UNITS_AT_ONCE, "right")), min(first + 1, total))
            units = np.arange(start, int(ends[last - 1]) if last else 0)
            low, high = (int(at) for at in np.searchsorted(self.site_address, (first, last)))
            there = units[self.in_place[units]]
            yield Batch(np.arange(low, high), units, there, low, first, last - first)
            first = max(last, 1)

    def by_component(self, rows: IntArray) -> Iterator[tuple[ComponentPrices, IntArray]]:
        """Yield the prices of each component and where among `rows` its units with a life curve are."""
        for name, prices in self.prices.items():
            at = np.flatnonzero((self.component[rows] == name) & (self.life_row[rows] >= 0))
            if len(at):
                yield prices, at
