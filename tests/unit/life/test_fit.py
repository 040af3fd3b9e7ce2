"""What a fit reports, and what it says where the lives have no answer."""

import numpy as np
import polars as pl
import pytest
from scipy import integrate, stats

from fleetstats.errors import LifeError
from fleetstats.life import Lifetimes, Priors, fit_life, weak_priors

INF = np.inf
STREAM = np.random.default_rng(11)
DAYS = 200 * STREAM.weibull(2, 60)
SITE = np.arange(60) // 5


@pytest.fixture(scope="module")
def spread_out():
    """Return the fit of twelve sites that differ much."""
    days = DAYS * np.exp(np.repeat(STREAM.normal(0, 0.7, 12), 5))
    frame = pl.DataFrame({"x": np.repeat(STREAM.normal(size=12), 5), "tank": ["a", "b", "a", "b", "a"] * 12})
    ended = STREAM.random(60) < 0.8
    return fit_life(Lifetimes(days, np.where(ended, days, INF), site=SITE, covariates=frame), "weibull")


NO_ANSWER = {
    "nothing failed": ({"upper": np.full(60, INF)}, "nothing has failed"),
    "all had failed when first seen": ({"lower": np.zeros(60)}, "do not determine intercept"),
    "one age for all": ({"lower": np.full(60, 90.0), "upper": np.full(60, 90.0)}, "sigma goes to 0"),
    "one interval for all": ({"lower": np.full(60, 90.0), "upper": np.full(60, 99.0)}, "do not determine"),
}


@pytest.mark.parametrize("family", ["weibull", "lognormal", "loglogistic"])
@pytest.mark.parametrize("name", NO_ANSWER)
def test_no_answer_is_a_value_with_its_reason(family, name):
    change, words = NO_ANSWER[name]
    lives = Lifetimes(**{"lower": DAYS, "upper": DAYS, "site": SITE, **change})
    fit = fit_life(lives, family)
    assert words in fit.problem
    assert np.isfinite(fit.estimate).all()
    assert np.isfinite(fit.survival([0, 100, 1e5], site=3)).all()
    with_priors = fit_life(lives, family, priors=weak_priors(182))
    assert with_priors.problem == ""
    assert with_priors.coefficients["standard_error"].is_finite().all()
    assert np.isfinite(with_priors.log_evidence)


def test_a_level_in_which_nothing_failed():
    tank = np.where(np.arange(60) % 3 == 0, "b", "a")
    lives = Lifetimes(DAYS, np.where(tank == "b", INF, DAYS), covariates=pl.DataFrame({"tank": tank}))
    fit = fit_life(lives)
    assert "tank[b]" in fit.problem
    assert fit.coefficients["standard_error"].to_list()[1] == INF
    alone = fit_life(Lifetimes(DAYS[tank == "a"], DAYS[tank == "a"]))
    assert fit.coefficients["estimate"][0] == pytest.approx(alone.coefficients["estimate"][0], abs=1e-6)
    assert fit.effects()["high"][0] == INF


def test_constant_and_empty_covariates_take_nothing_from_the_rest():
    frame = pl.DataFrame(
        {"one": np.ones(60), "same": ["k"] * 60, "blank": pl.Series([None] * 60, dtype=pl.Float64)}
    )
    fit, without = fit_life(Lifetimes(DAYS, DAYS, covariates=frame)), fit_life(Lifetimes(DAYS, DAYS))
    assert fit.log_likelihood == pytest.approx(without.log_likelihood, abs=1e-9)
    assert fit.coefficients["standard_error"][0] == pytest.approx(without.coefficients["standard_error"][0])
    assert "one" in fit.problem
    with_priors = fit_life(Lifetimes(DAYS, DAYS, covariates=frame), priors=weak_priors(182))
    assert with_priors.coefficients["standard_error"].to_list()[1:] == pytest.approx([0.5] * 3)


def test_columns_that_follow_from_one_another():
    x = STREAM.normal(size=60)
    both = fit_life(Lifetimes(DAYS, DAYS, covariates=pl.DataFrame({"x": x, "y": 2 * x})))
    one = fit_life(Lifetimes(DAYS, DAYS, covariates=pl.DataFrame({"x": x})))
    assert both.log_likelihood == pytest.approx(one.log_likelihood, abs=1e-8)
    assert "x, y" in both.problem
    assert np.isfinite(both.coefficients["standard_error"][0])


