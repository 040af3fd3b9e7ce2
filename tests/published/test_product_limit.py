"""Product-limit curves against published tables."""

import numpy as np
import polars as pl
import pytest

from fleetstats.life import Lifetimes, product_limit


def _remission(published, group):
    rows = published("freireich_6mp").filter(pl.col("group") == group)
    return Lifetimes(rows["weeks"], np.where(rows["relapse"] == 1, rows["weeks"], np.inf))


def _at(curve, days):
    return curve.filter(pl.col("days") <= days).tail(1)


# Klein & Moeschberger, Table 4.1A (memory; recomputed)
REMISSION_6MP = {
    6: (0.8571429, 0.0763604),
    7: (0.8067227, 0.0869353),
    10: (0.7529412, 0.0963497),
    13: (0.6901961, 0.1068147),
    16: (0.6274510, 0.1140539),
    22: (0.5378151, 0.1282338),
    23: (0.4481793, 0.1345915),
}


@pytest.mark.parametrize(("weeks", "expected"), REMISSION_6MP.items())
def test_remission_curve_and_greenwood_error(published, weeks, expected):
    row = _at(product_limit(_remission(published, "6MP")), weeks)
    assert row["survival"][0] == pytest.approx(expected[0], abs=5e-8)
    assert row["standard_error"][0] == pytest.approx(expected[1], abs=5e-8)


@pytest.mark.parametrize(("group", "median"), [("6MP", 23), ("placebo", 8)])
def test_remission_medians(published, group, median):
    # Klein & Moeschberger, section 4.5 (memory)
    curve = product_limit(_remission(published, group))
    assert curve.filter(pl.col("survival") <= 0.5)["days"][0] == median


def test_log_rank_of_the_remission_groups_from_the_numbers_at_risk(published):
    # 16.79 (memory); 16.79294099 (computed: three libraries agree)
    drug = product_limit(_remission(published, "6MP"))
    placebo = product_limit(_remission(published, "placebo"))
    seen, expected, variance = 0.0, 0.0, 0.0
    for weeks in sorted(set(drug["days"]) | set(placebo["days"])):
        at = [c.filter(pl.col("days") >= weeks).head(1) for c in (drug, placebo)]
        n = [row["at_risk"][0] if row.height else 0.0 for row in at]
        d = [row["events"][0] if row.height and row["days"][0] == weeks else 0.0 for row in at]
        if sum(d) == 0:
            continue
        seen += d[0]
        expected += sum(d) * n[0] / sum(n)
        if sum(n) > 1:
            variance += sum(d) * (sum(n) - sum(d)) * n[0] * n[1] / (sum(n) ** 2 * (sum(n) - 1))
    assert (seen - expected) ** 2 / variance == pytest.approx(16.79294099, abs=5e-9)


# Computed: two libraries agree. Months; at risk is entry < t <= exit.
CHANNING_FEMALES = {
    850: (0.8766923357, 72),
    900: (0.8237460370, 141),
    950: (0.7144342878, 162),
    1000: (0.5739983950, 122),
    1050: (0.3652173916, 54),
    1100: (0.2021109642, 20),
}


@pytest.mark.parametrize(("months", "expected"), CHANNING_FEMALES.items())
def test_delayed_entry(published, months, expected):
    rows = published("channing").filter((pl.col("gender") == 2) & (pl.col("age") > pl.col("ageentry")))
    upper = np.where(rows["death"] == 1, rows["age"], np.inf)
    curve = product_limit(Lifetimes(rows["age"], upper, entry=rows["ageentry"]))
    assert _at(curve, months)["survival"][0] == pytest.approx(expected[0], abs=5e-11)
    # a unit looked at in that very month makes the month a row of the table, and moves no event
    with_look = Lifetimes(
        np.append(rows["age"], months),
        np.append(upper, np.inf),
        entry=np.append(rows["ageentry"], months - 0.5),
    )
    assert product_limit(with_look).filter(pl.col("days") == months)["at_risk"][0] == expected[1] + 1
