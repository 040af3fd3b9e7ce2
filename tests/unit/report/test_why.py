"""Why each interval is what it is: sentences worked out by hand from a few rows."""

from __future__ import annotations

from datetime import date
from typing import Any

import polars as pl
import pytest

from fleetstats.advice import binding
from fleetstats.advice.limits import LIMITS
from fleetstats.components import KINDS
from fleetstats.report import Results, labels, words
from fleetstats.report.pages import why_shown
from fleetstats.report.pages.why import lead, limit_cost, why_table
from tests.report_fixture import AS_OF, display

SEDIMENT = "sediment_cartridge"


def interval(**more: Any) -> dict[str, Any]:
    return {
        "site_id": "A", "component": SEDIMENT, "slot": "", "spells": 11, "failures": 5,
        "interval_days": 140.0, "limited_by": "cost", "limit_source": None, "failure_chance": 0.3,
        "failure_chance_low": 0.1, "failure_chance_high": 0.4, "failure_chance_current": 0.5,
        "failure_chance_month_sooner": 0.1, "failure_chance_month_later": 0.42, "evidence": "own_records",
        "hard_limit_days": 352.0, **more,
    }  # fmt: skip


def plan(**more: Any) -> dict[str, Any]:
    return {
        "site_id": "A", "visit_interval_days": 140.0, "visit_interval_days_current": 182.0,
        "cost_per_year": 1200.0, "low": 1000.0, "high": 1400.0, "cost_per_year_current": 1300.0,
        "cost_per_year_month_sooner": 1260.0, "cost_per_year_month_later": 1280.0,
        "visit_interval_days_closer": None, "cost_per_year_closer": None, **more,
    }  # fmt: skip


def life(site: str, median: float, **more: Any) -> dict[str, Any]:
    return {
        "site_id": site, "component": SEDIMENT, "slot": "", "median_days": median, "low_days": median - 28,
        "high_days": median + 35, "relative_life": 0.7, "relative_low": 0.5, "relative_high": 1.0,
        "like_days": median / 0.7, **more,
    }  # fmt: skip


def fitting(how: str = "failed", found: str | None = "blocked", **more: Any) -> dict[str, Any]:
    return {
        "site_id": "A", "component": SEDIMENT, "slot": "", "fitted_on": date(2021, 5, 1),
        "ended_how": how, "end_condition": found, **more,
    }  # fmt: skip


#: The limits of one site: a contract that costs 85 a year (60 to 110).
CONTRACT = {
    "site_id": "A", "kind": "contract", "decided_on": None, "visit_interval_days": 105.0,
    "visit_interval_days_without": 140.0, "cost_per_year_more": 85.0, "low": 60.0, "high": 110.0,
}  # fmt: skip
#: Dearer than the contract of the site, and no part of it.
BLOCKED = {**CONTRACT, "kind": "blocked_months", "cost_per_year_more": 99.0, "low": 90.0, "high": 108.0}

HEAVY = {
    "site_id": "A", "component": SEDIMENT, "slot": "", "fact": "tree_cover", "level": "heavy", "value": None,
    "time_ratio": 0.6, "low": 0.5, "high": 0.8,
}  # fmt: skip


def told(
    units: list[dict[str, Any]],
    *,
    at: dict[str, Any] | None = None,
    lives: list[dict[str, Any]] | None = None,
    fittings: list[dict[str, Any]] | None = None,
    level: str = "per_site",
    wanted: str = "",
    costs: list[dict[str, Any]] | None = None,
) -> dict[str, dict[str, Any]]:
    found = why_table(
        components=KINDS,
        intervals=pl.DataFrame(units, infer_schema_length=None),
        plans=pl.DataFrame([at or plan()], infer_schema_length=None),
        # the fleet's middle life is that of B, 280 days
        site_life=pl.DataFrame(lives or [life("A", 140.0), life("B", 280.0), life("C", 420.0)]),
        spells=pl.DataFrame(fittings or [fitting()], infer_schema_length=None),
        known_reasons=pl.DataFrame([HEAVY]),
        levels=pl.DataFrame(
            [
                {
                    "component": SEDIMENT,
                    "level": level,
                    "wanted": wanted,
                    "months_to_wait": 7.0 if wanted else None,
                }
            ]
        ),
        limit_costs=pl.DataFrame(
            costs or [BLOCKED, CONTRACT], schema_overrides={"decided_on": pl.Date}, infer_schema_length=None
        ),
        currency="USD",
    )
    assert found.columns == ["site_id", "component", "slot", "evidence", "alternative", "would_change"]
    return {row["component"]: row for row in found.iter_rows(named=True)}


