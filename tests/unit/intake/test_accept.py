"""What is accepted, repeated, refused and corrected, and that it all adds up."""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest

from fleetstats.errors import IntakeError
from fleetstats.intake import accept

SITES = "site_id,occupants\nA,3\nB,2\n"
VISITS = "visit_id,site_id,visit_date\na,A,2024-01-01\nb,B,2024-01-02\n"
WORK = "visit_id,component,action,condition\na,uv_lamp,fitted,\nb,uv_lamp,inspected,good\n"


def everything(store):
    """Return every row of every table of the store."""
    names = store.run(
        "SELECT schema_name, table_name FROM duckdb_tables() WHERE schema_name IN ('records', 'journal')"
    )
    return {
        name: store.run(f'SELECT * FROM {schema}."{name}" ORDER BY ALL') for schema, name in sorted(names)
    }


def counts(report):
    return [
        (f.table, f.rows_read, f.accepted, f.repeated, f.refused, f.values_set_aside, f.changed)
        for f in report.files
    ]


def test_rows_read_are_accepted_repeated_or_refused(fleet):
    report = fleet.load(
        sites=SITES,
        visits=VISITS
        + "a,A,2024-01-01\nc,X,2024-01-03\nd,A,\n,A,2024-01-05\ne,A,2024-13-01\nf,A,2024-01-06,surplus\n",
        work=WORK,
    )
    assert counts(report) == [
        ("sites", 2, 2, 0, 0, 0, 0),
        ("visits", 8, 2, 1, 5, 0, 0),
        ("work", 2, 2, 0, 0, 0, 0),
    ]
    assert "8 rows read = 2 accepted + 1 repeated + 5 refused" in str(report)
    stored = fleet.store.table("loads").filter(table_name="visits")
    assert stored.select("rows_read", "accepted", "repeated", "refused").row(0) == (8, 2, 1, 5)
    assert report.refused == 5
    assert fleet.store.latest_visit() == date(2024, 1, 2)


REFUSED_VISITS = {
    "c,X,2024-01-03": ("site_id", "X", "accepted sites"),
    "d,A,": ("visit_date", None, "visit_date is blank"),
    ",A,2024-01-03": ("visit_id", None, "visit_id is blank"),
    "e,A,2024-02-30": ("visit_date", "2024-02-30", "YYYY-MM-DD"),
    "f,A,03/01/2024": ("visit_date", "03/01/2024", "YYYY-MM-DD"),
    "g,A,2026-01-02": ("visit_date", "2026-01-02", "not after the day of loading"),
    "h,A,1024-01-02": ("visit_date", "1024-01-02", "from 1900 on"),
    "i,A,2024-01-03,x": (None, "i,A,2024-01-03,x", "4 fields where the header has 3"),
    "j,A": (None, "j,A", "2 fields where the header has 3"),
}


@pytest.mark.parametrize("line", REFUSED_VISITS)
def test_a_refused_row_says_where_and_why(fleet, line):
    fleet.load(sites=SITES, visits=VISITS + line + "\n", work=WORK)
    refused = fleet.store.table("refused")
    column, value, reason = REFUSED_VISITS[line]
    assert refused.select("file", "sheet", "line", "column", "value", "kind").rows() == [
        ("visits.csv", None, 4, column, value, "row")
    ]
    assert reason in refused["reason"][0]
    assert fleet.store.run("SELECT count(*) FROM records.visits") == [(2,)]


