"""Rows set aside that went through a spreadsheet: its own changes are taken back, those of a person stay."""

from __future__ import annotations

import csv
from datetime import date
from textwrap import dedent

import pytest

from fleetstats.intake.accept import load_paths
from fleetstats.intake.corrections import write_set_aside
from fleetstats.intake.import_map import read_map
from fleetstats.settings import DEFAULT_COMPONENTS
from fleetstats.store import Store

TODAY = date(2026, 1, 1)
COMPONENTS = tuple(DEFAULT_COMPONENTS)
MAP = """
    [sheet]
    date_order = "month_day_year"
    [column.Site]
    to = "site_id"
    [column.Date]
    to = "visit_date"
    [column.Call]
    to = "reported_on"
    [column.PSI]
    to = "inlet_pressure_kpa"
    unit = "psi"
    [column.Job]
    to = "visit_id"
    [column.Sed]
    work = "sediment_cartridge"
    words = { "chg" = "replaced" }
"""
#: One good row, then one without a site, one whose word nobody knows, one whose date is none.
LOG = """
    Job,Site,Date,Call,PSI,Sed,Paid
    0001,0007,2023-07-08,,48,chg,TRUE
    0002,,2024-01-05,2024-01-03,35.8,chg,TRUE
    0003,0007,2024-02-14 00:00:00,1/5/2024,36.25,???,1234567890123456
    0004,0007,7/99/2024,,40.5,chg,FALSE
"""


@pytest.fixture
def desk(tmp_path):
    (tmp_path / "map.toml").write_text(dedent(MAP))
    (tmp_path / "log.csv").write_text(dedent(LOG).lstrip())
    with Store(":memory:") as store:
        yield Desk(store, tmp_path)


class Desk:
    """A store in memory that has read the log, and the rows it set aside."""

    def __init__(self, store, folder):
        self.store, self.folder = store, folder
        self.load("log.csv")

    def load(self, name):
        rules = read_map(self.folder / "map.toml", COMPONENTS)
        places = [self.folder / name]
        return load_paths(self.store, places, today=TODAY, components=COMPONENTS, import_map=rules).files[0]

    def save_as(self, program, mend=lambda row: None, name="mended.csv", separator=";"):
        """Write the rows set aside as a program saves them, after a person mended them."""
        (place,) = write_set_aside(self.store, self.folder / "mend")
        rows = list(csv.DictReader(place.read_text(encoding="utf-8-sig").splitlines()))
        for row in rows:
            for column, cell in row.items():
                row[column] = program(column, cell)
            mend(row)
        with (self.folder / name).open("w", encoding="cp1252", newline="") as out:
            writer = csv.DictWriter(out, rows[0], delimiter=separator)
            writer.writeheader()
            writer.writerows(rows)
        return name

    def visits(self):
        return self.store.run(
            "SELECT visit_id, site_id, visit_date::VARCHAR, reported_on::VARCHAR, "
            "round(inlet_pressure_kpa / 6.894757, 3) FROM records.visits ORDER BY visit_id"
        )


def _shown(day, order):
    year, month, rest = day.split("-")
    parts = {"d": rest[:2], "m": month, "y": year}
    return {"dmy": "{d}.{m}.{y}", "mdy": "{m}/{d}/{y}"}[order].format(**parts) + (
        " 00:00" if rest[2:] else ""
    )


def office(order, comma):
    """Return how a spreadsheet shows a cell in a country: dates in its order, numbers in its signs."""

    def show(column, cell):
        if column.startswith("set_aside"):
            return cell
        if cell == "1/5/2024":  # read as a date of the country
            return "01.05.2024" if order == "dmy" else cell
        if cell[4:5] == "-":
            return _shown(cell, order)
        if cell == "1234567890123456":
            return "1,23457E+15" if comma else "1.23457E+15"
        if cell[:1].isdigit() and "/" not in cell:
            cell = f"{float(cell):g}"
            return cell.replace(".", ",") if comma else cell
        return cell

    return show


def _give_a_site(row):
    row["Site"] = row["Site"] or "7"  # typed as 0007, shown as 7


AFTER = [
    ("0001", "0007", "2023-07-08", None, 48.0),
    ("0002", "0007", "2024-01-05", "2024-01-03", 35.8),
    ("0003", "0007", "2024-02-14", "2024-01-05", 36.25),
]


@pytest.mark.parametrize(("order", "comma", "separator"), [("dmy", True, ";"), ("mdy", False, ",")])
def test_what_a_spreadsheet_does_by_itself_is_taken_back(desk, order, comma, separator):
    name = desk.save_as(office(order, comma), _give_a_site, separator=separator)
    report = desk.load(name)
    assert desk.visits() == AFTER
    assert any("spreadsheet alone changed" in note for note in report.notes)
    assert desk.store.run('SELECT file, line, "column", value FROM journal.refused ORDER BY line') == [
        ("log.csv", 4, "Sed", "???"),
        ("log.csv", 5, "Date", "7/99/2024"),
    ]
    assert desk.store.run("SELECT line, json_extract_string(record, '$.Paid') FROM journal.mended") == [
        (3, "TRUE")
    ]


