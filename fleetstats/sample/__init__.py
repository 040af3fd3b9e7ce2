"""Invented service records from a physical story with known truth, and the price of any plan against it."""

from fleetstats.sample.files import write_fleet, write_sample
from fleetstats.sample.fleet import InventedFleet, invent_fleet
from fleetstats.sample.stories import STORIES, Story
from fleetstats.sample.truth import Truth

__all__ = ["STORIES", "InventedFleet", "Story", "Truth", "invent_fleet", "write_fleet", "write_sample"]
