"""Invents a whole fleet: tidy tables as a firm would hold them, and the truth behind them."""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

import numpy as np
import polars as pl

from fleetstats.sample.changes import changes_frame, invent_changes
from fleetstats.sample.district import Service, invent_homes, invent_service, sites_frame
from fleetstats.sample.paperwork import decisions_frame, parts_frame, samples_frame, site_limits_frame
from fleetstats.sample.records import record_tables
from fleetstats.sample.stories import Story
from fleetstats.sample.wear import LAMP, Homes
from fleetstats.sample.years import Years

_EPOCH: Final = date(1970, 1, 1)
END: Final = date(2026, 6, 30)


@dataclass(frozen=True, slots=True)
class InventedFleet:
    """One invented fleet: the tables of the records (same columns, same words) and the homes behind them.

    Attributes
    ----------
    tables : dict of polars.DataFrame
        Tidy, in the order they are written: dates are dates, blanks are nulls. `tank_installed` of the sites
        is text, as some are a year alone.
    homes : Homes
        How the homes really are on `last_day` (days since 1970-01-01), unwritten facts too.
    service : Service
        How the firm served them.
    """

    tables: dict[str, pl.DataFrame]
    homes: Homes
    service: Service
    story: Story
    last_day: int


def invent_fleet(
    sites: int, *, years: float = 5.0, seed: int = 0, story: Story | None = None
) -> InventedFleet:
    """Return an invented fleet of so many homes and years up to `END`; the same for the same seed."""
    told = story or Story()
    rng = np.random.default_rng(seed)
    last = (END - _EPOCH).days
    first = last - round(years * 365.25)
    homes = invent_homes(sites, told, start=first, rng=rng)
    service = invent_service(sites, told, start=first, end=last, rng=rng)
    changes = invent_changes(homes, start=first, end=last, rng=rng)
    years_lived = Years(homes, service, changes, told, rng)
    book = years_lived.run(start=first, end=last)  # homes end as they are at the end
    visits, work = record_tables(book, homes, rng)
    served = service.leaves > last
    start = _EPOCH + timedelta(days=first)
    tables = {
        "sites": sites_frame(homes, service, end=last, rng=rng),
        "visits": visits,
        "work": work,
        "parts": parts_frame(sites),
        "changes": changes_frame(changes, sites),
        "samples": samples_frame(homes.has[LAMP], served, start=start, end=END, rng=rng),
        "site_limits": site_limits_frame(sites, start=start, rng=rng),
        "decisions": decisions_frame(visits, served, end=END, rng=rng),
    }
    return InventedFleet(tables, homes, service, told, last)
