"""The import map: what it accepts, and complaints that name the key and the nearest that is accepted."""

from __future__ import annotations

from textwrap import dedent

import pytest

from fleetstats.components import KINDS
from fleetstats.errors import IntakeError
from fleetstats.intake.import_map import read_map
from fleetstats.intake.words import WorkWord

COMPONENTS = tuple(KINDS)
NEEDED = """
[column.Site]
to = "site_id"
[column.Date]
to = "visit_date"
"""


@pytest.fixture
def read(tmp_path):
    def of(text, words=None):
        place = tmp_path / "log_map.toml"
        place.write_text(dedent(text) + NEEDED, encoding="utf-8")
        if words is not None:
            (tmp_path / "words.csv").write_text(dedent(words).lstrip(), encoding="utf-8")
        return read_map(place, COMPONENTS)

    return of


def test_columns_units_and_words(read):
    rules = read(
        """
        [sheet]
        file = "log.xlsx"
        name = ["2024", "2025"]
        header_row = 3
        one_row_is = "item"
        date_order = "day_month_year"
        decimal = "comma"
        [column."PSI in"]
        to = "inlet_pressure_kpa"
        unit = "PSI"
        decimal = "point"
        [column.Tank]
        to = "tank_material"
        words = { "Conc." = "concrete", "?" = "blank" }
        [column.Sed]
        work = "sediment_cartridge"
        slot = "upper"
        words = { "Chg - CLOGGED" = "replaced, blocked", "no" = "nothing" }
        [column.Money]
        to = "nothing"
        """
    )
    assert (rules.sheets, rules.header_row, rules.one_row_is) == (("2024", "2025"), 3, "item")
    fields = {rule.header: rule for rule in rules.fields}
    assert (fields["PSI in"].unit, fields["PSI in"].decimal_comma) == ("psi", False)
    assert (fields["Date"].date_order, fields["Date"].decimal_comma) == ("day_month_year", True)
    assert fields["Tank"].words == {"conc.": "concrete", "?": None}
    (sed,) = rules.work
    assert (sed.component, sed.slot) == ("sediment_cartridge", "upper")
    assert sed.words == {"chg - clogged": WorkWord(None, "replaced", "blocked"), "no": WorkWord()}
    assert rules.ignored == ("Money",)


