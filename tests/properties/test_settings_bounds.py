"""No settings file lengthens what only a part and a source together may: rated lamp life and ceilings."""

from __future__ import annotations

import math
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from fleetstats.errors import FleetstatsError
from fleetstats.pipeline.in_force import component_terms
from fleetstats.settings import Settings, settings_from

#: What someone may write for a number of days, of money, or for anything.
DAYS = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True), st.integers(-10, 5000), st.sampled_from([0, 365, 1e9, 1e-9])
)  # fmt: skip
SOURCE = st.sampled_from(["", " ", "\t", "maker's letter"])
BLOCK = st.fixed_dictionaries(
    {},
    optional={
        "planned_cost": DAYS, "hidden_day_cost": DAYS, "current_interval_days": DAYS, "ceiling_days": DAYS,
        "rated_life_days": DAYS, "failure_chance_limit": st.floats(), "source": SOURCE,
        "announced": st.booleans(), "customary_days": DAYS,
        "renewed_by": st.sampled_from([["replaced"], ["cleaned"], []]),
    },
)  # fmt: skip
RAW = st.fixed_dictionaries(
    {"component": st.fixed_dictionaries({}, optional=dict.fromkeys(("uv_lamp", "quartz_sleeve"), BLOCK))},
    optional={
        "lateness_days": DAYS,
        "longest_visit_days": DAYS,
        "beyond_records": DAYS,
        "local_rule_days": DAYS,
    },
)


def read(raw: dict[str, Any]) -> Settings | None:
    """The settings that a file of this content gives; None where it is refused."""
    try:
        return settings_from(raw, "file")
    except FleetstatsError:
        return None


def tidy(raw: dict[str, Any]) -> dict[str, Any]:
    """The same file with what is refused left out, key by key."""
    kept: dict[str, Any] = {"component": {}}
    for name, block in raw["component"].items():
        kept["component"][name] = {
            key: value for key, value in block.items() if read({"component": {name: {key: value}}})
        }
    return kept | {key: value for key, value in raw.items() if key != "component" and read({key: value})}


@settings(max_examples=1000, deadline=None, derandomize=True)
@given(RAW, st.one_of(st.none(), st.floats(), st.floats(0, 2000)))
def test_no_settings_file_raises_a_lamps_rated_life_or_a_sleeves_ceiling_by_itself(
    raw: dict[str, Any], part: float | None
) -> None:
    found = read(tidy(raw))
    assert found is not None
    lamp, sleeve = (component_terms(found.component(name), 182.0) for name in ("uv_lamp", "quartz_sleeve"))
    own = found.component("uv_lamp")
    known = part is not None and math.isfinite(part)
    both = known and own.rated_life_days is not None and own.source.strip()
    most = min(own.rated_life_days or math.inf, part if known and part is not None else math.inf)
    assert lamp.rated_life(None) <= 365
    assert lamp.rated_life(part) == (most if both else min(most, 365))
    assert lamp.of_uv_unit
    assert sleeve.of_uv_unit
    for terms, customary in ((lamp, 365), (sleeve, 182)):
        assert terms.customary_days == customary
        if not terms.source.strip():
            assert terms.ceiling <= customary
        assert terms.ceiling <= terms.ceiling_days


@settings(max_examples=500, deadline=None, derandomize=True)
@given(RAW)
def test_numbers_that_are_none_are_refused(raw: dict[str, Any]) -> None:
    found = read(raw)
    numbers = [
        value for block in (raw, *raw["component"].values()) for value in block.values()
        if isinstance(value, (int, float)) and not isinstance(value, bool)
    ]  # fmt: skip
    if any(not math.isfinite(value) or value < 0 for value in numbers):
        assert found is None
