"""Lives that estimators stumble over: a finite answer with an honest width, or a value that says why not.

Warnings are errors in this suite: none leaks from numpy in any of these.
"""

import numpy as np
import polars as pl
import pytest
from scipy import optimize, stats

from fleetstats.life import Lifetimes, average_families, draw_lives, fit_life, turnbull, weak_priors

INF = np.inf
FAMILY_NAMES = ("weibull", "lognormal", "loglogistic")


def some_days(stream, count, tau=0.4, sigma=0.35, sites=None):
    """Return lives about 200 days; `sites` says whose they are."""
    effect = stream.normal(0, tau, 1 + (0 if sites is None else sites.max()))
    return 200 * np.exp((0 if sites is None else effect[sites]) + sigma * stream.standard_normal(count))


def blanked(column, blank):
    """Return the column with some of its values unknown."""
    return pl.Series([None if gone else value for value, gone in zip(column, blank, strict=True)])


def sound(fit, priors):
    """Say whether every figure of a fit is a number, and its widths are honest."""
    error = fit.coefficients["standard_error"].to_numpy()
    assert np.isfinite(fit.estimate).all()
    assert np.isfinite(fit.covariance).all()
    assert np.isfinite([fit.sigma, fit.tau, fit.log_likelihood]).all()
    assert fit.site_effects["sd"].is_finite().all()
    assert (error > 0).all()
    chance = fit.survival([0.0, 1e-3, 100.0, 1e6])
    assert ((chance >= 0) & (chance <= 1)).all()
    assert (np.diff(chance) <= 0).all()
    if priors is not None:
        assert fit.problem == ""
        assert np.isfinite(error).all()
        assert np.isfinite(fit.log_evidence)


def hard(name):
    """Return the columns of lives of one hard kind."""
    stream = np.random.default_rng(5)
    site = np.arange(60) // 3
    days = some_days(stream, 60, sites=site)
    ended = {"lower": days, "upper": days, "site": site}
    one_long = np.concatenate([np.zeros(40, int), np.arange(1, 21)])
    tank = np.where(site % 4 == 0, "timber", "poly")
    frame = pl.DataFrame(
        {"use": stream.normal(size=60), "tank": stream.choice(["poly", "steel"], 60), "same": np.ones(60)}
    )
    blank = stream.random((60, 2)) < 0.3
    unknown = frame.with_columns(
        use=blanked(frame["use"], blank[:, 0]),
        tank=blanked(frame["tank"], blank[:, 1]),
    )
    late, apart = stream.random(60) < 0.5, days * 10.0 ** (site % 7)
    kinds = {
        "one spell a site": {"lower": days, "upper": days, "site": np.arange(60)},
        "one site": {"lower": days, "upper": days, "site": ["only"] * 60},
        "one spell": {"lower": [150.0], "upper": [150.0], "site": ["only"]},
        "a site of forty spells": {"lower": days, "upper": days, "site": one_long},
        "no failures": {**ended, "upper": np.full(60, INF)},
        "all failed unseen": {**ended, "lower": np.zeros(60)},
        "separation": {
            **ended, "upper": np.where(tank == "timber", INF, days),
            "covariates": pl.DataFrame({"tank": tank}),
        },
        "constant covariates": {**ended, "covariates": frame.select("same")},
        "three in ten unknown": {**ended, "covariates": unknown},
        "minutes": {"lower": days * 1440, "upper": days * 1440, "site": site},
        "decades": {"lower": days / 3652.5, "upper": days / 3652.5, "site": site},
        "weights from thousandths to millions": {**ended, "weight": np.where(site % 2 == 0, 1e-3, 1e6)},
        "late entries": {**ended, "entry": np.where(late, 0.999 * days, 0.0)},
        "ages apart by a million": {**ended, "lower": apart, "upper": apart},
    }  # fmt: skip
    return kinds[name] if name else list(kinds)


@pytest.mark.parametrize("priors", [None, weak_priors(182)], ids=["alone", "priors"])
@pytest.mark.parametrize("family", FAMILY_NAMES)
@pytest.mark.parametrize("name", hard(""))
def test_a_finite_answer_or_a_reason(name, family, priors):
    fit = fit_life(Lifetimes(**hard(name)), family, priors=priors)
    sound(fit, priors)
    if priors is None and name in ("no failures", "all failed unseen", "separation", "one spell"):
        assert fit.problem


@pytest.mark.parametrize("name", hard(""))
def test_draws_are_finite_and_wide_where_little_is_known(name):
    lives = Lifetimes(**hard(name))
    average = average_families(lives, priors=weak_priors(182))
    covariates = None
    if lives.design.shape[1]:
        covariates = hard(name)["covariates"].head(2)
    drawn = draw_lives(average, covariates=covariates, sites=[lives.site_ids[0], "new"], draws=80)
    assert np.isfinite(drawn.median()).all()
    assert (drawn.median() > 0).all()
    own, new = np.log(drawn.median()).std(axis=1)
    assert own > 0
    if name == "a site of forty spells":
        assert new > 2 * own


