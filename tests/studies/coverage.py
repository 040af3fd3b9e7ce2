"""Fleets with known truth: do the ranges of the site medians cover it, and do the chances come true?

Run by hand, one process, about ten minutes:

    python tests/studies/coverage.py cover
    python tests/studies/coverage.py chances
    python tests/studies/coverage.py priors

Each prints a markdown table. A fleet's own truth (middle life, spread within and between homes, what use and
trees do) is drawn anew from ranges that are flat where the priors are humped; the learner knows the priors
alone. Cartridges are renewed at the first or second half-yearly visit; of those spent before, most are called
out on the day, the others are found at a visit. Sleeves are looked at once, all at about the same age.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import special

from fleetstats.life import Lifetimes, Priors, average_families, draw_lives, fit_life, weak_priors
from fleetstats.life.learn import FAMILIES_WEIGHED
from fleetstats.trust import calibration

Floats = NDArray[np.float64]
Stream = np.random.Generator
CUSTOMARY_DAYS, VISIT_DAYS = 182.0, 182.0
#: Sites in a fleet -> fleets: small fleets hang on one draw of the truth, so there are more of them.
FLEETS = {5: 120, 20: 40, 80: 12, 400: 4, 1000: 2}
SPELLS = (1, 3, 8)
#: Mean days of the early deaths of the mixture, and their share of all lives.
EARLY_DAYS, EARLY_SHARE = 20.0, 0.10
_MIDDLE = {"weibull": float(np.log(np.log(2.0))), "lognormal": 0.0, "loglogistic": 0.0}
_NOISE: dict[str, Callable[[Stream, tuple[int, ...]], Floats]] = {
    "weibull": lambda stream, shape: np.log(stream.exponential(size=shape)),
    "lognormal": lambda stream, shape: stream.standard_normal(shape),
    "loglogistic": lambda stream, shape: stream.logistic(size=shape),
}
_QUANTILE: dict[str, Callable[[Floats], Floats]] = {
    "weibull": lambda share: np.log(-np.log(share)),
    "lognormal": lambda share: -special.ndtri(share),
    "loglogistic": lambda share: -special.logit(share),
}


@dataclass(frozen=True, slots=True)
class Truth:
    """What decides the lives of one fleet: log T = log(days) + use x + trees + u + sigma e."""

    family: str
    days: float
    sigma: float
    tau: float
    use: float
    trees: float
    early: float = 0.0


@dataclass(frozen=True, slots=True)
class Fleet:
    """Invented records and the truth of each of n sites: its median life and its next life, days."""

    lives: Lifetimes
    facts: pl.DataFrame
    median_days: Floats
    next_days: Floats


def draw_truth(stream: Stream, family: str) -> Truth:
    """Return the truth of a fleet, from flat ranges; `mixture` is Weibull with early deaths."""
    return Truth(
        family="weibull" if family == "mixture" else family,
        days=float(CUSTOMARY_DAYS * np.exp(stream.uniform(-0.5, 0.6))),
        sigma=float(stream.uniform(0.25, 0.6)) * (0.55 if family == "loglogistic" else 1.0),
        tau=float(stream.uniform(0.2, 0.65)),
        use=float(stream.uniform(-1.0, -0.3)),
        trees=float(stream.uniform(-0.6, 0.1)),
        early=EARLY_SHARE if family == "mixture" else 0.0,
    )


def invent(truth: Truth, sites: int, spells: int, stream: Stream, *, sleeves: bool = False) -> Fleet:
    """Return a fleet's records: `spells` ended fittings a site and one still in place."""
    use, heavy = stream.normal(0.0, 0.5, sites), stream.random(sites) < 0.3
    place = np.log(truth.days) + truth.use * use + truth.trees * heavy + truth.tau * stream.normal(size=sites)
    days = _lives(truth, place, stream, spells + 2)
    if sleeves:
        look = stream.normal(VISIT_DAYS, 8.0, sites)
        lower, upper = np.where(days[:, 0] > look, look, 0.0), np.where(days[:, 0] > look, np.inf, look)
        site = np.arange(sites)
    else:
        lower, upper = (part.ravel() for part in _seen(days[:, :-1], stream))
        site = np.repeat(np.arange(sites), spells + 1)
    facts = pl.DataFrame({"log_daily_litres": use, "trees": np.where(heavy, "heavy", "a few")})
    lives = Lifetimes(lower, upper, site=site, covariates=facts[site])
    return Fleet(lives, facts, _median(truth, place), days[:, -1])


