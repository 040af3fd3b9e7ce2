"""Whatever a file or a map holds: it is read, or refused with a message; nothing else ever comes out."""

from __future__ import annotations

import csv
import io
import json
from datetime import date
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from fleetstats.components import KINDS
from fleetstats.errors import IntakeError
from fleetstats.intake.accept import load_paths
from fleetstats.intake.draft_map import draft_map
from fleetstats.intake.import_map import read_map
from fleetstats.intake.readers import read_grids
from fleetstats.intake.units import NumberStyle, in_record_units
from fleetstats.intake.written_dates import ORDERS, iso_date
from fleetstats.safe_csv import guarded, unguarded
from fleetstats.store import Store

COMPONENTS = tuple(KINDS)
TODAY = date(2026, 1, 1)
LOG = Path(__file__).parents[1] / "data" / "ridge_service_log.xlsx"
ENDINGS = (".csv", ".tsv", ".txt", ".xlsx", ".xlsm", ".parquet", ".jsonl", ".ndjson")
quiet = settings(
    max_examples=150,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
#: Cells that readers must hand on untouched, but for white space round them.
cells = st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=12).map(str.strip)
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
[column.Tank]
to = "tank_material"
"""


@quiet
@given(data=st.binary(max_size=400), ending=st.sampled_from(ENDINGS))
@example(data=b'a,b\n"', ending=".csv")
@example(data=b"\xff\xfe\x00", ending=".csv")
@example(data=b"\r", ending=".csv")
@example(data=b"PK\x03\x04", ending=".xlsx")
@example(data=b'{"a": 1e999}', ending=".jsonl")
@example(data=b"[" * 400, ending=".jsonl")
@example(data=b'{"a": {"b": ' * 3000, ending=".jsonl")
@example(data=b'{"line": 1, "": 2, "line ": null}', ending=".ndjson")
@example(data=b"\xef\xbb\xbf", ending=".csv")
@example(data=b"\xfe\xff\x00a\x00,\x00b\x00\n\xd8", ending=".tsv")
@example(data=b"a,b\n1,2\n" + b"\0" * 20, ending=".csv")
@example(data=b"a;b;line\n1;2;3\n\x1a", ending=".txt")
@example(data=b"a,b\r1,2\r\n3,4\n", ending=".csv")
@example(data=b"PAR1" + b"\0" * 30 + b"PAR1", ending=".parquet")
@example(data=b"PK\x05\x06" + b"\0" * 18, ending=".xlsm")
def test_any_bytes_are_read_or_refused(data, ending):
    try:
        for grid in read_grids(data, Path("log" + ending)):
            assert grid.rows.width == len(grid.header) + 1
    except IntakeError as exc:
        refusal = str(exc)
    else:
        return
    assert refusal.startswith("log" + ending)


@settings(parent=quiet, max_examples=60)
@given(cut=st.integers(0, 128_000), place=st.integers(0, 128_000), bit=st.integers(0, 7))
def test_a_damaged_workbook_is_read_as_it_was_or_refused(cut, place, bit):
    whole = bytearray(LOG.read_bytes())
    whole[place] ^= 1 << bit
    for data in (bytes(whole), bytes(whole[:cut])):
        try:
            (grid,) = read_grids(data, Path("log.xlsx"))
        except IntakeError as exc:
            refusal = str(exc)
        else:
            assert grid.rows.height == 1491
            continue
        assert refusal.startswith("log.xlsx")


@quiet
@given(
    rows=st.lists(st.lists(cells, min_size=3, max_size=3), min_size=1, max_size=8),
    separator=st.sampled_from([",", ";", "\t"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
    ends=st.sampled_from(["\n", "\r\n"]),
)
def test_cells_come_out_as_they_went_in(rows, separator, encoding, ends):
    text = io.StringIO()
    out = csv.writer(text, delimiter=separator, lineterminator=ends, quoting=csv.QUOTE_ALL)
    out.writerows([["Site", "Date", "Remark"], *rows])
    score = lambda row: float(row == ["Site", "Date", "Remark"])  # noqa: E731
    (grid,) = read_grids(text.getvalue().encode(encoding), Path("log.csv"), score=score)
    told = [(*(cell or None for cell in row), i) for i, row in enumerate(rows, start=2) if any(row)]
    assert grid.rows.rows() == told


@settings(parent=quiet, max_examples=25)
@given(
    rows=st.lists(
        st.tuples(
            st.sampled_from(["A", "B", "", "C "]) | cells,
            st.sampled_from(["1/2/2024", "13/45/2021", "2062-03-04", "", "2024-05-06 00:00:00"]) | cells,
            st.sampled_from(["48", "-12", "n/a", "1,200", "3 bar"]) | cells,
            st.sampled_from(["replaced", "replaced, blocked", "???", "nothing", ""]) | cells,
            st.sampled_from(["poly", "Concrete", "mud", ""]) | cells,
        ),
        max_size=10,
    )
)
def test_every_row_of_any_sheet_is_accounted_for_and_a_reload_changes_nothing(tmp_path, rows):
    (tmp_path / "map.toml").write_text(MAP)
    with (tmp_path / "log.csv").open("w", encoding="utf-8", newline="") as out:
        csv.writer(out).writerows([["Site", "Date", "PSI", "Sed", "Tank"], *rows])
    rules = read_map(tmp_path / "map.toml", COMPONENTS)
    read = sum(any(cell.strip() for cell in row) for row in rows)
    with Store(":memory:") as store:
        for nth in range(2):
            (sheet,) = load_paths(store, [tmp_path / "log.csv"], today=TODAY, import_map=rules).files
            assert sheet.rows_read == read == sheet.accepted + sheet.repeated + sheet.refused
            if nth:
                assert sheet.accepted == sheet.changed == 0
        known = store.run("SELECT count(*) FROM records.visits")[0][0]
        assert known + sheet.refused <= read
        lines = {line for (line,) in store.run("SELECT line FROM journal.refused")}
        assert lines <= set(range(2, len(rows) + 2))


@quiet
@given(text=st.text(max_size=25), order=st.sampled_from(ORDERS))
def test_a_date_is_one_or_none(text, order):
    found = iso_date(text, order, today=TODAY)
    if found is not None and len(found) != 4:
        assert date.fromisoformat(found).isoformat() == found


@quiet
@given(
    day=st.dates(date(1960, 1, 1), date(2059, 12, 31)),
    order=st.sampled_from(ORDERS),
    sign=st.sampled_from("/-. "),
)
def test_a_date_written_in_an_order_is_read_in_it(day, order, sign):
    parts = {"year": f"{day.year}", "month": f"{day.month}", "day": f"{day.day}"}
    text = sign.join(parts[name] for name in order.split("_"))
    assert iso_date(text, order, today=TODAY) == day.isoformat()


@quiet
@given(text=st.text(max_size=20), comma=st.booleans())
def test_a_number_is_one_or_none(text, comma):
    found = in_record_units(text, NumberStyle("pressure", "psi", comma))
    assert found is None or isinstance(float(found), float)


@quiet
@given(number=st.floats(-1e9, 1e9).map(lambda x: round(x, 3)), comma=st.booleans())
def test_a_number_with_thousands_reads_back(number, comma):
    text = f"{number:,.3f}"
    if comma:
        text = text.translate(str.maketrans(",.", ".,"))
    found = in_record_units(text, NumberStyle("number", None, comma))
    assert found is not None
    assert float(found) == pytest.approx(number, rel=1e-11)


@quiet
@given(cell=st.text(max_size=8).filter(lambda cell: not cell.startswith("'")))
def test_guarded_cells_come_back(cell):
    assert unguarded(guarded(cell)) == cell
    assert guarded(cell)[:1] not in ("=", "@", "\t", "\r")


toml_values = st.recursive(
    st.booleans()
    | st.integers(-5, 5)
    | st.sampled_from(["site_id", "visit_date", "uv_lamp", "psi", "log.csv", "blank", ""]),
    lambda inner: st.lists(inner, max_size=2),
    max_leaves=3,
)


def keys(*names):
    return st.dictionaries(st.sampled_from(names), toml_values, max_size=4)


@quiet
@given(
    sheet=keys("file", "name", "header_row", "decimal", "words", "blanks", "x"),
    column=keys("to", "work", "unit", "gives", "slot", "words", "y"),
)
def test_any_map_is_read_or_refused_by_key(tmp_path, sheet, column):
    def lines(table):
        return "".join(f"{key} = {json.dumps(value)}\n" for key, value in table.items())

    (tmp_path / "map.toml").write_text(f"[sheet]\n{lines(sheet)}[column.X]\n{lines(column)}")
    try:
        read_map(tmp_path / "map.toml", COMPONENTS)
    except IntakeError as exc:
        refusal = str(exc)
    else:
        return
    assert "map.toml" in refusal


@settings(parent=quiet, max_examples=40)
@given(
    more=st.lists(
        st.sampled_from(
            [
                "PSI in",
                "UV",
                "Sed",
                "Tank",
                "Tank yr",
                "Notes",
                "=x",
                "#",
                "Job #",
                "Rang on",
                "line",
                "Sleeve",
            ]
        ),
        max_size=4,
        unique=True,
    ),
    data=st.data(),
)
def test_a_draft_reads_the_sheet_it_was_drafted_from(tmp_path, more, data):
    days = st.dates(date(2000, 1, 1), date(2025, 1, 1)).map(lambda day: f"{day.month}/{day.day}/{day.year}")
    site = st.sampled_from(["Mill", "mill", "Ford 2", "Ford 3"])
    row = st.tuples(site, days, *[cells] * len(more))
    rows = data.draw(st.lists(row, min_size=1, max_size=6))
    with (tmp_path / "log.csv").open("w", encoding="utf-8", newline="") as out:
        csv.writer(out).writerows([["Site", "Date", *more], *rows])
    found = draft_map(tmp_path / "log.csv", words_name="words.csv", today=TODAY, components=COMPONENTS)
    (tmp_path / "map.toml").write_text(found.toml, encoding="utf-8")
    (tmp_path / "words.csv").write_text(found.words, encoding="utf-8")
    rules = read_map(tmp_path / "map.toml", COMPONENTS)
    with Store(":memory:") as store:
        report = load_paths(store, [tmp_path / "log.csv"], today=TODAY, import_map=rules)
        assert report.files[0].rows_read == len(rows)
        assert report.files[0].refused == 0
