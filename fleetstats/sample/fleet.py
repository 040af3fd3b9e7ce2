"""Invents a whole fleet: tidy tables as a firm would hold them, and the truth behind them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Final

import numpy as np

from fleetstats.errors import FleetstatsError
from fleetstats.sample.changes import changes_frame, invent_changes
from fleetstats.sample.district import invent_homes, invent_service, site_ids, sites_frame
from fleetstats.sample.paperwork import decisions_frame, parts_frame, samples_frame, site_limits_frame
from fleetstats.sample.records import record_tables
from fleetstats.sample.stories import Story, story_called
from fleetstats.sample.truth import Truth
from fleetstats.sample.wear import LAMP
from fleetstats.sample.years import Years

if TYPE_CHECKING:
    import polars as pl

_EPOCH: Final = date(1970, 1, 1)
END: Final = date(2026, 6, 30)


@dataclass(frozen=True, slots=True)
class InventedFleet:
    """One invented fleet: the tables of the records (same columns, same words) and the truth behind them.

    Attributes
    ----------
    sites, visits, work, parts, changes, samples, site_limits, decisions : polars.DataFrame
        Tidy: dates are dates, blanks are nulls. `sites.tank_installed` is text, as some are a year alone.
    truth : Truth
        How the homes really are at the end.
    """

    sites: pl.DataFrame
    visits: pl.DataFrame
    work: pl.DataFrame
    parts: pl.DataFrame
    changes: pl.DataFrame
    samples: pl.DataFrame
    site_limits: pl.DataFrame
    decisions: pl.DataFrame
    truth: Truth

    def tables(self) -> dict[str, pl.DataFrame]:
        """Return the tables by name, in the order they are written."""
        names = ("sites", "visits", "work", "parts", "changes", "samples", "site_limits", "decisions")
        return {name: getattr(self, name) for name in names}


def invent_fleet(
    sites: int, *, years: float = 5.0, seed: int = 0, end: date = END, story: str | Story = "mixed"
) -> InventedFleet:
    """Return an invented fleet of so many homes and years up to `end`; the same for the same seed.

    Parameters
    ----------
    story : str or Story
        One of `fleetstats.sample.STORIES`, or a story of one's own.

    Raises
    ------
    FleetstatsError
        If there is no home, less than half a year of records, or no such story.
    """
    if sites < 1 or years < 0.5:
        raise FleetstatsError(
            f"sample: found {sites} sites and {years} years; accepted are 1 site and half a year at least; "
            "ask for more"
        )
    told = story_called(story)
    rng = np.random.default_rng(seed)
    last = (end - _EPOCH).days
    first = last - round(years * 365.25)
    homes = invent_homes(sites, told, start=first, rng=rng)
    service = invent_service(sites, told, start=first, end=last, rng=rng)
    changes = invent_changes(homes, start=first, end=last, rng=rng)
    book = Years(homes, service, changes, told, rng).run(
        start=first, end=last
    )  # homes end as they are at the end
    visits, work = record_tables(book, homes, rng)
    served = service.leaves > last
    start = _EPOCH + timedelta(days=first)
    return InventedFleet(
        sites=sites_frame(homes, service, end=last, rng=rng),
        visits=visits,
        work=work,
        parts=parts_frame(sites),
        changes=changes_frame(changes, sites),
        samples=samples_frame(homes.has[LAMP], served, start=start, end=end, rng=rng),
        site_limits=site_limits_frame(sites, start=start, rng=rng),
        decisions=decisions_frame(visits, served, end=end, rng=rng),
        truth=Truth(
            site_id=site_ids(sites).to_numpy(),
            homes=homes,
            story=told,
            day=last,
            served=served,
            notice_days=service.notice_days,
        ),
    )