def test_answers_of_the_spreadsheet_count_before_guesses_and_the_maps_own_before_both(read):
    rules = read(
        """
        [sheet]
        words = "words.csv"
        [column.Tank]
        to = "tank_material"
        words = { "plastic" = "other" }
        """,
        """
        column,word,count,guess,answer,why
        Tank,CONC,3,concrete,,x
        tank,FRP,2,fibreglass,poly,x
        Tank,plastic,2,poly,poly,x
        Tank,???,1,,,x
        Nobody,x,1,y,,x
        """,
    )
    tank = next(rule for rule in rules.fields if rule.header == "Tank")
    assert tank.words == {"conc": "concrete", "frp": "poly", "plastic": "other"}


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[shet]", r"shet: found 'shet'; accepted is one of sheet, column; the nearest is 'sheet'"),
        ("[sheet]\nheader_rov = 3", r"sheet\.header_rov: .*the nearest is 'header_row'"),
        ("[sheet]\nheader_row = 0", r"sheet\.header_row: found 0; accepted is a row number, 1 or more"),
        ("[sheet]\nheader_row = '3'", r"sheet\.header_row: found '3'"),
        ("[sheet]\nheader_row = true", r"sheet\.header_row: found True"),
        ("[sheet]\ndate_order = 'month_year_day'", r"sheet\.date_order: .*the nearest is 'month_day_year'"),
        ("[sheet]\none_row_is = 'visits'", r"sheet\.one_row_is: .*visit, item; the nearest is 'visit'"),
        ("[sheet]\nwords = 'lost.csv'", r"sheet\.words: found 'lost\.csv'; accepted is the name"),
        ("[sheet]\nname = 3", r"sheet\.name: found 3; accepted is a text, or a list of texts"),
        ("[column.X]\nto = 'inlet_presure_kpa'", r'column."X".to: .*the nearest is \'inlet_pressure_kpa\''),
        ("[column.X]\nto = 'part.unit_cost'", r"the nearest is 'parts'"),
        ("[column.X]\nto = 'work.condition'", r"accepted is work = a component"),
        ("[column.X]\ntoo = 'site_id'", r"column.\"X\".too: .*the nearest is 'to'"),
        ("[column.X]\nunit = 'psi'", r"neither 'to' nor 'work'"),
        ("[column.X]\nto = 'notes'\nwork = 'uv_lamp'", r"both 'to' and 'work'"),
        ("[column.X]\nto = 'flow_lpm'\nunit = 'psi'", r"accepted is for flow_lpm one of L/min, gpm"),
        ("[column.X]\nto = 'occupants'\nunit = 'psi'", r"accepted is no unit: occupants has none"),
        ("[column.X]\nwork = 'uv_lam'", r"the nearest is 'uv_lamp'"),
        ("[column.X]\nwork = 'uv_lamp'\ngives = 'state'", r"gives: .* one of words, action"),
        ("[column.X]\nwork = 'uv_lamp'\nwords = {a = 'changed'}",
         r"words.'a': found 'changed'; accepted is an action .*the nearest to 'changed' is 'cleaned'"),
        ("[column.X]\nwork = 'uv_lamp'\nwords = {a = 'blocked'}", r"an action is needed"),
        ("[column.X]\nwork = 'by_word'\nwords = {a = 'replaced'}", r"a component and an action is needed"),
        ("[column.X]\nto = 'tank_material'\nwords = {a = 'concret'}", r"the nearest is 'concrete'"),
        ("[column.X]\nto = 'tank_material'\nwords = {a = 1}", r"words.a: found 1; accepted is a text"),
        ("[column]\nX = 'site_id'", r"accepted is a table: \[column.\"X\"\]"),
        ("[sheet", r"is no TOML that can be read"),
    ],
)  # fmt: skip
def test_what_is_not_accepted_is_named_with_its_key(read, text, message):
    with pytest.raises(IntakeError, match=message) as caught:
        read(text)
    assert "log_map.toml: " in str(caught.value)


def test_a_wrong_answer_names_its_line_in_the_spreadsheet(read):
    text = "[sheet]\nwords = 'words.csv'\n[column.Tank]\nto = 'tank_material'"
    with pytest.raises(
        IntakeError, match=r"words\.csv, line 3, answer: found 'concreet'.*nearest is 'concrete'"
    ):
        read(text, "column,word,guess,answer\nTank,a,poly,\nTank,b,poly,concreet\n")
    with pytest.raises(IntakeError, match=r"the column 'guess' is missing"):
        read(text, "column,word,answer\nTank,b,poly\n")


@pytest.mark.parametrize("key", ["sheet", "column"])
def test_a_key_that_is_no_table_is_named(tmp_path, key):
    place = tmp_path / "m.toml"
    place.write_text(f"{key} = 3")
    with pytest.raises(IntakeError, match=rf"m\.toml: {key}: found 3; accepted is a table: \[{key}\]"):
        read_map(place, COMPONENTS)


@pytest.mark.parametrize(
    ("text", "missing"),
    [
        ('[column.Site]\nto = "site_id"\n', None),
        ('[column.Site]\nto = "site_id"\n[column.P]\nto = "flow_lpm"\n', "visit_date"),
        ('[column.D]\nto = "visit_date"\n', "site_id"),
        ("", "any field"),
        ('[column.P]\nto = "parts.part_number"\n[column.C]\nto = "parts.component"\n', None),
    ],
)
def test_a_map_of_visits_needs_a_site_and_a_date(tmp_path, text, missing):
    place = tmp_path / "m.toml"
    place.write_text(text)
    if missing is None:
        assert read_map(place, COMPONENTS).fields
        return
    with pytest.raises(IntakeError, match=f"no column goes to {missing}"):
        read_map(place, COMPONENTS)
