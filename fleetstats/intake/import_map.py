"""The import map: which column of a sheet is which field, in what unit and order, and what its words mean."""

import hashlib
import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from fleetstats.errors import IntakeError
from fleetstats.intake.fields import TABLES, Column, Table, nearest, plain
from fleetstats.intake.readers.choose import file_bytes
from fleetstats.intake.units import MEASURES, unit_named
from fleetstats.intake.words import (
    WorkWord,
    read_answers,
    read_value,
    read_work,
    same_word,
)
from fleetstats.intake.written_dates import ORDERS

#: Cells that say no more than a blank one, whatever the column.
BLANKS: Final = ("n/a", "na", "-", "--", "none recorded", "not read", "nil", "#n/a")
ROW_IS: Final = ("visit", "item")
GIVES: Final = ("words", "action", "condition", "part_number", "fitted_on", "pressure_drop_kpa")
#: The component of a column that holds items of every kind: its words name the component.
BY_WORD: Final = "by_word"
NOT_USED: Final = "nothing"
_SHEET_KEYS: Final = (
    "file", "name", "header_row", "one_row_is", "date_order", "decimal", "blanks", "words", "source",
)  # fmt: skip
_COLUMN_KEYS: Final = ("to", "work", "slot", "gives", "unit", "date_order", "decimal", "words")


@dataclass(frozen=True, slots=True)
class FieldRule:
    """One column of a sheet that fills one field of a table of records.

    `words` maps a word (as `same_word` writes it) to an allowed value, None for a blank.
    """

    header: str
    table: Table
    column: Column
    unit: str | None
    date_order: str
    decimal_comma: bool
    words: Mapping[str, str | None] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class WorkRule:
    """One column of a sheet that says something of the work on a component, or (`by_word`) on any."""

    header: str
    component: str
    slot: str
    gives: str
    unit: str | None
    date_order: str
    decimal_comma: bool
    words: Mapping[str, WorkWord] = field(default_factory=dict)
    values: Mapping[str, str | None] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ImportMap:
    """How the rows of one sheet become records."""

    path: str
    digest: str
    file: str | None
    sheets: tuple[str, ...]
    header_row: int | None
    one_row_is: str
    blanks: frozenset[str]
    source: str | None
    fields: tuple[FieldRule, ...]
    work: tuple[WorkRule, ...]
    ignored: tuple[str, ...]

    @property
    def headers(self) -> tuple[str, ...]:
        """Return the headers of the columns that are used, each once."""
        return tuple(dict.fromkeys([r.header for r in self.fields] + [r.header for r in self.work]))


def read_map(path: Path, components: Collection[str]) -> ImportMap:
    """Return the import map in a TOML file, with the answers of the spreadsheet beside it.

    Parameters
    ----------
    path : Path
    components : collection of str
        The components that work may be done on.

    Raises
    ------
    IntakeError
        If the file is no TOML, or a key or value is not accepted; the message names the key, what is accepted
        and the nearest to what was found.
    """
    data = file_bytes(path)
    try:
        told = tomllib.loads(data.decode("utf-8-sig"))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError) as exc:
        raise IntakeError(f"{path}: is no TOML that can be read ({exc}); correct that line") from exc
    reading = _Reading(path, told, tuple(components))
    return reading.map(hashlib.sha256(data))


