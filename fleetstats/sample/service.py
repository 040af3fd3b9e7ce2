"""What a technician finds, does and reads at the visits of one day."""

from dataclasses import dataclass

import numpy as np

from fleetstats.quantities import BoolArray, FloatArray, IntArray
from fleetstats.sample import logbook as words
from fleetstats.sample.district import crew_of
from fleetstats.sample.stories import Story
from fleetstats.sample.wear import CARBON, LAMP, SEDIMENT, SEDIMENT_2, SLEEVE

_CARTRIDGES = [SEDIMENT, SEDIMENT_2, CARBON]
_YOUNG_DAYS = 60  # a cartridge put in at a call-out two months ago is mostly left in
_LAMP_DAYS = 365
_BROKEN_SHARE = 0.002  # sleeves found cracked
_SPENT = (words.BLOCKED, words.FAILED, words.DAMAGED)  # found so, a unit is renewed at any visit


@dataclass(frozen=True, slots=True)
class Arrivals:
    """The m visits of one day.

    Attributes
    ----------
    site, reason, cause, reported : array (m,)
        Home, codes of the logbook, and the day the household called (0 for none).
    full : array (m,) of bool
        Whether the whole round of work is done.
    technician : array (m,)
    """

    day: int
    site: IntArray
    reason: IntArray
    cause: IntArray
    reported: IntArray
    full: BoolArray
    technician: IntArray


@dataclass(frozen=True, slots=True)
class WorkDone:
    """What was found and done, arrays (5, m); `touched` says where a row of work is written.

    Attributes
    ----------
    condition, action : array (5, m) of int
    renewed : array (5, m) of bool
    """

    condition: IntArray
    action: IntArray
    touched: BoolArray
    renewed: BoolArray


def technicians(site: IntArray, region: IntArray, sites: int, rng: np.random.Generator) -> IntArray:
    """Return who comes: one of the two technicians of the home's crew."""
    crew: IntArray = crew_of(region, sites)[site]
    return crew * 2 + rng.integers(0, 2, len(site))


def find(share: FloatArray, rng: np.random.Generator) -> IntArray:
    """Return the condition seen at each unit, array (5, m), from the share of its life that is spent.

    An eye is about 5 % off; a lamp burns or does not.
    """
    seen = share * np.exp(0.05 * rng.standard_normal(share.shape))
    loaded = (seen >= 0.8) & (rng.random(share.shape) < 0.7)
    loaded[[LAMP, SLEEVE]] = False
    spent = np.where(share >= 1, True, seen >= 1)
    spent[LAMP] = share[LAMP] >= 1
    word = np.array([words.BLOCKED] * 3 + [words.FAILED, words.SCALED])[:, None]
    return np.where(spent, word, np.where(loaded, words.LOADED, words.GOOD))


def work(
    arrivals: Arrivals,
    *,
    share: FloatArray,
    age: IntArray,
    has: BoolArray,
    story: Story,
    rng: np.random.Generator,
) -> WorkDone:
    """Return what is done at each unit under the firm's rule, with its technicians' habits.

    Parameters
    ----------
    share, age : array (5, m)
        Share of life spent, and days since the unit went in or was cleaned.
    has : array (5, m) of bool
    """
    condition = find(share, rng)
    condition[SLEEVE] = np.where(
        rng.random(len(arrivals.site)) < _BROKEN_SHARE, words.DAMAGED, condition[SLEEVE]
    )
    spent = np.isin(condition, _SPENT) & has
    new = np.broadcast_to(arrivals.reason == words.COMMISSION, share.shape)
    leaks = (arrivals.cause == words.LEAK) & (rng.random(len(arrivals.site)) < 0.6) & ~spent[SEDIMENT]
    renewed = _renewed_by_rule(arrivals, condition, age, story, rng)
    renewed[_CARTRIDGES] |= _more_than_asked(arrivals, story, rng)
    renewed[SEDIMENT] |= leaks
    looked = rng.random(share.shape) < np.where(arrivals.full, 0.85, 0.3)
    looked[SLEEVE] |= renewed[LAMP]
    renewed[SLEEVE] |= looked[SLEEVE] & (condition[SLEEVE] == words.SCALED)
    skipped = rng.random(share.shape) < story.skipped_share
    renewed = ((renewed & ~skipped) | spent | new) & has
    touched = renewed | (looked & ~skipped & has)
    expired = renewed[LAMP] & ~spent[LAMP] & (age[LAMP] > 330) & (rng.random(len(arrivals.site)) < 0.5)
    condition[LAMP] = np.where(expired, words.EXPIRED, condition[LAMP])
    condition[SEDIMENT] = np.where(leaks & renewed[SEDIMENT], words.LEAKING, condition[SEDIMENT])
    action = np.where(new, words.FITTED, np.where(renewed, words.REPLACED, words.INSPECTED))
    scaled_only = renewed[SLEEVE] & (condition[SLEEVE] != words.DAMAGED) & ~new[SLEEVE]
    action[SLEEVE] = np.where(scaled_only, words.CLEANED, action[SLEEVE])
    written = np.where(new, words.UNWRITTEN, _written(condition, spent, story, rng))
    return WorkDone(written, action, touched, renewed)


def _more_than_asked(arrivals: Arrivals, story: Story, rng: np.random.Generator) -> BoolArray:
    """Return the call-outs, array (m,), at which all cartridges are renewed while one is there anyway."""
    for_wear = ~arrivals.full & (arrivals.cause <= words.TASTE_ODOUR)
    return for_wear & (rng.random(len(arrivals.site)) < story.more_at_callout_share)


def _renewed_by_rule(
    arrivals: Arrivals, condition: IntArray, age: IntArray, story: Story, rng: np.random.Generator
) -> BoolArray:
    """Return what a full round renews, array (5, m), good-looking cartridges left in by habit left out."""
    easy_going = arrivals.technician % 3 == 0
    leaves = story.left_good_share * np.where(easy_going, 2.0, 0.5)
    leaves = np.where(age < _YOUNG_DAYS, 0.7, leaves)
    stays = (condition == words.GOOD) & (rng.random(age.shape) < leaves)
    renewed: BoolArray = arrivals.full & ~stays
    due_lamp = age[LAMP] + story.visit_interval_days / 2 > _LAMP_DAYS
    renewed[LAMP] = arrivals.full & due_lamp
    renewed[SLEEVE] = arrivals.full
    return renewed


def _written(condition: IntArray, spent: BoolArray, story: Story, rng: np.random.Generator) -> IntArray:
    """Return the conditions as written down: some are left blank or called unknown, less often when spent."""
    chance = rng.random(condition.shape)
    unknown = chance < story.unknown_share * np.where(spent, 0.4, 1.0)
    blank = chance < 0.5 * story.unknown_share * np.where(spent, 0.4, 1.0)
    return np.where(blank, words.UNWRITTEN, np.where(unknown, words.UNKNOWN, condition))