def _lives(truth: Truth, place: Floats, stream: Stream, count: int) -> Floats:
    shape = (place.size, count)
    ageing = np.exp(place[:, None] + truth.sigma * _NOISE[truth.family](stream, shape))
    early = stream.exponential(EARLY_DAYS, shape)
    return np.where(stream.random(shape) < truth.early, np.minimum(early, ageing), ageing)


def _seen(days: Floats, stream: Stream) -> tuple[Floats, Floats]:
    """Return what visits tell of lives (sites, spells): the last of each site is still in place."""
    sites, count = days.shape
    first = VISIT_DAYS + stream.normal(0.0, 12.0, days.shape)
    visits = stream.integers(1, 3, (sites, 1))  # some are renewed at every visit, some at every second
    second = first + VISIT_DAYS + stream.normal(0.0, 12.0, days.shape)
    out = np.where(visits == 1, first, second)
    out[:, -1] *= stream.uniform(0.02, 1.0, sites)
    spent = days <= out
    told = (stream.random(days.shape) < 0.7) | (np.arange(count) == count - 1)
    visit = np.where(days <= first, np.minimum(first, out), out)
    before = np.where(days <= first, 0.0, first)
    lower = np.where(spent, np.where(told, days, before), out)
    return lower, np.where(spent, np.where(told, days, visit), np.inf)


def _median(truth: Truth, place: Floats) -> Floats:
    """Return the median life of each site; that of the mixture by repeated substitution."""
    days = np.exp(place + truth.sigma * _MIDDLE[truth.family])
    if truth.early == 0.0:
        return days
    for _ in range(60):  # S = (1 - p + p exp(-t / early)) S0, the early death being the first of two ends
        share = 0.5 / (1 - truth.early + truth.early * np.exp(-days / EARLY_DAYS))
        days = np.exp(place + truth.sigma * _QUANTILE[truth.family](share))
    return days


def cover(
    family: str, fitted: Sequence[str], sites: int, spells: int, fleets: int, *, draws: int = 400
) -> pl.DataFrame:
    """Return for each site of all fleets whether the 90 % range covers, its width, and chances of failure.

    Columns: covered, width (log of high over low), and for a look at the next spell at `days`, the `chance`
    that it is spent by then and whether it `failed`.
    """
    found = []
    for fleet in range(fleets):
        stream = np.random.default_rng([sites, spells, fleet, sum(family.encode())])
        truth = draw_truth(stream, family)
        made = invent(truth, sites, spells, stream)
        average = average_families(made.lives, families=fitted, priors=weak_priors(CUSTOMARY_DAYS))
        lives = draw_lives(average, covariates=made.facts, sites=range(sites), draws=draws, seed=fleet)
        told, look = lives.median_life(), stream.uniform(40.0, 400.0, sites)
        low, high = (told[name].to_numpy() for name in ("low_days", "high_days"))
        found.append(
            pl.DataFrame(
                {
                    "fleet": np.full(sites, fleet),
                    "covered": (low <= made.median_days) & (made.median_days <= high),
                    "width": np.log(high / low),
                    "chance": 1.0 - lives.survival_draws(look).mean(axis=1),
                    "failed": made.next_days <= look,
                }
            )
        )
    return pl.concat(found)


CASES: dict[str, tuple[str, tuple[str, ...]]] = {
    "Weibull, all three fitted": ("weibull", FAMILIES_WEIGHED),
    "lognormal, all three fitted": ("lognormal", FAMILIES_WEIGHED),
    "log-logistic, all three fitted": ("loglogistic", FAMILIES_WEIGHED),
    "lognormal, Weibull alone fitted": ("lognormal", ("weibull",)),
    "Weibull, lognormal alone fitted": ("weibull", ("lognormal",)),
    "Weibull with 10 % early deaths, all three fitted": ("mixture", FAMILIES_WEIGHED),
}


def cover_rows(cases: Iterable[str], share: float) -> Iterable[str]:
    """Yield the coverage table: one row a truth and history length, one column a size of fleet."""
    yield f"| truth and fit | ended spells a site | {' | '.join(f'{n:,} sites' for n in FLEETS)} | all |"
    yield "|---|---|" + "---|" * (len(FLEETS) + 1)
    for name in cases:
        family, fitted = CASES[name]
        for spells in SPELLS:
            parts = [
                cover(family, fitted, n, spells, max(1, round(m * share)))
                for n, m in FLEETS.items()
                if n * spells < 8000
            ]
            cells = [f"{_percent(part['covered'])} ({part['width'].median():.2f})" for part in parts]
            cells += ["–"] * (len(FLEETS) - len(cells))
            whole = pl.concat(parts)
            # each size of fleet counts alike: the thousand sites of one fleet share one draw of the truth
            even = np.mean([part["covered"].mean() for part in parts])
            yield f"| {name} | {spells} | {' | '.join(cells)} | {100 * even:.1f} % of {whole.height:,} |"