class _Reading:
    """An import map on its way from TOML to rules; every complaint names its key."""

    def __init__(self, path: Path, told: Mapping[str, Any], components: tuple[str, ...]) -> None:
        self.path, self.components = path, components
        self._only(told, ("sheet", "column"), "")
        self.sheet: Mapping[str, Any] = self._table(told.get("sheet", {}), "sheet")
        self._only(self.sheet, _SHEET_KEYS, "sheet")
        self.columns: Mapping[str, Any] = self._table(told.get("column", {}), "column")
        self.order = self._one_of(self.sheet, "date_order", ORDERS, "year_month_day", "sheet")
        self.decimal = self._one_of(self.sheet, "decimal", ("point", "comma"), "point", "sheet")
        self.answers: dict[str, dict[str, tuple[str, str]]] = {}
        self.fields: list[FieldRule] = []
        self.work: list[WorkRule] = []
        self.ignored: list[str] = []

    def map(self, digest: Any) -> ImportMap:
        words = self._text(self.sheet, "words", "sheet")
        if words is not None:
            answers = self.path.parent / words
            if not answers.is_file():
                raise self._fault("sheet.words", words, "the name of the spreadsheet of words beside the map")
            digest.update(file_bytes(answers))
            self.answers = read_answers(answers)
        for header, told in self.columns.items():
            self._column(header, self._table(told, _key("column", header)))
        self._refuse_gaps()
        header_row = self.sheet.get("header_row")
        if header_row is not None and (type(header_row) is not int or header_row < 1):
            raise self._fault("sheet.header_row", header_row, "a row number, 1 or more")
        return ImportMap(
            str(self.path), digest.hexdigest(), self._text(self.sheet, "file", "sheet"),
            self._names(self.sheet, "name", "sheet"), header_row,
            self._one_of(self.sheet, "one_row_is", ROW_IS, "visit", "sheet"),
            frozenset(map(same_word, self._names(self.sheet, "blanks", "sheet") or BLANKS)),
            self._text(self.sheet, "source", "sheet"),
            tuple(self.fields), tuple(self.work), tuple(self.ignored),
        )  # fmt: skip

    # -- columns -----------------------------------------------------------------------------------------

    def _column(self, header: str, told: Mapping[str, Any]) -> None:
        key = _key("column", header)
        self._only(told, _COLUMN_KEYS, key)
        order = self._one_of(told, "date_order", ORDERS, self.order, key)
        comma = self._one_of(told, "decimal", ("point", "comma"), self.decimal, key) == "comma"
        if "work" in told and "to" in told:
            raise self._fault(key, "both 'to' and 'work'", "one of the two: a field, or work on a component")
        if "work" in told:
            self._work_column(header, key, told, order, comma)
            return
        targets = self._names(told, "to", key)
        if not targets:
            raise self._fault(key, "neither 'to' nor 'work'", f'to = a field, or to = "{NOT_USED}"')
        if targets == (NOT_USED,):
            self.ignored.append(header)
            return
        words = self._words_of(header, told, key)
        for target in targets:
            table, column = self._target(target, f"{key}.to")
            unit = self._unit(told, column, key)
            meant = {word: read_value(answer, column, where) for word, (answer, where) in words.items()}
            self.fields.append(FieldRule(header, table, column, unit, order, comma, meant))

    def _work_column(self, header: str, key: str, told: Mapping[str, Any], order: str, comma: bool) -> None:
        allowed = (*self.components, BY_WORD)
        component = self._one_of(told, "work", allowed, "", key)
        gives = self._one_of(told, "gives", GIVES, "words", key)
        slot = self._text(told, "slot", key) or ""
        words = self._words_of(header, told, key)
        meant: dict[str, WorkWord] = {}
        values: dict[str, str | None] = {}
        unit = None
        if gives == "words":
            named = self.components if component == BY_WORD else ()
            meant = {word: read_work(answer, where, named) for word, (answer, where) in words.items()}
        else:
            column = TABLES["work"].column(gives)
            unit = self._unit(told, column, key)
            values = {word: read_value(answer, column, where) for word, (answer, where) in words.items()}
        self.work.append(WorkRule(header, component, slot, gives, unit, order, comma, meant, values))

    def _words_of(self, header: str, told: Mapping[str, Any], key: str) -> dict[str, tuple[str, str]]:
        """Return the words of a column with their answers: the map's count before the spreadsheet's."""
        written = self._table(told.get("words", {}), f"{key}.words")
        place = f"{self.path}: {key}.words"
        for word, answer in written.items():
            if not isinstance(answer, str):
                raise self._fault(f"{key}.words.{word}", answer, "a text")
        here = {same_word(word): (answer, f"{place}.'{word}'") for word, answer in written.items()}
        return {**self.answers.get(same_word(header), {}), **here}

    def _target(self, target: str, key: str) -> tuple[Table, Column]:
        named, _, field_name = target.rpartition(".")
        tables = [TABLES[named]] if named in TABLES else [TABLES[name] for name in ("sites", "visits")]
        if named and named not in TABLES:
            raise self._fault(
                key, target, f"a field, or table.field with a table of {', '.join(TABLES)}", TABLES
            )
        if named == "work":
            raise self._fault(key, target, "work = a component, with gives = one of " + ", ".join(GIVES))
        for table in tables:
            if field_name in table.names:
                return table, table.column(field_name)
        known = [name for table in tables for name in table.names] + [NOT_USED]
        raise self._fault(key, target, "one of " + ", ".join(dict.fromkeys(known)), known)

    def _unit(self, told: Mapping[str, Any], column: Column, key: str) -> str | None:
        unit = self._text(told, "unit", key)
        if unit is None:
            return None
        measure = column.measure
        found = unit_named(unit, measure)
        if found is None:
            units = tuple(MEASURES[measure])
            accepted = (
                f"for {column.name} one of {', '.join(units)}"
                if units
                else f"no unit: {column.name} has none"
            )
            raise self._fault(f"{key}.unit", unit, accepted, units)
        return found

    def _refuse_gaps(self) -> None:
        mapped = {rule.column.name for rule in self.fields if rule.table.name in ("sites", "visits")}
        others = {rule.table.name for rule in self.fields} - {"sites", "visits"}
        visits = any(rule.table.name == "visits" for rule in self.fields) or bool(self.work)
        needed = ("site_id", "visit_date") if visits else ("site_id",) if mapped else ()
        missing = [name for name in needed if name not in mapped]
        if missing or not (mapped or others):
            raise IntakeError(
                f"{self.path}: no column goes to {missing[0] if missing else 'any field'}; every sheet of "
                "visits "
                'needs one column to = "site_id" and one to = "visit_date"; name them under [column."..."]'
            )

    # -- values ------------------------------------------------------------------------------------------

    def _fault(self, key: str, found: object, accepted: str, known: Collection[str] = ()) -> IntakeError:
        near = f"; the nearest is '{nearest(str(found), known)}'" if known else ""
        return IntakeError(f"{self.path}: {key}: found {found!r}; accepted is {accepted}{near}; correct it")

    def _only(self, told: Mapping[str, Any], known: tuple[str, ...], key: str) -> None:
        for name in told:
            if name not in known:
                where = f"{key}.{name}" if key else name
                raise self._fault(where, name, "one of " + ", ".join(known), known)

    def _table(self, told: Any, key: str) -> Mapping[str, Any]:
        if not isinstance(told, dict):
            raise self._fault(key, told, f"a table: [{key}]")
        return told

    def _text(self, told: Mapping[str, Any], name: str, key: str) -> str | None:
        value = told.get(name)
        if value is not None and not isinstance(value, str):
            raise self._fault(f"{key}.{name}", value, "a text")
        return value

    def _names(self, told: Mapping[str, Any], name: str, key: str) -> tuple[str, ...]:
        value = told.get(name, [])
        several = [value] if isinstance(value, str) else value
        if not isinstance(several, list) or not all(isinstance(one, str) for one in several):
            raise self._fault(f"{key}.{name}", value, "a text, or a list of texts")
        return tuple(several)

    def _one_of(
        self, told: Mapping[str, Any], name: str, known: tuple[str, ...], default: str, key: str
    ) -> str:
        value = self._text(told, name, key)
        if value is None:
            return default
        if value in known:
            return value
        if plain(value) in known:
            return plain(value)
        raise self._fault(f"{key}.{name}", value, "one of " + ", ".join(known), known)


def _key(table: str, header: str) -> str:
    return f'{table}."{header}"'
