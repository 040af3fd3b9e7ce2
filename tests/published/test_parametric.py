"""Life families without and with covariates against published fits."""

import numpy as np
import polars as pl
import pytest
from scipy.optimize import brentq

from fleetstats.life import Lifetimes, fit_life


def _right(days, ended, **more):
    days = np.asarray(days, dtype=float)
    return Lifetimes(days, np.where(np.asarray(ended) == 1, days, np.inf), **more)


def _bearings(published):
    days = published("ball_bearings")["megacycles_lieblein_zelen"].to_numpy()
    return Lifetimes(days, days)


def _shocks(published):
    rows = published("shock_absorbers")
    return _right(rows["miles"], rows["status"])


def _exchangers(published):
    rows = published("heat_exchanger")
    return Lifetimes(rows["left"], rows["right"].cast(pl.Float64), weight=rows["count"])


def _nist(published):
    rows = published("nist_weibull")
    return _right(rows["t"], rows["s"])


def _channing(published, entry=True):
    rows = published("channing").filter((pl.col("gender") == 2) & (pl.col("age") > pl.col("ageentry")))
    return _right(rows["age"], rows["death"], entry=rows["ageentry"] if entry else None)


# Weibull scale, shape, log-likelihood, and half the last printed digit of each.
WEIBULL = {
    # computed; memory: Lawless 81.88, 2.10
    "ball bearings": (_bearings, (81.878334, 5e-7), (2.1020589, 5e-8), (-113.691290932, 5e-10)),
    # computed; memory: 27719, 3.16
    "shock absorbers, any mode": (_shocks, (27718.718, 5e-4), (3.1604703, 5e-8), (-123.995361189, 5e-10)),
    # computed
    "heat exchanger, interval": (_exchangers, (23.619924, 5e-7), (1.3455150, 5e-8), (-54.414705334, 5e-10)),
    # computed; read: 606.5280, 1.7207
    "NIST, censored": (_nist, (606.52756, 5e-6), (1.7207973, 5e-8), (-75.134618164, 5e-10)),
    # computed; as the root of its profile score (next test) the shape is 9.52206534: good to 1e-7
    "Channing females, late entry": (_channing, (1057.164, 5e-4), (9.52206544, 1e-7), (-807.82862338, 5e-9)),
}


@pytest.mark.parametrize("name", WEIBULL)
def test_weibull(published, name):
    make, scale, shape, log_likelihood = WEIBULL[name]
    fit = fit_life(make(published))
    assert np.exp(fit.coefficients["estimate"][0]) == pytest.approx(scale[0], abs=scale[1])
    assert 1 / fit.sigma == pytest.approx(shape[0], abs=shape[1])
    assert fit.log_likelihood == pytest.approx(log_likelihood[0], abs=log_likelihood[1])
    assert fit.problem == ""


def test_the_shape_with_late_entry_is_the_root_of_its_profile_score(published):
    # Weibull lives (entry, exit]: scale^-shape = deaths / sum(exit^shape - entry^shape) leaves one equation
    lives = _channing(published)
    entry, leave, deaths = lives.entry / 1000, lives.lower / 1000, lives.failures

    def score(shape):
        total = (leave**shape - entry**shape).sum()
        slope = (leave**shape * np.log(leave) - entry**shape * np.log(entry)).sum()
        return deaths / shape + np.log(leave[lives.exact]).sum() - deaths * slope / total

    assert 1 / fit_life(lives).sigma == pytest.approx(brentq(score, 5, 15, xtol=1e-14), rel=1e-9)


def test_leaving_late_entry_out_gives_the_known_wrong_answer(published):
    fit = fit_life(_channing(published, entry=False))
    assert np.exp(fit.coefficients["estimate"][0]) == pytest.approx(1096.59, abs=5e-3)
    assert 1 / fit.sigma == pytest.approx(14.785265, abs=5e-7)


# Computed: R survreg at tight tolerance and lifelines. Intercept, RadChem against Rad, sigma, log-likelihood.
COSMESIS = {
    "weibull": ((3.89927623, -0.567550537), 0.619339705, (-143.3208271, 5e-8)),
    "lognormal": ((3.54787488, -0.421000456), 0.882141428, (-146.6223320, 5e-8)),
    "loglogistic": ((3.60924508, -0.487306874), 0.499621871, (-145.5850622, 5e-8)),
}


@pytest.mark.parametrize("family", COSMESIS)
def test_cosmesis_intervals(published, family):
    rows = published("cosmesis")
    fit = fit_life(Lifetimes(rows["left"], rows["right"], covariates=rows.select("treatment")), family)
    coefficients, sigma, (log_likelihood, tolerance) = COSMESIS[family]
    assert fit.coefficients["term"].to_list() == ["intercept", "treatment[RadChem]"]
    np.testing.assert_allclose(fit.coefficients["estimate"], coefficients, atol=2e-8)
    assert fit.sigma == pytest.approx(sigma, abs=2e-9)
    assert fit.log_likelihood == pytest.approx(log_likelihood, abs=tolerance)


# Read to 4-5 digits in the vignette of R's survival package; recomputed.
LUNG = {
    "weibull": ((5.3263158, -0.0089105825, 0.37018705, 0.0092641716), 0.75514454, (-1138.691784, 5e-7)),
    "lognormal": ((4.8918653, -0.0196068461, 0.52307723, 0.0156864724), 1.04124374, (-1149.417135, 5e-7)),
}


@pytest.mark.parametrize("family", LUNG)
def test_lung(published, family):
    rows = published("lung")
    fit = fit_life(
        _right(rows["days"], rows["death"], covariates=rows.select("age", "sex", "ph_karno")), family
    )
    coefficients, sigma, (log_likelihood, tolerance) = LUNG[family]
    np.testing.assert_allclose(fit.coefficients["estimate"], coefficients, atol=5e-8)
    assert fit.sigma == pytest.approx(sigma, abs=5e-9)
    assert fit.log_likelihood == pytest.approx(log_likelihood, abs=tolerance)
