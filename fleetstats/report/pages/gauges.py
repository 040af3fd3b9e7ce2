"""What pressure gauges say, in the reader's words: how far a cartridge had come, when to change it."""

from __future__ import annotations

import polars as pl

from fleetstats.advice.due_words import share_words
from fleetstats.report import labels, words
from fleetstats.report.pages.parts import Row
from fleetstats.report.results import Display, Results
from fleetstats.report.sketches.pressure import Expected

_DOUBT = "If the gauge is doubtful, change it."


def stop_words(results: Results) -> dict[str, str]:
    """Return, for each site with a number of its own, the drop at which each cartridge is changed."""
    lines: dict[str, list[str]] = {}
    for row in results.at_stop.iter_rows(named=True):
        lines.setdefault(row["site_id"], []).append(_stop_line(results.display, row))
    read = set(results.at_stop.filter(pl.col("change_at_kpa").is_not_null())["site_id"])
    return {site: " ".join([*told, *([_DOUBT] if site in read else [])]) for site, told in lines.items()}


def _stop_line(display: Display, row: Row) -> str:
    lasts = words.chance(row["lasts_chance"])
    if not row["component"]:
        return (
            f"Across all filters together: change them at {row['change_at_kpa']:.0f} kPa or more, "
            f"tap running; below it they last to the visit after, {lasts}."
        )
    name = labels.component(display, row["component"], row["slot"] or "")
    if row["why"] == "calendar":
        return f"{name}: change it when its age asks for it, whatever the gauge says."
    if row["change_at_kpa"] is None:
        return f"{name}: change it; even a clean reading does not promise that it lasts to the visit after."
    return (
        f"{name}: change it at {row['change_at_kpa']:.0f} kPa or more across its housing, tap running; "
        f"below it lasts to the visit after, {lasts}."
    )


def last_words(display: Display, row: Row) -> str:
    """Return what the last reading says of the unit in place."""
    name = labels.component(display, row["component"], row["slot"] or "").lower()
    where = "across all filters" if row["across_all"] else "across its housing"
    read = f"The reading of {words.day(row['last_read_on'])} ({row['drop_kpa']:.0f} kPa {where})"
    if row["doubtful"]:
        return f"{read} is doubtful: it does not fit what else is known of the {name}, and hardly counts."
    share, spread = share_words(row["share_spent"], row["share_low"], row["share_high"])
    told = (
        f"{read} says this {name} had used {share} of its life{words.in_brackets(spread)}; it should be "
        f"spent about {words.month(row['expected_end'])} ({words.month(row['end_low'])} to "
        f"{words.month(row['end_high'])}). From {words.counted(row['readings'], 'reading')} of it."
    )
    if row["faulty_on"]:
        told += f" The reading of {words.day(row['faulty_on'])} looks faulty and is not counted."
    return told


def visit_words(row: Row | None, display: Display) -> str:
    """Return when a site should next be seen by its gauges, beside the plan's date."""
    if row is None:
        return ""
    plan = words.day(row["plan_visit_by"])
    if row["why"] != "gauge":
        return f"Its gauges ask for no visit before the one planned by {plan}."
    name = labels.component(display, row["component"], row["slot"] or "").lower()
    when = words.day(row["seen_by"])
    return f"By the gauge of its {name} this site should be seen by {when}; the plan says by {plan}."


def expected(rows: list[Row], display: Display) -> Expected | None:
    """Return the expected drop for the drawing: of the unit read across its own housing last."""
    own = [row for row in rows if not row["across_all"] and not row["doubtful"] and row["days"]]
    if not own:
        return None
    row = max(own, key=lambda found: (found["last_read_on"], found["component"]))
    shown = display.components.get(row["component"])
    return Expected(
        labels.component(display, row["component"], row["slot"] or ""),
        row["fitted_on"],
        tuple(row["days"]), tuple(row["kpa"]), tuple(row["low_kpa"]), tuple(row["high_kpa"]),
        row["expected_end"], shown.pressure_limit_kpa if shown else None,
    )  # fmt: skip