@pytest.mark.parametrize(
    ("line", "column", "reason"),
    [
        ("z,uv_lamp,fitted,", "visit_id", "accepted visits"),
        ("a,,fitted,", "component", "component is blank"),
        ("a,carbon_cartridge,swapped,", "action", "fitted, replaced, cleaned, inspected, removed"),
        ("a,carbon_cartridge,,", "action", "action is blank"),
    ],
)
def test_a_refused_row_of_work(fleet, line, column, reason):
    report = fleet.load(sites=SITES, visits=VISITS, work=WORK + line + "\n")
    assert counts(report)[2] == ("work", 3, 2, 0, 1, 0, 0)
    assert fleet.store.table("refused").select("line", "column").rows() == [(4, column)]
    assert reason in fleet.store.table("refused")["reason"][0]


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("inlet_pressure_kpa", "-1"),
        ("inlet_pressure_kpa", "much"),
        ("inlet_pressure_kpa", "nan"),
        ("inlet_pressure_kpa", "inf"),
        ("inlet_pressure_kpa", "1,200"),  # 1.2 or 1200: not guessed
        ("uvt_percent", "101"),
        ("visit_reason", "holiday"),
        ("callout_cause", "ghosts"),
        ("pressure_read", "at_noon"),
        ("reported_on", "2024-01-02"),  # after the visit
        ("reported_on", "yesterday"),
    ],
)
def test_an_impossible_optional_value_is_set_aside_alone(fleet, column, value):
    report = fleet.load(
        sites=SITES,
        visits=f'visit_id,site_id,visit_date,{column}\na,A,2024-01-01,"{value}"\nb,B,2024-01-02,\n',
        work=WORK,
    )
    assert counts(report)[1] == ("visits", 2, 2, 0, 0, 1, 0)
    assert fleet.store.table("refused").select("line", "column", "value", "kind").rows() == [
        (2, column, value, "value")
    ]
    assert "row kept" in fleet.store.table("refused")["reason"][0]
    assert fleet.store.run(f"SELECT {column} FROM records.visits WHERE visit_id = 'a'") == [(None,)]


def test_a_fitting_after_its_visit_is_set_aside(fleet):
    fleet.load(
        sites=SITES,
        visits=VISITS,
        work="visit_id,component,action,fitted_on\na,uv_lamp,inspected,2024-01-02\n",
    )
    assert fleet.store.table("refused").select("column", "value", "kind").rows() == [
        ("fitted_on", "2024-01-02", "value")
    ]
    assert fleet.store.run("SELECT fitted_on FROM records.work") == [(None,)]


def test_words_are_taken_whatever_their_case_and_blanks(fleet):
    fleet.load(
        sites="Site ID,Tank Material,First-Flush\nA,Poly,YES\nB, CONCRETE ,n\n",
        visits="visit_id,site_id,visit_date,callout_cause\na,A,2024-01-01,Low Pressure\n",
        work="visit_id,component,action\na,UV lamp,Fitted\n",
    )
    assert fleet.store.run("SELECT tank_material, first_flush FROM records.sites ORDER BY 1") == [
        ("concrete", False),
        ("poly", True),
    ]
    assert fleet.store.run("SELECT callout_cause FROM records.visits") == [("low_pressure",)]
    assert fleet.store.run("SELECT component, action FROM records.work") == [("uv_lamp", "fitted")]


def test_a_year_alone_means_the_first_of_july_and_is_counted(fleet):
    report = fleet.load(sites="site_id,tank_installed\nA,1998\nB,2001-02-03\n", visits=VISITS, work=WORK)
    assert fleet.store.run("SELECT tank_installed FROM records.sites ORDER BY 1") == [
        (date(1998, 7, 1),),
        (date(2001, 2, 3),),
    ]
    assert "1 rows give tank_installed as a year alone" in str(report.files[0])


def test_columns_nobody_knows_are_named(fleet):
    report = fleet.load(sites="site_id,dog,cat\nA,Rex,\nB,,Tom\n", visits=VISITS, work=WORK)
    assert report.files[0].ignored_columns == ("dog", "cat")
    assert "columns not used: dog, cat" in str(report)
    assert fleet.store.table("loads")["ignored_columns"][0] == "dog, cat"


# -- loading again -------------------------------------------------------------------------------------------


def test_loading_twice_changes_nothing(fleet):
    tables = {
        "sites": SITES,
        "visits": VISITS + "c,X,2024-01-01\nd,A,2024-01-03,9\n",
        "work": WORK + "z,uv_lamp,fitted,\n",
    }
    fleet.load(**tables)
    before = everything(fleet.store)
    report = fleet.load(**tables)
    assert everything(fleet.store) == before
    assert counts(report) == [
        ("sites", 2, 0, 2, 0, 0, 0),
        ("visits", 4, 0, 2, 2, 0, 0),
        ("work", 3, 0, 2, 1, 0, 0),
    ]


