"""The contract of every table of records as data: columns, types, allowed words, ranges, keys."""

import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from fleetstats.components import CALLOUT_CAUSES, CONDITIONS

#: Kinds of column: `text` as written, `word` from a list, `name` a word of any list (a component),
#: `number`, `date`, `date_or_year` (a year alone means 1 July), `yes_no`.
KINDS = ("text", "word", "name", "number", "date", "date_or_year", "yes_no")
SQL_TYPES: Mapping[str, str] = MappingProxyType(
    {"number": "DOUBLE", "date": "DATE", "date_or_year": "DATE", "yes_no": "BOOLEAN"}
)


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table of records, declared once: what it is called and what it accepts.

    From this follow its checks, its type in the store, the relation that carries it, the targets of import
    maps, drafts of maps, and README's list. `measure` is what a number measures: a key of `units.MEASURES`.
    `note` is what README says of it beside its words.
    """

    name: str
    kind: str = "text"
    required: bool = False
    words: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    above: bool = False
    latest_is_today: bool = False
    measure: str = "number"
    note: str = ""

    @property
    def sql_type(self) -> str:
        """Return the type the column has in the store."""
        return SQL_TYPES.get(self.kind, "VARCHAR")

    @property
    def accepted(self) -> str:
        """Return the sentence part that says what the column accepts."""
        if self.kind == "word":
            return "one of " + ", ".join(self.words)
        if self.kind == "name":
            return "one of " + ", ".join(self.words) if self.words else "the name of a component"
        if self.kind == "number":
            return self._accepted_number()
        if self.kind == "yes_no":
            return "yes or no"
        if self.kind == "text":
            return "any text"
        year = " or a year alone" if self.kind == "date_or_year" else ""
        end = ", not after the day of loading" if self.latest_is_today else ""
        return f"a date as YYYY-MM-DD{year}, from 1900 on{end}"

    def _accepted_number(self) -> str:
        if self.low is None:
            return "a number"
        bound = f"above {self.low:g}" if self.above else f"{self.low:g} or more"
        return f"a number, {bound}" + (f", at most {self.high:.10g}" if self.high is not None else "")


@dataclass(frozen=True, slots=True)
class Table:
    """One table of records: its columns and the key that tells a correction from a new row."""

    name: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    needed: bool = False
    one_of: tuple[str, ...] = ()  # at least one of these columns must be filled

    def column(self, name: str) -> Column:
        """Return the column called `name` (KeyError if there is none)."""
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(name)

    @property
    def names(self) -> tuple[str, ...]:
        """Return the names of all columns, in order."""
        return tuple(column.name for column in self.columns)

    @property
    def required(self) -> tuple[str, ...]:
        """Return the names of the columns that a file must have."""
        return tuple(column.name for column in self.columns if column.required)


def _text(*names: str) -> tuple[Column, ...]:
    return tuple(Column(name) for name in names)


def _need(name: str, kind: str = "text", words: tuple[str, ...] = ()) -> Column:
    return Column(name, kind, required=True, words=words)


def _word(name: str, *words: str) -> Column:
    return Column(name, "word", words=words)


#: Beyond these a number is a slip of the pen, by its measure.
_MOST = {"time": 36_525.0, "number": 1e7}


def _number(
    name: str, measure: str = "number", low: float = 0.0, high: float | None = None, *, above: bool = False
) -> Column:
    most = _MOST.get(measure, _MOST["number"]) if high is None else high
    return Column(name, "number", low=low, high=most, above=above, measure=measure)


ACTIONS = ("fitted", "replaced", "cleaned", "inspected", "removed")
#: Changes that alter a site for good: they open a new chapter of it.
LASTING_CHANGES = ("roof", "tank", "pump", "screen", "first_flush", "household", "other")
#: Changes that pass: the spells they touch are flagged, the chapter goes on.
PASSING_CHANGES = ("tank_cleaned", "gutters_cleaned", "vacant", "hauled_water", "drought", "ash")

SITES = Table(
    "sites",
    (
        _need("site_id"),
        *_text("site_name"),
        _word("tank_material", "concrete", "poly", "steel", "fibreglass", "timber", "other"),
        Column("tank_installed", "date_or_year", latest_is_today=True, note="a year alone means 1 July"),
        _number("tank_litres", "volume_litres", above=True),
        _number("roof_area_m2", "area", above=True),
        _number("inlet_screen_um", "size", above=True),
        _number("occupants", above=True),
        _word(
            "roof_material",
            "metal",
            "asphalt_shingle",
            "concrete_tile",
            "clay_tile",
            "slate",
            "timber",
            "membrane",
            "other",
        ),
        _word("tree_cover", "none", "some", "heavy"),
        Column("first_flush", "yes_no"),
        Column("potable", "yes_no", note="blank counts as potable"),
        _word("occupancy", "all_year", "seasonal"),
        Column("left_on", "date"),
        *_text("region", "crew"),
        Column("address_id", note="one trip serves all sites at one address"),
    ),
    key=("site_id",),
    needed=True,
)
VISITS = Table(
    "visits",
    (
        _need("visit_id"),
        _need("site_id"),
        Column("visit_date", "date", required=True, latest_is_today=True),
        _word("visit_reason", "routine", "callout", "commission", "other"),
        _word("callout_cause", *CALLOUT_CAUSES),
        Column("reported_on", "date", latest_is_today=True, note="the day the household called"),
        _number("inlet_pressure_kpa", "pressure", high=3000),
        _number("outlet_pressure_kpa", "pressure", high=3000),
        _word("pressure_read", "before_work", "after_work"),
        _number("flow_lpm", "flow", high=1000),
        _number("meter_m3", "volume_m3"),
        _number("hardness_mg_l", "hardness", high=5000),
        _number("turbidity_ntu", "turbidity", high=10000),
        _number("uvt_percent", "share", high=100),
        _number("lamp_days_left", "time", low=-5000, high=5000),
        _number("uv_intensity_percent", "share", high=200),
        *_text("technician", "notes", "source_ref"),
    ),
    key=("visit_id",),
    needed=True,
)
WORK = Table(
    "work",
    (
        _need("visit_id"),
        Column("component", "name", required=True, note="any that the settings define"),
        Column("slot", note="which of two alike"),
        _need("action", "word", ACTIONS),
        Column("condition", "word", words=CONDITIONS, note="what was FOUND"),
        *_text("part_number"),
        Column(
            "fitted_on",
            "date",
            latest_is_today=True,
            note="when the unit found in place went in, if before the records began",
        ),
        _number("pressure_drop_kpa", "pressure", high=3000),
    ),
    key=("visit_id", "component", "slot", "action"),
    needed=True,
)
PARTS = Table(
    "parts",
    (
        _need("part_number"),
        _need("component", "name"),
        *_text("description", "supplier", "supplier_part_number"),
        _number("micron", "size", above=True),
        _number("unit_cost"),
        _number("pack_size", above=True),
        _number("lead_time_days", "time", high=3650),
        _number("rated_life_days", "time", above=True),
        _number("warranty_days", "time"),
        _number("on_hand"),
        _number("on_order"),
    ),
    key=("part_number",),
)
CHANGES = Table(
    "changes",
    (
        *_text("site_id", "region"),
        _need("changed_on", "date"),
        Column("until", "date"),
        _need("kind", "word", LASTING_CHANGES + PASSING_CHANGES),
        *_text("note"),
    ),
    key=("site_id", "region", "changed_on", "kind"),
    one_of=("site_id", "region"),
)
SAMPLES = Table(
    "samples",
    (
        _need("site_id"),
        Column("sampled_on", "date", required=True, latest_is_today=True),
        *_text("parameter", "result"),
        _need("passed", "yes_no"),
        *_text("laboratory_ref"),
    ),
    key=("site_id", "sampled_on", "parameter", "laboratory_ref"),
)
SITE_LIMITS = Table(
    "site_limits",
    (
        *_text("site_id", "region"),
        _need("kind", "word", ("contract", "warranty", "authority", "customer", "technician")),
        replace(_number("max_days", "time", above=True), required=True),
        Column("from", "date"),
        Column("until", "date"),
        *_text("source"),
    ),
    key=("site_id", "region", "kind", "from"),
    one_of=("site_id", "region"),
)
DECISIONS = Table(
    "decisions",
    (
        _need("site_id"),
        _need("decided_on", "date"),
        _number("visit_interval_days", "time", above=True),
        _need("decision", "word", ("accepted", "refused", "trial")),
        *_text("reason", "by"),
    ),
    key=("site_id", "decided_on"),
)

#: Every table, in the order that references between them need.
TABLES: Mapping[str, Table] = MappingProxyType(
    {t.name: t for t in (SITES, VISITS, WORK, PARTS, CHANGES, SAMPLES, SITE_LIMITS, DECISIONS)}
)
#: (table, column) -> the table whose key the value must be found in.
REFERENCES: Mapping[tuple[str, str], str] = MappingProxyType(
    {
        ("visits", "site_id"): "sites",
        ("work", "visit_id"): "visits",
        ("changes", "site_id"): "sites",
        ("samples", "site_id"): "sites",
        ("site_limits", "site_id"): "sites",
        ("decisions", "site_id"): "sites",
    }
)
#: (table, optional date, the date it may not be after): a later one is set aside.
NOT_AFTER: tuple[tuple[str, str, str], ...] = (
    ("visits", "reported_on", "visit_date"),
    ("work", "fitted_on", "visit_date"),
)
#: (table, optional date, the date it may not be before).
NOT_BEFORE: tuple[tuple[str, str, str], ...] = (
    ("changes", "until", "changed_on"),
    ("site_limits", "until", "from"),
)


def table_text(table: Table) -> str:
    """Return the columns of a table as README lists them: name, what must be filled, words, note."""
    told = []
    for column in table.columns:
        must = "required" if column.required else "one of them" if column.name in table.one_of else ""
        words = "yes, no" if column.kind == "yes_no" else ", ".join(column.words)
        parts = "; ".join(filter(None, (must, words, column.note)))
        told.append(f"`{column.name}`" + (f" ({parts})" if parts else ""))
    return f"**{table.name}** — {', '.join(told)}."


def plain(name: str) -> str:
    """Return a header or a word as the contract writes it: lower case, one underscore between words."""
    return "_".join(name.replace("-", " ").replace("_", " ").lower().split())


def nearest(found: str, known: Iterable[str]) -> str:
    """Return the known name most like `found`."""
    return difflib.get_close_matches(plain(found), list(known), n=1, cutoff=0.0)[0]
