"""One site's page: its next visit, intervals and lives, history and readings."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import polars as pl

from fleetstats.components import LAMP, Role, role_of
from fleetstats.report import labels, sketches, words
from fleetstats.report.pages import costs, gauges, parts, weeks, why_shown
from fleetstats.report.pages import due as due_page
from fleetstats.report.pages.decided import decisions_at
from fleetstats.report.pages.parts import Fact, Head, Row
from fleetstats.report.results import Results
from fleetstats.report.sketches import Bar, Curves, Lane, Lifetime, Sketch

VISITS_SHOWN = 12
#: One site in ten is among the worst tenth whatever it does; less than this is not worth a word.
WORST_TOLD = 0.2
_ALL_STAGES = "All filters together"
_END_FINDINGS = ("failed", "found_spent")


@dataclass(frozen=True, slots=True)
class Unit:
    """One component at a site: its interval, the sentence that explains it, its life, its curve."""

    name: str
    interval: str
    why: str
    life: str
    chance: str
    evidence: str
    in_place: str
    curve: Sketch | None


@dataclass(frozen=True, slots=True)
class Visit:
    """One past visit: when, why, what was done and found."""

    when: str
    why: str
    done: str


@dataclass(frozen=True, slots=True)
class SitePage:
    """What a site's page shows."""

    head: Head
    name: str
    sheet_href: str
    record_href: str
    notes: tuple[str, ...]
    facts: tuple[Fact, ...]
    next_when: str
    next_tasks: tuple[due_page.Task, ...]
    gauge: str
    history: Sketch | None
    reasons: tuple[str, ...]
    changes: tuple[Fact, ...]
    ahead: tuple[str, ...]
    units: tuple[Unit, ...]
    readings: Sketch | None
    gauge_told: tuple[str, ...]
    visits: tuple[Visit, ...]
    visits_told: str


class Ledger:
    """The results of some sites laid out by site, so that a page needs no search."""

    def __init__(self, results: Results, sites: pl.DataFrame) -> None:
        def own(frame: pl.DataFrame) -> pl.DataFrame:
            return frame.join(sites, on="site_id", how="semi", maintain_order="left")

        visits = own(results.visits).sort(["visit_date", "visit_id"])
        due = own(results.due)
        self.results = results
        self.names = parts.site_names(sites)
        self.visits = parts.by_site(visits)
        self.work: dict[str, list[Row]] = {}
        done = results.work.join(visits, on="visit_id", how="semi", maintain_order="left")
        for row in done.iter_rows(named=True):
            self.work.setdefault(row["visit_id"], []).append(row)
        self.spells = parts.by_site(
            own(results.spells).sort("fitted_on", nulls_last=True, maintain_order=True)
        )
        self.unsafe = parts.by_site(own(results.unsafe_water))
        self.left_out = parts.by_site(own(results.left_out))
        self.readings = parts.by_site(own(results.readings).sort("visit_date", maintain_order=True))
        # of a unit that has gone since nothing is to be expected any more
        self.read_last = parts.by_site(own(results.gauge_last.filter("in_place")))
        self.seen_by = {row["site_id"]: row for row in own(results.gauge_visits).iter_rows(named=True)}
        self.changes = parts.by_site(own(results.changes))
        self.lives = _keyed(own(results.site_life))
        self.curves = _keyed(own(results.life_curves))
        self.intervals = parts.by_site(own(results.intervals))
        self.decided = decisions_at(own(results.limit_costs).iter_rows(named=True))
        self.why = parts.by_site(own(results.why))
        self.why_unit = _keyed(own(results.why))
        self.calendar = parts.by_site(own(results.calendar).sort("visit", maintain_order=True))
        self.in_place = parts.by_site(own(results.in_place))
        self.samples = parts.by_site(own(results.samples).sort("sampled_on", maintain_order=True))
        self.due = parts.by_site(due_page.ordered(results, due))
        self.gauges = due_page.gauge_by_site(results, due)
        self.order = {name: place for place, name in enumerate(results.display.components)}

    def rank(self, component: str) -> int:
        """Return a component's place in the order of the settings; unknown ones come last."""
        return self.order.get(component, len(self.order))


