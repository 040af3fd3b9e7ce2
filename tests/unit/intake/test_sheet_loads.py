"""Sheets of one's own through a map: visits, items, sites from visit rows, reloads, corrections."""

from __future__ import annotations

import csv
import io
from datetime import date
from textwrap import dedent

import pytest
import xlsxwriter

from fleetstats.components import KINDS
from fleetstats.errors import IntakeError
from fleetstats.intake.accept import load_paths
from fleetstats.intake.draft_map import draft_map
from fleetstats.intake.import_map import read_map
from fleetstats.intake.set_aside import write_set_aside
from fleetstats.store import Store

TODAY = date(2026, 1, 1)
COMPONENTS = tuple(KINDS)
MAP = """
    [sheet]
    date_order = "month_day_year"
    [column.Site]
    to = "site_id"
    [column.Date]
    to = "visit_date"
    [column.PSI]
    to = "inlet_pressure_kpa"
    unit = "psi"
    [column.Sed]
    work = "sediment_cartridge"
    words = { "chg" = "replaced", "clogged" = "replaced, blocked", "ok" = "inspected, good" }
    [column.Tank]
    to = "tank_material"
"""
JOB = """
    [column.Job]
    to = "visit_id"
"""


class Desk:
    """A store in memory and a folder of sheets."""

    def __init__(self, store, folder):
        self.store, self.folder = store, folder

    def load(self, text, *, name="log.csv", rules=MAP, today=TODAY, more=()):
        (self.folder / "map.toml").write_text(dedent(rules), encoding="utf-8")
        place = self.folder / name
        if text is not None:
            place.write_text(dedent(text).lstrip("\n"), encoding="utf-8")
        read = read_map(self.folder / "map.toml", COMPONENTS)
        report = load_paths(self.store, [place, *more], today=today, components=COMPONENTS, import_map=read)
        return report.files[-1]

    def rows(self, query):
        return self.store.run(query)

    def visits(self):
        return self.rows("SELECT visit_id, visit_date::VARCHAR FROM records.visits ORDER BY ALL")

    def refused(self):
        return self.rows('SELECT file, line, "column", value FROM journal.refused ORDER BY ALL')


@pytest.fixture
def desk(tmp_path):
    with Store(":memory:") as store:
        yield Desk(store, tmp_path)


def counts(report):
    return report.rows_read, report.accepted, report.repeated, report.refused, report.values_set_aside


def test_ids_are_made_from_site_and_date(desk):
    report = desk.load(
        """
        Site,Date,PSI,Sed,Tank
        A,1/2/2024,48,chg,poly
        A,1/2/2024,47,clogged,poly
        B,2/3/2024,,,
        """
    )
    assert counts(report) == (3, 3, 0, 0, 0)
    assert [visit for visit, _ in desk.visits()] == ["A@2024-01-02", "A@2024-01-02#2", "B@2024-02-03"]
    assert desk.rows("SELECT visit_id, action, condition, line FROM records.work ORDER BY line") == [
        ("A@2024-01-02", "replaced", None, 2),
        ("A@2024-01-02#2", "replaced", "blocked", 3),
    ]
    assert desk.rows("SELECT site_id, tank_material FROM records.sites ORDER BY 1") == [
        ("A", "poly"),
        ("B", None),
    ]


def test_a_corrected_date_is_no_second_visit(desk):
    sheet = "Site,Date,PSI,Sed,Tank\nA,1/2/2024,48,chg,poly\nA,{},47,chg,poly\nOld,3/3/2024,,{},\n"
    desk.load(sheet.format("7/9/2024", "chg"))
    report = desk.load("Site,Date,PSI,Sed,Tank\nA,1/2/2024,48,chg,poly\nA,7/10/2024,47,,poly\n")
    assert desk.visits() == [("A@2024-01-02", "2024-01-02"), ("A@2024-07-10", "2024-07-10")]
    assert counts(report) == (2, 1, 1, 0, 0)
    assert report.changed == 5  # two visits, two rows of work and the site that is named no more
    assert desk.rows("SELECT site_id FROM records.sites") == [("A",)]
    assert desk.rows("SELECT visit_id FROM records.work") == [("A@2024-01-02",)]
    gone = desk.rows(
        "SELECT table_name, record_key FROM journal.corrections WHERE after IS NULL ORDER BY ALL"
    )
    assert gone == [
        ("sites", "Old"),
        ("visits", "A@2024-07-09"), ("visits", "Old@2024-03-03"),
        ("work", "A@2024-07-09 | sediment_cartridge | replaced"),
        ("work", "Old@2024-03-03 | sediment_cartridge | replaced"),
    ]  # fmt: skip


