"""Curves against a second library where that is right, and where the two must agree by definition."""

import warnings

import numpy as np
import polars as pl
import pytest

from fleetstats.errors import LifeError
from fleetstats.life import Lifetimes, cumulative_incidence, product_limit, turnbull

INF = np.inf


def _lives(seed, n=80, whole_days=True):
    stream = np.random.default_rng(seed)
    days = 200 * stream.weibull(1.5, n) + 1
    entry = np.where(stream.random(n) < 0.5, stream.uniform(0, 80, n), 0.0)
    if whole_days:
        days, entry = np.ceil(days), np.floor(entry)
    keep = days > entry
    return days[keep], stream.integers(0, 3, n)[keep], entry[keep]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_product_limit_against_lifelines(seed):
    days, cause, entry = _lives(seed)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from lifelines import KaplanMeierFitter

        other = KaplanMeierFitter().fit(days, cause > 0, entry=entry).survival_function_["KM_estimate"]
    curve = product_limit(Lifetimes(days, np.where(cause > 0, days, INF), entry=entry))
    np.testing.assert_allclose(curve["survival"], other.loc[curve["days"].to_list()], atol=1e-12)


def test_weights_are_replication():
    days, cause, entry = _lives(4)
    times = np.random.default_rng(0).integers(1, 4, days.size)
    upper = np.where(cause > 0, days, INF)
    weighted = product_limit(Lifetimes(days, upper, entry=entry, weight=times))
    copies = [np.repeat(column, times) for column in (days, upper, entry)]
    written_out = product_limit(Lifetimes(copies[0], copies[1], entry=copies[2]))
    for column in weighted.columns:
        np.testing.assert_allclose(weighted[column], written_out[column], atol=1e-12)


def test_nobody_at_risk_any_more_has_no_standard_error():
    curve = product_limit(Lifetimes([10, 20, 30], [10, 20, 30], entry=[0, 0, 25], weight=[0.1, 0.2, 0.3]))
    assert curve["survival"].to_list()[1:] == [0, 0]
    assert curve["standard_error"].to_list()[1:] == [None, None]


def test_intervals_are_sent_to_turnbull():
    with pytest.raises(ValueError, match=r"row 1 .*between 20 and 30 days; .*use turnbull"):
        product_limit(Lifetimes([10, 20], [10, 30]))


@pytest.mark.parametrize("seed", [1, 2])
def test_turnbull_of_known_ends_is_the_product_limit(seed):
    days, cause, _ = _lives(seed)
    lives = Lifetimes(days, np.where(cause > 0, days, INF))
    curve = product_limit(lives).filter(pl.col("events") > 0)
    masses = turnbull(lives).filter(pl.col("upper_days").is_finite())
    assert masses["lower_days"].to_list() == curve["days"].to_list()
    np.testing.assert_allclose(1 - masses["mass"].cum_sum(), curve["survival"], atol=1e-8)


def test_turnbull_with_late_entry_is_the_product_limit():
    days, cause, entry = _lives(5)
    entry[:3] = 0.0
    lives = Lifetimes(days, np.where(cause > 0, days, INF), entry=entry)
    curve = product_limit(lives).filter(pl.col("events") > 0)
    masses = turnbull(lives).filter(pl.col("upper_days").is_finite())
    np.testing.assert_allclose(1 - masses["mass"].cum_sum(), curve["survival"], atol=1e-6)


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_turnbull_cannot_be_bettered(seed):
    # looked at every few weeks: whatever masses on whatever intervals, their slopes bound the log-likelihood
    stream = np.random.default_rng(seed)
    days = 200 * stream.weibull(2, 300)
    looks = stream.integers(20, 90, (300, 8)).cumsum(axis=1).astype(float)
    lower = np.where(looks < days[:, None], looks, 0).max(axis=1)
    upper = np.where(looks >= days[:, None], looks, INF).min(axis=1)
    masses = turnbull(Lifetimes(lower, upper))
    assert masses["mass"].sum() == pytest.approx(1)
    ends = np.unique(np.append(looks, INF))
    cells = np.column_stack([np.append(0, ends[:-1]), ends])
    covers = (cells[:, 0] >= lower[:, None]) & (cells[:, 1] <= upper[:, None])
    chance = (
        (masses["lower_days"].to_numpy() >= lower[:, None])
        & (masses["upper_days"].to_numpy() <= upper[:, None])
    ) @ masses["mass"].to_numpy()
    assert (covers / chance[:, None]).sum(axis=0).max() <= 300 + 1e-4


