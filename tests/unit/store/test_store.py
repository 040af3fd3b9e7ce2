"""The store as a file: opening, refusing, keeping and handing out tables."""

from __future__ import annotations

from datetime import date

import duckdb
import polars as pl
import pytest

from fleetstats import models as model_files
from fleetstats.errors import StoreError
from fleetstats.settings import default_settings
from fleetstats.store import Store

FRAME = pl.DataFrame({"item": ["visits", "uv_lamp"], "days": [182.0, None], "origin": ["settings", None]})


def test_what_is_kept_is_there_when_the_file_is_opened_again(tmp_path):
    path = tmp_path / "fleet.duckdb"
    with Store(path) as store:
        store.keep({"todays_rule": FRAME, "plans": pl.DataFrame()}, as_of=date(2024, 1, 1))
        store.keep({"todays_rule": FRAME.head(1)}, as_of=date(2024, 2, 1))
    with Store(path, read_only=True) as store:
        assert store.table("todays_rule").equals(FRAME.head(1))
        assert store.table("analysis")["as_of"].to_list() == [date(2024, 2, 1)]
        assert store.tables() == {"analysis": ["as_of"], "todays_rule": ["item", "days", "origin"]}
        with pytest.raises(StoreError, match="no table 'plans'; there are analysis, todays_rule"):
            store.table("plans")


def test_keeping_is_all_or_nothing(tmp_path, monkeypatch):
    with Store(tmp_path / "fleet.duckdb") as store:
        store.keep({"todays_rule": FRAME}, as_of=date(2024, 1, 1))
        real = store.stage

        def failing(name, frame):
            if frame.height == 1 and "as_of" in frame.columns:
                raise duckdb.IOException("no room")
            real(name, frame)

        monkeypatch.setattr(store, "stage", failing)
        with pytest.raises(StoreError, match="it is as before"):
            store.keep({"todays_rule": FRAME.head(1), "due": pl.DataFrame()}, as_of=date(2024, 2, 1))
        assert store.table("todays_rule").equals(FRAME)
        with pytest.raises(StoreError, match="no table 'due'"):
            store.table("due")


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
