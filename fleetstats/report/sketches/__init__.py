"""Small drawings for pages without script, as coordinates: life curve, history, readings, need by month."""

from fleetstats.report.sketches.drawing import Label, Sketch, Stroke
from fleetstats.report.sketches.history import Bar, Lane, history
from fleetstats.report.sketches.life import Counts, Curves, Lifetime, counts_at, life_curve
from fleetstats.report.sketches.need import Need, need_by_month
from fleetstats.report.sketches.pressure import readings

__all__ = [
    "Bar",
    "Counts",
    "Curves",
    "Label",
    "Lane",
    "Lifetime",
    "Need",
    "Sketch",
    "Stroke",
    "counts_at",
    "history",
    "life_curve",
    "need_by_month",
    "readings",
]
