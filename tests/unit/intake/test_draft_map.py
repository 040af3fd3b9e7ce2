"""Drafts of maps: what headers, words and dates are taken for, and that the draft reads its own sheet."""

from __future__ import annotations

import csv
import io
import tomllib
from datetime import date

import pytest
import xlsxwriter

from fleetstats.components import KINDS
from fleetstats.errors import IntakeError
from fleetstats.intake.accept import load_paths
from fleetstats.intake.draft_headers import guess_columns
from fleetstats.intake.draft_map import draft_map
from fleetstats.intake.draft_words import guess_item, guess_word, guess_work
from fleetstats.intake.fields import TABLES
from fleetstats.intake.import_map import read_map
from fleetstats.intake.near_names import near_names
from fleetstats.store import Store

COMPONENTS = tuple(KINDS)
TODAY = date(2026, 1, 1)


def draft(folder, text, name="log.csv"):
    place = folder / name
    place.write_text(text, encoding="utf-8")
    return place, draft_map(place, words_name="log_words.csv", today=TODAY, components=COMPONENTS)


def words_of(found):
    return list(csv.DictReader(io.StringIO(found.words)))


@pytest.mark.parametrize(
    ("header", "values", "to", "unit"),
    [
        ("PSI in", ["48", "47.5"], "inlet_pressure_kpa", "psi"),
        ("Pressure before", ["3.2", "3.4"], "inlet_pressure_kpa", "bar"),
        ("Pressure (out)", ["310", "305"], "outlet_pressure_kpa", "kPa"),
        ("Outlet bar", ["3.1"], "outlet_pressure_kpa", "bar"),
        ("Meter (gal)", ["95287"], "meter_m3", "US gal"),
        ("Meter m3", ["95"], "meter_m3", "m3"),
        ("Flow gpm", ["5"], "flow_lpm", "gpm"),
        ("Hardness gpg", ["7"], "hardness_mg_l", "grains"),
        ("Tank size (gallons)", ["5000"], "tank_litres", "US gal"),
        ("Tank yr", ["1999"], "tank_installed", None),
        ("Tank type", ["poly"], "tank_material", None),
        ("Roof area ft2", ["2000"], "roof_area_m2", "ft2"),
        ("Roof", ["metal"], "roof_material", None),
        ("UV hours left", ["1200"], "lamp_days_left", "hours"),
        ("Svc date", ["1/2/2024"], "visit_date", None),
        ("Rang on", ["1/2/2024"], "reported_on", None),
        ("Job #", ["J1"], "visit_id", None),
        ("Customer", ["C1"], "site_id", None),
        ("Tech", ["RT"], "technician", None),
        ("Remarks", ["muddy"], "notes", None),
        ("Mileage", ["12"], "nothing", None),
        ("Pressure in", ["53 psi", "47 psi"], "inlet_pressure_kpa", "psi"),
        ("Cust code", ["0012"], "site_id", None),
        ("Tech name", ["Ana"], "technician", None),
        ("Owner name", ["Ana"], "site_id", None),
        ("Service date", ["3 Apr 2024", "Mon 5 Feb 2024", "Apr 3, 2024"], "visit_date", None),
    ],
)
def test_headers_and_values_say_the_field_and_the_unit(header, values, to, unit):
    (guess,) = guess_columns([header], [values], COMPONENTS)
    assert (guess.to, guess.unit) == (to, unit)
    assert guess.why


@pytest.mark.parametrize(
    ("header", "values", "work", "gives"),
    [
        ("Sed changed Y/N", ["Y", "N"], "sediment_cartridge", "words"),
        ("Carbon", ["changed"], "carbon_cartridge", "words"),
        ("Lamp condition", ["dead"], "uv_lamp", "condition"),
        ("Sleeve", ["wiped"], "quartz_sleeve", "words"),
        ("Sediment drop psi", ["12"], "sediment_cartridge", "pressure_drop_kpa"),
        ("Lamp part no", ["L-40"], "uv_lamp", "part_number"),
        ("Lamp fitted", ["1/2/2020"], "uv_lamp", "fitted_on"),
    ],
)
def test_columns_of_components_are_told_apart(header, values, work, gives):
    (guess,) = guess_columns([header], [values], COMPONENTS)
    assert (guess.work, guess.gives) == (work, gives)