def test_refused_rows_come_in_when_what_they_name_is_known(fleet):
    tables = {"sites": SITES, "visits": VISITS + "c,C,2024-02-01\n", "work": WORK + "c,uv_lamp,fitted,\n"}
    fleet.load(**tables)
    report = fleet.load(**(tables | {"sites": "site_id\nC\n"}))
    assert counts(report) == [
        ("sites", 1, 1, 0, 0, 0, 0),
        ("visits", 3, 1, 2, 0, 0, 0),
        ("work", 3, 1, 2, 0, 0, 0),
    ]
    assert fleet.store.table("refused").height == 0


def test_an_old_file_does_not_undo_a_correction(fleet):
    fleet.load(sites=SITES, visits=VISITS, work=WORK)
    fleet.load(sites="site_id,occupants\nA,5\n")
    fleet.load(sites=SITES)
    assert fleet.store.run("SELECT occupants FROM records.sites ORDER BY site_id") == [(5.0,), (2.0,)]


def test_a_row_with_the_same_id_corrects_the_old_one_and_is_recorded(fleet):
    fleet.load(sites=SITES, visits=VISITS, work=WORK)
    report = fleet.load(
        visits="visit_id,site_id,visit_date\na,A,2024-01-05\nb,B,2024-01-02\nc,B,2024-01-03\n"
    )
    assert counts(report) == [("visits", 3, 2, 1, 0, 0, 1)]
    assert fleet.store.run("SELECT visit_id, visit_date FROM records.visits ORDER BY 1")[0] == (
        "a",
        date(2024, 1, 5),
    )
    (found,) = fleet.store.table("corrections").rows(named=True)
    assert (found["table_name"], found["record_key"]) == ("visits", "a")
    assert '"2024-01-01"' in found["before"]
    assert '"2024-01-05"' in found["after"]


def test_within_one_file_the_later_line_corrects_the_earlier(fleet):
    report = fleet.load(sites=SITES + "A,4\nA,4\n", visits=VISITS, work=WORK)
    assert counts(report)[0] == ("sites", 4, 3, 1, 0, 0, 1)
    assert fleet.store.run("SELECT occupants FROM records.sites ORDER BY site_id") == [(4.0,), (2.0,)]


def test_a_column_that_a_file_lacks_keeps_its_value(fleet):
    fleet.load(sites=SITES, visits=VISITS, work=WORK)
    fleet.load(sites="site_id,crew\nA,north\n")
    assert fleet.store.run("SELECT occupants, crew FROM records.sites ORDER BY site_id")[0] == (3.0, "north")
    fleet.load(sites="site_id,crew,occupants\nA,north,\n")
    assert fleet.store.run("SELECT occupants, crew FROM records.sites ORDER BY site_id")[0] == (None, "north")


def test_work_sent_again_replaces_all_work_of_its_visit(fleet):
    fleet.load(
        sites=SITES,
        visits=VISITS,
        work="visit_id,component,action,condition\na,uv_lamp,fitted,\na,quartz_sleeve,cleaned,good\nb,uv_lamp,fitted,\n",
    )
    report = fleet.load(
        work="visit_id,component,action,condition\na,uv_lamp,fitted,\na,carbon_cartridge,replaced,good\n"
    )
    assert counts(report) == [("work", 2, 1, 1, 0, 0, 1)]
    assert fleet.store.run("SELECT visit_id, component FROM records.work ORDER BY ALL") == [
        ("a", "carbon_cartridge"),
        ("a", "uv_lamp"),
        ("b", "uv_lamp"),
    ]
    (gone,) = fleet.store.table("corrections").rows(named=True)
    assert gone["record_key"] == "a | quartz_sleeve | cleaned"
    assert gone["after"] is None


def test_two_files_of_one_table_go_in_together(fleet):
    report = fleet.load(
        sites=SITES, visits=VISITS, work=WORK, work__2="visit_id,component,action\na,quartz_sleeve,fitted\n"
    )
    assert fleet.store.run("SELECT count(*) FROM records.work") == [(3,)]
    assert sum(f.accepted for f in report.files if f.table == "work") == 3


