"""A service history with known truth, told as it was known at any date."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from fleetstats.life.draws import LifeDraws

START = date(2020, 1, 1)
SPREAD = 0.4
STATE = ("age_days", "survived_days", "spent_seen", "removed", "served")


@dataclass(frozen=True)
class Spell:
    site: str
    component: str
    fitted: int  # days from START
    looks: tuple[int, ...]  # visits that found it good, or left it in place unseen to be spent
    ended: int | None  # day it came out
    failed: bool


@dataclass(frozen=True)
class History:
    spells: list[Spell]
    log_life: dict[tuple[str, str], float]  # component, site -> true location

    def known_at(self, day: int) -> tuple[pl.DataFrame, pl.DataFrame]:
        """in_place and spells, as known on a day."""
        rows, held = [], []
        for s in self.spells:
            if s.fitted > day:
                continue
            over = s.ended is not None and s.ended <= day
            good = [look for look in s.looks if look <= day]
            last_good = float(good[-1] - s.fitted) if good else 0.0
            heard = s.component == "cartridge"
            age = float(day - s.fitted)
            upper = np.inf
            if over and s.failed:
                upper = float(s.ended - s.fitted)
                lower = upper if heard else last_good
            elif over:
                lower = float(s.ended - s.fitted)
            else:
                lower = age if heard else last_good
            fitted_on = START + timedelta(days=s.fitted)
            if lower > 0 or np.isfinite(upper):
                rows.append((s.site, s.component, "", fitted_on, lower, upper, 0.0))
            if not over:
                held.append(
                    (s.site, s.component, "", fitted_on, age, age if heard else last_good, False, False, True)
                )
        key = ["site_id", "component", "slot", "fitted_on"]
        return (
            pl.DataFrame(
                held,
                schema=[*key, *STATE],
                orient="row",
            ),
            pl.DataFrame(rows, schema=[*key, "lower_days", "upper_days", "entry_days"], orient="row"),
        )

    def draws(
        self, units: pl.DataFrame, *, shift: float = 0.0, own: float = 1.0, noise: float = 0.0
    ) -> LifeDraws:
        """The truth as draws: `own` of each site's difference from the mean, moved by `shift`."""
        true = np.array([self.log_life[c, s] for c, s in units.select("component", "site_id").iter_rows()])
        kinds = {kind for kind, _ in self.log_life}
        means = {k: np.mean([v for (c, _), v in self.log_life.items() if c == k]) for k in kinds}
        mean = np.array([means[kind] for kind in units["component"]])
        place = (mean + own * (true - mean) + shift)[:, None] + noise * np.linspace(-1, 1, 8)
        return LifeDraws(("weibull",) * 8, place, np.full(8, SPREAD), np.zeros_like(place))


def lived(rng: np.random.Generator, component: str, site: str, place: float, until: int) -> list[Spell]:
    """One place at one site: visits about every half year; cartridges call, sleeves wait to be seen.

    A cartridge is renewed at every visit at which it is older than 100 days, a sleeve when found spent or at
    every second visit.
    """
    visits = np.cumsum(np.r_[rng.integers(0, 182), rng.integers(160, 205, 30)]).tolist()
    spells, fitted, looks = [], 0, 0
    seen: list[int] = []
    life = np.exp(place + SPREAD * np.log(rng.exponential()))
    for visit in visits:
        while component == "cartridge" and fitted + life <= visit:
            day = fitted + max(int(np.ceil(life)), 1)
            spells.append(Spell(site, component, fitted, (), day, failed=True))
            fitted, life = day, np.exp(place + SPREAD * np.log(rng.exponential()))
        spent = fitted + life <= visit
        looks += 1
        age = visit - fitted
        if age > 0 and (spent or (age > 100 if component == "cartridge" else looks % 2 == 0)):
            spells.append(Spell(site, component, fitted, tuple(seen), visit, failed=bool(spent)))
            fitted, life, seen = visit, np.exp(place + SPREAD * np.log(rng.exponential())), []
            looks = 0
        elif age > 0:
            seen = [*seen, visit]
    spells.append(Spell(site, component, fitted, tuple(seen), None, failed=False))
    return [s for s in spells if s.fitted <= until]


@pytest.fixture(scope="session")
def history() -> History:
    rng = np.random.default_rng(8)
    spells, log_life = [], {}
    for number in range(500):
        for component, place in (("cartridge", 5.3), ("sleeve", 5.8)):
            site = f"S{number:03}"
            log_life[component, site] = place + rng.normal(0, 0.5)
            spells += lived(rng, component, site, log_life[component, site], 2500)
    return History(spells, log_life)
