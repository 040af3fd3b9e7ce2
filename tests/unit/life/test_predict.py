"""Draws follow the posterior they are drawn from, and everything read off them follows from the draws."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

import fleetstats.life.predict
from fleetstats.errors import LifeError
from fleetstats.life import (
    FamilyAverage,
    LifeDraws,
    Lifetimes,
    average_families,
    draw_lives,
    fit_life,
    weak_priors,
)
from fleetstats.life.families import FAMILIES
from fleetstats.life.fit import ScaledPrior, _evidence
from fleetstats.life.newton import Top

INF = np.inf


@pytest.fixture(scope="module")
def lives():
    """Return 30 sites that differ, some seen once and some ten times, with late entries and intervals."""
    stream = np.random.default_rng(5)
    site = np.repeat(np.arange(30), stream.integers(1, 11, 30))
    tank = np.where(site % 2 == 0, "concrete", "poly")
    days = np.exp(
        5.3
        + 0.3 * (site % 2)
        + stream.normal(0, 0.5, 30)[site]
        + 0.4 * np.log(stream.exponential(size=site.size))
    )
    look = stream.uniform(100, 300, site.size)
    lower = np.where(days > look, look, np.where(stream.random(site.size) < 0.3, 0.0, days))
    upper = np.where(days > look, INF, np.where(lower == 0, look, days))
    entry = np.where(stream.random(site.size) < 0.2, 0.3 * lower, 0.0)
    return Lifetimes(lower, upper, entry=entry, site=site, covariates=pl.DataFrame({"tank": tank}))


@pytest.fixture(scope="module")
def average(lives):
    return average_families(lives, priors=weak_priors(182))


UNITS = {
    "covariates": pl.DataFrame({"tank": ["concrete", "poly"] * 15 + ["concrete", "steel"]}),
    "sites": [*range(30), "new", None],
}


def test_weights_are_shares_of_evidence(lives, average):
    evidence = [
        fit_life(lives, name, priors=weak_priors(182)).log_evidence
        for name in ("weibull", "lognormal", "loglogistic")
    ]
    assert average.weights.sum() == pytest.approx(1)
    assert np.log(average.weights[0] / average.weights[1]) == pytest.approx(evidence[0] - evidence[1])
    drawn = draw_lives(average, **UNITS, draws=200)
    for fit, weight in zip(average.fits, average.weights, strict=True):
        assert abs(drawn.family.count(fit.family) - 200 * weight) < 1


@pytest.mark.parametrize("family", ["weibull", "lognormal", "loglogistic", "exponential"])
def test_site_effects_are_drawn_from_their_exact_conditional(lives, family):
    fit = fit_life(lives, family, priors=weak_priors(182))
    pinned = replace(fit, covariance=np.zeros_like(fit.covariance))  # every draw has the same parameters
    drawn = draw_lives(FamilyAverage((pinned,), np.ones(1)), **UNITS, draws=5_000)
    mean, sd = fit.site_effects["mean"].to_numpy(), fit.site_effects["sd"].to_numpy()
    effect = drawn.site_effect[:30]
    np.testing.assert_allclose(effect.mean(axis=1), mean, atol=4 * sd.max() / np.sqrt(5_000))
    np.testing.assert_allclose(effect.std(axis=1), sd, rtol=0.06)
    # the posterior's own distribution function, by the site's quadrature on a fine grid of u
    for k in (0, 7):
        grid = np.linspace(mean[k] - 6 * sd[k], mean[k] + 6 * sd[k], 2001)
        density = np.exp(_log_posterior(fit, k, grid))
        below = np.cumsum(density) / density.sum()
        for p in (0.05, 0.25, 0.5, 0.75, 0.95):
            share = (effect[k] <= grid[np.searchsorted(below, p)]).mean()
            assert share == pytest.approx(p, abs=4 * np.sqrt(p * (1 - p) / 5_000) + 0.003)
    assert drawn.site_effect[30].std() == pytest.approx(fit.tau, rel=0.05)


def _log_posterior(fit, code, grid):
    lives, family = fit.lives, FAMILIES[fit.family]
    total = -0.5 * (grid / fit.tau) ** 2
    for row in np.flatnonzero(lives.site_code == code):

        def z(days, row=row):
            return (np.log(days) - fit.estimate[0] - lives.design[row] @ fit.estimate[1:2] - grid) / fit.sigma

        if lives.exact[row]:
            total = total + family.log_pdf(z(lives.lower[row]))
        elif lives.right_censored[row]:
            total = total + family.log_sf(z(lives.lower[row]))
        elif lives.left_censored[row]:
            total = total + family.log_cdf(z(lives.upper[row]))
        else:
            total = total + family.log_between(z(lives.lower[row]), z(lives.upper[row]))
        if lives.entry[row] > 0:
            total = total - family.log_sf(z(lives.entry[row]))
    return total - total.max()


def test_parameters_are_drawn_with_their_covariance(lives):
    fit = fit_life(lives, priors=weak_priors(182))
    drawn = draw_lives(FamilyAverage((fit,), np.ones(1)), **UNITS, draws=5_000)
    place = fit.parameters.index("log_sigma")
    log_sigma = np.log(drawn.scale)
    assert log_sigma.mean() == pytest.approx(fit.estimate[place], abs=0.02)
    assert log_sigma.std() == pytest.approx(np.sqrt(fit.covariance[place, place]), rel=0.05)
    fixed = drawn.location - drawn.site_effect
    assert (fixed[1] - fixed[0]).std() == pytest.approx(np.sqrt(fit.covariance[1, 1]), rel=0.05)


def test_same_seed_same_draws_and_another_seed_others(average):
    one, same, other = (draw_lives(average, **UNITS, seed=seed) for seed in (3, 3, 4))
    assert one.location.tobytes() == same.location.tobytes()
    assert not np.allclose(one.location, other.location)


def test_a_sites_draws_do_not_depend_on_the_company_it_keeps(average):
    whole = draw_lives(average, **UNITS)
    few = draw_lives(average, covariates=UNITS["covariates"][[7, 3, 7]], sites=[7, 3, 7])
    np.testing.assert_array_equal(few.location[0], whole.location[7])
    np.testing.assert_array_equal(few.location[1], whole.location[3])
    np.testing.assert_array_equal(few.location[2], few.location[0])


def test_one_plain_fit_and_the_draws_agree_on_survival(lives):
    fit = fit_life(lives, priors=weak_priors(182))
    pinned = replace(fit, covariance=np.zeros_like(fit.covariance))
    drawn = draw_lives(FamilyAverage((pinned,), np.ones(1)), **UNITS, draws=5_000)
    days = [60.0, 150.0, 300.0]
    exact = fit.survival(days, covariates=UNITS["covariates"], site=UNITS["sites"])
    np.testing.assert_allclose(drawn.survival(days), exact, atol=0.02)


def test_a_site_without_history_is_less_certain_than_one_with_much(average):
    drawn = draw_lives(average, **UNITS, draws=2000)
    width = drawn.site_effect.std(axis=1)
    counts = np.bincount(average.fits[0].lives.site_code)
    assert width[30] > 1.5 * width[:30][counts >= 8].max()


@pytest.fixture
def two_families():
    return LifeDraws(
        family=("weibull", "weibull", "lognormal"),
        location=np.array([[5.0, 5.2, 5.1], [6.0, 6.1, 5.9]]),
        scale=np.array([0.5, 0.4, 0.6]),
        site_effect=np.array([[0.0, 0.1, -0.1], [0.5, 0.4, 0.3]]),
    )


def test_survival_by_hand(two_families):
    z = (np.log(150.0) - two_families.location) / two_families.scale
    by_draw = np.column_stack([np.exp(-np.exp(z[:, :2])), np.exp(FAMILIES["lognormal"].log_sf(z[:, 2:]))])
    np.testing.assert_allclose(two_families.survival_draws(150.0), by_draw)
    np.testing.assert_allclose(
        two_families.survival([150.0, 0.0]), np.column_stack([by_draw.mean(axis=1), [1, 1]])
    )
    np.testing.assert_allclose(two_families.survival_draws([150.0, 150.0]), by_draw)
    np.testing.assert_allclose(two_families.survival_draws(np.full((2, 3), 150.0)), by_draw)


def test_quantiles_invert_survival(two_families):
    for p in (0.1, 0.5, 0.9):
        np.testing.assert_allclose(two_families.survival_draws(two_families.quantile(p)), 1 - p)
    np.testing.assert_array_equal(two_families.median(), two_families.quantile(0.5))


def test_conditional_survival(two_families):
    found = two_families.conditional_survival([200.0, 200.0], [100.0, 300.0])
    ratio = two_families.survival_draws(200.0)[0] / two_families.survival_draws(100.0)[0]
    assert found.tolist() == pytest.approx([ratio.mean(), 1.0])
    table = two_families.conditional_survival([[120.0, 200.0], [350.0, 400.0]], [100.0, 300.0])
    assert table.shape == (2, 2)
    assert table[0, 1] == found[0]
    # long past all reason: both survivals are 0, their ratio is not lost
    old = two_families.conditional_survival([3_001.0, 3_001.0], [3_000.0, 3_000.0])
    assert (old > 0).all()
    assert (old < 1).all()


def test_relative_life(two_families):
    table = two_families.relative_life()
    assert table["relative_life"].to_list() == pytest.approx([1.0, np.exp(0.4)])
    assert table["low"].to_list() == pytest.approx(
        np.quantile(np.exp(two_families.site_effect), 0.05, axis=1).tolist()
    )
    median = two_families.median_life()
    assert median["median_days"].to_list() == pytest.approx(np.median(two_families.median(), axis=1).tolist())
    assert (median["low_days"] < median["high_days"]).all()


def test_arguments_that_cannot_be(average, two_families):
    with pytest.raises(LifeError, match="draws = 0"):
        draw_lives(average, **UNITS, draws=0)
    with pytest.raises(LifeError, match="32 rows of covariates and 1 sites"):
        draw_lives(average, covariates=UNITS["covariates"], sites=[1])
    with pytest.raises(LifeError, match=r"no covariates found; the fits need tank\[poly\]"):
        draw_lives(average, covariates=None, sites=[1])
    with pytest.raises(LifeError, match="no family found"):
        average_families(average.fits[0].lives, priors=weak_priors(182), families=())
    with pytest.raises(LifeError, match="p = 50"):
        two_families.quantile(50)
    with pytest.raises(LifeError, match="level 90"):
        two_families.relative_life(90)
    with pytest.raises(LifeError, match="below 0"):
        two_families.survival([-1.0])


def test_worst_chance_ranks_units_within_each_draw():
    effect = np.array(
        [[-1.0, 2.0, -1.0, 0.0], [0.0, 1.0, 0.0, 0.0], [1.0, 0.0, 2.0, 0.0], [2.0, -1.0, 1.0, 0.0]]
    )
    draws = LifeDraws(("weibull",) * 4, effect, np.ones(4), effect)
    # the worst quarter is one of four: in draws 1 and 3 the first, in draw 2 the last; draw 4 is a tie of all
    assert draws.worst_chance(0.25) == pytest.approx([2.25 / 4, 0.25 / 4, 0.25 / 4, 1.25 / 4])
    # three eighths of four units is one and a half: the half place goes to the second worst
    assert draws.worst_chance(0.375).sum() == pytest.approx(1.5)
    with pytest.raises(LifeError, match="share 1"):
        draws.worst_chance(1.0)
    nobody = LifeDraws(("weibull",), np.zeros((0, 1)), np.ones(1), np.zeros((0, 1)))
    assert nobody.worst_chance().shape == (0,)


def test_a_fit_without_a_top_weighs_nothing_and_none_with_one_weighs_all_alike(average):
    fits = [replace(fit, log_evidence=value) for fit, value in zip(average.fits, (-10.0, -INF), strict=False)]
    lives, asked = average.fits[0].lives, {"priors": weak_priors(182), "families": ("weibull", "lognormal")}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            fleetstats.life.predict,
            "fit_life",
            lambda _, name, *rest, **more: fits[asked["families"].index(name)],
        )
        assert average_families(lives, **asked).weights.tolist() == [1.0, 0.0]
        fits[0] = replace(fits[0], log_evidence=-INF)
        assert average_families(lives, **asked).weights.tolist() == [0.5, 0.5]


def test_a_singular_curvature_is_no_boundless_evidence():
    prior = ScaledPrior(np.zeros(2), np.ones(2))

    def of(hessian):
        return _evidence(-3.0, Top(np.zeros(2), -3.0, np.zeros(2), np.array(hessian), True), prior)

    assert of([[-1.0, 0.0], [0.0, -1.0]]) == -3.0
    assert of([[-1.0, 0.0], [0.0, 0.0]]) == -INF
    assert of([[1.0, 0.0], [0.0, 1.0]]) == -INF
