"""Load, analyse, report: the whole path, readable as a table of contents."""

from collections.abc import Callable, Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Literal, cast

import polars as pl

from fleetstats.advice.evidence import costs_to_tell
from fleetstats.advice.unsafe import unsafe_water
from fleetstats.advice.what_if import what_if_tables
from fleetstats.errors import StoreError
from fleetstats.intake.accept import LoadReport
from fleetstats.intake.set_aside import SET_ASIDE
from fleetstats.life.learn import ComponentLife
from fleetstats.outputs import check_folder
from fleetstats.pipeline.counts import fleet_counts, records_held
from fleetstats.pipeline.forecast import forecast_stock, stock_past
from fleetstats.pipeline.gauge_units import UnitsNow, units_now
from fleetstats.pipeline.gauges import gauge_tables, gauges_told
from fleetstats.pipeline.in_force import TodaysRule, settings_table, todays_rule
from fleetstats.pipeline.lives import learn_fleet, life_tables
from fleetstats.pipeline.looking_back import look_back, second_opinions
from fleetstats.pipeline.own_sheet import load_records, write_blank, write_draft
from fleetstats.pipeline.plans import FleetPlan, plan_fleet
from fleetstats.pipeline.printed import opinion_words, replay_words, summary
from fleetstats.pipeline.reading_worth import reading_worth_table
from fleetstats.pipeline.reasons import reason_tables
from fleetstats.pipeline.sensitivity import sensitivity
from fleetstats.pipeline.shown import kept_results
from fleetstats.pipeline.since_last import earlier_intervals, since_last
from fleetstats.report.pages.why import why_table
from fleetstats.report.site import REPORT, write_site
from fleetstats.resources import folder
from fleetstats.settings import Settings, default_settings
from fleetstats.store import Relations, Store

__all__ = [
    "analyse", "build", "demo", "load", "replay", "report", "write_blank", "write_draft",
]  # fmt: skip

Progress = Callable[[str], None]
Audience = Literal["all", "supplier"]
#: Past dates that every analysis looks back from; the replay command looks back from more.
ORIGINS_BY_THE_WAY, ORIGINS_ON_REQUEST = 2, 8
#: The family that every analysis asks an independent library about; the replay command asks about all.
OPINION_BY_THE_WAY = ("weibull",)
_REASONED_FROM = ("intervals", "site_life", "spells", "known_reasons", "limit_costs")
_RELATIONS_KEPT = (
    "sites", "visits", "work", "in_place", "spells", "left_out", "readings", "changes", "parts", "samples",
    "site_limits", "decisions",
)  # fmt: skip


def load(
    paths: Sequence[Path],
    *,
    store: Path | str,
    settings: Settings,
    today: date,
    progress: Progress,
    import_map: Path | None = None,
    set_aside: Path | None = None,
) -> LoadReport:
    """Return what became of every file of records read into the store."""
    _check_set_aside(set_aside)
    progress("reading records")
    with Store(store) as held:
        return load_records(
            held, paths, settings=settings, today=today, import_map=import_map, set_aside=set_aside
        )


def analyse(*, store: Path | str, settings: Settings, as_of: date | None, progress: Progress) -> str:
    """Return in a few words what the analysis found; its tables are kept in the store."""
    with Store(store) as held:
        return _analyse(held, settings, as_of, progress)


def report(
    *,
    store: Path | str,
    settings: Settings | None,
    as_of: date | None,
    out: Path,
    audience: str,
    progress: Progress,
) -> Path:
    """Return the first page of the report of the last analysis, written into the folder `out`."""
    check_folder(out, REPORT)
    with Store(store, read_only=True) as held:
        results = kept_results(held, as_of=as_of, settings=settings)
    progress("writing pages")
    return write_site(results, out, audience=cast("Audience", audience))


def build(
    paths: Sequence[Path],
    *,
    out: Path,
    store: Path | str,
    settings: Settings,
    as_of: date | None,
    today: date,
    progress: Progress,
    import_map: Path | None = None,
    set_aside: Path | None = None,
) -> tuple[LoadReport, str, Path]:
    """Return the load report, the summary and the first page, after load, analyse and report."""
    check_folder(out, REPORT)
    _check_set_aside(set_aside)
    with Store(store) as held:
        progress("reading records")
        loaded = load_records(
            held, paths, settings=settings, today=today, import_map=import_map, set_aside=set_aside
        )
        found = _analyse(held, settings, as_of, progress)
        progress("writing pages")
        return loaded, found, write_site(kept_results(held, as_of=None, settings=None), out)


def demo(out: Path, *, today: date, progress: Progress) -> tuple[LoadReport, str, Path]:
    """Return what `build` returns, for the sample records, with a store that is forgotten afterwards."""
    return build(
        [folder("sample_data")],
        out=out,
        store=":memory:",
        settings=default_settings(),
        as_of=None,
        today=today,
        progress=progress,
    )


def _check_set_aside(folder: Path | None) -> None:
    if folder is not None:
        check_folder(folder, SET_ASIDE)


