"""Turns the rows of a sheet into rows of the tables of records, as an import map says."""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby

import polars as pl

from fleetstats.errors import IntakeError
from fleetstats.intake.fields import TABLES, Column, nearest, plain
from fleetstats.intake.import_map import BY_WORD, FieldRule, ImportMap, WorkRule
from fleetstats.intake.readers import Grid
from fleetstats.intake.units import NOT_READ, NumberStyle, in_record_units
from fleetstats.intake.words import WorkWord, read_work, same_word
from fleetstats.intake.written_dates import iso_date, misfits

_YES_NO = {
    **dict.fromkeys(("y", "yes", "true", "1"), "yes"),
    **dict.fromkeys(("n", "no", "false", "0"), "no"),
}
_WORK_FIELDS = ("component", "action", "condition", "part_number", "fitted_on", "pressure_drop_kpa")


@dataclass(frozen=True, slots=True)
class MappedRows:
    """The rows of one sheet as fields, before any is judged; all text, blank as null.

    `cells` is the sheet as written (`line` and its headers), exact repeats left out; their lines are
    `repeats`. `facts` holds the site's fields of every line with `visit_date` (None: the sheet makes no
    sites); `visits` a row a visit, or a row a line where no visit can be told; `line_visits` the visit of
    each line that belongs to one; `work` a row for each component that something was done to, of visits that
    can be accepted only; `others` the rows of any other table. Each frame carries `line`.
    """

    cells: pl.DataFrame
    repeats: tuple[int, ...]
    facts: pl.DataFrame | None
    visits: pl.DataFrame | None
    line_visits: pl.DataFrame
    work: pl.DataFrame | None
    others: Mapping[str, pl.DataFrame]
    blanks: Mapping[str, int]
    notes: tuple[str, ...] = ()


def map_rows(grid: Grid, rules: ImportMap, *, today: date, components: Sequence[str]) -> MappedRows:
    """Return the rows of a sheet as fields of the tables of records.

    Raises
    ------
    IntakeError
        If the map names a column that the sheet does not have, or has twice.
    """
    cells = _cells(grid, rules)
    written = [name for name in cells.columns if name != "line"]
    first = cells.unique(subset=written, keep="first", maintain_order=True)
    repeats = cells.join(first.select("line"), on="line", how="anti")["line"].to_list()
    reader = _CellReader(rules, today, components)
    fields = reader.fields(first, rules.fields)
    fields = _with_visit_ids(fields, rules.one_row_is)
    has_visits = "visit_date" in fields.columns
    good = fields.filter(_can_be_accepted(today)) if has_visits else fields
    work = reader.work(first.join(good.select("line"), on="line", how="semi"), rules.work)
    return MappedRows(
        cells=first,
        repeats=tuple(repeats),
        facts=_facts(fields, good, rules),
        visits=_visits(fields, good, rules) if has_visits else None,
        line_visits=good.select("line", "visit_id") if has_visits else fields.select("line"),
        work=work.join(good.select("line", "visit_id"), on="line") if has_visits else None,
        others=_others(fields, rules),
        blanks=dict(reader.blanks),
        notes=tuple(reader.notes),
    )


def _cells(grid: Grid, rules: ImportMap) -> pl.DataFrame:
    """Return the sheet under the headers as the map spells them, those the map does not use by their own."""
    places: dict[str, list[int]] = {}
    for i, name in enumerate(grid.header):
        places.setdefault(same_word(name), []).append(i)
    chosen: dict[int, str] = {}
    for header in rules.headers:
        found = places.get(same_word(header), [])
        if len(found) > 1:
            raise IntakeError(
                f"{grid.place}: the header names '{header}' {len(found)} times; accepted is each column of "
                "the map once; rename one in the sheet"
            )
        if not found:
            raise IntakeError(
                f"{grid.place}: has no column '{header}', which the map {rules.path} names; found are "
                f"{', '.join(filter(None, grid.header))}; the nearest is '{nearest(header, grid.header)}': "
                "correct the map or the sheet"
            )
        chosen[found[0]] = header
    rest = {i: name for i, name in enumerate(grid.header) if i not in chosen and name}
    for i, name in rest.items():
        taken = set(chosen.values())
        chosen[i] = name if name not in taken and name != "line" else f"{name} ({i + 1})"
    return grid.rows.select("line", *(pl.col(str(i)).alias(name) for i, name in sorted(chosen.items())))


