"""The site effect against the exact maximum likelihood of two infections in each of 38 patients."""

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.special import logsumexp

from fleetstats.life import Lifetimes, fit_life
from fleetstats.life.families import FAMILIES
from fleetstats.life.site_effect import SiteIntegral


@pytest.fixture(scope="module")
def kidney(published):
    rows = published("kidney")
    upper = np.where(rows["infection"] == 1, rows["days"], np.inf)
    return Lifetimes(rows["days"], upper, site=rows["patient"], covariates=rows.select("age", "female"))


def test_maximum_likelihood_with_standard_errors(kidney):
    # computed: two quadratures agree below 1e-9 in log-likelihood, which leaves the estimates good to 3e-7
    fit = fit_life(kidney)
    np.testing.assert_allclose(fit.coefficients["estimate"], [3.9200681, -0.0050610, 1.3829203], atol=4e-7)
    np.testing.assert_allclose(fit.coefficients["standard_error"], [0.558537, 0.010684, 0.366070], atol=6e-7)
    assert fit.sigma == pytest.approx(0.8492109, abs=4e-7)
    assert fit.tau == pytest.approx(0.6537452, abs=4e-7)
    assert fit.log_likelihood == pytest.approx(-333.0301840, abs=5e-8)


def test_without_the_effect(kidney):
    # computed
    fit = fit_life(kidney, site_effect=False)
    assert fit.log_likelihood == pytest.approx(-336.554156, abs=5e-7)
    assert fit.tau == 0.0


def test_nine_adaptive_nodes(kidney):
    # computed; the published figure may come from nodes placed a little otherwise
    assert fit_life(kidney, nodes=9).log_likelihood == pytest.approx(-333.0303258, abs=5e-8)


def test_laplace_is_not_maximum_likelihood(kidney):
    # computed: the Laplace approximation, one node at each mode, is highest at tau .6524880 with -332.8628712
    fit = fit_life(kidney)
    design = np.column_stack([np.ones(len(kidney)), kidney.design - kidney.design.mean(axis=0)])
    laplace = SiteIntegral(kidney, design, 4.0, FAMILIES["weibull"], nodes=1)

    def loss(theta):
        b, sigma, tau = theta[:3] / [1, 10, 1], np.exp(theta[3]), np.exp(theta[4])
        laplace.centre(b, sigma, tau)
        return -laplace.slopes(b, sigma, tau)[0]

    start = [
        fit.estimate[0] + kidney.design.mean(axis=0) @ fit.estimate[1:3] - 4.0,
        -0.05,
        1.38,
        -0.16,
        -0.43,
    ]
    top = minimize(loss, start, method="BFGS", options={"gtol": 1e-5})
    value = -top.fun - np.log(kidney.lower[kidney.exact]).sum()
    assert value == pytest.approx(-332.8628712, abs=1e-7)
    assert np.exp(top.x[4]) == pytest.approx(0.6524880, abs=1e-5)
    assert value - fit.log_likelihood > 0.16


def test_fifteen_fixed_nodes_are_less_exact_than_nine_moved_ones(kidney):
    # computed: ordinary Gauss-Hermite quadrature, its nodes where N(0, tau^2) has them, at the exact estimates;
    # it is no maximum of its own, so an estimate's last printed digit moves the value by 1e-7
    points, weights = np.polynomial.hermite.hermgauss(15)
    fit = fit_life(kidney)
    location = fit.estimate[0] + kidney.design @ fit.estimate[1:3]
    z = (np.log(kidney.lower)[:, None] - location[:, None] - fit.tau * np.sqrt(2) * points) / fit.sigma
    log_density = z - np.log(fit.sigma * kidney.lower)[:, None] - np.exp(z)
    by_site = np.zeros((len(kidney.site_ids), points.size))
    np.add.at(by_site, kidney.site_code, np.where(kidney.exact[:, None], log_density, -np.exp(z)))
    fixed = logsumexp(by_site + np.log(weights / np.sqrt(np.pi)), axis=1).sum()
    assert fixed == pytest.approx(-333.0326675, abs=1e-7)
    moved = fit_life(kidney, nodes=9).log_likelihood
    assert abs(moved - fit.log_likelihood) < 0.1 * abs(fixed - fit.log_likelihood)
