"""Known reasons not to drink a home's water untreated, each with its day; a mere ceiling is none."""

from datetime import date, timedelta

import polars as pl
import pytest

from fleetstats.advice.unsafe import unsafe_water
from fleetstats.components import KINDS

AS_OF = date(2026, 6, 30)
COMPONENTS = {name: KINDS[name] for name in ("uv_lamp", "quartz_sleeve", "sediment_cartridge")}
CALM = {
    "site_id": "A",
    "left_on": None,
    "failed_sample_on": None,
    "failed_sample_of": None,
    "open_alarm_on": None,
}
HELD = {
    "site_id": "A", "component": "uv_lamp", "slot": "", "removed": False, "spent_seen": False,
    "fitted_on": AS_OF - timedelta(days=100), "last_look_on": date(2026, 5, 5), "rated_life_days": None,
}  # fmt: skip


def found(site=None, **unit):
    table = unsafe_water(
        sites=pl.DataFrame([CALM | (site or {})], infer_schema_length=None),
        units=pl.DataFrame([HELD | unit]), components=COMPONENTS, as_of=AS_OF,
    )  # fmt: skip
    return table.select("why", "since", "what", "days").rows()


@pytest.mark.parametrize(
    ("site", "held", "expected"),
    [
        ({}, {}, []),
        (
            {"failed_sample_on": date(2026, 6, 1), "failed_sample_of": "e_coli"}, {},
            [("failed_sample", date(2026, 6, 1), "e_coli", None)],
        ),
        ({"open_alarm_on": date(2026, 6, 2)}, {}, [("open_alarm", date(2026, 6, 2), None, None)]),
        ({"open_alarm_on": date(2026, 6, 2), "left_on": date(2026, 6, 3)}, {}, []),
        ({}, {"spent_seen": True}, [("lamp_dead", date(2026, 5, 5), None, None)]),
        ({}, {"removed": True}, [("lamp_missing", None, None, None)]),
        (
            {}, {"fitted_on": AS_OF - timedelta(days=366)},
            [("lamp_past_rated", date(2026, 6, 29), None, 365.0)],
        ),
        ({}, {"fitted_on": AS_OF - timedelta(days=365)}, []),
        (
            {}, {"fitted_on": AS_OF - timedelta(days=300), "rated_life_days": 270.0},
            [("lamp_past_rated", date(2026, 5, 31), None, 270.0)],
        ),
        ({}, {"fitted_on": None}, []),
        ({}, {"component": "quartz_sleeve", "spent_seen": True}, [("sleeve_scaled", date(2026, 5, 5), None, None)]),
        # past the tool's own longest time between cleanings, seen good: no reason to stop drinking
        ({}, {"component": "quartz_sleeve", "fitted_on": AS_OF - timedelta(days=400)}, []),
        ({}, {"component": "sediment_cartridge", "spent_seen": True}, []),
    ],
)  # fmt: skip
def test_each_known_reason_has_its_day_and_nothing_else_is_one(site, held, expected):
    assert found(site, **held) == expected
