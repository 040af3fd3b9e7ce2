"""Months without planned visits: which they are at each site, and what they cost among the limits."""

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import replace

import polars as pl

from fleetstats.advice import VisitPlans
from fleetstats.advice.blocked_costs import blocked_costs
from fleetstats.advice.limit_costs import dearest_first
from fleetstats.errors import SettingsError
from fleetstats.settings import Settings


def blocked_months(settings: Settings, sites: Sequence[str]) -> dict[str, frozenset[int]]:
    """Return the months without planned visits of each site that has any.

    Raises
    ------
    SettingsError
        If the settings name a site that is not on record.
    """
    for site in settings.blocked_months_at:
        if site not in set(sites):
            near = difflib.get_close_matches(site, sites, n=1, cutoff=0.0)
            raise SettingsError(
                f"settings: key 'blocked_months_at' names site '{site}', which is not on record; accepted "
                f"are site ids of the records; the nearest is '{near[0]}'; change that line"
            )
    usual = frozenset(settings.blocked_months)
    found = {site: frozenset(settings.blocked_months_at.get(site, usual)) for site in sites}
    return {site: months for site, months in found.items() if months}


def with_blocked_costs(
    visits: VisitPlans, due: pl.DataFrame, months: Mapping[str, frozenset[int]]
) -> VisitPlans:
    """Return the plans with what the months without planned visits cost among what limits cost."""
    found = blocked_costs(fleet=visits.priced, intervals=visits.intervals, due=due, blocked_months=months)
    costs = dearest_first(pl.concat([visits.limit_costs, found.sites]))
    return replace(visits, limit_costs=costs, blocked_total=found.total)
