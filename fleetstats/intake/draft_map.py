"""Drafts the import map of a sheet, with the reason for each guess, and the spreadsheet of its words."""

import json
import re
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from fleetstats.errors import IntakeError
from fleetstats.intake.draft_headers import ColumnGuess, called_a_date
from fleetstats.intake.draft_sheets import Chosen, choose_sheets, values_of
from fleetstats.intake.draft_words import guess_item, guess_word, guess_work
from fleetstats.intake.fields import TABLES, Column
from fleetstats.intake.import_map import BY_WORD
from fleetstats.intake.near_names import near_names
from fleetstats.intake.units import NumberStyle, in_record_units
from fleetstats.intake.words import ANSWER_COLUMNS, same_word
from fleetstats.intake.written_dates import ORDERS, iso_date, likeliest_order, misfits
from fleetstats.safe_csv import csv_text

_DATES = ("date", "date_or_year")


@dataclass(frozen=True, slots=True)
class Draft:
    """A drafted map: its text, the text of the spreadsheet of words, and what a person should look at."""

    toml: str
    words: str
    told: str


def draft_map(path: Path, *, words_name: str, today: date, components: Collection[str]) -> Draft:
    """Return a first import map of a sheet.

    Parameters
    ----------
    path : Path
        The sheet; of a workbook the sheet with the most recognised columns and rows.
    words_name : str
        The name of the file that the words will be written to, beside the map.
    today : date
        Dates after it speak against an order of day and month.
    components : collection of str
        The components that work may be done on.

    Raises
    ------
    IntakeError
        If the file cannot be read, names a column twice, or shows no column of sites or of dates.
    """
    chosen = choose_sheets(path, components)
    return _Drafting(path, chosen, words_name, today, tuple(components)).draft()


