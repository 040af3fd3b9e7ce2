"""Leads a fault in a mapped row back to the cell of the sheet that it came from."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from fleetstats.intake.fields import TABLES, Column
from fleetstats.intake.import_map import BY_WORD, FieldRule, ImportMap, WorkRule
from fleetstats.intake.rules import ASIDE, KEPT
from fleetstats.intake.units import MEASURES, NOT_READ
from fleetstats.intake.words import same_word

_ORDER_WORDS = {
    "month_day_year": "month, day, year",
    "day_month_year": "day, month, year",
    "year_month_day": "year, month, day",
}


@dataclass(frozen=True, slots=True)
class Source:
    """A column of a sheet and the field it fills: its header, and what is accepted in the sheet's terms."""

    table: str
    field: str
    header: str
    accepted: str


@dataclass(frozen=True, slots=True)
class Origin:
    """Where the rows of a mapped table came from.

    `cells` holds the rows of the sheet that are asked for, as they were written: by line, then by header.
    """

    sources: tuple[Source, ...]
    cells: Mapping[int, Mapping[str, str | None]]

    def trace(self, table: str, field: str, line: int, value: str | None) -> tuple[Source, str | None] | None:
        """Return the column that a value of a field came from and what is written there; None if none did."""
        told = [source for source in self.sources if (source.table, source.field) == (table, field)]
        row = self.cells.get(line)
        if not told or row is None:
            return None
        written = same_word((value or "").removesuffix(NOT_READ))
        alike = [s for s in told if same_word(row[s.header] or "") == written]
        source = (alike or told)[0]
        return source, row[source.header]


def reason_for(source: Source, written: str | None, *, costs_row: bool) -> str:
    """Return the sentence that says why a cell was set aside and what would be accepted."""
    found = f"{source.header} is blank" if written is None else f"'{written}' is not accepted here"
    return f"{found}: accepted is {source.accepted}; {ASIDE if costs_row else KEPT}"


def sources_of(rules: ImportMap) -> tuple[Source, ...]:
    """Return every column that a map uses with the fields it fills."""
    return (*_field_sources(rules.fields), *_work_sources(rules.work))


def _field_sources(rules: Iterable[FieldRule]) -> Iterable[Source]:
    for rule in rules:
        accepted = _accepted(rule.column, rule.unit, rule.date_order)
        names = {rule.table.name, *(("sites", "visits") if rule.column.name == "site_id" else ())}
        yield from (Source(name, rule.column.name, rule.header, accepted) for name in sorted(names))


def _work_sources(rules: Iterable[WorkRule]) -> Iterable[Source]:
    for rule in rules:
        if rule.gives != "words":
            column = TABLES["work"].column(rule.gives)
            yield Source("work", rule.gives, rule.header, _accepted(column, rule.unit, rule.date_order))
            continue
        what = "which component, what was done" if rule.component == BY_WORD else "what was done"
        accepted = f"a word whose meaning ({what} and found) stands in the list of words"
        for field in ("component", "action", "condition"):
            yield Source("work", field, rule.header, accepted)


def _accepted(column: Column, unit: str | None, order: str) -> str:
    if column.kind == "number":
        own = next(iter(MEASURES[column.measure]), "")
        return column.accepted + (f" (in {own}; this column is read as {unit})" if unit and own else "")
    if column.kind in ("date", "date_or_year"):
        year = " or a year alone" if column.kind == "date_or_year" else ""
        end = ", not after the day of loading" if column.latest_is_today else ""
        return f"a date as {_ORDER_WORDS[order]}{year}, from 1900 on{end}"
    if column.kind in ("word", "yes_no"):
        return f"{column.accepted}, or a word whose meaning stands in the list of words"
    return column.accepted