def test_incidences_and_survival_add_up_to_one():
    days, cause, entry = _lives(6)
    table = cumulative_incidence(days, cause, entry=entry)
    curve = product_limit(Lifetimes(days, np.where(cause > 0, days, INF), entry=entry)).filter(
        pl.col("events") > 0
    )
    total = table.group_by("days").agg(pl.col("incidence").sum()).sort("days")
    np.testing.assert_allclose(1 - total["incidence"], curve["survival"], atol=1e-12)


def test_one_cause_alone_has_greenwoods_error():
    days, cause, entry = _lives(7)
    table = cumulative_incidence(days, np.minimum(cause, 1), entry=entry)
    curve = product_limit(Lifetimes(days, np.where(cause > 0, days, INF), entry=entry)).filter(
        pl.col("events") > 0
    )
    np.testing.assert_allclose(table["incidence"], 1 - curve["survival"], atol=1e-12)
    known = curve["standard_error"].is_not_null().to_numpy()
    np.testing.assert_allclose(
        table["standard_error"].to_numpy()[known], curve["standard_error"].to_numpy()[known], atol=1e-10
    )


def test_incidence_and_error_against_lifelines_where_no_ages_tie():
    days, cause, _ = _lives(8, whole_days=False)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from lifelines import AalenJohansenFitter

        other = AalenJohansenFitter(calculate_variance=True).fit(days, cause, event_of_interest=1)
    table = cumulative_incidence(days, cause).filter(pl.col("cause") == 1)
    incidence = other.cumulative_density_.iloc[:, 0].loc[table["days"].to_list()]
    variance = other.variance_.squeeze().loc[table["days"].to_list()]
    np.testing.assert_allclose(table["incidence"], incidence, atol=1e-12)
    given = variance.notna().to_numpy()  # lifelines has none once nobody is left
    assert given.sum() >= len(given) - 1
    np.testing.assert_allclose(table["standard_error"].to_numpy()[given], np.sqrt(variance[given]), rtol=1e-6)


def test_error_of_the_incidence_against_resampling():
    days, cause, _ = _lives(9, n=150)
    stream = np.random.default_rng(0)
    at = []
    for _ in range(400):
        pick = stream.integers(0, days.size, days.size)
        table = cumulative_incidence(days[pick], cause[pick]).filter(
            (pl.col("cause") == 1) & (pl.col("days") <= 200)
        )
        at.append(table["incidence"][-1])
    row = cumulative_incidence(days, cause).filter((pl.col("cause") == 1) & (pl.col("days") <= 200)).tail(1)
    assert np.std(at) == pytest.approx(row["standard_error"][0], rel=0.12)


def test_causes_may_be_words_and_nulls_are_no_end():
    table = cumulative_incidence([10, 20, 30], ["leak", None, "upgrade"])
    assert table["cause"].to_list() == ["leak", "leak", "upgrade", "upgrade"]
    assert table["incidence"].to_list() == pytest.approx([1 / 3, 1 / 3, 0, 2 / 3])
    assert cumulative_incidence([10, 20], [0, 0]).height == 0


def test_ages_that_cannot_be():
    with pytest.raises(LifeError, match=r"row 1 .*at or before entry"):
        cumulative_incidence([10, 20], [1, 0], entry=[0, 20])
    with pytest.raises(LifeError, match="cause: 1 values found for 2 ages"):
        cumulative_incidence([10, 20], [1])