class _Drafting:
    """A map on its way from guesses to text."""

    def __init__(
        self, path: Path, chosen: Chosen, words_name: str, today: date, components: tuple[str, ...]
    ) -> None:
        self.path, self.chosen, self.grid, self.guesses = path, chosen, chosen.grid, chosen.guesses
        self.words_name, self.today, self.components = words_name, today, components
        self.places = {guess.to: i for i, guess in enumerate(self.guesses) if guess.to}
        missing = [name for name in ("site_id", "visit_date") if name not in self.places]
        if missing:
            what = "sites (customer, site, address)" if missing[0] == "site_id" else "dates of visits"
            raise IntakeError(
                f"{path}: no column of {what} was recognised; found are "
                f"{', '.join(filter(None, self.grid.header))}{self._no_dates(missing[0])}; "
                "name that column so in its header, or write the map by hand (README, Your own sheet)"
            )

    def draft(self) -> Draft:
        order, why_order = self._date_order("visit_date")
        comma = self._decimal_comma()
        rows = self._word_rows(comma)
        unknown = sum(not row["guess"] for row in rows if row["column"] != self._site_header)
        head = [
            f"# A first map of {self.path.name}{self._sheet_words()}: {self.grid.rows.height:,} rows.",
            *(f"# Found out: {_comment(told)}." for told in self.grid.told),
            "# Every line is a guess with its reason: read it through, correct what is wrong. The words of "
            "the",
            f"# sheet stand in {self.words_name}: write in its column 'answer' where a guess is wrong.",
            "",
            "[sheet]",
            f"file = {_text(self.path.name)}",
            *self._sheet_keys(),
        ]
        one, why_one = self._one_row_is()
        head += [
            f'one_row_is = "{one}"  # {why_one}',
            f'date_order = "{order}"  # {why_order}',
            f'decimal = "{"comma" if comma else "point"}"',
            f"words = {_text(self.words_name)}",
        ]
        if "visit_id" not in self.places:
            head.append("# no column of visit numbers: a visit is known by its site and date")
        body = [
            line for guess in self.guesses if guess.header
            for line in (*_column(guess), *self._own_order(guess, order))
        ]  # fmt: skip
        told = f"{sum(g.to != 'nothing' for g in self.guesses)} of {len(self.guesses)} columns recognised, "
        told += f"{len(rows)} words listed, {unknown} of them without a guess"
        told += "".join(f"; {note}" for note in self.grid.told)
        answers = csv_text(ANSWER_COLUMNS, ([row.get(name) for name in ANSWER_COLUMNS] for row in rows))
        return Draft("\n".join([*head, *body]) + "\n", answers, told)

    @property
    def _site_header(self) -> str:
        return self.guesses[self.places["site_id"]].header

    def _sheet_words(self) -> str:
        names = [" ".join(name.split()) for name in self.chosen.sheets]
        return f", sheet{'s' if len(names) > 1 else ''} {', '.join(names)}" if names else ""

    def _sheet_keys(self) -> Iterable[str]:
        names = [_text(name) for name in self.chosen.sheets]
        if names:
            others = self.chosen.others
            told = f"  # not read: {', '.join(others)}" if others else ""
            if len(names) > 1:
                told = f"  # all that have this header{told.replace('  #', ';')}"
            yield f"name = {names[0] if len(names) == 1 else '[' + ', '.join(names) + ']'}{_comment(told)}"
        if self.chosen.header_line:
            yield f"header_row = {self.chosen.header_line}"

    def _no_dates(self, missing: str) -> str:
        """Return what to say of a column that is called a date and holds none."""
        for i, guess in enumerate(self.guesses):
            if missing == "visit_date" and guess.to == "nothing" and called_a_date(guess.header):
                like = ", ".join(f"'{value}'" for value in list(dict.fromkeys(values_of(self.grid, i)))[:3])
                return (
                    f"; '{guess.header}' is called a date but holds {like or 'nothing'}: accepted are days, "
                    "as 2026-06-30 or 6/30/2026 (a year alone does not say when)"
                )
        return ""

    # -- the sheet as a whole ----------------------------------------------------------------------------

    def _date_order(self, field: str) -> tuple[str, str]:
        """Return the order of day and month in the column of a field, and how it was found."""
        written = values_of(self.grid, self.places[field])
        told = [value for value in written if not self._any_order(value)]
        if not told:
            return "year_month_day", "all dates are real ones, or say the month in letters"
        order, fits, next_best = likeliest_order(told, today=self.today)
        why = f"{fits:,} of {len(told):,} dates written as text fit this order, {next_best:,} the next best"
        if fits == next_best:
            return order, f"{why}: CHECK THIS, the dates do not tell"
        two = misfits(told, order, today=self.today)
        if two.other_only:
            why += (
                f": CHECK THIS, {two.other_only:,} fit another order alone, so this column holds two; write "
                "them as YYYY-MM-DD"
            )
        return order, why

    def _any_order(self, value: str) -> bool:
        """Return whether a date says the same in any order."""
        days = {iso_date(value, order, today=self.today) for order in ORDERS}
        return len(days) == 1 and None not in days

    def _own_order(self, guess: ColumnGuess, order: str) -> Iterable[str]:
        """Return the key of a column whose dates stand in another order than those of the visits."""
        name = guess.to or ""
        if name == "visit_date" or name not in self.places or _field_of(guess).kind not in _DATES:
            return
        own, why = self._date_order(name)
        if own not in (order, "year_month_day"):
            yield f'date_order = "{own}"  # {why}'

    def _decimal_comma(self) -> bool:
        """Return whether the numbers of the sheet have a comma before the fraction."""
        votes: Counter[bool] = Counter()
        for i, guess in enumerate(self.guesses):
            if _field_of(guess).kind == "number":
                for value in set(values_of(self.grid, i)):
                    votes[True] += bool(re.fullmatch(r"\D?\d+,\d{1,2}\D*", value))
                    votes[False] += bool(re.fullmatch(r"\D?\d+\.\d{1,2}\D*", value))
        return votes[True] > votes[False]

    def _one_row_is(self) -> tuple[str, str]:
        by_word = any(guess.work == BY_WORD for guess in self.guesses)
        names = ["visit_id"] if "visit_id" in self.places else ["site_id", "visit_date"]
        keys = self.grid.rows.select(str(self.places[name]) for name in names).drop_nulls()
        rows = self.grid.rows.select(pl.exclude("line"))
        different, several = keys.unique().height, rows.unique().height - keys.unique().height
        if by_word or several > 0.2 * rows.height:
            return "item", f"{keys.height:,} rows for {different:,} visits: several rows share one"
        return "visit", f"{different:,} visits in {keys.height:,} rows, exact repeats among them"

    # -- words -------------------------------------------------------------------------------------------

    def _word_rows(self, comma: bool) -> list[dict[str, object]]:
        rows: list[dict[str, object]] = []
        for i, guess in enumerate(self.guesses):
            if guess.to == "nothing":
                continue
            written = self.grid.rows[str(i)].drop_nulls().to_list()
            counts = _counted(written)
            if guess.to == "site_id":
                rows += self._near(guess.header, Counter(written))
                continue
            for word, count in counts.items():
                answer, why = self._meaning(guess, word, comma)
                if why:
                    rows.append(
                        dict(zip(ANSWER_COLUMNS, (guess.header, word, count, answer, "", why), strict=True))
                    )
        return rows

    def _meaning(self, guess: ColumnGuess, word: str, comma: bool) -> tuple[str, str]:
        """Return the guess at a word and why; no reason for what needs none: numbers, dates, texts."""
        column = _field_of(guess)
        if guess.work is not None and guess.gives in ("words", "action"):
            told = (
                guess_item(word, self.components)
                if guess.work == BY_WORD
                else guess_work(word, guess.work, guess.header)
            )
            return told.answer, told.why
        if column.kind == "number":
            style = NumberStyle(column.measure, guess.unit, comma)
            if in_record_units(word, style) is not None:
                return "", ""
        elif column.kind in _DATES or column.kind == "text":
            return "", ""
        told = guess_word(word, column)
        return told.answer, told.why

    def _near(self, header: str, counts: Counter[str]) -> list[dict[str, object]]:
        rows: list[dict[str, object]] = []
        for near in near_names(counts):
            guess = near.other if near.same else ""
            how = "but for case, blanks or signs it is" if near.same else "may be the same as"
            why = f"{how} '{near.other}' ({counts[near.other]} rows): write the name to use, or leave blank"
            cells = (header, near.name, counts[near.name], guess, "", why)
            rows.append(dict(zip(ANSWER_COLUMNS, cells, strict=True)))
        return rows


