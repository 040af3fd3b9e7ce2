"""One `Results`: everything the pages show, as display values and polars frames."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import polars as pl

from fleetstats.settings import Settings
from fleetstats.tables import TABLES


class Results:
    """What an analysis found, as the pages need it: its day, what is printed with it, and its tables.

    A table is an attribute of its name (`results.due`), with the columns and types that pages read by
    `fleetstats.tables`: others are dropped, those it lacks are blank, a table that is not given has no rows.

    Parameters
    ----------
    as_of : date
        The day up to which the records were read; printed on every page.
    display : Settings
        Those of the analysis, each component with the rule that is in force today.
    version : str
        Of the program, printed on every page.
    **tables : polars frame

    Raises
    ------
    StoreError
        If a column holds what cannot be read.
    """

    def __init__(self, as_of: date, display: Settings, version: str = "", **tables: pl.DataFrame) -> None:
        unknown = tables.keys() - TABLES.keys()
        if unknown:
            raise TypeError(f"no result table {', '.join(sorted(unknown))} is declared")
        self.as_of = as_of
        self.display = display
        self.version = version
        self.tables: Mapping[str, pl.DataFrame] = {
            name: table.for_pages(tables.get(name, pl.DataFrame()))
            for name, table in TABLES.items()
            if table.shown
        }

    def __getattr__(self, name: str) -> pl.DataFrame:
        try:
            found: pl.DataFrame = self.__dict__["tables"][name]
        except KeyError:
            raise AttributeError(f"pages read no result table '{name}'; see fleetstats.tables") from None
        return found

    def replaced(self, *, display: Settings | None = None, **tables: pl.DataFrame) -> Results:
        """Return the same results with other tables, or printed otherwise."""
        return Results(self.as_of, display or self.display, self.version, **{**self.tables, **tables})