def site_page(ledger: Ledger, site: Row) -> SitePage:
    """Return the page of one site (a row of the sites frame)."""
    site_id, results = site["site_id"], ledger.results
    next_when, tasks = next_stop(ledger, site_id)
    visits = ledger.visits.get(site_id, [])
    return SitePage(
        head=parts.head(results, ledger.names[site_id], root="../", plain=True),
        name=ledger.names[site_id],
        sheet_href=parts.sheet_href(site_id, "../"),
        record_href=parts.record_href(site_id, "../"),
        notes=(*due_page.site_notes(site), *late_notes(ledger, tasks)),
        facts=_facts(site),
        next_when=next_when,
        next_tasks=(*due_page.sample_task(site), *(due_page.task_of(results, row) for row in tasks)),
        gauge=ledger.gauges.get(site_id, ""),
        history=_history(ledger, site_id),
        reasons=_reasons(ledger, site_id),
        changes=why_shown.changes(results, ledger.why.get(site_id, [])),
        ahead=weeks.site_ahead(ledger.calendar.get(site_id, [])),
        units=_units(ledger, site_id),
        readings=_readings(ledger, site_id),
        gauge_told=_gauge_told(ledger, site_id),
        visits=tuple(visit_told(ledger, row) for row in reversed(visits[-VISITS_SHOWN:])),
        visits_told=f"the last {VISITS_SHOWN} of {len(visits)}" if len(visits) > VISITS_SHOWN else "",
    )


def _keyed(frame: pl.DataFrame) -> Mapping[tuple[str, str, str], Row]:
    return {(row["site_id"], row["component"], row["slot"]): row for row in frame.iter_rows(named=True)}


def unit_name(ledger: Ledger, row: Row) -> str:
    """Return a component as it is called, its slot with it."""
    return labels.component(row["component"], row["slot"] or "")


def _reasons(ledger: Ledger, site_id: str) -> tuple[str, ...]:
    found = why_shown.reasons(ledger.why.get(site_id, []))
    few = costs.instead(ledger.results) if found else ""
    return (*found, few) if few else found


def late_notes(ledger: Ledger, tasks: list[Row]) -> tuple[str, ...]:
    """Return a note for each lamp or sleeve that cannot wait."""
    found = []
    for row in tasks:
        if due_page.late(row):
            why = "of unknown age" if row["age_days"] is None else "past its limit"
            found.append(f"{unit_name(ledger, row)} {why}: due now.")
    return tuple(found)


def _facts(site: Row) -> tuple[Fact, ...]:
    found = []
    tank = labels.plain(site["tank_material"])
    if tank:
        since = f", since {site['tank_installed'].year}" if site["tank_installed"] else ""
        litres = f", {words.whole(site['tank_litres'])} litres" if site["tank_litres"] else ""
        found.append(Fact("Tank", f"{tank}{litres}{since}"))
    if site["roof_material"]:
        found.append(Fact("Roof", labels.plain(site["roof_material"])))
    if site["tree_cover"]:
        found.append(Fact("Trees", site["tree_cover"]))
    if site["first_flush"]:
        found.append(Fact("First flush", site["first_flush"]))
    if site["daily_litres"]:
        source = {"meter": "metered", "occupants": "from the people living there"}
        told = source.get(site["daily_litres_source"] or "", "")
        daily = words.whole(words.round_money(site["daily_litres"]))
        found.append(Fact("Water a day", f"{daily} litres", told))
    if site["hardness_mg_l"]:
        found.append(Fact("Hardness", f"{site['hardness_mg_l']:.0f} mg/L"))
    callouts = words.counted(site["callouts"] or 0, "call-out")
    found.append(Fact("On record", f"{words.counted(site['visits'] or 0, 'visit')}, {callouts}"))
    return tuple(found)


def next_stop(ledger: Ledger, site_id: str) -> tuple[str, list[Row]]:
    """Return when the site is next seen, in words, and the lines of the due list for that visit."""
    rows = ledger.due.get(site_id, [])
    if not rows:
        return "", []
    first = min(row["visit_by"] for row in rows)
    chosen = [row for row in rows if row["visit_by"] == first]
    begins: date | None = min((row["visit_from"] for row in chosen if row["visit_from"]), default=None)
    return parts.window(begins, first, ledger.results.as_of), chosen