def _counted(written: Sequence[str]) -> dict[str, int]:
    """Return each word once, case and blanks forgiven, most frequent first, in its commonest spelling."""
    counts: Counter[str] = Counter()
    spelt: dict[str, Counter[str]] = {}
    for word in written:
        counts[same_word(word)] += 1
        spelt.setdefault(same_word(word), Counter())[word] += 1
    ranked = sorted(counts, key=lambda key: (-counts[key], key))
    return {min(spelt[key], key=lambda word: (-spelt[key][word], word)): counts[key] for key in ranked}


def _field_of(guess: ColumnGuess) -> Column:
    if guess.work is not None:
        return TABLES["work"].column("action" if guess.gives == "words" else guess.gives)
    for table in ("sites", "visits"):
        if guess.to in TABLES[table].names:
            return TABLES[table].column(guess.to or "")
    return Column("nothing")


def _column(guess: ColumnGuess) -> list[str]:
    told: Mapping[str, str | None] = {"to": guess.to, "work": guess.work, "unit": guess.unit}
    if guess.work is not None and guess.gives != "words":
        told = {**told, "gives": guess.gives}
    keys = [f"{name} = {_text(value)}" for name, value in told.items() if value is not None]
    return ["", f"# {_comment(guess.why)}", f"[column.{_text(guess.header)}]", *keys]


def _text(value: str) -> str:
    """Return a text as a TOML string."""
    return json.dumps(" ".join(value.split()), ensure_ascii=False).replace("\x7f", "\\u007F")


def _comment(value: str) -> str:
    return "".join(char if char.isprintable() else " " for char in value)
