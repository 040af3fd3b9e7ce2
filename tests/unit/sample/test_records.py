"""Invented records have the columns and the words of the tables, and hang together as real ones would."""

import polars as pl
import pytest

from fleetstats.errors import FleetstatsError
from fleetstats.resources import folder
from fleetstats.sample import invent_fleet, write_fleet, write_sample
from tests.hidden_truth.stories import STORIES

#: One worker makes what these tests share, once.
pytestmark = pytest.mark.xdist_group("sample")

COLUMNS = {
    "sites": "site_id site_name tank_material tank_installed tank_litres roof_area_m2 roof_material "
    "inlet_screen_um tree_cover first_flush occupants potable occupancy left_on region crew address_id",
    "visits": "visit_id site_id visit_date visit_reason callout_cause reported_on inlet_pressure_kpa "
    "outlet_pressure_kpa pressure_read flow_lpm meter_m3 hardness_mg_l turbidity_ntu uvt_percent "
    "lamp_days_left uv_intensity_percent technician notes source_ref",
    "work": "visit_id component slot action condition part_number fitted_on pressure_drop_kpa",
    "parts": "part_number component description supplier supplier_part_number micron unit_cost pack_size "
    "lead_time_days rated_life_days warranty_days on_hand on_order",
    "changes": "site_id region changed_on until kind note",
    "samples": "site_id sampled_on parameter result passed laboratory_ref",
    "site_limits": "site_id region kind max_days from until source",
    "decisions": "site_id decided_on visit_interval_days decision reason by",
}
WORDS = {
    ("sites", "tank_material"): "concrete poly steel fibreglass timber other",
    ("sites", "roof_material"): "metal asphalt_shingle concrete_tile clay_tile slate timber membrane other",
    ("sites", "tree_cover"): "none some heavy",
    ("sites", "first_flush"): "yes no",
    ("sites", "potable"): "yes no",
    ("sites", "occupancy"): "all_year seasonal",
    ("visits", "visit_reason"): "routine callout commission other",
    (
        "visits",
        "callout_cause",
    ): "low_pressure uv_alarm leak taste_odour discoloured failed_sample pump tank_empty other",
    ("visits", "pressure_read"): "before_work after_work",
    ("work", "component"): "sediment_cartridge carbon_cartridge uv_lamp quartz_sleeve",
    ("work", "action"): "fitted replaced cleaned inspected removed",
    ("work", "condition"): "good loaded blocked scaled failed expired leaking damaged unknown",
    ("changes", "kind"): "roof tank pump screen first_flush household tank_cleaned gutters_cleaned vacant "
    "hauled_water drought ash other",
    ("samples", "passed"): "yes no",
    ("site_limits", "kind"): "contract warranty authority customer technician",
    ("decisions", "decision"): "accepted refused trial",
}


def test_tables_have_exactly_their_columns(fleet):
    assert {name: frame.columns for name, frame in fleet.tables.items()} == {
        name: names.split() for name, names in COLUMNS.items()
    }


@pytest.mark.parametrize(("table", "column"), WORDS)
def test_words_are_allowed_ones(fleet, table, column):
    found = set(fleet.tables[table][column].drop_nulls())
    assert found
    assert found <= set(WORDS[table, column].split())


def test_keys_are_unique_and_references_hold(fleet):
    visits, work = fleet.tables["visits"], fleet.tables["work"]
    assert visits["visit_id"].n_unique() == visits.height
    assert work.select("visit_id", "component", "slot", "action").is_unique().all()
    assert set(work["visit_id"]) <= set(visits["visit_id"])
    assert set(visits["site_id"]) <= set(fleet.tables["sites"]["site_id"])
    assert set(work["part_number"].drop_nulls()) <= set(fleet.tables["parts"]["part_number"])


def test_calls_come_before_their_visit_and_only_with_call_outs(fleet):
    called = fleet.tables["visits"].filter(pl.col("reported_on").is_not_null())
    assert called.height > 50
    assert (called["reported_on"] <= called["visit_date"]).all()
    assert set(called["visit_reason"]) == {"callout"}
    causes = fleet.tables["visits"].filter(pl.col("visit_reason") == "callout")["callout_cause"]
    assert causes.null_count() == 0


