"""What was known on a past day is what a store that ends on that day knows, on the sample records."""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest

from fleetstats.intake.accept import load_paths
from fleetstats.resources import folder
from fleetstats.settings import default_settings
from fleetstats.store import Store

DAY = date(2024, 3, 31)
TODAY = date(2030, 1, 1)
#: Columns that say where a row stood in its file, or what nobody could know before it happened.
PLACES = ("file", "line")
DATED = {"samples": "sampled_on", "changes": "changed_on", "decisions": "decided_on"}


@pytest.fixture(scope="module")
def sample():
    """Return the sample records as text, one frame a table."""
    return {p.stem: pl.read_csv(p, infer_schema=False) for p in sorted(folder("sample_data").glob("*.csv"))}


def store_of(tables, place):
    place.mkdir()
    for name, frame in tables.items():
        frame.write_csv(place / f"{name}.csv")
    store = Store(":memory:")
    load_paths(store, [place], today=TODAY)
    return store


def until(tables, day):
    """Return the tables as they were kept on that day; a date that cannot be read stays."""
    kept = dict(tables)
    later = kept["visits"].filter(pl.col("visit_date") > str(day))
    kept["visits"] = kept["visits"].filter(pl.col("visit_date") <= str(day))
    kept["work"] = kept["work"].join(later, on="visit_id", how="anti", maintain_order="left")
    for name, column in DATED.items():
        kept[name] = kept[name].filter(pl.col(column) <= str(day))
    return kept


def test_the_future_is_unseen(sample, tmp_path):
    broken = pl.col("visit_date").str.to_date(strict=False).is_null()
    tables = sample | {"visits": sample["visits"].remove(broken)}
    with store_of(tables, tmp_path / "all") as whole, store_of(until(tables, DAY), tmp_path / "then") as then:
        seen = whole.relations(as_of=DAY, settings=default_settings())
        expected = then.relations(as_of=DAY, settings=default_settings())
        now = whole.relations(as_of=whole.latest_visit(), settings=default_settings())
    for name in ("spells", "left_out", "in_place", "readings", "visits", "sites", "work", "samples"):
        found = getattr(seen, name).drop(PLACES, strict=False)
        assert found.equals(getattr(expected, name).drop(PLACES, strict=False)), name
    assert seen.spells.height < now.spells.height


def test_every_unit_is_in_the_estimate_or_left_out(sample, tmp_path):
    with store_of(sample, tmp_path / "all") as store:
        known = store.relations(as_of=store.latest_visit(), settings=default_settings())
    ids = pl.concat([known.spells["spell_id"], known.left_out["spell_id"]])
    assert sorted(ids) == list(range(1, len(ids) + 1))
    touched = known.work.select("site_id", "component", "slot").unique()
    assert known.in_place.height == touched.height
    assert (known.spells["lower_days"] <= known.spells["upper_days"]).all()
    assert (known.spells["lower_days"] >= known.spells["entry_days"]).all()
    assert (known.spells["upper_days"] > known.spells["entry_days"]).all()
    assert known.sites.height == sample["sites"].height


def test_the_same_records_give_the_same_relations(sample, tmp_path):
    found = []
    for name in ("once", "twice"):
        with store_of(sample, tmp_path / name) as store:
            found.append(store.relations(as_of=store.latest_visit(), settings=default_settings()))
    for name in found[0].__slots__:
        if name != "as_of":
            assert getattr(found[0], name).equals(getattr(found[1], name)), name
