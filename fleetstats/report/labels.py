"""The reader's word for each word of the records and the analysis."""

import math
import re
from collections.abc import Mapping
from datetime import date

from fleetstats.components import label_of, plural_of, role_of
from fleetstats.report import words
from fleetstats.report.results import Results
from fleetstats.report.words import sentence

ACTIONS: Mapping[str, str] = {
    "fitted": "fitted", "replaced": "replaced", "cleaned": "cleaned", "inspected": "looked at",
    "removed": "taken out", "replace": "replace", "clean": "clean", "inspect": "check", "test": "test",
}  # fmt: skip
CONDITIONS: Mapping[str, str] = {
    "good": "good", "loaded": "loaded", "blocked": "spent (blocked)", "scaled": "scaled", "failed": "dead",
    "expired": "past its date", "leaking": "leaking", "damaged": "damaged", "unknown": "not noted",
}  # fmt: skip
CAUSES: Mapping[str, str] = {
    "low_pressure": "low pressure", "uv_alarm": "UV alarm", "leak": "leak", "taste_odour": "taste or odour",
    "discoloured": "discoloured water", "failed_sample": "failed sample", "pump": "pump",
    "tank_empty": "tank empty", "other": "other",
}  # fmt: skip
REASONS: Mapping[str, str] = {
    "routine": "planned visit", "callout": "call-out", "commission": "commissioning", "other": "other visit",
}  # fmt: skip
#: One and many records of each table.
RECORDS: Mapping[str, tuple[str, str]] = {
    "sites": ("site", "sites"), "visits": ("visit", "visits"), "work": ("row of work", "rows of work"),
    "parts": ("part number", "part numbers"), "changes": ("change at a site", "changes at sites"),
    "samples": ("sample result", "sample results"), "site_limits": ("limit", "limits"),
    "decisions": ("decision", "decisions"),
}  # fmt: skip
EVIDENCE: Mapping[str, str] = {
    "own_records": "this site's own records",
    "like_sites": "sites like it, and what little it has shown itself",
    "customary": "what is usual in the trade, as the records here are still too few",
}
#: What holds an interval, short for tables.
LIMITS: Mapping[str, str] = {
    "failed_sample": "failed sample", "open_alarm": "open UV alarm", "rated_life": "rated life",
    "site_limit": "limit of this site", "local_rule": "local rule", "ceiling": "longest time in service",
    "beyond_records": "ages seen so far", "failure_chance": "chance of being spent",
    "cannot_be_met": "cannot be met", "few_records": "too few records", "cost": "lowest cost",
    "decision": "decision", "shared_trip": "trip shared with its neighbour",
    "shortest_visit": "shortest time between visits looked at", "fourth_visit": "every fourth visit at most",
}  # fmt: skip
#: Limits on the age of a unit.
_OF_AGE = ("rated_life", "site_limit", "ceiling")
_WEEK = 7.0
#: What holds an interval, as a sentence.
LIMIT_SENTENCES: Mapping[str, str] = {
    "failed_sample": "A failed sample is open here: nothing is lengthened until a later good result.",
    "open_alarm": "A UV alarm is open here: nothing is lengthened until it is put right.",
    "rated_life": "It is never left past its rated life, however well it still seems to work.",
    "site_limit": "A limit agreed or set for this site holds it there.",
    "local_rule": "The local rule allows no longer.",
    "ceiling": "It is never left in service longer than that, whatever it would save.",
    "beyond_records": "No unit has been watched for long enough to go further.",
    "failure_chance": "A longer wait would pass the chance of being spent that the settings allow.",
    "cannot_be_met": "Even the shortest visit interval cannot hold the chance of being spent to its limit.",
    "few_records": "The records cannot yet say better than custom.",
    "decision": "A decision taken for this site holds it there.",
    "shared_trip": "One trip serves all homes at this address, and another of them sets how often it comes.",
    "fourth_visit": "It could stay in longer, but plans renew it at every fourth visit at the latest.",
    "shortest_visit": "Closer visits would cost less still, but the settings look at none.",
    "cost": "Sooner would waste parts and trips; later would bring dearer call-outs.",
}
#: Why a fitting does not count in any life.
LEFT_OUT: Mapping[str, str] = {
    "age_unknown": "in place before the records began, and nobody wrote down since when",
    "component_not_defined": "the settings define no such component",
    "cut_by_refused_row": "a visit that was set aside may have ended it",
    "nothing_known": "nobody noted its condition, neither in place nor when it came out",
    "passing_change": "a drought, ash or the like touched it, and the settings leave such out",
    "spent_at_first_look": "found spent at the very first visit: since when, nobody knows",
    "zero_days": "in and out on the same day",
}
_FACTS: Mapping[str, str] = {
    "tree_cover": "trees", "tank_material": "tank", "roof_material": "roof", "tank_and_age": "tank",
    "part_number": "part", "first_flush": "first flush", "log_daily_litres": "daily water use",
    "log_hardness": "hardness", "daily_litres": "daily water use", "hardness_mg_l": "hardness",
}  # fmt: skip
_LEVELS: Mapping[str, Mapping[str, str]] = {
    "tree_cover": {"none": "no trees", "some": "some trees", "heavy": "heavy trees"},
    "first_flush": {"yes": "with a first flush", "no": "without a first flush"},
    "occupancy": {"all_year": "all year", "seasonal": "part of the year"},
}
#: A number that shortens a life, one that lengthens it, and its unit.
_NUMBERS: Mapping[str, tuple[str, str, str]] = {
    "log_daily_litres": ("heavy use", "light use", " litres a day"),
    "log_hardness": ("water harder than most", "water softer than most", " mg/L"),
}
#: What makes water doubtful, and until when.
_UNTREATED: Mapping[str, tuple[str, str]] = {
    "failed_sample": ("A water sample failed{on}{what}.", "a new sample is good"),
    "open_alarm": ("The UV unit raised an alarm{on}.", "it is put right"),
    "lamp_dead": ("The UV lamp was found dead{on}.", "it is renewed"),
    "lamp_missing": ("The UV unit is without a lamp.", "one is fitted"),
    "lamp_past_rated": ("The UV lamp passed its rated life of {days} days{on}.", "it is renewed"),
    "sleeve_scaled": ("The quartz sleeve was found scaled{on}.", "it is cleaned or renewed"),
}
_TERM = re.compile(r"^(?P<column>[^\[\]]+)\[(?P<level>.*)\]$")
#: Kinds of changes that name what was changed, not what happened.
_CHANGED = ("roof", "tank", "pump", "screen", "first_flush", "household")


