"""What ends lives, told on its page: by hand from a few rows."""

from __future__ import annotations

import polars as pl
import pytest

from fleetstats.report import Results
from fleetstats.report.pages import lives, site
from fleetstats.settings import Settings
from tests.report_fixture import AS_OF, display, invent


@pytest.fixture(scope="module")
def results() -> Results:
    return invent(24)


def shown(table: object, column: str) -> list[str]:
    names = [item.name for item in table.columns]  # type: ignore[attr-defined]
    return [row[names.index(column)].shown for row in table.rows]  # type: ignore[attr-defined]


def test_reasons_stand_in_the_readers_words_with_ranges_and_counts() -> None:
    rows = [
        {"component": "uv_lamp", "cause": cause, "days": days, "incidence": share, "low": share / 2,
         "high": 2 * share, "units": units}
        for cause, units, shares in (("spent", 20, (0.01, 0.06)), ("before it was spent", 150, (0.0, 0.45)),
                                     ("damaged", 1, (0.004, 0.004)))
        for days, share in zip((182.0, 364.0), shares, strict=True)
    ]  # fmt: skip
    page = lives.lives_page(Results(AS_OF, display(), removals=pl.DataFrame(rows)))
    assert shown(page.ends, "reason") == ["taken out while still good", "dead", "damaged"]
    assert shown(page.ends, "by_26_weeks") == ["0", "1 (0 to 2)", "under 1 (0 to 1)"]
    assert shown(page.ends, "by_52_weeks") == ["45 (22 to 90)", "6 (3 to 12)", "under 1 (0 to 1)"]
    assert shown(page.ends, "units") == ["150", "20", "1"]


def test_early_deaths_stand_apart_from_ageing(results: Results) -> None:
    page = lives.lives_page(results)
    assert page.early_told == (
        "UV lamp: 9 of 80 units dead in the first 9 weeks, where ageing alone foretells 2.0: more than ageing "
        "explains: some were weak from the start or badly fitted; ask the supplier and look at the work.",
    )
    assert shown(page.early, "age") == ["first 9 weeks", "after 9 weeks"]
    assert shown(page.early, "ratio")[0] == "4.50 (3.15 to 6.30)"


def test_a_ratio_over_hardly_any_foretold_is_not_printed() -> None:
    row = {"component": "uv_lamp", "from_days": 0.0, "to_days": 60.0, "spells": 217, "failures": 0,
           "expected": 0.04, "ratio": 0.0, "ratio_low": 0.0, "ratio_high": 67.7, "finding": "as foretold"}  # fmt: skip
    page = lives.lives_page(Results(AS_OF, display(), early_deaths=pl.DataFrame([row])))
    assert shown(page.early, "ratio") == ["too few foretold"]
    assert "foretells none: no sign of units weak" in page.early_told[0]


def test_rivals_carry_life_and_cost_with_ranges(results: Results) -> None:
    told = dict(
        zip(
            shown(lives.lives_page(results).rivals, "part_number"),
            shown(lives.lives_page(results).rivals, "life"),
            strict=True,
        )
    )
    assert told["SED-B"] == "0.75 (0.66 to 0.86)"
    assert told["SED-A"] == "the one others are held against"
    assert told["CARB-A"] == "no rival on record"
    assert set(shown(lives.lives_page(results).rivals, "cost_per_month")) == {"12.4 (9.8 to 15.5)"}


def test_a_bad_year_and_the_bad_months_are_named(results: Results) -> None:
    page = lives.lives_page(results)
    assert page.years_told == (
        "Sediment cartridge: more spent than their age foretells in 2024 (44, foretold 20).",
    )
    assert page.months_told[0].endswith("in October (14, foretold 5.0) and November (14, foretold 5.0).")
    calm = results.replaced(lives_by_year=results.lives_by_year.filter(pl.col("year") != 2024))
    assert lives.lives_page(calm).years_told[0].startswith("None stands out")


def test_sites_come_by_their_chance_to_be_among_the_worst_with_reasons_apart() -> None:
    unit = {"component": "sediment_cartridge", "slot": "", "median_days": 100.0, "spells": 9, "failures": 4}
    rows = [
        {**unit, "site_id": name, "relative_life": relative, "relative_low": 0.8 * relative,
         "relative_high": 1.2 * relative, "like_days": like, "worst_tenth_chance": chance}
        for name, relative, like, chance in (("a", 1.0, 200.0, 0.05), ("b", 0.5, 120.0, 0.8),
                                             ("c", 0.9, 240.0, 0.3))
    ]  # fmt: skip
    reasons = pl.DataFrame([{"site_id": "b", "component": "sediment_cartridge", "slot": "",
                             "fact": "tree_cover", "level": "heavy", "time_ratio": 0.6}])  # fmt: skip
    sites = pl.DataFrame({"site_id": list("abc"), "tree_cover": ["none", "heavy", "none"]})
    page = lives.lives_page(
        Results(AS_OF, display(), sites=sites, site_life=pl.DataFrame(rows), known_reasons=reasons)
    )
    assert shown(page.worst, "site") == ["b", "c", "a"]
    assert shown(page.worst, "worst_tenth_chance") == ["8 in 10", "3 in 10", "1 in 20"]
    assert shown(page.worst, "relative_life")[0] == "0.50 (0.40 to 0.60)"
    assert shown(page.worst, "known_reasons") == ["0.60", "1.20", "1.00"]
    assert shown(page.worst, "reason") == ["heavy trees", "", ""]
    assert page.worst_told.startswith("1 part place at 1 site is likelier than not")


def test_a_sites_own_page_says_when_it_may_be_among_the_worst(results: Results) -> None:
    ledger = site.Ledger(results, results.sites)
    worst = results.site_life.filter(pl.col("worst_tenth_chance") > 0.5)["site_id"].to_list()
    for row in results.sites.iter_rows(named=True):
        told = " ".join(unit.life for unit in site.site_page(ledger, row).units)
        assert ("among the worst tenth: 7 in 10" in told) == (row["site_id"] in worst)
    assert worst


def test_without_records_every_section_says_why() -> None:
    page = lives.lives_page(Results(AS_OF, Settings(components={})))
    for table in (page.ends, page.early, page.rivals, page.years, page.months, page.worst):
        assert table.empty.startswith("Not worked out because")
    assert page.worst_told == ""