@pytest.mark.parametrize(
    ("word", "component", "answer"),
    [
        ("changed", "sediment_cartridge", "replaced"),
        ("Changed", "uv_lamp", "replaced"),
        ("Y", "carbon_cartridge", "replaced"),
        ("N", "carbon_cartridge", "nothing"),
        ("n/a", "carbon_cartridge", "blank"),
        ("changed - CLOGGED", "sediment_cartridge", "replaced, blocked"),
        ("new lamp - was dead", "uv_lamp", "replaced, failed"),
        ("new lamp (due)", "uv_lamp", "replaced, expired"),
        ("wiped", "quartz_sleeve", "cleaned"),
        ("cleaned", "quartz_sleeve", "cleaned"),
        ("wiped - SCALED", "quartz_sleeve", "cleaned, scaled"),
        ("looks ok", "quartz_sleeve", "inspected, good"),
        ("very dirty", "sediment_cartridge", "inspected, loaded"),
        ("???", "sediment_cartridge", ""),
        ("carbon block", "carbon_cartridge", ""),
        ("carbon block changed", "carbon_cartridge", "replaced"),
        ("carbon block, blocked", "carbon_cartridge", "inspected, blocked"),
        ("x", "sediment_cartridge", "replaced"),
        ("\u2713", "uv_lamp", "replaced"),
        ("x", "quartz_sleeve", ""),
        ("false", "uv_lamp", "nothing"),
    ],
)
def test_words_of_work(word, component, answer):
    assert guess_work(word, component).answer == answer