class _CellReader:
    """Reads the cells of a sheet under the rules of a map, and counts those that say no more than a blank."""

    def __init__(self, rules: ImportMap, today: date, components: Sequence[str]) -> None:
        self.rules, self.today, self.components = rules, today, components
        self.blanks: Counter[str] = Counter()
        self.notes: list[str] = []

    def fields(self, cells: pl.DataFrame, rules: Iterable[FieldRule]) -> pl.DataFrame:
        """Return `line` and every field; where several columns fill one, the first that is not blank."""
        found: dict[str, pl.Series] = {"line": cells["line"]}
        for rule in rules:
            name = rule.column.name
            if rule.table.name not in ("sites", "visits") and name != "site_id":
                name = f"{rule.table.name}.{name}"
            style = NumberStyle(rule.column.measure, rule.unit, rule.decimal_comma)
            read = self._reading(rule.words, rule.column, style, rule.date_order)
            values = self._translated(cells[rule.header], read, rule.words)
            if rule.column.kind in ("date", "date_or_year"):
                self._weigh_order(cells[rule.header], rule)
            found[name] = found[name].zip_with(found[name].is_not_null(), values) if name in found else values
        return pl.DataFrame(found)

    def work(self, cells: pl.DataFrame, rules: Sequence[WorkRule]) -> pl.DataFrame:
        """Return a row for each line and component that the line says something of."""
        text = dict.fromkeys(("component", "slot", *_WORK_FIELDS[1:]), pl.String)
        frames = [pl.DataFrame(schema={"line": pl.Int64, **text})]
        ordered = sorted(rules, key=lambda rule: (rule.component, rule.slot))
        for (component, slot), group in groupby(ordered, key=lambda rule: (rule.component, rule.slot)):
            found = dict.fromkeys(_WORK_FIELDS, pl.Series([None] * cells.height, dtype=pl.String))
            for rule in group:
                for name, values in self._work_columns(cells[rule.header], rule).items():
                    found[name] = found[name].zip_with(found[name].is_not_null(), values)
            telling = ("component", "action") if component == BY_WORD else _WORK_FIELDS
            said = pl.DataFrame({"line": cells["line"], **found}).filter(
                pl.any_horizontal(pl.col(telling).is_not_null())
            )
            seen = pl.col("condition").is_not_null() | pl.col("pressure_drop_kpa").is_not_null()
            looked = pl.when(pl.col("action").is_null() & seen).then(pl.lit("inspected"))
            named = pl.lit(component) if component != BY_WORD else pl.col("component")
            frames.append(
                said.with_columns(
                    looked.otherwise(pl.col("action")).alias("action"),
                    named.alias("component"),
                    pl.lit(slot or None, pl.String).alias("slot"),
                )
            )
        return pl.concat(frames, how="diagonal").sort("line", maintain_order=True)

    def _work_columns(self, written: pl.Series, rule: WorkRule) -> dict[str, pl.Series]:
        if rule.gives != "words":
            column = TABLES["work"].column(rule.gives)
            style = NumberStyle(column.measure, rule.unit, rule.decimal_comma)
            read = self._reading(rule.values, column, style, rule.date_order)
            return {rule.gives: self._translated(written, read, rule.values)}
        meant: dict[str, WorkWord] = {}
        for text in written.drop_nulls().unique().to_list():
            meant[text] = self._work_word(text, rule)
        self._count_blanks(written, rule.words)
        parts = ("component", "action", "condition") if rule.component == BY_WORD else ("action", "condition")
        return {part: _replaced(written, {t: getattr(w, part) for t, w in meant.items()}) for part in parts}

    def _work_word(self, text: str, rule: WorkRule) -> WorkWord:
        word = same_word(text)
        if word in rule.words:
            return rule.words[word]
        if word in self.rules.blanks:
            return WorkWord()
        named = self.components if rule.component == BY_WORD else ()
        try:
            return read_work(text, "", named)
        except IntakeError:  # handed on as it is written, so that it is set aside under its own name
            return WorkWord(text if named else None, text)

    def _reading(
        self, words: Mapping[str, str | None], column: Column, style: NumberStyle, order: str
    ) -> Callable[[str], str | None]:
        """Return what reads a cell of a column; what it cannot read it hands on as written, to be refused."""

        def read(written: str) -> str | None:
            word = same_word(written)
            text = words.get(word, None if word in self.rules.blanks else written)
            if text is None:
                return None
            if column.kind == "number":
                return in_record_units(text, style) or text + NOT_READ
            if column.kind in ("date", "date_or_year"):
                return iso_date(text, order, today=self.today) or text
            if column.kind == "yes_no":
                return _YES_NO.get(same_word(text), text)
            return plain(text) if plain(text) in column.words else text

        return read

    def _translated(
        self, written: pl.Series, read: Callable[[str], str | None], words: Mapping[str, object]
    ) -> pl.Series:
        self._count_blanks(written, words)
        return _replaced(written, {text: read(text) for text in written.drop_nulls().unique().to_list()})

    def _weigh_order(self, written: pl.Series, rule: FieldRule) -> None:
        """Note a column in which some dates are one in another order alone: others may be read wrongly."""
        found = misfits(written.drop_nulls().to_list(), rule.date_order, today=self.today)
        if found.other_only:
            self.notes.append(
                f"CHECK '{rule.header}': {found.other_only:,} of its dates are none as "
                f"{rule.date_order.replace('_', ', ')} but are one in another order, so {found.either:,} "
                "more that fit both may be read wrongly: write those dates as YYYY-MM-DD, or correct "
                "date_order in the map"
            )

    def _count_blanks(self, written: pl.Series, words: Mapping[str, object]) -> None:
        for text, count in written.drop_nulls().value_counts().rows():
            word = same_word(text)
            if (words[word] is None) if word in words else (word in self.rules.blanks):
                self.blanks[text] += count


