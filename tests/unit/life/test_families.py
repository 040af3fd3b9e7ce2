"""Families against scipy's distributions in the middle, and against series far in the tails."""

import numpy as np
import pytest
from scipy import stats

from fleetstats.errors import LifeError
from fleetstats.life.families import FAMILIES, family_called, log1mexp

LAWS = {
    "weibull": stats.gumbel_l,
    "exponential": stats.gumbel_l,
    "lognormal": stats.norm,
    "loglogistic": stats.logistic,
}
MIDDLE = np.linspace(-6, 3, 37)


@pytest.mark.parametrize("name", LAWS)
def test_middle_against_scipy(name):
    family, law = FAMILIES[name], LAWS[name]
    np.testing.assert_allclose(family.log_sf(MIDDLE), law.logsf(MIDDLE), rtol=1e-10)
    np.testing.assert_allclose(family.log_cdf(MIDDLE), law.logcdf(MIDDLE), rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(family.log_pdf(MIDDLE), law.logpdf(MIDDLE), rtol=1e-10)
    high = MIDDLE + 0.7
    np.testing.assert_allclose(
        np.exp(family.log_between(MIDDLE, high)), law.cdf(high) - law.cdf(MIDDLE), rtol=1e-8, atol=1e-15
    )
    np.testing.assert_allclose(family.quantile(law.cdf(MIDDLE)), MIDDLE, atol=1e-8)


@pytest.mark.parametrize("name", LAWS)
@pytest.mark.parametrize(
    ("function", "slope", "sign"),
    [("log_sf", "hazard", -1), ("log_cdf", "reverse_hazard", 1), ("log_pdf", "score", 1)],
)
def test_slopes_against_differences(name, function, slope, sign):
    value, slopes = getattr(FAMILIES[name], function), getattr(FAMILIES[name], slope)
    step = 1e-5
    first, second = slopes(MIDDLE)
    rise = (value(MIDDLE + step) - value(MIDDLE - step)) / (2 * step)
    np.testing.assert_allclose(sign * first, rise, rtol=1e-6, atol=1e-6)
    bend = (slopes(MIDDLE + step)[0] - slopes(MIDDLE - step)[0]) / (2 * step)
    np.testing.assert_allclose(second, bend, rtol=1e-6, atol=1e-6)


def test_weibull_tails():
    family = FAMILIES["weibull"]
    assert family.log_sf(np.array(6.0)) == pytest.approx(-np.exp(6.0))
    # the chance of ending before exp(-800) is exp(-800), which is no double
    assert family.log_cdf(np.array(-800.0)) == pytest.approx(-800.0)
    assert family.log_between(np.array(-801.0), np.array(-800.0)) == pytest.approx(
        -800 + np.log(1 - np.exp(-1))
    )
    assert family.log_between(np.array(5.0), np.array(900.0)) == pytest.approx(-np.exp(5.0))
    hazard, slope = family.reverse_hazard(np.array([-800.0, 900.0]))
    assert hazard.tolist() == [1.0, 0.0]
    assert slope[1] == 0.0
    assert family.log_sf(np.array(800.0)) == -np.inf


def test_lognormal_tails():
    family = FAMILIES["lognormal"]
    for z in (40.0, 1e4, 1e8):
        # Abramowitz & Stegun 26.2.12: log Q = -z^2/2 - log(z sqrt(2 pi)) + log(1 - z^-2 + 3 z^-4 - 15 z^-6)
        series = -0.5 * z * z - np.log(z * np.sqrt(2 * np.pi)) + np.log1p(-(z**-2) + 3 * z**-4 - 15 * z**-6)
        assert family.log_sf(np.array(z)) == pytest.approx(series, rel=1e-12)
        assert family.log_cdf(np.array(-z)) == pytest.approx(series, rel=1e-12)
    assert family.log_between(np.array(-40.5), np.array(-40.0)) == pytest.approx(
        float(family.log_between(np.array(40.0), np.array(40.5)))
    )
    assert np.isfinite(family.log_between(np.array(40.0), np.array(41.0)))


def test_loglogistic_tails():
    family = FAMILIES["loglogistic"]
    assert family.log_sf(np.array(900.0)) == -900
    assert family.log_between(np.array(900.0), np.array(901.0)) == pytest.approx(
        -900 + np.log(1 - np.exp(-1))
    )


def test_log1mexp_at_both_ends():
    assert log1mexp(np.array(1e-20)) == pytest.approx(np.log(1e-20))
    assert log1mexp(np.array(50.0)) == pytest.approx(-np.exp(-50.0), rel=1e-12)


def test_an_unknown_family_is_named_with_those_there_are():
    with pytest.raises(
        LifeError, match=r"'gamma' is not known.*weibull, lognormal, loglogistic, exponential"
    ):
        family_called("gamma")


WIDTHS = (1e-14, 1e-9, 1e-6, 1e-3, 0.1, 2.0, 30.0)


@pytest.mark.parametrize("name", LAWS)
@pytest.mark.parametrize("width", WIDTHS)
def test_intervals_of_any_width_against_the_density_or_differences(name, width):
    family, law = FAMILIES[name], LAWS[name]
    low = np.linspace(-6, 2, 33)
    found = family.between(low, np.full_like(low, width))
    if width < 1e-5:  # chance = density times width, the next term is of the order of width squared
        middle = low + 0.5 * width
        np.testing.assert_allclose(found.value, law.logpdf(middle) + np.log(width), atol=1e-9)
        np.testing.assert_allclose(found.slope, family.score(middle)[0], rtol=1e-6, atol=1e-6)
        np.testing.assert_allclose(found.curve, family.score(middle)[1], rtol=1e-6, atol=1e-6)
        np.testing.assert_allclose(found.upper, 1.0, atol=1e-4)
        return
    np.testing.assert_allclose(found.value, family.log_between(low, low + width), rtol=1e-10, atol=1e-12)
    step = 1e-5

    def value(shift, more=0.0):
        return family.between(low + shift, np.full_like(low, width + more)).value

    rise = (value(step) - value(-step)) / (2 * step)
    np.testing.assert_allclose(found.slope, rise, rtol=1e-6, atol=1e-6)
    up, down = (family.between(low + shift, np.full_like(low, width)).slope for shift in (step, -step))
    np.testing.assert_allclose(found.curve, (up - down) / (2 * step), rtol=1e-5, atol=2e-6)
    small = step * min(1.0, width)
    grown = width * (value(0.0, small) - value(0.0, -small)) / (2 * small)
    np.testing.assert_allclose(found.upper, grown, rtol=1e-5, atol=1e-6)


@pytest.mark.parametrize("name", LAWS)
@pytest.mark.parametrize("width", WIDTHS)
def test_an_interval_far_in_either_tail_has_the_tails_slopes(name, width):
    family = FAMILIES[name]
    # where exp(40) = 2e17 is beyond 1/eps, densities of its size must not be subtracted
    for low in (np.array([-300.0]), np.array([25.0]), np.array([40.0])):
        found = family.between(low, np.array([width]))
        assert np.isfinite([found.value, found.slope, found.curve, found.upper]).all(), (low, found)
        assert found.curve <= 0  # all families are log-concave, and so are their intervals
        assert 0 <= found.upper <= 1.1 + 310 * width
    top = family.between(np.array([40.0]), np.array([3.0]))
    assert top.slope == pytest.approx(-family.hazard(np.array([40.0]))[0], rel=1e-3)
