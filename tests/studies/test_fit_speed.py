"""The speed study compares like with like: a third likelihood agrees which answer is nearer the maximum."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from fleetstats.life import Lifetimes, fit_life

spec = importlib.util.spec_from_file_location("fit_speed", Path(__file__).with_name("fit_speed.py"))
study = importlib.util.module_from_spec(spec)
sys.modules[spec.name] = study
spec.loader.exec_module(study)


@pytest.fixture(scope="module")
def lives():
    return Lifetimes(**study.fleet(2_000))


def test_the_plain_likelihood_is_that_of_the_fit(lives):
    fit = fit_life(lives, site_effect=False)
    plain = study.PlainWeibull(lives)
    assert float(plain.value(fit.estimate)) == pytest.approx(fit.log_likelihood, abs=1e-6)
    error = np.sqrt(np.diag(fit.covariance))
    assert plain.errors(fit.estimate) == pytest.approx(error, rel=1e-4)


def test_right_to_more_digits_than_the_other_library(lives):
    fit = fit_life(lives, site_effect=False)
    other = study._by_lifelines(lives)
    plain = study.PlainWeibull(lives)
    top = plain.top(fit.estimate)
    own, theirs = (np.max(np.abs(x - top) / plain.errors(top)) for x in (fit.estimate, other))
    assert own < 1e-8
    assert own < theirs < 0.05


def test_rows_of_the_table(lives):
    row = study.grow_row(1_000)
    assert row.count("|") == 8
    assert row.startswith("| 1,000 | 200 |")
    assert sum(1 for _ in study.beside(1_000)) == 9
