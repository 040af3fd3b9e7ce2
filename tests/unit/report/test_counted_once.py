"""Check us first: every record is counted once, however often and in whatever file it was loaded."""

from __future__ import annotations

import polars as pl
import pytest

from fleetstats.intake.fields import TABLES
from fleetstats.pipeline.counts import fleet_counts, records_held
from fleetstats.report import Results, labels
from fleetstats.report.pages.owner import owner_page
from fleetstats.report.pages.records import records_page
from tests.report_fixture import AS_OF, display

SITES = """
    site_id
    A
    B
"""
VISITS = """
    visit_id,site_id,visit_date,meter_m3
    a,A,2024-01-01,10
    b,B,2024-01-02,-5
    c,A,2024-02-30,12
    d,B,2025-02-01,
    d,B,2025-02-01,
"""
WORK = """
    visit_id,component,action,condition
    a,uv_lamp,fitted,
    b,uv_lamp,fitted,
    c,uv_lamp,inspected,good
    d,uv_lamp,inspected,good
"""
TOLD = (
    "On record, each once however often it was loaded: 2 sites, 3 visits and 3 rows of work. Set aside from "
    "your files: 2 rows and 1 single value."
)


def told(store) -> Results:
    frames = {name: store.table(name) for name in ("loads", "refused")}
    return Results(AS_OF, display()).replaced(records_held=records_held(store), **frames)


@pytest.mark.parametrize("again", ["as it was", "in other lines", "with a column more"])
def test_a_second_load_of_the_same_records_changes_no_count(fleet, again) -> None:
    fleet.load(sites=SITES, visits=VISITS, work=WORK)
    first = told(fleet.store)
    assert owner_page(first).set_aside == TOLD
    assert records_page(first).told == "8 accepted + 1 repeated + 2 refused = 11 of 11 rows read."
    lines = VISITS.strip("\n").splitlines()
    second = {
        "as it was": VISITS,
        "in other lines": "\n".join([lines[0], *reversed(lines[1:])]) + "\n",
        "with a column more": "\n".join([f"{lines[0]},technician", *(f"{line},t" for line in lines[1:])])
        + "\n",
    }[again]
    fleet.load(sites=SITES + "\n", visits=second, work=WORK)
    assert owner_page(told(fleet.store)).set_aside == TOLD


def test_the_journal_of_all_loads_says_that_it_counts_each_load(fleet) -> None:
    fleet.load(sites=SITES, visits=VISITS, work=WORK)
    fleet.load(sites=SITES, visits=VISITS.replace("a,A,2024-01-01,10", "a,A,2024-01-01,11"), work=WORK)
    page = records_page(told(fleet.store))
    assert page.told.startswith("Over all loads: 9 accepted + ")
    assert page.told.endswith("A row that came again in a later load counts in each.")


def test_the_sites_of_a_year_are_called_what_they_are(fleet) -> None:
    known = fleet.known("2025-02-01", sites=SITES, visits=VISITS, work=WORK)
    counts = fleet_counts(known, rated_days={})
    assert counts["sites"].to_list() == [2, 1]  # B alone was visited in 2025, though A is still served
    table = owner_page(Results(AS_OF, display()).replaced(fleet_counts=counts)).counts
    assert [column.heading for column in table.columns][:2] == ["Year", "Sites visited"]


def test_every_table_of_records_has_its_words() -> None:
    assert list(labels.RECORDS) == list(TABLES)
    one = pl.DataFrame({"table_name": list(TABLES), "records": 1})
    told_one = owner_page(Results(AS_OF, display()).replaced(records_held=one)).set_aside
    assert "1 limit and 1 decision." in told_one
