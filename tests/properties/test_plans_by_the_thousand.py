"""No plan of three thousand firms crosses a hard limit: settings, records and prices at their most absurd.

Ten firms are planned as one batch: each has kinds of components, costs and ratings of its own; lateness, local
rule and visit bounds are the batch's. Money and chances come from no life at all but at random, zero, equal or
huge: none may matter. What holds is worked out here by cases, from the records alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from fleetstats.advice import ComponentTerms, VisitPlans, VisitTerms, plan_visits, starting_intervals
from fleetstats.advice.terms import MOST_VISITS
from fleetstats.components import role_of
from fleetstats.life.draws import LifeDraws
from fleetstats.setting_rules import MOST, MOST_DAYS
from tests.properties.any_prices import AnyPrices

pytestmark = pytest.mark.slow
AS_OF = date(2025, 6, 30)
BATCHES, FIRMS, SITES = 300, 10, 5
BLOCKS = 6
SEDIMENT, LAMP, SLEEVE = "sediment_cartridge", "uv_lamp", "quartz_sleeve"


class WildPrices(AnyPrices):
    """Costs from nothing to beyond all measure, or that are no numbers at all."""

    def yearly(self, rows: np.ndarray, **_: Any) -> np.ndarray:
        shape = (len(rows), len(self.weeks), MOST_VISITS)
        kind = self.rng.integers(8)
        if kind < 4:
            return np.full(shape, (0.0, 100.0, np.inf, np.nan)[kind])
        # a longer interval may be as cheap as it likes
        cheaper = np.exp(-0.2 * self.weeks[:, None] * np.arange(1, MOST_VISITS + 1))
        return self.rng.exponential((300.0, 300.0, 1e-9, 1e12)[kind - 4], shape) * cheaper


@dataclass
class Batch:
    """Ten firms as one fleet: what `plan_visits` takes."""

    sites: pl.DataFrame
    units: pl.DataFrame
    limits: pl.DataFrame
    decisions: pl.DataFrame
    kinds: dict[str, ComponentTerms]
    terms: VisitTerms
    months_seen: float

    def plan(self) -> VisitPlans:
        return plan_visits(
            sites=self.sites, units=self.units, lives={}, components=self.kinds, terms=self.terms,
            as_of=AS_OF, months_seen=self.months_seen, site_limits=self.limits, decisions=self.decisions,
        )  # fmt: skip


def days(rng: np.random.Generator, size: int, missing: float = 0.0) -> list[float | None]:
    """Days from fractions of one to absurdly many; some missing."""
    found = np.where(
        rng.random(size) < 0.8, rng.integers(8, 800, size), rng.choice([0.3, 6.99, 7, 1e9], size)
    )
    return [None if rng.random() < missing else float(value) for value in found]


def firm(rng: np.random.Generator, name: str) -> dict[str, ComponentTerms]:
    """The kinds of one firm; a source, where given, may raise ceilings and rated lives."""
    source = str(rng.choice(["", "", " ", "maker's letter"]))

    def kind(component: str, **more: Any) -> ComponentTerms:
        today, customary, ceiling = (min(float(value or 1.0), MOST_DAYS) for value in days(rng, 3))
        return ComponentTerms(
            f"{component}_{name}", role_of({}, component), current_interval_days=today, customary_days=customary, ceiling_days=ceiling,
            source=source, planned_cost=float(rng.choice([1e-9, 45, MOST])),
            failure_chance_limit=float(rng.choice([1.0, 0.3, 1e-9])), **more,
        )  # fmt: skip

    given = days(rng, 1, missing=0.3)[0]
    rated = None if given is None else min(given, MOST_DAYS)
    found = [
        kind(SEDIMENT),
        kind(LAMP, rated_life_days=rated),
        kind(SLEEVE, announced=bool(rng.random() < 0.2), hidden_day_cost=float(rng.choice([0, 1.5, MOST]))),
    ]
    return {one.name: one for one in found}


def batch(seed: int, number: int = FIRMS) -> Batch:
    """So many firms as one fleet."""
    rng = np.random.default_rng(70_000 + seed)
    firms = [firm(rng, str(one)) for one in range(number)]
    size = number * SITES
    names = np.array([f"S{number}" for number in range(size)])
    shortest = float(rng.choice([7, 7.5, 56, 200]))
    terms = VisitTerms(
        trip_cost=float(rng.choice([0, 120, 1e15])), callout_cost=float(rng.choice([0, 300, 1e15])),
        current_visit_days=float(rng.choice([1, 9, 91, 182, 900])),
        lateness_days=float(rng.choice([0, 3.5, 18, 60, 400])),
        local_rule_days=[None, 1.0, 100.0, 365.0][int(rng.integers(4))],
        shortest_visit_days=shortest, longest_visit_days=shortest + float(rng.choice([0, 6, 300, 1200])),
        beyond_records=float(rng.choice([0, 1e-9, 1.25, 1e9])),
    )  # fmt: skip
    shared = rng.random(size) < 0.3
    sites = pl.DataFrame({
        "site_id": names, "served": True, "region": rng.choice(["north", "south"], size).tolist(),
        "address_id": [f"A{at // 3}" if one else None for at, one in enumerate(shared)],
        "failed_sample_open": rng.random(size) < 0.1, "open_alarm": rng.random(size) < 0.1,
        "first_visit_on": AS_OF - timedelta(days=900),
        "current_visit_days": pl.Series(days(rng, size, missing=0.7), dtype=pl.Float64),
    })  # fmt: skip
    return Batch(
        sites, units_of(rng, firms, names), agreed(rng, names), decided(rng, names),
        {name: kind for one in firms for name, kind in one.items()}, terms, float(rng.choice([5, 40])),
    )  # fmt: skip


def everyday(seed: int, number: int = FIRMS) -> Batch:
    """The same firms with the most absurd taken out, so that visits lie ahead and not all at once."""
    case, rng = batch(seed, number), np.random.default_rng(seed)
    low, high = 80.0, 500.0
    kinds = {
        name: replace(
            kind, ceiling_days=float(np.clip(kind.ceiling_days, low, high)),
            current_interval_days=float(rng.choice([182, 364])), customary_days=float(rng.choice([91, 182, 365])),
            rated_life_days=kind.rated_life_days and float(np.clip(kind.rated_life_days, low, high)),
        )
        for name, kind in case.kinds.items()
    }  # fmt: skip
    terms = replace(
        case.terms, lateness_days=float(rng.choice([0, 3.5, 18])), current_visit_days=182.0,
        local_rule_days=rng.choice([None, 150.0]), shortest_visit_days=float(rng.choice([14, 56])),
        longest_visit_days=364.0,
    )  # fmt: skip
    ages = [AS_OF - timedelta(days=int(age)) for age in rng.integers(0, 150, case.units.height)]
    return replace(
        case, kinds=kinds, terms=terms, months_seen=40.0,
        sites=case.sites.with_columns(failed_sample_open=False, open_alarm=False, current_visit_days=182.0),
        units=case.units.with_columns(
            pl.col("rated_life_days").clip(low, high), fitted_on=pl.Series(ages), spent_seen=False
        ),
        limits=case.limits.with_columns(pl.col("max_days").clip(low, 1e9)),
        decisions=case.decisions.with_columns(pl.col("visit_interval_days").clip(low, 1e9)).head(len(ages) // 9),
    )  # fmt: skip


def units_of(
    rng: np.random.Generator, firms: list[dict[str, ComponentTerms]], names: np.ndarray
) -> pl.DataFrame:
    kinds = [name for number in range(len(names)) for name in firms[number // SITES]]
    size = len(kinds)
    rated = days(rng, size, missing=0.5)
    of_lamp = np.char.startswith(np.array(kinds), LAMP)
    return pl.DataFrame({
        "site_id": np.repeat(names, 3), "component": kinds, "slot": "", "part_number": kinds,
        "life_row": pl.Series([0 if has else None for has in rng.random(size) < 0.8], dtype=pl.Int64),
        "spells": 9, "failures": rng.choice([0, 1, 40], size),
        "seen_days": pl.Series(days(rng, size, missing=0.3), dtype=pl.Float64),
        "rated_life_days": pl.Series(
            [days_ if lamp else None for days_, lamp in zip(rated, of_lamp, strict=True)], dtype=pl.Float64
        ),
        "fitted_on": [AS_OF - timedelta(days=int(age)) for age in rng.integers(0, 800, size)],
        "survived_days": 0.0, "spent_seen": rng.random(size) < 0.03, "removed": rng.random(size) < 0.1,
    }).with_columns(fitted_on=pl.when(pl.Series(rng.random(size) < 0.9)).then("fitted_on"))  # fmt: skip


def agreed(rng: np.random.Generator, names: np.ndarray) -> pl.DataFrame:
    """Limits of sites and regions, some over or yet to come, several at one site."""
    size = len(names) + 2
    return pl.DataFrame({
        "site_id": pl.Series([*rng.choice(names, size - 2).tolist(), None, None], dtype=pl.String),
        "region": pl.Series([None] * (size - 2) + ["north", None], dtype=pl.String),
        "kind": rng.choice(["contract", "warranty", "authority", "customer", "technician"], size).tolist(),
        "max_days": pl.Series(days(rng, size), dtype=pl.Float64),
        "from": [AS_OF + timedelta(days=int(on)) for on in rng.choice([-900, 0, 1], size, p=[0.5, 0.3, 0.2])],
        "until": [AS_OF + timedelta(days=int(on)) for on in rng.choice([900, 0, -1], size, p=[0.5, 0.3, 0.2])],
        "source": "letter",
    })  # fmt: skip


def decided(rng: np.random.Generator, names: np.ndarray) -> pl.DataFrame:
    """Decisions at most sites, some with several, some not yet in force; absurd days among them."""
    size = 2 * len(names)
    return pl.DataFrame({
        "site_id": rng.choice(names, size).tolist(),
        "decided_on": [AS_OF - timedelta(days=int(ago)) for ago in rng.integers(-60, 900, size)],
        "visit_interval_days": pl.Series(days(rng, size, missing=0.1), dtype=pl.Float64),
        "decision": rng.choice(["accepted", "refused", "trial"], size).tolist(), "reason": "because",
    })  # fmt: skip


def bounds(case: Batch) -> pl.DataFrame:
    """Of each unit, by cases from the records: longest interval and visit interval, net of lateness.

    Also `oldest` and `gap`, the ages and days between visits as written, before lateness.
    """
    late, rule = case.terms.lateness_days, case.terms.local_rule_days or np.inf
    kinds = pl.DataFrame([
        {"component": name, "today": kind.current_interval_days, "customary": kind.customary_days,
         "written": kind.ceiling_days, "setting": kind.rated_life_days, "sourced": bool(kind.source.strip())}
        for name, kind in case.kinds.items()
    ], schema_overrides={"setting": pl.Float64})  # fmt: skip
    here = case.limits.filter(pl.col("from") <= AS_OF, pl.col("until") >= AS_OF)
    own = here.filter(pl.col("site_id").is_not_null()).select("site_id", "max_days")
    wide = case.sites.join(here.filter(pl.col("site_id").is_null()), on="region").select(
        "site_id", "max_days"
    )
    strictest = pl.concat([own, wide]).group_by("site_id").agg(agreed=pl.col("max_days").min())
    rows = (
        case.units.join(kinds, on="component").join(strictest, on="site_id", how="left")
        .join(case.sites.select("site_id", "address_id", "failed_sample_open", "open_alarm",
                                visit_today="current_visit_days"), on="site_id")
    )  # fmt: skip
    lamp, sleeve = (pl.col("component").str.starts_with(name) for name in (LAMP, SLEEVE))
    part, setting, agreed_days = (
        pl.col("rated_life_days"),
        pl.col("setting"),
        pl.col("agreed").fill_null(np.inf),
    )
    raised = pl.col("sourced") & part.is_not_null() & setting.is_not_null()
    rated = pl.min_horizontal(part, setting, pl.when(raised).then(np.inf).otherwise(365.0))
    uv = lamp | sleeve
    ceiling = (
        pl.when(uv & ~pl.col("sourced")).then(pl.min_horizontal("written", "customary")).otherwise("written")
    )
    oldest = pl.min_horizontal(ceiling, pl.when(lamp).then(rated).otherwise(agreed_days))
    gap = pl.min_horizontal(agreed_days, pl.lit(rule))
    stuck = pl.col("failed_sample_open") | pl.col("open_alarm")
    today = pl.coalesce("visit_today", pl.lit(case.terms.current_visit_days))
    longest = pl.min_horizontal(oldest - late, pl.when(stuck).then("today").otherwise(np.inf))
    often = pl.min_horizontal(gap - late, pl.when(stuck).then(today).otherwise(np.inf))
    # what was taken out has no age, though a contract holds without it
    visit = pl.when("removed").then(often).otherwise(pl.min_horizontal(often, longest))
    return rows.select(
        "site_id", "component", "removed", oldest=oldest, gap=gap, longest=longest, visit=visit,
        address=pl.coalesce("address_id", "site_id"), uv=uv, visit_today=today, today="today",
    )  # fmt: skip


def plan(case: Batch, seed: int) -> VisitPlans:
    """The plan of all its firms at prices of no sense; every tenth firm has no prices at all."""
    rng = np.random.default_rng(seed)

    def price(*, units: pl.DataFrame, weeks: np.ndarray, **_: Any) -> dict[str, AnyPrices]:
        return {name: WildPrices(weeks, rng) for name in sorted(set(units["component"])) if name[-1] != "9"}

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("fleetstats.advice.visits.price_components", price)
        return case.plan()


def held_against(seed: int) -> pl.DataFrame:
    case = batch(seed)
    found = plan(case, seed)
    return found.intervals.join(bounds(case), on=["site_id", "component"])


@pytest.mark.parametrize("block", range(BLOCKS))
def test_no_plan_of_three_thousand_firms_crosses_a_hard_limit(block: int) -> None:
    plans = 0
    for seed in range(block * BATCHES // BLOCKS, (block + 1) * BATCHES // BLOCKS):
        rows = held_against(seed)
        assert rows.height == FIRMS * SITES * 3
        # a limit of less than a week: weekly visits, and said that it cannot be met
        none_in_place = pl.col("removed") & (pl.col("every_n_visits") == 1)
        over = rows.filter(
            ~none_in_place & (pl.col("interval_days") > pl.max_horizontal("longest", pl.lit(7.0)))
        )
        assert over.is_empty(), (seed, over)
        far = rows.filter(pl.col("visit_interval_days") > pl.max_horizontal("visit", pl.lit(7.0)))
        assert far.is_empty(), (seed, far)
        silent = rows.filter(
            ~pl.col("removed") & (pl.min_horizontal("longest", "visit") < 7),
            pl.col("limited_by") != "cannot_be_met",
        )
        assert silent.is_empty(), (seed, silent)
        assert rows.filter((pl.col("interval_days") < 7) | (pl.col("every_n_visits") < 1)).is_empty(), seed
        plans += rows.height
    assert plans == BATCHES // BLOCKS * FIRMS * SITES * 3


def test_no_starting_interval_of_a_hundred_firms_crosses_a_limit() -> None:
    """Of a new site there is no part yet, so that a setting alone has to keep to a lamp's 365 days."""
    told = 0
    for seed in range(BATCHES, BATCHES + 10):
        case, rng = batch(seed), np.random.default_rng(seed)
        size = len(case.kinds)
        kinds = pl.DataFrame({
            "component": list(case.kinds), "tank_material": "poly", "roof_material": "metal", "tree_cover": "none",
            "daily_litres": 300.0, "sites": 9, "spells": 80, "life_row": 0,
            "seen_days": pl.Series(days(rng, size, missing=0.3), dtype=pl.Float64),
        })  # fmt: skip
        draws = LifeDraws(("weibull",) * 2, rng.uniform(3, 8, (1, 2)), np.full(2, 0.3), np.zeros((1, 2)))
        found = starting_intervals(
            combinations=kinds,
            lives=dict.fromkeys(case.kinds, draws),
            components=case.kinds,
            terms=case.terms,
        )
        late, rule = case.terms.lateness_days, case.terms.local_rule_days or np.inf
        for name, longest in found.select("component", "high_days").iter_rows():
            kind = case.kinds[name]
            most = min(kind.ceiling_days, rule)
            if not name.startswith(SEDIMENT) and not kind.source.strip():
                most = min(most, kind.customary_days)
            if name.startswith(LAMP):
                most = min(most, 365.0, kind.rated_life_days or np.inf)
            assert longest <= max(most - late, 7), (seed, name)
            told += longest > 7
    assert told > 40
