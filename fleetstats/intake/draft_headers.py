"""Guesses which field of the records a column of a sheet holds, from its header and a look at its values."""

import re
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from fleetstats.intake.fields import TABLES, Column
from fleetstats.intake.units import MEASURES, unit_named

_MONTH = r"(?:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*"
_DATE = re.compile(
    r"\d{1,4}[/.\- ]\d{1,2}[/.\- ]\d{1,4}.*|(?:[a-z]{3,9},? )?\d{1,2}(?:st|nd|rd|th)?[ \-./]*"
    + _MONTH
    + r".*|"
    + _MONTH
    + r"[ \-./]*\d{1,2}.*",
    re.IGNORECASE,
)
_CALLED_DATE: Final = r"date|\bday\b|\bwhen\b|visited|serviced"
_FIGURES = re.compile(r"[+-]?[\d.,' ]*\d\s*\D{0,12}")


@dataclass(frozen=True, slots=True)
class ColumnGuess:
    """What a column seems to hold: a field (`to`) or work on a component (`work` and `gives`); and why."""

    header: str
    why: str
    to: str | None = None
    work: str | None = None
    gives: str = "words"
    unit: str | None = None


@dataclass(frozen=True, slots=True)
class _Sign:
    """A pattern in a header that speaks for a field, if the values are of its kind."""

    field: str
    pattern: str
    values: str = "any"


_NOT_STAFF: Final = r"^(?!.*(tech|fitter|plumber|engineer|staff|driver|product|item|part))"
_PRESSURE: Final = r"(?=.*(psi|kpa|\bbar\b|press))"
#: Tried in order; a field that one column has is not given to another.
_SIGNS: Final = tuple(
    _Sign(*sign)
    for sign in (
        ("lamp_days_left", r"(days|hours|hrs) (left|remaining)|lamp (days|hours)|remaining", "number"),
        ("uv_intensity_percent", r"intensity", "number"),
        ("uvt_percent", r"\buvt\b|transmittance", "number"),
        ("turbidity_ntu", r"turbidity|\bntu\b|cloud", "number"),
        ("hardness_mg_l", r"hardness|\bgpg\b|grains", "number"),
        ("flow_lpm", r"\bflow\b|\bgpm\b|\blpm\b|l/min", "number"),
        ("inlet_pressure_kpa", _PRESSURE + r"(?=.*(\bin\b|inlet|before|\bpre\b))", "number"),
        ("outlet_pressure_kpa", _PRESSURE + r"(?=.*(\bout\b|outlet|after|\bpost\b))", "number"),
        ("reported_on", r"(report|call|phon|rang|ring).*(\bon\b|date|day)|date.*(report|call)", "date"),
        ("left_on", r"\bleft\b|cancel|ended|closed", "date"),
        ("tank_installed", r"tank.*(yr|year|date|install|built|age)|(yr|year|installed).*tank", "year"),
        ("visit_date", _CALLED_DATE, "date"),
        ("visit_id", r"(job|visit|ticket|order|docket|invoice|call|slip|report).*(#|no\b|num|\bid\b|ref)"),
        ("visit_id", r"^(job|visit|ticket|work ?order|docket|invoice)$"),
        ("site_id", r"(customer|cust\b|client|site|account|property|acc).*(#|\bno\b|num|\bid\b|code)", "any"),
        ("site_id", r"^(customer|cust|client|site|account|property|household|home|owner)s?$", "any"),
        ("site_name", _NOT_STAFF + r".*(\bname\b|surname)", "any"),
        ("address_id", r"address|street|\broad\b", "any"),
        ("meter_m3", r"meter|metre reading|totali[sz]er|reading", "number"),
        ("tank_litres", r"tank.*(lit|gal|size|capacity|vol|m3)|(lit|gal|size|capacity).*tank", "number"),
        ("tank_material", r"tank", "words"),
        ("roof_area_m2", r"roof.*(area|size|m2|sq|ft)|catchment", "number"),
        ("roof_material", r"roof", "words"),
        ("tree_cover", r"tree|leaf|leaves|foliage|canopy|overhang", "words"),
        ("first_flush", r"(1st|first).*flush|flush|divert", "words"),
        ("inlet_screen_um", r"screen|mesh|strainer", "number"),
        ("occupants", r"people|occupant|person|resident|household size|family", "number"),
        ("potable", r"potable|drink", "words"),
        ("occupancy", r"occupancy|season|holiday|lived in", "words"),
        ("callout_cause", r"called about|complaint|problem|fault|cause|symptom|issue", "words"),
        ("visit_reason", r"type|reason|\bkind\b|purpose", "words"),
        ("technician", r"tech|fitter|plumber|engineer|done by|service[d]? by|\bby\b|\bwho\b|initials", "any"),
        ("region", r"region|district|zone|suburb|town|\barea\b|\bcity\b", "any"),
        ("crew", r"crew|team|\bvan\b|truck|\brun\b|route", "any"),
        ("source_ref", r"photo|slip|\bref\b|source|paper", "any"),
        ("notes", r"note|comment|remark|memo", "any"),
    )
)  # fmt: skip
#: A field that no pattern above speaks for is known by its own name.
_SIGNS_BY_NAME: Final = tuple(
    _Sign(
        column.name,
        rf"^{column.name.replace('_', ' ')}$",
        {"number": "number", "date": "date"}.get(column.kind, "any"),
    )
    for table in ("sites", "visits")
    for column in TABLES[table].columns
)
_COMPONENTS: Final = (
    ("quartz_sleeve", r"sleeve|quartz"),
    ("carbon_cartridge", r"carbon|charcoal|\bcb\b"),
    ("sediment_cartridge", r"sediment|\bsed\b|pre.?filter|pleated|micron"),
    ("uv_lamp", r"\buv\b|lamp|bulb|\bu\.?v\.?\b"),
)
_FACETS: Final = (
    ("pressure_drop_kpa", r"drop|\bdp\b|delta|differential", "number"),
    ("fitted_on", r"fitted|installed|\bdate\b|\bsince\b", "date"),
    ("part_number", r"part|model|sku|cartridge (no|#)|\bp/?n\b|code", "any"),
    ("condition", r"condition|found|state|\bwas\b", "words"),
)
_ITEM: Final = r"item|description|product|\bpart\b|\bwork\b|task|service done|line"


