"""The owner's "what if" in Chromium: the same answers as the analysis, and no limit that a control can cross."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from fleetstats.advice.site_kinds import SiteKinds
from fleetstats.advice.what_if import kind_plans
from fleetstats.report import write_site
from tests.browser.accessibility import assert_accessible

from .what_if_tables import invented_kinds, results_with

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]
KINDS = invented_kinds()


@pytest.fixture(scope="session")
def weighed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_site(results_with(KINDS), tmp_path_factory.mktemp("what-if") / "report").parent


@pytest.fixture
def owner(opened: Any, weighed: Path) -> Any:
    return lambda **more: opened(str(weighed / "owner.html"), **more)


def ask(page: Any, **asked: float) -> None:
    for name, value in asked.items():
        page.locator(f"#{name}-field").fill(f"{value:g}")


def answers(page: Any) -> list[dict[str, Any]]:
    """Return what the table says of each kind: weeks, every n-th visit, cost."""
    read = """rows => rows.map(row => ({week: Number(row.dataset.week), cost: Number(row.dataset.cost),
              every: row.dataset.every.split(' ').map(Number), near: row.cells[3].textContent,
              shown: row.cells[2].textContent}))"""
    found: list[dict[str, Any]] = page.locator("#what-if-kinds tbody tr").evaluate_all(read)
    return found


def same(found: list[dict[str, Any]], plans: SiteKinds) -> None:
    kinds = plans.kinds.sort("kind")
    assert [row["week"] * 7 for row in found] == kinds["visit_interval_days"].to_list()
    assert [row["shown"] for row in found] == [str(days // 7) for days in kinds["visit_interval_days"]]
    assert [row["cost"] for row in found] == pytest.approx(kinds["cost_per_year"].to_list(), rel=1e-9)
    near = [
        (low // 7, high // 7) for low, high in kinds.select("near_low_days", "near_high_days").iter_rows()
    ]
    assert [row["near"] for row in found] == [f"{a} to {b}" if a != b else str(a) for a, b in near]
    for row, (_, units) in zip(found, plans.units.group_by("kind", maintain_order=True), strict=True):
        assert row["every"] == units["every_n_visits"].to_list()


def test_at_the_settings_costs_the_page_says_what_the_analysis_chose(owner: Any) -> None:
    heard: list[str] = []
    page = owner(heard=heard)
    same(answers(page), kind_plans(KINDS, trip_cost=120, callout_cost=300))
    assert heard == []


def test_all_sites_together_are_the_plan_itself_and_empty_words_leave_no_mark(owner: Any) -> None:
    page = owner()
    totals = dict(results_with(KINDS).totals.select("measure", "plan").iter_rows())
    trips, calls = (round(totals[name]) for name in ("trips_per_year", "callouts_per_year"))
    said = page.locator("#what-if-sum").inner_text()
    assert said.count(f"{trips:,} planned trips, {calls:,} call-outs and USD ") == 2
    assert not page.locator("#what-if-unkept").is_visible()
    ask(page, trip=121)
    assert page.locator("#what-if-sum").inner_text().count(f"{trips:,} planned trips") >= 1


def test_moved_costs_and_chance_give_what_the_analysis_would_choose(owner: Any) -> None:
    page = owner()
    for trip, callout, chance in (
        (40, 300, 100), (300, 300, 100), (120, 60, 100), (120, 850, 60), (77, 410, 25), (200, 500, 5),
        (0, 0, 100), (120, 300, 100),
    ):  # fmt: skip
        ask(page, trip=trip, callout=callout, chance=chance)
        tolerated = None if chance == 100 else chance / 100
        same(answers(page), kind_plans(KINDS, trip_cost=trip, callout_cost=callout, tolerated=tolerated))


def test_no_control_crosses_a_hard_limit(owner: Any) -> None:
    page = owner()
    most = dict(KINDS.kinds.select("kind", "most_days").iter_rows())
    longest = []
    for ends in (("max", "min", "max"), ("min", "max", "max"), ("max", "min", "min"), ("min", "min", "max")):
        for name, end in zip(("trip", "callout", "chance"), ends, strict=True):
            page.locator(f"#{name}-slider").evaluate(
                f"(s) => {{ s.value = s.{end}; s.dispatchEvent(new Event('input', {{bubbles: true}})); }}"
            )
            # typed past the ends of the slider
            page.locator(f"#{name}-field").fill("999999" if end == "max" else "-50")
        for number, row in enumerate(answers(page), 1):
            assert row["week"] * 7 <= most[number]
            units = KINDS.units.filter(KINDS.units["kind"] == number)
            for every, unit in zip(row["every"], units.iter_rows(named=True), strict=True):
                days = row["week"] * 7 * every
                longest.append(days / unit["longest_days"])
                assert days <= unit["longest_days"]
                assert days <= max(unit["beyond_days"] or days, min(56, most[number]))
    # the limits do bind: without them these costs would go further
    assert max(longest) > 0.95


def test_the_chance_of_the_uv_unit_is_only_tightened(owner: Any) -> None:
    page = owner()
    ask(page, chance=99)
    loose = kind_plans(KINDS, trip_cost=120, callout_cost=300, tolerated=0.99)
    same(answers(page), loose)
    limits = KINDS.units.filter(KINDS.units["of_uv_unit"])
    for unit in limits.iter_rows(named=True):
        own = loose.units.filter(
            (loose.units["kind"] == unit["kind"]) & (loose.units["component"] == unit["component"])
        )["interval_days"][0]
        visit = loose.kinds.filter(loose.kinds["kind"] == unit["kind"])["visit_interval_days"][0]
        assert own <= max(56, visit * (own == visit)) or unit["chances"][own // 7 - 1] <= unit["chance_limit"]


def unkept(plans: SiteKinds, tolerated: float | None) -> list[list[int]]:
    """Return for each kind the places of the units likelier spent before their interval than is tolerated."""
    both = plans.units
    found = []
    for _, units in both.group_by("kind", maintain_order=True):
        places = []
        for place, unit in enumerate(units.iter_rows(named=True)):
            asked = unit["chance_limit"] if tolerated is None else tolerated
            asked = min(asked, unit["chance_limit"]) if unit["of_uv_unit"] else asked
            chances = unit["chances"]
            if chances and asked < 1 and chances[min(unit["interval_days"] // 7, len(chances)) - 1] > asked:
                places.append(place)
        found.append(places)
    return found


def test_a_tolerated_chance_that_no_visits_keep_is_said_and_by_which_part(owner: Any) -> None:
    page = owner()
    read = "rows => rows.map(row => row.dataset.unkept.split(' ').filter(x => x).map(Number))"
    heard = []
    for chance in (100, 60, 10, 1):
        ask(page, chance=chance)
        tolerated = None if chance == 100 else chance / 100
        plans = kind_plans(KINDS, trip_cost=120, callout_cost=300, tolerated=tolerated)
        places = unkept(plans, tolerated)
        assert page.locator("#what-if-kinds tbody tr").evaluate_all(read) == places
        heard.append(sum(map(len, places)))
        short = [kind for kind, own in enumerate(places) if own]
        total = page.locator("#what-if-sum").inner_text()
        assert (f"In {len(short)} of 14 kinds" in total) == bool(short)
        for kind, own in enumerate(places):
            page.locator("#what-if-kind").select_option(str(kind))
            told = page.locator("#what-if-unkept").inner_text()
            assert told.count(" against ") == len(own)
            assert told == "" or f"{chance} in 100 tolerated" in told or "40 in 100 tolerated" in told
    # any chance is kept by some visits; one in a hundred by hardly any
    assert heard == sorted(heard)
    assert heard[-1] > heard[0]


def test_slider_field_kind_and_way_back_by_keyboard(owner: Any) -> None:
    page = owner()
    said = page.locator("#what-if-answer").inner_text()
    slider = page.get_by_role("slider", name="A planned trip")
    slider.focus()
    page.keyboard.press("ArrowRight")
    assert page.locator("#trip-field").input_value() == "121"
    page.keyboard.press("End")
    assert page.locator("#trip-field").input_value() == slider.get_attribute("max")
    assert page.locator("#what-if-answer").inner_text() != said
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.id") == "trip-field"
    page.keyboard.type("5")  # the field's content is selected when it is reached by tab
    assert slider.input_value() == "5"
    page.get_by_role("button", name="Back to the settings").press("Enter")
    assert page.locator("#what-if-answer").inner_text() == said
    assert slider.input_value() == "120"
    kind = page.get_by_role("combobox", name="Kind of site")
    kind.focus()
    page.keyboard.press("ArrowDown")
    assert page.locator("#what-if-answer").inner_text() != said
    assert page.locator("#what-if-curve path.here").count() == 1


def test_an_emptied_field_changes_nothing(owner: Any) -> None:
    page = owner()
    before = answers(page)
    page.locator("#callout-field").fill("")
    assert answers(page) == before


def test_without_script_the_table_stands_and_nothing_can_be_moved(owner: Any) -> None:
    page = owner(java_script_enabled=False)
    assert page.locator("#what-if-tools").is_hidden()
    assert "moving them needs script" in page.inner_text("#what-if-note")
    plans = kind_plans(KINDS, trip_cost=120, callout_cost=300).kinds
    shown = page.locator("#what-if-kinds tbody td:nth-child(3)").all_inner_texts()
    assert shown == [str(days // 7) for days in plans["visit_interval_days"]]


def test_axe_finds_nothing_and_nothing_scrolls_sideways(owner: Any) -> None:
    assert_accessible(owner)
    assert owner(width=360).evaluate("document.documentElement.scrollWidth") <= 360