def test_forty_spells_tell_a_site_from_the_rest():
    columns = hard("a site of forty spells")
    columns["lower"] = columns["upper"] = np.where(columns["site"] == 0, 0.3, 1.0) * columns["lower"]
    fit = fit_life(Lifetimes(**columns), "lognormal")
    own = fit.site_effects.filter(pl.col("site") == 0).row(0, named=True)
    others = fit.site_effects.filter(pl.col("site") != 0)["sd"].to_numpy()
    assert own["mean"] < -0.5
    assert own["sd"] < 0.5 * others.min()


def test_many_spells_make_no_integral_overflow():
    # 5,000 spells at one site: the site's likelihood is e^-30000, far below the smallest double
    stream = np.random.default_rng(6)
    site = np.concatenate([np.zeros(5_000, int), np.arange(1, 40)])
    days = some_days(stream, site.size, sites=site)
    fit = fit_life(Lifetimes(days, days, site=site), "lognormal")
    sound(fit, None)
    own = days[site == 0]
    placed = fit.estimate[0] + fit.site_effects["mean"][0]
    assert placed == pytest.approx(np.log(own).mean(), abs=3 * fit.sigma / np.sqrt(own.size))


def test_three_in_ten_unknown_bias_nothing_that_is_known():
    stream = np.random.default_rng(7)
    sites = 500
    use, heavy = stream.normal(size=sites), stream.random(sites) < 0.4
    days = np.exp(5 - 0.7 * use - 0.5 * heavy + 0.3 * stream.standard_normal((2, sites)))
    trees = np.where(heavy, "heavy", "a few")
    one, other = stream.random((2, sites)) < 0.3
    frame = pl.DataFrame(
        {
            "use": blanked(pl.Series(use), one),
            "trees": blanked(pl.Series(trees), other),
        }
    )
    fit = fit_life(
        Lifetimes(
            days.ravel(),
            days.ravel(),
            site=np.tile(np.arange(sites), 2),
            covariates=pl.concat([frame, frame]),
        ),
        "lognormal",
    )
    told = {row["term"]: row for row in fit.coefficients.iter_rows(named=True)}
    for term, truth in (("use", -0.7), ("trees[heavy]", -0.5)):
        assert told[term]["estimate"] == pytest.approx(truth, abs=3 * told[term]["standard_error"])
    # not knowing which of the two it is leaves the site between them
    middle = told["trees[unknown]"]
    assert middle["estimate"] == pytest.approx(-0.5 * 0.4, abs=3 * middle["standard_error"])


@pytest.mark.parametrize("seed", range(5))
def test_turnbull_of_single_looks_is_isotonic_regression(seed):
    """Current status: the share spent by each look is the isotonic regression of what the looks found.

    Groeneboom & Wellner 1992, Information Bounds and Nonparametric Maximum Likelihood Estimation, part II
    (memory); scipy's pool-adjacent-violators is the second implementation.
    """
    stream = np.random.default_rng(seed)
    looks = np.round(stream.uniform(50, 300, 80))
    spent = stats.weibull_min(2, scale=180).rvs(80, random_state=stream) <= looks
    masses = turnbull(Lifetimes(np.where(spent, 0.0, looks), np.where(spent, looks, INF)))
    ages, place, times = np.unique(looks, return_inverse=True, return_counts=True)
    share = np.bincount(place, weights=spent) / times
    isotonic = optimize.isotonic_regression(share, weights=times).x
    upper, mass = masses["upper_days"].to_numpy(), masses["mass"].to_numpy()
    found = np.array([mass[upper <= age].sum() for age in ages])
    np.testing.assert_allclose(found, isotonic, atol=1e-6)


@pytest.mark.parametrize("family", FAMILY_NAMES)
@pytest.mark.parametrize("width", [1.0, 1e-3, 1e-7, 1e-11])
def test_ends_known_to_ever_narrower_intervals_become_known_ends(family, width):
    # 1 / width^2 must not be subtracted from its like: with ends known to the second the mode of a site's
    # integrand was lost, and a log-likelihood of -7e18 was taken for the top
    stream = np.random.default_rng(8)
    site = np.arange(160) // 8
    days = some_days(stream, 160, tau=1.0, sigma=0.2, sites=site)
    good = stream.random(160) < 0.3
    lower, upper = np.where(good, 0.5 * days, days - width / 2), np.where(good, INF, days + width / 2)
    known = Lifetimes(np.where(good, 0.5 * days, days), np.where(good, INF, days), site=site)
    fit = fit_life(Lifetimes(lower, upper, site=site), family, priors=weak_priors(182))
    exact = fit_life(known, family, priors=weak_priors(182))
    sound(fit, weak_priors(182))
    off = 1e-3 if width == 1.0 else 2e-4
    np.testing.assert_allclose(fit.estimate, exact.estimate, atol=off)
    # a chance is a density times a width, which doubles hold to their spacing at 200 days
    chance = exact.log_likelihood + (~good).sum() * np.log(width)
    assert fit.log_likelihood == pytest.approx(chance, abs=0.5 if width == 1.0 else 0.1)
