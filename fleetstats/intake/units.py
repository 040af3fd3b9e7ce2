"""Units that a sheet may be kept in, and numbers as people write them, in the units of the records."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

PSI_KPA: Final = 6.894757
GRAIN_PER_GALLON_MG_L: Final = 17.118
US_GALLON_LITRES: Final = 3.785412
_FOOT_M: Final = 0.3048
#: Put behind a cell that is no number in its column's style, so that nobody further on takes it for one: the
#: judges of the records would read 35,8 in a column of psi with decimal points as 35.8 kPa. It has no width.
NOT_READ: Final = "\u2060"

#: What is measured -> the units known, as factors to the unit of the records (named first, factor 1).
MEASURES: Mapping[str, Mapping[str, float]] = MappingProxyType(
    {
        "pressure": {"kPa": 1.0, "psi": PSI_KPA, "bar": 100.0, "mbar": 0.1, "MPa": 1000.0},
        "volume_m3": {"m3": 1.0, "L": 0.001, "US gal": US_GALLON_LITRES / 1000, "ft3": _FOOT_M**3},
        "volume_litres": {"L": 1.0, "m3": 1000.0, "US gal": US_GALLON_LITRES},
        "flow": {
            "L/min": 1.0,
            "gpm": US_GALLON_LITRES,
            "L/s": 60.0,
            "L/h": 1 / 60,
            "m3/h": 1000 / 60,
        },
        "hardness": {"mg/L": 1.0, "ppm": 1.0, "grains": GRAIN_PER_GALLON_MG_L},
        "area": {"m2": 1.0, "ft2": _FOOT_M**2},
        "size": {"micron": 1.0, "um": 1.0, "mm": 1000.0},
        "time": {"days": 1.0, "hours": 1 / 24, "weeks": 7.0},
        "share": {"%": 1.0},
        "turbidity": {"NTU": 1.0},
        "number": {},
    }
)
#: Other ways to write a unit, lower case and without blanks.
_SPELLINGS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "gal": "US gal", "gals": "US gal", "gallon": "US gal", "gallons": "US gal", "usgal": "US gal",
        "usgallon": "US gal", "usgallons": "US gal", "m³": "m3", "cum": "m3", "cubicmetres": "m3",
        "litre": "L", "litres": "L", "liter": "L", "liters": "L", "ltr": "L", "lpm": "L/min",
        "l/m": "L/min", "lps": "L/s", "usgpm": "gpm", "gal/min": "gpm", "gpg": "grains",
        "gr/gal": "grains", "grain": "grains", "gr": "grains", "mgl": "mg/L", "m²": "m2", "sqm": "m2",
        "sqft": "ft2", "ft²": "ft2", "ft³": "ft3", "cuft": "ft3", "µm": "micron", "microns": "micron",
        "day": "days", "hour": "hours", "h": "hours", "hrs": "hours", "hr": "hours", "week": "weeks",
        "lbs": "psi", "psig": "psi", "percent": "%",
    }
)  # fmt: skip
_NUMBER = re.compile(r"([+-]?)\s*([\d.,' \u00a0\u202f]*\d[.,]?)((?:[eE][+-]?\d+)?)\s*(\D.*)?")


@dataclass(frozen=True, slots=True)
class NumberStyle:
    """How a column writes its numbers: its measure, its unit, and a comma or a point before the fraction."""

    measure: str
    unit: str | None = None
    decimal_comma: bool = False


def unit_named(text: str, measure: str) -> str | None:
    """Return the unit of a measure that a text names, however it is spelt; None if it names none."""
    bare = "".join(text.casefold().replace("_", "").split()).rstrip(".")
    known = {name.casefold().replace(" ", ""): name for name in MEASURES[measure]}
    return known.get(bare) or known.get(_SPELLINGS.get(bare, "").casefold().replace(" ", ""))


def in_record_units(text: str, style: NumberStyle) -> str | None:
    """Return a number as the records hold it, in their unit with a decimal point; None if it is no number.

    A unit written behind the number counts before the column's: `300 kPa` in a column of psi is 300 kPa.
    """
    found = _NUMBER.fullmatch(text.strip())
    if found is None:
        return None
    sign, digits, exponent, behind = found.groups()
    plain = _plain_digits(digits, style.decimal_comma)
    unit = style.unit if behind is None else unit_named(behind, style.measure)
    if plain is None or (behind is not None and unit is None):
        return None
    factor = MEASURES[style.measure].get(unit or "", 1.0)
    return f"{float(sign + plain + exponent) * factor:.12g}"


def _plain_digits(digits: str, decimal_comma: bool) -> str | None:
    """Return digits with a decimal point and no separators of thousands; None if they are put wrongly."""
    fraction, thousands = (",", ".") if decimal_comma else (".", ",")
    whole, _, part = digits.partition(fraction)
    if not re.fullmatch(r"\d*", part):
        return None
    if not re.fullmatch(r"\d*", whole):
        groups = re.split("[" + re.escape(thousands) + r"' \u00a0\u202f]", whole)
        if not 1 <= len(groups[0]) <= 3 or any(not re.fullmatch(r"\d{3}", group) for group in groups[1:]):
            return None
        whole = "".join(groups)
    return f"{whole or '0'}.{part}" if part else whole or "0"
