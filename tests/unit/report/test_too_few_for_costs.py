"""Where the command line tells no costs the pages tell none either, and say what would settle it."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from typing import Any

import polars as pl
import pytest

from fleetstats.pipeline.printed import summary
from fleetstats.report.pages import costs, lives, owner
from fleetstats.report.pages.site import Ledger, site_page
from fleetstats.report.results import Results
from fleetstats.store import Relations
from tests.report_fixture import AS_OF, invent

LEVELS = pl.DataFrame(
    [
        ("carbon_cartridge", "due_list_only", 32.0, "8 more found spent"),
        ("sediment_cartridge", "due_list_only", 4.2, "records of a whole year (5 months more)"),
        ("uv_lamp", "due_list_only", None, "10 more found spent"),
    ],
    schema=["component", "level", "months_to_wait", "wanted"], orient="row",
)  # fmt: skip


@pytest.fixture(scope="module")
def few() -> Results:
    return invent(12).replaced(evidence_levels=LEVELS)


def texts(value: Any) -> list[str]:
    """Every text that a page holds, the headings and cells of its tables too."""
    if isinstance(value, str):
        return [value]
    if isinstance(value, tuple | list):
        return [text for held in value for text in texts(held)]
    if is_dataclass(value):
        return [text for item in fields(value) for text in texts(getattr(value, item.name))]
    return []


def test_the_owner_is_told_no_costs_but_what_would_settle_them(few: Results) -> None:
    page = owner.owner_page(few)
    assert page.money_told.startswith("The records are too few for figures of cost")
    assert (
        "for sediment cartridges over all sites: records of a whole year (5 months more)" in page.money_told
    )
    assert "at the pace so far" not in page.money_told, "the months are told already"
    cartridges = LEVELS.filter(pl.col("component") == "carbon_cartridge")
    told = costs.instead(few.replaced(evidence_levels=cartridges))
    assert told.endswith("8 more found spent, in about 32 months at the pace so far.")
    assert page.money.rows == page.savings == ()
    assert page.practice_told == ""
    assert page.what_if.controls == ()
    assert [column.name for column in page.plans.columns] == [
        "site", "weeks_today", "weeks_plan", "held_by", "fittings", "spent", "why",
    ]  # fmt: skip
    assert len(page.plans.rows) == few.plans.height
    assert [column.name for column in page.called.columns] == ["site", "callouts"]
    for table in (page.money, page.plans, page.called):
        assert not any("cost a year" in text.casefold() for text in texts((table.columns, table.rows)))
        assert all(len(row) == len(table.columns) for row in table.rows)
    assert not lives.lives_page(few).costs_told


def test_a_sites_page_says_why_no_cost_stands_there(few: Results) -> None:
    ledger = Ledger(few, few.sites)
    planned = few.sites.filter(pl.col("site_id").is_in(few.why["site_id"].implode())).row(0, named=True)
    assert site_page(ledger, planned).reasons[-1] == costs.instead(few)


def test_one_kind_of_part_with_enough_on_record_and_costs_are_told() -> None:
    enough = LEVELS.with_columns(
        level=pl.when(pl.col("component") == "carbon_cartridge")
        .then(pl.lit("fleet_typical"))
        .otherwise("level")
    )
    results = invent(12).replaced(evidence_levels=enough)
    assert costs.instead(results) == ""
    assert owner.owner_page(results).money.rows


@pytest.mark.parametrize("level", ["due_list_only", "fleet_typical"])
def test_the_pages_go_by_the_command_lines_condition(level: str) -> None:
    levels = LEVELS.with_columns(pl.Series("level", ["due_list_only", level, "due_list_only"]))
    results = invent(12).replaced(evidence_levels=levels)
    nothing = pl.DataFrame()
    relations = Relations.__new__(Relations)
    for name, frame in (("spells", results.spells), ("visits", results.visits), ("left_out", nothing)):
        object.__setattr__(relations, name, frame)
    object.__setattr__(relations, "as_of", AS_OF)
    printed = summary(relations, results.plans, levels, "USD")
    assert ("too few for figures of cost" in printed) == bool(costs.instead(results))
    assert bool(costs.instead(results)) == (level == "due_list_only")
