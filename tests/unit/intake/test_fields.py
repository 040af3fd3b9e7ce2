"""The contract of the tables of records."""

from __future__ import annotations

from pathlib import Path

import pytest

from fleetstats.intake.fields import (
    KINDS,
    LASTING_CHANGES,
    PASSING_CHANGES,
    REFERENCES,
    TABLES,
    nearest,
    plain,
    table_text,
)
from fleetstats.intake.units import MEASURES

README = Path(__file__).parents[3] / "README.md"


@pytest.mark.parametrize("table", TABLES.values(), ids=TABLES)
def test_every_table_is_sound(table):
    assert len(set(table.names)) == len(table.names)
    assert set(table.key) <= set(table.names)
    assert set(table.required) <= set(table.names)
    for column in table.columns:
        assert column.kind in KINDS
        assert (column.kind == "word") == (bool(column.words) and column.kind != "name")
        assert column.accepted
        assert column.measure in MEASURES


def test_readme_lists_every_column_as_it_is_declared():
    listed = README.read_text(encoding="utf-8").split("<!-- columns:")[1].split("<!-- end of columns -->")[0]
    paragraphs = [" ".join(text.split()) for text in listed.split("\n\n")[1:-1]]
    assert paragraphs == [table_text(table) for table in TABLES.values()]


def test_references_name_columns_and_tables_that_are():
    for (table, column), other in REFERENCES.items():
        assert TABLES[table].column(column)
        assert TABLES[other].key == (column,)
    with pytest.raises(KeyError):
        TABLES["sites"].column("dog")


def test_every_kind_of_change_lasts_or_passes():
    assert set(TABLES["changes"].column("kind").words) == set(LASTING_CHANGES) | set(PASSING_CHANGES)
    assert not set(LASTING_CHANGES) & set(PASSING_CHANGES)


@pytest.mark.parametrize("written", ["Tank Material", " tank-material ", "TANK_MATERIAL", "tank  material"])
def test_plain(written):
    assert plain(written) == "tank_material"


def test_nearest():
    assert nearest("Visit-Nr", TABLES["work"].names) == "visit_id"


@pytest.mark.parametrize(
    ("table", "column", "text"),
    [
        ("sites", "occupants", "a number, above 0, at most 10000000"),
        ("visits", "uvt_percent", "a number, 0 or more, at most 100"),
        (
            "sites",
            "tank_installed",
            "a date as YYYY-MM-DD or a year alone, from 1900 on, not after the day of loading",
        ),
        ("sites", "potable", "yes or no"),
        ("sites", "tree_cover", "one of none, some, heavy"),
        ("work", "component", "the name of a component"),
    ],
)
def test_what_a_column_accepts_is_said(table, column, text):
    assert TABLES[table].column(column).accepted == text
