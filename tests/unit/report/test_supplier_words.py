"""The supplier's page in sentences: what is first, why a month stands out, how far last year was off."""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest

from fleetstats.report.pages.supplier_sheet import sheet
from fleetstats.report.pages.supplier_words import first_orders, past_error, season, swings

MONTHS = [date(2027, number, 1) for number in range(1, 13)]
NAMES = {"SED-A": "SED-A, graded cartridge", "LAMP": "LAMP, 40 W"}


def part(expected: list[float], rule: list[float] | None) -> pl.DataFrame:
    kept = [None] * 12 if rule is None else rule
    return pl.DataFrame(
        {"month": MONTHS, "expected": expected, "expected_current_rule": kept},
        schema_overrides={"expected_current_rule": pl.Float64},
    )


def orders(*rows: tuple[str, date | None, int | None]) -> pl.DataFrame:
    schema = {"part_number": pl.String, "order_by": pl.Date, "quantity": pl.Int64}
    return pl.DataFrame(rows, schema=schema, orient="row")


def test_the_first_sentence_names_the_three_soonest_orders() -> None:
    told = orders(
        ("SED-A", date(2027, 3, 12), 40), ("LAMP", date(2027, 2, 1), 6), ("SED-A", date(2027, 5, 1), 12),
        ("X", date(2027, 6, 1), 5), ("Y", None, None),
    )  # fmt: skip
    assert first_orders(told, NAMES, outside=False) == (
        "Order 6 LAMP, 40 W by 1 Feb 2027; 40 SED-A, graded cartridge by 12 Mar 2027; "
        "12 SED-A, graded cartridge by 1 May 2027."
    )
    assert first_orders(told, NAMES, outside=True).startswith("Likely wanted first: 6 LAMP")
    assert first_orders(orders(("Y", None, None)), NAMES, outside=True) == ""


def test_months_that_stand_out_are_told_together_by_their_reason() -> None:
    usual = [10.0] * 12
    peak = [10.0, 10.0, 20.0, 20.0, *usual[4:]]
    # the rule has the same peak: visits fall so
    assert swings(part(peak, peak), {}) == (
        "Mar 2027 and Apr 2027: more than in the average month; visits fall so, with the intervals kept until "
        "now as well.",
    )
    # the rule has none: the plan moves visits
    told = swings(part(peak, usual), {})
    assert told[0].startswith("Changed intervals: 140 over these months, more than the 120")
    assert told[1].endswith("it comes from changed intervals, which move visits to other months.")
    # past years had one
    assert "a matter of season" in swings(part(peak, usual), {3: 1.8, 4: 1.5})[1]
    assert "a matter of season" not in swings(part(peak, usual), {3: 0.5, 4: 0.6})[1]
    assert swings(part(usual, usual), {}) == ()


def test_few_pieces_do_not_stand_out() -> None:
    assert swings(part([1.0] * 11 + [3.0], None), {}) == ()
    assert len(swings(part([5.0] * 11 + [10.0], None), {})) == 1


def past(*rows: tuple[str, float, float, float, int, int]) -> pl.DataFrame:
    schema = {
        "part_number": pl.String, "forecast": pl.Float64, "forecast_low": pl.Float64,
        "forecast_high": pl.Float64, "used": pl.Int64, "used_at_added_sites": pl.Int64,
    }  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row")


def test_last_years_error_leaves_out_the_sites_added_since() -> None:
    told = past_error(past(("SED-A", 100.0, 90.0, 110.0, 118, 10), ("LAMP", 20.0, 18.0, 22.0, 24, 0)))
    assert "120 pieces would have been forecast" in told
    assert "132 were used, 9 % too few (and 10 more at sites added since)" in told
    assert "For 1 of 2 parts" in told
    assert past_error(past()) == ""
    assert "0 were used." in past_error(past(("SED-A", 3.0, 1.0, 5.0, 0, 0)))


def test_a_season_needs_two_whole_years() -> None:
    def years(first: date, as_of: date) -> dict[str, dict[int, float]]:
        days = pl.date_range(first, as_of, "1mo", eager=True).to_list()
        days += [day for day in days if day.month == 10] * 2  # three times as much in October
        ids = [f"V{number}" for number in range(len(days))]
        visits = pl.DataFrame({"visit_id": ids, "visit_date": days})
        work = pl.DataFrame({"visit_id": ids, "component": ["sleeve"] * len(ids), "action": ["replaced"] * len(ids)})  # fmt: skip
        return season(work, visits, as_of)

    assert years(date(2025, 2, 10), date(2026, 12, 31)) == {}
    found = years(date(2024, 12, 10), date(2026, 12, 31))["sleeve"]
    assert found[10] == pytest.approx(3 * found[5])
    assert sum(found.values()) == pytest.approx(12.0)


def test_the_spreadsheet_has_one_row_for_each_month_order_and_part() -> None:
    stock = pl.DataFrame(
        {
            "part_number": ["SED-A"], "month": [date(2027, 1, 1)], "expected": [12.3456], "p50": [12.0],
            "p80": [14.0], "p95": [15.0],
        }
    )  # fmt: skip
    year = past(("SED-A", 100.04, 90.0, 110.0, 118, 10))
    found = sheet(stock, orders(("SED-A", date(2027, 3, 12), 40)), year, NAMES)
    values = [[cell.shown if cell.value is None else cell.value for cell in row] for row in found.rows]
    name = NAMES["SED-A"]
    assert values == [
        [name, "forecast for the month", "2027-01-01", 12.3, 12.0, 14.0, 15.0, "", "", ""],
        [name, "likely wanted by", "2027-03-12", 40.0, "", "", "", "", "", ""],
        [name, "forecast of the past year", "", 100.0, "", "", "", 90.0, 110.0, 118.0],
    ]
