"""What must hold of any life fit, whatever the lives."""

import numpy as np
import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from fleetstats.life import Lifetimes, fit_life, weak_priors
from fleetstats.life.families import FAMILIES
from fleetstats.life.site_effect import SiteIntegral

INF = np.inf
FAMILY_NAMES = ("weibull", "lognormal", "loglogistic", "exponential")


def fleet(seed, sites=25, per_site=4, sigma=0.5, tau=0.4, entry=True):
    """Return columns of invented lives: known, last seen good, found spent, in between, late entries."""
    stream = np.random.default_rng(seed)
    n = sites * per_site
    site = np.repeat(np.arange(sites), per_site)
    tank = np.where(stream.random(n) < 0.5, "concrete", "poly")
    use = stream.normal(6, 0.5, n)
    effect = stream.normal(0, tau, sites)[site]
    days = np.exp(
        5.2 - 0.7 * (use - 6) + 0.3 * (tank == "poly") + effect + sigma * np.log(stream.exponential(size=n))
    )
    kind = stream.integers(0, 4, n)
    look = stream.uniform(80, 300, n)
    first = look * stream.uniform(0.2, 0.8, n)
    lower = np.select([kind == 0, days > look, days > first], [days, look, first], 0.0)
    upper = np.select([kind == 0, days > look, days > first], [days, INF, look], first)
    since = np.where(stream.random(n) < 0.3, 0.5 * lower, 0.0) * entry
    frame = pl.DataFrame({"log_daily_litres": use, "tank": tank})
    return {"lower": lower, "upper": upper, "entry": since, "site": site, "covariates": frame}


def summary(fit):
    return np.concatenate([fit.estimate, [fit.tau, fit.log_likelihood]])


@pytest.mark.parametrize("family", FAMILY_NAMES)
@pytest.mark.parametrize("priors", [None, weak_priors(182)])
def test_row_order_does_not_matter(family, priors):
    columns = fleet(1)
    turned = {name: column[::-1] for name, column in columns.items()}
    one, other = (
        fit_life(Lifetimes(**columns), family, True, priors),
        fit_life(Lifetimes(**turned), family, True, priors),
    )
    np.testing.assert_allclose(summary(one), summary(other), rtol=1e-7)
    assert one.site_effects["site"].to_list() == other.site_effects["site"].to_list()
    np.testing.assert_allclose(one.site_effects["mean"], other.site_effects["mean"], atol=1e-7)


@pytest.mark.parametrize("family", ["weibull", "lognormal", "loglogistic"])
@pytest.mark.parametrize("unit", [1440.0, 1 / 3652.5])
@pytest.mark.parametrize("with_priors", [False, True])
def test_the_unit_of_time_moves_the_intercept_alone(family, unit, with_priors):
    columns = fleet(2)
    other = {**columns, **{name: columns[name] * unit for name in ("lower", "upper", "entry")}}
    fit = fit_life(Lifetimes(**columns), family, True, weak_priors(182) if with_priors else None)
    scaled = fit_life(Lifetimes(**other), family, True, weak_priors(182 * unit) if with_priors else None)
    moved = np.zeros(fit.estimate.size)
    moved[0] = np.log(unit)
    np.testing.assert_allclose(scaled.estimate, fit.estimate + moved, atol=1e-7)
    np.testing.assert_allclose(scaled.covariance, fit.covariance, rtol=1e-6, atol=1e-9)
    known_ends = (columns["lower"] == columns["upper"]).sum()
    density = -known_ends * np.log(unit)
    assert scaled.log_likelihood == pytest.approx(fit.log_likelihood + density, abs=1e-7)
    if with_priors:
        assert scaled.log_evidence == pytest.approx(fit.log_evidence + density, abs=1e-6)


