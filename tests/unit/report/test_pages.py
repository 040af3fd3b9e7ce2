"""What the pages say: counts, verdicts, order, evidence; contexts are words, ready to print."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import polars as pl
import pytest

from fleetstats.advice.due_words import OF_SITE
from fleetstats.report import Results, due_calendar, words
from fleetstats.report.pages import (
    due,
    index,
    owner,
    papers,
    parts,
    site,
    supplier,
    technician,
    trust,
)
from fleetstats.settings import Settings
from tests.report_fixture import AS_OF, display, invent, shown, unit


@pytest.fixture(scope="module")
def results() -> Results:
    return invent(24)


def test_sites_are_sorted_into_right_too_long_too_short_and_unsettled() -> None:
    days = {"a": 182.0, "b": 175.0, "c": 91.0, "d": 273.0, "e": 91.0, "f": 91.0}
    plans = pl.DataFrame(
        {
            "site_id": list(days),
            "visit_interval_days": list(days.values()),
            "visit_interval_days_current": 182.0,
        }
    )
    intervals = pl.DataFrame(
        {
            "site_id": list(days),
            "component": "uv_lamp",
            "interval_days": 182.0,
            "limited_by": "cost",
            "evidence": ["own_records"] * 4 + ["customary", "like_sites"],
            "spells": [9, 9, 9, 9, 9, 3],  # three fittings of its own settle nothing
        }
    )
    page = owner.owner_page(Results(AS_OF, display(), plans=plans, intervals=intervals))
    assert {fact.name: fact.value for fact in page.verdict} == {
        "about right": "2",
        "too long": "1",
        "too short": "1",
        "not settled yet": "2",
    }
    assert "26 weeks" in page.verdict_told
    assert page.verdict[1].note == "1 because parts are spent before, 0 because a limit holds"


def test_lamps_past_rating_count_only_what_is_served_and_in_place() -> None:
    in_place = pl.DataFrame(
        [
            unit(age_days=400.0, served=True, removed=False),
            unit(site_id="b", age_days=400.0, served=False, removed=False),
            unit(site_id="c", age_days=400.0, served=True, removed=True),
            unit(site_id="d", age_days=None, served=True, removed=False),
            unit(site_id="e", age_days=365.0, served=True, removed=False),
        ]
    )
    waiting = owner.owner_page(Results(AS_OF, display(), in_place=in_place)).waiting
    assert waiting.overdue_told == (
        "Past the longest time they may stay in as they are: 1 of 3 UV lamps. "
        "Of unknown age, and to be treated as due: 1 UV lamp."
    )
    assert shown(waiting.overdue, "site") == ["a"]


def test_the_few_sites_that_make_half_of_the_callouts_are_named() -> None:
    sites = pl.DataFrame({"site_id": list("abcd"), "callouts": [1, 9, 0, 6]})
    page = owner.owner_page(Results(AS_OF, display(), sites=sites))
    assert page.called_told == "1 of 4 sites made 9 of 16 call-outs."


def test_savings_seen_and_projected_stand_apart_with_ranges(results: Results) -> None:
    page = owner.owner_page(results)
    assert [fact.name for fact in page.savings] == [
        "saving a year, at ages already seen",
        "saving a year, projected",
    ]
    assert all("range" in fact.note for fact in page.savings)
    assert "(" in shown(page.money, "plan")[2]


def test_without_fleet_totals_the_sites_ranges_are_added_up_and_this_is_said(results: Results) -> None:
    page = owner.owner_page(results.replaced(totals=pl.DataFrame()))
    assert "added up" in page.money_told
    assert len(page.money.rows) == 3


def test_stops_put_failed_samples_and_alarms_first_then_the_lists_own_order(results: Results) -> None:
    found = due.stops(results)
    assert [stop.urgent for stop in found[:2]] == ["failed sample open", "UV alarm open"]
    ends = [stop.ends for stop in found[2:]]
    assert ends == sorted(ends)
    week = due.this_week(found, AS_OF)
    assert all(stop.ends <= AS_OF + timedelta(days=7) or stop.urgent for stop in week)
    assert len(week) < len(found)


def test_a_rank_orders_the_due_list_whatever_the_order_of_rows() -> None:
    rows = [
        unit(site_id=name, visit_by=AS_OF, action="replace", rank=rank) for name, rank in (("a", 2), ("b", 1))
    ]
    found = due.stops(Results(AS_OF, display(), due=pl.DataFrame(rows)))
    assert [stop.site_id for stop in found] == ["b", "a"]


def test_a_stop_says_which_lamp_or_sleeve_cannot_wait() -> None:
    rows = [
        unit(visit_by=AS_OF, urgency=1, uv_late=True, age_days=None),
        unit(component="quartz_sleeve", visit_by=AS_OF, urgency=1, uv_late=True, age_days=202.0),
        unit(site_id="b", component="quartz_sleeve", visit_by=AS_OF, urgency=2, uv_late=False, age_days=20.0),
    ]
    found = Results(AS_OF, display(), due=pl.DataFrame(rows), sites=pl.DataFrame({"site_id": ["a", "b"]}))
    stops = due.stops(found)
    assert [stop.urgent for stop in stops] == ["lamp of unknown age and sleeve past its limit", ""]
    assert b"SLEEVE PAST ITS LIMIT" in due_calendar.due_calendar(stops, AS_OF).replace(b"\r\n ", b"")
    ledger = site.Ledger(found, found.sites)
    notes = [site.site_page(ledger, row).notes for row in found.sites.iter_rows(named=True)]
    assert notes == [("UV lamp of unknown age: due now.", "Quartz sleeve past its limit: due now."), ()]
    sheets = [papers.customer_sheet(ledger, row).notes for row in found.sites.iter_rows(named=True)]
    assert sheets == notes  # the household must know too
    first = index.index_page(found, stops=2).doors[0].first
    assert first.endswith("; 2 lamps and sleeves past their limit or of unknown age")


def test_what_is_urgent_of_the_site_stands_with_its_first_line_and_hides_no_late_lamp() -> None:
    """A failed sample is told once, in front of the lamp's own line, and the lamp past its limit as well."""
    rows = [
        unit(
            visit_by=AS_OF, uv_late=True, age_days=400.0, reason=f"{OF_SITE[0]} The lamp reached its limit."
        ),
        unit(component="quartz_sleeve", visit_by=AS_OF, uv_late=False, reason=f"{OF_SITE[0]} Cleaned here."),
    ]
    sites = pl.DataFrame({"site_id": ["a"], "failed_sample_open": [True]})
    (stop,) = due.stops(Results(AS_OF, display(), due=pl.DataFrame(rows), sites=sites))
    assert stop.urgent == "failed sample open and lamp past its limit"
    assert [task.why for task in stop.tasks[1:]] == [
        f"{OF_SITE[0]} The lamp reached its limit.",
        "Cleaned here.",
    ]


