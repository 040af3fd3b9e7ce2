"""How long a unit lasts at a site, against its like and the fleet, and what on record explains it."""

import math
from collections.abc import Mapping
from datetime import date
from typing import Any, Final

import polars as pl

from fleetstats.components import Component, plural_of, role_of
from fleetstats.report import labels, words

Row = Mapping[str, Any]
_Key = tuple[str, str, str]
#: A life within this factor of the fleet's middle one is as elsewhere.
AS_ELSEWHERE: Final = 1.25
#: Known facts explain most of a difference from this share of it on, and part of it from that share.
MOST, PART = 0.5, 0.2


class Lives:
    """What is known of the lives at each site, laid out by key so that a sentence needs no search.

    Parameters
    ----------
    components : mapping of name to Component
    site_life, spells, reasons : polars frames
        The result tables site_life, spells and known_reasons.
    """

    def __init__(
        self,
        *,
        components: Mapping[str, Component],
        site_life: pl.DataFrame,
        spells: pl.DataFrame,
        reasons: pl.DataFrame,
    ) -> None:
        self._components = components
        self._lives = {_key(row): row for row in site_life.iter_rows(named=True)}
        middles = site_life.group_by("component").agg(pl.col("median_days").median())
        self._middle: dict[str, float] = dict(middles.iter_rows())
        self._since: dict[_Key, date] = {}
        self._unnoted: dict[_Key, int] = {}
        for row in spells.iter_rows(named=True):
            self._count(row)
        self._reasons: dict[tuple[str, str, str, bool], list[str]] = {}
        self._moved: dict[tuple[str, str, str, bool], float] = {}
        for row in reasons.iter_rows(named=True):
            key = (*_key(row), row["time_ratio"] < 1.0)
            self._reasons.setdefault(key, []).append(labels.reason(row))
            self._moved[key] = self._moved.get(key, 0.0) + math.log(row["time_ratio"])

    def told(self, row: Row) -> str:
        """Return how many units stood here since when, how many were found spent, how long they last.

        `row` is one of `intervals`: site_id, component, slot, spells, failures.
        """
        counted = self._counted(row)
        life = self._lives.get(_key(row))
        if life is None or not words.known(life["median_days"]):
            return f"{counted}."
        spread = words.in_brackets(words.week_range(life["low_days"], life["high_days"]))
        told = f"{counted}; half last beyond {words.weeks(life['median_days'])}{spread}"
        if words.known(life["relative_life"]):
            ratio = words.in_brackets(words.share_range(life["relative_low"], life["relative_high"]))
            told += f", {words.share(life['relative_life'])} of the life at sites like it{ratio}"
        reason = self._explained(life)
        return f"{told}; {reason}." if reason else f"{told}."

    def unnoted(self, row: Row) -> str:
        """Return, as the end of a sentence, how many units came out without their condition noted."""
        count = self._unnoted.get(_key(row), 0)
        if not count:
            return ""
        told = f"; so far {words.in_words(count)} came out with the condition not noted"
        return f"{told}: note it at every removal"

    def _count(self, row: Row) -> None:
        key, fitted = _key(row), row["fitted_on"]
        if fitted is not None and fitted < self._since.get(key, date.max):
            self._since[key] = fitted
        if row["ended_how"] in ("taken_out", "unknown") and (row["end_condition"] or "unknown") == "unknown":
            self._unnoted[key] = self._unnoted.get(key, 0) + 1

    def _counted(self, row: Row) -> str:
        spells, failures = row["spells"] or 0, row["failures"] or 0
        name = row["component"]
        noun, gone = labels.in_sentence(name, row["slot"] or ""), role_of(self._components, name).spent
        if not spells:
            return f"No {noun} here was followed yet"
        since = self._since.get(_key(row))
        until = f" since {since.year}" if since else ""
        plural = plural_of(name) if spells != 1 else labels.in_sentence(name)
        slot = words.in_brackets(row["slot"] or "")
        found = words.in_words(failures) if failures else "none"
        return f"{words.sentence(words.in_words(spells))} {plural}{slot} here{until}, {found} found {gone}"

    def _explained(self, life: Row) -> str:
        """Return what explains a life unlike the fleet's middle one; empty where it is as elsewhere."""
        middle, like = self._middle.get(life["component"]), life["like_days"]
        if not middle or not like or life["median_days"] <= 0:
            return ""
        apart = math.log(life["median_days"] / middle)
        if abs(apart) < math.log(AS_ELSEWHERE):
            return "that is much as elsewhere in the fleet"
        much = "less" if apart < 0 else "more"
        share = math.log(like / middle) / apart
        key = (*_key(life), apart < 0)
        reasons = self._reasons.get(key, [])
        # neither more than all known facts make out together, nor than those that are clear
        told = min(share, self._moved.get(key, 0.0) / apart)
        if told >= PART and reasons:
            verb = "explains" if len(reasons) == 1 and not reasons[0].endswith("trees") else "explain"
            how = "most" if told >= MOST else "part"
            return f"{words.listed(reasons)} {verb} {how} of why it is {much} than in the fleet's middle"
        if share >= MOST:
            return f"sites like it last {much} than the fleet's middle too, for no single clear reason"
        return f"nothing on record explains why it is {much} than in the fleet's middle"


def _key(row: Row) -> _Key:
    return row["site_id"], row["component"], row["slot"] or ""
