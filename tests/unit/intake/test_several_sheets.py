"""A sheet a year: each line accounted for by itself, the latest fact wins whatever the order of loading."""

from __future__ import annotations

from datetime import date
from textwrap import dedent

import pytest
import xlsxwriter

from fleetstats.components import KINDS
from fleetstats.intake.accept import load_paths
from fleetstats.intake.import_map import read_map
from fleetstats.store import Store

TODAY = date(2026, 1, 1)
COMPONENTS = tuple(KINDS)
MAP = """
    [sheet]
    name = {names}
    [column.Site]
    to = "site_id"
    [column.Visited]
    to = "visit_date"
    [column.PSI]
    to = "inlet_pressure_kpa"
    unit = "psi"
    [column.People]
    to = "occupants"
    [column."1st flush"]
    to = "first_flush"
    [column.Built]
    to = "tank_installed"
"""
HEADER = ("Site", "Visited", "PSI", "People", "1st flush", "Built")
YEARS = {
    "2022": (("A", "2022-03-01", "48", "2", "N", "1990"), ("B", "2022-03-02", "35,8", "3", "", "2001")),
    "2023": (("A", "2023-03-01", "48", "4", "Y", "1990"), ("B", "2023-03-02", "1e2", "3", "", "")),
    "2024": (("B", "2024-03-02", "0x1F", "5", "Y", "2002"),),
}  # fmt: skip


@pytest.fixture
def book(tmp_path):
    with xlsxwriter.Workbook(str(tmp_path / "log.xlsx")) as out:
        for name, rows in YEARS.items():
            sheet = out.add_worksheet(name)
            for nth, row in enumerate((HEADER, *rows, ("TOTAL", "", "900", "", "", ""))):
                sheet.write_row(nth, 0, row)
    with Store(":memory:") as store:
        yield Book(store, tmp_path)


class Book:
    """A store in memory and a workbook with a sheet a year."""

    def __init__(self, store, folder):
        self.store, self.folder = store, folder

    def load(self, *names):
        (self.folder / "map.toml").write_text(dedent(MAP).format(names=list(names)))
        rules = read_map(self.folder / "map.toml", COMPONENTS)
        places = [self.folder / "log.xlsx"]
        return load_paths(self.store, places, today=TODAY, components=COMPONENTS, import_map=rules).files

    def sites(self):
        return self.store.run(
            "SELECT site_id, occupants, first_flush, tank_installed::VARCHAR FROM records.sites ORDER BY ALL"
        )


LATEST = [("A", 4.0, True, "1990-07-01"), ("B", 5.0, True, "2002-07-01")]


@pytest.mark.parametrize("names", [("2022", "2023", "2024"), ("2024", "2022", "2023")])
def test_the_latest_visit_wins_whatever_the_order_of_the_sheets(book, names):
    first = book.load(*names)
    assert book.sites() == LATEST
    assert [report.changed for report in first] == [0, 0, 0]
    again = book.load(*names)
    assert [(report.accepted, report.changed) for report in again] == [(0, 0)] * 3
    assert book.sites() == LATEST


def test_last_years_sheet_does_not_turn_a_site_back(book):
    book.load("2024")
    book.load("2023")
    assert book.sites() == LATEST
    (old,) = book.load("2022")
    assert book.sites() == LATEST
    assert old.changed == 0
    told = book.store.run(
        "SELECT \"column\", line, value, reason FROM journal.refused WHERE sheet = '2022' "
        "AND table_name = 'sites' ORDER BY ALL"
    )
    assert [row[:3] for row in told] == [
        ("1st flush", 2, "N"), ("Built", 3, "2001"), ("People", 2, "2"), ("People", 3, "3"),
    ]  # fmt: skip
    assert "the records say 5.0 of site B, visited on 2024-03-02" in told[3][3]


def test_a_sheet_may_correct_what_it_said_itself(book):
    book.load("2022")
    book.load("2023")
    book.store.run("UPDATE records.sites SET occupants = 9 WHERE site_id = 'A'")  # as if 2023 had said so
    book.load("2023")
    assert book.sites()[0] == ("A", 4.0, True, "1990-07-01")


def test_the_same_faulty_line_on_every_sheet_is_told_of_each(book):
    reports = book.load(*YEARS)
    assert [(r.rows_read, r.accepted, r.repeated, r.refused) for r in reports] == [
        (3, 2, 0, 1), (3, 2, 0, 1), (2, 1, 0, 1),
    ]  # fmt: skip
    told = "SELECT sheet, line FROM journal.refused WHERE kind = 'row' ORDER BY ALL"
    assert book.store.run(told) == [("2022", 4), ("2023", 4), ("2024", 3)]


def test_a_line_of_totals_is_no_site(book):
    book.load(*YEARS)
    assert "TOTAL" not in {site for site, *_ in book.sites()}


def test_a_figure_in_another_style_is_set_aside_and_never_read_in_another_unit(book):
    book.load(*YEARS)
    assert book.store.run("SELECT round(inlet_pressure_kpa, 3) FROM records.visits ORDER BY visit_date") == [
        (330.948,), (None,), (330.948,), (689.476,), (None,),
    ]  # fmt: skip
    told = "SELECT sheet, line, \"column\", value FROM journal.refused WHERE table_name = 'visits' AND kind = 'value'"
    assert book.store.run(f"{told} ORDER BY ALL") == [
        ("2022", 3, "PSI", "35,8"), ("2024", 2, "PSI", "0x1F"),
    ]  # fmt: skip


def test_dates_that_fit_another_order_alone_are_told(tmp_path):
    rules = '[sheet]\ndate_order = "month_day_year"\n[column.Site]\nto = "site_id"\n[column.Date]\nto = "visit_date"\n'
    (tmp_path / "map.toml").write_text(rules)
    (tmp_path / "log.csv").write_text(
        "Site,Date\nA,1/13/2024\nA,14/2/2024\nA,3/4/2024\nA,5/5/2024\nA,13/45/2024\nA,2024-07-08\n"
    )
    with Store(":memory:") as store:
        told = read_map(tmp_path / "map.toml", COMPONENTS)
        (sheet,) = load_paths(store, [tmp_path / "log.csv"], today=TODAY, import_map=told).files
    assert (sheet.accepted, sheet.refused) == (4, 2)
    (note,) = [note for note in sheet.notes if note.startswith("CHECK")]
    assert note.startswith(
        "CHECK 'Date': 1 of its dates are none as month, day, year but are one in another order, so 1 more"
    )
