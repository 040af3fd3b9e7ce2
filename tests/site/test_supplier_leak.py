"""From records through the analysis to the pack: nothing planted in the records is in any of its bytes."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from fleetstats.pipeline import build, report
from fleetstats.sample import write_sample
from fleetstats.settings import default_settings

#: One worker makes what these tests share, once.
pytestmark = pytest.mark.xdist_group("pages")

#: Columns planted, by file; each cell gets a mark of its own kind, long enough not to come by chance.
PLANTED: Mapping[str, tuple[str, ...]] = {
    "sites.csv": ("site_name", "address_id", "region", "crew"),
    "visits.csv": ("technician", "notes", "source_ref"),
    "changes.csv": ("note",),
    "samples.csv": ("laboratory_ref",),
    "site_limits.csv": ("source",),
    "decisions.csv": ("reason", "by"),
}
PRICE, ON_HAND = 83_719.53, 5_170_933


def _mark(file: str, column: str) -> str:
    return f"zqx{file[:3]}{column.replace('_', '')}kfw"


@pytest.fixture(scope="module")
def pack(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("leak")
    records, store = folder / "records", folder / "fleet.duckdb"
    write_sample(30, records, seed=3)
    for file, columns in PLANTED.items():
        frame = pl.read_csv(records / file, infer_schema=False)
        marked = [
            (pl.lit(_mark(file, column)) + pl.col(column).fill_null("")).alias(column) for column in columns
        ]
        frame.with_columns(marked).write_csv(records / file)
    for file in records.glob("*.csv"):
        frame = pl.read_csv(file, infer_schema=False)
        if "site_id" in frame.columns:
            frame = frame.with_columns(site_id=pl.lit("zqxsiteidkfw") + pl.col("site_id"))
        if "visit_id" in frame.columns:
            frame = frame.with_columns(visit_id=pl.lit("zqxvisitidkfw") + pl.col("visit_id"))
        frame.write_csv(file)
    parts = pl.read_csv(records / "parts.csv", infer_schema=False).with_columns(
        unit_cost=pl.lit(str(PRICE)), on_hand=pl.lit(str(ON_HAND))
    )
    lamp = pl.col("component") == "uv_lamp"
    supplier = pl.when(lamp).then(pl.lit("Lumen House")).otherwise(pl.lit("Filter House"))
    parts.with_columns(supplier=supplier).write_csv(records / "parts.csv")
    build(
        [records], out=folder / "all", store=store, settings=default_settings(), as_of=None,
        today=date(2026, 11, 25), progress=lambda _: None,
    )  # fmt: skip
    report(
        store=store, settings=None, as_of=None, out=folder / "pack", audience="supplier",
        progress=lambda _: None,
    )  # fmt: skip
    return folder


def _bytes(folder: Path) -> bytes:
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return b"\n".join(str(path.relative_to(folder)).encode() + path.read_bytes() for path in files)


def test_nothing_planted_in_the_records_is_in_any_byte_of_the_packs(pack: Path) -> None:
    # whatever the case: ids are brought to capitals on the way in
    held, inside = _bytes(pack / "pack").lower(), _bytes(pack / "all").lower()
    marks = [_mark(file, column) for file, columns in PLANTED.items() for column in columns]
    numbers = [f"{PRICE}", f"{PRICE:,.2f}", "83,720", "83720", f"{ON_HAND}", f"{ON_HAND:,}"]
    for mark in (*marks, "zqxsiteidkfw", "zqxvisitidkfw", *numbers):
        assert mark.encode() not in held, mark
    assert b"zqxsiteidkfw" in inside, "the marks do show where they may"
    assert f"{ON_HAND:,}".encode() in inside


def test_each_pack_holds_its_own_suppliers_parts_and_one_spreadsheet(pack: Path) -> None:
    folders = sorted(path for path in (pack / "pack").iterdir() if path.is_dir())
    named = {path.name.rpartition("-")[0]: path for path in folders}
    assert set(named) == {"filter-house", "lumen-house"}
    numbers = {
        row["supplier_part_number"] or row["part_number"]: row["component"] == "uv_lamp"
        for row in pl.read_csv(pack / "records" / "parts.csv", infer_schema=False).iter_rows(named=True)
    }
    for name, folder in named.items():
        assert {path.name for path in folder.iterdir()} == {"index.html", "forecast-not-an-order.csv"}
        sheet = pl.read_csv(folder / "forecast-not-an-order.csv", infer_schema=False)
        shown = {part.split(",")[0] for part in sheet["part"]} - {"other parts"}
        assert shown
        assert {numbers[part] for part in shown} == {name == "lumen-house"}
        page = (folder / "index.html").read_text(encoding="utf-8")
        assert "<script" not in page
        assert "forecast, not an order" in page.lower()
        assert "A year ago" in page, "last year's error is told"