def lanes(ledger: Ledger, site_id: str) -> list[Lane]:
    """Return the units of each place in order of time, each until it went; what no estimate can use too."""
    as_of = ledger.results.as_of
    found: dict[tuple[int, str], list[Bar]] = {}
    for row in (*ledger.spells.get(site_id, []), *ledger.left_out.get(site_id, [])):
        begins = row["fitted_on"] or row.get("first_seen_on")
        if begins:
            ends = max(row["gone_on"] or as_of, begins)
            key = ledger.rank(row["component"]), unit_name(ledger, row)
            found.setdefault(key, []).append(Bar(begins, ends, row["ended_how"] in _END_FINDINGS))
    return [Lane(key[1], tuple(sorted(found[key]))) for key in sorted(found)]


def _history(ledger: Ledger, site_id: str) -> Sketch | None:
    visits = [(row["visit_date"], row["visit_reason"] == "callout") for row in ledger.visits.get(site_id, [])]
    return sketches.history(
        "history", visits=visits, until=ledger.results.as_of, lanes=lanes(ledger, site_id),
        changes=[(row["changed_on"], labels.change(row["kind"])) for row in ledger.changes.get(site_id, [])],
    )  # fmt: skip


def _units(ledger: Ledger, site_id: str) -> tuple[Unit, ...]:
    held = {(row["component"], row["slot"]): row for row in ledger.in_place.get(site_id, [])}
    planned = {(row["component"], row["slot"]): row for row in ledger.intervals.get(site_id, [])}
    lives: dict[tuple[str, str], list[Row]] = {}
    for row in ledger.spells.get(site_id, []):
        lives.setdefault((row["component"], row["slot"]), []).append(row)
    keys = sorted({*held, *planned, *lives}, key=lambda key: (ledger.rank(key[0]), key))
    return tuple(
        _unit(ledger, (site_id, *key), held.get(key), planned.get(key), parts.lifetimes(lives.get(key, [])))
        for key in keys
    )


def _unit(
    ledger: Ledger, key: tuple[str, str, str], held: Row | None, plan: Row | None, lives: Sequence[Lifetime]
) -> Unit:
    _, component, slot = key
    role = role_of(ledger.results.display.components, component)
    life, grid = ledger.lives.get(key), ledger.curves.get(key)
    name = labels.component(component, slot)
    curves = Curves(*(grid[column] or () for column in ("days", "survival", "low", "high", "like"))) \
        if grid else Curves((), ())  # fmt: skip
    days = plan["interval_days"] if plan else None
    place = f"{component}-{slot}" if slot else component
    why = ledger.why_unit.get(key)
    return Unit(
        name=name,
        interval=_interval(plan),
        why=_held(ledger, plan) if plan else "",
        life=_life(life) if why is None else f"{why['evidence']}{_worst(life)}",
        chance=_chance(plan, role) if why is None else f"{why['alternative']}{_weak(role)}",
        evidence=_evidence(plan, life, role.spent),
        in_place=_in_place(held),
        curve=sketches.life_curve(
            "life-" + "".join(sign if sign.isalnum() else "-" for sign in place),
            name=name, gone=role.spent, curves=curves, interval_days=days, lives=lives,
        ),
    )  # fmt: skip


def _held(ledger: Ledger, plan: Row) -> str:
    """Return what holds an interval, as a sentence; a decision with its day and what was decided."""
    decided = ledger.decided.get(plan["site_id"])
    if plan["limited_by"] == "decision" and decided:
        return f"{words.sentence(decided)} holds it there."
    next_visit = labels.next_visit_sentence(
        plan["limited_by"], plan["hard_limit_days"], plan["interval_days"]
    )
    if next_visit:
        return next_visit
    return labels.limit_sentence(plan["limited_by"], plan["limit_source"])


def _interval(plan: Row | None) -> str:
    if plan is None:
        return "No interval worked out"
    every = {1: "every visit", 2: "every second visit", 3: "every third visit", 4: "every fourth visit"}
    often = every.get(plan["every_n_visits"] or 0)
    today = words.weeks(plan["current_interval_days"])
    told = words.weeks(plan["interval_days"]) + (f", {often}" if often else "")
    return f"{told} (today {today})" if plan["current_interval_days"] else told


def _life(life: Row | None) -> str:
    if life is None:
        return "No life worked out: too few records."
    spread = words.week_range(life["low_days"], life["high_days"])
    told = f"Half last beyond {words.weeks(life['median_days'])}" + (f" (range {spread})" if spread else "")
    if life["relative_life"] is None:
        return f"{told}."
    range_told = words.in_brackets(words.share_range(life["relative_low"], life["relative_high"]))
    told += f"; {words.share(life['relative_life'])} of the life at sites like it{range_told}"
    return f"{told}.{_worst(life)}"