def test_one_site_has_no_effect_of_its_own():
    fit = fit_life(Lifetimes(DAYS, DAYS, site=["only"] * 60))
    assert fit.tau == 0.0
    assert fit.site_effects.rows() == [("only", 0.0, 0.0)]
    assert fit.problem == ""


def test_sites_that_differ_less_than_chance_have_a_tau_of_zero():
    ordered = np.sort(DAYS).reshape(5, 12).T.ravel()  # each site gets one life of every length
    fit = fit_life(Lifetimes(ordered, ordered, site=SITE))
    assert fit.tau == 0.0
    assert (
        fit.log_likelihood
        == fit_life(Lifetimes(ordered, ordered, site=SITE), site_effect=False).log_likelihood
    )


def test_effects_are_time_ratios(spread_out):
    table = spread_out.effects(level=0.90)
    rows = spread_out.coefficients.rows()[1:]
    assert table["term"].to_list() == ["x", "tank[b]"]
    width = stats.norm.ppf(0.95)
    for (_, estimate, error), (_, ratio, low, high) in zip(rows, table.rows(), strict=True):
        assert (ratio, low, high) == pytest.approx(
            tuple(np.exp([estimate, estimate - width * error, estimate + width * error]))
        )


def _by_quadrature(fit, days, mu, log_weight):
    """Return S(days) averaged over u with the given log weight, by scipy's quadrature."""

    def total(function):
        return integrate.quad(function, -8 * fit.tau, 8 * fit.tau, epsabs=0, epsrel=1e-10, limit=400)[0]

    def survival(u):
        return np.exp(-((days / np.exp(mu + u)) ** (1 / fit.sigma)))

    return total(lambda u: np.exp(log_weight(u)) * survival(u)) / total(lambda u: np.exp(log_weight(u)))


def test_survival_at_an_unknown_site_is_averaged_over_all_sites(spread_out):
    mu = spread_out.estimate[:3] @ [1, 0.3, 1]
    found = spread_out.survival(
        [50, 150, 400], covariates=pl.DataFrame({"x": [0.3], "tank": ["b"]}), site="new"
    )
    for days, chance in zip([50, 150, 400], found[0], strict=True):
        assert chance == pytest.approx(
            _by_quadrature(spread_out, days, mu, lambda u: -0.5 * (u / spread_out.tau) ** 2), abs=1e-9
        )


def test_survival_at_a_known_site_is_averaged_over_its_posterior(spread_out):
    lives, b, sigma = spread_out.lives, spread_out.estimate[:3], spread_out.sigma
    own = lives.site_code == 4
    location = b[0] + lives.design[own] @ b[1:]

    def log_weight(u):
        z = (np.log(lives.lower[own]) - location - u) / sigma
        return (np.where(lives.exact[own], z, 0) - np.exp(z)).sum() - 0.5 * (u / spread_out.tau) ** 2

    found = spread_out.survival([50, 150, 400], covariates=pl.DataFrame({"x": [0.0], "tank": ["a"]}), site=4)
    for days, chance in zip([50, 150, 400], found[0], strict=True):
        assert chance == pytest.approx(_by_quadrature(spread_out, days, b[0], log_weight), abs=1e-7)


def test_survival_shapes(spread_out):
    frame = spread_out_frame = pl.DataFrame({"x": [0.0, 1.0], "tank": ["a", "b"]})
    assert spread_out.survival(100).shape == ()
    assert spread_out.survival([100, 200, 300]).shape == (3,)
    assert spread_out.survival([100, 200, 300], site=4).shape == (3,)
    assert spread_out.survival([100, 200, 300], site=[4, 5]).shape == (2, 3)
    assert spread_out.survival([100, 200, 300], covariates=frame).shape == (2, 3)
    assert spread_out.survival(100, covariates=spread_out_frame, site=[4, "new"]).shape == (2,)
    assert spread_out.survival(0) == 1.0
    with pytest.raises(LifeError, match="2 rows of covariates and 3 sites"):
        spread_out.survival(100, covariates=frame, site=[1, 2, 3])
    with pytest.raises(LifeError, match="below 0"):
        spread_out.survival(-1)


