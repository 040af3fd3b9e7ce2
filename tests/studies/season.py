"""Season in service: does a cartridge's life counted in calendar use score better on sites held out?

Run by hand, about five minutes a fleet:

    OPENBLAS_NUM_THREADS=1 python tests/studies/season.py --sites 400 --seeds 0 1 2

A day of leaf fall or pollen may use up more of a cartridge than a day of mid-winter. Ages are then counted in
days of average use: the sum of g(day) from the fitting on, log g two harmonics of the year with mean use 1.
Each invented fleet is halved by site. One half gives g (its posterior mode, harmonics N(0, 0.3^2)) and the
lives, the other is scored: log of the chance given to what happened, with and without the season. What it would
do for the need of each month is told beside it: how far the failures of each month of the year, all years
together, lie from those foretold (root mean square of the log ratio).
"""

from __future__ import annotations

import argparse
import importlib.util
import sys
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.optimize import minimize

from fleetstats.life.covariates import water_facts
from fleetstats.life.fit import fit_life
from fleetstats.life.learn import ComponentLife, draws_for_new, learn_component, lifetimes, priors_of
from fleetstats.settings import default_settings
from fleetstats.store import Relations
from fleetstats.trust.outlook import Outlook

Floats = NDArray[np.float64]
KINDS = ("sediment_cartridge", "carbon_cartridge")
YEAR, FROM, DAYS = 365.25, np.datetime64("1990-01-01"), 25_000
SPREAD = 0.3
NONE = np.zeros(4)


@dataclass(frozen=True, slots=True)
class Season:
    """Use of each day against the average one, from four harmonic coefficients of its logarithm."""

    terms: Floats

    def daily(self) -> Floats:
        """Return g of each day from `FROM` on, mean 1 over a year."""
        turn = 2 * np.pi * (np.arange(DAYS) % YEAR) / YEAR
        waves = np.column_stack([np.cos(turn), np.sin(turn), np.cos(2 * turn), np.sin(2 * turn)])
        log_use = waves @ self.terms
        use: Floats = np.exp(log_use) / np.exp(log_use[:1461]).mean()
        return use

    def counted(self, spells: pl.DataFrame) -> pl.DataFrame:
        """Return the spells with their ages in days of average use; a failure's own day is an interval."""
        total = np.append(0.0, np.cumsum(self.daily()))
        begin = (spells["fitted_on"].to_numpy().astype("datetime64[D]") - FROM).astype(np.float64)

        def used(ages: Floats) -> Floats:
            known = np.where(np.isfinite(ages), ages, 0.0)
            passed = np.interp(begin + known, np.arange(total.size), total)
            return np.where(np.isfinite(ages), passed - np.interp(begin, np.arange(total.size), total), ages)

        lower, upper, entry = (spells[c].to_numpy() for c in ("lower_days", "upper_days", "entry_days"))
        day_before = np.where(lower == upper, np.maximum(lower - 1.0, entry), lower)
        return spells.with_columns(
            lower_days=pl.Series(used(day_before)),
            upper_days=pl.Series(used(upper)),
            entry_days=pl.Series(used(entry)),
        )


def learned_season(spells: pl.DataFrame, life: ComponentLife, relations: Relations) -> Season:
    """Return the season that fits these spells best, in the family that weighs most without one."""
    best = life.average.fits[int(life.average.weights.argmax())].family
    priors = priors_of(default_settings().component(life.component), life.coding)
    covariates = life.coding.frame(water_facts(spells, relations.sites))

    def loss(terms: Floats) -> float:
        fit = fit_life(lifetimes(Season(terms).counted(spells), covariates), best, priors=priors, nodes=9)
        evidence = fit.log_evidence
        return 0.5 * float(terms @ terms) / SPREAD**2 - (-np.inf if evidence is None else evidence)

    simplex = np.vstack([NONE, 0.15 * np.eye(4)])
    found = minimize(
        loss, NONE, method="Nelder-Mead",
        options={"initial_simplex": simplex, "xatol": 0.01, "fatol": 0.05, "maxfev": 160},
    )  # fmt: skip
    return Season(np.asarray(found.x, dtype=np.float64))


def life_of(component: str, spells: pl.DataFrame, relations: Relations) -> ComponentLife:
    """Return what some spells teach of a component."""
    one = relations.in_place.filter(pl.col("component") == component).head(1)
    return learn_component(
        default_settings().component(component),
        spells=spells,
        units=one.select("site_id", "chapter", "component", "slot", "part_number"),
        sites=relations.sites,
        as_of=relations.as_of,
    )


def scored(season: Season, held: pl.DataFrame, life: ComponentLife, relations: Relations) -> Floats:
    """Return the log of the chance given to what became of each spell held out, at sites never seen."""
    counted = season.counted(held)
    outlook = Outlook(
        draws_for_new(life, water_facts(held, relations.sites)), counted["entry_days"].to_numpy()
    )
    return outlook.log_probability(counted["lower_days"].to_numpy(), counted["upper_days"].to_numpy())


