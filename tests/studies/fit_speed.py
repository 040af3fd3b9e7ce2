"""Times and memory of the life fit, alone and beside another library on the same rows in the same run.

Run by hand, one process at a time, about five minutes:

    python tests/studies/fit_speed.py grow      # 10,000 to 1,000,000 spells with site effects
    python tests/studies/fit_speed.py beside    # against lifelines' interval-censored Weibull regression

Every size runs in a process of its own, so that its peak of memory is its own. `beside` also says how far
each answer is from the maximum, which a third likelihood, written from its definition, finds by Newton's
method with derivatives by machine.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import time
import warnings
from collections.abc import Callable, Iterable

import numpy as np
import polars as pl
from numpy.typing import NDArray

from fleetstats.life import Lifetimes, fit_life, weak_priors

Floats = NDArray[np.float64]
SIZES = (10_000, 30_000, 100_000, 300_000, 1_000_000)
SPELLS_A_SITE = 5
TANKS = ("concrete", "poly", "steel")


def fleet(spells: int, seed: int = 1) -> dict[str, object]:
    """Return the columns of `Lifetimes`: most ends on a known day, the rest between looks or after them."""
    stream = np.random.default_rng(seed)
    sites = spells // SPELLS_A_SITE
    site = np.repeat(np.arange(sites), SPELLS_A_SITE)
    use, tank = stream.normal(0.0, 0.5, sites)[site], stream.integers(0, 3, sites)[site]
    heavy = (stream.random(sites) < 0.3)[site]
    place = np.log(200.0) - 0.7 * use - 0.4 * heavy + 0.1 * tank + stream.normal(0.0, 0.4, sites)[site]
    days = np.exp(place + 0.4 * np.log(stream.exponential(size=spells)))
    looks = stream.normal(182.0, 12.0, (spells, 2)).cumsum(axis=1)
    before = np.where(days[:, None] > looks, looks, 0.0).max(axis=1)
    after = np.where(days[:, None] <= looks, looks, np.inf).min(axis=1)
    known = (stream.random(spells) < 0.7) & np.isfinite(after)
    facts = pl.DataFrame(
        {
            "log_daily_litres": use,
            "tank": np.array(TANKS)[tank],
            "trees": np.where(heavy, "heavy", "a few"),
        }
    )
    return {
        "lower": np.where(known, days, before),
        "upper": np.where(known, days, after),
        "site": site,
        "covariates": facts,
    }


def timed(work: Callable[[], object], times: int = 1) -> tuple[object, float]:
    """Return the result and the shortest of so many runs, seconds."""
    shortest, result = np.inf, None
    for _ in range(times):
        start = time.perf_counter()
        result = work()
        shortest = min(shortest, time.perf_counter() - start)
    return result, shortest


def grow_row(spells: int) -> str:
    """Return one row: seconds with priors and site effects, without, and the peak of memory."""
    columns = fleet(spells)
    before = _peak_mib()
    lives, making = timed(lambda: Lifetimes(**columns))  # type: ignore[arg-type]
    _, alone = timed(lambda: fit_life(lives, site_effect=False))  # type: ignore[arg-type]
    fit, with_sites = timed(lambda: fit_life(lives, priors=weak_priors(182.0)))  # type: ignore[arg-type]
    told = f"sigma {fit.sigma:.4f}, tau {fit.tau:.4f}"  # type: ignore[attr-defined]
    return (
        f"| {spells:,} | {spells // SPELLS_A_SITE:,} | {making:.2f} | {alone:.2f} | {with_sites:.2f} | "
        f"{_peak_mib():,.0f} ({before:,.0f} before) | {told} |"
    )


def _peak_mib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def grow() -> Iterable[str]:
    """Yield the table of growth; its truth is sigma 0.4 and tau 0.4."""
    yield (
        "| spells | sites | rows checked and coded, s | fit, no site effect, s "
        "| fit, site effects and priors, s | peak memory, MiB | estimates |"
    )
    yield "|---|---|---|---|---|---|---|"
    for spells in SIZES:
        asked = [sys.executable, __file__, "one", "--spells", str(spells)]
        yield subprocess.run(asked, check=True, capture_output=True, text=True).stdout.strip()


def beside(spells: int) -> Iterable[str]:
    """Yield the comparison on the same rows: seconds, and how far from the maximum each answer is."""
    columns = fleet(spells)
    lives = Lifetimes(**columns)  # type: ignore[arg-type]
    fit, own = timed(lambda: fit_life(lives, site_effect=False), 3)
    _, sites = timed(lambda: fit_life(lives), 1)
    other, theirs = timed(lambda: _by_lifelines(lives), 2)
    plain = PlainWeibull(lives)
    top = plain.top(np.asarray(fit.estimate))  # type: ignore[attr-defined]
    yield f"{spells:,} spells at {spells // SPELLS_A_SITE:,} sites, five terms, the same rows in one run:"
    yield ""
    yield "| fit | s | below the maximum, log-likelihood | furthest parameter, standard errors |"
    yield "|---|---|---|---|"
    for name, seconds, estimate in (
        ("fit_life, no site effect", own, np.asarray(fit.estimate)),  # type: ignore[attr-defined]
        ("lifelines, interval-censored", theirs, np.asarray(other)),
    ):
        short = plain.value(top) - plain.value(estimate)
        off = np.max(np.abs(estimate - top) / plain.errors(top))
        yield f"| {name} | {seconds:.2f} | {short:.1e} | {off:.1e} |"
    yield f"| fit_life, with site effects | {sites:.2f} | – | – |"
    yield ""
    yield f"lifelines takes {theirs / own:.1f} times as long as fit_life on the same model."


def _by_lifelines(lives: Lifetimes) -> Floats:
    """Return (coefficients, log sigma) by lifelines, its columns in the order of `fit_life`."""
    from lifelines import WeibullAFTFitter

    names = [f"x{k}" for k in range(lives.design.shape[1])]
    table = pl.DataFrame(lives.design, schema=names).with_columns(
        lower=pl.Series(lives.lower), upper=pl.Series(lives.upper)
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        frame = _pandas(table)
        fitted = WeibullAFTFitter().fit_interval_censoring(frame, "lower", "upper")
    scale = fitted.params_["lambda_"]
    inside = [float(scale[name]) for name in ["Intercept", *names]]
    return np.array([*inside, -float(fitted.params_["rho_"]["Intercept"])])


def _pandas(table: pl.DataFrame) -> object:
    import pandas as pd

    return pd.DataFrame({name: table[name].to_numpy() for name in table.columns})


class PlainWeibull:
    """The log-likelihood of a Weibull regression from its definition, derivatives by machine."""

    def __init__(self, lives: Lifetimes) -> None:
        self.design = np.column_stack([np.ones(len(lives)), lives.design])
        self.low, self.high = lives.lower, lives.upper
        self.exact = lives.exact

    def value(self, theta: Floats) -> float:
        """Return the log-likelihood at (coefficients, log sigma)."""
        import autograd.numpy as anp

        place, sigma = anp.dot(self.design, theta[:-1]), anp.exp(theta[-1])
        known, right, left = self.exact, np.isinf(self.high), (self.low == 0) & np.isfinite(self.high)
        between = ~(known | right | left)

        def hazard(days: Floats, rows: NDArray[np.bool_]) -> Floats:
            return anp.exp((np.log(days[rows]) - place[rows]) / sigma)

        at_end = hazard(self.low, known)
        ended = anp.log(at_end) - at_end - theta[-1] - np.log(self.low[known])
        width = hazard(self.high, between) - hazard(self.low, between)
        told = anp.log(-anp.expm1(-width)) - hazard(self.low, between)
        below = anp.log(-anp.expm1(-hazard(self.high, left)))
        return anp.sum(ended) - anp.sum(hazard(self.low, right)) + anp.sum(told) + anp.sum(below)

    def _slopes(self, theta: Floats) -> tuple[Floats, Floats]:
        from autograd import grad

        slope = grad(self.value)
        step = np.eye(theta.size) * 1e-5
        bend = np.array([(slope(theta + one) - slope(theta - one)) / 2e-5 for one in step])
        return slope(theta), 0.5 * (bend + bend.T)

    def top(self, start: Floats) -> Floats:
        """Return the maximum by Newton's method from `start`."""
        theta = start.copy()
        for _ in range(6):
            slope, bend = self._slopes(theta)
            theta = theta - np.linalg.solve(bend, slope)
        return theta

    def errors(self, theta: Floats) -> Floats:
        """Return the standard errors at the maximum."""
        return np.sqrt(np.diag(np.linalg.inv(-self._slopes(theta)[1])))


def main() -> None:
    """Print the table asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("table", choices=["grow", "beside", "one"])
    parser.add_argument("--spells", type=int, default=100_000)
    asked = parser.parse_args()
    if asked.table == "one":
        print(grow_row(asked.spells))
        return
    for row in grow() if asked.table == "grow" else beside(asked.spells):
        print(row, flush=True)


if __name__ == "__main__":
    main()
