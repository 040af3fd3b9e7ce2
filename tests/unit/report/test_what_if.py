"""The owner's "what if" as data: what kinds are called, what the script is given, and nothing without kinds."""

from __future__ import annotations

import json

import pytest

from fleetstats.report.pages.what_if import how_often, what_if
from tests.browser.what_if_tables import invented_kinds, results_with
from tests.report_fixture import invent


def test_without_kinds_there_is_nothing_to_move() -> None:
    section = what_if(invent(5))
    assert section.controls == ()
    assert section.data == ""
    assert "too few" in section.told


def test_the_script_is_given_every_kind_and_no_interval_past_a_limit() -> None:
    found = invented_kinds(6)
    section = what_if(results_with(found))
    data = json.loads(section.data)
    assert [kind["name"] for kind in data["kinds"]] == list(section.kinds)
    assert len(section.kinds) == 6 == len(set(section.kinds)) == len(section.table.rows)
    for kind in data["kinds"]:
        for unit in kind["units"]:
            for n, values in enumerate(unit["callouts"], 1):
                last = data["first"] + len(values) - 1
                assert not values or last * 7 * n <= unit["longest"] < (last + 1) * 7 * n
                assert len(values) == len(unit["other"][n - 1])


def test_the_script_is_given_the_totals_of_the_plan_that_the_money_page_tells() -> None:
    results = results_with(invented_kinds(6))
    given = json.loads(what_if(results).data)["plan"]
    totals = dict(results.totals.select("measure", "plan").iter_rows())
    assert given == {
        "trips": totals["trips_per_year"], "callouts": totals["callouts_per_year"],
        "cost": totals["cost_per_year"],
    }  # fmt: skip


def test_controls_start_at_the_settings_and_the_chance_at_the_loosest_limit() -> None:
    section = what_if(results_with(invented_kinds(6)))
    assert [(c.name, c.value) for c in section.controls] == [
        ("trip", "120"),
        ("callout", "300"),
        ("chance", "100"),
    ]
    assert all(float(c.least) <= float(c.value) <= float(c.most) for c in section.controls)


def test_a_kind_is_told_by_its_call_outs_and_what_sets_it_apart() -> None:
    section = what_if(results_with(invented_kinds(6)))
    assert section.kinds[0].startswith("Sites with a call-out in ")
    assert "without quartz sleeve and UV lamp" in section.kinds[4]


@pytest.mark.parametrize(
    ("low", "high", "told"),
    [
        (3.3, 9.8, "3 to 10 call-outs a year"),
        (0.96, 1.2, "1 call-out a year"),
        (0.2, 0.3, "a call-out in 3 to 5 years"),
        (0.34, 0.34, "a call-out in 3 years"),
        (0.1, 4.0, "a call-out in 10 years to 4 a year"),
        (0.0, 6.2, "no call-outs or up to 6 a year"),
        (0.01, 0.5, "no call-outs or up to one in 2 years"),
        (0.0, 0.04, "hardly any call-outs"),
    ],
)
def test_call_outs_are_told_by_the_year_or_in_years(low: float, high: float, told: str) -> None:
    assert how_often(low, high) == told


def test_sites_in_no_kind_are_counted() -> None:
    found = invented_kinds(2)
    placed = int(found.kinds["sites"].sum())
    results = results_with(found)
    missing = max(results.plans.height - placed, 0)
    told = what_if(results).left_out
    assert told.startswith(f"{missing} site") if missing else told == ""
