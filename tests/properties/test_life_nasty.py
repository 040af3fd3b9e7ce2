"""A few hundred nasty sets of lives: always a finite answer with a width, or a value that says why not.

Warnings are errors in this suite: none leaks from numpy in any of these.
"""

import numpy as np
import polars as pl
import pytest

from fleetstats.errors import LifeError
from fleetstats.life import FamilyAverage, Lifetimes, draw_lives, fit_life, weak_priors

INF = np.inf
FAMILY_NAMES = ("weibull", "lognormal", "loglogistic", "exponential")
SETS, BATCHES = 320, 16
HOW_KNOWN = ("exact", "good", "by then", "to the second", "between", "to the day")


def nasty(seed):
    """Return columns of lives and their unit of time: few or many sites, any censoring, units, weights, blanks."""
    stream = np.random.default_rng(seed)
    n = int(stream.choice([1, 2, 3, 5, 12, 30]))
    sites = int(stream.integers(1, n + 1))
    site = stream.integers(0, sites, n)
    unit = float(stream.choice([1.0, 1440.0, 1 / 3652.5]))
    tau, sigma = stream.choice([0.0, 0.05, 0.4, 1.5]), stream.choice([0.05, 0.3, 1.0])
    noise = np.log(stream.exponential(size=n)) if stream.random() < 0.5 else stream.standard_normal(n)
    days = 150 * np.exp(tau * stream.standard_normal(sites)[site] + sigma * noise)
    how = stream.choice(HOW_KNOWN, n, p=stream.dirichlet(np.full(len(HOW_KNOWN), 0.5)))
    before, after = stream.uniform(0.2, 1.0, n), stream.uniform(1.0, 4.0, n)
    told = [how == kind for kind in HOW_KNOWN]
    lower = np.select(told, [days, before * days, 0 * days, days - 1e-5, before * days, days - 1], days)
    upper = np.select(told, [days, np.full(n, INF), after * days, days, after * days, days], days)
    lower = np.maximum(lower, 0.0)
    late = stream.random(n) < stream.choice([0.0, 0.3])
    entry = np.where(late, stream.choice([0.1, 0.9, 0.999]) * lower, 0.0)
    weight = 10.0 ** stream.uniform(-3, 6, n) if stream.random() < 0.3 else np.ones(n)
    blank = stream.random((n, 2)) < stream.choice([0.0, 0.3, 1.0])
    use = stream.normal(size=n) * 10.0 ** stream.uniform(-3, 3)
    tank = stream.choice(["poly", "steel", "timber", "slate"], n, p=[0.85, 0.1, 0.04, 0.01])
    columns = {
        "use": pl.Series(np.where(blank[:, 0], np.nan, use)).fill_nan(None),
        "tank": pl.Series([None if no else t for t, no in zip(tank, blank[:, 1], strict=True)], dtype=pl.String),
        "same": pl.Series(np.full(n, 7.0)),
        "twice": pl.Series(2 * use),
    }  # fmt: skip
    kept = [name for name in columns if stream.random() < 0.5]
    frame = pl.DataFrame({name: columns[name] for name in kept}) if kept else None
    lives = {"lower": unit * lower, "upper": unit * upper, "entry": unit * entry}
    return {**lives, "site": site, "weight": weight, "covariates": frame}, unit


def sound(fit):
    """Say whether every figure of a fit is a number and its curve is a curve."""
    assert np.isfinite(fit.estimate).all()
    assert np.isfinite(fit.covariance).all()
    assert np.isfinite([fit.sigma, fit.tau, fit.log_likelihood]).all()
    assert (np.diag(fit.covariance) >= 0).all()
    assert fit.site_effects["sd"].is_finite().all()
    chance = fit.survival([0.0, 1e-3, 100.0, 1e6])
    assert ((chance >= 0) & (chance <= 1)).all()
    assert (np.diff(chance) <= 1e-12).all()


def believed(fit, unit, columns):
    """Say whether a fit under the weak priors has an answer that draws can rest on, or outvoted priors and says so.

    Where one life stands for a hundred thousand beside others of a thousandth, weights outvote any prior: the
    spread goes to 0, or the slope's rounding is steeper than the hill.
    """
    if fit.problem:
        assert columns["weight"].max() > 100
        assert (
            "sigma goes to 0" in fit.problem or "no maximum" in fit.problem or "not determine" in fit.problem
        )
        return
    assert np.isfinite(fit.log_evidence)
    error = fit.coefficients["standard_error"].to_numpy()
    assert np.isfinite(error).all()
    assert (error > 0).all()
    if columns["weight"].max() == 1.0:
        assert fit.tau < 0.4 * np.exp(6 * 0.5), "the prior of tau, N(log 0.4, 0.5^2), holds it within reach"
        assert 0.4 * np.exp(-12 * 0.35) < fit.sigma < 0.4 * np.exp(8 * 0.35)
    frame = columns["covariates"]
    drawn = draw_lives(
        FamilyAverage((fit,), np.ones(1)), covariates=None if frame is None else frame.head(1),
        sites=["never seen"], draws=40,
    )  # fmt: skip
    assert np.isfinite(drawn.median()).all()
    assert (drawn.median() > 0).all()
    assert np.log(drawn.median() / unit).std() > 0


@pytest.mark.parametrize("batch", range(BATCHES))
def test_a_finite_answer_or_a_reason_whatever_the_lives(batch):
    for seed in range(batch, SETS, BATCHES):
        columns, unit = nasty(seed)
        try:
            lives = Lifetimes(**columns)
        except LifeError:  # an end at or before the entry: what is refused is told in test_lifetimes
            continue
        family = FAMILY_NAMES[(seed // BATCHES) % len(FAMILY_NAMES)]
        try:
            sound(fit_life(lives, family))
            fit = fit_life(lives, family, priors=weak_priors(182 * unit))
            sound(fit)
            believed(fit, unit, columns)
        except (AssertionError, Warning, ArithmeticError, np.linalg.LinAlgError) as wrong:
            raise AssertionError(f"set {seed}, {family}: {wrong!r}") from wrong
