"""The verdict on the method: the right plain sentence for each way that a trial can end."""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest

from fleetstats.report import Results
from fleetstats.report.pages import trust, verdict
from tests.report_fixture import AS_OF, display, invent


@pytest.fixture(scope="module")
def results() -> Results:
    return invent(24)


def trial(
    component: str, foretold: tuple[float, float, float], came: int, **more: object
) -> dict[str, object]:
    return {
        "origin": date(2025, 11, 20), "horizon_days": 182, "component": component, "units": 100,
        "expected_failures": foretold[0], "expected_low": foretold[1], "expected_high": foretold[2],
        "failures": came, **more,
    }  # fmt: skip


def of(*rows: dict[str, object], **more: object) -> Results:
    return Results(AS_OF, display(), replay=pl.DataFrame(rows), **more)  # type: ignore[arg-type]


def test_each_component_is_sorted_by_how_its_trial_ended() -> None:
    told = verdict.verdict(
        of(
            trial("sediment_cartridge", (28, 18, 40), 38),
            trial("carbon_cartridge", (22, 13, 32), 9),
            trial("quartz_sleeve", (12, 7, 18), 25),
            trial("uv_lamp", (3.1, 0, 7), 1),
        )
    )
    assert told[0] == (
        "Tried on the firm's own past, the number said to be spent came true within its range for sediment "
        "cartridges. For carbon cartridges more was foretold than came: their chances are on the high side. "
        "For quartz sleeves more came than was foretold: look at those sooner than this report says. For UV "
        "lamps these records cannot yet say: too few ended in the trial."
    )


def test_one_trial_in_four_outside_its_range_is_chance() -> None:
    inside, outside = trial("uv_lamp", (20, 12, 30), 22), trial("uv_lamp", (20, 12, 30), 5)
    assert verdict.outcome([inside] * 3 + [outside]) == verdict.HELD
    assert verdict.outcome([inside] * 2 + [outside]) == verdict.TOO_MANY


def test_half_years_off_either_way_are_no_lean_to_one_side() -> None:
    # autumn 155 (132 to 181) and 215 came, spring 232 (198 to 283) and 154 came, the whole year as foretold
    autumn = trial("sediment_cartridge", (155, 132, 181), 215)
    spring = trial("sediment_cartridge", (232, 198, 283), 154)
    year = trial("sediment_cartridge", (372, 327, 422), 362)
    assert verdict.outcome([autumn, year, spring]) == verdict.IN_TURN
    told = verdict.verdict(of(autumn, year, spring))[0]
    assert "more came than was foretold at one time and less at another" in told
    assert "high side" not in told


def test_what_knowing_the_site_adds_is_told_as_chances_not_scores() -> None:
    scores = {"log_score": -1.0, "gain_cohort_se": 0.01}
    rows = (
        trial("sediment_cartridge", (28, 18, 40), 38, **scores, log_score_fleet=-1.2,
              log_score_cohort=-1.05, gain_fleet_se=0.05),
        trial("carbon_cartridge", (22, 13, 32), 19, **scores, log_score_fleet=-1.005,
              log_score_cohort=-1.0, gain_fleet_se=0.001),
        trial("uv_lamp", (22, 13, 32), 19, **scores, log_score_fleet=-0.9,
              log_score_cohort=-1.0, gain_fleet_se=0.01),
    )  # fmt: skip
    told = verdict.verdict(of(*rows))[1]
    assert told == (
        "Knowing the site made the forecasts clearly better for sediment cartridges; one life for the whole "
        "fleet would have served better for UV lamps; for carbon cartridges it made no difference that matters."
    )
    helped = trust.trust_page(of(*rows)).helped
    # exp(0.2) = 1.221; exp(0.2 -+ 1.645 x 0.05) = 1.125 and 1.326
    assert [cell.shown for cell in helped.rows[0][3:]] == ["1.22 (1.12 to 1.33)", "1.05 (1.03 to 1.07)"]


@pytest.mark.parametrize(
    ("plan", "rule", "told"),
    [
        ((640, 610, 670), (820, 790, 850), "the plan was cheaper."),
        ((920, 890, 950), (820, 790, 850), "the plan was dearer. What a plan pulls forward"),
        ((820, 780, 860), (840, 800, 880), "no clear difference. What a plan pulls forward"),
    ],
)
def test_what_the_plan_would_have_cost(
    plan: tuple[float, ...], rule: tuple[float, ...], told: str, results: Results
) -> None:
    costs = {
        f"cost_{name}{end}": float(value)
        for name, values in (("plan", plan), ("rule", rule))
        for end, value in zip(("", "_low", "_high"), values, strict=True)
    }
    row = trial("uv_lamp", (22, 13, 32), 19, callouts_rule=1.61, callouts_plan=0.87, **costs)
    sentence = verdict.cost_told(results, row)
    assert f"have cost USD {plan[0]} ({plan[1]} to {plan[2]}) a site and year" in sentence
    assert "0.9 call-outs instead of 1.6" in sentence
    assert told in sentence


def test_records_that_are_too_short_say_so_and_why(results: Results) -> None:
    visits = pl.DataFrame({"visit_id": ["v"], "site_id": ["a"], "visit_date": [date(2026, 3, 6)]})
    young = Results(AS_OF, display(), visits=visits)
    assert verdict.verdict(young)[0].startswith(
        "These records cannot yet say whether the chances in this report come true: they reach back 37 weeks, "
        "and the trial needs a year of records before"
    )
    page = trust.trust_page(young)
    for table in (page.replay, page.helped, page.costs, page.groups):
        assert table.empty.startswith("Not worked out because they reach back 37 weeks")
    assert page.figure is None
    assert page.sensitivity.empty == "Not worked out because no fitting that counts in a life is on record."
    assert "no visit is on record" in verdict.verdict(Results(AS_OF, display()))[0]


def test_the_reading_that_matters_most_is_named_in_words(results: Results) -> None:
    rows = [
        {"component": "carbon_cartridge", "assumption": "records alone, priors off", "shift_days": 6.0},
        {"component": "uv_lamp", "assumption": "unknown finding counts as spent", "shift_days": -22.0},
    ]
    page = trust.trust_page(results.replaced(sensitivity=pl.DataFrame(rows)))
    assert page.sensitivity_told == (
        "Most depends on this: units of which nobody noted the state were spent. The intervals of the UV lamp "
        "would then be 3 weeks shorter on average."
    )
    calm = trust.trust_page(results.replaced(sensitivity=pl.DataFrame(rows).with_columns(shift_days=1.0)))
    assert calm.sensitivity_told.startswith("No other reading moves")
