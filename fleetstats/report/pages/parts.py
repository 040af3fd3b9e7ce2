"""What pages share: where a page lies, its head, its notes, and results laid out by site."""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from fleetstats.report import labels, words
from fleetstats.report.names import file_stem
from fleetstats.report.results import Results
from fleetstats.report.sketches import Lifetime

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Head:
    """What every page carries: its title, the way to the report's root, the as-of date, the version.

    `here` names the page in the navigation; `plain` marks pages without script.
    """

    title: str
    root: str
    as_of: str
    version: str
    here: str = ""
    plain: bool = False


@dataclass(frozen=True, slots=True)
class Fact:
    """A named value; `note` says where it comes from or how sure it is."""

    name: str
    value: str
    note: str = ""
    href: str = ""


def head(results: Results, title: str, here: str = "", *, root: str = "", plain: bool = False) -> Head:
    """Return the head of a page."""
    version = results.version
    return Head(title, root, words.day(results.as_of), version, here, plain)


def site_href(site_id: str, root: str = "") -> str:
    """Return the way to a site's page."""
    return f"{root}sites/{file_stem(site_id)}.html"


def sheet_href(site_id: str, root: str = "") -> str:
    """Return the way to a site's sheet for the customer."""
    return f"{root}sheets/{file_stem(site_id)}.html"


def record_href(site_id: str, root: str = "") -> str:
    """Return the way to a site's record of service."""
    return f"{root}service/{file_stem(site_id)}.html"


def site_names(sites: pl.DataFrame) -> dict[str, str]:
    """Return each site's name as shown: its id, and its own name after it."""
    return {
        site_id: f"{site_id} {words.DASH} {name}" if name else site_id
        for site_id, name in sites.select("site_id", "site_name").iter_rows()
    }


def by_site(frame: pl.DataFrame) -> Mapping[str, list[Row]]:
    """Return the rows of a frame under their site, in the frame's order."""
    rows: dict[str, list[Row]] = defaultdict(list)
    for row in frame.iter_rows(named=True):
        rows[row["site_id"]].append(row)
    return rows


def lifetimes(rows: Iterable[Row]) -> list[Lifetime]:
    """Return spells as the counts beneath a curve need them; rows without known days are passed over."""
    return [
        Lifetime(
            row["entry_days"] or 0.0,
            row["lower_days"],
            row["upper_days"] if row["upper_days"] is not None else math.inf,
        )
        for row in rows
        if row["lower_days"] is not None
    ]


def evidence(spells: int | None, failures: int | None, gone: str = "spent") -> str:
    """Return what stands behind a number: "12 fittings, 7 spent"."""
    if spells is None:
        return ""
    return f"{words.counted(spells, 'fitting')}, {failures or 0} {gone}"


def window(begins: date | None, ends: date | None, as_of: date) -> str:
    """Return a visit's window: book from, no later than; overdue ones are said to be overdue."""
    if ends is None:
        return words.UNKNOWN
    if ends < as_of:
        return f"overdue since {words.day(ends)}"
    if begins is None or begins >= ends:
        return f"no later than {words.day(ends)}"
    if begins <= as_of:
        return f"now, no later than {words.day(ends)}"
    return f"from {words.day(begins)}, no later than {words.day(ends)}"


def put_in(row: Row) -> str:
    """Return when the part in place went in and was last cleaned, each with the visit that says so.

    `row` is one of `in_place`: a cleaning is no fitting, though a sleeve's interval runs from it.
    """
    if row["put_in_on"] is None:
        seen = row["part_seen_on"]
        told = f"fitted before the visit of {words.day(seen)}, day" if seen else "day of fitting"
        told += " not on record"
    elif row["put_in_noted_on"]:
        noted = words.day(row["put_in_noted_on"])
        told = f"fitted {words.day(row['put_in_on'])}, as noted at the visit of {noted}"
    else:
        told = f"fitted at the visit of {words.day(row['put_in_on'])}"
    cleaned = row["cleaned_on"]
    return f"{told}; cleaned at the visit of {words.day(cleaned)}" if cleaned else told


def task(results: Results, row: Row) -> str:
    """Return what to do with one component at a visit: "Sediment cartridge: replace, part SED-A".

    A line of which no part is carried names the one in place, as its card may ask for another.
    """
    name = labels.component(row["component"], row["slot"])
    action = labels.ACTIONS.get(row["action"] or "", labels.plain(row["action"])) or "see to it"
    part = ""
    if row["part_number"]:
        part = (
            f", part {row['part_number']}" if row["action"] == "replace" else f", carry {row['part_number']}"
        )
    elif row.get("part_in_place"):
        part = f", {row['part_in_place']} in place"
    return f"{name}: {action}{part}"