def test_counts_life_and_the_known_reason_are_told() -> None:
    """140 days against 280 is half; sites like it last 200, which is log(0.714) of log(0.5): 49 %, a part."""
    row = told([interval()])[SEDIMENT]
    assert row["evidence"] == (
        "Eleven sediment cartridges here since 2021, five found spent; half last beyond 20 weeks "
        "(16 to 25 weeks), 0.70 of the life at sites like it (0.50 to 1.00); heavy trees explain part of why "
        "it is less than in the fleet's middle."
    )
    assert row["alternative"] == (
        "Spent before then: 3 in 10 (1 in 10 to 4 in 10); 5 in 10 at today's rule, 1 in 10 a month sooner, "
        "4 in 10 a month later."
    )


@pytest.mark.parametrize(
    ("like", "ending"),
    [
        (150.0, "heavy trees explain most of why it is less than in the fleet's middle."),
        (280.0, "nothing on record explains why it is less than in the fleet's middle."),
    ],
)
def test_most_or_nothing_is_explained_by_how_far_its_like_lie_from_the_middle(
    like: float, ending: str
) -> None:
    lives = [life("A", 140.0, like_days=like), life("B", 280.0), life("C", 420.0)]
    assert told([interval()], lives=lives)[SEDIMENT]["evidence"].endswith(ending)


def test_a_life_near_the_middle_needs_no_reason() -> None:
    lives = [life("A", 260.0), life("B", 280.0), life("C", 420.0)]
    evidence = told([interval()], lives=lives)[SEDIMENT]["evidence"]
    assert evidence.endswith("that is much as elsewhere in the fleet.")


def test_the_site_is_told_its_cost_at_todays_rule_and_a_month_either_way() -> None:
    row = told([interval()])[""]
    assert row["evidence"].startswith(
        "Visits every 20 weeks (today 26 weeks), as often as the sediment cartridge asks for. Eleven"
    )
    assert row["alternative"] == (
        "As planned USD 1,200 a year (1,000 to 1,400); at today's 26 weeks 1,300, a month sooner 1,300 and "
        "a month later 1,300."
    )


def test_a_month_that_limits_bar_is_said_to_be_barred() -> None:
    row = told([interval()], at=plan(cost_per_year_month_later=None))[""]
    assert row["alternative"].endswith("and a month sooner 1,300. A month later is outside the limits here.")


def test_where_a_month_either_way_costs_the_same_little_hangs_on_it() -> None:
    at = plan(cost_per_year_month_sooner=1210.0, cost_per_year_month_later=1215.0)
    assert "Little hangs on it" in told([interval()], at=at)[""]["would_change"]
    assert "Little hangs on it" not in told([interval()])[""]["would_change"]


@pytest.mark.parametrize(
    ("failures", "start"),
    [(0, "Three more sediment cartridges"), (1, "Two more"), (2, "One more sediment cartridge found spent")],
)
def test_how_many_more_found_spent_let_its_own_records_lead(failures: int, start: str) -> None:
    row = told([interval(failures=failures, evidence="like_sites")])[SEDIMENT]
    assert row["would_change"].startswith(start)
    assert row["would_change"].endswith("here would let its own records lead.")


