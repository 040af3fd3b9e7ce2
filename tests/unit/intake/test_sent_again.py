"""Records sent again: in another order, mended, corrected; and what was refused of them before."""

from __future__ import annotations

import json
import random
from datetime import date

import pytest

SITES = "site_id,occupants\nA,3\nB,2\n"
VISITS = [
    "a,A,2024-01-01,10",
    "b,B,2024-01-02,",
    "c,A,2024-02-30,12",
    "d,X,2024-03-01,14",
    "e,B,2024-03-02,-5",
]
WORK = [
    "a,uv_lamp,fitted,,",
    "a,quartz_sleeve,cleaned,good,",
    "b,uv_lamp,inspected,good,2024-05-01",
    "b,carbon_cartridge,swapped,good,",
    "z,uv_lamp,fitted,,",
]
LINES = {
    "visits": ("visit_id,site_id,visit_date,meter_m3", VISITS),
    "work": ("visit_id,component,action,condition,fitted_on", WORK),
    "changes": ("site_id,changed_on,kind", ["A,2024-01-05,ash", "B,2024-01-05,roof", "B,2024-01-05,flood"]),
    "samples": ("site_id,sampled_on,parameter,passed", ["A,2024-01-05,e_coli,yes", "A,2024-01-05,lead,no"]),
    "site_limits": ("site_id,kind,max_days", ["A,contract,90", "B,authority,180", "B,customer,-1"]),
    "decisions": ("site_id,decided_on,decision", ["A,2024-01-05,trial", "B,2024-01-05,refused"]),
    "parts": ("part_number,component,unit_cost", ["P1,uv_lamp,84", "P2,uv_lamp,-84"]),
}


def written(shuffled: int | None = None, **mended: tuple[str, str]) -> dict[str, str]:
    """Return the tables as CSV, with one line of some put in place of another, in their order or shuffled."""
    tables = {"sites": SITES}
    for name, (header, lines) in LINES.items():
        old, new = mended.get(name, ("", ""))
        rows = [new if line == old else line for line in lines]
        if shuffled is not None:
            random.Random(shuffled).shuffle(rows)
        tables[name] = "\n".join([header, *rows]) + "\n"
    return tables


def known(store, *, lines: bool = False) -> dict[str, list[tuple[object, ...]]]:
    """Return the records, what was corrected, and what is refused; their lines only if wanted."""
    tables = store.run("SELECT schema_name, table_name FROM duckdb_tables() WHERE schema_name <> 'main'")
    columns = "*" if lines else "* EXCLUDE (line)"
    found = {}
    for schema, table in tables:
        if schema == "records":
            found[table] = store.run(f"SELECT {columns} FROM records.{table} ORDER BY ALL")
    refused = 'table_name, "column", value, reason, kind, record'
    found["refused"] = store.run(f"SELECT {refused} FROM journal.refused ORDER BY ALL")
    found["cuts"] = store.run("SELECT * EXCLUDE (load_id, line, content_hash) FROM journal.cuts ORDER BY ALL")
    found["corrections"] = store.run("SELECT * FROM journal.corrections ORDER BY ALL")
    return found


@pytest.mark.parametrize("seed", range(4))
def test_the_same_rows_in_another_order_change_nothing(fleet, seed):
    fleet.load(**written())
    before = known(fleet.store, lines=True)
    report = fleet.load(**written(seed))
    assert known(fleet.store, lines=True) == before
    assert [file.changed for file in report.files] == [0] * 8
    assert [file.accepted for file in report.files] == [0] * 8
    assert {file.table: file.refused for file in report.files} == {
        "sites": 0, "visits": 2, "work": 2, "parts": 0, "changes": 1, "samples": 0, "site_limits": 1,
        "decisions": 0,
    }  # fmt: skip


def test_what_is_refused_is_kept_as_it_was_written(fleet):
    fleet.load(**written())
    found = fleet.store.table("refused").filter(table_name="visits", kind="row").sort("line")
    assert found["line"].to_list() == [4, 5]
    assert [json.loads(text) for text in found["record"]] == [
        {"visit_id": "c", "site_id": "A", "visit_date": "2024-02-30", "meter_m3": "12"},
        {"visit_id": "d", "site_id": "X", "visit_date": "2024-03-01", "meter_m3": "14"},
    ]
    reason = fleet.store.table("refused").filter(table_name="parts")["reason"][0]
    assert reason.startswith(
        "'-84' is not accepted here: accepted is a number, 0 or more, at most 10000000; the value was left"
    )