@pytest.mark.parametrize("family", FAMILY_NAMES)
@pytest.mark.parametrize("site_effect", [False, True])
def test_weight_is_replication_inside_the_site(family, site_effect):
    columns = fleet(3, sites=12)
    times = np.random.default_rng(0).integers(1, 4, len(columns["lower"]))
    repeated = {name: (column[np.repeat(np.arange(len(times)), times)]) for name, column in columns.items()}
    for priors in (None, weak_priors(182)):
        weighted = fit_life(Lifetimes(**columns, weight=times), family, site_effect, priors)
        written_out = fit_life(Lifetimes(**repeated), family, site_effect, priors)
        np.testing.assert_allclose(summary(weighted), summary(written_out), rtol=1e-7)
        np.testing.assert_allclose(weighted.covariance, written_out.covariance, rtol=1e-6, atol=1e-10)


def test_entry_zero_is_no_entry():
    columns = fleet(4, entry=False)
    without = {name: column for name, column in columns.items() if name != "entry"}
    assert (
        summary(fit_life(Lifetimes(**columns))).tolist() == summary(fit_life(Lifetimes(**without))).tolist()
    )


def test_a_spell_that_only_entered_says_nothing():
    columns = fleet(5)
    lower, upper, entry = (
        np.append(columns[name], end) for name, end in (("lower", 90), ("upper", INF), ("entry", 90))
    )
    site = np.append(columns["site"], 3)
    more = Lifetimes(lower, upper, entry=entry, site=site)
    less = Lifetimes(columns["lower"], columns["upper"], entry=columns["entry"], site=columns["site"])
    np.testing.assert_allclose(summary(fit_life(more)), summary(fit_life(less)), rtol=1e-8)


@pytest.mark.parametrize("family", FAMILY_NAMES)
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 10_000), tau=st.floats(0.05, 2), sigma=st.floats(0.1, 3), shift=st.floats(-1, 1))
def test_slopes_are_those_of_numerical_differences(family, seed, tau, sigma, shift):
    lives = Lifetimes(**fleet(seed, sites=6))
    design = np.column_stack([np.ones(len(lives)), lives.design - lives.design.mean(axis=0)])
    integral = SiteIntegral(lives, design, 5.0, FAMILIES[family], nodes=9)
    theta = np.array([0.2 + shift, -0.5, 0.2, np.log(sigma), np.log(tau)])

    def taken_apart(values):
        return values[:3], float(np.exp(values[3])), float(np.exp(values[4]))

    integral.centre(*taken_apart(theta))
    _, gradient, hessian = integral.slopes(*taken_apart(theta))
    for j, unit in enumerate(np.eye(5) * 1e-5):
        up, down = (integral.slopes(*taken_apart(theta + sign * unit)) for sign in (1, -1))
        scale = 1 + np.abs(hessian[j]).max()
        assert (up[0] - down[0]) / 2e-5 == pytest.approx(gradient[j], abs=1e-6 * scale)
        np.testing.assert_allclose((up[1] - down[1]) / 2e-5, hessian[j], atol=1e-5 * scale)


def _plain_site_log_likelihood(rows, family, mu, sigma, tau):
    """Return the log-likelihood of one site from its definition, by scipy's distributions and quadrature."""
    law = {"weibull": stats.gumbel_l, "lognormal": stats.norm, "loglogistic": stats.logistic}[family]

    def integrand(u):
        chance = stats.norm.pdf(u, scale=tau)
        for low, high, entry in rows:
            z = [(np.log(t) - mu - u) / sigma if t > 0 else -INF for t in (low, high, entry)]
            if low == high:
                term = law.pdf(z[0]) / (sigma * low)
            else:
                term = (1.0 if low == 0 else law.sf(z[0])) - (0.0 if high == INF else law.sf(z[1]))
            chance *= term / (law.sf(z[2]) if entry > 0 else 1.0)
        return chance

    total, _ = integrate.quad(integrand, -6 * tau, 6 * tau, epsabs=0, epsrel=1e-11, limit=500)
    return np.log(total)


