"""The supplier's pack: parts, months and totals, and not a word that leads to a site or a person."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import polars as pl

from fleetstats.report import Results, write_site
from tests.report_fixture import invent

#: Columns that a supplier may see: its own parts' names and numbers.
THEIRS = {"part_number", "component", "description", "supplier", "supplier_part_number"}


def planted(results: Results) -> tuple[Results, list[str]]:
    """Results with a string of its own in every text column that a supplier must not see."""
    marks: list[str] = []
    frames: dict[str, pl.DataFrame] = {}
    for name, given in results.tables.items():
        frame = given
        if frame.height == 0:
            continue
        for column, kind in frame.schema.items():
            if kind == pl.String and column not in THEIRS:
                mark = f"zq{len(marks):03d}{name}{column}".replace("_", "")
                marks.append(mark)
                frame = frame.with_columns((pl.lit(mark) + pl.col(column).fill_null("")).alias(column))
        frames[name] = frame
    shown = replace(results.display, local_rule_source="zqrule", currency="ZQM", trip_cost=98765.0)
    return results.replaced(display=shown, **frames), [*marks, "zqrule", "ZQM", "98,765"]


def everything(folder: Path) -> str:
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return "\n".join([*(str(path) for path in files), *(path.read_text(encoding="utf-8") for path in files)])


def test_nothing_of_a_site_or_person_is_in_the_pack(tmp_path: Path) -> None:
    results, marks = planted(invent(24))
    assert len(marks) > 40
    text = everything(write_site(results, tmp_path / "pack", audience="supplier").parent)
    assert [mark for mark in marks if mark in text] == []
    inside = everything_but_assets(write_site(results, tmp_path / "all").parent)
    assert sum(mark in inside for mark in marks) > 25, "the marks do show where they may"


def everything_but_assets(folder: Path) -> str:
    return "\n".join(path.read_text(encoding="utf-8") for path in folder.rglob("*.html"))


def test_no_stock_on_hand_and_no_site_counts_leave_the_house(tmp_path: Path) -> None:
    results = invent(24)
    orders = results.orders.with_columns(pl.lit(7919.0).alias("on_hand"), pl.lit(6151.0).alias("on_order"))
    stock = results.stock.with_columns(pl.lit(4409, dtype=pl.Int64).alias("sites"))
    text = everything(
        write_site(results.replaced(orders=orders, stock=stock), tmp_path / "p", audience="supplier").parent
    )
    assert not any(number in text for number in ("7919", "7,919", "6151", "6,151", "4409", "4,409"))
    assert "forecast, not an order" in text


def test_the_pack_is_one_page_without_script_and_one_spreadsheet(tmp_path: Path) -> None:
    folder = write_site(invent(24), tmp_path / "p", audience="supplier").parent
    files = {str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file()}
    assert files == {"index.html", "fleetstats-files.json", "forecast-not-an-order.csv"}
    assert sum((folder / name).stat().st_size for name in files) < 200_000, "small enough to mail"
    assert "<script" not in (folder / "index.html").read_text(encoding="utf-8")


def test_each_supplier_gets_its_own_parts_alone(tmp_path: Path) -> None:
    results = invent(24)
    parts = results.parts.with_columns(
        pl.when(pl.col("component") == "uv_lamp")
        .then(pl.lit("Lumen House"))
        .otherwise(pl.lit("Filter House"))
        .alias("supplier")
    )
    folder = write_site(results.replaced(parts=parts), tmp_path / "p", audience="supplier").parent
    packs = {path.name: everything(path) for path in folder.iterdir() if path.is_dir()}
    assert sorted(name.rpartition("-")[0] for name in packs) == ["filter-house", "lumen-house"]
    for name, text in packs.items():
        other = "Filter House" if name.startswith("lumen") else "Lumen House"
        assert other not in text
        assert ("SED-A" in text) == name.startswith("filter")
