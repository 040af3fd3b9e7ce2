"""The first page with its three doors, and the list of all sites."""

from dataclasses import dataclass

import polars as pl

from fleetstats.report import tables, words
from fleetstats.report.pages import due, parts
from fleetstats.report.pages.parts import Head
from fleetstats.report.results import Results
from fleetstats.report.tables import Column, Table


@dataclass(frozen=True, slots=True)
class Door:
    """One reader's way in: who, the question, where it leads, and one fact to begin with."""

    reader: str
    question: str
    href: str
    first: str


@dataclass(frozen=True, slots=True)
class IndexPage:
    """What the first page shows."""

    head: Head
    doors: tuple[Door, ...]
    told: str


@dataclass(frozen=True, slots=True)
class SitesPage:
    """The list of all sites."""

    head: Head
    sites: Table


def index_page(results: Results, *, stops: int) -> IndexPage:
    """Return the first page.

    Parameters
    ----------
    stops : int
        Stops due within the week.
    """
    served = int(results.sites["served"].fill_null(True).sum())
    visits = results.visits.height
    pieces = float(results.stock.filter(pl.col("month") == pl.col("month").min())["expected"].sum())
    callouts = int(results.sites["callouts"].sum())
    doors = (
        Door("Owner", "Is six months right, for whom not, and what does it cost us?", "owner.html",
             f"{words.counted(served, 'open site')}, {words.counted(callouts, 'call-out')} on record"
             f"{_late(results)}"),
        Door("Technician", "Which sites foul fastest, why, and what do I carry next?", "technician.html",
             f"{words.counted(stops, 'stop')} due within the week"),
        Door("Supplier", "How many of what, and when?", "supplier.html",
             f"about {words.counted(pieces, 'part')} in the first month ahead" if results.stock.height
             else "no need forecast yet"),
    )  # fmt: skip
    told = (
        f"Worked out from {words.counted(visits, 'visit')} to {words.counted(results.sites.height, 'site')} "
        f"and {words.counted(results.spells.height, 'fitting')}, as known on {words.day(results.as_of)}."
        if visits
        else f"No visits are on record up to {words.day(results.as_of)}: load records and analyse them first."
    )
    return IndexPage(parts.head(results, "Fleet service report", "index"), doors, told)


def _late(results: Results) -> str:
    """Return how many lamps and sleeves cannot wait, as the end of a sentence; blank where none is late."""
    late = [row for row in results.due.iter_rows(named=True) if due.late(row)]
    if not late:
        return ""
    kinds = "lamp or sleeve" if len(late) == 1 else "lamps and sleeves"
    past = all(row["age_days"] is not None for row in late)
    its = "its limit" if len(late) == 1 else "their limit"
    return f"; {words.whole(len(late))} {kinds} past {its}{'' if past else ' or of unknown age'}"


def sites_page(results: Results) -> SitesPage:
    """Return the list of all sites, in the order of their ids."""
    names = parts.site_names(results.sites)
    plans = dict(results.plans.select("site_id", "visit_interval_days").iter_rows())
    first = results.due.group_by("site_id", maintain_order=True).agg(pl.col("visit_by").min())
    nexts = dict(first.iter_rows())
    rows = []
    for row in results.sites.sort("site_id").iter_rows(named=True):
        site, days = row["site_id"], plans.get(row["site_id"])
        state = "left" if row["left_on"] else "lost to view" if row["lost_to_view"] else "served"
        rows.append((
            tables.text(names[site], parts.site_href(site)), tables.text(row["region"]),
            tables.text(row["crew"]), tables.text(state),
            tables.number(words.whole(row["visits"]), row["visits"]),
            tables.number(words.whole(row["callouts"]), row["callouts"]),
            tables.number(words.weeks(days), days), tables.day(nexts.get(site)),
            tables.text("sheet", parts.sheet_href(site)),
        ))  # fmt: skip
    columns = (
        Column("site", "Site"), Column("region", "Region"), Column("crew", "Crew"),
        Column("state", "State"), Column("visits", "Visits", True), Column("callouts", "Call-outs", True),
        Column("visit_interval_days", "Planned interval", True), Column("next_visit_by", "Next visit by"),
        Column("sheet", "For the customer"),
    )  # fmt: skip
    table = Table("sites", "All sites", columns, tuple(rows), "No sites are on record.", "data/sites.csv")
    return SitesPage(parts.head(results, "All sites", "sites"), table)