def replay(*, store: Path | str, settings: Settings, as_of: date | None, progress: Progress) -> str:
    """Return in words how forecasts made at past dates fared, and the second opinion; both are kept."""
    with Store(store) as held:
        day = _as_of(held, as_of)
        now = held.relations(as_of=day, settings=settings)
        found = look_back(
            held, settings, as_of=day, most_origins=ORIGINS_ON_REQUEST, progress=progress, now=now
        )
        progress("asking an independent library")
        opinion = second_opinions(now)
        held.keep_also({**found, "second_opinion": opinion})
    return f"{replay_words(found['replay'])}\n\n{opinion_words(opinion)}"


def _analyse(store: Store, settings: Settings, as_of: date | None, progress: Progress) -> str:
    day = _as_of(store, as_of)
    progress("making spells")
    relations = store.relations(as_of=day, settings=settings)
    progress("learning lives")
    lives = learn_fleet(relations, settings)
    if not lives:
        raise StoreError(
            f"store {store.path}: the records hold visits but no work on any component up to {day}; "
            f"accepted are rows of work on {', '.join(settings.components)}; load them and analyse again"
        )
    rule = todays_rule(relations, settings)
    progress("planning visits")
    now, plan = _planned(relations, settings, lives, rule)
    progress("forecasting stock")
    results = {
        **_what_is_known(store, relations, settings, lives, rule),
        **_what_is_advised(plan, relations, rule),
        **gauge_tables(relations, settings, lives, now, plan.visits.intervals, plan.due),
        **forecast_stock(relations, settings, lives, rule, plan),
        "stock_past": stock_past(store, settings, relations=relations),
        **look_back(
            store, settings, as_of=day, most_origins=ORIGINS_BY_THE_WAY, progress=progress, now=relations
        ),
        "second_opinion": second_opinions(relations, OPINION_BY_THE_WAY),
        "sensitivity": sensitivity(relations, settings, lives, plan.units, rule),
        "reading_worth": reading_worth_table(relations, settings, lives, rule, plan),
        **since_last(earlier_intervals(store, as_of=day), plan.visits.intervals, relations, settings),
    }
    results["why"] = why_table(
        components=settings.components,
        **{name: results[name] for name in _REASONED_FROM},
        plans=costs_to_tell(results["plans"], results["evidence_levels"]),
        levels=results["evidence_levels"],
        currency=settings.currency,
    )
    store.keep(results, as_of=day)
    return summary(relations, plan.visits.plans, plan.visits.levels, settings.currency)


def _planned(
    relations: Relations, settings: Settings, lives: Mapping[str, ComponentLife], rule: TodaysRule
) -> tuple[dict[str, UnitsNow], FleetPlan]:
    """Return what the gauges say of the units in place, and the plan that counts it in."""
    now = units_now(relations, lives)
    spent_by = {name: units.spent_by for name, units in now.items()}
    return now, plan_fleet(relations, settings, lives, rule, spent_by, gauges_told(relations, now))


def _what_is_known(
    store: Store,
    relations: Relations,
    settings: Settings,
    lives: Mapping[str, ComponentLife],
    rule: TodaysRule,
) -> dict[str, pl.DataFrame]:
    rated = {name: terms.rated_life(None) for name, terms in rule.terms.items() if terms.lamp}
    return {
        **{name: getattr(relations, name) for name in _RELATIONS_KEPT},
        "warnings": relations.checks,
        **life_tables(lives, relations),
        **reason_tables(lives, relations, settings),
        "todays_rule": rule.told,
        "todays_practice": rule.practice,
        "records_held": records_held(store),
        "fleet_counts": fleet_counts(relations, rated_days=rated),
        "settings_used": settings_table(settings),
    }


def _what_is_advised(plan: FleetPlan, relations: Relations, rule: TodaysRule) -> dict[str, pl.DataFrame]:
    return {
        "plans": plan.visits.plans,
        "intervals": plan.visits.intervals,
        "evidence_levels": plan.visits.levels,
        "totals": plan.visits.totals,
        "limit_costs": with_deciders(plan.visits.limit_costs, relations.decisions),
        "blocked_total": plan.visits.blocked_total,
        "due": plan.due,
        "unsafe_water": unsafe_water(
            sites=relations.sites, units=plan.units, components=rule.terms, as_of=relations.as_of
        ),
        "calendar": plan.calendar,
        "weekly_load": plan.weekly_load,
        "fixes": plan.fixes,
        "starting_intervals": plan.starting,
        **what_if_tables(plan.visits),
    }


def with_deciders(costs: pl.DataFrame, decisions: pl.DataFrame) -> pl.DataFrame:
    """Return what limits and decisions cost with who decided, `decided_by` (null = a limit, or not noted)."""
    who = decisions.select("site_id", "decided_on", decided_by="by").unique(["site_id", "decided_on"])
    return costs.drop("decided_by", strict=False).join(
        who, on=["site_id", "decided_on"], how="left", maintain_order="left"
    )


def _as_of(store: Store, as_of: date | None) -> date:
    latest = store.latest_visit()
    if latest is None:
        raise StoreError(f"store {store.path}: holds no visits yet; load records first: fleetstats load PATH")
    return as_of or latest