def test_a_visit_spoilt_in_the_new_sheet_is_taken_out_and_may_cut(desk):
    desk.load("Site,Date,PSI,Sed,Tank\nA,1/2/2024,48,chg,poly\nA,7/9/2024,,chg,\n")
    report = desk.load("Site,Date,PSI,Sed,Tank\nA,1/2/2024,48,chg,poly\nA,7/99/2024,,chg,\n")
    assert counts(report) == (2, 0, 1, 1, 0)
    assert desk.visits() == [("A@2024-01-02", "2024-01-02")]
    assert desk.refused() == [("log.csv", 3, "Date", "7/99/2024")]
    assert desk.rows("SELECT site_id, line FROM journal.cuts") == [("A", 3)]


def test_rows_that_moved_name_their_new_lines(desk):
    desk.load("Site,Date,PSI,Sed,Tank\nA,1/2/2024,48,chg,poly\n")
    report = desk.load("Site,Date,PSI,Sed,Tank\nB,1/1/2024,,,\nA,1/2/2024,48,chg,poly\n")
    assert counts(report) == (2, 1, 1, 0, 0)
    assert desk.rows("SELECT visit_id, line FROM records.visits ORDER BY 2") == [
        ("B@2024-01-01", 2),
        ("A@2024-01-02", 3),
    ]
    assert desk.rows("SELECT line FROM records.work") == [(3,)]


def test_two_sheets_leave_each_other_alone_unless_of_one_source(desk):
    body = "Site,Date,PSI,Sed,Tank\n{},1/2/2024,48,chg,poly\n"
    desk.load(body.format("A"), name="y1.csv")
    desk.load(body.format("B"), name="y2.csv")
    assert len(desk.visits()) == 2
    one = dedent(MAP).replace("[sheet]\n", '[sheet]\nsource = "the log"\n')
    desk.load(body.format("C"), name="jan.csv", rules=one)
    desk.load(body.format("D"), name="feb.csv", rules=one)
    assert [visit[0] for visit, _ in desk.visits()] == ["A", "B", "D"]


def test_one_line_an_item_makes_one_visit_of_several_lines(desk):
    rules = """
        [sheet]
        one_row_is = "item"
        date_order = "day_month_year"
        [column."Invoice no"]
        to = "visit_id"
        [column.Customer]
        to = "site_id"
        [column.Date]
        to = "visit_date"
        [column.Item]
        work = "by_word"
        [column.Item.words]
        "20 in sediment" = "sediment_cartridge, replaced"
        "UV lamp, old one dead" = "uv_lamp, replaced, failed"
        "travel" = "nothing"
        [column.Part]
        work = "by_word"
        gives = "part_number"
    """
    report = desk.load(
        """
        Invoice no,Customer,Date,Item,Part
        I1,A,31/1/2024,20 in Sediment,S-20
        I1,A,31/1/2024,Travel,T-1
        I1,A,31/1/2024,"UV lamp, old one dead",L-40
        I2,B,1/2/2024,20 in sediment,S-20
        I2,B,1/2/2024,20 in sediment,S-20
        I3,B,,20 in sediment,S-20
        I4,B,2/2/2024,Widget,
        """,
        rules=rules,
    )
    assert counts(report) == (7, 5, 1, 1, 1)
    assert [visit for visit, _ in desk.visits()] == ["I1", "I2", "I4"]
    assert desk.rows(
        "SELECT visit_id, component, condition, part_number, line FROM records.work ORDER BY line"
    ) == [
        ("I1", "sediment_cartridge", None, "S-20", 2),
        ("I1", "uv_lamp", "failed", "L-40", 4),
        ("I2", "sediment_cartridge", None, "S-20", 5),
    ]
    assert desk.refused() == [("log.csv", 7, "Date", None), ("log.csv", 8, "Item", "Widget")]


