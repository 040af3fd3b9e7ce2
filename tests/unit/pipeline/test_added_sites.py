"""Sites that are added: the days they join on, and what they add to the forecast of the sample fleet."""

from __future__ import annotations

from collections import Counter
from datetime import date

import pytest

from fleetstats.pipeline.added_sites import joining_dates


@pytest.mark.parametrize(("rate", "each"), [(2.0, [2] * 4), (0.5, [0, 1, 0, 1]), (0.0, [0] * 4)])
def test_as_many_join_each_month_as_said(rate: float, each: list[int]) -> None:
    days = joining_dates(date(2026, 10, 20), months=4, sites_per_month=rate)
    months = Counter((day.year, day.month) for day in days)
    assert [months[key] for key in ((2026, 11), (2026, 12), (2027, 1), (2027, 2))] == each
    assert days == sorted(days)
