"""Invented results of any size, plausible enough to draw, for the tests of the report.

Nothing here is computed by the product: lives are drawn and plans made up, so that pages can be looked at
and tested by themselves.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl

from fleetstats.components import OTHER, default_component
from fleetstats.pipeline.in_force import component_terms
from fleetstats.report import Results
from fleetstats.settings import Settings

AS_OF = date(2026, 11, 20)
BEGIN = date(2022, 3, 1)
#: Customary days, middle life, spread, announced, part numbers, limit.
KINDS: dict[str, tuple[str, float, float, float, tuple[str, ...], str]] = {
    "sediment_cartridge": ("Sediment cartridge", 182.0, 210.0, 0.45, ("SED-A", "SED-B"), "cost"),
    "carbon_cartridge": ("Carbon cartridge", 182.0, 300.0, 0.4, ("CARB-A",), "ceiling"),
    "uv_lamp": ("UV lamp", 365.0, 480.0, 0.2, ("LAMP-A", "LAMP-B"), "rated_life"),
    "quartz_sleeve": ("Quartz sleeve", 182.0, 260.0, 0.4, ("SLV-A",), "few_records"),
}
SILLY_NAMES = {0: "<script>alert(1)</script>", 1: "=cmd", 2: 'Fern & Hollow "upper" house'}
GRID = [7.0 * week for week in range(105)]


def shown(table: object, column: str) -> list[str]:
    """Return what a column of a page's table shows, row by row."""
    names = [item.name for item in table.columns]  # type: ignore[attr-defined]
    return [row[names.index(column)].shown for row in table.rows]  # type: ignore[attr-defined]


def unit(**more: object) -> dict[str, object]:
    """Return a row of one lamp at site a, changed as asked."""
    return {"site_id": "a", "component": "uv_lamp", "slot": "", **more}


def display() -> Settings:
    """Return the settings as they would be printed."""
    components = {
        name: component_terms(replace(default_component(name, OTHER), planned_cost=45.0), custom)
        for name, (_, custom, *_) in KINDS.items()
    }
    return Settings(local_rule_days=180.0, local_rule_source="12VAC5-635-320, Table 5", components=components)


def invent(sites: int = 24, seed: int = 7) -> Results:
    """Return invented results for a fleet of `sites` sites."""
    draw = np.random.default_rng(seed)
    rows = _sites(sites, draw)
    visits, work, spells, in_place, readings = _histories(rows, draw)
    site_life, intervals, plans, due, life_curves = _advice(rows, in_place, draw)
    counts = pl.DataFrame(visits, orient="row").group_by("site_id").agg(
        pl.len().alias("visits"), (pl.col("visit_reason") == "callout").sum().alias("callouts"),
        pl.col("visit_date").min().alias("first_visit_on"), pl.col("visit_date").max().alias("last_visit_on"),
    )  # fmt: skip
    frame = pl.DataFrame(rows).join(counts, on="site_id", how="left", maintain_order="left")
    worst = frame.sort("callouts", descending=True).head(6)["site_id"].to_list()
    return Results(
        as_of=AS_OF, display=display(), version="0.1.0", sites=frame, visits=pl.DataFrame(visits), work=pl.DataFrame(work),
        unsafe_water=pl.DataFrame(
            {
                "site_id": [row["site_id"] for row in rows[3:5]],
                "why": ["failed_sample", "open_alarm"][: len(rows[3:5])],
            }
        ),
        spells=pl.DataFrame(spells), in_place=pl.DataFrame(in_place), readings=pl.DataFrame(readings),
        site_life=pl.DataFrame(site_life), intervals=pl.DataFrame(intervals), plans=pl.DataFrame(plans),
        due=pl.DataFrame(due), life_curves=pl.DataFrame(life_curves),
        fixes=pl.DataFrame([
            {"site_id": site, "callouts_per_year": 3.1, "cost_per_year": 1440.0, "cost_per_year_like": 610.0,
             "worth_per_year": 830.0, "worth_low": 520.0, "worth_high": 1150.0} for site in worst
        ]),
        changes=pl.DataFrame(
            [{"site_id": rows[0]["site_id"], "changed_on": date(2024, 6, 1), "kind": "roof"}]
        ),
        left_out=_left_out(rows), curves=_curves(), **_fleet(sites, draw), **_ahead(rows),
    )  # fmt: skip


