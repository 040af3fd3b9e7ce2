"""The store as a file: opening, refusing, keeping and handing out tables."""

from __future__ import annotations

import subprocess
import sys
from datetime import date

import duckdb
import polars as pl
import pytest

from fleetstats import models as model_files
from fleetstats.errors import StoreError
from fleetstats.settings import default_settings
from fleetstats.store import Store, unit_of

FRAME = pl.DataFrame(
    {"site_id": ["A", None], "interval_days": [182.0, None], "visit_by": [date(2024, 1, 1), None]}
)


def test_what_is_kept_is_there_when_the_file_is_opened_again(tmp_path):
    path = tmp_path / "fleet.duckdb"
    with Store(path) as store:
        store.keep({"intervals": FRAME, "old": FRAME}, as_of=date(2024, 1, 1))
        store.keep({"intervals": FRAME.head(1)}, as_of=date(2024, 2, 1))
    with Store(path, read_only=True) as store:
        assert store.table("intervals").equals(FRAME.head(1))
        assert store.table("analysis")["as_of"].to_list() == [date(2024, 2, 1)]
        found = store.tables().filter(table="intervals").select("column", "type", "unit").rows()
        assert found == [
            ("site_id", "VARCHAR", ""),
            ("interval_days", "DOUBLE", "days"),
            ("visit_by", "DATE", "date"),
        ]
        with pytest.raises(StoreError, match="no table 'old'; there are analysis, intervals"):
            store.table("old")


def test_keeping_is_all_or_nothing(tmp_path, monkeypatch):
    with Store(tmp_path / "fleet.duckdb") as store:
        store.keep({"plans": FRAME}, as_of=date(2024, 1, 1))
        real = store.stage

        def failing(name, frame):
            if frame.height == 1 and "as_of" in frame.columns:
                raise duckdb.IOException("no room")
            real(name, frame)

        monkeypatch.setattr(store, "stage", failing)
        with pytest.raises(StoreError, match="it is as before"):
            store.keep({"due": FRAME}, as_of=date(2024, 2, 1))
        assert store.table("plans").equals(FRAME)
        with pytest.raises(StoreError, match="no table 'due'"):
            store.table("due")


def test_a_file_in_use_is_told(tmp_path):
    path = tmp_path / "fleet.duckdb"
    opened = (
        f"import duckdb, sys; c = duckdb.connect({str(path)!r}); print('open', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", opened], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout is not None
        other.stdout.readline()
        with pytest.raises(StoreError, match="in use by another program"):
            Store(path)
        other.communicate()
    Store(path).close()


@pytest.mark.parametrize("content", [b"hello" * 5000, b""])
def test_a_file_that_is_no_database_is_told(tmp_path, content):
    path = tmp_path / "fleet.duckdb"
    path.write_bytes(content)
    with pytest.raises(StoreError, match=r"damaged or no DuckDB file.*--store NEW.duckdb"):
        Store(path)


def spoilt(path, how):
    """Return the bytes of a store of 100 000 rows, spoilt one way or another."""
    with Store(path) as store:
        store.keep({"plans": pl.DataFrame({"n": range(100_000)})}, as_of=date(2024, 1, 1))
    whole = bytearray(path.read_bytes())
    if how == "cut short":
        return whole[:9000]
    for place in range(20_000, len(whole), 1000):  # past the head of the file
        whole[place] ^= 0xFF
    return whole


@pytest.mark.parametrize("how", ["cut short", "bits turned"])
def test_a_damaged_store_is_told(tmp_path, how):
    path = tmp_path / "fleet.duckdb"
    path.write_bytes(spoilt(path, how))
    with pytest.raises(StoreError, match=str(path)), Store(path) as store:
        store.table("plans")


def test_another_schema_or_another_database_is_refused(tmp_path):
    path = tmp_path / "fleet.duckdb"
    Store(path).close()
    with duckdb.connect(str(path)) as con:
        con.execute("UPDATE main.fleetstats_store SET schema_version = 0")
    with pytest.raises(StoreError, match=r"schema version 0.*--store NEW.duckdb"):
        Store(path)
    other = tmp_path / "other.duckdb"
    with duckdb.connect(str(other)) as con:
        con.execute("CREATE TABLE t (i INT)")
    with pytest.raises(StoreError, match="no store of fleetstats"):
        Store(other)


def test_places_that_cannot_be_opened(tmp_path):
    with pytest.raises(StoreError, match="not found; load records first"):
        Store(tmp_path / "none.duckdb", read_only=True)
    with pytest.raises(StoreError, match="check the path"):
        Store(tmp_path / "no" / "such" / "folder.duckdb")


def test_without_records_there_are_no_relations():
    with Store(":memory:") as store:
        assert store.latest_visit() is None
        with pytest.raises(StoreError, match="holds no visits yet"):
            store.relations(as_of=date(2024, 1, 1), settings=default_settings())


def test_before_the_first_visit_nothing_is_known(fleet):
    fleet.load(
        sites="site_id\nA\n",
        visits="visit_id,site_id,visit_date\na,A,2024-01-01\n",
        work="visit_id,component,action\na,uv_lamp,fitted\n",
    )
    with pytest.raises(StoreError, match="before the first visit, 2024-01-01"):
        fleet.known("2023-12-31")


def test_no_extension_is_ever_fetched():
    with Store(":memory:") as store:
        settings = dict(
            store.run("SELECT name, value FROM duckdb_settings() WHERE name LIKE 'auto%extensions'")
        )
        assert settings == {"autoinstall_known_extensions": "false", "autoload_known_extensions": "false"}


@pytest.mark.parametrize(
    ("column", "kind", "unit"),
    [
        ("interval_days", "DOUBLE", "days"),
        ("drop_kpa", "DOUBLE", "kPa"),
        ("month", "DATE", "date"),
        ("spells", "BIGINT", ""),
    ],
)
def test_units_are_told_by_the_name(column, kind, unit):
    assert unit_of(column, kind) == unit


# -- the models ---------------------------------------------------------------------------------------


def test_every_model_comes_after_those_it_reads():
    seen = set()
    names = {model.name for model in model_files.models()}
    for model in model_files.models():
        assert set(model.reads) & names <= seen
        seen.add(model.name)


def test_every_model_says_what_it_reads_and_reads_no_more():
    names = {model.name for model in model_files.models()}
    given = {"component_rules", "end_conditions", "end_causes", "renewing_actions"}
    for model in (*model_files.models(), *model_files.checks()):
        body = model.query.split("\nWITH", 1)[-1] if "\nWITH" in model.query else model.query
        used = {
            word
            for word in names | given
            if f"temp.{word}" in body.replace(",", " ").replace(")", " ").split()
        }
        assert used == set(model.reads) & (names | given), model.name
        assert "-- grain: " in model.query
        assert "-- units: " in model.query


@pytest.mark.parametrize(
    ("files", "message"),
    [
        ({"a": "-- reads: b\nSELECT 1", "b": "-- reads: a\nSELECT 1"}, "in a circle"),
        ({"a": "SELECT 1"}, "'-- reads: ...' is missing"),
    ],
)
def test_models_that_cannot_be_ordered(tmp_path, monkeypatch, files, message):
    for room in (*model_files.ROOMS, "checks"):
        (tmp_path / room).mkdir()
    for name, text in files.items():
        (tmp_path / "staging" / f"{name}.sql").write_text(text)
    monkeypatch.setattr(model_files, "folder", lambda name: tmp_path)
    with pytest.raises(StoreError, match=message):
        model_files.models.__wrapped__()