def test_conditions_not_noted_are_counted_and_never_taken_for_good() -> None:
    unnoted = [fitting("taken_out", "unknown"), fitting("taken_out", None), fitting("taken_out", "good")]
    row = told([interval(failures=1, evidence="like_sites")], fittings=unnoted)[SEDIMENT]
    assert "so far two came out with the condition not noted: note it at every removal" in row["would_change"]


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"limited_by": "rated_life", "component": "uv_lamp"}, "Nothing in the records: the rated life of the UV lamp"),
        ({"limited_by": "ceiling", "component": "quartz_sleeve"}, "records may only shorten it"),
        ({"limited_by": "ceiling"}, "given with its source in the settings"),
        ({"limited_by": "failed_sample"}, "A later good sample"),
        ({"limited_by": "open_alarm"}, "Putting the UV alarm right"),
        ({"limited_by": "local_rule"}, "Nothing in the records: the local rule"),
        ({"limited_by": "shared_trip"}, "one trip serves all homes at this address"),
        ({"limited_by": "failure_chance"}, "records of longer lives here would change it"),
        ({"limited_by": "failure_chance", "component": "quartz_sleeve"}, "softer water"),
        ({"limited_by": "cannot_be_met"}, "a larger housing"),
        ({"limited_by": "cannot_be_met", "component": "quartz_sleeve"}, "softer water"),
        ({"limited_by": "shortest_visit"}, "a shorter `shortest_visit_days` in the settings, or a fix"),
        (
            {"limited_by": "site_limit", "limit_source": "contract, at most 122 days"},
            "(contract, at most 122 days): it costs USD 85 a year (60 to 110)",
        ),
    ],
)  # fmt: skip
def test_what_limits_hold_is_said_to_be_held_by_them(changed: dict[str, Any], said: str) -> None:
    row = told([interval(**changed)])[str(changed.get("component", SEDIMENT))]
    assert said in row["would_change"]


def test_visits_closer_than_any_looked_at_are_told_with_their_cost() -> None:
    at = plan() | {"visit_interval_days_closer": 42.0, "cost_per_year_closer": 1043.0}
    row = told([interval(limited_by="shortest_visit")], at=at)[SEDIMENT]
    assert "every 6 weeks would cost USD 1,000 a year" in row["would_change"]


def test_all_that_holds_an_interval_has_its_words() -> None:
    names = {*LIMITS, *binding.NAMES}
    assert names == set(labels.LIMITS) == set(labels.LIMIT_SENTENCES)


DECISION = {
    **CONTRACT, "kind": "accepted", "decided_on": date(2024, 3, 1), "max_days": 182.0, "source": "asked for",
    "visit_interval_days": 140.0, "visit_interval_days_without": 105.0,
}  # fmt: skip


@pytest.mark.parametrize(
    ("changed", "of_unit", "said"),
    [
        ({}, {"limited_by": "ceiling"}, "Your decision of 1 Mar 2024 to come every 26 weeks (asked for) is cut to "
         "20 weeks by: longest time in service; without it visits would come every 15 weeks."),
        ({}, {"limited_by": "shared_trip", "limit_source": "B"}, "held there by: trip shared with its neighbour (B)."),
        ({"max_days": 140.0}, {"limited_by": "rated_life"}, "to come every 20 weeks (asked for) is kept; without it "
         "visits would come every 15 weeks."),
        ({"max_days": 140.0, "visit_interval_days_without": 140.0}, {}, "the plan would come that often anyway."),
        ({"kind": "refused", "visit_interval_days_without": 140.0}, {}, "not to come every 26 weeks (asked for) changes "
         "nothing: the plan comes that often anyway."),
        ({"kind": "refused"}, {"limited_by": "ceiling"}, "(asked for) is kept; without it visits would come every 15 "
         "weeks."),
        ({}, {"limited_by": "decision"}, "to come every 26 weeks (asked for) holds them there."),
    ],
)  # fmt: skip
def test_a_decision_at_a_site_is_told_with_what_became_of_it(
    changed: dict[str, Any], of_unit: dict[str, Any], said: str
) -> None:
    row = told([interval(**of_unit)], costs=[{**DECISION, **changed}])[""]
    assert said in row["evidence"]


