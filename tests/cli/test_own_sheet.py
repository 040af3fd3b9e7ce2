"""A sheet of one's own by the command line: draft, a few answers, build; the sheet corrected and loaded again."""

from __future__ import annotations

import csv
import io
import os
import shutil
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest

from fleetstats.store import Store

#: One worker makes what these tests share, once.
pytestmark = pytest.mark.xdist_group("own_sheet")

LOG = Path(__file__).parents[1] / "data" / "ridge_service_log.xlsx"
README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
SHEET, MAP = "service-log.xlsx", "service-log_map.toml"


@pytest.fixture
def desk(tmp_path):
    (tmp_path / LOG.name).write_bytes(LOG.read_bytes())
    return tmp_path


def run(desk: Path, *words: str, code: int = 0) -> str:
    command = [sys.executable, "-c", "from fleetstats.cli import main; main()", *words]
    done = subprocess.run(
        command,
        cwd=desk,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
    )
    assert done.returncode == code, done.stdout + done.stderr
    assert "Traceback" not in done.stderr
    return done.stdout if code == 0 else done.stderr


def as_told(desk: Path, command: str) -> str:
    """Run a command that stands in README.md just so."""
    assert any(line.strip() == command for line in README.splitlines())
    return run(desk, *command.split()[1:])


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    """The whole way as an owner goes it: a draft, two answers in the spreadsheet of words, build."""
    desk = tmp_path_factory.mktemp("desk")
    (desk / SHEET).write_bytes(LOG.read_bytes())
    assert "18 of 18 columns recognised" in as_told(desk, f"fleetstats draft-map {SHEET}")
    words = desk / "service-log_words.csv"
    rows = list(csv.DictReader(io.StringIO(words.read_text(encoding="utf-8-sig"))))
    answers = {("Roof", "Tile"): "concrete_tile", ("Sediment", "???"): "replaced"}
    for row in rows:
        row["answer"] = answers.get((row["column"], row["word"]), "")
    with words.open("w", encoding="utf-8", newline="") as out:
        writer = csv.DictWriter(out, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    told = as_told(desk, f"fleetstats build {SHEET} --map {MAP} --out my-report --set-aside aside")
    return desk, told


@pytest.mark.slow
def test_from_file_to_report_by_a_draft_and_a_few_answers(built):
    desk, told = built
    assert "1491 rows read = 1457 accepted + 8 repeated + 26 refused; 5 values set aside" in told
    assert "90 served sites, 1457 visits" in told
    assert (desk / "my-report" / "index.html").exists()
    with Store(desk / "fleet.duckdb", read_only=True) as store:
        assert store.table("intervals").height > 300
        roofs = store.run("SELECT DISTINCT roof_material FROM records.sites ORDER BY 1")
        assert [roof for (roof,) in roofs] == ["asphalt_shingle", "concrete_tile", "metal", "timber"]
        answered = store.run("SELECT action FROM records.work WHERE visit_id IN ('J00036-011', 'J00066-007') "
                             "AND component = 'sediment_cartridge'")  # fmt: skip
        assert answered == [("replaced",), ("replaced",)]


@pytest.mark.slow
def test_the_sheet_is_corrected_and_loaded_again(built, tmp_path):
    desk = Path(shutil.copytree(built[0], tmp_path / "desk"))
    place = desk / "aside" / "service-log_Log_set_aside.csv"
    rows = list(csv.DictReader(io.StringIO(place.read_text(encoding="utf-8-sig"))))
    assert len(rows) == 31
    told = run(desk, "load", str(place), "--map", MAP, code=1)
    assert "correct these rows there" in " ".join(told.replace("│", " ").split())
    frame = pl.read_excel(desk / SHEET, engine="calamine", infer_schema_length=0)
    mended = frame.with_columns(pl.all().replace("13/45/2021", "12/14/2021"))
    mended.write_csv(desk / "service-log.csv", include_header=False)
    rules = (desk / MAP).read_text(encoding="utf-8")
    for old, new in (("header_row = 3", "header_row = 1"), ('name = "Log"', ""), (".xlsx", ".csv")):
        rules = rules.replace(old, new)
    (desk / "csv_map.toml").write_text(rules, encoding="utf-8")
    told = run(desk, "load", "service-log.csv", "--map", "csv_map.toml", "--store", "csv.duckdb")
    assert "1491 rows read = 1466 accepted + 8 repeated + 17 refused" in told


def test_a_map_that_is_there_is_not_written_over(desk):
    words = desk / "ridge_service_log_words.csv"
    run(desk, "draft-map", LOG.name)
    before = words.read_bytes() + b"Roof,Tile,212,other,clay_tile,\n"
    words.write_bytes(before)
    assert "is there already; say --replace to write over it" in run(desk, "draft-map", LOG.name, code=1)
    assert words.read_bytes() == before
    run(desk, "draft-map", LOG.name, "--replace")
    assert words.read_bytes() != before


def test_a_blank_slip_its_sheet_and_its_map(desk):
    run(desk, "draft-map", "--blank", "van.csv")
    assert {"van.csv", "van.html", "van_map.toml"} <= {place.name for place in desk.iterdir()}
    assert "0 rows read" in run(desk, "load", "van.csv", "--map", "van_map.toml", "--store", "van.duckdb")


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        (["draft-map"], 2, "name the sheet, or say --blank"),
        (["draft-map", "nowhere.xlsx"], 1, "not found"),
        (["draft-map", "."], 1, "is a folder"),
        (["load", LOG.name], 1, "write a map of it with fleetstats draft-map ridge_service_log.xlsx"),
        (["load", LOG.name, "--map", "nowhere.toml"], 1, "nowhere.toml: not found"),
        (["load", LOG.name, "--map", LOG.name], 1, "is no TOML that can be read"),
        (["draft-map", "--blank", "van.docx"], 1, "accepted for an empty sheet is .csv"),
    ],
)
def test_what_goes_wrong_is_one_message(desk, words, code, message):
    assert message in " ".join(run(desk, *words, code=code).replace("│", " ").split())
