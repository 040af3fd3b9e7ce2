"""Lives known by their gauge: the likelihood's new kind of row, its slopes, and one site done by brute force."""

import numpy as np
import pytest
from scipy import integrate, stats

from fleetstats.life import Lifetimes, fit_life, weak_priors
from fleetstats.life.blocking import Blocking
from fleetstats.life.families import FAMILIES
from fleetstats.life.gauge_cells import GaugeCells, GaugeReadings, fine_log_densities, gauge_cells, merged
from fleetstats.life.likelihood import spell_rows, spell_terms
from fleetstats.life.site_effect import SiteIntegral
from fleetstats.life.soft_terms import FOREVER, by_logarithms, soft_terms

KINDS = ("weibull", "lognormal", "loglogistic")
SIGMA = 0.3


def _cells(seed=1, rows=6, cells=8):
    stream = np.random.default_rng(seed)
    edges = np.sort(stream.normal(0, 1, (rows, cells + 1)), axis=1)
    edges[:, -1], edges[0, 0], edges[1, 4] = FOREVER, -FOREVER, edges[1, 5]
    return edges, stream.uniform(0.01, 1, (rows, cells)), stream.normal(0, 0.7, (rows, 3))


@pytest.mark.parametrize("name", KINDS)
def test_a_constant_height_makes_it_the_row_between_its_ends(name):
    edges, _, location = _cells()
    family = FAMILIES[name]
    found = soft_terms(family, edges, np.full((6, 8), 0.37), location, SIGMA, "value")[0]
    whole = family.log_between((edges[:, :1] - location) / SIGMA, (edges[:, -1:] - location) / SIGMA)
    assert found == pytest.approx(whole + np.log(0.37), rel=1e-12)


@pytest.mark.parametrize("name", KINDS)
def test_slopes_are_those_of_finite_differences(name):
    edges, heights, location = _cells()
    family, h = FAMILIES[name], 1e-5

    def terms(shift=0.0, stretch=0.0):
        return soft_terms(family, edges, heights, location + shift, SIGMA * np.exp(stretch), "full")

    def slope(term, **way):
        up, down = (terms(**dict.fromkeys(way, side * h)) for side in (1, -1))
        return (up[term] - down[term]) / (2 * h)

    exact = terms()
    pairs = [(1, 0, "shift"), (3, 0, "stretch"), (2, 1, "shift"), (4, 3, "shift"), (5, 3, "stretch")]
    for term, of, way in pairs:
        assert exact[term] == pytest.approx(slope(of, **{way: 1}), rel=1e-6, abs=1e-6), (term, way)


@pytest.mark.parametrize("name", KINDS)
def test_sums_and_logarithms_agree_and_the_far_tail_stays_finite(name):
    edges, heights, location = _cells()
    family = FAMILIES[name]
    many = soft_terms(family, edges, heights, location, SIGMA, "full")
    wide = np.full(18, SIGMA)
    one = by_logarithms(family, np.repeat(edges, 3, 0), np.repeat(heights, 3, 0), location.ravel(), wide)
    for a, b in zip(many, one, strict=True):
        assert a.ravel() == pytest.approx(b, rel=1e-9, abs=1e-12)
    edges[:, -1] = 1.0
    for far in (-8.0, 25.0):
        value = soft_terms(family, edges, heights, location + far, SIGMA, "value")[0]
        assert np.isfinite(value).all()
        assert (value < soft_terms(family, edges, heights, location, SIGMA, "value")[0]).all()


def _lives(seed=5, sites=40, per=4):
    stream = np.random.default_rng(seed)
    site = np.repeat(np.arange(sites), per)
    days = 300 * np.exp(stream.normal(0, 0.4, sites)[site]) * stream.exponential(size=site.size) ** 0.3
    seen = stream.uniform(150, 300, site.size)
    return Lifetimes(np.minimum(days, seen), np.where(days <= seen, days, np.inf), site=site)


def test_without_readings_the_fit_is_the_same_to_the_bit():
    lives = _lives()
    nothing = GaugeCells(np.empty(0, dtype=np.intp), np.empty((0, 9)), np.empty((0, 8)))
    plain, with_none = (fit_life(lives, priors=weak_priors(182), cells=c) for c in (None, nothing))
    assert np.array_equal(plain.estimate, with_none.estimate)
    assert np.array_equal(plain.covariance, with_none.covariance)
    assert plain.log_evidence == with_none.log_evidence


