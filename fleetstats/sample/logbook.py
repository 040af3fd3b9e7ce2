"""The words of the records as codes, and the logbook that visits are written into, day by day."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

REASONS: Final = ("routine", "callout", "commission", "other")
ROUTINE, CALLOUT, COMMISSION, OTHER = range(4)

CAUSES: Final = (
    "", "low_pressure", "uv_alarm", "taste_odour", "leak", "discoloured", "pump", "tank_empty", "other",
)  # fmt: skip
NO_CAUSE, LOW_PRESSURE, UV_ALARM, TASTE_ODOUR, LEAK = range(5)
MISHAPS: Final = (4, 5, 6, 7, 8)  # causes that no unit's wear brings about

ACTIONS: Final = ("fitted", "replaced", "cleaned", "inspected", "removed")
FITTED, REPLACED, CLEANED, INSPECTED, REMOVED = range(5)

CONDITIONS: Final = (
    "", "good", "loaded", "blocked", "scaled", "failed", "expired", "leaking", "damaged", "unknown",
)  # fmt: skip
UNWRITTEN, GOOD, LOADED, BLOCKED, SCALED, FAILED, EXPIRED, LEAKING, DAMAGED, UNKNOWN = range(10)


@dataclass(slots=True)
class Logbook:
    """Rows of visits and of work as blocks of arrays, in the order they were written.

    A block of work names its visit by `visit`, the visit's place in the book.
    """

    visit_blocks: list[Mapping[str, NDArray[Any]]] = field(default_factory=list)
    work_blocks: list[Mapping[str, NDArray[Any]]] = field(default_factory=list)
    visits: int = 0

    def write(self, visits: Mapping[str, NDArray[Any]], work: Mapping[str, NDArray[Any]], count: int) -> None:
        """Add the visits of one day, and their work, whose `visit` counts from 0 within the block."""
        self.visit_blocks.append(visits)
        self.work_blocks.append({**work, "visit": work["visit"] + self.visits})
        self.visits += count

    def gathered(self) -> tuple[dict[str, NDArray[Any]], dict[str, NDArray[Any]]]:
        """Return all visits and all work, one array a column; both empty when nothing was written."""
        return _joined(self.visit_blocks), _joined(self.work_blocks)


def _joined(blocks: list[Mapping[str, NDArray[Any]]]) -> dict[str, NDArray[Any]]:
    """Return the blocks one after another, column by column."""
    names = list(blocks[0]) if blocks else []
    return {name: np.concatenate([block[name] for block in blocks]) for name in names}
