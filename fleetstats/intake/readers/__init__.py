"""Readers of the files that records come in: each makes grids of text, with the line each row stands on."""

from fleetstats.intake.readers.choose import READABLE, read_grids, sheet_names
from fleetstats.intake.readers.grid import Grid, Misshapen, find_header

__all__ = ["READABLE", "Grid", "Misshapen", "find_header", "read_grids", "sheet_names"]
