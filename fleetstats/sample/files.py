"""Writes an invented fleet to a folder of CSV files: the only file of this room that touches the disk."""

from pathlib import Path

from fleetstats.errors import FleetstatsError
from fleetstats.sample.fleet import InventedFleet, invent_fleet
from fleetstats.sample.slips import as_text, with_slips


def write_fleet(fleet: InventedFleet, folder: str | Path, *, slips: bool = True) -> int:
    """Return the number of rows written, one CSV file a table; the same fleet gives the same bytes.

    Parameters
    ----------
    slips : bool
        Plant the few slips of the pen that a real ledger holds.

    Raises
    ------
    FleetstatsError
        If the folder cannot be made or written to.
    """
    place = Path(folder)
    tables = fleet.tables
    text = with_slips(tables) if slips else {name: as_text(frame) for name, frame in tables.items()}
    try:
        place.mkdir(parents=True, exist_ok=True)
        for name, frame in text.items():
            (place / f"{name}.csv").write_bytes(frame.write_csv().encode("utf-8"))
    except OSError as error:
        raise FleetstatsError(
            f"sample: the folder '{place}' cannot be written ({error.strerror}); "
            "a folder that may be made or written to is needed; give another with --out"
        ) from error
    return sum(frame.height for frame in text.values())


def write_sample(sites: int, folder: str | Path, seed: int = 0) -> int:
    """Return the number of rows of an invented fleet of `sites` homes and five years, written to `folder`."""
    return write_fleet(invent_fleet(sites, seed=seed), folder)