def test_facts_that_contradict_are_told_and_the_latest_wins(desk):
    desk.load(
        """
        Site,Date,PSI,Sed,Tank
        A,3/1/2024,,,poly
        A,1/1/2024,,,concrete
        A,2/1/2024,,,concrete
        A,4/1/2024,,,mud
        A,1/1/2030,,,steel
        """
    )
    assert desk.rows("SELECT tank_material FROM records.sites") == [("poly",)]
    told = desk.rows(
        "SELECT line, value, reason FROM journal.refused WHERE \"column\" = 'Tank' ORDER BY line"
    )
    assert [(line, value) for line, value, _ in told] == [(4, "concrete"), (5, "mud"), (6, "steel")]
    assert "line 2 (2024-03-01) says poly of the same site A: the latest counts" in told[0][2]
    assert "accepted is one of concrete, poly" in told[1][2]


def test_several_columns_may_tell_of_one_component(desk):
    found = '[column.SedFound]\nwork = "sediment_cartridge"\ngives = "condition"\n'
    drop = '[column.Drop]\nwork = "sediment_cartridge"\ngives = "pressure_drop_kpa"\nunit = "psi"\n'
    desk.load(
        """
        Site,Date,PSI,Sed,SedFound,Drop,Tank
        A,1/2/2024,48,chg,loaded,10,poly
        A,2/2/2024,48,,good,,poly
        A,3/2/2024,48,,,,poly
        """,
        rules=dedent(MAP) + found + drop,
    )
    assert desk.rows("SELECT action, condition, pressure_drop_kpa FROM records.work ORDER BY line") == [
        ("replaced", "loaded", pytest.approx(68.94757)),
        ("inspected", "good", None),
    ]


def test_a_map_of_parts_beside_the_records_own_files(desk):
    desk.load("Site,Date,PSI,Sed,Tank\nA,1/2/2024,48,chg,poly\n")
    rules = """
        [column.SKU]
        to = "parts.part_number"
        [column.Kind]
        to = "parts.component"
        words = { "lamp" = "uv_lamp" }
        [column.Price]
        to = "parts.unit_cost"
    """
    report = desk.load("SKU,Kind,Price\nL-40,lamp,79.5\nL-55,Lamp,-3\n", name="prices.csv", rules=rules)
    assert counts(report) == (2, 2, 0, 0, 1)
    assert desk.rows("SELECT part_number, component, unit_cost FROM records.parts ORDER BY 1") == [
        ("L-40", "uv_lamp", 79.5), ("L-55", "uv_lamp", None),
    ]  # fmt: skip
    (desk.folder / "samples.csv").write_text("site_id,sampled_on,passed\nA,2024-02-01,yes\n")
    desk.load(None, more=[desk.folder / "samples.csv"])
    assert desk.rows("SELECT count(*) FROM records.samples") == [(1,)]


def test_several_sheets_of_one_workbook(desk):
    with xlsxwriter.Workbook(desk.folder / "years.xlsx") as book:
        for name, day in (("2024", "1/2/2024"), ("2025", "1/2/2025"), ("Prices", "-")):
            sheet = book.add_worksheet(name)
            sheet.write_row(1, 0, ["Site", "Date", "PSI", "Sed", "Tank"])
            sheet.write_row(2, 0, ["A", day, 48, "chg", "poly"])
            sheet.write_row(3, 0, [None, day, 48, "chg", "poly"])
    rules = dedent(MAP).replace("[sheet]\n", '[sheet]\nname = ["2024", "2025"]\n')
    for accepted, repeated in ((1, 0), (0, 1)):
        report = desk.load(None, name="years.xlsx", rules=rules)
        assert counts(report) == (2, accepted, repeated, 1, 0)
    assert [visit for visit, _ in desk.visits()] == ["A@2024-01-02", "A@2025-01-02"]
    assert desk.rows("SELECT file, sheet, line FROM journal.refused ORDER BY ALL") == [
        ("years.xlsx", "2024", 4), ("years.xlsx", "2025", 4),
    ]  # fmt: skip
    assert desk.rows("SELECT file FROM records.visits ORDER BY 1") == [
        ("years.xlsx [2024]",),
        ("years.xlsx [2025]",),
    ]