def plain(word: str | None) -> str:
    """Return a recorded word without its underscores; empty for a blank."""
    return (word or "").replace("_", " ")


def component(name: str, slot: str = "") -> str:
    """Return a component's name with its slot: "Sediment cartridge (upper)"."""
    return sentence(in_sentence(name, slot))


def in_sentence(name: str, slot: str = "") -> str:
    """Return a component's name as it stands within a sentence: "UV lamp", "sediment cartridge (upper)"."""
    return f"{label_of(name)} ({slot})" if slot else label_of(name)


def counted(value: float, name: str) -> str:
    """Return a count of units of one component: "1 UV lamp", "12 UV lamps"."""
    return words.counted(value, label_of(name), plural_of(name))


def change(kind: str | None) -> str:
    """Return what changed at a site: what happened by its name, what was changed as changed."""
    if kind in (None, "other"):
        return "a change"
    return f"{plain(kind)} changed" if kind in _CHANGED else plain(kind)


def reason(row: Mapping[str, object]) -> str:
    """Return a fact that moves a life in words: "heavy trees", "heavy use (677 litres a day)"."""
    fact, value = str(row["fact"]), row["value"]
    if not isinstance(value, float):
        return fact_level(fact, str(row["level"]))
    much, little, unit = _NUMBERS.get(fact, (f"much {plain(fact)}", f"little {plain(fact)}", ""))
    shorter = float(str(row["time_ratio"])) < 1.0
    return f"{much if shorter else little} ({words.whole(value)}{unit})"


def untreated(row: Mapping[str, object]) -> str:
    """Return why a home's water is not to be drunk untreated and until when; a row of `unsafe_water`."""
    since, what = row["since"], plain(str(row["what"] or ""))
    on = f" on {words.day(since)}" if isinstance(since, date) else ""
    before, until = _UNTREATED[str(row["why"])]
    told = before.format(on=on, what=f" ({what})" if what else "", days=f"{row['days'] or 0:.0f}")
    return f"{told} Do not drink the water untreated until {until}."


def gone(results: Results, name: str) -> str:
    """Return the word for a unit at the end of its life: spent, dead or scaled."""
    return role_of(results.display.components, name).spent


def left_out(word: str) -> str:
    """Return why a fitting does not count in any life."""
    return LEFT_OUT.get(word, plain(word))


def limit(word: str | None, source: str | None = "") -> str:
    """Return what holds an interval, in a few words."""
    head, _, rest = (word or "").partition(":")
    told = LIMITS.get(head, plain(head))
    about = plain(rest.strip()) or (source or "")
    return f"{told} ({about})" if about else told


def limit_sentence(word: str | None, source: str | None = "") -> str:
    """Return what holds an interval, as a sentence; empty for a blank."""
    head, _, rest = (word or "").partition(":")
    text = LIMIT_SENTENCES.get(head, f"{plain(head).capitalize()} holds it there." if head else "")
    about = plain(rest.strip()) or (source or "")
    return f"{text} ({about})" if about and text else text


def next_visit_sentence(word: str | None, hard_days: float | None, interval_days: float | None) -> str:
    """Return what holds an interval that is well below its hard limit: the visit after would pass that.

    Empty where it is not a hard limit on age that holds it, or the interval lies within a week of it.
    """
    if word not in _OF_AGE or hard_days is None or interval_days is None or hard_days - interval_days < _WEEK:
        return ""
    return f"Left in until the visit after, it would pass its limit: {LIMITS[word]}."


def fact_level(column: str, level: str) -> str:
    """Return one level of a fact in words: "heavy trees", "concrete tank"."""
    known = _LEVELS.get(column, {})
    if level in known:
        return known[level]
    noun = _FACTS.get(column, plain(column))
    if column == "tank_and_age" and level.startswith("concrete "):
        return f"concrete tank, {level.removeprefix('concrete ')}"
    if level == "unknown":
        return f"{noun} not known"
    return f"{noun} {level}" if column == "part_number" else f"{plain(level)} {noun}"


def term(name: str) -> tuple[str, float]:
    """Return an effect in words, and the power that turns its time ratio into that effect.

    The ratio of a logarithm is for a factor e; the reader is told of twice as much, so its power is ln 2.
    """
    level = _TERM.match(name)
    if level:
        return fact_level(level["column"], level["level"]), 1.0
    if name.endswith(("_unknown", " unknown")):
        column = name[:-8]
        return f"{_FACTS.get(column, plain(column))} not known", 1.0
    if name.startswith("log_"):
        return f"twice the {_FACTS.get(name, plain(name[4:]))}", math.log(2.0)
    return f"one more of {_FACTS.get(name, plain(name))}", 1.0
