"""Units by their definitions, and numbers as people write them.

1 psi = 6.894757 kPa and 1 US gallon = 3.785412 L: NIST Special Publication 811, table of conversion factors
(memory; 1 lb x g / in2 and 231 in3, recomputed below). 1 grain per US gallon = 17.118 mg/L: 64.79891 mg in
3.785412 L (computed below).
"""

from __future__ import annotations

import pytest

from fleetstats.intake.fields import TABLES
from fleetstats.intake.units import (
    GRAIN_PER_GALLON_MG_L,
    PSI_KPA,
    US_GALLON_LITRES,
    NumberStyle,
    in_record_units,
    unit_named,
)


def test_factors_follow_from_the_definitions():
    inch_m, pound_kg, gravity, grain_mg = 0.0254, 0.45359237, 9.80665, 64.79891
    assert pytest.approx(pound_kg * gravity / inch_m**2 / 1000, abs=5e-7) == PSI_KPA
    assert pytest.approx(231 * inch_m**3 * 1000, abs=5e-7) == US_GALLON_LITRES
    assert pytest.approx(grain_mg / (231 * inch_m**3 * 1000), abs=5e-4) == GRAIN_PER_GALLON_MG_L


@pytest.mark.parametrize(
    ("field", "unit", "text", "expected"),
    [
        ("inlet_pressure_kpa", "psi", "1", 6.894757),
        ("inlet_pressure_kpa", "bar", "3.5", 350.0),
        ("inlet_pressure_kpa", "kPa", "350", 350.0),
        ("inlet_pressure_kpa", "psi", "-12", -82.737084),
        ("pressure_drop_kpa", "psi", "10", 68.94757),
        ("meter_m3", "US gal", "1000", 3.785412),
        ("meter_m3", "L", "1500", 1.5),
        ("meter_m3", "m3", "12.25", 12.25),
        ("tank_litres", "US gal", "1000", 3785.412),
        ("hardness_mg_l", "grains", "1", 17.118),
        ("hardness_mg_l", "mg/L", "80", 80.0),
        ("flow_lpm", "gpm", "5", 18.92706),
        ("flow_lpm", "L/min", "5", 5.0),
        ("lamp_days_left", "hours", "240", 10.0),
        ("roof_area_m2", "ft2", "100", 9.290304),
        ("occupants", None, "4", 4.0),
    ],
)
def test_numbers_arrive_in_the_units_of_the_records(field, unit, text, expected):
    (column,) = {t.column(field) for t in TABLES.values() if field in t.names}
    found = in_record_units(text, NumberStyle(column.measure, unit))
    assert found is not None
    assert float(found) == pytest.approx(expected, rel=1e-11)


@pytest.mark.parametrize(
    ("text", "comma", "expected"),
    [
        ("1,234.5", False, 1234.5), ("1.234,5", True, 1234.5), ("1 234", False, 1234),
        ("12'500", False, 12500),
        ("0,5", True, 0.5), ("+7", False, 7), (".5", False, 0.5), ("7.", False, 7), ("1e3", False, 1000),
        ("- 5", False, -5),
    ],
)  # fmt: skip
def test_figures_are_read_as_they_are_written(text, comma, expected):
    found = in_record_units(text, NumberStyle("number", None, comma))
    assert found is not None
    assert float(found) == expected


@pytest.mark.parametrize(
    "text", ["", "n/a", "1,2,3", "1.2.3", "12,5", "forty", "5 apples", "1-2", "٣٤a", "--5"]
)
def test_what_is_no_number_is_none(text):
    assert in_record_units(text, NumberStyle("pressure", "psi")) is None


def test_a_unit_behind_the_number_counts_before_the_columns():
    style = NumberStyle("pressure", "psi")
    assert float(in_record_units("300 kPa", style) or 0) == 300
    assert float(in_record_units("10psi", style) or 0) == pytest.approx(68.94757)
    assert in_record_units("10 gal", style) is None


@pytest.mark.parametrize(
    ("text", "measure", "unit"),
    [("PSI", "pressure", "psi"), ("us gallons", "volume_m3", "US gal"), ("gpg", "hardness", "grains"),
     ("L / min", "flow", "L/min"), ("m³", "volume_m3", "m3"), ("furlong", "pressure", None),
     ("psi", "flow", None)],
)  # fmt: skip
def test_units_are_known_by_many_spellings(text, measure, unit):
    assert unit_named(text, measure) == unit
