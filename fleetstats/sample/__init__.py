"""Invented service records from a physical story whose truth is known."""

from fleetstats.sample.files import write_fleet, write_sample
from fleetstats.sample.fleet import InventedFleet, invent_fleet
from fleetstats.sample.stories import Story

__all__ = ["InventedFleet", "Story", "invent_fleet", "write_fleet", "write_sample"]