def test_the_van_load_counts_pieces_of_the_chosen_stops_only(results: Results) -> None:
    week = due.this_week(due.stops(results), AS_OF)
    load = due.van_load(results, week)
    assert sum(int(pieces) for pieces in shown(load, "to_fit")) == sum(
        len(stop.tasks) - stop.tasks[0].what.startswith("Water sample") for stop in week
    )


def test_the_van_load_tells_parts_to_fit_from_those_to_carry_in_case() -> None:
    rows = [
        unit(visit_by=AS_OF, action="replace", part_number="L"),
        unit(site_id="b", visit_by=AS_OF, action="inspect", part_number="L"),
        unit(site_id="c", visit_by=AS_OF, action="inspect", part_number=None),
        unit(site_id="d", visit_by=AS_OF, action="replace", part_number=None),
    ]
    results = Results(AS_OF, display(), due=pl.DataFrame(rows))
    load = due.van_load(results, due.this_week(due.stops(results), AS_OF))
    assert shown(load, "part_number") == ["part not on record", "L"]
    assert (shown(load, "to_fit"), shown(load, "in_case")) == (["1", "1"], ["0", "1"])


def test_the_van_holds_every_part_that_a_card_may_ask_for() -> None:
    """A cartridge that is checked may have to be changed by its gauge: one is carried, of the part in place."""
    cartridge = {"component": "sediment_cartridge", "visit_by": AS_OF}
    rows = [
        unit(site_id="a", **cartridge, action="inspect", part_number=None, chance_already_spent=0.1),
        unit(site_id="b", **cartridge, action="inspect", part_number="S", chance_already_spent=0.4),
        unit(site_id="c", **cartridge, action="replace", part_number="S", chance_already_spent=0.6),
        unit(site_id="d", visit_by=AS_OF, action="inspect", part_number=None, chance_already_spent=0.1),
        unit(
            site_id="e", component="quartz_sleeve", visit_by=AS_OF, action="clean", part_number="Q",
            chance_already_spent=0.5,
        ),
    ]  # fmt: skip
    held = pl.DataFrame([{**row, "part_number": part} for row, part in zip(rows, "SSSLQ", strict=True)])
    results = Results(AS_OF, display(), due=pl.DataFrame(rows), in_place=held)
    found = due.stops(results)
    load = due.carried(results, due.ordered(results, results.due))
    assert load.select("part_number", "to_fit", "expected", "in_case").rows() == [
        ("S", 1, pytest.approx(1.5), 2),
        ("Q", 0, 0.0, 1),
    ]
    told = {stop.site_id: stop.tasks[0].what for stop in found}
    assert told["a"] == "Sediment cartridge: check, S in place"
    assert told["b"] == "Sediment cartridge: check, carry S"
    assert told["d"] == "UV lamp: check, L in place"


