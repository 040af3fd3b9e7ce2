"""Whatever the order of the rows in the files, the spells are the same."""

from __future__ import annotations

from datetime import date
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import hypothesis.strategies as st
from hypothesis import HealthCheck, given, settings

from fleetstats.intake.accept import load_paths
from fleetstats.settings import default_settings
from fleetstats.store import Store

WORK = [
    f"{visit},{component},{action},{condition}"
    for visit in range(6)
    for component, action, condition in [
        (
            "sediment_cartridge",
            "replaced" if visit % 2 else "inspected",
            "blocked" if visit % 3 == 1 else "good",
        ),
        ("quartz_sleeve", "cleaned", "scaled" if visit == 4 else ""),
        ("uv_lamp", "inspected" if visit else "fitted", "good"),
    ]
]
VISITS = [f"{i},{'AB'[i % 2]},2024-0{i + 1}-15,{100 * i}" for i in range(6)]
SITES = ["A,poly", "B,steel"]


def spells(sites, visits, work):
    with TemporaryDirectory() as folder, Store(":memory:") as store:
        for name, header, lines in (
            ("sites", "site_id,tank_material", sites),
            ("visits", "visit_id,site_id,visit_date,meter_m3", visits),
            ("work", "visit_id,component,action,condition", work),
        ):
            Path(folder, f"{name}.csv").write_text("\n".join([header, *lines]) + "\n")
        load_paths(store, [folder], today=date(2026, 1, 1))
        known = store.relations(as_of=date(2024, 12, 31), settings=default_settings())
    return known.spells, known.left_out, known.in_place


@cache
def expected():
    return spells(SITES, VISITS, WORK)


@settings(max_examples=15, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(st.permutations(SITES), st.permutations(VISITS), st.permutations(WORK))
def test_row_order_does_not_change_the_spells(sites, visits, work):
    for found, usual in zip(spells(sites, visits, work), expected(), strict=True):
        assert found.equals(usual)


@settings(max_examples=10, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.sampled_from(WORK), min_size=1, max_size=8))
def test_a_row_written_twice_counts_once(repeated):
    for found, usual in zip(spells(SITES, VISITS, [*WORK, *repeated]), expected(), strict=True):
        assert found.equals(usual)
