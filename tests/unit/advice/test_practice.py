"""Today's practice: counted by hand, and priced against simulation and the published renewal function."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from scipy.optimize import brentq
from scipy.special import gamma

from fleetstats.advice import ComponentTerms
from fleetstats.advice.practice import ENOUGH_CASES, renewed_young, todays_practice
from fleetstats.advice.prices import ComponentPrices
from fleetstats.advice.pricing import Pricer
from fleetstats.errors import AdviceError
from fleetstats.life.draws import LifeDraws

AS_OF = date(2026, 6, 30)
VISIT = 182.0


def counted(
    visits: list[tuple[str, date, str]],
    spells: list[tuple[str, str, date, date | None, str]],
    every_n: dict[str, int],
) -> dict[tuple[str, int], tuple[int, int]]:
    found = todays_practice(
        visits=pl.DataFrame(visits, schema=["site_id", "visit_date", "visit_reason"], orient="row"),
        spells=pl.DataFrame(
            spells,
            schema={
                "site_id": pl.String, "component": pl.String, "fitted_on": pl.Date, "ended_on": pl.Date,
                "ended_how": pl.String,
            },
            orient="row",
        ),
        visit_days=VISIT,
        every_n=every_n,
        as_of=AS_OF,
    )  # fmt: skip
    return {
        (row["component"], row["quarter"]): (row["visits"], row["renewed"])
        for row in found.iter_rows(named=True)
    }


VISIT_DAY = date(2026, 1, 10)


def ago(days: int) -> date:
    return VISIT_DAY - timedelta(days=days)


@pytest.mark.parametrize(
    ("age", "ended", "how", "told"),
    [
        (30, VISIT_DAY, "taken_out", {1: (1, 1)}),
        (30, None, "in_place", {1: (1, 0)}),
        (45, VISIT_DAY, "unknown", {1: (1, 1)}),  # 45.5 days are a quarter
        (46, VISIT_DAY + timedelta(days=80), "failed", {2: (1, 0)}),
        (91, None, "in_place", {2: (1, 0)}),
        (92, VISIT_DAY, "taken_out", {}),  # due anyway
        (30, VISIT_DAY, "found_spent", {}),  # renewed by any rule
        (30, VISIT_DAY, "failed", {}),
        (0, VISIT_DAY + timedelta(days=200), "taken_out", {}),  # that visit fitted it
        (60, VISIT_DAY, "taken_out", {}),  # fitted at a planned visit: in step with the visits
        (30, VISIT_DAY - timedelta(days=5), "failed", {}),  # gone by then
    ],
)
def test_a_young_unit_at_a_planned_visit_is_one_case(
    age: int, ended: date | None, how: str, told: dict[int, tuple[int, int]]
) -> None:
    spell = ("S1", "sediment_cartridge", ago(age), ended, how)
    visits = [("S1", VISIT_DAY, "routine"), ("S1", ago(30), "callout")]
    if age == 60:
        visits.append(("S1", ago(60), "routine"))
    found = counted(visits, [spell], {"sediment_cartridge": 1})
    assert {quarter: found["sediment_cartridge", quarter] for quarter in (1, 2)} == {
        quarter: told.get(quarter, (0, 0)) for quarter in (1, 2)
    }


def test_call_outs_old_visits_and_other_sites_are_no_cases() -> None:
    spells = [
        ("S1", "sediment_cartridge", ago(30), VISIT_DAY, "taken_out"),
        ("S3", "sediment_cartridge", date(2024, 1, 1), date(2024, 1, 31), "taken_out"),
    ]
    visits = [
        ("S1", VISIT_DAY, "callout"),
        ("S2", VISIT_DAY, "routine"),
        ("S3", date(2024, 1, 31), "routine"),  # before the last two years
    ]
    assert set(counted(visits, spells, {"sediment_cartridge": 1}).values()) == {(0, 0)}


def test_what_is_renewed_at_every_second_visit_is_young_past_one_visit_interval() -> None:
    spells = [
        ("S1", "uv_lamp", ago(30), VISIT_DAY, "taken_out"),  # its turn is two visits away
        ("S2", "uv_lamp", ago(182 + 30), VISIT_DAY, "taken_out"),
    ]
    visits = [(site, VISIT_DAY, "routine") for site in ("S1", "S2")]
    found = counted(visits, spells, {"uv_lamp": 2})
    assert found["uv_lamp", 1] == (1, 1)
    assert found["uv_lamp", 2] == (0, 0)


def practice(first: tuple[int, int], second: tuple[int, int]) -> tuple[float, float]:
    spells, visits = [], []
    for quarter, (cases, renewed) in ((1, first), (2, second)):
        for case in range(cases):
            site = f"{quarter}-{case}"
            visits.append((site, VISIT_DAY, "routine"))
            out = VISIT_DAY if case < renewed else None
            how = "taken_out" if case < renewed else "in_place"
            spells.append((site, "sediment_cartridge", ago(20 if quarter == 1 else 70), out, how))
    found = todays_practice(
        visits=pl.DataFrame(visits, schema=["site_id", "visit_date", "visit_reason"], orient="row"),
        spells=pl.DataFrame(
            spells, schema=["site_id", "component", "fitted_on", "ended_on", "ended_how"], orient="row"
        ),
        visit_days=VISIT,
        every_n={"sediment_cartridge": 1},
        as_of=AS_OF,
    )
    return renewed_young(found, "sediment_cartridge")


def test_shares_need_enough_cases_and_never_fall_with_age() -> None:
    few = ENOUGH_CASES - 1
    assert practice((20, 5), (20, 15)) == (0.25, 0.75)
    assert practice((20, 12), (20, 8)) == (0.6, 0.6)
    assert practice((few, few), (20, 15)) == (0.75, 0.75)
    assert practice((20, 5), (few, few)) == (0.25, 0.25)
    assert practice((few, few), (few, few)) == (0.0, 0.0)


def test_a_practice_that_cannot_be_is_refused() -> None:
    for wrong in ((-0.1, 0.5), (0.5, 0.4), (0.5, 1.2), (float("nan"), 1.0)):
        with pytest.raises(AdviceError, match="renewed_young"):
            ComponentTerms("sediment_cartridge", renewed_young=wrong)


def priced(young: tuple[float, float], *, place: float, sigma: float) -> tuple[float, float]:
    """Return money and call-outs a year of one Weibull life under today's rule practised so."""
    kind = ComponentTerms(
        "sediment_cartridge", planned_cost=45.0, current_interval_days=VISIT, renewed_young=young
    )
    lives = LifeDraws(("weibull",), np.array([[place]]), np.array([sigma]), np.zeros((1, 1)))
    pricer = Pricer(lives, announced=True, most_visits=4, shortest_days=56, longest_days=364)
    room = ComponentPrices(pricer, terms=kind, callout_cost=300.0, weeks=np.arange(8, 53), typical_rows=None)
    found = room.today_draws(np.array([0]), planned_cost=np.array([45.0]), visit_days=np.array([VISIT]))
    return float(found.cost[0, 0]), float(found.callouts[0, 0])