def test_effects_are_sentences_and_doubtful_ones_say_so(results: Results) -> None:
    sentences = technician.effect_sentences(results)[0].sentences
    assert sentences[0] == "heavy trees: 0.62 of the life, 0.55 to 0.70"
    assert sentences[4].endswith("(no clear difference yet)")


def test_fast_sites_with_a_reason_stand_apart_from_those_without() -> None:
    sites = pl.DataFrame(
        {
            "site_id": list("abcd"),
            "tree_cover": ["heavy", "none", "none", "none"],
            "daily_litres": 400.0,
        }
    )
    life = pl.DataFrame(
        [
            {
                "site_id": name,
                "component": "sediment_cartridge",
                "slot": "",
                "median_days": days,
                "spells": 8,
                "failures": 5,
                "relative_life": relative,
                "relative_low": relative * 0.8,
                "relative_high": relative * 1.2,
            }
            for name, days, relative in (
                ("a", 100.0, 1.0),
                ("b", 90.0, 0.5),
                ("c", 200.0, 1.0),
                ("d", 210.0, 1.0),
                ("e", 105.0, 1.0),
                ("f", 200.0, 1.0),
            )
        ]
    )
    reasons = pl.DataFrame(
        [
            {**unit(component="sediment_cartridge"), "fact": "tree_cover", "level": "heavy", "time_ratio": 0.6},
            {**unit(component="sediment_cartridge", site_id="c"), "fact": "tree_cover", "level": "none",
             "time_ratio": 1.3},
            # 5 % shorter does not make half a life
            {**unit(component="sediment_cartridge", site_id="e"), "fact": "first_flush", "level": "no",
             "time_ratio": 0.95},
        ]
    )  # fmt: skip
    page = technician.technician_page(
        Results(AS_OF, display(), sites=sites, site_life=life, known_reasons=reasons), []
    )
    assert shown(page.unexplained, "site") == ["b"]
    assert shown(page.explained, "site") == ["a"]
    assert shown(page.explained, "reason") == ["heavy trees"]
    assert shown(page.explained, "evidence") == ["8 fittings, 5 spent"]


def test_numbers_behind_fleet_curves_agree_with_the_spells(results: Results) -> None:
    lives = technician.lives_by_fact(results)[0]
    first = [[int(n) for n in text.split(" / ")] for text in shown(lives.numbers, "week_0")]
    last = [[int(n) for n in text.split(" / ")] for text in shown(lives.numbers, "week_78")]
    spells = results.spells.filter(pl.col("component") == "sediment_cartridge").height
    assert sum(here for here, _, _ in first) == spells
    assert sum(spent + left for _, spent, left in last) == spells


def test_a_sites_page_explains_each_interval_with_its_evidence(results: Results) -> None:
    row = results.sites.row(8, named=True)
    page = site.site_page(site.Ledger(results, results.sites), row)
    assert [unit.name for unit in page.units] == [
        "Sediment cartridge",
        "Carbon cartridge",
        "UV lamp",
        "Quartz sleeve",
    ]
    lamp = page.units[2]
    assert lamp.why.startswith("It is never left past its rated life")
    assert "A weak lamp is not visible in these records." in lamp.chance
    assert lamp.evidence == "this site's own records – 9 fittings, 4 dead"
    assert all(unit.curve for unit in page.units)