@pytest.mark.parametrize(
    ("header", "message"),
    [
        (
            "Site,Date,Pressure,Sed,Tank",
            r"has no column 'PSI', which the map .*map\.toml names; found are Site",
        ),
        ("Site,Date,PSI,Sed,Tank,psi", r"the header names 'PSI' 2 times"),
    ],
)
def test_a_header_that_does_not_fit_the_map_is_named(desk, header, message):
    with pytest.raises(IntakeError, match=message):
        desk.load(f"{header}\nA,1/2/2024,48,chg,poly{',' * (header.count(',') - 4)}\n")
    assert not desk.store.has_records()


# -- rows set aside --------------------------------------------------------------------------------------

LOG = """
    Site,Date,PSI,Sed,Tank,Remark
    A,1/2/2024,48,chg,poly,"=cmd, +x"
    A,7/99/2024,48,clogged,poly,"a ""b"" c"
    A,1/9/2025,-5,chg,poly,
    ,1/9/2025,48,chg,poly,-
"""


def test_rows_set_aside_come_out_with_their_own_columns_and_the_reason(desk):
    desk.load(LOG)
    (place,) = write_set_aside(desk.store, desk.folder / "aside")
    rows = list(csv.DictReader(io.StringIO(place.read_text(encoding="utf-8-sig"))))
    assert place.name == "log_set_aside.csv"
    assert list(rows[0])[:6] == ["Site", "Date", "PSI", "Sed", "Tank", "Remark"]
    assert [(row["set_aside_line"], row["set_aside_file"]) for row in rows] == [
        ("3", "log.csv"), ("4", "log.csv"), ("5", "log.csv"),
    ]  # fmt: skip
    assert rows[0]["set_aside_reason"].startswith(
        "Date: '7/99/2024' is not accepted here: accepted is a date as month"
    )
    assert rows[0]["Remark"] == 'a "b" c'


@pytest.mark.parametrize("name", ["log_set_aside.csv", "renamed.csv"])
@pytest.mark.parametrize("header_row", [None, 3])
def test_a_file_of_rows_set_aside_is_refused_with_what_to_do_and_nothing_is_lost(desk, name, header_row):
    desk.load(LOG)
    before = desk.visits(), desk.refused()
    (place,) = write_set_aside(desk.store, desk.folder / "aside")
    place = place.rename(place.with_name(name))
    rules = MAP.replace("[sheet]", f"[sheet]\nheader_row = {header_row}") if header_row else MAP
    told = "correct these rows there" if name.startswith("log") or not header_row else "renamed.csv: has no"
    with pytest.raises(IntakeError, match=told):
        desk.load(None, rules=rules, name=f"aside/{place.name}")
    with pytest.raises(IntakeError, match="correct these rows there"):
        draft_map(place, words_name="w.csv", today=TODAY, components=COMPONENTS)
    assert (desk.visits(), desk.refused()) == before


def test_the_own_sheet_corrected_and_loaded_again_has_nothing_set_aside(desk):
    desk.load(LOG)
    report = desk.load(
        LOG.replace("7/99/2024", "7/9/2024").replace("-5", "45").replace("    ,1/9", "    B,1/9")
    )
    assert counts(report) == (4, 3, 1, 0, 0)
    assert desk.refused() == desk.rows("FROM journal.cuts") == []
    assert len(desk.visits()) == 4


def test_rows_of_the_records_own_tables_come_out_and_are_refused_too(desk):
    folder = desk.folder / "records"
    folder.mkdir()
    (folder / "sites.csv").write_text("site_id\nA\n")
    (folder / "visits.csv").write_text("visit_id,site_id,visit_date\nv1,A,2024-01-02\nv2,A,2024-13-02\n")
    (folder / "work.csv").write_text("visit_id,component,action\nv1,uv_lamp,fitted\n")
    load_paths(desk.store, [folder], today=TODAY, components=COMPONENTS)
    (place,) = write_set_aside(desk.store, desk.folder / "aside")
    assert place.name == "visits_set_aside.csv"
    assert place.read_text(encoding="utf-8-sig").startswith("visit_id,site_id,visit_date,set_aside_reason")
    place = place.rename(place.with_name("visits.csv"))
    with pytest.raises(IntakeError, match="correct these rows there"):
        load_paths(desk.store, [place], today=TODAY, components=COMPONENTS)
