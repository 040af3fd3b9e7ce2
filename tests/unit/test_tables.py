"""Result tables are what is declared, and the declaration holds what others rely on."""

from __future__ import annotations

import subprocess
import sys

import polars as pl
import pytest

from fleetstats.errors import StoreError
from fleetstats.store import Store
from fleetstats.tables import TABLES, column, described, reference

#: Columns that scripts, notebooks and checks outside rely on, with their units, listed by hand.
RELIED_ON = {
    "spells": "site_id chapter component slot part_number fitted_on ended_on ended_how lower_days:days "
    "upper_days:days entry_days:days litres:L",
    "effects": "component term time_ratio:ratio low:ratio high:ratio",
    "site_life": "site_id component slot median_days:days low_days:days high_days:days p10_days:days "
    "spells:spells failures:spells relative_life:ratio relative_low:ratio relative_high:ratio",
    "plans": "site_id visit_interval_days:days trips_per_year:visits/year callouts_per_year:visits/year "
    "cost_per_year:money/year low:money/year high:money/year saving_seen:money/year "
    "saving_projected:money/year visit_interval_days_current:days trips_per_year_current:visits/year "
    "callouts_per_year_current:visits/year cost_per_year_current:money/year low_current:money/year "
    "high_current:money/year",
    "intervals": "site_id component slot visit_interval_days:days every_n_visits:visits interval_days:days "
    "current_interval_days:days limited_by failure_chance:share failure_chance_low:share "
    "failure_chance_high:share failure_chance_current:share cost_per_year:money/year "
    "cost_per_year_current:money/year spells:spells failures:spells evidence",
    "due": "site_id visit_from visit_by component slot action part_number reason chance_already_spent:share",
    "stock": "part_number component month expected:units p50:units p80:units p95:units "
    "expected_current_rule:units",
    "starting_intervals": "component tank_material roof_material tree_cover daily_litres:L/day "
    "interval_days:days low_days:days high_days:days sites:sites spells:spells",
    "replay": "origin component horizon_days:days units:units failures:spells expected_failures:units",
    "refused": "file sheet line column value reason",
    "warnings": "check severity site_id visit_id rows:rows message what_to_do",
    "loads": "load_id file table_name rows_read:rows accepted:rows repeated:rows refused:rows",
    "at_stop": "site_id component slot change_at_kpa:kPa why",
}


@pytest.mark.parametrize("table", sorted(RELIED_ON))
def test_columns_that_others_rely_on_are_declared_with_their_units(table: str) -> None:
    declared = {each.name: each.unit for each in TABLES[table].columns}
    for word in RELIED_ON[table].split():
        name, _, unit = word.partition(":")
        assert declared[name] == (unit or "-"), name


def test_every_column_has_a_unit_or_none_and_a_meaning_and_stands_once_in_its_table() -> None:
    for table in TABLES.values():
        names = [each.name for each in table.columns]
        assert len(names) == len(set(names)), table.name
        assert table.meaning
        for each in table.columns:
            assert each.kind != "as recorded", (table.name, each.name)
            assert each.unit
            assert each.meaning
            assert each.unit == "-" or each.kind in ("int", "real", "reals"), (table.name, each.name)


def test_no_page_reads_what_is_personal() -> None:
    shown = {each.name for table in TABLES.values() for each in table.shown}
    assert not shown & {"technician", "notes", "note", "source_ref", "toml"}


@pytest.mark.parametrize(
    ("frame", "told"),
    [
        ({"item": ["a"], "days": [1.0]}, "'todays_rule': column 'origin' is missing"),
        ({"item": ["a"], "days": [1.0], "origin": ["b"], "extra": [1]}, "column 'extra' is not declared"),
        ({"item": ["a"], "days": ["many"], "origin": ["b"]}, "not of its declared type"),
    ],
)
def test_a_producer_that_keeps_another_shape_is_refused(frame: dict[str, list[object]], told: str) -> None:
    with Store(":memory:") as store, pytest.raises(StoreError, match=told):
        store.keep_also({"todays_rule": pl.DataFrame(frame)})


def test_a_table_that_nobody_declared_is_refused() -> None:
    with Store(":memory:") as store, pytest.raises(StoreError, match="'todays_rules': is not declared"):
        store.keep_also({"todays_rules": pl.DataFrame({"a": [1]})})


def test_types_are_brought_to_the_declaration_and_empty_tables_have_their_columns() -> None:
    with Store(":memory:") as store:
        store.keep_also(
            {
                "todays_rule": pl.DataFrame({"origin": [None], "days": [182], "item": ["visits"]}),
                "plans": pl.DataFrame(),
            }
        )
        assert store.table("todays_rule").rows() == [("visits", 182.0, None)]
        assert store.table("todays_rule").schema == TABLES["todays_rule"].of().schema
        assert store.table("plans").columns == [each.name for each in TABLES["plans"].columns]


def test_a_column_may_mean_something_else_in_one_table() -> None:
    assert column("plans", "low").unit == "money/year"
    assert column("effects", "low").unit == "ratio"
    assert described("effects", ["low"]).splitlines()[1] == "  low (ratio): 90 % range of the time ratio"


def test_the_reference_names_every_table_with_its_meaning() -> None:
    for table in TABLES.values():
        assert f"{table.name}: {table.meaning}" in reference()


def test_printing_a_table_loads_no_room_of_the_analysis() -> None:
    code = "import sys, fleetstats.table_output; print([n for n in sys.modules if n.split('.')[:2] in (['fleetstats', 'life'], ['fleetstats', 'pipeline'], ['scipy'], ['numpy'])])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
