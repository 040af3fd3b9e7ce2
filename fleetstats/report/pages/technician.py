"""The technician's page: this week's stops, the van, what fouls fastest and why, lives by tank and roof."""

import math
from dataclasses import dataclass, replace

import polars as pl

from fleetstats.report import figures, labels, tables, words
from fleetstats.report.figures import Figure
from fleetstats.report.names import file_stem
from fleetstats.report.pages import due, fast, parts, weeks
from fleetstats.report.pages.due import Stop
from fleetstats.report.pages.parts import Fact, Head
from fleetstats.report.results import Results
from fleetstats.report.tables import Column, Table

STOPS_SHOWN = 40
_AGES = (0, 13, 26, 39, 52, 78)


@dataclass(frozen=True, slots=True)
class Effects:
    """How the facts of a site change one component's life, a sentence each."""

    component: str
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Lives:
    """One drawing of lives by a fact, and the numbers behind it."""

    figure: Figure
    numbers: Table


@dataclass(frozen=True, slots=True)
class TechnicianPage:
    """What the technician's page shows."""

    head: Head
    week: tuple[Stop, ...]
    week_told: str
    gauge_told: str
    van: Table
    load: Table
    load_told: str
    ahead: Table
    unexplained: Table
    explained: Table
    effects: tuple[Effects, ...]
    lives: tuple[Lives, ...]
    due: Table
    crews: tuple[Fact, ...]


@dataclass(frozen=True, slots=True)
class CrewPage:
    """One crew's stops of the week on a page of its own, for a phone; without any, which one comes next."""

    head: Head
    crew: str
    week: tuple[Stop, ...]
    week_told: str
    van: Table
    gauge_told: str


def technician_page(results: Results, found: list[Stop]) -> TechnicianPage:
    """Return the technician's page.

    Parameters
    ----------
    found : list of Stop
        As returned by `due.stops`.
    """
    week = due.this_week(found, results.as_of)
    told = f"{words.counted(len(week), 'stop')} due by {words.day(due.week_end(results.as_of))}"
    if len(week) > STOPS_SHOWN:
        told += f"; the {STOPS_SHOWN} most urgent are shown, the rest stand in the list further down"
    crews = [
        Fact(name, words.counted(count, "stop") if count else "none", "", f"crews/{file_stem(name)}.html")
        for name, count in ((name, sum(stop.crew == name for stop in week)) for name in _crews(found))
    ]
    return TechnicianPage(
        head=parts.head(results, "For the technician", "technician"),
        week=tuple(week[:STOPS_SHOWN]),
        week_told=f"{told}.",
        gauge_told=due.gauge_anywhere(results),
        van=due.van_load(results, week),
        load=weeks.load_table(results),
        load_told=weeks.load_told(results),
        ahead=weeks.ahead_table(results),
        unexplained=fast.unexplained(results),
        explained=fast.explained(results),
        effects=effect_sentences(results),
        lives=lives_by_fact(results),
        due=due.due_table(results),
        crews=tuple(crews),
    )


def crew_pages(results: Results, found: list[Stop]) -> list[CrewPage]:
    """Return one page for each crew that has stops to make, this week or later."""
    week = due.this_week(found, results.as_of)
    pages = []
    for crew in _crews(found):
        own = [stop for stop in week if stop.crew == crew]
        page_head = parts.head(results, f"Stops of crew {crew}", root="../", plain=True)
        van = replace(due.van_load(results, own), csv_href="")  # the page goes about alone
        told = "" if own else _next_stop([stop for stop in found if stop.crew == crew])
        pages.append(CrewPage(page_head, crew, tuple(own), told, van, due.gauge_anywhere(results)))
    return pages


def effect_sentences(results: Results) -> tuple[Effects, ...]:
    """Return the effects on life as sentences: "heavy trees: 0.62 of the life, 0.55 to 0.70"."""
    grouped: dict[str, list[str]] = {}
    for row in results.effects.iter_rows(named=True):
        name, power = labels.term(row["term"])
        ratio, low, high = (row[column] ** power for column in ("time_ratio", "low", "high"))
        told = f"{name}: {words.share(ratio)} of the life, {words.share_range(low, high)}"
        if low <= 1.0 <= high:
            told += " (no clear difference yet)"
        grouped.setdefault(row["component"], []).append(told)
    counts = {
        row["component"]: parts.evidence(
            row["spells"], row["failures"], labels.gone(results, row["component"])
        )
        for row in results.families.iter_rows(named=True)
    }
    return tuple(
        Effects(
            labels.component(component) + words.in_brackets(counts.get(component, "")),
            tuple(sentences),
        )
        for component, sentences in grouped.items()
    )


def lives_by_fact(results: Results) -> tuple[Lives, ...]:
    """Return the share still working by age for each component, by tank and by roof, where records allow."""
    found = []
    components = results.curves["component"].unique(maintain_order=True).to_list()
    for component in components:
        for fact, noun in (("tank_material", "tank"), ("roof_material", "roof")):
            rows = results.curves.filter((pl.col("component") == component) & (pl.col("by") == fact))
            rows = rows.with_columns(
                pl.col("level").fill_null("unknown").str.replace_all("_", " ", literal=True)
            )
            title = f"{labels.component(component)} by {noun}: share still working"
            figure = figures.life_curves(f"life-{component}-{noun}".replace("_", "-"), title, rows)
            if figure:
                found.append(Lives(figure, _numbers(results, component, fact, figure)))
    return tuple(found)


def _numbers(results: Results, component: str, fact: str, figure: Figure) -> Table:
    facts = results.sites.select("site_id", pl.col(fact).fill_null("unknown").alias("level"))
    spells = results.spells.filter(pl.col("component") == component).join(facts, on="site_id", how="left")
    rows = []
    for level, *counts in spells.group_by("level").agg(_counts_at_ages()).sort("level").iter_rows():
        triples = zip(*[iter(counts)] * 3, strict=True)
        cells = [tables.number(f"{here} / {spent} / {left}", here) for here, spent, left in triples]
        rows.append((tables.text(labels.plain(level)), *cells))
    gone = labels.gone(results, component)
    columns = (
        Column("level", f"Watched / {gone} / left the record, at weeks"),
        *(Column(f"week_{age}", str(age), True) for age in _AGES),
    )
    return Table(
        f"{figure.figure_id}-numbers", f"{figure.title}: fittings behind the lines", columns, tuple(rows),
        "No fittings.", f"data/{figure.figure_id}.csv",
    )  # fmt: skip


def _counts_at_ages() -> list[pl.Expr]:
    """Watched, spent and left at each age, counted as `sketches.counts_at` does, for a whole fleet."""
    upper = pl.col("upper_days").fill_null(math.inf)
    counts = []
    for age in _AGES:
        spent = (upper <= 7.0 * age).sum()
        left = (upper.is_infinite() & (pl.col("lower_days") <= 7.0 * age)).sum()
        entered = (pl.col("entry_days").fill_null(0.0) <= 7.0 * age).sum()
        counts += [
            expr.cast(pl.Int64).alias(f"{name}{age}")
            for name, expr in (("here", entered - spent - left), ("spent", spent), ("left", left))
        ]
    return counts


def _crews(found: list[Stop]) -> list[str]:
    return sorted({stop.crew for stop in found if stop.crew})


def _next_stop(own: list[Stop]) -> str:
    first = min(own, key=lambda stop: (stop.ends, stop.site_id))
    return f"Nothing due this week; the next stop is {first.name}, {first.when}."
