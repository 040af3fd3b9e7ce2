"""The weeks ahead, what limits cost, savings and the worth of fixes in words: cases by hand."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest

from fleetstats.report import Results, tables
from fleetstats.report.pages import bounds, money, owner, weeks
from fleetstats.report.tables import csv_text
from tests.report_fixture import AS_OF, display


def visit(**more: Any) -> dict[str, Any]:
    return {
        "site_id": "a", "visit": 1, "crew": "north", "book_from": date(2026, 11, 23),
        "no_later_than": date(2026, 12, 11), "week": date(2026, 11, 27), "stops": 1.0, "moved": None,
        "fits": True, **more,
    }  # fmt: skip


def load(**more: Any) -> dict[str, Any]:
    return {
        "crew": "north", "week": date(2026, 11, 27), "stops": 3.0, "most_stops": None, "over": 0.0,
        "moved_earlier": 0, **more,
    }  # fmt: skip


def told_of(*rows: dict[str, Any]) -> str:
    return weeks.load_told(
        Results(AS_OF, display(), weekly_load=pl.DataFrame(rows, infer_schema_length=None))
    )


def test_a_visit_has_its_week_and_its_window() -> None:
    assert weeks.site_ahead([visit()]) == (
        "Week of 27 Nov 2026: book from 23 Nov 2026, no later than 11 Dec 2026",
    )
    (told,) = weeks.site_ahead([visit(moved="crew_full", fits=False)])
    assert told.endswith(
        "(brought forward, the crew is full later; the crew has too much to do in all of these weeks)"
    )


def test_every_way_to_be_moved_has_words() -> None:
    from fleetstats.advice.moves import MOVED

    assert {*MOVED, "crew_full"} == set(weeks.MOVED)


def test_without_a_bound_the_load_says_that_none_is_set() -> None:
    assert told_of(load(), load(crew="south", stops=1.5)) == (
        "4 stops planned in the next 1 week; the fullest week begins 27 Nov 2026, crew north: 3 stops. "
        "How many stops a crew can make in a week is not set (crew_stops_per_week)."
    )  # 3 and 1.5, rounded to even


def test_weeks_beyond_what_a_crew_can_do_are_named() -> None:
    later = AS_OF + timedelta(days=14)
    told = told_of(load(most_stops=2.0, over=1.0), load(week=later, stops=2.0, most_stops=2.0))
    assert "Too full: 1 week of a crew, the first from 27 Nov 2026 by 1 stop;" in told
    assert told_of(load(most_stops=5.0)).endswith("No week holds more than a crew can do.")


def test_a_bound_of_whole_stops_is_told_whole_and_shared_trips_keep_their_part() -> None:
    frame = pl.DataFrame([load(stops=8.0, most_stops=6.0, over=2.0), load(stops=4.5, most_stops=6.0)])
    table = weeks.load_table(Results(AS_OF, display(), weekly_load=frame))
    assert [[cell.shown for cell in row[2:5]] for row in table.rows] == [
        ["8", "6", "2 too many"], ["4.5", "6", "none"],
    ]  # fmt: skip
    assert [column.heading for column in table.columns][3] == "Stops the crew can make in a week"


def test_empty_weeks_are_left_out_of_the_table() -> None:
    frame = pl.DataFrame([load(), load(week=AS_OF, stops=0.0)], infer_schema_length=None)
    table = weeks.load_table(Results(AS_OF, display(), weekly_load=frame))
    assert [[cell.shown for cell in row] for row in table.rows] == [
        ["27 Nov 2026", "north", "3", "not set", "none", "0"]
    ]


def test_limits_and_decisions_are_named_with_what_they_cost() -> None:
    contract = {
        "site_id": "a", "kind": "contract", "max_days": 122.0, "source": "three visits a year",
        "decided_on": None, "visit_interval_days": 119.0, "visit_interval_days_without": 168.0,
        "cost_per_year_more": 85.0, "low": 60.0, "high": 110.0,
    }  # fmt: skip
    accepted = {
        **contract, "site_id": "b", "kind": "accepted", "max_days": 119.0, "source": None,
        "decided_on": date(2026, 5, 18),
    }  # fmt: skip
    winter = {
        **contract, "site_id": "c", "kind": "blocked_months", "max_days": None, "source": "settings: January",
        "visit_interval_days": 126.0, "visit_interval_days_without": 119.0,
    }  # fmt: skip
    few = {
        **winter,
        "site_id": "d",
        "cost_per_year_more": None,
        "low": None,
        "high": None,
        "unpriced": "few_records",
    }
    frame = pl.DataFrame([few, winter, accepted, contract], infer_schema_length=None)
    found = bounds.bounds(Results(AS_OF, display(), limit_costs=frame))
    rows = found.agreed.rows
    assert [cell.shown for cell in rows[0]] == [
        "a", "contract: at most 122 days", "three visits a year", "17", "24", "costs USD 85 a year (60 to 110)",
    ]  # fmt: skip
    assert [cell.shown for cell in rows[1]][1:3] == ["17 weeks accepted on 18 May 2026", "not on record"]
    assert len(rows) == 2
    assert [[cell.shown for cell in row] for row in found.blocked.rows] == [
        ["c", "settings: January", "17 weeks apart as planned, 7 days longer on average",
         "costs USD 85 a year (60 to 110)"],
        ["d", "settings: January", "17 weeks apart as planned, 7 days longer on average",
         "cannot be priced: the records here are too few for a plan"],
    ]  # fmt: skip


def cost_row(site: str, cost: float | None = 40.0, **more: object) -> dict[str, object]:
    row: dict[str, object] = {
        "site_id": site, "kind": "contract", "max_days": 122.0, "source": "three visits a year",
        "decided_on": None, "visit_interval_days": 98.0, "visit_interval_days_without": 98.0,
        "trips_per_year_more": 0.1, "callouts_per_year_more": 0.1, "cost_per_year_more": cost,
        "low": None if cost is None else cost - 9, "high": None if cost is None else cost + 9,
        "unpriced": "few_records" if cost is None else None,
    }  # fmt: skip
    return row | more


def bounds_of(rows: list[dict[str, object]], **more: pl.DataFrame) -> bounds.Bounds:
    sites = pl.DataFrame({"site_id": list("abcd"), "address_id": ["X", None, "X", None]})
    frame = pl.DataFrame(rows, infer_schema_length=None)
    return bounds.bounds(Results(AS_OF, display(), sites=sites, limit_costs=frame, **more))


def test_the_cost_of_an_address_is_told_once_and_rows_go_from_dearest_to_unpriced() -> None:
    table = bounds_of(
        [cost_row("b", None), cost_row("a"), cost_row("d", 60.0), cost_row("c"), cost_row("b", -5.0)]
    ).agreed
    assert [row[0].shown for row in table.rows] == ["a, shared with c", "d", "b", "b"]
    # homes carry even shares: 40 and 40 of the 80 that the address costs, its range 31 + 31 to 49 + 49
    assert table.rows[0][-1].shown == "costs USD 80 a year (60 to 100)"
    assert [row[-1].value for row in table.rows] == [80.0, 60.0, -5.0, ""]
    assert table.rows[-1][-1].shown == "cannot be priced: the records here are too few for a plan"
    assert "'" not in csv_text(table)  # a saving is a number, no text to be made harmless
    assert ",-5\r\n" in csv_text(table)


def test_weeks_that_do_not_differ_are_not_told_twice_and_a_plan_far_under_its_limit_says_why() -> None:
    same, less = (
        bounds_of([cost_row("b", visit_interval_days_without=days)]).agreed.rows[0] for days in (98.0, 126.0)
    )
    assert [cell.shown for cell in same[1:5]] == [
        "contract: at most 122 days; visits come that often anyway, parts are renewed sooner for it",
        "three visits a year", "14", "no other",
    ]  # fmt: skip
    assert [less[1].shown, less[4].shown] == [
        "contract: at most 122 days (17 weeks), kept even where visits come late", "18",
    ]  # fmt: skip


def test_months_without_visits_are_summed_over_addresses_with_a_range() -> None:
    winter = {"kind": "blocked_months", "max_days": None, "source": "settings: January"}
    total = {
        "sites": 4, "addresses": 3, "addresses_priced": 2, "trips_per_year_more": -0.2,
        "callouts_per_year_more": 1.3, "cost_per_year_more": 340.0, "low": 120.0, "high": 560.0,
    }  # fmt: skip
    rows = [cost_row("a", **winter), cost_row("c", **winter), cost_row("b", **winter)]
    found = bounds_of([*rows, cost_row("d", None, **winter)], blocked_total=pl.DataFrame([total]))
    assert found.blocked_told == (
        "They hold for 4 homes at 3 addresses. Together they cost USD 340 a year (range 120 to 560), with 1.3 "
        "call-outs a year more: over 2 addresses with a price, each counted once. Left out of it: 1 address, "
        "which cannot be priced: the records here are too few for a plan."
    )
    assert [row[0].shown for row in found.blocked.rows] == ["a, shared with c", "b", "d"]
    assert found.blocked.rows[0][2].shown == "14 weeks apart, as planned"
    assert found.agreed.rows == ()
    sooner = bounds_of([cost_row("a", **winter | {"visit_interval_days": 91.0})]).blocked.rows[0][2].shown
    assert sooner.startswith("14 weeks apart as planned, 7 days shorter on average: made before those months")
    assert bounds_of([cost_row("a")]).blocked_told == ""


def totals(seen: float, projected: float) -> Results:
    return Results(
        AS_OF,
        display(),
        totals=pl.DataFrame({"measure": ["saving_seen", "saving_projected"], "plan": [seen, projected]}),
    )


@pytest.mark.parametrize(
    ("seen", "projected", "shown"),
    [
        (400.0, 200.0, ["USD 400", "USD 200"]),
        (-880.0, 890.0, ["none", "USD 10"]),
        (0.0, 350.0, ["none", "USD 350"]),
        (-120.0, 0.0, ["none", "USD 120 more"]),
    ],
)
def test_a_loss_at_ages_seen_is_told_as_none_and_the_rest_net(
    seen: float, projected: float, shown: list[str]
) -> None:
    assert [fact.value for fact in money.savings(totals(seen, projected))] == shown


def test_a_sites_savings_are_told_net_while_the_csv_keeps_both() -> None:
    plan = pl.DataFrame({"site_id": ["a"], "saving_seen": [-880.0], "saving_projected": [890.0]})
    table = money.plan_table(Results(AS_OF, display(), plans=plan))
    names = [column.name for column in table.columns]
    seen, projected = (table.rows[0][names.index(name)] for name in ("saving_seen", "saving_projected"))
    assert (seen.shown, projected.shown) == ("none", "10")
    assert (seen.value, projected.value) == (-880.0, 890.0)
    assert "-880,890" in tables.csv_text(table)


def test_every_site_with_many_callouts_has_a_worth_or_the_reason_why_not() -> None:
    names = ["a", "b", "c", "d"]
    sites = pl.DataFrame({"site_id": names, "callouts": [9, 9, 9, 9], "served": [True, True, True, False]})
    plans = pl.DataFrame({"site_id": names[:3], "cost_per_year": [900.0, 800.0, 700.0]})
    fixes = pl.DataFrame(
        {
            "site_id": ["a", "b"], "cost_per_year": [900.0, 800.0], "cost_per_year_like": [500.0, 900.0],
            "worth_per_year": [400.0, -100.0], "worth_low": [300.0, 0.0], "worth_high": [500.0, 0.0],
        }
    )  # fmt: skip
    found = Results(AS_OF, display(), sites=sites, plans=plans, fixes=fixes)
    rows = {row[0].shown: [cell.shown for cell in row[2:]] for row in owner.owner_page(found).called.rows}
    assert rows == {"a": ["900", "500", "400 (300 to 500)"], "b": ["800", "900", rows["b"][2]]}
    assert rows["b"][2].startswith("no fix worth it")
    # half of the call-outs are made by two; give the others more to see them
    more = Results(
        AS_OF, display(), plans=plans, fixes=fixes,
        sites=sites.with_columns(callouts=pl.Series([1, 1, 9, 9])),
    )  # fmt: skip
    rows = {row[0].shown: [cell.shown for cell in row[2:]] for row in owner.owner_page(more).called.rows}
    assert rows["c"] == ["700", "–", "fewer expected than elsewhere"]
    assert rows["d"] == ["–", "–", "not served any more"]
    assert not [cell for row in rows.values() for cell in row if not cell]


def test_more_sites_than_are_listed_is_said() -> None:
    sites = pl.DataFrame({"site_id": [f"s{n:02d}" for n in range(40)], "callouts": 2})
    page = owner.owner_page(Results(AS_OF, display(), sites=sites))
    assert page.called_told == "20 of 40 sites made 40 of 80 call-outs. The 12 with most are listed."
    assert len(page.called.rows) == 12


@pytest.mark.parametrize(
    ("called", "word"), [(2, "are more than"), (10, "agree with it"), (30, "are fewer than")]
)
def test_the_callouts_on_record_are_held_against_the_models_truthfully(called: int, word: str) -> None:
    visits = pl.DataFrame(
        {
            "visit_id": [f"v{n}" for n in range(called)], "site_id": "a",
            "visit_date": AS_OF - timedelta(days=30), "visit_reason": "callout",
        }
    )  # fmt: skip
    elsewhere = visits.with_columns(site_id=pl.lit("gone"), visit_id=pl.lit("w") + pl.col("visit_id"))
    row = {
        "measure": "callouts_per_year",
        "plan": 5.0,
        "current": 10.0,
        "current_low": 8.0,
        "current_high": 12.0,
    }
    found = Results(
        AS_OF, display(), visits=pl.concat([visits, elsewhere]), totals=pl.DataFrame([row]),
        plans=pl.DataFrame({"site_id": ["a"]}),
    )  # fmt: skip
    _, told = money.sums(found)
    assert f"{called} call-outs" in told
    assert f"The call-outs expected under today's rule {word}" in told


def test_the_call_outs_expected_are_held_against_parts_that_ended_where_spells_tell() -> None:
    days = [30, 60, 90, 400]  # the last one is not of that year
    spells = pl.DataFrame(
        {
            "site_id": ["a"] * 4 + ["gone"], "component": ["sediment_cartridge"] * 5, "slot": [""] * 5,
            "ended_on": [AS_OF - timedelta(days=age) for age in [*days, 30]],
            "ended_how": ["failed", "found_spent", "taken_out", "failed", "failed"],
        }
    )  # fmt: skip
    row = {
        "measure": "callouts_per_year",
        "plan": 1.0,
        "current": 3.0,
        "current_low": 2.5,
        "current_high": 3.5,
    }
    found = Results(
        AS_OF, display(), spells=spells, totals=pl.DataFrame([row]), plans=pl.DataFrame({"site_id": ["a"]})
    )
    _, told = money.sums(found)
    assert "0 call-outs, and 2 parts at the end of a life that households notice, 1 of them found" in told
    assert "agree with it" in told


def test_how_today_is_practised_is_told_by_counts() -> None:
    table = pl.DataFrame(
        [
            ("carbon_cartridge", 1, 20, 1, 0.05), ("carbon_cartridge", 2, 20, 0, 0.0),
            ("quartz_sleeve", 1, 4, 4, None), ("quartz_sleeve", 2, 0, 0, None),
            ("sediment_cartridge", 1, 40, 10, 0.25), ("sediment_cartridge", 2, 20, 15, 0.75),
            ("uv_lamp", 1, 0, 0, None), ("uv_lamp", 2, 0, 0, None),
        ],
        schema=["component", "quarter", "visits", "renewed", "share"], orient="row",
    )  # fmt: skip
    told = owner.owner_page(Results(AS_OF, display(), todays_practice=table)).practice_told
    assert "in the last two years sediment cartridges at 25 of 60 visits. Today's cost counts this" in told
    assert "Carbon cartridges were left in, as in the plan." in told
    assert "For quartz sleeves (4 such visits) no habit shows yet" in told
    assert "lamp" not in told
    assert owner.owner_page(Results(AS_OF, display())).practice_told == ""


def test_one_site_is_not_sites() -> None:
    plans = pl.DataFrame(
        {"site_id": ["a"], "visit_interval_days": [182.0], "visit_interval_days_current": [182.0]}
    )
    page = owner.owner_page(Results(AS_OF, display(), plans=plans))
    assert {(share.value, share.noun) for share in page.verdict} == {("1", "site"), ("0", "sites")}


def test_a_table_wider_than_a_phone_says_so() -> None:
    narrow = tables.Table("t", "T", (tables.Column("a", "A"), tables.Column("b", "B", True)), (), "none")
    wide = tables.Table("t", "T", (tables.Column("a", "A"), tables.Column("b", "B", long=True)), (), "none")
    assert (narrow.sideways, wide.sideways) == (False, True)