def _worst(life: Row | None) -> str:
    worst = life["worst_tenth_chance"] if life else None
    if worst is None or worst < WORST_TOLD:
        return ""
    return f" Truly among the worst tenth: {words.chance(worst)}."


def _weak(role: Role) -> str:
    return " A weak lamp is not visible in these records." if role is LAMP else ""


def _chance(plan: Row | None, role: Role) -> str:
    if plan is None or plan["failure_chance"] is None:
        return ""
    spread = words.in_brackets(words.chance_range(plan["failure_chance_low"], plan["failure_chance_high"]))
    told = f"A fresh unit is {role.spent} before then: {words.chance(plan['failure_chance'])}{spread}"
    if plan["failure_chance_current"] is not None:
        told += f"; under today's rule {words.chance(plan['failure_chance_current'])}"
    return f"{told}.{_weak(role)}"


def _evidence(plan: Row | None, life: Row | None, gone: str) -> str:
    source = labels.EVIDENCE.get((plan or {}).get("evidence") or "", "")
    row = plan if plan and plan["spells"] is not None else life
    counts = parts.evidence(row["spells"], row["failures"], gone) if row else ""
    return " – ".join(text for text in (source, counts) if text)


def _in_place(held: Row | None) -> str:
    if held is None:
        return "nothing on record"
    if held["removed"]:
        return "taken out, nothing in place"
    part = f"{held['part_number']}, " if held["part_number"] else ""
    told = f"{part}{parts.put_in(held)}"
    if held["age_days"] is None:
        return told
    return f"{told} ({words.weeks(held['age_days'])} ago)"


def _readings(ledger: Ledger, site_id: str) -> Sketch | None:
    series: dict[str, list[tuple[date, float]]] = {}
    limits = []
    for row in ledger.readings.get(site_id, []):
        if row["read_before_work"] is False or row["drop_kpa"] is None:
            continue
        name = unit_name(ledger, row) if row["component"] else _ALL_STAGES
        series.setdefault(name, []).append((row["visit_date"], row["drop_kpa"]))
        shown = ledger.results.display.components.get(row["component"] or "")
        if shown and shown.pressure_limit_kpa:
            limits.append(shown.pressure_limit_kpa)
    return sketches.readings(
        "readings", series=series, limit_kpa=min(limits, default=None), renewed=_renewed(ledger, site_id),
        expected=gauges.expected(ledger.read_last.get(site_id, []), ledger.results.display),
    )  # fmt: skip


def _renewed(ledger: Ledger, site_id: str) -> dict[str, list[date]]:
    """Return the days on which a cartridge went in, for each by its name and for all in line together."""
    found: dict[str, list[date]] = {_ALL_STAGES: []}
    for row in ledger.spells.get(site_id, []):
        shown = ledger.results.display.components.get(row["component"])
        if row["fitted_on"] and shown and shown.pressure_limit_kpa:
            found.setdefault(unit_name(ledger, row), []).append(row["fitted_on"])
            found[_ALL_STAGES].append(row["fitted_on"])
    return found


def _gauge_told(ledger: Ledger, site_id: str) -> tuple[str, ...]:
    display = ledger.results.display
    told = [gauges.last_words(display, row) for row in ledger.read_last.get(site_id, [])]
    return tuple(text for text in (*told, gauges.visit_words(ledger.seen_by.get(site_id), display)) if text)


def visit_told(ledger: Ledger, row: Row, *, part: bool = False) -> Visit:
    """Return one visit in words; with `part`, the numbers of the parts that went in too."""
    why = labels.REASONS.get(row["visit_reason"] or "", labels.plain(row["visit_reason"]))
    cause = labels.CAUSES.get(row["callout_cause"] or "", labels.plain(row["callout_cause"]))
    done = []
    for work in ledger.work.get(row["visit_id"], []):
        told = f"{unit_name(ledger, work)} {labels.ACTIONS.get(work['action'] or '', 'seen to')}"
        if work["condition"] and work["condition"] != "unknown" and work["action"] != "fitted":
            told += f", found {labels.CONDITIONS.get(work['condition'], labels.plain(work['condition']))}"
        if part and work["part_number"] and work["action"] in ("fitted", "replaced"):
            told += f", part {work['part_number']}"
        done.append(told)
    return Visit(words.day(row["visit_date"]), f"{why}: {cause}" if cause else why, "; ".join(done))
