"""Visits on which nothing would be renewed wait for the first that has work; no limit and no promise is passed.

By hand, all in days from as-of: the last planned visit was 100 days ago and visits come every 70 days, so the
next is due now; a call-out ten days ago renewed what stands there.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from fleetstats.advice import ComponentTerms, calendar, due_list
from fleetstats.advice.due_words import reason
from fleetstats.components import role_of
from fleetstats.life.draws import LifeDraws

AS_OF = date(2025, 6, 30)
DAY = timedelta(days=1)
SEDIMENT, LAMP, SLEEVE = "sediment_cartridge", "uv_lamp", "quartz_sleeve"
KINDS = {
    SEDIMENT: ComponentTerms(SEDIMENT, current_interval_days=182),
    LAMP: ComponentTerms(LAMP, current_interval_days=364, customary_days=365),
    SLEEVE: ComponentTerms(
        SLEEVE, announced=False, renewed_by=("fitted", "replaced", "cleaned"), ceiling_days=182
    ),
}


def unit(component: str = SEDIMENT, age: int | None = 10, site: str = "a", **more: Any) -> dict[str, Any]:
    return {
        "site_id": site, "component": component, "slot": "", "part_number": component, "life_row": 0,
        "fitted_on": None if age is None else AS_OF - age * DAY, "survived_days": 0.0, "spent_seen": False,
        "removed": False, "interval_days": 70.0, "hard_limit_days": 351.0, "deadline_days": 365.0, **more,
    }  # fmt: skip


def lives(median: float) -> LifeDraws:
    """Log-logistic of sigma 1/2: spent by age t with chance t^2 / (median^2 + t^2)."""
    return LifeDraws(("loglogistic",), np.log([[median]]), np.array([0.5]), np.zeros((1, 1)))


class Told:
    """What is told of some sites to the due list; change a part, then ask."""

    def __init__(self, *units: dict[str, Any], agreed: float | None = None) -> None:
        names = sorted({row["site_id"] for row in units})
        schema = {"fitted_on": pl.Date, "life_row": pl.Int64}
        rows = pl.DataFrame(list(units), schema_overrides=schema, infer_schema_length=None)
        limits = ("interval_days", "hard_limit_days", "deadline_days")
        self.units = rows.drop(limits)
        self.intervals = rows.select("site_id", "component", "slot", *limits).with_columns(
            visit_interval_days=70, every_n_visits=(pl.col("interval_days") / 70).cast(pl.Int64),
            deadline=pl.lit("ceiling"), visit_deadline_days=pl.lit(agreed, pl.Float64), current_interval_days=182,
        )  # fmt: skip
        self.sites = pl.DataFrame({"site_id": names}).with_columns(
            served=True, failed_sample_open=False, open_alarm=False, first_visit_on=AS_OF - 900 * DAY,
            address_id=pl.lit(None, pl.String), occupancy=pl.lit("seasonal"),
        )  # fmt: skip
        self.visits = pl.DataFrame(
            {"site_id": names, "visit_date": AS_OF - 100 * DAY, "visit_reason": "routine"}
        )
        self.lives: dict[str, LifeDraws] = {}

    def due(self, **more: Any) -> pl.DataFrame:
        return due_list(
            sites=self.sites, units=self.units, visits=self.visits, intervals=self.intervals, lives=self.lives,
            components=KINDS, as_of=AS_OF, lateness_days=14, **more,
        )  # fmt: skip


def window(found: pl.DataFrame, site: str = "a") -> tuple[int, int, str | None]:
    row = found.filter(pl.col("site_id") == site).row(0, named=True)
    return (row["visit_from"] - AS_OF).days, (row["visit_by"] - AS_OF).days, row["moved"]


def test_a_visit_after_a_call_out_that_renewed_everything_waits_for_the_first_interval() -> None:
    found = Told(unit(), unit(LAMP, interval_days=140.0)).due()
    assert window(found) == (60, 74, "nothing_due")  # 70 - 10, and a fortnight
    assert dict(found.select("component", "action").iter_rows()) == {SEDIMENT: "replace", LAMP: "inspect"}


def test_a_planned_day_still_to_come_waits_too() -> None:
    told = Told(unit())
    told.visits = told.visits.with_columns(visit_date=pl.lit(AS_OF - 50 * DAY))
    assert window(told.due()) == (60, 74, "nothing_due")


@pytest.mark.parametrize(("age", "begins"), [(35, 35), (36, 0)])
def test_a_visit_that_renews_anything_keeps_its_day(age: int, begins: int) -> None:
    """The visit rule: 36 + 70 > 70 + 35, and 35 + 70 is not."""
    assert window(Told(unit(), unit(LAMP, age)).due())[0] == begins


def test_all_units_at_one_address_count() -> None:
    told = Told(unit(), unit(site="b", age=60))
    assert window(told.due(), "a")[0] == 60
    told.sites = told.sites.with_columns(address_id=pl.lit("one"))
    assert window(told.due(), "a") == window(told.due(), "b")
    assert window(told.due(), "a")[0] == 0


def test_what_is_removed_does_not_hold_the_visit_nor_give_it_its_day() -> None:
    found = Told(unit(), unit(LAMP, 60, removed=True)).due()
    assert window(found) == (60, 74, "nothing_due")
    assert window(Told(unit(removed=True)).due())[0] == 0


def test_it_waits_no_longer_than_a_hard_limit() -> None:
    """A lamp of 10 days that may get 100 (114 less a fortnight): day 90; its interval alone would be day 130."""
    rated = unit(LAMP, interval_days=140.0, hard_limit_days=100.0, deadline_days=114.0)
    found = Told(rated, unit(interval_days=140.0)).due()
    assert window(found) == (90, 104, "nothing_due")
    assert found.filter(component=LAMP)["action"][0] == "replace"


@pytest.mark.parametrize(("limit", "begins"), [(80.0, 60), (79.0, 0)])
def test_a_unit_that_could_pass_its_hard_limit_by_the_visit_after_keeps_the_day(
    limit: float, begins: int
) -> None:
    """A lamp of 10 days with 70 to the visit after: renewed now where it may not get 80 days."""
    rated = unit(LAMP, interval_days=140.0, hard_limit_days=limit, deadline_days=limit + 14)
    assert window(Told(rated, unit()).due())[0] == begins


@pytest.mark.parametrize(("agreed", "wanted"), [(144.0, (30, 44)), (114.0, (0, 14)), (110.0, (0, 10))])
def test_an_agreed_time_between_visits_is_kept_though_nothing_is_due(agreed: float, wanted: tuple) -> None:
    """From the last planned visit 100 days ago, less a fortnight to book from."""
    assert window(Told(unit(), agreed=agreed).due())[:2] == wanted


@pytest.mark.parametrize("flag", ["failed_sample_open", "open_alarm"])
def test_urgent_sites_do_not_wait(flag: str) -> None:
    told = Told(unit())
    told.sites = told.sites.with_columns(pl.lit(True).alias(flag))
    assert window(told.due()) == (0, 0, None)


@pytest.mark.parametrize(
    "other", [unit(LAMP, None), unit(LAMP, spent_seen=True), unit(SLEEVE, 400), unit(age=None, slot="2")]
)
def test_units_that_are_late_spent_or_of_unknown_age_do_not_wait(other: dict[str, Any]) -> None:
    assert window(Told(unit(), other).due())[0] == 0


def test_a_unit_likelier_spent_than_not_is_not_left_for_later() -> None:
    """Age 30 at as-of: 30^2 / (m^2 + 30^2) is 0.5 at m = 30 and 0.36 at m = 40."""
    told = Told(unit(age=30))
    told.lives = {SEDIMENT: lives(30.0)}
    found = told.due()
    assert (window(found)[0], found["action"][0]) == (0, "inspect")
    told.lives = {SEDIMENT: lives(40.0)}
    assert window(told.due())[0] == 40


def test_lamps_and_sleeves_are_seen_before_one_would_be_carried() -> None:
    """A sleeve of 10 days, m = 80: 1 in 4 at age 80 / sqrt(3) = 46.2, day 36; in whole weeks day 35."""
    told = Told(unit(interval_days=140.0), unit(SLEEVE, interval_days=140.0))
    told.lives = {SLEEVE: lives(80.0)}
    assert window(told.due())[0] == 35
    told.lives = {SLEEVE: lives(16.0)}  # 100 / (256 + 100) is over it already
    assert window(told.due())[0] == 0


def test_a_gauge_that_calls_a_cartridge_spent_keeps_the_day() -> None:
    def told(rows: np.ndarray, age_days: np.ndarray) -> np.ndarray:
        return np.full(len(rows), 0.8)

    asked = Told(unit())
    asked.lives = {SEDIMENT: lives(9000.0)}
    assert window(asked.due())[0] == 60
    assert window(asked.due(gauges={SEDIMENT: told}))[0] == 0


def test_a_home_is_still_seen_before_its_people_return() -> None:
    away = [("a", "vacant", AS_OF - 60 * DAY, AS_OF + 20 * DAY)]
    changes = pl.DataFrame(away, schema=["site_id", "kind", "changed_on", "until"], orient="row")
    assert window(Told(unit()).due(changes=changes)) == (6, 19, "before_arrival")


def test_the_weeks_ahead_start_from_the_day_with_work_and_go_on_by_the_interval() -> None:
    told = Told(unit())
    weeks = calendar(
        due=told.due(), sites=told.sites, intervals=told.intervals, as_of=AS_OF, lateness_days=14,
        stops_per_week=None, blocked_months={},
    ).sort("visit")  # fmt: skip
    begins = [(day - AS_OF).days for day in weeks["book_from"]]
    assert begins == [60, 130]
    assert weeks["moved"].to_list() == ["nothing_due", None]


def test_a_visit_overdue_by_an_agreed_time_is_told_once_with_the_first_line_of_its_site() -> None:
    """100 days ago is 22 March 2025; 90 days on is 20 June."""
    found = Told(unit(), unit(LAMP), unit(site="b"), agreed=90.0).due()
    said = "The visit agreed here, at most 90 days apart, was due by 20 Jun 2025."
    for site in "ab":
        reasons = found.filter(pl.col("site_id") == site)["reason"].to_list()
        assert reasons[0].startswith(said + " The ")
        assert not any("agreed" in text for text in reasons[1:])
    assert set(found["visit_by"]) == {AS_OF}
    assert "agreed" not in " ".join(Told(unit(), agreed=100.0).due()["reason"])  # today is its last day
    assert "was due by 29 Jun 2025" in Told(unit(), agreed=99.0).due()["reason"][0]


def test_of_a_site_with_a_failed_sample_that_comes_first() -> None:
    told = Told(unit(), agreed=90.0)
    told.sites = told.sites.with_columns(failed_sample_open=True)
    assert told.due()["reason"][0].startswith(
        "A water sample failed here and no good one has followed. The visit agreed here, "
    )


def staying(component: str, chance: float) -> str:
    row = {
        "component": component, "failed_sample_open": False, "open_alarm": False, "removed": False,
        "spent_seen": False, "age_unknown": False, "overdue": False, "renewed": False, "carried": chance >= 0.25,
        "interval_days": 168.0, "fitted_on": date(2025, 5, 19), "age_days": 42, "chance_already_spent": chance,
    }  # fmt: skip
    return reason(row, role_of({}, component)).removesuffix(" In since 19 May 2025 (6 weeks).")


def test_what_is_as_likely_spent_as_not_is_not_said_to_last() -> None:
    assert staying(SEDIMENT, 0.89) == (
        "The cartridge is renewed every 24 weeks here, but it is 9 in 10 that it is spent by then: look at it "
        "first, and change it if the flow is weak."
    )
    assert staying(SLEEVE, 0.7).startswith(
        "The sleeve is cleaned every 24 weeks here, but it is 7 in 10 that it is scaled by then: look at it, "
        "and clean it if it is."
    )
    assert staying(LAMP, 0.5) == (
        "The lamp is renewed every 24 weeks here, but it is 5 in 10 that it is dead by then: check its alarm "
        "and its hours, carry one."
    )
    assert "change it if it is." in staying("dosing_pump", 0.6)


@pytest.mark.parametrize("chance", [0.1, 0.3, 0.44, 0.46, 0.5, 0.99])
def test_nothing_is_told_to_stay_in_time_with_5_in_10_or_more(chance: float) -> None:
    told = staying(SEDIMENT, chance)
    assert ("can stay" in told) != any(f"{tenths} in 10" in told for tenths in range(5, 10))
    assert ("carry one" in told) == (0.25 <= chance < 0.45)