@pytest.mark.parametrize(
    ("header", "answer"),
    [
        ("Sleeve cleaned", "cleaned"), ("UV checked?", "inspected"), ("Lamp installed", "fitted"),
        ("Sed changed Y/N", "replaced"), ("Carbon", "replaced"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("tick", ["Y", "yes", "true", "X", "1"])
def test_a_tick_means_what_its_header_says(tick, header, answer):
    assert guess_work(tick, "uv_lamp", header).answer == answer


@pytest.mark.parametrize("word", ["changed", "replaced", "new", "Swapped", "chg", "x", "done"])
def test_a_plain_change_is_never_taken_for_good(word):
    assert "good" not in guess_work(word, "sediment_cartridge").answer
    assert "," not in guess_work(word, "sediment_cartridge").answer


@pytest.mark.parametrize(
    ("field", "word", "answer"),
    [
        ("tank_material", "CONC", "concrete"), ("tank_material", "FRP", "fibreglass"),
        ("roof_material", "Tile", "other"), ("roof_material", "concrete tiles", "concrete_tile"),
        ("tree_cover", "lots", "heavy"), ("tree_cover", "No", "none"),
        ("visit_reason", "6 mo svc", "routine"), ("visit_reason", "Emergency", "callout"),
        ("callout_cause", "no water", "tank_empty"), ("callout_cause", "UV beeping", "uv_alarm"),
        ("tank_material", "mud", ""),
    ],
)  # fmt: skip
def test_words_of_fields(field, word, answer):
    table = "sites" if field in TABLES["sites"].names else "visits"
    assert guess_word(word, TABLES[table].column(field)).answer == answer


def test_an_item_is_a_component_or_no_work():
    assert guess_item("UV lamp 40 W", COMPONENTS).answer == "uv_lamp, replaced"
    assert guess_item("Sediment cartridge cleaned", COMPONENTS).answer == "sediment_cartridge, cleaned"
    assert guess_item("10in carbon block", COMPONENTS).answer == "carbon_cartridge, replaced"
    assert guess_item("Travel", COMPONENTS).answer == "nothing"


def test_names_nearly_alike_are_listed_and_different_figures_are_not():
    counts = {
        "Upper Ford": 9,
        "upper  ford": 2,
        "Uper Ford": 1,
        "Ford, Upper": 1,
        "Lot 4": 3,
        "Lot 14": 3,
        "Mill": 1,
    }
    found = {(near.name, near.other, near.same) for near in near_names(counts)}
    assert ("upper  ford", "Upper Ford", True) in found
    assert {name for name, _, _ in found} == {"upper  ford", "Uper Ford", "Ford, Upper"}
    assert near_names({f"C-{i:05d}": 1 for i in range(90)}) == []


def test_near_names_are_asked_for_and_those_of_case_alone_are_one_site(tmp_path):
    log = "Customer,Date,Sed\nUpper Ford,1/13/2024,changed\nUPPER FORD,2/13/2024,changed\n"
    place, found = draft(tmp_path, log + "Uper Ford,3/13/2024,\nUpper Ford,4/13/2024,\n")
    rows = {row["word"]: row for row in words_of(found) if row["column"] == "Customer"}
    assert rows["UPPER FORD"]["guess"] == "Upper Ford"
    assert (rows["Uper Ford"]["guess"], rows["Uper Ford"]["answer"]) == ("", "")
    assert "may be the same as 'Upper Ford'" in rows["Uper Ford"]["why"]
    (tmp_path / "m.toml").write_text(found.toml)
    for answer, sites in (("", ["Uper Ford", "Upper Ford"]), ("Upper Ford", ["Upper Ford"])):
        for row in rows.values():
            row["answer"] = answer if row["word"] == "Uper Ford" else ""
        text = io.StringIO()
        out = csv.DictWriter(text, next(iter(rows.values())))
        out.writeheader()
        out.writerows([*rows.values(), *(r for r in words_of(found) if r["column"] != "Customer")])
        (tmp_path / "log_words.csv").write_text(text.getvalue())
        with Store(":memory:") as store:
            load_paths(store, [place], today=TODAY, import_map=read_map(tmp_path / "m.toml", COMPONENTS))
            assert [site for (site,) in store.run("SELECT site_id FROM records.sites ORDER BY 1")] == sites


def test_a_european_sheet_of_items_without_visit_numbers(tmp_path):
    place, found = draft(
        tmp_path,
        "Kunde;Besuch\n".replace("Kunde", "Site").replace("Besuch", "Date;Item;Pressure in bar")
        + "A;31.01.2024;Sediment cartridge;3,4\nA;31.01.2024;Travel;3,4\nB;01.02.2024;UV lamp;3,1\n",
    )
    told = tomllib.loads(found.toml)
    assert told["sheet"]["one_row_is"] == "item"
    assert told["sheet"]["date_order"] == "day_month_year"
    assert told["sheet"]["decimal"] == "comma"
    assert told["column"]["Item"] == {"work": "by_word"}
    assert "no column of visit numbers" in found.toml
    (tmp_path / "m.toml").write_text(found.toml)
    (tmp_path / "log_words.csv").write_text(found.words)
    with Store(":memory:") as store:
        report = load_paths(store, [place], today=TODAY, import_map=read_map(tmp_path / "m.toml", COMPONENTS))
        assert report.refused == report.files[0].values_set_aside == 0
        assert store.run("SELECT visit_id, inlet_pressure_kpa FROM records.visits ORDER BY 1") == [
            ("A@2024-01-31", 340.0), ("B@2024-02-01", 310.0),
        ]  # fmt: skip


def test_dates_that_do_not_tell_their_order_are_to_be_checked(tmp_path):
    _, found = draft(tmp_path, "Site,Date,Sed\nA,1/2/2024,changed\nA,3/4/2024,changed\n")
    assert "CHECK THIS, the dates do not tell" in found.toml


def test_two_orders_in_one_column_are_to_be_checked(tmp_path):
    _, found = draft(tmp_path, "Site,Date,Sed\nA,1/13/2024,x\nA,2/14/2024,x\nA,15/3/2024,x\nA,4/4/2024,x\n")
    assert (
        "3 of 4 dates written as text fit this order, 2 the next best: CHECK THIS, 1 fit another"
        in found.toml
    )


def test_each_column_of_dates_has_its_own_order(tmp_path):
    _, found = draft(tmp_path, "Site,Date,Rang on\nA,1/13/2024,12/1/2024\nA,2/14/2024,13/2/2024\n")
    told = tomllib.loads(found.toml)
    assert told["sheet"]["date_order"] == "month_day_year"
    assert told["column"]["Rang on"] == {"to": "reported_on", "date_order": "day_month_year"}


def test_months_in_letters_need_no_order(tmp_path):
    _, found = draft(tmp_path, "Site,Date,Sed\nA,3 Apr 2024,x\nA,4-May-24,x\n")
    assert (
        'date_order = "year_month_day"  # all dates are real ones, or say the month in letters' in found.toml
    )


def test_a_draft_tells_what_was_found_out_about_the_file(tmp_path):
    place = tmp_path / "log.csv"
    place.write_bytes("Site;Date;Sed\r\nMühle;31.01.2024;x\r\n".encode("cp1252"))
    found = draft_map(place, words_name="w.csv", today=TODAY, components=COMPONENTS)
    assert "# Found out: Windows-1252, semicolon, CRLF." in found.toml
    assert "; Windows-1252, semicolon, CRLF" in found.told


def _book(folder, sheets):
    with xlsxwriter.Workbook(str(folder / "log.xlsx")) as book:
        for name, rows in sheets.items():
            sheet = book.add_worksheet(name)
            for nth, row in enumerate(rows):
                sheet.write_row(nth, 0, row)
    return draft_map(folder / "log.xlsx", words_name="w.csv", today=TODAY, components=COMPONENTS)


def test_a_sheet_a_year_is_one_log(tmp_path):
    header = ("Site", "Date", "Sed")
    found = _book(
        tmp_path,
        {
            "Prices": [("Part", "Price"), ("L-40", 79)],
            "2023": [header, ("A", "2023-01-13", "chg"), ("B", "2023-01-14", "")],
            "2024": [("Our log",), ("SITE", "date", "Sed "), ("A", "2024-01-13", "clogged")],
            "2024 (2)": [header, ("A", "2024-01-13", "clogged")],
        },
    )
    told = tomllib.loads(found.toml)
    assert told["sheet"]["name"] == ["2023", "2024"]
    assert "not read: Prices, 2024 (2)" in found.toml
    assert "header_row" not in told["sheet"]
    assert {row["word"] for row in words_of(found)} == {"chg", "clogged"}


def test_headers_full_of_signs_stay_toml(tmp_path):
    _, found = draft(tmp_path, '"Site ""x"" \\ #",Date,"a\nb",=1\nA,1/13/2024,x,y\n')
    told = tomllib.loads(found.toml)
    assert {name: column["to"] for name, column in told["column"].items()} == {
        'Site "x" \\ #': "site_id", "Date": "visit_date", "a b": "nothing", "=1": "nothing",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is empty"),
        (
            "Mileage,Colour\n1,red\n",
            r"no column of sites \(customer, site, address\) was recognised; found are Mileage",
        ),
        ("Customer,Colour\nA,red\n", "no column of dates of visits"),
        (
            "Customer,Date\nA,2021\nA,2022\n",
            r"'Date' is called a date but holds '2021', '2022': accepted are",
        ),
        ("Customer,Date,date\nA,1/2/2024,1/2/2024\n", "names date twice"),
    ],
)
def test_a_sheet_that_is_no_log_says_what_is_missing(tmp_path, text, message):
    with pytest.raises(IntakeError, match=message):
        draft(tmp_path, text)


@pytest.mark.parametrize("table", ["sites", "visits"])
def test_every_column_of_the_records_is_recognised_by_its_own_name(table):
    for column in TABLES[table].columns:
        values = {"number": ["3", "4"], "date": ["2024-01-05"], "date_or_year": ["1999"], "yes_no": ["yes"]}
        cells = values.get(column.kind, [*column.words] or ["some words"])
        for header in (column.name, column.name.replace("_", " ").capitalize()):
            (guess,) = guess_columns([header], [cells], COMPONENTS)
            alone = "site_id" if column.name in ("site_name", "address_id") else column.name
            assert guess.to == alone  # a name or address alone tells sites apart
