"""What pressure gauges say, in the reader's words: how far a cartridge had come, when to change it."""

from fleetstats.advice.due_words import share_words
from fleetstats.report import labels, words
from fleetstats.report.pages.parts import Row
from fleetstats.report.results import Results
from fleetstats.report.sketches.pressure import Expected
from fleetstats.settings import Settings

_DOUBT = "If the gauge is doubtful, change it."


def stop_words(results: Results) -> dict[str, str]:
    """Return, for each site with a number of its own, the drop at which each cartridge is changed."""
    by_site: dict[str, list[Row]] = {}
    for row in results.at_stop.iter_rows(named=True):
        by_site.setdefault(row["site_id"], []).append(row)
    return {site: " ".join(_stop_lines(results.display, rows)) for site, rows in by_site.items()}


def _stop_lines(display: Settings, rows: list[Row]) -> list[str]:
    """Return a line for each number, one for all that go by age, one for all that are changed anyway."""
    by_age = [_name(display, row) for row in rows if row["why"] == "calendar"]
    others = [
        row for row in rows if row["change_at_kpa"] is None and row["why"] not in ("calendar", "across_all")
    ]
    always = [_name(display, row) for row in others if not row["stays"]]
    staying = [row for row in others if row["stays"]]
    numbers = [row for row in rows if row["change_at_kpa"] is not None]
    lines = [_number_line(display, row) for row in numbers]
    if always:
        them, lasts = ("it", "it lasts") if len(always) == 1 else ("them", "they last")
        lines.append(
            f"{_together(always)}: change {them}; even a clean reading does not promise that {lasts} to the "
            "visit after."
        )
    if staying:
        them, lasts = ("it", "it lasts") if len(staying) == 1 else ("them", "they last")
        named, lasting = (
            _together([_name(display, row) for row in staying]),
            words.chance(staying[0]["lasts_chance"]),
        )
        lines.append(
            f"{named}: young enough to stay by the plan, though the reading to be expected is no {lasting} "
            f"that {lasts} to the visit after; change {them} where the flow is weak."
        )
    if by_age:
        them, their = ("it", "its") if len(by_age) == 1 else ("them", "their")
        lines.append(
            f"{_together(by_age)}: change {them} when {their} age asks for it, whatever the gauge says."
        )
    return [*lines, _DOUBT] if numbers else lines


def _name(display: Settings, row: Row) -> str:
    return labels.component(row["component"], row["slot"] or "")


def _together(names: list[str]) -> str:
    return words.listed([names[0], *(name[0].lower() + name[1:] for name in names[1:])])


def _number_line(display: Settings, row: Row) -> str:
    lasts = words.chance(row["lasts_chance"])
    if not row["component"]:
        named = [labels.component(name) for name in (row["tells_of"] or "").split(",") if name]
        them = "them" if len(named) != 1 else f"the {named[0][0].lower()}{named[0][1:]}"
        last = "they last" if len(named) != 1 else "it lasts"
        return (
            f"Across all filters together: change {them} at {row['change_at_kpa']:.0f} kPa or more, "
            f"tap running; below that {last} to the visit after, {lasts}."
        )
    return (
        f"{_name(display, row)}: change it at {row['change_at_kpa']:.0f} kPa or more across its housing, tap "
        f"running; below that it lasts to the visit after, {lasts}."
    )


def last_words(display: Settings, row: Row) -> str:
    """Return what the last reading says of the unit in place."""
    name = labels.in_sentence(row["component"], row["slot"] or "")
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


def visit_words(row: Row | None, display: Settings) -> str:
    """Return when a site should next be seen by its gauges, beside the plan's date."""
    if row is None:
        return ""
    plan = words.day(row["plan_visit_by"])
    if row["why"] != "gauge":
        return f"Its gauges ask for no visit before the one planned by {plan}."
    name = labels.in_sentence(row["component"], row["slot"] or "")
    when = words.day(row["seen_by"])
    return f"By the gauge of its {name} this site should be seen by {when}; the plan says by {plan}."


def expected(rows: list[Row], display: Settings) -> Expected | None:
    """Return the expected drop for the drawing: of the unit read across its own housing last."""
    own = [row for row in rows if not row["across_all"] and not row["doubtful"] and row["days"]]
    if not own:
        return None
    row = max(own, key=lambda found: (found["last_read_on"], found["component"]))
    shown = display.components.get(row["component"])
    return Expected(
        labels.component(row["component"], row["slot"] or ""),
        row["fitted_on"],
        tuple(row["days"]), tuple(row["kpa"]), tuple(row["low_kpa"]), tuple(row["high_kpa"]),
        row["expected_end"], shown.pressure_limit_kpa if shown else None,
    )  # fmt: skip
