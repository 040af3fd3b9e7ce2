"""What every reader makes: a grid of text under a header, and how the header is found."""

import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
import polars as pl

from fleetstats.errors import IntakeError

#: The header is looked for among so many rows that hold anything.
ROWS_SEARCHED = 30
_NUMBER_OR_DATE = re.compile(r"[\s\d.,:/+$€£%T-]+")

#: Gives how well the cells of a row suit as a header; the first best row is it.
HeaderScore = Callable[[Sequence[str]], float]


@dataclass(frozen=True, slots=True)
class Misshapen:
    """One line of a file whose number of fields is not that of the header."""

    line: int
    text: str
    reason: str


@dataclass(frozen=True, slots=True)
class Grid:
    """The rows of one sheet under its header, all as text.

    `rows` has the columns "0", "1", ... in the order of `header`, white space round a cell taken off and
    blank as null, and `line` (Int64): the line or row of the file that the row starts on. `header_line` is
    that of the header. `told` says what was found out about the file (encoding, separator, line ends).
    """

    file: str
    sheet: str | None
    header: tuple[str, ...]
    header_line: int
    rows: pl.DataFrame
    misshapen: tuple[Misshapen, ...] = ()
    told: tuple[str, ...] = ()
    decimal_comma: bool = False

    @property
    def place(self) -> str:
        """Return the file, and the sheet of a workbook, as messages name them."""
        return self.file if self.sheet is None else f"{self.file}, sheet {self.sheet}"


def find_header(rows: Sequence[Sequence[str | None]]) -> int:
    """Return which of the first rows of a sheet is its header.

    A title above the table fills a cell or two; the header is the first row that fills nearly as many cells
    as any other and holds words only.
    """
    looked = rows[:ROWS_SEARCHED]
    widths = [sum(bool((cell or "").strip()) for cell in row) for row in looked]
    enough = max(1.0, 0.6 * max(widths, default=0))
    for number, (row, width) in enumerate(zip(looked, widths, strict=True)):
        cells = [cell.strip() for cell in row if cell and cell.strip()]
        if width >= enough and not any(_NUMBER_OR_DATE.fullmatch(cell) for cell in cells):
            return number
    return 0


def best_header(rows: Sequence[Sequence[str | None]], score: HeaderScore | None) -> int:
    """Return which of the first rows is the header: the first with the best score, or the likeliest."""
    if score is None or not rows:
        return find_header(rows)
    scores = [score([cell or "" for cell in row]) for row in rows[:ROWS_SEARCHED]]
    return int(np.argmax(scores))


def trimmed(frame: pl.DataFrame, *, bare: bool = False) -> pl.DataFrame:
    """Return the rows that hold anything but white space, without the white space round each field.

    Parameters
    ----------
    bare : bool
        No field has white space round it: nothing to take off.
    """
    fields = pl.exclude("line")
    frame = frame if bare else frame.with_columns(fields.str.strip_chars())
    hollow = [column.name for column in frame.select((fields == "").any()) if column.item()]
    frame = frame.with_columns(pl.when(pl.col(name) != "").then(pl.col(name)) for name in hollow)
    blank = pl.all_horizontal(fields.is_null())
    # asked first, as taking rows out copies the others
    return frame.remove(blank) if frame.select(blank.any()).item() else frame


def numbered(frame: pl.DataFrame, first_line: int) -> pl.DataFrame:
    """Return text under columns "0", "1", ... with the `line` of each row, counted from the first."""
    lines = pl.Series("line", np.arange(first_line, first_line + frame.height), dtype=pl.Int64)
    return frame.rename(dict(zip(frame.columns, map(str, range(frame.width)), strict=True))).with_columns(
        lines
    )


def written(frame: pl.DataFrame) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """Return a typed frame as text, and the names of the columns left out: those of lists or bytes."""
    nested = tuple(
        name for name, kind in frame.schema.items() if kind.is_nested() or kind in {pl.Binary, pl.Object}
    )
    return frame.drop(nested).select(pl.all().cast(pl.String)), nested


@contextmanager
def library_reads(file: str, kind: str, remedy: str) -> Iterator[None]:
    """Turn whatever a reading library stumbles over into an IntakeError.

    Raises
    ------
    IntakeError
        Naming the file, what it should be and what to do.
    """
    try:
        yield
    except IntakeError:
        raise
    except (KeyboardInterrupt, SystemExit):
        raise
    except BaseException as exc:  # a panic of a compiled reader is no Exception
        found = str(exc).strip().split("\n", 1)[0][:200] or type(exc).__name__
        raise IntakeError(
            f"{file}: cannot be read as {kind}, it may be damaged or cut off ({found}); {remedy}"
        ) from exc