def test_ages_given_are_of_units_from_before_the_homes_first_visit(fleet):
    first = fleet.tables["visits"].group_by("site_id").agg(pl.col("visit_date").min().alias("first"))
    told = (
        fleet.tables["work"]
        .filter(pl.col("fitted_on").is_not_null())
        .join(fleet.tables["visits"].select("visit_id", "site_id"), on="visit_id")
        .join(first, on="site_id")
    )
    assert told.height > 20
    assert (told["fitted_on"] <= told["first"]).all()


def test_nobody_visits_after_a_customer_left(fleet):
    left = (
        fleet.tables["visits"]
        .join(fleet.tables["sites"].select("site_id", "left_on"), on="site_id")
        .drop_nulls("left_on")
    )
    assert left.height > 0
    assert (left["visit_date"] <= left["left_on"]).all()


def test_meters_run_forward_unless_replaced(fleet):
    steps = fleet.tables["visits"].drop_nulls("meter_m3").sort("site_id", "visit_date")
    back = steps.with_columns(pl.col("meter_m3").diff().over("site_id").alias("step")).filter(
        pl.col("step") < 0
    )
    replaced = back.height
    assert replaced <= 0.1 * fleet.tables["sites"].height


def test_homes_at_one_address_are_visited_on_one_day(fleet):
    sites = fleet.tables["sites"].select("site_id", "address_id")
    shared = sites.filter(pl.col("address_id").is_duplicated())
    assert shared.height >= 2
    routine = fleet.tables["visits"].filter(pl.col("visit_reason") == "routine").join(shared, on="site_id")
    together = routine.group_by("address_id", "visit_date").len()
    assert (together["len"] > 1).mean() > 0.3


def test_same_seed_same_bytes_and_another_seed_another_fleet(tmp_path):
    for name in ("one", "two"):
        write_fleet(invent_fleet(20, years=2, seed=5), tmp_path / name)
    write_fleet(invent_fleet(20, years=2, seed=6), tmp_path / "three")
    for table in COLUMNS:
        one, two = ((tmp_path / name / f"{table}.csv").read_bytes() for name in ("one", "two"))
        assert one == two
    assert (tmp_path / "one/visits.csv").read_bytes() != (tmp_path / "three/visits.csv").read_bytes()


def test_the_sample_records_are_what_their_readme_says_made_them(tmp_path):
    rows = write_sample(60, tmp_path, seed=42)
    shipped = folder("sample_data")
    assert "--sites 60 --seed 42" in (shipped / "README.md").read_text()
    for table in COLUMNS:
        assert (tmp_path / f"{table}.csv").read_bytes() == (shipped / f"{table}.csv").read_bytes()
    assert rows == sum(pl.read_csv(tmp_path / f"{table}.csv", infer_schema=False).height for table in COLUMNS)


def test_slips_are_planted_only_when_written(tmp_path, fleet):
    write_fleet(fleet, tmp_path / "slips")
    write_fleet(fleet, tmp_path / "clean", slips=False)
    read = {
        kind: {
            name: pl.read_csv(tmp_path / kind / f"{name}.csv", infer_schema=False)
            for name in ("visits", "work")
        }
        for kind in ("slips", "clean")
    }
    visits, work = read["slips"]["visits"], read["slips"]["work"]
    assert visits.is_duplicated().sum() == 4
    assert work.filter(pl.col("condition") == "gungy").height == 1
    assert visits.filter(pl.col("visit_date").str.ends_with("-02-30")).height == 1
    pressure = pl.col("inlet_pressure_kpa").cast(pl.Float64), pl.col("outlet_pressure_kpa").cast(pl.Float64)
    assert visits.filter(pressure[0] < 0).height == 1
    assert visits.filter((pressure[1] > pressure[0]) & (pressure[0] > 0)).height == 1
    clean = read["clean"]["visits"]
    assert clean.height == visits.height - 2
    assert clean.filter((pressure[1] > pressure[0]) | (pressure[0] < 0)).height == 0
    assert read["clean"]["visits"]["visit_date"].str.to_date().is_not_null().all()


@pytest.mark.parametrize("story", STORIES)
def test_every_story_invents_a_fleet(story):
    invented = invent_fleet(12, years=2, seed=3, story=STORIES[story])
    assert invented.tables["visits"].height > 12


def test_a_fleet_of_one_home_can_be_invented():
    assert invent_fleet(1, years=1).tables["sites"].height == 1


def test_a_folder_that_cannot_be_made_is_named(tmp_path, fleet):
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(FleetstatsError, match="taken"):
        write_fleet(fleet, tmp_path / "taken")