def guess_columns(
    headers: Sequence[str], values: Sequence[Sequence[str]], components: Collection[str]
) -> list[ColumnGuess]:
    """Return a guess for each column of a sheet, in order.

    Parameters
    ----------
    headers : sequence of str
    values : sequence of sequences of str
        For each column the values found, blanks left out.
    components : collection of str
        The components that the settings define.
    """
    guesses: dict[int, ColumnGuess] = {}
    taken: set[str] = set()
    bare = [_bare(header) for header in headers]
    for i, header in enumerate(headers):
        guess = _component(header, bare[i], values[i], components)
        if guess is not None:
            guesses[i] = guess
    for sign in (*_SIGNS, *_SIGNS_BY_NAME):
        for i, header in enumerate(headers):
            if i in guesses or sign.field in taken or not re.search(sign.pattern, bare[i]):
                continue
            if _is(sign.values, values[i]):
                guesses[i] = _field(header, sign.field, values[i])
                taken.add(sign.field)
                break
    _second_choices(guesses, headers, bare, values, components)
    return [guesses.get(i, _unknown(header, values[i])) for i, header in enumerate(headers)]


def _second_choices(
    guesses: dict[int, ColumnGuess],
    headers: Sequence[str],
    bare: Sequence[str],
    values: Sequence[Sequence[str]],
    components: Collection[str],
) -> None:
    """Fill what every sheet needs: a site from names or addresses, work from a column of items."""
    to = {guess.to: i for i, guess in guesses.items()}
    if "site_id" not in to:
        for second in ("site_name", "address_id"):
            if second in to:
                i = to[second]
                guesses[i] = ColumnGuess(
                    headers[i], "no column of customer numbers: this tells sites apart", "site_id"
                )
                break
    if not any(guess.work for guess in guesses.values()):
        for i, header in enumerate(headers):
            named = sum(component_named(value) is not None for value in values[i])
            if re.search(_ITEM, bare[i]) and named > 0.2 * len(values[i]) > 0:
                why = f"{named:,} of {len(values[i]):,} cells name a component: each line is an item"
                guesses[i] = ColumnGuess(header, why, work="by_word")
                break