def test_components_that_the_settings_define_may_be_required(fleet, tmp_path):
    for name, text in (("sites", SITES), ("visits", VISITS), ("work", WORK + "a,softener,fitted,\n")):
        (tmp_path / f"{name}.csv").write_text(text)
    report = accept.load_paths(fleet.store, [tmp_path], today=date(2026, 1, 1), components=("uv_lamp",))
    assert report.files[2].refused == 1
    assert fleet.store.table("refused")["value"].to_list() == ["softener"]


def test_optional_tables(fleet):
    fleet.load(
        sites=SITES,
        visits=VISITS,
        work=WORK,
        parts="part_number,component,unit_cost\nP1,uv_lamp,84\nP2,uv_lamp,-1\n",
        changes="site_id,region,changed_on,until,kind\nA,,2024-01-05,2024-01-01,drought\n,,2024-01-01,,roof\n,hills,2024-01-01,,roof\n",
        samples="site_id,sampled_on,passed\nA,2024-01-01,maybe\nA,2024-01-02,yes\n",
        site_limits="site_id,kind,max_days\nA,contract,0\nA,contract,90\n",
        decisions="site_id,decided_on,decision,visit_interval_days\nA,2024-01-01,trial,119\n",
    )
    rows = {
        n: fleet.store.run(f"SELECT count(*) FROM records.{n}")[0][0]
        for n in ("parts", "changes", "samples", "site_limits", "decisions")
    }
    assert rows == {"parts": 2, "changes": 2, "samples": 1, "site_limits": 1, "decisions": 1}
    refused = fleet.store.table("refused").select("table_name", "line", "column", "kind").rows()
    assert refused == [
        ("parts", 3, "unit_cost", "value"),
        ("changes", 2, "until", "value"),
        ("changes", 3, "site_id", "row"),
        ("samples", 2, "passed", "row"),
        ("site_limits", 2, "max_days", "row"),
    ]


# -- all or nothing ---------------------------------------------------------------------------------------


def test_an_error_in_the_middle_leaves_the_store_as_it_was(fleet, monkeypatch):
    fleet.load(sites=SITES, visits=VISITS, work=WORK)
    before = everything(fleet.store)
    real = accept.merge

    def failing(store, table, *rest):
        if table.name == "work":
            raise RuntimeError("the power went")
        return real(store, table, *rest)

    monkeypatch.setattr(accept, "merge", failing)
    with pytest.raises(RuntimeError, match="the power went"):
        fleet.load(
            sites="site_id\nC\n",
            visits="visit_id,site_id,visit_date\nc,C,2024-02-01\n",
            work=WORK + "c,uv_lamp,fitted,\n",
        )
    assert everything(fleet.store) == before
    monkeypatch.undo()
    assert fleet.load(sites="site_id\nC\n").files[0].accepted == 1


def test_a_first_load_needs_sites_visits_and_work(fleet):
    with pytest.raises(IntakeError, match=r"visits is missing: found are sites\.csv"):
        fleet.load(sites=SITES)
    with pytest.raises(IntakeError, match="work is missing"):
        fleet.load(sites=SITES, visits=VISITS)
    assert not fleet.store.has_records()


def test_the_day_of_loading_is_an_argument(fleet):
    report = fleet.load(today=date(2024, 1, 1), sites=SITES, visits=VISITS, work=WORK)
    assert [f.refused for f in report.files] == [0, 1, 1]
    assert fleet.store.table("loads")["loaded_on"].unique().to_list() == [date(2024, 1, 1)]


def test_a_parquet_file_says_the_same_as_csv(fleet, tmp_path):
    fleet.load(sites=SITES, visits=VISITS, work=WORK)
    frame = pl.DataFrame(
        {
            "visit_id": ["p", "q"],
            "site_id": ["A", "B"],
            "visit_date": [date(2024, 3, 1), None],
            "meter_m3": [12.5, 3.0],
        }
    )
    frame.write_parquet(tmp_path / "visits.parquet")
    report = accept.load_paths(fleet.store, [tmp_path / "visits.parquet"], today=date(2026, 1, 1))
    assert counts(report) == [("visits", 2, 1, 0, 1, 0, 0)]
    assert fleet.store.run("SELECT visit_date, meter_m3 FROM records.visits WHERE visit_id = 'p'") == [
        (date(2024, 3, 1), 12.5)
    ]
    assert fleet.store.table("refused")["line"].to_list() == [2]