@pytest.mark.parametrize("family", ["weibull", "lognormal", "loglogistic"])
def test_the_likelihood_is_that_of_a_plain_second_implementation(family):
    columns = fleet(6, sites=10)
    del columns["covariates"]
    lives = Lifetimes(**columns)
    fit = fit_life(lives, family)
    assert fit.tau > 0
    plain = sum(
        _plain_site_log_likelihood(
            list(
                zip(
                    *(column[lives.site_code == k] for column in (lives.lower, lives.upper, lives.entry)),
                    strict=True,
                )
            ),
            family,
            fit.estimate[0],
            fit.sigma,
            fit.tau,
        )
        for k in range(10)
    )
    assert fit.log_likelihood == pytest.approx(plain, abs=1e-6)


@pytest.mark.parametrize("family", ["weibull", "lognormal", "loglogistic"])
def test_no_other_parameters_near_by_are_more_likely(family):
    lives = Lifetimes(**fleet(7))
    fit = fit_life(lives, family)
    design = np.column_stack([np.ones(len(lives)), lives.design])
    integral = SiteIntegral(lives, design, 0.0, FAMILIES[family], nodes=31)
    integral.centre(fit.estimate[:3], fit.sigma, fit.tau)
    _, gradient, hessian = integral.slopes(fit.estimate[:3], fit.sigma, fit.tau)
    # distance to the top in standard errors; covariates are not centred here and slopes are large numbers
    assert np.sqrt(gradient @ np.linalg.solve(-hessian, gradient)) < 1e-7
    assert np.linalg.eigvalsh(hessian).max() < 0


def test_one_row_far_in_the_tail_moves_the_estimate():
    # ages 1 to 20 and one of 10^6: for a shape of 1.7 its log-survival is about -10^8, which clipping hides
    days = np.append(np.arange(1.0, 21), 1e6)
    law = stats.weibull_min
    fit = fit_life(Lifetimes(days, days))
    eta, beta = np.exp(fit.estimate[0]), 1 / fit.sigma
    assert fit.log_likelihood == pytest.approx(law.logpdf(days, beta, scale=eta).sum(), rel=1e-9)
    without = fit_life(Lifetimes(days[:-1], days[:-1]))
    assert 1 / without.sigma > 1.5
    assert beta < 0.5
    # the score of shape and scale is 0 there
    z = (days / eta) ** beta
    assert z.sum() == pytest.approx(days.size, rel=1e-8)
    assert days.size / beta + np.log(days).sum() - (days**beta @ np.log(days)) / eta**beta == pytest.approx(
        0, abs=1e-5
    )


@pytest.mark.parametrize("family", FAMILY_NAMES)
@pytest.mark.parametrize("factor", [1e-3, 1e6])
def test_weights_from_thousandths_to_millions(family, factor):
    columns = fleet(8, tau=0.0)
    fit = fit_life(Lifetimes(**columns), family, site_effect=False)
    scaled = fit_life(
        Lifetimes(**columns, weight=np.full(len(columns["lower"]), factor)), family, site_effect=False
    )
    np.testing.assert_allclose(scaled.estimate, fit.estimate, atol=1e-7)
    np.testing.assert_allclose(scaled.covariance * factor, fit.covariance, rtol=1e-5, atol=1e-9)
    assert scaled.log_likelihood == pytest.approx(fit.log_likelihood * factor, rel=1e-9)


@pytest.mark.parametrize("family", ["weibull", "lognormal", "loglogistic"])
def test_a_covariates_unit_and_origin_do_not_matter(family):
    columns = fleet(9)
    frame = columns["covariates"]
    moved = frame.with_columns(log_daily_litres=pl.col("log_daily_litres") * 1000 - 50_000)
    fit, other = (fit_life(Lifetimes(**{**columns, "covariates": f}), family) for f in (frame, moved))
    assert other.log_likelihood == pytest.approx(fit.log_likelihood, abs=1e-7)
    assert other.estimate[1] * 1000 == pytest.approx(fit.estimate[1], rel=1e-6)
    np.testing.assert_allclose(
        other.survival([50, 200], covariates=moved.head(3)),
        fit.survival([50, 200], covariates=frame.head(3)),
        atol=1e-8,
    )
