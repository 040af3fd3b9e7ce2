"""Masses on innermost intervals against published ones."""

import numpy as np
import polars as pl
import pytest

from fleetstats.life import Lifetimes, turnbull


def _log_likelihood(lives, masses):
    low, high, mass = (masses[name].to_numpy() for name in ("lower_days", "upper_days", "mass"))
    inside = (low >= lives.lower[:, None]) & (high <= lives.upper[:, None])
    return float(lives.weight @ np.log(inside @ mass))


# Fay & Shaw 2010, section 4, print the masses to 4 digits (read); log-likelihoods computed
COSMESIS = {"Rad": -58.060021954, "RadChem": -65.636964908}


@pytest.mark.parametrize(("group", "log_likelihood"), COSMESIS.items())
def test_cosmesis(published, group, log_likelihood):
    rows = published("cosmesis").filter(pl.col("treatment") == group)
    lives = Lifetimes(rows["left"], rows["right"])
    masses = turnbull(lives)
    expected = published("cosmesis_masses").filter(pl.col("group") == group)
    assert masses["lower_days"].to_list() == expected["left"].to_list()
    assert masses["upper_days"].to_list() == expected["right"].to_list()
    np.testing.assert_allclose(masses["mass"], expected["mass"], atol=1e-9)
    assert _log_likelihood(lives, masses) == pytest.approx(log_likelihood, abs=5e-10)


def test_cosmesis_pooled(published):
    rows = published("cosmesis")
    masses = turnbull(Lifetimes(rows["left"], rows["right"]))
    expected = published("cosmesis_masses").filter(pl.col("group") == "pooled")
    np.testing.assert_allclose(masses["mass"], expected["mass"], atol=1e-9)


def test_heat_exchanger_counts(published):
    # computed
    rows = published("heat_exchanger")
    lives = Lifetimes(rows["left"], rows["right"].cast(pl.Float64), weight=rows["count"])
    masses = turnbull(lives)
    assert masses["lower_days"].to_list() == [0, 1, 2, 3]
    np.testing.assert_allclose(masses["mass"], [0.01333333, 0.02504230, 0.01982731, 0.94179706], atol=5e-9)
    assert _log_likelihood(lives, masses) == pytest.approx(-54.290365894, abs=5e-10)
