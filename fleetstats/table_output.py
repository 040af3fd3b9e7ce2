"""Result tables as text, CSV, JSON or Parquet: what `fleetstats table` prints or writes."""

from io import BytesIO
from pathlib import Path
from typing import Final

import polars as pl

from fleetstats.errors import StoreError
from fleetstats.outputs import write_files
from fleetstats.safe_csv import guarded_frame
from fleetstats.store import Store
from fleetstats.tables import described

#: Columns that a table printed as text leaves out; every other form has them.
_FOR_MACHINES: Final = ("content_hash", "row_mark", "record")


def list_tables(store: Path | str, out: Path | None = None, *, replace: bool = False) -> str | None:
    """Return every table of the store with its columns, units and meanings, or None after writing that."""
    with Store(store, read_only=True) as held:
        tables = held.tables()
    if not tables:
        raise StoreError(f"store {store}: holds no tables yet; load records first: fleetstats load PATH")
    text = "\n\n".join(described(name, columns) for name, columns in tables.items()) + "\n"
    if out is None:
        return text
    _write(out, text.encode(), store, replace)
    return None


def write_table(
    store: Path | str, name: str, form: str, out: Path | None, *, replace: bool = False
) -> str | None:
    """Return a table as text, or None after writing it into the file `out`.

    Parameters
    ----------
    store : Path or str
    name : str
    form : {"text", "csv", "parquet", "json"}
    out : Path or None
        Parquet needs a file.
    replace : bool
        Write over a file that is there; never over the store.

    Raises
    ------
    StoreError
        If there is no such table, a Parquet table is to be printed, or `out` is the store.
    OutputError
        If the file is there already, or cannot be written.
    """
    with Store(store, read_only=True) as held:
        frame = held.table(name)
    if form == "parquet" and out is None:
        raise StoreError("table: Parquet cannot be printed; name a file with --out FILE.parquet")
    text = "" if form == "parquet" else {"text": _as_text, "csv": _as_csv, "json": _as_json}[form](frame)
    if out is None:
        return text
    packed = BytesIO()
    if form == "parquet":
        frame.write_parquet(packed)
    _write(out, packed.getvalue() or text.encode(), store, replace)
    return None


def _write(out: Path, data: bytes, store: Path | str, replace: bool) -> None:
    if out.exists() and out.samefile(store):
        raise StoreError(f"{out}: is the store itself; name another file with --out")
    write_files({out: data}, replace=replace)


def _as_text(frame: pl.DataFrame) -> str:
    """Return a table to be read on a screen, without the columns that are for machines."""
    frame = frame.drop(_FOR_MACHINES, strict=False)
    with pl.Config(
        tbl_rows=-1, tbl_cols=-1, tbl_width_chars=60_000, fmt_str_lengths=200, tbl_hide_dataframe_shape=True,
        tbl_hide_column_data_types=True, tbl_formatting="NOTHING", fmt_table_cell_list_len=3,
    ):  # fmt: skip
        return str(frame)


def _as_csv(frame: pl.DataFrame) -> str:
    lists = [name for name, kind in frame.schema.items() if isinstance(kind, pl.List)]
    flat = frame.with_columns(pl.col(name).cast(pl.List(pl.String)).list.join(" ") for name in lists)
    return guarded_frame(flat).write_csv()


def _as_json(frame: pl.DataFrame) -> str:
    return frame.write_json() + "\n"
