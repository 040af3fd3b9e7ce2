"""Each estimator beside a plain second one, written from its definition, and beside scipy's and lifelines' own."""

import warnings

import numpy as np
import polars as pl
import pytest
from scipy import integrate, optimize, stats

from fleetstats.life import Lifetimes, cumulative_incidence, fit_life, product_limit

INF = np.inf
LAWS = {"weibull": stats.gumbel_l, "lognormal": stats.norm, "loglogistic": stats.logistic}


def lives_of(seed, n=60):
    """Return whole ages, causes (0 = still good) and late entries, with ties."""
    stream = np.random.default_rng(seed)
    days = np.ceil(150 * stream.weibull(1.5, n)) + 1
    entry = np.where(stream.random(n) < 0.4, np.floor(0.6 * days), 0.0)
    return days, stream.integers(0, 3, n), entry


def intervals_of(seed, n=120):
    """Return (lower, upper) of every kind: known, good so far, found at the first look, in between."""
    stream = np.random.default_rng(seed)
    days, look = 200 * stream.weibull(2, n), stream.uniform(60, 320, n)
    first = look * stream.uniform(0.3, 0.9, n)
    kind = stream.integers(0, 3, n)
    lower = np.select([kind == 0, days > look, days > first], [days, look, first], 0.0)
    upper = np.select([kind == 0, days > look, days > first], [days, INF, look], first)
    return lower, upper


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_product_limit_by_a_plain_loop(seed):
    days, cause, entry = lives_of(seed)
    curve = product_limit(Lifetimes(days, np.where(cause > 0, days, INF), entry=entry))
    share, greenwood = 1.0, 0.0
    for row in curve.iter_rows(named=True):
        at_risk = sum(e < row["days"] <= d for d, e in zip(days, entry, strict=True))
        events = sum(c > 0 and d == row["days"] for d, c in zip(days, cause, strict=True))
        share *= 1 - events / at_risk
        assert (row["at_risk"], row["events"]) == (at_risk, events)
        assert row["survival"] == pytest.approx(share, abs=1e-12)
        if at_risk > events:
            greenwood += events / (at_risk * (at_risk - events))
            assert row["standard_error"] == pytest.approx(share * np.sqrt(greenwood), abs=1e-12)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_incidence_by_a_plain_loop(seed):
    days, cause, entry = lives_of(seed)
    found = cumulative_incidence(days, cause, entry=entry)
    share, incidence = 1.0, {1: 0.0, 2: 0.0}
    for age in sorted(set(days[cause > 0])):
        at_risk = sum(e < age <= d for d, e in zip(days, entry, strict=True))
        gone = {k: sum((cause == k) & (days == age)) for k in incidence}
        for k, number in gone.items():
            incidence[k] += share * number / at_risk
            row = found.filter((pl.col("cause") == k) & (pl.col("days") == age))
            assert row["incidence"].item() == pytest.approx(incidence[k], abs=1e-12)
        share *= 1 - sum(gone.values()) / at_risk


@pytest.mark.parametrize("seed", [4, 5])
def test_product_limit_is_scipys(seed):
    days, cause, _ = lives_of(seed)
    curve = product_limit(Lifetimes(days, np.where(cause > 0, days, INF))).filter(pl.col("events") > 0)
    sample = stats.CensoredData(uncensored=days[cause > 0], right=days[cause == 0])
    theirs = stats.ecdf(sample).sf
    np.testing.assert_allclose(curve["survival"], theirs.evaluate(curve["days"].to_numpy()), atol=1e-12)


@pytest.mark.parametrize("family", LAWS)
@pytest.mark.parametrize("seed", [6, 7])
def test_a_plain_fit_is_the_highest_point_of_the_likelihood_as_defined(family, seed):
    lower, upper = intervals_of(seed)
    law = LAWS[family]
    exact = lower == upper

    def loss(theta):
        mu, sigma = theta[0], np.exp(theta[1])
        with np.errstate(divide="ignore"):
            low, high = ((np.log(end) - mu) / sigma for end in (lower, upper))
        inside = law.sf(low) - np.where(np.isinf(upper), 0.0, law.sf(high))
        density = law.pdf(low) / (sigma * np.where(exact, lower, 1.0))
        return -np.log(np.where(exact, density, inside)).sum()

    top = optimize.minimize(loss, [5.0, -0.5], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-11})
    fit = fit_life(Lifetimes(lower, upper), family)
    assert fit.log_likelihood == pytest.approx(-top.fun, abs=1e-8)
    np.testing.assert_allclose(fit.estimate, top.x, atol=1e-5)


def test_scipys_own_fit_of_censored_data_agrees():
    lower, upper = intervals_of(8)
    exact, good = lower == upper, np.isinf(upper)
    left = (lower == 0) & ~good
    between = ~(exact | good | left)
    sample = stats.CensoredData(
        uncensored=lower[exact], right=lower[good], left=upper[left],
        interval=np.column_stack([lower[between], upper[between]]),
    )  # fmt: skip
    shape, _, scale = stats.weibull_min.fit(sample, floc=0)
    fit = fit_life(Lifetimes(lower, upper))
    # scipy stops its simplex at 1e-4 of its parameters
    assert np.exp(fit.estimate[0]) == pytest.approx(scale, rel=1e-4)
    assert 1 / fit.sigma == pytest.approx(shape, rel=1e-4)


def test_lifelines_interval_fit_agrees():
    lower, upper = intervals_of(9)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from lifelines import WeibullFitter

        theirs = WeibullFitter().fit_interval_censoring(np.maximum(lower, 1e-9), upper)
    fit = fit_life(Lifetimes(lower, upper))
    assert np.exp(fit.estimate[0]) == pytest.approx(theirs.lambda_, rel=1e-4)
    assert 1 / fit.sigma == pytest.approx(theirs.rho_, rel=1e-4)


@pytest.mark.parametrize("family", LAWS)
def test_the_site_effect_by_direct_quadrature_and_a_search_without_slopes(family):
    stream = np.random.default_rng(10)
    site = np.arange(48) // 4
    days = 200 * np.exp(0.6 * stream.standard_normal(12)[site] + 0.3 * stream.standard_normal(48))
    good = stream.random(48) < 0.25
    law, logs = LAWS[family], np.log(days)
    nodes = np.linspace(-9, 9, 1201)
    normal = np.exp(-0.5 * nodes**2) / np.sqrt(2 * np.pi)

    def loss(theta):
        mu, sigma, tau = theta[0], np.exp(theta[1]), np.exp(theta[2])
        z = (logs[:, None] - mu - tau * nodes) / sigma
        log_term = np.where(good[:, None], law.logsf(z), law.logpdf(z) - np.log(sigma) - logs[:, None])
        by_site = np.array([log_term[site == k].sum(axis=0) for k in range(12)])
        top = by_site.max(axis=1, keepdims=True)
        return -(np.log(integrate.simpson(np.exp(by_site - top) * normal, x=nodes)) + top[:, 0]).sum()

    fit = fit_life(Lifetimes(days, np.where(good, INF, days), site=site), family, nodes=41)
    assert fit.log_likelihood == pytest.approx(-loss(fit.estimate), abs=1e-7)
    top = optimize.minimize(
        loss, fit.estimate + 0.1, method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-9}
    )
    np.testing.assert_allclose(fit.estimate, top.x, atol=1e-4)