def test_rows_known_and_unknown_are_not_mixed_up(spread_out):
    frame = pl.DataFrame({"x": [0.0] * 4, "tank": ["a"] * 4})
    mixed = spread_out.survival([100], covariates=frame, site=[4, "new", 7, None])[:, 0]
    single = [
        spread_out.survival([100], covariates=frame.head(1), site=site)[0, 0] for site in (4, "new", 7, None)
    ]
    np.testing.assert_allclose(mixed, single, rtol=1e-13)


def test_weak_priors_are_those_stated():
    priors = weak_priors(182)
    assert priors.intercept == (np.log(182), 1.0)
    assert priors.coefficient == (0.0, 0.5)
    assert priors.log_sigma == (np.log(0.4), 0.35)
    assert priors.log_tau == (np.log(0.4), 0.5)
    assert dict(priors.by_term) == {"log_daily_litres": (-0.7, 0.4)}
    assert weak_priors(365, tau_median=0.15).log_tau == (np.log(0.15), 0.5)


@pytest.mark.parametrize(
    "broken", [{"intercept": (5.0, 0.0)}, {"intercept": (np.nan, 1.0)}, {"by_term": {"x": (0, -1)}}]
)
def test_priors_that_cannot_be(broken):
    with pytest.raises(LifeError, match="accepted: a finite mean"):
        Priors(**{"intercept": (5.0, 1.0), **broken})


def test_without_information_the_priors_come_back():
    use = np.array([5.0, 6.0, 7.0, 8.0])
    frame = pl.DataFrame({"log_daily_litres": use, "depth": 10 * use, "tank": ["a", "b", "a", "b"]})
    lives = Lifetimes([1e-6] * 4, [INF] * 4, site=list("abcd"), covariates=frame)
    fit = fit_life(lives, priors=weak_priors(182))
    deviation = np.std(10 * use)
    assert fit.coefficients["estimate"].to_list()[1:] == pytest.approx([-0.7, 0, 0], abs=1e-6)
    assert fit.coefficients["standard_error"].to_list()[1:] == pytest.approx(
        [0.4, 0.5 / deviation, 0.5], rel=1e-6
    )
    # the intercept's prior is that of a unit with average covariates
    assert fit.estimate[0] - 0.7 * use.mean() == pytest.approx(np.log(182), abs=1e-6)
    assert (fit.sigma, fit.tau) == pytest.approx((0.4, 0.4), abs=1e-6)
    assert fit.log_evidence == pytest.approx(0.0, abs=1e-6)


def test_evidence_is_the_integral_of_likelihood_times_prior():
    days = np.array([80.0, 120.0, 150.0, 210.0, 260.0, 300.0] * 4)
    priors = weak_priors(182)
    fit = fit_life(Lifetimes(days, days), "lognormal", priors=priors)

    mu, log_sigma = np.meshgrid(np.linspace(4.0, 6.4, 400), np.linspace(-2.5, 1.0, 400), indexing="ij")
    likelihood = (
        stats.norm.logpdf(np.log(days)[:, None, None], mu, np.exp(log_sigma)).sum(axis=0) - np.log(days).sum()
    )
    prior = stats.norm.logpdf(mu, *priors.intercept) + stats.norm.logpdf(log_sigma, *priors.log_sigma)
    cell = (2.4 / 399) * (3.5 / 399)
    total = np.exp(likelihood + prior - fit.log_evidence).sum() * cell
    assert np.log(total) == pytest.approx(0.0, abs=0.03)  # Laplace's error at 24 lives


def test_arguments_that_cannot_be():
    lives = Lifetimes(DAYS, DAYS, site=SITE)
    with pytest.raises(LifeError, match="family 'gamma' is not known"):
        fit_life(lives, "gamma")
    with pytest.raises(LifeError, match="nodes = 2 found"):
        fit_life(lives, nodes=2)
    with pytest.raises(LifeError, match="level 90 found"):
        fit_life(lives).effects(level=90)