# Tijms 2003, A First Course in Stochastic Models, Table 8.1.1: renewals by time t of Weibull lives, mean 1 and
# squared coefficient of variation 0.25 (read; last digit printed).
@pytest.mark.parametrize(("time", "count"), [(0.4, 0.1087), (0.6, 0.2422), (1.0, 0.6091), (2.0, 1.627)])
def test_with_everything_renewed_at_every_visit_call_outs_are_the_renewal_function(
    time: float, count: float
) -> None:
    shape = brentq(lambda k: gamma(1 + 2 / k) / gamma(1 + 1 / k) ** 2 - 1.25, 1.1, 5.0)
    eta = VISIT / time / gamma(1 + 1 / shape)
    money, callouts = priced((1.0, 1.0), place=float(np.log(eta)), sigma=1 / shape)
    per_year = 365.25 / VISIT
    assert callouts == pytest.approx(per_year * count, rel=0.012)
    assert money == pytest.approx(callouts * 345.0 + per_year * 45.0, rel=1e-3)


def lived_through(
    young: tuple[float, float], *, place: float, sigma: float, years: int, seed: int
) -> tuple[float, float]:
    """Return money and call-outs a year by living it through, unit after unit."""
    rng = np.random.default_rng(seed)
    born, next_visit, end = 0.0, VISIT, years * 365.25
    callouts = renewals = 0
    while next_visit < end:
        life = float(np.exp(place + sigma * np.log(rng.exponential())))
        while True:
            if born + life < next_visit:
                callouts, born = callouts + 1, born + life
                break
            age = next_visit - born
            next_visit += VISIT
            chance = young[0] if age <= VISIT / 4 else young[1] if age <= VISIT / 2 else 1.0
            if rng.random() < chance:
                renewals, born = renewals + 1, next_visit - VISIT
                break
    return (callouts * 345.0 + renewals * 45.0) / years, callouts / years


@pytest.mark.parametrize("young", [(0.0, 0.0), (1.0, 1.0), (0.25, 0.7), (0.0, 1.0)])
@pytest.mark.parametrize(("median", "sigma"), [(90.0, 0.4), (220.0, 0.3)])
def test_the_price_of_a_practice_is_what_living_it_through_costs(
    young: tuple[float, float], median: float, sigma: float
) -> None:
    place = float(np.log(median) - sigma * np.log(np.log(2)))
    money, callouts = priced(young, place=place, sigma=sigma)
    lived_money, lived_callouts = lived_through(young, place=place, sigma=sigma, years=40_000, seed=4)
    assert money == pytest.approx(lived_money, rel=0.02)
    assert callouts == pytest.approx(lived_callouts, rel=0.02)


def test_renewing_young_units_saves_call_outs_where_units_outlast_the_visit_interval() -> None:
    place = float(np.log(220.0) - 0.3 * np.log(np.log(2)))
    figures = [priced(young, place=place, sigma=0.3)[1] for young in ((0, 0), (0.3, 0.6), (1, 1))]
    assert figures[0] > figures[1] > figures[2]
