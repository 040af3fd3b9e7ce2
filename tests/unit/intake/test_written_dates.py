"""Dates as people write them."""

from __future__ import annotations

from datetime import date

import pytest

from fleetstats.intake.written_dates import iso_date, likeliest_order

TODAY = date(2026, 11, 25)


@pytest.mark.parametrize(
    ("text", "order", "expected"),
    [
        ("10/8/19", "month_day_year", "2019-10-08"),
        ("10/8/19", "day_month_year", "2019-08-10"),
        ("10/7/2021", "month_day_year", "2021-10-07"),
        ("7.10.2021", "day_month_year", "2021-10-07"),
        ("2021/10/7", "month_day_year", "2021-10-07"),
        ("21-10-07", "year_month_day", "2021-10-07"),
        ("2020-04-18 00:00:00", "month_day_year", "2020-04-18"),
        ("2020-04-18T09:30", "day_month_year", "2020-04-18"),
        ("7 Oct 2021", "month_day_year", "2021-10-07"),
        ("7-Oct-21", "month_day_year", "2021-10-07"),
        ("October 7th, 2021", "day_month_year", "2021-10-07"),
        ("Thu 7 Oct 2021", "day_month_year", "2021-10-07"),
        ("1/2/99", "day_month_year", "1999-02-01"),
        ("1/2/27", "day_month_year", "2027-02-01"),
        ("43939", "month_day_year", "2020-04-18"),
        ("20211007", "month_day_year", "2021-10-07"),
        ("2018", "month_day_year", "2018"),
        ("10/7/2021 8:30 AM", "month_day_year", "2021-10-07"),
    ],
)
def test_dates_are_read_in_the_order_of_the_sheet(text, order, expected):
    assert iso_date(text, order, today=TODAY) == expected


@pytest.mark.parametrize(
    "text", ["13/45/2021", "2021-02-30", "soon", "", "1/2", "1/2/3", "31/31/31", "123", "7 Foo 2021"]
)
def test_what_is_no_date_is_none(text):
    assert iso_date(text, "month_day_year", today=TODAY) is None


def test_the_order_that_most_dates_fit_is_found():
    order, fits, next_best = likeliest_order(["1/13/2024", "2/3/2024", "13/45/2021"], today=TODAY)
    assert (order, fits, next_best) == ("month_day_year", 2, 1)
    assert likeliest_order(["13/1/2024", "2/3/2024"], today=TODAY)[0] == "day_month_year"
    _, fits, next_best = likeliest_order(["1/2/2024"], today=TODAY)
    assert fits == next_best == 1