def chance_rows(cases: Iterable[str], share: float) -> Iterable[str]:
    """Yield the calibration of failure chances by decile, all sizes and histories together."""
    yield "| truth and fit | " + " | ".join(f"{k}" for k in range(1, 11)) + " | agree |"
    yield "|---|" + "---|" * 11
    for name in cases:
        family, fitted = CASES[name]
        fleets = {n: max(1, round(m * share)) for n, m in FLEETS.items()}
        sites = pl.concat(
            [cover(family, fitted, n, spells, m) for spells in SPELLS for n, m in fleets.items() if n < 1000]
        )
        table = calibration(sites["chance"].to_numpy(), sites["failed"].to_numpy())
        cells = [f"{100 * p:.0f} / {100 * o:.0f}" for p, o in table.select("predicted", "observed").rows()]
        yield f"| {name}, {sites.height:,} spells | {' | '.join(cells)} | {table['agrees'].sum()} in 10 |"


def priors_rows(share: float) -> Iterable[str]:
    """Yield the error of the site medians with priors on, wider (three times) and off."""
    yield "| component | sites | priors on | three times wider | off | off: no answer |"
    yield "|---|---|---|---|---|---|"
    for sleeves in (False, True):
        for sites, fleets in ((5, 120), (20, 40), (80, 15), (400, 5)):
            errors = prior_errors(sites, max(2, round(fleets * share)), sleeves=sleeves)
            cells = [f"{rms:.2f} ({typical:.2f})" for rms, typical, _ in errors]
            name = "sleeves, seen once" if sleeves else "cartridges, three spells a site"
            yield f"| {name} | {sites} | {' | '.join(cells)} | {100 * errors[2][2]:.0f} % |"


def prior_errors(sites: int, fleets: int, *, sleeves: bool) -> list[tuple[float, float, float]]:
    """Return for priors on, wide and off: root mean square and median of the log error, share in trouble.

    One family, the right one, so that the priors are all that differs; an error beyond e^3 counts as e^3.
    """
    on = weak_priors(CUSTOMARY_DAYS)
    tried: tuple[Priors | None, ...] = (on, _wider(on, 3.0), None)
    errors: list[list[Floats]] = [[], [], []]
    trouble = np.zeros(3)
    for fleet in range(fleets):
        stream = np.random.default_rng([sites, fleet, sleeves])
        made = invent(draw_truth(stream, "weibull"), sites, 3, stream, sleeves=sleeves)
        for place, priors in enumerate(tried):
            fit = fit_life(made.lives, priors=priors)
            design = np.column_stack([np.ones(sites), made.lives.coding.code(made.facts)])
            middle = design @ fit.estimate[: design.shape[1]] + fit.sigma * _MIDDLE["weibull"]
            error = middle + fit.site_effects["mean"].to_numpy() - np.log(made.median_days)
            errors[place].append(np.clip(error, -3.0, 3.0))
            trouble[place] += bool(fit.problem) / fleets
    pooled = [np.concatenate(part) for part in errors]
    return [
        (float(np.sqrt(np.mean(part**2))), float(np.median(np.abs(part))), float(trouble[place]))
        for place, part in enumerate(pooled)
    ]


def _wider(priors: Priors, times: float) -> Priors:
    def spread(pair: tuple[float, float]) -> tuple[float, float]:
        return pair[0], pair[1] * times

    return replace(
        priors,
        intercept=spread(priors.intercept),
        coefficient=spread(priors.coefficient),
        log_sigma=spread(priors.log_sigma),
        log_tau=spread(priors.log_tau),
        by_term={name: spread(pair) for name, pair in priors.by_term.items()},
    )


def _percent(covered: pl.Series) -> str:
    return f"{100 * float(covered.to_numpy().mean()):.0f} %"


def main() -> None:
    """Print the table asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("table", choices=["cover", "chances", "priors"])
    parser.add_argument("--share", type=float, default=1.0, help="of the fleets that the study is made of")
    parser.add_argument("--cases", nargs="+", default=list(CASES), choices=list(CASES))
    asked = parser.parse_args()
    rows = {
        "cover": lambda: cover_rows(asked.cases, asked.share),
        "chances": lambda: chance_rows(asked.cases, asked.share),
        "priors": lambda: priors_rows(asked.share),
    }[asked.table]()
    for row in rows:
        print(row, flush=True)


if __name__ == "__main__":
    main()
