"""From readings to tables: a small fleet with gauges, all the way through the analysis."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from fleetstats.intake.accept import load_paths
from fleetstats.life.gauge_learn import learn_gauges, new_lines
from fleetstats.pipeline.gauge_stops import at_stop, gauge_visits
from fleetstats.pipeline.gauge_units import units_now
from fleetstats.pipeline.gauges import gauge_tables, gauges_told
from fleetstats.pipeline.in_force import todays_rule
from fleetstats.pipeline.lives import gauges_of, housings_of, learn_fleet
from fleetstats.pipeline.plans import plan_fleet
from fleetstats.pipeline.reading_worth import reading_worth_table
from fleetstats.sample import invent_fleet, write_fleet
from fleetstats.sample.fleet import END
from fleetstats.settings import default_settings
from fleetstats.store import Store

#: One worker makes what these tests share, once.
pytestmark = pytest.mark.xdist_group("gauges")

SETTINGS = default_settings()
TABLES = ("sites", "visits", "work", "changes")
KEY = ["site_id", "component", "slot"]


@pytest.fixture(scope="module")
def known(tmp_path_factory):
    folder = tmp_path_factory.mktemp("gauged")
    write_fleet(invent_fleet(60, seed=4), folder)
    with Store(":memory:") as store:
        load_paths(store, [folder / f"{name}.csv" for name in TABLES], today=END)
        yield store.relations(as_of=store.latest_visit(), settings=SETTINGS)


@pytest.fixture(scope="module")
def plain(known):
    return learn_fleet(known, SETTINGS, draws=40, gauges_used=False)


@pytest.fixture(scope="module")
def analysed(known):
    lives = learn_fleet(known, SETTINGS, draws=40)
    rule = todays_rule(known, SETTINGS)
    now = units_now(known, lives)
    spent_by = {name: units.spent_by for name, units in now.items()}
    plan = plan_fleet(known, SETTINGS, lives, rule, spent_by, gauges_told(known, now))
    return lives, now, plan


def test_clean_drops_of_both_stages_come_out_of_readings_that_are_mostly_sums(analysed):
    gauges = {name: life.gauge for name, life in analysed[0].items() if life.gauge}
    assert set(gauges) == {"sediment_cartridge", "carbon_cartridge"}
    # the sample's clean drops lie between 12 and 21 kPa, and 17 and 28 kPa
    assert 13 < gauges["sediment_cartridge"].blocking.clean_kpa < 20
    assert 18 < gauges["carbon_cartridge"].blocking.clean_kpa < 27
    for gauge in gauges.values():
        assert gauge.across_all > 0.5 * len(gauge.readings)
        assert np.all(np.diff(gauge.fit.log_joint) >= 0)


def test_without_readings_nothing_is_learned_of_gauges(known):
    silent = replace(known, readings=known.readings.clear(), stages_read=known.stages_read.clear())
    assert gauges_of(silent, SETTINGS) == {}
    few = replace(known, readings=known.readings.head(3), stages_read=known.stages_read.clear())
    assert gauges_of(few, SETTINGS) == {}


def test_ranges_of_the_sites_narrow_where_most_are_taken_out_early(plain, analysed):
    # not so for every component of a small fleet: readings may also show that sites differ more than was thought
    wide, narrow = (
        lives["sediment_cartridge"]
        .lives.median_life()
        .select((pl.col("high_days") / pl.col("low_days")).log().mean())
        for lives in (plain, analysed[0])
    )
    assert narrow.item() < 0.9 * wide.item()


def test_a_firm_that_reads_one_housing_at_a_time_or_all_at_once_is_learned_from_either(known):
    housings = housings_of(known, SETTINGS)
    only_one = learn_gauges(housings, known.readings, known.stages_read.clear())
    only_all = learn_gauges(housings, known.readings.filter(pl.col("component").is_null()), known.stages_read)
    assert set(only_one) == set(only_all) == set(housings)
    for name, gauge in only_all.items():
        assert gauge.across_all > 0
        assert only_one[name].across_all == 0
        assert gauge.blocking.clean_kpa == pytest.approx(only_one[name].blocking.clean_kpa, rel=0.25)


def test_tables_say_how_far_units_are_and_when_they_end(known, analysed):
    lives, now, plan = analysed
    tables = gauge_tables(known, SETTINGS, lives, now, plan.visits.intervals, plan.due)
    last = tables["gauge_last"]
    assert last.height > 60
    share, end = pl.col("share_spent"), pl.col("expected_end")
    assert last.select((share.is_between("share_low", "share_high")).all()).item()
    assert last.select((end.is_between("end_low", "end_high")).all()).item()
    held = set(known.in_place.select(KEY).iter_rows())
    assert set(tables["gauge_now"].select(KEY).iter_rows()) <= held
    assert tables["gauge_laws"]["readings"].min() > 100
    assert all(np.all(np.diff(course) >= 0) for course in last["kpa"].to_list())


def test_a_unit_that_was_read_has_its_chance_from_its_gauge(known, analysed):
    lives, now, plan = analysed
    told = gauge_tables(known, SETTINGS, lives, now, plan.visits.intervals, plan.due)["gauge_now"]
    read = plan.due.join(told, on=KEY, how="semi")
    assert read.height > 0
    spent = plan.due.filter(pl.col("reason").str.contains("was found spent"))
    own = read.join(spent, on=KEY, how="anti")
    assert own["reason"].str.contains("By its pressure gauge this cartridge had used .* of its life on").all()
    others = plan.due.join(told, on=KEY, how="anti")
    assert not others["reason"].str.contains("of its life on").any()


def test_a_faulty_reading_of_a_unit_in_place_is_told_with_its_date(known, analysed):
    now = analysed[1]
    day = known.as_of
    sediment = now["sediment_cartridge"].frame.with_row_index().filter(pl.col("fitted_on") < day)
    read, unread = sediment.filter(pl.col("readings") > 0).head(1), sediment.filter(readings=0).head(1)
    both = pl.concat([read, unread]).select(*KEY)
    like = known.readings.filter(pl.col("component") == "sediment_cartridge").head(2)
    faulty = like.with_columns(
        *(both[name] for name in KEY), visit_date=pl.lit(day), fault=pl.lit("no_flow"), informs=pl.lit(False)
    )
    told = gauges_told(replace(known, readings=pl.concat([known.readings, faulty])), now)
    before = gauges_told(known, now)
    found = told.join(both, on=KEY, how="semi").sort("last_read_on", nulls_last=True)
    assert found["faulty_on"].to_list() == [day, day]
    assert found["last_read_on"].null_count() == 1
    # what the good readings say stays as it was
    assert found.head(1).drop("faulty_on").equals(before.join(read, on=KEY, how="semi").drop("faulty_on"))


def test_no_reading_keeps_carbon_in_place_that_is_due(known, analysed):
    _, now, plan = analysed
    stops = at_stop(known, SETTINGS, now, plan.visits.intervals, plan.due)
    due = plan.due.filter((pl.col("component") == "carbon_cartridge") & (pl.col("action") == "replace"))
    carbon = stops.filter(pl.col("component").is_not_null()).join(due, on=KEY, how="semi")
    assert carbon.height > 0
    assert carbon["change_at_kpa"].null_count() == carbon.height
    numbers = stops.filter(pl.col("change_at_kpa").is_not_null())
    assert numbers["change_at_kpa"].min() >= 4
    assert set(numbers["why"]) == {"gauge"}


def test_what_the_visit_rule_leaves_in_is_told_from_what_it_renews(known, analysed):
    _, now, plan = analysed
    stops = at_stop(known, SETTINGS, now, plan.visits.intervals, plan.due)
    own = stops.filter(pl.col("component").is_not_null()).join(plan.due, on=KEY)
    assert {True, False} == set(own["stays"])
    assert own["stays"].equals(own.select(stays=pl.col("action") == "inspect")["stays"])


def test_sites_read_only_across_all_stages_have_one_number_for_them(known, analysed):
    _, now, plan = analysed
    stops = at_stop(known, SETTINGS, now, plan.visits.intervals, plan.due)
    whole = stops.filter(pl.col("component").is_null())
    one_by_one = set(known.readings.filter(pl.col("component").is_not_null())["site_id"])
    assert whole.height > 0
    assert not set(whole["site_id"]) & one_by_one
    # nobody can read a number of one housing there
    each = stops.filter(pl.col("component").is_not_null()).join(whole, on="site_id", how="semi")
    assert each["change_at_kpa"].null_count() == each.height
    told = whole.select("site_id", component=pl.col("tells_of").str.split(",")).explode("component")
    assert set(told.join(each, on=["site_id", "component"])["why"]) == {"across_all"}


@pytest.fixture(scope="module")
def low_lines(known):
    """Return the fleet were it read across all stages alone, by gauges whose new lines show a third."""
    third = pl.col("drop_kpa") * 0.3
    only_all = known.readings.filter(pl.col("component").is_null()).with_columns(drop_kpa=third)
    return replace(known, readings=only_all, stages_read=known.stages_read.with_columns(drop_kpa=third))


def test_clean_drops_of_stages_never_read_alone_add_up_to_what_new_lines_read(low_lines):
    new = new_lines(low_lines.stages_read).unique("visit_id")
    assert new.height > 20
    gauges = learn_gauges(housings_of(low_lines, SETTINGS), low_lines.readings, low_lines.stages_read)
    total = sum(gauge.blocking.clean_kpa for gauge in gauges.values())
    assert total == pytest.approx(new["drop_kpa"].median(), rel=0.25)


@pytest.mark.parametrize("read", ["known", "low_lines"])
def test_no_number_is_what_a_clean_unit_reads_or_says_other_than_the_task(read, request, analysed):
    records, plan = request.getfixturevalue(read), analysed[2]
    now = units_now(records, learn_fleet(records, SETTINGS, draws=40))
    stops = at_stop(records, SETTINGS, now, plan.visits.intervals, plan.due)
    numbers = stops.filter(pl.col("change_at_kpa").is_not_null())
    assert numbers.height > 5
    laws = {name: units.gauge.blocking for name, units in now.items()}
    for row in numbers.filter(pl.col("component").is_not_null()).iter_rows(named=True):
        law, units = laws[row["component"]], now[row["component"]]
        assert row["change_at_kpa"] > law.clean_kpa
        if not row["stays"]:
            continue
        at = units.frame.with_row_index().join(pl.DataFrame([row]).select(KEY), on=KEY)["index"].to_numpy()
        visit = plan.due.filter(site_id=row["site_id"], component=row["component"], slot=row["slot"])
        age = (visit["visit_by"][0] - units.frame["fitted_on"][int(at[0])]).days
        middle = max(units.ends.take(at.astype(int)).quantile(0.5)[0], age)
        assert row["change_at_kpa"] > law.drop(age / middle), "it would have changed what the task lets stay"
    whole = numbers.filter(pl.col("component").is_null())
    new = new_lines(records.stages_read)
    own = whole.join(new.group_by("site_id").agg(pl.col("drop_kpa").max()), on="site_id")
    assert own.height > 0
    assert (own["change_at_kpa"] > own["drop_kpa"]).all()
    assert whole["change_at_kpa"].min() > new.unique("visit_id")["drop_kpa"].quantile(0.95)


def test_limits_bound_the_date_that_gauges_ask_for(known, analysed):
    _, now, plan = analysed
    visits = gauge_visits(known, now, plan.visits.intervals, plan.due)
    assert visits.height > 0
    assert (visits["seen_by"] >= known.as_of).all()
    until = pl.col("fitted_on") + pl.col("deadline_days").cast(pl.Int64) * pl.duration(days=1)
    deadlines = (
        known.in_place.filter(~pl.col("removed"))
        .join(plan.visits.intervals, on=KEY)
        .group_by("site_id")
        .agg(until.min().alias("by"))
    )
    held = visits.join(deadlines, on="site_id")
    assert held.select((pl.col("seen_by") <= pl.max_horizontal("by", pl.lit(known.as_of))).all()).item()


def test_hard_limits_stay_and_lamps_and_sleeves_are_learned_as_before(known, plain, analysed):
    before = plan_fleet(known, SETTINGS, plain, todays_rule(known, SETTINGS))
    both = analysed[2].visits.intervals.join(before.visits.intervals, on=KEY, suffix="_plain")
    assert both["deadline_days"].equals(both["deadline_days_plain"].alias("deadline_days"))
    for name in ("uv_lamp", "quartz_sleeve"):
        assert np.array_equal(analysed[0][name].lives.location, plain[name].lives.location)


def test_readings_that_are_far_off_leave_the_law_where_it_was(known):
    stream = np.random.default_rng(3)
    hit = pl.Series(stream.random(known.stages_read.height) < 0.04)
    off = pl.when(hit).then(pl.col("drop_kpa") * 6.9).otherwise("drop_kpa")
    housings = housings_of(known, SETTINGS)
    clean, faulty = (
        learn_gauges(housings, known.readings, stages)
        for stages in (known.stages_read, known.stages_read.with_columns(drop_kpa=off))
    )
    for name, gauge in clean.items():
        assert faulty[name].blocking.clean_kpa == pytest.approx(gauge.blocking.clean_kpa, rel=0.1)
        assert faulty[name].blocking.index == pytest.approx(gauge.blocking.index, abs=0.4)


def test_a_firm_that_reads_nothing_is_told_what_reading_would_be_worth_from_its_own_records(known, plain):
    silent = replace(known, readings=known.readings.clear(), stages_read=known.stages_read.clear())
    rule = todays_rule(silent, SETTINGS)
    plan = plan_fleet(silent, SETTINGS, plain, rule)
    found = reading_worth_table(silent, SETTINGS, plain, rule, plan)
    whole = found.filter(pl.col("component").is_null()).row(0, named=True)
    parts = found.filter(pl.col("component").is_not_null())
    assert set(parts["component"]) == {"sediment_cartridge", "carbon_cartridge"}
    assert whole["sites_read"] == 0
    assert 0.7 * whole["sites_served"] < whole["sites"] <= whole["sites_served"]
    there = silent.in_place.filter(
        ~pl.col("removed"), pl.col("component").is_in(parts["component"].to_list())
    )
    served = there.filter(pl.col("site_id").is_in(silent.sites.filter("served")["site_id"].to_list()))
    twice = served.filter(pl.len().over("site_id", "component") > 1)["site_id"].n_unique()
    assert whole["sites_alike"] == twice > 0
    for name in ("callouts_fewer", "cartridges_fewer", "saved_per_year"):
        assert parts[name].sum() == pytest.approx(whole[name])
        assert whole[f"{name}_low"] < whole[name] < whole[f"{name}_high"]
    assert whole["saved_per_year_low"] > 0
    cost = plan.visits.totals.filter(measure="cost_per_year")["plan"].item()
    assert whole["saved_per_year"] < 0.25 * cost
    assert not parts["law_learned"].any()
    assert parts["failures"].to_list() == [
        plan.visits.levels.filter(component=name)["failures"].item() for name in parts["component"]
    ]
    # a call-out that costs twice as much makes knowing better worth more, all else equal
    dear = reading_worth_table(silent, replace(SETTINGS, callout_cost=640.0), plain, rule, plan)
    assert dear["saved_per_year"][-1] > 1.2 * whole["saved_per_year"]


def test_sites_that_are_read_are_left_out_of_what_reading_would_be_worth(known, analysed):
    lives, _, plan = analysed
    rule = todays_rule(known, SETTINGS)
    found = reading_worth_table(known, SETTINGS, lives, rule, plan)
    served = set(known.sites.filter("served")["site_id"])
    late = known.readings.filter(
        pl.col("fault").is_null() & (pl.col("visit_date") > known.as_of - timedelta(days=365))
    )
    assert found["sites_read"][0] == len(served & set(late["site_id"])) > 0
    assert found["sites"][0] <= len(served - set(late["site_id"]))
    assert found["law_learned"].drop_nulls().all()
    everywhere = (
        known.readings.head(1)
        .drop("site_id")
        .join(pl.DataFrame({"site_id": sorted(served)}), how="cross")
        .with_columns(visit_date=pl.lit(known.as_of), fault=pl.lit(None, pl.String))
        .select(known.readings.columns)
    )
    read = replace(known, readings=everywhere)
    assert reading_worth_table(read, SETTINGS, lives, rule, plan).is_empty()


def test_without_a_gauge_the_tables_are_there_without_rows() -> None:
    nothing = pl.DataFrame()
    found = gauge_tables(None, SETTINGS, {}, {}, nothing, nothing)  # type: ignore[arg-type]
    assert sorted(found) == ["at_stop", "gauge_last", "gauge_laws", "gauge_now", "gauge_visits"]
    assert all(table.is_empty() and table.width for table in found.values())
