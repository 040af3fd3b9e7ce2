"""The blank slip and its empty sheet: one wording, only allowed words, and what is typed in loads."""

from __future__ import annotations

import csv
import io
import re
from datetime import date

from fleetstats.components import KINDS
from fleetstats.intake.accept import load_paths
from fleetstats.intake.blank_slip import blank_files
from fleetstats.intake.fields import TABLES, plain
from fleetstats.intake.import_map import read_map
from fleetstats.store import Store

COMPONENTS = (*KINDS, "softener")


def test_the_slip_prints_every_allowed_word_and_no_other():
    slip = blank_files("typed.csv", COMPONENTS).slip
    ticked = {plain(word) for word in re.findall(r"&#9744; ([^<]+)</span>", slip)}
    allowed = {
        word for table in ("sites", "visits", "work") for c in TABLES[table].columns for word in c.words
    }
    assert ticked == allowed | {"yes", "no"}
    for name in COMPONENTS:
        assert name.replace("_", " ") in slip


def test_the_slip_holds_no_script_and_fetches_nothing():
    slip = blank_files("typed.csv", COMPONENTS).slip
    assert "<script" not in slip
    assert "default-src 'none'" in slip
    assert not re.search(r"(href|src)=|url\(|@import|https?:", slip)


def test_what_is_typed_into_the_empty_sheet_loads(tmp_path):
    files = blank_files("typed.csv", COMPONENTS)
    header = next(csv.reader(io.StringIO(files.sheet)))
    (tmp_path / "map.toml").write_text(files.toml, encoding="utf-8")
    rules = read_map(tmp_path / "map.toml", COMPONENTS)
    assert sorted(rules.headers) == sorted(header)
    typed = {
        "Visit number": "v1",
        "Site": "A",
        "Date": "2024-01-31",
        "Reason": "callout",
        "Called about": "low pressure",
        "Pressure in, kPa": "48 psi",
        "Tank": "concrete",
        "Tank installed, year": "2001",
        "First flush": "yes",
        "sediment cartridge done": "replaced",
        "sediment cartridge found": "blocked",
        "softener done": "inspected",
        "Notes": "=1+1",
    }
    text = io.StringIO()
    out = csv.DictWriter(text, header)
    out.writeheader()
    out.writerow(typed)
    (tmp_path / "typed.csv").write_text("\ufeff" + text.getvalue(), encoding="utf-8")
    with Store(":memory:") as store:
        report = load_paths(
            store, [tmp_path / "typed.csv"], today=date(2024, 2, 1), components=COMPONENTS, import_map=rules
        )
        assert (report.files[0].accepted, report.files[0].values_set_aside) == (1, 0)
        assert store.run("SELECT component, action, condition FROM records.work ORDER BY 1") == [
            ("sediment_cartridge", "replaced", "blocked"), ("softener", "inspected", None),
        ]  # fmt: skip
        assert store.run("SELECT callout_cause, round(inlet_pressure_kpa, 3), notes FROM records.visits") == [
            ("low_pressure", 330.948, "=1+1")
        ]


def test_the_empty_sheet_is_no_rows(tmp_path):
    files = blank_files("typed.csv", COMPONENTS)
    (tmp_path / "map.toml").write_text(files.toml, encoding="utf-8")
    (tmp_path / "typed.csv").write_text(files.sheet, encoding="utf-8")
    rules = read_map(tmp_path / "map.toml", COMPONENTS)
    with Store(":memory:") as store:
        report = load_paths(store, [tmp_path / "typed.csv"], today=date(2024, 2, 1), import_map=rules)
        assert report.files[0].rows_read == 0
