"""Our fit and an independent library agree on published data, to the digits that the library reaches."""

import numpy as np
import polars as pl
import pytest

from fleetstats.life import Lifetimes
from fleetstats.trust.second_opinion import second_opinion


def _lung(published):
    rows = published("lung").select("days", "death").cast(pl.Float64)
    return Lifetimes(rows["days"], np.where(rows["death"] == 1, rows["days"], np.inf))


def _channing(published):
    rows = published("channing").filter((pl.col("gender") == 2) & (pl.col("age") > pl.col("ageentry")))
    age = rows["age"].cast(pl.Float64)
    return Lifetimes(age, np.where(rows["death"] == 1, age, np.inf), entry=rows["ageentry"])


def _cosmesis(published):
    rows = published("cosmesis").filter(pl.col("treatment") == "Rad")
    return Lifetimes(rows["left"], rows["right"])


def _exchangers(published):
    rows = published("heat_exchanger")
    return Lifetimes(rows["left"], rows["right"].cast(pl.Float64), weight=rows["count"])


SETS = {"lung": _lung, "late entry": _channing, "intervals": _cosmesis, "weighted intervals": _exchangers}


@pytest.mark.parametrize("name", SETS)
def test_both_agree_on_published_lives(published, name):
    found = second_opinion(name, SETS[name](published))
    assert found["opinion"].to_list() == ["agrees"] * 3, found
    assert found["left_out"].sum() == 0
    # Weibull and log-logistic agree to 5 digits; the library's lognormal stops earlier
    for column in ("median_difference", "sigma_difference"):
        assert np.abs(found[column].to_numpy()[[0, 2]]).max() < 1e-5
        assert abs(found[column][1]) < 2e-4
    assert np.abs(found["log_likelihood_difference"].to_numpy()).max() < 1e-6


def test_the_library_gives_the_published_weibull(published):
    # computed with R survreg as well: scale 1057.164, shape 9.52206544, log-likelihood -807.82862338
    row = second_opinion("channing", _channing(published), ["weibull"]).row(0, named=True)
    assert row["median_days_library"] == pytest.approx(1057.164 * np.log(2) ** (1 / 9.52206544), abs=1e-3)
    assert 1 / row["sigma_library"] == pytest.approx(9.52206544, abs=1e-5)
    assert row["log_likelihood_library"] == pytest.approx(-807.82862338, abs=1e-7)
