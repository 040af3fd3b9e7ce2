"""Each crew with a home on the due list has its page and its calendar, busy this week or not."""

from __future__ import annotations

import html
import re
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest
from icalendar import Calendar

from fleetstats.report import write_site
from fleetstats.report.names import file_stem
from fleetstats.report.pages import due
from fleetstats.report.results import Results
from tests.report_fixture import AS_OF, invent


@pytest.fixture(scope="module")
def quiet_north() -> Results:
    """A fleet whose northern crew has nothing to do before the next month."""
    results = invent(24)
    own = results.sites.filter(pl.col("crew") == "north")["site_id"].to_list()
    north = pl.col("site_id").is_in(own)
    later = pl.col("site_id").replace_strict(
        {site: AS_OF + timedelta(days=40 + number) for number, site in enumerate(own)},
        default=None, return_dtype=pl.Date,
    )  # fmt: skip
    listed = results.due.with_columns(
        visit_by=pl.when(north).then(later).otherwise("visit_by"),
        visit_from=pl.when(north).then(pl.lit(AS_OF + timedelta(days=30))).otherwise("visit_from"),
        uv_late=pl.when(north).then(pl.lit(False)).otherwise("uv_late"),
    )
    sites = results.sites.with_columns(
        pl.when(pl.col("crew") == "north").then(pl.lit(False)).otherwise(name).alias(name)
        for name in ("failed_sample_open", "open_alarm")
    )
    return results.replaced(due=listed, sites=sites)


def test_a_crew_without_stops_this_week_has_its_page_and_calendar(
    quiet_north: Results, tmp_path: Path
) -> None:
    out = write_site(quiet_north, tmp_path / "report").parent
    stops = [stop for stop in due.stops(quiet_north) if stop.crew == "north"]
    assert stops
    assert not due.this_week(stops, AS_OF)
    first = min(stops, key=lambda stop: stop.ends)
    page = (out / "crews" / f"{file_stem('north')}.html").read_text(encoding="utf-8")
    assert f"Nothing due this week; the next stop is {html.escape(first.name)}, {first.when}." in page
    assert "What to carry" not in page
    calendar = Calendar.from_ical((out / "crews" / f"{file_stem('north')}.ics").read_bytes())
    assert len(calendar.walk("VEVENT")) == len(stops)


def test_the_technicians_page_leads_to_every_crew(quiet_north: Results, tmp_path: Path) -> None:
    out = write_site(quiet_north, tmp_path / "report").parent
    page = (out / "technician.html").read_text(encoding="utf-8")
    south = len(due.this_week([stop for stop in due.stops(quiet_north) if stop.crew == "south"], AS_OF))
    assert south > 1
    told = re.findall(r'<a href="crews/[^"]+\.html">(\w+)</a> \((.*?)\)', page)
    assert told == [("north", "none"), ("south", f"{south} stops")]
    assert "Nothing due this week" not in (out / "crews" / f"{file_stem('south')}.html").read_text(
        encoding="utf-8"
    )
