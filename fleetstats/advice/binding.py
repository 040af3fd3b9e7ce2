"""What holds each interval: a limit, a decision, the trip shared with a neighbour, or the lowest cost."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from fleetstats.advice.limits import HARD, LIMITS, Limits
from fleetstats.advice.terms import MOST_VISITS
from fleetstats.quantities import WEEK, BoolArray, FloatArray, IntArray

COST: Final = "cost"
_CHANCE: Final = "failure_chance"
#: Even the shortest visit interval is too long for one of the limits.
CANNOT_BE_MET: Final = "cannot_be_met"
#: A decision, and no limit, holds the interval.
DECISION: Final = "decision"
#: Another site at the address, served by the same trip, asks for it: by a limit, a decision or its costs.
SHARED_TRIP: Final = "shared_trip"
#: Visits closer together would cost less, but the settings look at none.
SHORTEST_VISIT: Final = "shortest_visit"
#: Cost alone would leave it in for longer, but plans look no further than every fourth visit.
MOST_NTH: Final = "fourth_visit"
#: All that may be named, limits aside.
NAMES: Final = (COST, CANNOT_BE_MET, DECISION, SHARED_TRIP, SHORTEST_VISIT, MOST_NTH)


@dataclass(frozen=True, slots=True)
class Choice:
    """What was chosen for some units and what else could have been; arrays (units,), days; inf where none.

    Attributes
    ----------
    visit_days, every_n : array (units,)
        The plan.
    free_visit_days, free_days : array
        Visit interval and interval that cost alone would choose; inf where cost is not asked.
    undecided_visit_days : array
        Visit interval that limits and costs choose with all decisions aside.
    alone_visit_days : array
        Visit interval that the unit's site would choose if no other shared its trip.
    closer_visit_days : array
        Visit interval that would cost clearly less, were closer ones looked at; the plan's where none would.
    pin : array
        Visit interval pinned at the address.
    most_days, own_most_days : array
        Hard limit on the visit interval of the address, and of the unit's own site alone.
    decided_here : array of bool
        A decision on the unit's own site is what binds its address.
    of_uv_unit : array of bool
        Of the UV unit, whose tolerated chance of being spent no decision passes.
    """

    visit_days: FloatArray
    every_n: IntArray
    free_visit_days: FloatArray
    free_days: FloatArray
    undecided_visit_days: FloatArray
    alone_visit_days: FloatArray
    closer_visit_days: FloatArray
    pin: FloatArray
    most_days: FloatArray
    own_most_days: FloatArray
    decided_here: BoolArray
    of_uv_unit: BoolArray


def name_held(limits: Limits, unmet: BoolArray, choice: Choice, *, site: IntArray) -> list[str]:
    """Return, for each unit, what holds its interval.

    Parameters
    ----------
    limits : Limits
        Of the units.
    unmet : array (units,) of bool
        No visit interval keeps one of its limits.
    choice : Choice
    site : array (units,)
        Which site each unit is at; a decision is cut by the strictest hard limit of its whole site.
    """
    names = name_binding(
        limits=limits,
        interval_days=choice.visit_days * choice.every_n,
        visit_days=choice.visit_days,
        every_n=choice.every_n,
        free_days=choice.free_days,
        free_visit_days=choice.free_visit_days,
    )
    cut_by = _strictest_of_site(limits, site, choice.of_uv_unit)
    shared = (choice.most_days < choice.own_most_days) & (choice.most_days - choice.visit_days < WEEK)
    shared &= choice.free_visit_days > choice.visit_days
    shared |= np.abs(choice.alone_visit_days - choice.visit_days) >= WEEK
    closer = (choice.closer_visit_days < choice.visit_days) & (choice.every_n == 1)
    moved = choice.undecided_visit_days != choice.visit_days
    tight = _tight(limits, choice)
    most_nth = (choice.every_n == MOST_VISITS) & (
        np.minimum(choice.free_days, limits.unit_days.min(axis=1)) >= choice.visit_days * (MOST_VISITS + 1)
    )
    out = []
    for row, asked in enumerate(names):
        name = CANNOT_BE_MET if unmet[row] else asked
        decided = DECISION if choice.decided_here[row] else SHARED_TRIP
        if limits.impossible[row]:
            out.append(CANNOT_BE_MET)
        elif np.isfinite(choice.pin[row]):
            out.append(_pinned(name if tight[row] else COST, row, choice, cut_by[row], decided))
        elif name != COST and (tight[row] or unmet[row] or not (moved[row] or shared[row])):
            out.append(name)
        elif moved[row]:
            out.append(decided)
        elif shared[row]:
            out.append(SHARED_TRIP)
        elif closer[row]:
            out.append(SHORTEST_VISIT)
        else:
            out.append(MOST_NTH if most_nth[row] else COST)
    return out


def _tight(limits: Limits, choice: Choice) -> BoolArray:
    """Return which units a limit of their own keeps from visits a week further apart, (units,)."""
    longer = choice.visit_days + WEEK
    of_unit = limits.unit_days.min(axis=1) < longer * choice.every_n
    return np.asarray(of_unit | (limits.visit_days.min(axis=1) < longer))


def _pinned(name: str, row: int, choice: Choice, cut_by: tuple[float, str], decided: str) -> str:
    """Return what holds an interval at an address with a pinned one: the pin, or what cuts it shorter."""
    if choice.pin[row] - choice.visit_days[row] < WEEK:
        kept = name in LIMITS[:HARD] or (name == _CHANCE and choice.of_uv_unit[row])
        return name if kept else decided
    days, limit = cut_by
    return limit if days < choice.visit_days[row] + WEEK else SHARED_TRIP


def _strictest_of_site(limits: Limits, site: IntArray, of_uv: BoolArray) -> list[tuple[float, str]]:
    """Return for each unit the strictest limit at its site that no decision passes: days and name."""
    chance = np.where(of_uv, limits.unit_days[:, LIMITS.index(_CHANCE)], np.inf)
    hard = np.column_stack([limits.visit_days, limits.unit_days[:, :HARD], chance])
    named = [*LIMITS, *LIMITS[:HARD], _CHANCE]
    found: dict[int, tuple[float, str]] = {}
    for row, at in enumerate(site.tolist()):
        own = int(hard[row].argmin())
        days = float(hard[row, own])
        if at not in found or days < found[at][0]:
            found[at] = days, named[own]
    return [found[at] for at in site.tolist()]


def name_binding(
    *,
    limits: Limits,
    interval_days: FloatArray,
    visit_days: FloatArray,
    every_n: IntArray,
    free_days: FloatArray,
    free_visit_days: FloatArray,
) -> list[str]:
    """Return, for each unit, the limit that keeps its interval shorter than cost alone would choose.

    Parameters
    ----------
    limits : Limits
    interval_days, visit_days, every_n : array (units,)
        The plan.
    free_days, free_visit_days : array (units,)
        What cost alone would choose; inf where cost is not asked.
    """
    next_longer = interval_days + np.maximum(visit_days, WEEK * every_n)
    reach = np.minimum(free_days, next_longer)[:, None]
    binds = np.where(limits.unit_days < reach, limits.unit_days, np.inf)
    shortened = (interval_days < free_days) & (visit_days < free_visit_days)
    of_visit = shortened[:, None] & (
        limits.visit_days < np.minimum(free_visit_days, visit_days + WEEK)[:, None]
    )
    visit_binds = np.where(of_visit, limits.visit_days, np.inf)
    names = []
    for row in range(len(interval_days)):
        if limits.impossible[row]:
            names.append(CANNOT_BE_MET)
        elif np.isfinite(binds[row]).any():
            names.append(LIMITS[int(binds[row].argmin())])
        elif np.isfinite(visit_binds[row]).any():
            names.append(LIMITS[int(visit_binds[row].argmin())])
        else:
            names.append(COST)
    return names
