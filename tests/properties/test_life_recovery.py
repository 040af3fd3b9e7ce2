"""Fleets with known truth: what was put in comes out, within its stated error."""

import numpy as np
import polars as pl
import pytest

from fleetstats.life import Lifetimes, fit_life, weak_priors

INF = np.inf
ERRORS = {
    "weibull": lambda stream, n: np.log(stream.exponential(size=n)),
    "lognormal": lambda stream, n: stream.standard_normal(n),
    "loglogistic": lambda stream, n: stream.logistic(size=n),
}


def _looked_at(days, looks, stream):
    """Return lower and upper of lives that are known exactly (half of them) or by their looks only."""
    n = days.size
    before = np.where(looks < days[:, None], looks, 0.0).max(axis=1)
    after = np.where(looks >= days[:, None], looks, INF).min(axis=1)
    known = (stream.random(n) < 0.5) & np.isfinite(after)
    return np.where(known, days, before), np.where(known, days, after)


@pytest.mark.parametrize("family", ERRORS)
def test_coefficients_sigma_and_tau(family):
    stream = np.random.default_rng(42)
    sites, per_site, sigma, tau = 600, 6, 0.35, 0.45
    site = np.repeat(np.arange(sites), per_site)
    use, poly = stream.normal(6, 0.6, sites)[site], (stream.random(sites) < 0.4)[site]
    location = np.log(200) - 0.7 * (use - 6) + 0.25 * poly + stream.normal(0, tau, sites)[site]
    days = np.exp(location + sigma * ERRORS[family](stream, site.size))
    lower, upper = _looked_at(days, stream.uniform(60, 120, (site.size, 4)).cumsum(axis=1), stream)
    frame = pl.DataFrame({"log_daily_litres": use - 6, "tank": np.where(poly, "poly", "concrete")})
    fit = fit_life(Lifetimes(lower, upper, site=site, covariates=frame), family)
    truth = np.array([np.log(200), -0.7, 0.25, np.log(sigma), np.log(tau)])
    error = np.sqrt(np.diag(fit.covariance))
    assert np.abs((fit.estimate - truth) / error).max() < 3
    assert error[:3].max() < 0.05
    assert error[3:].max() < 0.06


def _seen_from_day_1000(stream, sites, sigma, tau):
    """Return spells of units renewed on failure since long ago, watched from day 1000 to 1700."""
    rows = []
    for site in range(sites):
        scale = 300 * np.exp(stream.normal(0, tau))
        for _ in range(8):
            start = stream.uniform(-300, 0)
            while start < 1700:
                end = start + scale * stream.exponential() ** sigma
                if end > 1000:
                    rows.append((site, max(1000 - start, 0), min(end, 1700) - start, end < 1700))
                start = end
    site, entry, days, ended = (np.array(column) for column in zip(*rows, strict=True))
    keep = days > entry
    return {
        "lower": days[keep],
        "upper": np.where(ended, days, INF)[keep],
        "entry": entry[keep],
        "site": site[keep],
    }


def test_units_already_in_place_when_watching_began():
    columns = _seen_from_day_1000(np.random.default_rng(7), sites=250, sigma=0.4, tau=0.4)
    fit = fit_life(Lifetimes(**columns))
    assert np.exp(fit.estimate[0]) == pytest.approx(300, rel=0.06)
    assert fit.sigma == pytest.approx(0.4, rel=0.05)
    assert fit.tau == pytest.approx(0.4, rel=0.12)
    del columns["entry"]
    ignored = fit_life(Lifetimes(**columns))
    assert abs(np.exp(ignored.estimate[0]) - 300) > 1.5 * abs(np.exp(fit.estimate[0]) - 300)


def test_priors_hold_where_every_unit_is_seen_once_at_one_age():
    # sleeves looked at once at about the same age: the likelihood alone cannot tell sigma from tau and median
    stream = np.random.default_rng(3)
    looks = stream.normal(182, 6, 150)
    days = 220 * np.exp(stream.normal(0, 0.3, 150)) * stream.exponential(size=150) ** 0.3
    lower, upper = np.where(days > looks, looks, 0.0), np.where(days > looks, INF, looks)
    lives = Lifetimes(lower, upper, site=np.arange(150))
    fit = fit_life(lives, priors=weak_priors(182))
    assert 0.2 < fit.sigma < 0.6
    assert fit.survival(182.0) == pytest.approx((days > 182).mean(), abs=0.06)
    assert fit.problem == ""