def _replaced(written: pl.Series, meanings: Mapping[str, str | None]) -> pl.Series:
    if not meanings:
        return written
    return written.replace_strict(
        list(meanings), list(meanings.values()), default=None, return_dtype=pl.String
    )


def _with_visit_ids(fields: pl.DataFrame, one_row_is: str) -> pl.DataFrame:
    """Return the fields with a visit_id on every line.

    Where the sheet gives none it is made of both; further visits to a site on one day get a number.
    """
    if "visit_date" not in fields.columns:
        return fields
    given = pl.col("visit_id") if "visit_id" in fields.columns else pl.lit(None, pl.String)
    made = pl.col("site_id").fill_null("?") + "@" + pl.col("visit_date").fill_null("?")
    fields = fields.with_columns(given.alias("_given"), made.alias("_made"))
    nth = pl.int_range(pl.len()).over("_made", pl.col("_given").is_null()) + 1
    several = pl.lit(one_row_is == "visit") & (nth > 1)
    full = pl.when(several).then(pl.col("_made") + "#" + nth.cast(pl.String)).otherwise("_made")
    return fields.with_columns(pl.coalesce("_given", full).alias("visit_id")).drop("_given", "_made")


def _can_be_accepted(today: date) -> pl.Expr:
    """Return whether the fields that every visit needs are there: the judges of the records then agree."""
    day = pl.col("visit_date").str.to_date("%Y-%m-%d", strict=False)
    return (
        pl.col("site_id").is_not_null()
        & pl.col("visit_id").is_not_null()
        & day.is_between(date(1900, 1, 1), today).fill_null(value=False)
    )


def _of_table(fields: pl.DataFrame, rules: ImportMap, table: str, *also: str) -> pl.DataFrame:
    names = [rule.column.name for rule in rules.fields if rule.table.name == table]
    wanted = [name for name in dict.fromkeys((*also, *names)) if name in fields.columns]
    return fields.select("line", *wanted)


def _facts(fields: pl.DataFrame, good: pl.DataFrame, rules: ImportMap) -> pl.DataFrame | None:
    """Return what the lines say of sites; one without a visit to accept is none: a line of totals."""
    told = any(
        rule.table.name in ("sites", "visits") and rule.column.name != "site_id" for rule in rules.fields
    )
    others = any(rule.table.name not in ("sites", "visits") for rule in rules.fields)
    if others and not told:
        return None
    return _of_table(
        fields.join(good.select("site_id"), on="site_id", how="semi"), rules, "sites", "site_id", "visit_date"
    )


def _visits(fields: pl.DataFrame, good: pl.DataFrame, rules: ImportMap) -> pl.DataFrame:
    visits = _of_table(fields, rules, "visits", "visit_id", "site_id", "visit_date")
    if rules.one_row_is == "visit":
        return visits
    keys = ["visit_id", "site_id", "visit_date"]
    told = visits.join(good.select("line"), on="line", how="semi")
    rest = [pl.col(name).drop_nulls().last() for name in visits.columns if name not in (*keys, "line")]
    folded = told.group_by(keys, maintain_order=True).agg(pl.col("line").first(), *rest)
    others = visits.join(good.select("line"), on="line", how="anti")
    return pl.concat([folded.select(visits.columns), others]).sort("line")


def _others(fields: pl.DataFrame, rules: ImportMap) -> dict[str, pl.DataFrame]:
    found: dict[str, pl.DataFrame] = {}
    for table in dict.fromkeys(rule.table.name for rule in rules.fields):
        if table in ("sites", "visits"):
            continue
        own = {name: name.partition(".")[2] for name in fields.columns if name.startswith(table + ".")}
        rows = fields.filter(pl.any_horizontal(pl.col(list(own)).is_not_null()))
        site = ["site_id"] if "site_id" in fields.columns and "site_id" in TABLES[table].names else []
        found[table] = rows.select("line", *site, *own).rename(own)
    return found
