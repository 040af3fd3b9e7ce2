"""What the pages say of gauges: the number at a stop, the last reading, the worth of reading."""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest

from fleetstats.report import Results
from fleetstats.report.pages import due, gauges, reading_worth, site, technician
from tests.report_fixture import AS_OF, display, invent, unit


@pytest.fixture(scope="module")
def results() -> Results:
    return invent(24)


def test_each_stop_has_one_number_for_the_gauge(results: Results) -> None:
    rows = [
        unit(component="sediment_cartridge", visit_by=AS_OF),
        unit(component="carbon_cartridge", visit_by=AS_OF),
        unit(visit_by=AS_OF),
    ]
    read = pl.DataFrame([{"site_id": "a", "visit_date": AS_OF, "drop_kpa": 40.0}])
    stop = due.stops(Results(AS_OF, display(), due=pl.DataFrame(rows), readings=read))[0]
    assert stop.gauge.count("change it at 100 kPa or more") == 1
    assert "if the gauge is doubtful, change it" in stop.gauge


def test_where_no_gauge_was_ever_read_a_stop_has_no_number_for_it_and_the_page_says_it_once() -> None:
    rows = [unit(component="sediment_cartridge", visit_by=AS_OF)]
    found = Results(AS_OF, display(), due=pl.DataFrame(rows))
    stops = due.stops(found)
    assert [stop.gauge for stop in stops] == [""]
    told = technician.technician_page(found, stops).gauge_told
    assert told.startswith(
        "Where a gauge is fitted and no number is given: change a cartridge at 100 kPa or more"
    )


def test_the_last_reading_and_the_number_at_the_stop_are_told() -> None:
    base = unit(
        component="sediment_cartridge", last_read_on=date(2025, 5, 12), drop_kpa=46.0, across_all=False,
        share_spent=0.71, share_low=0.55, share_high=0.86, expected_end=date(2025, 9, 1),
        end_low=date(2025, 8, 1), end_high=date(2026, 1, 1), doubtful=False, readings=2, in_place=True,
        faulty_on=None,
    )  # fmt: skip
    told = gauges.last_words(display(), base)
    assert "(46 kPa across its housing) says this sediment cartridge had used about 70 % of its life" in told
    assert "(55 to 85 %)" in told
    assert "about Sep 2025 (Aug 2025 to Jan 2026). From 2 readings of it." in told
    assert "across all filters" in gauges.last_words(display(), base | {"across_all": True})
    assert "hardly counts" in gauges.last_words(display(), base | {"doubtful": True})
    later = gauges.last_words(display(), base | {"faulty_on": date(2025, 6, 3)})
    assert later.endswith("The reading of 3 Jun 2025 looks faulty and is not counted.")

    rows = [
        unit(component="sediment_cartridge", change_at_kpa=34.0, lasts_chance=0.9, why="gauge", readings=200, stays=False),
        unit(
            component="carbon_cartridge", change_at_kpa=None, lasts_chance=0.9, why="calendar", readings=200, stays=False
        ),
        unit(site_id="b", component=None, change_at_kpa=61.0, lasts_chance=0.9, why="gauge", readings=200, stays=False),
        *(
            unit(site_id="c", component=name, change_at_kpa=None, lasts_chance=0.9, why=why, readings=200, stays=False)
            for name, why in (("sediment_cartridge", "calendar"), ("carbon_cartridge", "calendar"))
        ),
        unit(
            site_id="d", component="sediment_cartridge", change_at_kpa=None, lasts_chance=0.9, why="always",
            readings=200, stays=True,
        ),
        unit(
            site_id="d", component="carbon_cartridge", change_at_kpa=None, lasts_chance=0.9, why="always",
            readings=200, stays=False,
        ),
    ]  # fmt: skip
    found = gauges.stop_words(Results(AS_OF, display(), at_stop=pl.DataFrame(rows)))
    assert "change it at 34 kPa or more across its housing, tap running" in found["a"]
    assert "whatever the gauge says" in found["a"]
    assert found["a"].endswith("If the gauge is doubtful, change it.")
    assert "Across all filters together: change them at 61 kPa" in found["b"]
    # one that the plan leaves in is not told to be changed
    assert found["d"] == (
        "Carbon cartridge: change it; even a clean reading does not promise that it lasts to the visit after. "
        "Sediment cartridge: young enough to stay by the plan, though the reading to be expected is no 9 in 10 "
        "that it lasts to the visit after; change it where the flow is weak."
    )
    assert found["c"] == (
        "Sediment cartridge and carbon cartridge: change them when their age asks for it, whatever the gauge "
        "says."
    )


def test_the_date_the_gauges_ask_for_stands_beside_the_plans() -> None:
    row = unit(
        component="sediment_cartridge", seen_by=date(2025, 8, 14), plan_visit_by=date(2025, 9, 2), why="gauge"
    )
    told = gauges.visit_words(row, display())
    assert told == (
        "By the gauge of its sediment cartridge this site should be seen by 14 Aug 2025; the plan says by "
        "2 Sep 2025."
    )
    assert "no visit before the one planned by 2 Sep 2025" in gauges.visit_words(
        row | {"why": "limit"}, display()
    )
    assert gauges.visit_words(None, display()) == ""