@pytest.mark.parametrize(
    ("table", "broken", "mended", "column"),
    [
        ("visits", VISITS[2], "c,A,2024-02-28,12", "visit_date"),
        ("visits", VISITS[4], "e,B,2024-03-02,5", "meter_m3"),
        ("work", WORK[2], "b,uv_lamp,inspected,good,2023-05-01", "fitted_on"),
        ("parts", "P2,uv_lamp,-84", "P2,uv_lamp,84", "unit_cost"),
    ],
)
def test_what_is_mended_is_refused_no_more(fleet, table, broken, mended, column):
    fleet.load(**written())
    refused = fleet.store.table("refused").filter(table_name=table)
    assert column in refused["column"].to_list()
    fleet.load(**written(**{table: (broken, mended)}))
    left = fleet.store.table("refused").filter(table_name=table)
    assert left.height == refused.height - 1
    assert column not in left["column"].to_list()


def test_an_old_file_does_not_bring_back_what_was_mended(fleet):
    fleet.load(**written())
    fleet.load(**written(visits=(VISITS[2], "c,A,2024-02-28,12")))
    before = known(fleet.store)
    fleet.load(**written())
    assert known(fleet.store) == before


def test_a_correction_keeps_what_was_there_what_came_and_which_load(fleet):
    fleet.load(**written())
    fleet.load(
        visits="visit_id,site_id,visit_date,meter_m3\na,A,2024-01-01,11\n",
        work="visit_id,component,action,condition\na,uv_lamp,replaced,failed\n",
        decisions="site_id,decided_on,decision,by\nA,2024-01-05,accepted,office\n",
    )
    found = fleet.store.table("corrections").sort("table_name", "record_key").rows(named=True)
    assert {row["load_id"] for row in found} == {2}
    told = {
        (row["table_name"], row["record_key"]): (
            json.loads(row["before"]),
            json.loads(row["after"]) if row["after"] else None,
        )
        for row in found
    }
    assert list(told) == [
        ("decisions", "A | 2024-01-05"),
        ("visits", "a"),
        ("work", "a | quartz_sleeve | cleaned"),
        ("work", "a | uv_lamp | fitted"),
    ]
    before, after = told["visits", "a"]
    assert (before["meter_m3"], after["meter_m3"]) == (10.0, 11.0)
    before, after = told["decisions", "A | 2024-01-05"]
    assert (before["decision"], before["by"], after["decision"], after["by"]) == (
        "trial", None, "accepted", "office",
    )  # fmt: skip
    assert told["work", "a | uv_lamp | fitted"][1] is None


def test_two_rows_of_one_key_in_one_file_are_one_record_with_its_correction(fleet):
    tables = written()
    report = fleet.load(
        **tables | {"parts": "part_number,component,unit_cost\nP1,uv_lamp,1\nP1,uv_lamp,1\nP1,uv_lamp,2\n"}
    )
    (parts,) = [file for file in report.files if file.table == "parts"]
    assert (parts.rows_read, parts.accepted, parts.repeated, parts.changed) == (3, 3, 0, 2)
    assert fleet.store.run("SELECT part_number, unit_cost FROM records.parts") == [("P1", 2.0)]


def test_keys_with_blanks_in_them_meet_again(fleet):
    fleet.load(**written())
    report = fleet.load(
        changes="site_id,region,changed_on,kind,note\nA,,2024-01-05,ash,thick\n,hills,2024-01-05,ash,\n"
    )
    assert (report.files[0].accepted, report.files[0].changed) == (2, 1)
    ash = "SELECT site_id, region, note FROM records.changes WHERE kind = 'ash' ORDER BY 1"
    assert fleet.store.run(ash) == [
        ("A", None, "thick"),
        (None, "hills", None),
    ]
    assert fleet.store.latest_visit() == date(2024, 3, 2)


def test_a_column_declared_since_the_store_was_made_is_added_and_filled(fleet):
    fleet.load(**written())
    fleet.store.run("ALTER TABLE records.visits DROP COLUMN meter_m3")
    fleet.load(visits="visit_id,site_id,visit_date,meter_m3\na,A,2024-01-01,11\n")
    assert fleet.store.run("SELECT visit_id, meter_m3 FROM records.visits ORDER BY 1") == [
        ("a", 11.0), ("b", None), ("e", None),
    ]  # fmt: skip