def test_readings_that_say_nothing_change_nothing():
    lives = _lives()
    which = np.flatnonzero(lives.right_censored)
    edges = np.linspace(0, 3, 9) + np.log(lives.lower[which])[:, None]
    edges[:, -1] = FOREVER
    cells = GaugeCells(which, edges, np.ones((which.size, 8)))
    plain, soft = (fit_life(lives, priors=weak_priors(182), nodes=15, cells=c) for c in (None, cells))
    assert soft.estimate == pytest.approx(plain.estimate, abs=1e-8)
    assert soft.log_likelihood == pytest.approx(plain.log_likelihood, abs=1e-8)
    assert soft.covariance == pytest.approx(plain.covariance, rel=1e-5, abs=1e-9)


LAW = Blocking(100.0, index=1.4, clean_kpa=15.0, spread=0.2, gauge_kpa=2.0, wild_share=0.02)


def _one_site():
    """A failure, a survivor with two readings, one found spent with a reading before, one late survivor."""
    lives = Lifetimes([180, 150, 120, 200], [180, np.inf, 260, np.inf], entry=[0, 0, 0, 60], site=[1] * 4)
    nothing = np.zeros(3)
    readings = GaugeReadings(
        np.array([1, 1, 2]), np.array([90.0, 150.0, 120.0]), np.array([24.0, 48.0, 60.0]), nothing,
        nothing > 1, nothing[:, None],
    )  # fmt: skip
    return lives, readings


def _brute_force(lives, readings, location, sigma, tau, height):
    """Return the site's log-likelihood of log T by plain integrals over the effect and over each life."""

    def density(log_t, centre):
        z = (log_t - centre) / sigma
        return np.exp(z - np.exp(z)) / sigma

    def given(u):
        centre, product = location + u, 1.0
        for row in range(len(lives)):
            low, high, late = lives.lower[row], lives.upper[row], lives.entry[row]
            if low == high:
                product *= density(np.log(low), centre)
            elif row in readings.life:
                grid = np.linspace(np.log(low), np.log(high) if np.isfinite(high) else np.log(low) + 4, 4001)
                product *= integrate.trapezoid(density(grid, centre) * height(row, grid), grid)
            else:
                product *= np.exp(-np.exp((np.log(low) - centre) / sigma))
            if late > 0:
                product /= np.exp(-np.exp((np.log(late) - centre) / sigma))
        return product * stats.norm.pdf(u, 0, tau)

    effects = np.linspace(-5 * tau, 5 * tau, 401)
    return np.log(integrate.trapezoid([given(u) for u in effects], effects))


def test_one_sites_joint_likelihood_against_brute_force():
    lives, readings = _one_site()
    location, sigma, tau = np.log(230.0), 0.35, 0.5

    def height(row, log_t):
        own = readings.life == row
        return np.exp(
            sum(
                np.log(LAW.density(np.array([drop]), LAW.drop(age / np.exp(log_t)), False))
                for age, drop in zip(readings.age_days[own], readings.drop_kpa[own], strict=True)
            )
        )

    truth = _brute_force(lives, readings, location, sigma, tau, height)
    which = np.array([1, 2])
    edges, log_density = fine_log_densities(lives, readings, LAW, which)
    fine = GaugeCells(which, edges, np.exp(log_density))
    for cells, tolerance in ((fine, 0.01), (gauge_cells(lives, readings, LAW), 0.06)):
        integral = SiteIntegral(lives, np.ones((4, 1)), 0.0, FAMILIES["weibull"], 31, cells)
        integral.centre(np.array([location]), sigma, tau)
        found = integral.weights(np.array([location]), sigma, tau).log_likelihood.sum()
        assert found == pytest.approx(truth, abs=tolerance)


def test_fewer_cells_keep_ends_order_and_mass():
    lives, readings = _one_site()
    edges, log_density = fine_log_densities(lives, readings, LAW, np.array([1, 2]))
    few, heights = merged(edges, np.exp(log_density))
    assert few.shape == (2, 9)
    assert (np.diff(few, axis=1) >= 0).all()
    assert few[:, [0, -1]] == pytest.approx(edges[:, [0, -1]])
    width = np.minimum(np.diff(edges, axis=1), 1.0)[:, :-1]
    inside = (np.exp(log_density)[:, :-1] * width).sum(axis=1)
    kept = np.minimum(few, edges[:, -2:-1])
    assert (heights * np.diff(kept, axis=1)).sum(axis=1) == pytest.approx(inside, rel=0.05)


def test_likelihood_rows_put_read_lives_in_a_kind_of_their_own():
    lives, readings = _one_site()
    cells = gauge_cells(lives, readings, LAW)
    rows = spell_rows(lives, np.ones((4, 1)), 0.0, np.arange(4), cells)
    assert [kind for kind, _ in rows.parts] == ["exact", "right", "right", "soft"]
    terms = spell_terms(rows, FAMILIES["weibull"], np.full((len(rows.weight), 1), np.log(230.0)), 0.35)
    assert np.isfinite(terms.value).all()
    assert list(rows.weight) == [1.0, 1.0, -1.0, 1.0, 1.0]