def worth_row(**more: object) -> dict[str, object]:
    row: dict[str, object] = {
        "component": "sediment_cartridge", "sites_served": 55, "sites_read": 5, "sites": 50, "sites_alike": 0,
        "callouts_fewer": 2.3, "callouts_fewer_low": 1.1, "callouts_fewer_high": 3.4,
        "cartridges_fewer": -4.2, "cartridges_fewer_low": -6.0, "cartridges_fewer_high": -2.5,
        "saved_per_year": 431.0, "saved_per_year_low": 220.0, "saved_per_year_high": 650.0,
        "spells": 641, "failures": 283, "law_learned": False, "spread": 0.2, "gauge_error_kpa": 3.0,
    }  # fmt: skip
    return row | more


def test_what_reading_would_be_worth_is_told_with_ranges_counts_and_what_it_rests_on() -> None:
    rows = [worth_row(), worth_row(component=None, spells=None, failures=None)]
    found = reading_worth.reading_worth(Results(AS_OF, display(), reading_worth=pl.DataFrame(rows)))
    first, second = found.told
    assert first == (
        "At 50 of 55 served sites nobody has read a pressure within the year. By these records two gauges at "
        "each, read at every visit, would be worth about USD 430 a year over all 50 homes (range 220 to 650), a "
        "home 9 (range 4 to 13): 2.3 call-outs fewer (range "
        "1.1 to 3.4) and 4.2 cartridges more (range 2.5 to 6.0)."
    )
    assert second.startswith("This is an estimate, made before any reading.")
    assert "641 fittings, 283 spent (sediment cartridge)" in second
    assert "off by about 22 % and 3 kPa, is common practice, not learned from your records" in second
    assert [row[2].shown for row in found.table.rows] == ["4.2 more (2.5 to 6.0)"]
    assert [row[2].value for row in found.table.rows] == [-4.2]  # the file keeps the sign
    assert "by your parts list where that gives its price, else by your settings (USD " in second
    assert "a call-out at USD " in second
    assert found.advised


def test_a_worth_that_may_be_none_is_told_as_not_settled_and_own_laws_as_learned() -> None:
    rows = [
        worth_row(law_learned=True),
        worth_row(component="carbon_cartridge", law_learned=True),
        worth_row(
            component=None,
            sites=40,
            sites_alike=7,
            saved_per_year_low=-20.0,
            cartridges_fewer_high=1.0,
            callouts_fewer=0.02,
            callouts_fewer_low=-0.11,
            callouts_fewer_high=0.06,
        ),
    ]
    found = reading_worth.reading_worth(Results(AS_OF, display(), reading_worth=pl.DataFrame(rows)))
    assert "over all 40 homes" in found.told[0]
    assert (
        "10 of these are left out: at 7 two cartridges of a kind stand there, in line or side by side, at 3 no "
        "cartridge in place there has enough on record for a plan."
    ) in found.told[0]
    assert "The range includes nothing, so it is not settled that reading pays" in found.told[0]
    assert not found.advised
    assert (
        "as many call-outs (within 0.1 either way) and 4.2 cartridges more (range 1.0 fewer to 6.0 more)"
    ) in found.told[0]
    assert "learned from your own readings" in found.told[1]
    assert [row[0].shown for row in found.table.rows] == [
        "Sediment cartridge",
        "Carbon cartridge",
        "Together",
    ]


def test_where_all_is_read_or_little_known_no_worth_is_told() -> None:
    found = reading_worth.reading_worth(Results(AS_OF, display()))
    assert found.told[0].startswith("Not worked out:")
    assert found.table.rows == ()


def test_readings_of_a_unit_that_has_gone_are_not_told_on_the_site_page() -> None:
    row = unit(
        component="sediment_cartridge", last_read_on=AS_OF, drop_kpa=46.0, across_all=False, share_spent=0.7,
        share_low=0.5, share_high=0.9, expected_end=AS_OF, end_low=AS_OF, end_high=AS_OF, doubtful=False,
        readings=1, faulty_on=None, fitted_on=date(2025, 1, 1), days=[0.0, 100.0], kpa=[15.0, 100.0],
        low_kpa=[15.0, 60.0], high_kpa=[15.0, 120.0],
    )  # fmt: skip
    sites = pl.DataFrame({"site_id": ["a"]})
    for held, told in ((True, 1), (False, 0)):
        last = pl.DataFrame([row | {"in_place": held}])
        found = Results(AS_OF, display(), sites=sites, gauge_last=last)
        page = site.site_page(site.Ledger(found, found.sites), found.sites.row(0, named=True))
        assert len(page.gauge_told) == told


def test_gauges_are_advised_only_where_it_is_settled_that_reading_pays() -> None:
    def found(low: float, high: float) -> reading_worth.ReadingWorth:
        rows = [worth_row(), worth_row(component=None, saved_per_year_low=low, saved_per_year_high=high)]
        return reading_worth.reading_worth(Results(AS_OF, display(), reading_worth=pl.DataFrame(rows)))

    assert [found(*ends).advised for ends in ((1.0, 9.0), (0.0, 9.0), (-9.0, -1.0))] == [True, False, False]
    assert "reading would not pay" in found(-9.0, -1.0).told[0]