def _sites(count: int, draw: np.random.Generator) -> list[dict[str, Any]]:
    tanks, roofs = ["concrete", "poly", "steel"], ["metal", "asphalt_shingle", "clay_tile"]
    rows = []
    for index in range(count):
        left = index % 17 == 16
        rows.append({
            "site_id": f"HB-{index:04d}", "site_name": SILLY_NAMES.get(index, f"Heron Bay {index}"),
            "tank_material": tanks[index % 3], "tank_installed": date(2005 + index % 18, 7, 1),
            "tank_litres": 22700.0, "roof_material": roofs[(index // 3) % 3],
            "tree_cover": ["none", "some", "heavy"][int(draw.integers(3))],
            "first_flush": bool(draw.integers(2)), "occupants": float(draw.integers(1, 6)),
            "occupancy": "all_year", "left_on": date(2025, 9, 1) if left else None, "region": "bay",
            "crew": ["north", "south"][index % 2], "served": not left, "lost_to_view": False,
            "daily_litres": float(draw.gamma(4.0, 110.0)), "daily_litres_source": "meter",
            "hardness_mg_l": float(draw.gamma(3.0, 25.0)), "failed_sample_open": index == 3,
            "open_alarm": index == 4,
        })  # fmt: skip
    return rows


def _histories(rows: list[dict[str, Any]], draw: np.random.Generator) -> tuple[list[dict[str, Any]], ...]:
    visits: list[dict[str, Any]] = []
    work: list[dict[str, Any]] = []
    spells: list[dict[str, Any]] = []
    in_place: list[dict[str, Any]] = []
    readings: list[dict[str, Any]] = []
    for number, site in enumerate(rows):
        factor = float(np.exp(draw.normal(0.0, 0.35)))
        until = site["left_on"] or AS_OF
        seen: dict[date, tuple[str, bool]] = {}
        for component, (_, custom, middle, spread, part_numbers, _) in KINDS.items():
            when = BEGIN + timedelta(days=number % 60)
            key = {"site_id": site["site_id"], "component": component, "slot": ""}
            while when < until:
                life = middle * factor * float(np.exp(draw.normal(0.0, spread)))
                days = round(min(life, custom))
                ends, spent = when + timedelta(days=max(days, 20)), life < custom
                part = part_numbers[number % len(part_numbers)]
                visit = seen.setdefault(when, (f"{site['site_id']}-{when:%y%m%d}", False))
                work.append({
                    "visit_id": visit[0], "component": component, "slot": "", "action": "replaced",
                    "condition": "blocked" if spent else "good", "part_number": part,
                })  # fmt: skip
                open_yet = ends >= until
                spells.append({
                    **key, "chapter": 1, "part_number": part, "fitted_on": when,
                    "ended_on": None if open_yet else ends, "gone_on": None if open_yet else ends,
                    "ended_how": "in_place" if open_yet else "failed" if spent else "taken_out",
                    "lower_days": float((min(ends, until) - when).days),
                    "upper_days": float(days) if spent and not open_yet else math.inf, "entry_days": 0.0,
                })  # fmt: skip
                if open_yet:
                    in_place.append({
                        **key, "part_number": part, "fitted_on": when,
                        "age_days": float((until - when).days) + (200.0 if number == 5 else 0.0),
                        "served": site["served"], "removed": False, "last_condition": "good",
                        "put_in_on": when, "part_seen_on": when,
                    })  # fmt: skip
                elif component.endswith("cartridge"):
                    readings.append({
                        **key, "visit_date": ends, "read_before_work": True,
                        "drop_kpa": float(17.0 + (90.0 if spent else 30.0) * draw.random()),
                    })  # fmt: skip
                if spent and not open_yet:
                    seen[ends] = (f"{site['site_id']}-{ends:%y%m%d}", True)
                when = ends
        for when, (visit_id, called) in sorted(seen.items()):
            visits.append({
                "visit_id": visit_id, "site_id": site["site_id"], "visit_date": when,
                "visit_reason": "callout" if called else "routine",
                "callout_cause": "low_pressure" if called else None,
            })  # fmt: skip
    return visits, work, spells, in_place, readings


def _advice(
    rows: list[dict[str, Any]], in_place: list[dict[str, Any]], draw: np.random.Generator
) -> tuple[list[dict[str, Any]], ...]:
    site_life, intervals, plans, due, curves = [], [], [], [], []
    held = {(row["site_id"], row["component"]): row for row in in_place}
    for number, site in enumerate(rows):
        weeks = int(draw.choice([8, 13, 17, 26, 26, 26, 39]))
        cost, saved = float(draw.gamma(9.0, 80.0)), float(draw.normal(90.0, 120.0))
        plans.append({
            "site_id": site["site_id"], "visit_interval_days": 7.0 * weeks, "trips_per_year": 52.18 / weeks,
            "callouts_per_year": 0.6, "cost_per_year": cost, "low": 0.8 * cost, "high": 1.25 * cost,
            "visit_interval_days_current": 182.0, "trips_per_year_current": 2.0,
            "callouts_per_year_current": 1.1, "cost_per_year_current": cost + saved,
            "low_current": 0.8 * (cost + saved), "high_current": 1.25 * (cost + saved),
            "saving_seen": 0.7 * saved, "saving_projected": 0.3 * saved,
        })  # fmt: skip
        for component, (_, custom, middle, spread, _, limit) in KINDS.items():
            relative = float(np.exp(draw.normal(0.0, 0.35)))
            key = {"site_id": site["site_id"], "component": component, "slot": ""}
            median, unit = middle * relative, held.get((site["site_id"], component))
            site_life.append({
                **key, "median_days": median, "low_days": 0.75 * median, "high_days": 1.3 * median,
                "p10_days": 0.5 * median, "spells": 9, "failures": 4, "relative_life": relative,
                "relative_low": 0.8 * relative, "relative_high": 1.25 * relative, "like_days": middle,
                "worst_tenth_chance": 0.7 if relative < 0.6 else 0.05,
            })  # fmt: skip
            every = 2 if component == "uv_lamp" and weeks <= 26 else 1
            intervals.append({
                **key, "visit_interval_days": 7.0 * weeks, "every_n_visits": every,
                "interval_days": 7.0 * weeks * every, "current_interval_days": custom,
                "limited_by": "few_records" if number % 11 == 10 else limit,
                "failure_chance": float(draw.random() * 0.5),
                "failure_chance_low": 0.1, "failure_chance_high": 0.6, "failure_chance_current": 0.5,
                "cost_per_year": 200.0, "cost_per_year_current": 230.0, "spells": 9, "failures": 4,
                "evidence": "customary" if number % 11 == 10 else "own_records",
            })  # fmt: skip
            here, like = _lognormal(median, spread), _lognormal(middle, spread * 1.3)
            curves.append({
                **key, "days": GRID, "survival": here.tolist(), "like": like.tolist(),
                "low": _lognormal(0.75 * median, spread).tolist(),
                "high": _lognormal(1.3 * median, spread).tolist(),
            })  # fmt: skip
            if site["served"] and unit:
                by = AS_OF + timedelta(days=number % (7 * weeks) - 10)
                due.append({
                    **key, "visit_from": by - timedelta(days=21), "visit_by": by, "action": "replace",
                    "part_number": unit["part_number"], "change_at_kpa": None,
                    "reason": "It will have reached its interval here.", "chance_already_spent": 0.3,
                })  # fmt: skip
    due.sort(key=lambda row: (row["visit_by"], row["site_id"], row["component"]))
    return site_life, intervals, plans, due, curves


def _ahead(rows: list[dict[str, Any]]) -> dict[str, pl.DataFrame]:
    """Return the reasons, what limits cost, and the weeks ahead."""
    served = [row for row in rows if row["served"]]
    week = AS_OF + timedelta(days=7)
    same = "Nothing in the records: it is held there."
    return {
        "why": pl.DataFrame([
            {"site_id": row["site_id"], "component": name, "slot": "",
             "evidence": "Nine here since 2022, four found spent; half last beyond 30 weeks.",
             "alternative": "Spent before then: 3 in 10; 5 in 10 at today's rule.", "would_change": same}
            for row in served for name in ("", *KINDS)
        ]),
        "limit_costs": pl.DataFrame([
            {"site_id": rows[0]["site_id"], "kind": "contract", "max_days": 122.0, "source": "=three visits",
             "decided_on": None, "visit_interval_days": 119, "visit_interval_days_without": 168,
             "cost_per_year_more": 85.0, "low": 60.0, "high": 110.0, "unpriced": None},
            {"site_id": rows[0]["site_id"], "kind": "blocked_months", "max_days": None,
             "source": "settings: January, February", "decided_on": None, "visit_interval_days": 126,
             "visit_interval_days_without": 119, "cost_per_year_more": None, "low": None, "high": None,
             "unpriced": "few_records"},
        ]),
        "calendar": pl.DataFrame([
            {"site_id": row["site_id"], "visit": 1, "crew": row["crew"], "book_from": AS_OF,
             "no_later_than": AS_OF + timedelta(days=21), "week": week, "stops": 1.0, "moved": "phased_in",
             "fits": number % 5 > 0} for number, row in enumerate(served)
        ]),
        "weekly_load": pl.DataFrame([
            {"crew": crew, "week": week, "stops": 12.0, "most_stops": 10.0, "over": 2.0, "moved_earlier": 1}
            for crew in ("north", "south")
        ]),
    }  # fmt: skip


def _lognormal(median: float, spread: float) -> np.ndarray:
    grid = np.maximum(np.array(GRID), 1e-9)
    z = np.log(grid / median) / spread
    return np.round(0.5 * np.array([math.erfc(value / math.sqrt(2.0)) for value in z]), 4)


def _left_out(rows: list[dict[str, Any]]) -> pl.DataFrame:
    return pl.DataFrame([
        {"site_id": row["site_id"], "component": "uv_lamp", "slot": "", "fitted_on": None,
         "ended_on": date(2022, 9, 1), "reason": "fitted before the records began, day not known"}
        for row in rows[::4]
    ])  # fmt: skip


def _curves() -> pl.DataFrame:
    rows = []
    for component, (_, _, middle, spread, _, _) in KINDS.items():
        for by, levels in (
            ("all", ["all"]), ("tank_material", ["concrete", "poly", "steel"]),
            ("roof_material", ["metal", "asphalt_shingle", "clay_tile"]),
        ):  # fmt: skip
            for place, level in enumerate(levels):
                values = _lognormal(middle * (0.8 + 0.25 * place), spread)
                for day, value in zip(GRID[:60], values, strict=False):
                    rows.append({
                        "component": component, "by": by, "level": level, "days": day,
                        "at_risk": max(0.0, 80.0 - day / 5.0), "events": 1.0, "survival": value,
                        "low": max(0.0, value - 0.08), "high": min(1.0, value + 0.08),
                    })  # fmt: skip
    return pl.DataFrame(rows)


def _fleet(sites: int, draw: np.random.Generator) -> dict[str, pl.DataFrame]:
    months = [date(2026 + (11 + k) // 12, (11 + k) % 12 + 1, 1) for k in range(12)]
    stock, orders = [], []
    for component, (_, _, _, _, part_numbers, _) in KINDS.items():
        for part in part_numbers:
            base = sites * 0.12 / len(part_numbers)
            orders.append({
                "part_number": part, "component": component, "order_by": date(2026, 12, 4), "quantity": 18.0,
                "on_hand": 9.0, "on_order": 0.0, "lead_time_days": 14.0, "pack_size": 6.0,
            })  # fmt: skip
            orders.append({**orders[-1], "order_by": date(2027, 3, 4), "quantity": 24.0})
            for month in months:
                mean = base * float(draw.uniform(0.7, 1.3))
                stock.append({
                    "part_number": part, "component": component, "month": month, "expected": mean,
                    "p50": float(round(mean)), "p80": float(round(mean + 1.0 + mean**0.5)),
                    "p95": float(round(mean + 2.0 + 2.0 * mean**0.5)), "expected_current_rule": 1.1 * mean,
                    "sites": 3 if part == "LAMP-B" else max(5, sites // 3),
                })  # fmt: skip
    scores = [
        {"origin": date(2025, 11, 20), "horizon_days": 182, "component": name, "units": 140, "failures": 38,
         "expected_failures": 41.0, "expected_low": 33, "expected_high": 50, "coverage": 0.89,
         "log_score": -0.412, "log_score_fleet": -0.533, "log_score_cohort": -0.497,
         "gain_fleet_se": 0.03, "gain_cohort_se": 0.02}
        for name in KINDS
    ]  # fmt: skip
    frames: dict[str, list[dict[str, Any]]] = {
        "stock": stock,
        "orders": orders,
        "parts": [
            {"part_number": part, "component": name, "description": f"{KINDS[name][0]}, kind {part[-1]}",
             "supplier": "", "supplier_part_number": None}
            for name in KINDS for part in KINDS[name][4]
        ],
        "stock_past": [{"part_number": "SED-A", "component": "sediment_cartridge", "forecast": 44.0,
                        "forecast_low": 36.0, "forecast_high": 53.0, "used": 47.0, "sites": 20}],
        "effects": [
            {"component": "sediment_cartridge", "term": term, "time_ratio": ratio, "low": low, "high": high,
             "against": "SED-A" if term.startswith("part") else ""}
            for term, ratio, low, high in (
                ("tree_cover[heavy]", 0.62, 0.55, 0.70), ("tree_cover[some]", 0.84, 0.72, 0.97),
                ("first_flush[yes]", 1.21, 1.08, 1.35), ("log_daily_litres", 0.51, 0.44, 0.60),
                ("roof_material[asphalt_shingle]", 0.93, 0.80, 1.08), ("part_number[SED-B]", 0.75, 0.66, 0.86),
            )
        ] + [
            {"component": "quartz_sleeve", "term": "log_hardness", "time_ratio": 0.5, "low": 0.4,
             "high": 0.63}
        ],
        "families": [
            {"component": name, "family": family, "weight": weight, "sigma": 0.4, "tau": 0.35,
             "log_evidence": -1023.4, "spells": 400, "failures": 160 if name != "uv_lamp" else 12}
            for name in KINDS for family, weight in (("weibull", 0.7), ("lognormal", 0.3))
        ],
        "starting_intervals": [
            {"component": "sediment_cartridge", "tank_material": tank, "roof_material": roof,
             "tree_cover": tree, "daily_litres": 400.0, "interval_days": days, "low_days": days * 0.7,
             "high_days": days * 1.3, "sites": 9, "spells": 71}
            for tank in ("concrete", "poly") for roof in ("metal", "asphalt_shingle")
            for tree, days in (("none", 182.0), ("heavy", 119.0))
        ],
        "replay": scores,
        "policy_costs": [
            {"origin": date(2025, 11, 20), "horizon_days": 182, "policy": policy, "sites": sites,
             "cost_per_site_year": cost, "low": cost - 30.0, "high": cost + 30.0, "callouts_per_site_year": calls}
            for policy, cost, calls in (("rule", 820.0, 1.1), ("plan", 640.0, 0.6))
        ],
        "calibration_tenths": [
            {"component": name, "predicted": p, "happened": p * 0.95, "happened_low": max(0.0, p - 0.1),
             "happened_high": min(1.0, p + 0.09), "units": 60, "expected": -60 * math.log1p(-p), "failures": round(57 * p)}
            for name in list(KINDS)[:2] for p in (0.1, 0.3, 0.5, 0.7, 0.9)
        ],
        "second_opinion": [
            {"component": "sediment_cartridge", "family": "weibull", "spells": 588, "failures": 239, "left_out": 0,
             "median_days": 199.6, "median_days_library": 199.6, "median_difference": 1e-5,
             "sigma_difference": -2e-5, "opinion": "agrees", "reason": ""},
            {"component": "quartz_sleeve", "family": "loglogistic", "spells": 80, "failures": 0, "left_out": 0,
             "opinion": "no opinion", "reason": "nothing has failed"},
        ],
        "sensitivity": [{"component": "sediment_cartridge",
                         "assumption": "units taken out loaded were nearly spent",
                         "shift_days": -14.0, "shift_low_days": -28.0, "shift_high_days": 0.0,
                         "sites": sites}],
        "refused": [{"file": "visits.csv", "sheet": None, "line": 17, "column": "visit_date",
                     "value": "=31/02/2024",
                     "reason": "a date such as 2024-02-28, not after the day of loading"}],
        "warnings": [{"check": "meter_backwards", "severity": "warning", "site_id": "HB-0002",
                      "visit_id": "HB-0002-230101", "rows": 1, "message": "the meter reads less than before",
                      "what_to_do": "look whether the meter was changed"}],
        "loads": [{"load_id": "1", "loaded_on": AS_OF, "file": "visits.csv", "table_name": "visits",
                   "rows_read": 401, "accepted": 398, "repeated": 2, "refused": 1, "values_set_aside": 3,
                   "changed": 0}],
        "fleet_counts": [
            {"year": year, "sites": sites, "visits": 2 * sites, "callouts": sites // 2,
             **dict.fromkeys(KINDS, 2 * sites), "lamps_past_rating": 3}
            for year in range(2022, 2027)
        ],
        "totals": [
            {"measure": measure, "plan": plan, "plan_low": 0.9 * plan, "plan_high": 1.12 * plan,
             "current": now, "current_low": 0.92 * now if measure != "trips_per_year" else None,
             "current_high": 1.1 * now if measure != "trips_per_year" else None}
            for measure, plan, now in (
                ("trips_per_year", 1.9 * sites, 2.0 * sites), ("callouts_per_year", 0.6 * sites, 1.1 * sites),
                ("cost_per_year", 640.0 * sites, 790.0 * sites), ("saving_seen", 110.0 * sites, 0.0),
                ("saving_projected", 40.0 * sites, 0.0),
            )
        ],
    }  # fmt: skip
    frames |= _reasons()
    return {name: pl.DataFrame(rows, infer_schema_length=None) for name, rows in frames.items()}


def _reasons() -> dict[str, list[dict[str, Any]]]:
    """Return what takes parts out, when more failed than foretold, and what rival parts cost."""

    def against(failures: int, foretold: float, finding: str) -> dict[str, Any]:
        return {"spells": 80, "failures": failures, "expected": foretold, "ratio": failures / foretold,
                "ratio_low": 0.7 * failures / foretold, "ratio_high": 1.4 * failures / foretold,
                "finding": finding}  # fmt: skip

    alike, more = "as foretold", "more than foretold"
    return {
        "removals": [
            {"component": name, "cause": cause, "days": days, "incidence": share * days / 364.0,
             "low": 0.8 * share * days / 364.0, "high": 1.2 * share * days / 364.0, "units": 40}
            for name in KINDS for cause, share in (("spent", 0.4), ("before it was spent", 0.3),
                                                   ("leaking", 0.02))
            for days in (0.0, 182.0, 364.0)
        ],
        "early_deaths": [
            {"component": "uv_lamp", "from_days": 0.0, "to_days": 60.0, **against(9, 2.0, more)},
            {"component": "uv_lamp", "from_days": 60.0, "to_days": None, **against(20, 21.0, alike)},
        ],
        "lives_by_year": [
            {"component": "sediment_cartridge", "year": year,
             **(against(44, 20.0, more) if year == 2024 else against(20, 21.0, alike))}
            for year in range(2022, 2027)
        ],
        "lives_by_month": [
            {"component": "sediment_cartridge", "month": month,
             **(against(14, 5.0, more) if month in (10, 11) else against(5, 5.2, alike))}
            for month in range(1, 13)
        ],
        "evidence_levels": [
            {"component": name, "level": "per_site", "months_to_wait": None, "wanted": ""} for name in KINDS
        ],
        "part_costs": [
            {"part_number": part, "component": name, "units": 12, "sites": 11, "used_per_year": 2.4,
             "callouts_per_year": 0.4, "cost_per_month": 12.4, "low": 9.8, "high": 15.5}
            for name in KINDS for part in KINDS[name][4]
        ],
    }  # fmt: skip
