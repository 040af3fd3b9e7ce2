"""Chooses the sheets that a map is drafted of: the one most like a service log, and those with its header."""

from collections.abc import Collection, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

import polars as pl

from fleetstats.errors import IntakeError
from fleetstats.intake.draft_headers import ColumnGuess, guess_columns
from fleetstats.intake.files import refuse_twins
from fleetstats.intake.import_map import BLANKS
from fleetstats.intake.readers import Grid, read_grids, sheet_names
from fleetstats.intake.readers.choose import file_bytes
from fleetstats.intake.set_aside import refuse_set_aside
from fleetstats.intake.words import same_word


@dataclass(frozen=True, slots=True)
class Chosen:
    """What a map is drafted of.

    `grid` holds the rows of all sheets in `sheets` (none: the file has no sheets), `guesses` a guess for each
    of its columns, `others` the sheets that are not read; `header_line` is None where it differs.
    """

    grid: Grid
    guesses: tuple[ColumnGuess, ...]
    sheets: tuple[str, ...]
    others: tuple[str, ...]
    header_line: int | None


def choose_sheets(path: Path, components: Collection[str]) -> Chosen:
    """Return the sheets of a file that look most like a service log: a firm may keep one a year.

    Raises
    ------
    IntakeError
        If the file cannot be read, or names a column twice.
    """
    data = file_bytes(path)
    names = sheet_names(data, path)
    grids = [] if names else read_grids(data, path)
    for name in names:
        with suppress(IntakeError):  # an empty sheet beside the log is no fault
            grids += read_grids(data, path, sheets=[name])
    if not grids:
        raise IntakeError(
            f"{path}: none of its sheets holds a table; accepted is a header row and rows below it"
        )
    best = max(grids, key=lambda grid: _likeness(grid, components))
    refuse_set_aside(best.header, best.place)
    refuse_twins(best.header, best.place)
    alike = _alike(best, grids)
    rows = pl.concat([grid.rows for grid in alike])
    told = tuple(dict.fromkeys(note for grid in alike for note in grid.told))
    whole = replace(best, rows=rows, told=told)
    sheets = tuple(grid.sheet for grid in alike if grid.sheet is not None)
    lines = {grid.header_line for grid in alike}
    return Chosen(
        whole,
        tuple(_guesses(whole, components)),
        sheets,
        tuple(name for name in names if name not in sheets),
        lines.pop() if len(lines) == 1 else None,
    )


def _likeness(grid: Grid, components: Collection[str]) -> int:
    known = sum(guess.to != "nothing" for guess in _guesses(grid, components))
    return known * min(grid.rows.height, 50)


def _alike(best: Grid, grids: Sequence[Grid]) -> list[Grid]:
    """Return the best sheet and those with the same header that are no copies of one taken already."""
    header = [same_word(name) for name in best.header]
    taken = [best]
    for grid in grids:
        if grid is best or [same_word(name) for name in grid.header] != header or not grid.rows.height:
            continue
        cells = [name for name in best.rows.columns if name != "line"]
        known = pl.concat([one.rows for one in taken])
        if grid.rows.join(known, on=cells, how="semi", nulls_equal=True).height * 2 < grid.rows.height:
            taken.append(grid)
    return [grid for grid in grids if any(grid is one for one in taken)]


def _guesses(grid: Grid, components: Collection[str]) -> list[ColumnGuess]:
    headers = [" ".join(name.split()) for name in grid.header]
    return guess_columns(headers, [values_of(grid, i) for i in range(len(headers))], components)


def values_of(grid: Grid, i: int) -> list[str]:
    """Return what stands in a column, cells left out that say no more than a blank."""
    found: list[str] = grid.rows[str(i)].drop_nulls().to_list()
    return [value for value in found if same_word(value) not in BLANKS]