def by_month(season: Season, held: pl.DataFrame, life: ComponentLife, relations: Relations) -> Floats:
    """Return failures and foretold failures of each month of the year, shape (2, 12)."""
    outlook_of = draws_for_new(life, water_facts(held, relations.sites))
    fitted = held["fitted_on"].to_numpy().astype("datetime64[D]")
    upper, lower = held["upper_days"].to_numpy(), held["lower_days"].to_numpy()
    failed = np.isfinite(upper)
    end = np.where(failed, 0.5 * (lower + np.where(failed, upper, 0.0)), lower)
    found = np.zeros((2, 12))
    first, last = fitted.min().astype("datetime64[M]"), np.datetime64(relations.as_of, "M")
    for month in np.arange(first, last + 1):
        start, stop = (
            (day.astype("datetime64[D]") - fitted).astype(np.float64) for day in (month, month + 1)
        )
        low = np.maximum(held["entry_days"].to_numpy(), start)
        high = np.minimum(end, stop)
        rows = np.flatnonzero(high > np.maximum(low, 0.0))
        if not rows.size:
            continue
        part = held[rows].with_columns(
            lower_days=pl.Series(low[rows]), upper_days=pl.Series(high[rows] + 1e-9)
        )
        counted = season.counted(part)
        lives = type(outlook_of)(
            outlook_of.family, outlook_of.location[rows], outlook_of.scale, outlook_of.site_effect[rows]
        )
        before = Outlook(
            lives, season.counted(part.with_columns(lower_days=pl.lit(0.0)))["entry_days"].to_numpy()
        )
        met = before.hazard(counted["upper_days"].to_numpy()) - before.hazard(
            counted["lower_days"].to_numpy()
        )
        of_year = int(month.astype(int)) % 12
        found[0, of_year] += (failed & (end > start) & (end <= stop))[rows].sum()
        found[1, of_year] += met.sum()
    return found


def one_fleet(
    relations: Relations, component: str
) -> tuple[list[Season], Floats, NDArray[np.object_], Floats]:
    """Return the two seasons found, each held-out spell's gain and site, and the months' counts."""
    own = relations.spells.filter(pl.col("component") == component).sort("spell_id")
    ids = relations.sites["site_id"].sort()
    seasons, gains, sites, months = [], [], [], np.zeros((3, 12))
    for fold in (0, 1):
        held = pl.col("site_id").is_in(ids.gather_every(2, fold).to_list())
        taught, tested = own.filter(~held), own.filter(held)
        plain = life_of(component, taught, relations)
        season = learned_season(taught, plain, relations)
        seasonal = life_of(component, season.counted(taught), relations)
        seasons.append(season)
        flat = Season(NONE)
        gains.append(scored(season, tested, seasonal, relations) - scored(flat, tested, plain, relations))
        sites.append(tested["site_id"].to_numpy())
        with_season, without = (
            by_month(which, tested, life, relations) for which, life in ((season, seasonal), (flat, plain))
        )
        months += np.vstack([with_season, without[1]])
    return seasons, np.concatenate(gains), np.concatenate(sites).astype(object), months


def _off(failures: Floats, foretold: Floats) -> float:
    ratio = np.log((failures + 0.5) / (foretold + 0.5))
    return float(np.sqrt(np.mean((ratio - ratio.mean()) ** 2)))


def _known() -> ModuleType:
    """Return the study whose fleets these are."""
    spec = importlib.util.spec_from_file_location("early_deaths", Path(__file__).with_name("early_deaths.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--sites", type=int, default=400)
    parser.add_argument("--seeds", nargs="+", type=int, default=[0, 1, 2])
    asked = parser.parse_args()
    print(
        "| fleet | component | spells scored | gained (s.e.) | a spell | highest to lowest use | month off, without | with |"
    )
    print("|---|---|---|---|---|---|---|---|")
    for seed in asked.seeds:
        relations = _known().known(asked.sites, seed)
        for component in KINDS:
            seasons, gain, site, months = one_fleet(relations, component)
            _, place = np.unique(site.astype(str), return_inverse=True)
            error = np.sqrt((np.bincount(place, weights=gain - gain.mean()) ** 2).sum())
            swing = " and ".join(f"{s.daily()[:365].max() / s.daily()[:365].min():.1f}" for s in seasons)
            print(
                f"| {seed} | {component} | {gain.size:,} | {gain.sum():+.1f} ({error:.1f}) | {gain.mean():+.4f} "
                f"| {swing} | {_off(months[0], months[2]):.2f} | {_off(months[0], months[1]):.2f} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
