"""A small coverage study: ranges cover, chances come true, and the priors earn their place."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from fleetstats.trust import calibration

spec = importlib.util.spec_from_file_location("coverage", Path(__file__).with_name("coverage.py"))
study = importlib.util.module_from_spec(spec)
sys.modules[spec.name] = study  # its dataclasses look their module up
spec.loader.exec_module(study)


@pytest.fixture(scope="module")
def sites():
    """Return 600 sites of thirteen fleets of 20 and 80, three ended spells each, Weibull."""
    parts = [
        study.cover("weibull", study.FAMILIES_WEIGHED, n, 3, m, draws=200) for n, m in ((20, 10), (80, 5))
    ]
    return pl.concat(parts)


def test_nine_ranges_in_ten_cover(sites):
    # 600 sites of 15 fleets: the standard error, fleets counted as the units, is about 1.7 %
    by_fleet = sites.group_by(pl.len().over("fleet"), "fleet").agg(pl.col("covered").mean())
    error = float(np.std(by_fleet["covered"].to_numpy())) / np.sqrt(by_fleet.height)
    assert error < 0.03
    assert abs(float(sites["covered"].to_numpy().mean()) - 0.90) < 0.04
    assert 0.2 < sites["width"].median() < 1.5


def test_chances_come_true(sites):
    table = calibration(sites["chance"].to_numpy(), sites["failed"].to_numpy(), groups=5)
    assert table["agrees"].sum() >= 4
    assert table["predicted"].to_list() == sorted(table["predicted"].to_list())


def test_medians_are_those_of_the_lives():
    # the truth told by a formula against a million drawn lives, of each kind
    for family in ("weibull", "lognormal", "loglogistic", "mixture"):
        truth = study.draw_truth(np.random.default_rng(1), family)
        place = np.array([5.0])
        days = study._lives(truth, place, np.random.default_rng(2), 400_000)
        assert study._median(truth, place)[0] == pytest.approx(np.median(days), rel=0.01)


def test_records_hold_the_lives_they_tell_of():
    stream = np.random.default_rng(3)
    days = stream.uniform(1, 800, (500, 4))
    lower, upper = study._seen(days, stream)
    assert (lower <= days).all()
    assert (days <= upper).all()
    assert (lower < upper).any()
    assert np.isinf(upper[:, -1]).any()


def test_priors_help_most_where_little_is_seen():
    on, wide, off = study.prior_errors(20, 6, sleeves=True)
    assert on[0] < wide[0] + 0.1
    assert on[0] < 0.6 * off[0]
    assert off[2] > 0.3  # without priors most such fleets have no full answer, and say so
    assert on[2] == wide[2] == 0
