"""The due list as an iCalendar file: one day-long entry for each visit, on its last day."""

import hashlib
from collections import Counter
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta

from fleetstats.report import words
from fleetstats.report.pages.due import Stop


def due_calendar(stops: Sequence[Stop], as_of: date) -> bytes:
    """Return the visits due as iCalendar text (RFC 5545), stamped with the as-of day.

    An overdue visit stands on the as-of day, so that it is not lost in the past. An entry is known by its
    site and its number among the site's visits: a later file moves it instead of adding another.

    Parameters
    ----------
    stops : sequence of Stop
    as_of : date
    """
    from icalendar import Calendar, Event

    stamp = datetime(as_of.year, as_of.month, as_of.day, tzinfo=UTC)
    calendar = Calendar()
    calendar.add("prodid", "-//fleetstats//due list//EN")
    calendar.add("version", "2.0")
    numbers: Counter[str] = Counter()
    for stop in sorted(stops, key=lambda stop: (stop.ends, stop.site_id)):
        numbers[stop.site_id] += 1
        event = Event()
        begins = max(stop.ends, as_of)
        event.add("uid", _uid(stop.site_id, numbers[stop.site_id]))
        event.add("dtstamp", stamp)
        event.add("dtstart", begins)
        event.add("dtend", begins + timedelta(days=1))
        event.add("summary", f"{_warning(stop)}{stop.name}: visit no later than {words.day(stop.ends)}")
        event.add("description", _description(stop))
        event.add("transp", "TRANSPARENT")
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def _warning(stop: Stop) -> str:
    return f"{stop.urgent.upper()} – " if stop.urgent else ""


def _description(stop: Stop) -> str:
    lines = [f"Book {stop.when}."]
    for task in stop.tasks:
        lines.append("; ".join(text for text in (task.what, task.why) if text))
    if stop.gauge:
        lines.append(stop.gauge)
    return "\n".join(lines)


def _uid(site_id: str, number: int) -> str:
    digest = hashlib.sha256(f"{site_id}\n{number}".encode()).hexdigest()
    return f"{digest[:24]}@fleetstats"