def test_a_customers_sheet_holds_work_and_next_visit_and_no_chances(results: Results) -> None:
    ledger = site.Ledger(results, results.sites)
    for row in results.sites.head(6).iter_rows(named=True):
        sheet = papers.customer_sheet(ledger, row)
        told = " ".join([*sheet.done, *sheet.planned, sheet.next_visit, *sheet.notes])
        assert " in 10" not in told
        assert "USD" not in told
        assert sheet.last_visit
        assert sheet.contact == results.display.contact


def test_a_record_of_service_holds_every_visit_and_sample_and_no_advice(results: Results) -> None:
    samples = pl.DataFrame(
        {
            "site_id": [results.sites["site_id"][0]], "sampled_on": [AS_OF], "parameter": ["e_coli_per_100_ml"],
            "result": ["0"], "passed": [True], "laboratory_ref": ["L-77"],
        }
    )  # fmt: skip
    ledger = site.Ledger(results.replaced(samples=samples), results.sites)
    for place, row in enumerate(results.sites.head(4).iter_rows(named=True)):
        paper = papers.service_record(ledger, row)
        own = results.visits.filter(pl.col("site_id") == row["site_id"])
        assert len(paper.visits) == own.height, "all of them, however many"
        told = " ".join([*(visit.done for visit in paper.visits), *(fact.value for fact in paper.in_place)])
        assert "part " in told
        assert not any(word in told for word in (" in 10", "USD", "week", "like it"))
        assert [[cell.shown for cell in one] for one in paper.samples.rows] == (
            [] if place else [[words.day(AS_OF), "e coli per 100 ml", "0", "yes", "L-77"]]
        )


def test_fitted_is_fitted_and_cleaned_is_cleaned_each_with_its_day_and_source() -> None:
    seen, noted, cleaned = date(2024, 5, 1), date(2024, 6, 1), date(2025, 2, 3)
    row = {"put_in_on": seen, "put_in_noted_on": None, "cleaned_on": cleaned, "part_seen_on": seen}
    assert parts.put_in(row) == ("fitted at the visit of 1 May 2024; cleaned at the visit of 3 Feb 2025")
    assert parts.put_in(row | {"put_in_noted_on": noted, "cleaned_on": None}) == (
        "fitted 1 May 2024, as noted at the visit of 1 Jun 2024"
    )
    assert parts.put_in(row | {"put_in_on": None}) == (
        "fitted before the visit of 1 May 2024, day not on record; cleaned at the visit of 3 Feb 2025"
    )


def test_after_a_failed_sample_every_paper_says_what_failed_when_and_to_take_a_new_one() -> None:
    failed = date(2025, 5, 3)
    sites = pl.DataFrame(
        {"site_id": ["a", "b"], "failed_sample_open": [True, False], "failed_sample_on": [failed, None],
         "failed_sample_of": ["e_coli", None]}
    )  # fmt: skip
    lines = pl.DataFrame([unit(site_id=name, visit_by=AS_OF, action="inspect") for name in "ab"])
    reasons = pl.DataFrame(
        {"site_id": ["a"], "why": ["failed_sample"], "since": [failed], "what": ["e_coli"]}
    )
    held = Results(AS_OF, display(), sites=sites, due=lines, unsafe_water=reasons)
    new_sample = "Water sample: take a new one after the work"
    on_cards = {stop.site_id: [task.what for task in stop.tasks] for stop in due.stops(held)}
    assert (on_cards["a"][0], len(on_cards["a"]), len(on_cards["b"])) == (new_sample, 2, 1)
    ledger = site.Ledger(held, held.sites)
    row, calm = held.sites.iter_rows(named=True)
    page, sheet = site.site_page(ledger, row), papers.customer_sheet(ledger, row)
    assert (page.next_tasks[0].what, sheet.planned[0]) == (new_sample, new_sample)
    assert all("3 May 2025" in text and "e coli" in text for text in (page.notes[0], sheet.notes[0]))
    assert "Do not drink the water untreated until a new sample is good." in sheet.notes[0]
    assert papers.customer_sheet(ledger, calm).notes == ()


def test_a_pack_merges_figures_of_fewer_than_five_sites(results: Results) -> None:
    pack = supplier.supplier_packs(results)[0]
    parts = set(shown(pack.needs, "part_number"))
    assert "other parts" in parts
    assert not any("LAMP-B" in part for part in parts)
    assert not any("LAMP-B" in part for part in shown(pack.orders, "part_number"))
    assert [column.name for column in pack.orders.columns] == ["part_number", "order_by", "quantity"]