def test_what_closer_visits_would_cost_stands_with_the_alternatives_whatever_holds_the_plan() -> None:
    at = plan() | {"visit_interval_days_closer": 28.0, "cost_per_year_closer": 1043.0}
    row = told([interval(limited_by="beyond_records")], at=at)[""]
    assert row["alternative"].endswith("Every 4 weeks, closer than the settings look at, 1,000.")


def test_a_limit_that_the_visit_after_would_pass_is_told_as_such() -> None:
    told_so = labels.next_visit_sentence("ceiling", 169.0, 98.0)
    assert told_so == "Left in until the visit after, it would pass its limit: longest time in service."
    assert labels.next_visit_sentence("ceiling", 169.0, 168.0) == ""
    assert labels.next_visit_sentence("cost", 169.0, 98.0) == ""


def test_few_records_say_what_is_wanted_and_how_long_it_takes() -> None:
    row = told([interval(limited_by="few_records")], level="due_list_only", wanted="4 more found spent")
    assert row[SEDIMENT]["would_change"] == (
        "Over all sites, for sediment cartridges: 4 more found spent, in about 7 months at the pace so far; "
        "custom holds it until then."
    )


def test_the_component_that_leads_is_at_its_limit_or_else_most_often_spent() -> None:
    units = [
        interval(component="carbon_cartridge", failure_chance=0.02),
        interval(failure_chance=0.3),
        interval(component="quartz_sleeve", failure_chance=0.01, hard_limit_days=145.0, limited_by="ceiling"),
        interval(component="uv_lamp", failure_chance=0.9, interval_days=280.0),
    ]
    assert lead(units)["component"] == "quartz_sleeve"
    assert lead([*units[:2], units[3]])["component"] == SEDIMENT


@pytest.mark.parametrize(
    ("more", "low", "high", "told_so"),
    [
        (85.0, 60.0, 110.0, "costs USD 85 a year (60 to 110)"),
        (-85.0, -110.0, -60.0, "saves USD 85 a year (60 to 110)"),
        (20.0, -30.0, 70.0, "makes no clear difference to the cost"),
    ],
)
def test_the_cost_of_a_limit_in_words(more: float, low: float, high: float, told_so: str) -> None:
    row = {**CONTRACT, "cost_per_year_more": more, "low": low, "high": high}
    assert limit_cost(row, "USD") == told_so


@pytest.mark.parametrize(
    ("unpriced", "told_so"),
    [
        ("few_records", "cannot be priced: the records here are too few for a plan"),
        (
            "out_of_range",
            "cannot be priced: visits lie further apart, or closer, than any interval looked at",
        ),
        (None, "was not priced"),
    ],
)
def test_where_there_is_no_price_the_reason_is_told(unpriced: str | None, told_so: str) -> None:
    row = {**CONTRACT, "cost_per_year_more": None, "low": None, "high": None, "unpriced": unpriced}
    assert limit_cost(row, "USD") == told_so


def test_a_limit_beyond_the_plan_costs_nothing() -> None:
    row = {
        **CONTRACT,
        "visit_interval_days_without": 105.0,
        "cost_per_year_more": -2e-15,
        "low": 0.0,
        "high": 0.0,
    }
    assert limit_cost(row, "USD") == "costs nothing: the plan comes that often anyway"


def test_components_that_say_the_same_say_it_once() -> None:
    rows = [
        {
            "site_id": "A",
            "component": name,
            "slot": "",
            "evidence": "",
            "alternative": "",
            "would_change": text,
        }
        for name, text in (("", "A."), (SEDIMENT, "A."), ("uv_lamp", "A."), ("quartz_sleeve", "B."))
    ]
    results = Results(AS_OF, display(), why=pl.DataFrame(rows))
    facts = why_shown.changes(results, rows)
    assert [(fact.name, fact.value) for fact in facts] == [
        ("Visits, sediment cartridge and UV lamp", "A."), ("Quartz sleeve", "B."),
    ]  # fmt: skip


def test_small_counts_are_words() -> None:
    assert [words.in_words(number) for number in (0, 1, 12, 13, 1200)] == [
        "no",
        "one",
        "twelve",
        "13",
        "1,200",
    ]
