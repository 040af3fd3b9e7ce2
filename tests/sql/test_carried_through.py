"""Every column of every table of records reaches the relation of its name as it was written."""

from __future__ import annotations

from datetime import date

import pytest

from fleetstats.intake.fields import TABLES

#: One good record of each table, every column filled.
RECORDS: dict[str, dict[str, object]] = {
    "sites": {
        "site_id": "A", "site_name": "Upper house", "tank_material": "steel",
        "tank_installed": date(2001, 2, 3), "tank_litres": 22500.0, "roof_area_m2": 180.0,
        "inlet_screen_um": 500.0, "occupants": 4.0, "roof_material": "slate", "tree_cover": "some",
        "first_flush": True, "potable": False,
        "occupancy": "seasonal", "left_on": date(2024, 6, 30), "region": "hills", "crew": "north",
        "address_id": "H7",
    },
    "visits": {
        "visit_id": "a", "site_id": "A", "visit_date": date(2024, 3, 1), "visit_reason": "callout",
        "callout_cause": "leak", "reported_on": date(2024, 2, 28), "inlet_pressure_kpa": 310.0,
        "outlet_pressure_kpa": 255.5, "pressure_read": "after_work", "flow_lpm": 21.0, "meter_m3": 410.25,
        "hardness_mg_l": 38.0, "turbidity_ntu": 0.4, "uvt_percent": 91.0, "lamp_days_left": 120.0,
        "uv_intensity_percent": 88.0, "technician": "T3", "notes": "gate code changed",
        "source_ref": "slip 88",
    },
    "work": {
        "visit_id": "a", "component": "sediment_cartridge", "slot": "upper", "action": "replaced",
        "condition": "loaded", "part_number": "S5", "fitted_on": date(2023, 3, 1), "pressure_drop_kpa": 44.0,
    },
    "parts": {
        "part_number": "S5", "component": "sediment_cartridge", "description": "5 micron, pleated",
        "supplier": "the first", "supplier_part_number": "x-5", "micron": 5.0, "unit_cost": 24.5,
        "pack_size": 6.0, "lead_time_days": 10.0, "rated_life_days": 365.0, "warranty_days": 180.0,
        "on_hand": 12.0, "on_order": 0.0,
    },
    "changes": {
        "site_id": "A", "region": None, "changed_on": date(2024, 1, 2), "until": date(2024, 2, 1),
        "kind": "vacant", "note": "away",
    },
    "samples": {
        "site_id": "A", "sampled_on": date(2024, 3, 1), "parameter": "e_coli", "result": "< 1",
        "passed": True, "laboratory_ref": "L-9",
    },
    "site_limits": {
        "site_id": "A", "region": None, "kind": "warranty", "max_days": 180.0, "from": date(2024, 1, 1),
        "until": date(2026, 1, 1), "source": "paper 12",
    },
    "decisions": {
        "site_id": "A", "decided_on": date(2024, 3, 2), "visit_interval_days": 119.0, "decision": "trial",
        "reason": "short of water", "by": "office",
    },
}  # fmt: skip


def as_csv(record: dict[str, object]) -> str:
    cells = [
        "" if value is None else ("yes" if value else "no") if isinstance(value, bool) else str(value)
        for value in record.values()
    ]
    return ",".join(record) + "\n" + ",".join(f'"{cell}"' for cell in cells) + "\n"


def test_every_column_is_tried():
    assert {name: tuple(record) for name, record in RECORDS.items()} == {
        name: table.names for name, table in TABLES.items()
    }


@pytest.mark.parametrize("name", RECORDS)
def test_a_record_reaches_its_relation_whole(fleet, name):
    known = fleet.known("2024-12-31", **{table: as_csv(record) for table, record in RECORDS.items()})
    (found,) = getattr(known, name).rows(named=True)
    expected = dict(RECORDS[name])
    assert {column: found[column] for column in expected} == expected


@pytest.mark.parametrize("name", ["changes", "site_limits"])
def test_what_holds_for_a_region_reaches_each_of_its_sites(fleet, name):
    tables = {table: as_csv(record) for table, record in RECORDS.items()}
    tables["sites"] = "site_id,region\nA,hills\nB,hills\nC,coast\n"
    tables[name] = as_csv({**RECORDS[name], "site_id": None, "region": "hills"})
    found = getattr(fleet.known("2024-12-31", **tables), name)
    assert found["site_id"].sort().to_list() == ["A", "B"]
    assert found["region"].unique().to_list() == ["hills"]


#: table -> a value no row of it may have, in a column that the row can do without.
IMPOSSIBLE = {
    "parts": ("micron", "-5"), "changes": ("until", "2023-01-01"), "site_limits": ("until", "soon"),
    "decisions": ("visit_interval_days", "0"), "sites": ("occupancy", "sometimes"),
}  # fmt: skip


@pytest.mark.parametrize("name", IMPOSSIBLE)
def test_an_impossible_value_of_an_optional_table_is_set_aside_alone(fleet, name):
    column, value = IMPOSSIBLE[name]
    tables = {table: as_csv(record) for table, record in RECORDS.items()}
    tables[name] = as_csv({**RECORDS[name], column: value})
    known = fleet.known("2024-12-31", **tables)
    assert getattr(known, name)[column].to_list() == [None]
    found = fleet.store.table("refused").select("table_name", "column", "value", "kind").rows()
    assert found == [(name, column, value, "value")]
