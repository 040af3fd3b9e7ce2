"""Writes an invented fleet to a folder of CSV files: the only file of this room that touches the disk."""

from pathlib import Path

from fleetstats.outputs import write_files
from fleetstats.sample.fleet import InventedFleet, invent_fleet
from fleetstats.sample.slips import as_text, with_slips


def write_fleet(
    fleet: InventedFleet, folder: str | Path, *, slips: bool = True, replace: bool = False
) -> int:
    """Return the number of rows written, one CSV file a table; the same fleet gives the same bytes.

    Parameters
    ----------
    slips : bool
        Plant the few slips of the pen that a real ledger holds.
    replace : bool
        Write over files that are there.

    Raises
    ------
    OutputError
        If a file is there already, or cannot be written.
    """
    place = Path(folder)
    tables = fleet.tables
    text = with_slips(tables) if slips else {name: as_text(frame) for name, frame in tables.items()}
    files = {place / f"{name}.csv": frame.write_csv().encode("utf-8") for name, frame in text.items()}
    write_files(files, replace=replace)
    return sum(frame.height for frame in text.values())


def write_sample(sites: int, folder: str | Path, seed: int = 0, *, replace: bool = False) -> int:
    """Return the number of rows of an invented fleet of `sites` homes and five years, written to `folder`."""
    return write_fleet(invent_fleet(sites, seed=seed), folder, replace=replace)