def test_orders_show_the_first_of_each_part_and_the_later_ones_apart(results: Results) -> None:
    page = supplier.supplier_page(results)
    parts = shown(page.orders, "part_number")
    assert len(parts) == len(set(parts)) == 6
    assert set(shown(page.orders, "order_by")) == {"4 Dec 2026"}
    assert set(shown(page.later, "order_by")) == {"4 Mar 2027"}
    assert [column.name for column in page.orders.columns][3:] == [
        "on_hand",
        "on_order",
        "lead_time_days",
        "pack_size",
    ]


def test_a_pack_prints_nothing_where_even_together_the_sites_are_too_few() -> None:
    stock = pl.DataFrame(
        [
            {
                "part_number": "P",
                "component": "uv_lamp",
                "month": date(2026, 12, 1),
                "expected": 2.0,
                "p50": 2.0,
                "p80": 3.0,
                "p95": 4.0,
                "sites": 4,
            }
        ]
    )
    in_place = pl.DataFrame([unit(site_id=name, part_number="P") for name in "abcd"])
    pack = supplier.supplier_packs(Results(AS_OF, display(), stock=stock, in_place=in_place))[0]
    assert pack.needs.rows == ()
    assert "In 1 month even those were too few to print." in pack.merged_told


def test_stock_without_a_count_of_sites_is_merged_to_be_on_the_harmless_side(results: Results) -> None:
    pack = supplier.supplier_packs(results.replaced(stock=results.stock.drop("sites")))[0]
    assert set(shown(pack.needs, "part_number")) == {"other parts"}


def test_what_the_records_cannot_yet_say_is_said() -> None:
    told = trust.cannot_say(Results(AS_OF, display()))
    assert any(text.startswith("UV lamp: 0 units seen dead") for text in told)
    assert any("come true: no visit is on record" in text for text in told)


def test_every_page_of_no_records_at_all_has_plain_words() -> None:
    nothing = Results(AS_OF, Settings(components={}))
    assert owner.owner_page(nothing).called_told == "No call-outs are on record."
    assert "too few" in owner.owner_page(nothing).verdict_told
    assert supplier.supplier_packs(nothing)[0].needs.empty.startswith("No need is forecast")


def test_the_calendar_has_one_entry_a_visit_stamped_with_the_as_of_day(results: Results) -> None:
    from icalendar import Calendar

    found = due.stops(results)
    calendar = Calendar.from_ical(due_calendar.due_calendar(found, AS_OF))
    events = calendar.walk("VEVENT")
    assert len(events) == len(found)
    assert len({str(event["UID"]) for event in events}) == len(found)
    assert {event.decoded("DTSTAMP").date() for event in events} == {AS_OF}
    assert min(event.decoded("DTSTART") for event in events) == AS_OF
    assert sum("OVERDUE" in str(event["SUMMARY"]) for event in events) > 0
    # a visit moved to another day stays the same entry
    later = [replace(stop, ends=stop.ends + timedelta(days=9)) for stop in found]
    moved = Calendar.from_ical(due_calendar.due_calendar(later, AS_OF)).walk("VEVENT")
    assert {str(event["UID"]) for event in moved} == {str(event["UID"]) for event in events}


def test_a_history_shows_every_unit_until_it_went_the_one_in_place_to_the_end() -> None:
    begun, changed, cleaned = date(2024, 1, 1), date(2024, 6, 1), date(2025, 1, 1)
    sleeve = {"site_id": "a", "component": "quartz_sleeve", "slot": ""}
    visits = pl.DataFrame({"visit_id": ["v"], "site_id": ["a"], "visit_date": [begun]})
    # the estimate stops at the change of the tank, the sleeve stayed in; of the one in place nothing was seen yet
    spells = pl.DataFrame(
        [{**sleeve, "fitted_on": begun, "ended_on": changed, "gone_on": cleaned, "ended_how": "left"}]
    )
    unused = pl.DataFrame([{**sleeve, "fitted_on": cleaned, "reason": "nothing_known", "gone_on": None}])
    held = Results(
        AS_OF,
        display(),
        sites=pl.DataFrame({"site_id": ["a"]}),
        visits=visits,
        spells=spells,
        left_out=unused,
    )
    ledger = site.Ledger(held, held.sites)
    (lane,) = site.lanes(ledger, "a")
    assert [(bar.begins, bar.ends) for bar in lane.bars] == [(begun, cleaned), (cleaned, AS_OF)]