def called_a_date(header: str) -> bool:
    """Return whether a header names the day of a visit."""
    return bool(re.search(_CALLED_DATE, _bare(header)))


def component_named(text: str) -> str | None:
    """Return the usual component that a text names; None if it names none."""
    return next((name for name, pattern in _COMPONENTS if re.search(pattern, text.casefold())), None)


def _component(
    header: str, bare: str, values: Sequence[str], components: Collection[str]
) -> ColumnGuess | None:
    if re.search(
        r"intensity|\buvt\b|transmittance|(days|hours|hrs) (left|remaining)|lamp (days|hours)", bare
    ):
        return None
    own = [name for name in components if name.replace("_", " ") in bare]
    component = own[0] if own else component_named(bare)
    if component is None or component not in components:
        return None
    for gives, pattern, kind in _FACETS:
        if re.search(pattern, bare) and _is(kind, values):
            column = TABLES["work"].column(gives)
            unit = _unit(header, column, values)[0] if column.kind == "number" else None
            return ColumnGuess(
                header, f"the header names {component} and {gives}", None, component, gives, unit
            )
    if not _is("words", values):
        return None
    why = f"the header names the {component.replace('_', ' ')}; its words say what was done"
    return ColumnGuess(header, why, work=component)


def _field(header: str, field: str, values: Sequence[str]) -> ColumnGuess:
    table = TABLES["sites"] if field in TABLES["sites"].names else TABLES["visits"]
    if table.column(field).kind == "number":
        unit, why = _unit(header, table.column(field), values)
        return ColumnGuess(header, why, field, unit=unit)
    different = len(set(values))
    return ColumnGuess(header, f"the header; {different:,} different values in {len(values):,} cells", field)


def _unit(header: str, field: Column, values: Sequence[str]) -> tuple[str | None, str]:
    """Return the unit of a column and how it was found: named in the header, by the size, or none."""
    measure = field.measure
    units = MEASURES[measure]
    if len(units) < 2:
        return None, "the header; numbers"
    tokens = re.findall(r"[a-zA-Z%³²µ]+(?:/[a-zA-Z]+)?\d?", header)
    for token in (*(a + b for a, b in pairwise(tokens)), *tokens):
        if unit := unit_named(token, measure):
            return unit, f"the header; it names the unit {unit}"
    if measure == "pressure":
        middle = sorted(_sizes(values))[len(values) // 2 :][:1] or [0.0]
        unit = "bar" if middle[0] <= 10 else "psi" if middle[0] <= 150 else "kPa"
        return unit, f"the header; no unit named, values round {middle[0]:g} look like {unit}: check this"
    usual = next(iter(units))
    return usual, f"the header; no unit named, taken as {usual}: check this"


def _sizes(values: Iterable[str]) -> list[float]:
    found = (re.match(r"\s*\d+(?:[.,]\d+)?", value) for value in values)
    return [float(match.group().replace(",", ".")) for match in found if match]


def _unknown(header: str, values: Sequence[str]) -> ColumnGuess:
    like = ", ".join(f"'{value}'" for value in list(dict.fromkeys(values))[:3])
    return ColumnGuess(header, f"not recognised{': holds ' + like if like else ''}", "nothing")


def _is(kind: str, values: Sequence[str]) -> bool:
    """Return whether the values of a column are of a kind, by most of them; an empty column is of any."""
    if kind == "any" or not values:
        return True
    figures = sum(bool(_FIGURES.fullmatch(value)) for value in values) / len(values)
    dates = sum(bool(_DATE.fullmatch(value)) for value in values) / len(values)
    if kind == "number":
        return figures > 0.5 and dates < 0.5
    if kind == "year":
        return dates > 0.5 or figures > 0.5
    return dates > 0.5 if kind == "date" else figures < 0.5 or len(set(values)) <= 3


def _bare(header: str) -> str:
    return " ".join(re.sub(r"[^\w#%/. ]+", " ", header.casefold().replace("_", " ")).split())
