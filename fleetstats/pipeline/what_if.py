"""Tables that the owner's page weighs anew when costs are moved, with the answers at the settings' own."""

import polars as pl

from fleetstats.advice import VisitPlans
from fleetstats.advice.site_kinds import site_kinds
from fleetstats.advice.what_if import kind_plans

_UNIT = ["kind", "component", "slot"]


def what_if_tables(visits: VisitPlans) -> dict[str, pl.DataFrame]:
    """Return the tables what_if_kinds, what_if_units and what_if_rates; none without a kind of site.

    Parameters
    ----------
    visits : VisitPlans
    """
    terms = visits.priced.terms
    found = site_kinds(visits.priced, visits.plans.select("site_id", "callouts_per_year_current"))
    if found.kinds.is_empty():
        return {}
    plans = kind_plans(found, trip_cost=terms.trip_cost, callout_cost=terms.callout_cost)
    return {
        "what_if_kinds": found.kinds.join(plans.kinds, on="kind", maintain_order="left"),
        "what_if_units": found.units.join(plans.units, on=_UNIT, maintain_order="left"),
        "what_if_rates": found.rates,
    }
