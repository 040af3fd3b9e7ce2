"""The due list: a line for everything, when, what, why, and in what order."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from fleetstats.advice import due_list
from fleetstats.advice.due_words import reason
from fleetstats.components import CARTRIDGE
from fleetstats.errors import AdviceError
from fleetstats.life.draws import LifeDraws

from .conftest import AS_OF, TERMS, Fleet

MakeFleet = Callable[..., Fleet]
DAY = timedelta(days=1)
UNIT = pl.col("site_id") + "/" + pl.col("component")


@pytest.fixture
def fleet(make_fleet: MakeFleet) -> Fleet:
    return make_fleet(sites=6, lives={"sediment_cartridge": 300, "uv_lamp": 900}, spread=0.05)


def due(fleet: Fleet, *, late: float = 0, visited: int = 30) -> pl.DataFrame:
    fleet.terms = replace(fleet.terms, lateness_days=late)
    visits = pl.DataFrame(
        {"site_id": fleet.sites["site_id"], "visit_date": AS_OF - visited * DAY, "visit_reason": "routine"}
    )
    return due_list(
        sites=fleet.sites,
        units=fleet.units,
        visits=visits,
        intervals=fleet.plan().intervals,
        lives=fleet.lives,
        components=fleet.kinds,
        as_of=AS_OF,
        lateness_days=late,
    )


def change(fleet: Fleet, unit: str, **values: object) -> None:
    """Change facts of one unit, named site/component."""
    fleet.units = fleet.units.with_columns(
        **{name: pl.when(unit == UNIT).then(pl.lit(value)).otherwise(name) for name, value in values.items()}
    )


def line(found: pl.DataFrame, unit: str) -> dict:
    return found.filter(unit == UNIT).row(0, named=True)


def test_every_component_of_every_served_site_has_one_line(fleet: Fleet) -> None:
    fleet.sites = fleet.sites.with_columns(served=pl.col("site_id") != "S005")
    change(fleet, "S002/uv_lamp", removed=True)
    change(fleet, "S003/uv_lamp", fitted_on=None)
    change(fleet, "S004/uv_lamp", life_row=None)
    found = due(fleet)
    assert sorted(found.select(UNIT).to_series()) == sorted(
        f"S00{site}/{kind}" for site in range(5) for kind in ("sediment_cartridge", "uv_lamp")
    )
    assert found["reason"].null_count() == 0
    assert set(found["action"]) <= {"replace", "clean", "inspect"}


def test_the_next_visit_is_the_last_planned_one_plus_the_interval(fleet: Fleet) -> None:
    fleet.units = fleet.units.with_columns(fitted_on=pl.lit(AS_OF - 30 * DAY))
    found = due(fleet, late=18)
    interval = fleet.plan().intervals["visit_interval_days"][0]
    assert set(found["visit_from"]) == {AS_OF + (interval - 30) * DAY}
    assert set(found["visit_by"]) == {AS_OF + (interval - 30 + 18) * DAY}


def test_a_call_out_does_not_move_the_next_visit(fleet: Fleet) -> None:
    before = due(fleet)
    visits = pl.DataFrame(
        {
            "site_id": fleet.sites["site_id"].to_list() * 2,
            "visit_date": [AS_OF - 30 * DAY] * 6 + [AS_OF - DAY] * 6,
            "visit_reason": ["routine"] * 6 + ["callout"] * 6,
        }
    )
    after = due_list(
        sites=fleet.sites, units=fleet.units, visits=visits, intervals=fleet.plan().intervals,
        lives=fleet.lives, components=fleet.kinds, as_of=AS_OF,
    )  # fmt: skip
    assert after.equals(before)


def test_a_lamps_rated_life_pulls_the_visit_forward(fleet: Fleet) -> None:
    change(fleet, "S001/uv_lamp", fitted_on=AS_OF - 340 * DAY, survived_days=340.0)
    found = line(due(fleet, late=18), "S001/uv_lamp")
    assert found["visit_from"] == AS_OF + 7 * DAY  # 365 - 18 days
    assert found["visit_by"] == AS_OF + 25 * DAY  # 365 days
    assert found["action"] == "replace"
    assert found["part_number"] == "UV_LAMP"


def test_overdue_and_unknown_lamps_are_due_now_and_come_before_the_rest(fleet: Fleet) -> None:
    change(fleet, "S001/uv_lamp", fitted_on=AS_OF - 400 * DAY, survived_days=400.0)
    change(fleet, "S002/uv_lamp", fitted_on=None)
    fleet.sites = fleet.sites.with_columns(failed_sample_open=pl.col("site_id") == "S004")
    found = due(fleet, late=18)
    heads = found.select(UNIT).to_series().to_list()
    assert set(heads[:2]) == {"S004/uv_lamp", "S004/sediment_cartridge"}
    assert set(heads[2:4]) == {"S001/uv_lamp", "S002/uv_lamp"}
    assert found["urgency"].to_list() == [0, 0, 1, 1] + [2] * 8
    for unit in heads[:4]:
        assert line(found, unit)["visit_by"] == AS_OF
    overdue, unknown = line(found, "S001/uv_lamp"), line(found, "S002/uv_lamp")
    assert overdue["reason"] == (
        "The lamp reached its limit of 365 days on 26 May 2025. In since 26 May 2024 (57 weeks)."
    )
    assert "Nobody has written down when this lamp went in" in unknown["reason"]
    assert unknown["action"] == "replace"
    assert unknown["age_days"] is None
    assert line(found, "S004/uv_lamp")["reason"].startswith("A water sample failed here")
    rest = found.tail(8)["chance_already_spent"].to_list()
    assert rest == sorted(rest, reverse=True)


def test_a_unit_known_to_be_spent_is_due_now_for_certain(fleet: Fleet) -> None:
    change(fleet, "S003/sediment_cartridge", spent_seen=True)
    found = line(due(fleet), "S003/sediment_cartridge")
    assert (found["visit_from"], found["chance_already_spent"], found["action"]) == (AS_OF, 1.0, "replace")


def test_chances_grow_from_what_the_unit_has_survived(fleet: Fleet) -> None:
    """P(spent by t | good at s) = 1 - average over draws of S(t) / S(s)."""
    change(fleet, "S000/sediment_cartridge", fitted_on=AS_OF - 200 * DAY, survived_days=200.0)
    found = line(due(fleet, visited=200), "S000/sediment_cartridge")
    wait = (found["visit_by"] - AS_OF).days
    draws = fleet.lives["sediment_cartridge"]
    own = LifeDraws(draws.family, draws.location[:1], draws.scale, draws.site_effect[:1])
    ratio = own.survival_draws([200.0 + wait]) / own.survival_draws([200.0])
    assert found["chance_already_spent"] == pytest.approx(1 - ratio.mean(), rel=1e-9)
    change(fleet, "S000/sediment_cartridge", survived_days=20.0)  # not looked at since
    assert line(due(fleet, visited=200), "S000/sediment_cartridge")["chance_already_spent"] > (
        found["chance_already_spent"] + 0.01
    )


def test_what_stays_follows_the_visit_rule(fleet: Fleet) -> None:
    """Renewed where its age at the next visit would pass the interval by more than half a visit interval."""
    fleet.terms = replace(TERMS, local_rule_days=100)
    fleet.units = fleet.units.with_columns(
        fitted_on=pl.lit(AS_OF) - pl.duration(days=pl.int_range(pl.len()) * 25)
    )
    found = due(fleet).join(
        fleet.plan().intervals.select(
            "site_id", "component", "interval_days", "visit_interval_days", "hard_limit_days"
        ),
        on=["site_id", "component"],
    )
    for row in found.iter_rows(named=True):
        at_next = row["age_days"] + (row["visit_from"] - AS_OF).days + row["visit_interval_days"]
        over = (
            at_next > row["interval_days"] + row["visit_interval_days"] / 2
            or at_next > row["hard_limit_days"]
        )
        assert row["action"] == ("replace" if over else "inspect")
    assert set(found["action"]) == {"replace", "inspect"}


@pytest.mark.parametrize(("past", "action"), [(0, "inspect"), (1, "replace")])
def test_a_lamp_from_a_call_out_is_renewed_one_day_before_it_could_pass_its_rated_life(
    fleet: Fleet, past: int, action: str
) -> None:
    fleet.terms = replace(TERMS, local_rule_days=130)
    due(fleet, late=18)
    plan = line(fleet.plan().intervals, "S000/uv_lamp")
    visit, limit = plan["visit_interval_days"], plan["hard_limit_days"]
    assert limit + 1 <= plan["interval_days"] + visit / 2  # its interval alone would let it stay
    at_visit = int(limit) - visit + past
    change(fleet, "S000/uv_lamp", fitted_on=AS_OF + (visit - 30 - at_visit) * DAY)
    found = line(due(fleet, late=18), "S000/uv_lamp")
    assert found["visit_from"] == AS_OF + (visit - 30) * DAY
    assert found["action"] == action
    assert ("could pass its rated life of 365 days" in found["reason"]) == (action == "replace")


def test_sites_at_one_address_are_visited_together(fleet: Fleet) -> None:
    fleet.sites = fleet.sites.with_columns(address_id=pl.Series(["A", "A", None, None, None, None]))
    change(fleet, "S001/uv_lamp", fitted_on=AS_OF - 340 * DAY)
    found = due(fleet)
    assert found.filter(pl.col("site_id") == "S000")["visit_from"][0] == AS_OF + 25 * DAY


def test_reasons_are_free_of_the_trades_and_statisticians_jargon(fleet: Fleet) -> None:
    change(fleet, "S001/uv_lamp", removed=True)
    change(fleet, "S002/uv_lamp", fitted_on=AS_OF - 300 * DAY)
    change(fleet, "S003/sediment_cartridge", fitted_on=None)
    fleet.sites = fleet.sites.with_columns(open_alarm=pl.col("site_id") == "S000")
    text = " ".join(due(fleet)["reason"]).lower()
    for word in (
        "censored",
        "hazard",
        "prior",
        "probability",
        "interval",
        "safe",
        "protected",
        "pure",
        "compliant",
    ):
        assert word not in text
    assert "_" not in text


def test_limits_of_more_days_than_a_century_are_none(fleet: Fleet) -> None:
    plain = due(fleet)
    far = fleet.plan().intervals.with_columns(
        pl.lit(1e12).alias(name) for name in ("hard_limit_days", "deadline_days", "visit_deadline_days")
    )
    visits = pl.DataFrame(
        {"site_id": fleet.sites["site_id"], "visit_date": AS_OF - 30 * DAY, "visit_reason": "routine"}
    )
    found = due_list(
        sites=fleet.sites, units=fleet.units, visits=visits, intervals=far, lives=fleet.lives,
        components=fleet.kinds, as_of=AS_OF,
    )  # fmt: skip
    assert found.select("site_id", "visit_from", "visit_by").equals(
        plain.select("site_id", "visit_from", "visit_by")
    )


def test_months_of_two_homes_at_one_address_that_leave_none_open_do_not_hold_up_the_list(
    fleet: Fleet,
) -> None:
    fleet.sites = fleet.sites.with_columns(address_id=pl.lit("one"))
    plain = due(fleet)
    halves = {"S000": frozenset(range(1, 7)), "S001": frozenset(range(7, 13))}
    visits = pl.DataFrame(
        {"site_id": fleet.sites["site_id"], "visit_date": AS_OF - 30 * DAY, "visit_reason": "routine"}
    )
    found = due_list(
        sites=fleet.sites, units=fleet.units, visits=visits, intervals=fleet.plan().intervals,
        lives=fleet.lives, components=fleet.kinds, as_of=AS_OF, blocked_months=halves,
    )  # fmt: skip
    assert found.equals(plain)


def test_a_unit_without_an_interval_is_refused_by_name(fleet: Fleet) -> None:
    intervals = fleet.plan().intervals.filter(UNIT != "S002/uv_lamp")
    visits = pl.DataFrame(
        {"site_id": ["S000"], "visit_date": [date(2025, 1, 1)], "visit_reason": ["routine"]}
    )
    with pytest.raises(AdviceError, match="site 'S002', uv_lamp: no interval found"):
        due_list(
            sites=fleet.sites, units=fleet.units, visits=visits, intervals=intervals, lives=fleet.lives,
            components=fleet.kinds, as_of=AS_OF,
        )  # fmt: skip


def test_a_gauge_that_was_read_gives_the_chance_and_says_so(fleet: Fleet) -> None:
    def told(rows: np.ndarray, age_days: np.ndarray) -> np.ndarray:
        return np.where(rows == 2, 0.83, np.nan)

    plain = due(fleet)
    visits = pl.DataFrame(
        {"site_id": fleet.sites["site_id"], "visit_date": AS_OF - 30 * DAY, "visit_reason": "routine"}
    )
    said = pl.DataFrame(
        {
            "site_id": ["S002"], "component": ["sediment_cartridge"], "slot": [""],
            "last_read_on": [AS_OF - 30 * DAY], "share_spent": [0.71], "share_low": [0.52],
            "share_high": [0.89], "readings": [2], "doubtful": [False], "faulty_on": [None],
        }
    )  # fmt: skip
    found = due_list(
        sites=fleet.sites, units=fleet.units, visits=visits, intervals=fleet.plan().intervals,
        lives=fleet.lives, components=fleet.kinds, as_of=AS_OF, gauges={"sediment_cartridge": told},
        gauge_now=said,
    )  # fmt: skip
    read = line(found, "S002/sediment_cartridge")
    assert read["chance_already_spent"] == pytest.approx(0.83)
    assert "By its pressure gauge this cartridge had used about 70 % of its life on " in read["reason"]
    assert read["reason"].endswith("(range 50 to 90 %, from 2 readings).")
    for unit in ("S001/sediment_cartridge", "S002/uv_lamp"):
        assert line(found, unit)["chance_already_spent"] == line(plain, unit)["chance_already_spent"]
        assert "gauge" not in line(found, unit)["reason"]


def told_of(**gauge: object) -> str:
    row = {
        "component": "carbon_cartridge", "failed_sample_open": False, "open_alarm": False, "removed": False,
        "spent_seen": False, "age_unknown": False, "overdue": False, "renewed": True, "by_limit": False,
        "deadline": None, "interval_days": 182.0, "fitted_on": date(2024, 12, 30), "age_days": 182,
        "last_read_on": date(2025, 5, 12), "share_spent": 0.7,
        "share_low": 0.5, "share_high": 0.9, "readings": 1, "doubtful": False, "faulty_on": None,
    }  # fmt: skip
    return reason(row | gauge, CARTRIDGE)


def test_what_a_gauge_says_is_told_with_its_date_range_and_count_or_as_doubtful() -> None:
    assert told_of().endswith("about 70 % of its life on 12 May 2025 (range 50 to 90 %, from 1 reading).")
    assert "had used less than 5 % of its life" in told_of(share_spent=0.01, share_low=0.0, share_high=0.06)
    assert "(from 1 reading)" in told_of(share_spent=1.0, share_low=1.0, share_high=1.0)
    doubtful = told_of(doubtful=True)
    assert "reading of 12 May 2025 is doubtful" in doubtful
    assert "%" not in doubtful
    assert "reading of 3 Jun 2025 looks faulty and is not counted" in told_of(faulty_on=date(2025, 6, 3))
    assert "faulty" in told_of(last_read_on=None, share_spent=None, doubtful=None, faulty_on=date(2025, 6, 3))
    # of a unit that is spent or gone its old share is not worth a word
    for settled in ({"spent_seen": True}, {"removed": True}, {"age_unknown": True}):
        assert "gauge" not in told_of(**settled)