def test_what_a_person_mended_is_read_in_the_order_and_signs_of_the_program(desk):
    def mend(row):
        if row["Job"] == "4":
            row.update({"Date": "09.07.2024", "PSI": "41,5"})

    desk.load(desk.save_as(office("dmy", True), mend))
    assert desk.visits()[-1] == ("0004", "0007", "2024-07-09", None, 41.5)


def test_a_correction_of_day_and_month_is_a_correction(desk):
    def mend(row):
        if row["Job"] == "3":
            row.update({"Call": "05.01.2024", "Date": "15.02.2024 00:00"})

    desk.load(desk.save_as(office("dmy", True), mend))
    assert desk.visits()[1] == ("0003", "0007", "2024-02-15", "2024-01-05", 36.25)


def test_the_same_file_again_and_the_log_again_change_nothing(desk):
    name = desk.save_as(office("dmy", True), _give_a_site)
    first = desk.load(name)
    refused = "SELECT * EXCLUDE (load_id, content_hash) FROM journal.refused ORDER BY ALL"
    told = desk.store.run(refused)
    for again in (name, "log.csv", name, name):
        report = desk.load(again)
        assert (report.accepted, report.changed) == (0, 0)
        assert report.rows_read == report.repeated + report.refused
        assert desk.visits() == AFTER
        assert desk.store.run(refused) == told
    assert first.rows_read == first.accepted + first.repeated + first.refused


def test_a_mark_that_was_taken_for_a_number_is_known_by_its_place(desk):
    marks = desk.store.run("SELECT line, json_extract_string(record, '$.set_aside_row') FROM journal.refused")
    mark = dict(marks)[3]
    number = "1234567890123456"
    desk.store.run(f"UPDATE journal.refused SET record = replace(record, '{mark}', '{number}')")

    def mend(row):
        _give_a_site(row)
        if row["set_aside_row"] == number:
            row["set_aside_row"] = "1.23457E+15"

    desk.load(desk.save_as(office("dmy", True), mend))
    assert desk.visits()[1] == AFTER[1]
    assert desk.store.run("SELECT row_mark, line FROM journal.mended") == [(number, 3)]


def test_rows_of_the_records_own_tables_come_back_through_a_spreadsheet(tmp_path):
    folder = tmp_path / "records"
    folder.mkdir()
    (folder / "sites.csv").write_text("site_id\n0007\n")
    (folder / "visits.csv").write_text(
        "visit_id,site_id,visit_date,reported_on,inlet_pressure_kpa,notes\n"
        "0001,0007,2024-01-05,,310.5,a\n0002,0007,2024-02-14,2024-12-01,-1,=b\n0003,,2024-03-04,,310.5,c\n"
    )
    (folder / "work.csv").write_text("visit_id,component,action\n0001,uv_lamp,fitted\n")
    with Store(":memory:") as store:
        load_paths(store, [folder], today=TODAY, components=COMPONENTS)
        (place,) = write_set_aside(store, tmp_path / "mend")
        rows = list(csv.DictReader(place.read_text(encoding="utf-8-sig").splitlines()))
        show = office("dmy", comma=True)
        for row in rows:
            row.update({column: show(column, cell) for column, cell in row.items()})
            row["site_id"] = row["site_id"] or "7"
            row["inlet_pressure_kpa"] = row["inlet_pressure_kpa"].replace("-1", "298,5")
            row["reported_on"] = row["reported_on"].replace(".12.", ".02.")
        with place.open("w", encoding="cp1252", newline="") as out:
            writer = csv.DictWriter(out, rows[0], delimiter=";")
            writer.writeheader()
            writer.writerows(rows)
        for accepted in (2, 0):
            (report,) = load_paths(store, [place], today=TODAY, components=COMPONENTS).files
            assert (report.accepted, report.refused, report.values_set_aside) == (accepted, 0, 0)
        assert store.run(
            "SELECT visit_id, site_id, visit_date::VARCHAR, reported_on::VARCHAR, inlet_pressure_kpa, notes "
            "FROM records.visits ORDER BY visit_id"
        ) == [
            ("0001", "0007", "2024-01-05", None, 310.5, "a"),
            ("0002", "0007", "2024-02-14", "2024-02-01", 298.5, "=b"),
            ("0003", "0007", "2024-03-04", None, 310.5, "c"),
        ]  # fmt: skip
        assert store.run("SELECT * FROM journal.refused") == []
