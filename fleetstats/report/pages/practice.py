"""How today was priced: by what is done with young parts at planned visits, and against the last year."""

import math
from datetime import timedelta

import polars as pl

from fleetstats.components import plural_of
from fleetstats.quantities import Z90
from fleetstats.report import words
from fleetstats.report.pages.parts import Row
from fleetstats.report.results import Results

#: A share renewed that is no more than this is told as the plan's own way.
_HARDLY_EVER = 0.05
_ENDS = ("failed", "found_spent")


def practised(results: Results) -> str:
    """Return how planned visits treat young parts today, in sentences; empty where nothing was counted."""
    table = results.todays_practice
    counts = table.group_by("component", maintain_order=True).agg(
        pl.col("visits", "renewed").sum(), told=pl.col("share").is_not_null().any()
    )
    rows = [row for row in counts.iter_rows(named=True) if row["visits"]]
    priced = [row for row in rows if row["told"] and not _as_planned(row)]
    alike = [_parts(row) for row in rows if row["told"] and _as_planned(row)]
    thin = [row for row in rows if not row["told"]]
    told = []
    if priced:
        told.append(
            "Some parts go in between two planned visits and could stay at the next one, but are renewed "
            f"there all the same: in the last two years {words.listed([_count(row) for row in priced])}. "
            "Today's cost counts this habit; the plan leaves such parts in."
        )
    if alike:
        told.append(f"{words.sentence(words.listed(alike))} were left in, as in the plan.")
    if thin:
        counted = [f"{_parts(row)} ({words.counted(row['visits'], 'such visit')})" for row in thin]
        told.append(f"For {words.listed(counted)} no habit shows yet: today is priced as if they stayed in.")
    return " ".join(told)


def _as_planned(row: Row) -> bool:
    return bool(row["renewed"] <= _HARDLY_EVER * row["visits"])


def _parts(row: Row) -> str:
    return plural_of(row["component"])


def _count(row: Row) -> str:
    return f"{_parts(row)} at {words.whole(row['renewed'])} of {words.counted(row['visits'], 'visit')}"


def on_record(results: Results, model: Row | None) -> str:
    """Return what the last twelve months brought at the sites planned, against the model's call-outs."""
    year = pl.lit(results.as_of - timedelta(days=365))
    visits = results.visits.filter(pl.col("visit_date") > year)
    visits = visits.join(results.plans, on="site_id", how="semi")
    called = int((visits["visit_reason"] == "callout").sum())
    told = f"On record at these sites in the twelve months before: {words.counted(called, 'call-out')}"
    counted = called
    if results.spells.height:
        ended = _announced_ends(results).filter(pl.col("ended_on") > year)["ended_how"]
        counted, found = ended.len(), int((ended == "found_spent").sum())
        told += (
            f", and {words.counted(counted, 'part')} at the end of a life that households notice, "
            f"{words.whole(found)} of them found so at planned visits"
        )
    today = (model or {}).get("current")
    if today is None:
        return f"{told}."
    low, high = ((model or {}).get(f"current_{end}") for end in ("low", "high"))
    chance = Z90 * math.sqrt(counted)
    if counted + chance < (today if low is None else low):
        held = "are more than that year had"
    elif counted - chance > (today if high is None else high):
        held = "are fewer than that year had"
    else:
        held = "agree with it, within their range and the chance of one year"
    return (
        f"{told}. The call-outs expected under today's rule {held}. Every such end is counted as one of its "
        "own, though one call-out may serve two parts, and no leaks, pumps and the like are. Both columns "
        "count in the same way."
    )


def _announced_ends(results: Results) -> pl.DataFrame:
    """Return the spells at the sites planned that ended spent or dead where households notice it."""
    announced = [name for name, shown in results.display.components.items() if shown.announced]
    ended = pl.col("component").is_in(announced) & pl.col("ended_how").is_in(_ENDS)
    return results.spells.filter(ended).join(results.plans, on="site_id", how="semi")
