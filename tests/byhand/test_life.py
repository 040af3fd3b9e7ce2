"""Six to nine lives, solved by hand as fractions."""

from fractions import Fraction as F

import numpy as np
import polars as pl
import pytest

from fleetstats.life import Lifetimes, cumulative_incidence, fit_life, product_limit, turnbull

INF = np.inf


def test_product_limit_with_a_tie_and_late_entry():
    # 10 good, 20 and 20 ended, 30 good, 40 ended (entered at 25), 50 ended (entered at 20: not at risk at 20)
    lives = Lifetimes(
        lower=[10, 20, 20, 30, 40, 50], upper=[INF, 20, 20, INF, 40, 50], entry=[0, 0, 0, 0, 25, 20]
    )
    curve = product_limit(lives)
    assert curve["days"].to_list() == [10, 20, 30, 40, 50]
    assert curve["at_risk"].to_list() == [4, 3, 3, 2, 1]
    assert curve["events"].to_list() == [0, 2, 0, 1, 1]
    survival = [F(1), F(1, 3), F(1, 3), F(1, 6), F(0)]
    assert curve["survival"].to_list() == pytest.approx([float(s) for s in survival])
    # Greenwood: sums of d / (n (n - d)) are 0, 2/3, 2/3, 2/3 + 1/2
    sums = [F(0), F(2, 3), F(2, 3), F(7, 6)]
    errors = [float(s) * float(g) ** 0.5 for s, g in zip(survival, sums, strict=False)]
    assert curve["standard_error"].to_list()[:4] == pytest.approx(errors)
    assert curve["standard_error"].to_list()[4] is None


def test_turnbull_of_three_overlapping_intervals():
    # (0,2], (1,3], (2,4]: innermost are (1,2] and (2,3]; the likelihood p (p + q) q is highest at p = q = 1/2
    masses = turnbull(Lifetimes([0, 1, 2], [2, 3, 4]))
    assert masses.rows() == [(1, 2, pytest.approx(0.5)), (2, 3, pytest.approx(0.5))]


def test_turnbull_takes_intervals_open_below():
    # (0,5] and (5,9] do not touch: two masses; closed intervals would meet at 5 in a single one
    masses = turnbull(Lifetimes([0, 5], [5, 9]))
    assert masses.rows() == [(0, 5, pytest.approx(0.5)), (5, 9, pytest.approx(0.5))]


def test_turnbull_weights_its_masses():
    # three times (0,2], once (2, inf): p^3 q is highest at p = 3/4
    masses = turnbull(Lifetimes([0, 2], [2, INF], weight=[3, 1]))
    assert masses.rows() == [(0, 2, pytest.approx(0.75)), (2, INF, pytest.approx(0.25))]


def test_turnbull_of_known_ends_with_late_entry_is_the_product_limit():
    # at risk 2, 2, 1: survival 1/2, 1/4, 0
    masses = turnbull(Lifetimes([10, 20, 30], [10, 20, 30], entry=[0, 0, 15]))
    assert masses["mass"].to_list() == pytest.approx([1 / 2, 1 / 4, 1 / 4])


def test_competing_ends_with_a_tie_of_two_causes():
    # n = 4: at 10 one of each cause, at 20 last seen, at 30 cause 2.  I1 = 1/4; I2 = 1/4 + 1/2 * 1
    table = cumulative_incidence([10, 10, 20, 30], [1, 2, 0, 2])
    first, second = (table.filter(pl.col("cause") == cause) for cause in (1, 2))
    assert first["days"].to_list() == second["days"].to_list() == [10, 30]
    assert first["incidence"].to_list() == pytest.approx([1 / 4, 1 / 4])
    assert second["incidence"].to_list() == pytest.approx([1 / 4, 3 / 4])
    # binomial while nobody is censored: 1/4 * 3/4 / 4
    assert first["standard_error"][0] == pytest.approx(float(F(3, 64)) ** 0.5)


def test_exponential_rate_is_ends_over_time_watched():
    # 4 ends in 10 + 20 + 30 + 40 + (50 - 20) + 60 days watched: mean life 190/4, error of its log 1/sqrt(4)
    lives = Lifetimes([10, 20, 30, 40, 50, 60], [10, 20, INF, 40, 50, INF], entry=[0, 0, 0, 0, 20, 0])
    fit = fit_life(lives, "exponential")
    mean = F(190, 4)
    assert np.exp(fit.coefficients["estimate"][0]) == pytest.approx(float(mean))
    assert fit.coefficients["standard_error"][0] == pytest.approx(1 / 2)
    assert fit.log_likelihood == pytest.approx(-4 * np.log(float(mean)) - 4)
    assert fit.sigma == 1.0


def test_exponential_seen_once_is_a_share():
    # seen once at 100 days, 3 of 8 ended: 1 - exp(-100/mean) = 3/8
    lives = Lifetimes([0] * 3 + [100] * 5, [100] * 3 + [INF] * 5)
    fit = fit_life(lives, "exponential")
    assert np.exp(fit.coefficients["estimate"][0]) == pytest.approx(-100 / np.log(5 / 8))
    assert fit.survival(100) == pytest.approx(5 / 8)


def test_lognormal_of_known_ends_is_mean_and_spread_of_the_logs():
    # logs 1, 2, 3, 4, 5, 6 against a dummy: means 2 and 5, common spread sqrt(2/3)
    days = np.exp([1.0, 2, 3, 4, 5, 6])
    frame = pl.DataFrame({"tank": ["concrete"] * 3 + ["poly"] * 3})
    fit = fit_life(Lifetimes(days, days, covariates=frame), "lognormal")
    assert fit.coefficients["estimate"].to_list() == pytest.approx([2, 3])
    assert fit.sigma == pytest.approx(float(F(2, 3)) ** 0.5)
    assert fit.coefficients["standard_error"].to_list() == pytest.approx([(2 / 9) ** 0.5, (4 / 9) ** 0.5])


def test_lognormal_site_effect_is_analysis_of_variance():
    # three sites with two known ends, logs (1,3), (4,6), (8,8): site means 2, 5, 8; within sum of squares
    # 4 on 3 degrees, so sigma^2 = 4/3; site means vary by 6 (over 3), tau^2 + sigma^2/2: tau^2 = 16/3
    logs = np.array([1.0, 3, 4, 6, 8, 8])
    fit = fit_life(Lifetimes(np.exp(logs), np.exp(logs), site=["a", "a", "b", "b", "c", "c"]), "lognormal")
    assert fit.coefficients["estimate"][0] == pytest.approx(5)
    assert fit.sigma**2 == pytest.approx(float(F(4, 3)))
    assert fit.tau**2 == pytest.approx(float(F(16, 3)))
    # a site's effect: its mean's distance shrunk by tau^2 / (tau^2 + sigma^2/2) = 8/9, spread sqrt(tau^2 / 9)
    assert fit.site_effects["mean"].to_list() == pytest.approx([-3 * 8 / 9, 0, 3 * 8 / 9], abs=1e-8)
    assert fit.site_effects["sd"].to_list() == pytest.approx([float(F(16, 27)) ** 0.5] * 3)
