"""Dates as people write them, read in the order that a sheet keeps."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

ORDERS: Final = ("month_day_year", "day_month_year", "year_month_day")
#: Day 0 of the serial numbers of workbooks, which stand where a date lost its format.
_SERIAL_START: Final = date(1899, 12, 30)
_SERIALS: Final = (18_000, 80_000)
_MONTHS: Final = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_ISO = re.compile(r"(\d{4})-(\d{2})-(\d{2})(?:[t ].*)?")
_PARTS = re.compile(r"(\d{1,4})\s*[/.\- ]\s*(\d{1,2})\s*[/.\- ]\s*(\d{1,4})(?:,?\s+\d{1,2}:.*)?")
_DAY_NAME = re.compile(
    r"(?:[a-z]{3,9},?\s+)?(\d{1,2})(?:st|nd|rd|th)?[\s\-./]*([a-z]{3,9})\.?,?[\s\-./]*(\d{2,4})"
)
_NAME_DAY = re.compile(r"([a-z]{3,9})\.?[\s\-./]*(\d{1,2})(?:st|nd|rd|th)?,?[\s\-./]+(\d{2,4})")
_SERIAL = re.compile(r"(\d{5})(?:\.\d+)?")
_TOGETHER = re.compile(r"((?:19|20)\d\d)(\d\d)(\d\d)")


def iso_date(text: str, order: str, *, today: date) -> str | None:
    """Return a written date as YYYY-MM-DD, a year alone as it is; None if it is no date in that order.

    Parameters
    ----------
    text : str
    order : {"month_day_year", "day_month_year", "year_month_day"}
        The order of the parts when all are figures; four figures at the front are a year in any order.
    today : date
        A year of two figures is of this century up to next year, else of the last.
    """
    bare = text.strip().casefold()
    if re.fullmatch(r"\d{4}", bare):
        return bare
    if found := _ISO.fullmatch(bare) or _TOGETHER.fullmatch(bare):
        return _day(found[1], found[2], found[3], today)
    if found := _PARTS.fullmatch(bare):
        first, second, third = found.groups()
        if len(first) >= 3 or order == "year_month_day":
            return _day(first, second, third, today)
        month, day = (first, second) if order == "month_day_year" else (second, first)
        return _day(third, month, day, today)
    if found := _DAY_NAME.fullmatch(bare):
        return _day(found[3], _month(found[2]), found[1], today)
    if found := _NAME_DAY.fullmatch(bare):
        return _day(found[3], _month(found[1]), found[2], today)
    if (found := _SERIAL.fullmatch(bare)) and _SERIALS[0] <= int(found[1]) <= _SERIALS[1]:
        return (_SERIAL_START + timedelta(days=int(found[1]))).isoformat()
    return None


def _month(name: str) -> str:
    return str(_MONTHS.index(name[:3]) + 1) if name[:3] in _MONTHS else ""


def _day(year: str, month: str, day: str, today: date) -> str | None:
    if not month or len(year) not in {2, 4} or len(day) > 2:
        return None
    full = int(year)
    if len(year) == 2:
        full += 2000 if full <= (today.year + 1) % 100 else 1900
    try:
        return date(full, int(month), int(day)).isoformat()
    except ValueError:
        return None


def likeliest_order(texts: Iterable[str], *, today: date) -> tuple[str, int, int]:
    """Return the order that makes most texts dates up to today, how many, and how many under the next.

    Equal counts mean that the texts do not tell: the first order is then as good as the second.
    """
    sample = list(texts)

    def fits(order: str) -> int:
        days = (iso_date(text, order, today=today) for text in sample)
        return sum(day is not None and day <= today.isoformat() for day in days)

    ranked = sorted(((fits(order), -place, order) for place, order in enumerate(ORDERS)), reverse=True)
    return ranked[0][2], ranked[0][0], ranked[1][0]


@dataclass(frozen=True, slots=True)
class Misfits:
    """How many dates are one in another order alone, and how many are another day in another order."""

    other_only: int
    either: int


def misfits(texts: Iterable[str], order: str, *, today: date) -> Misfits:
    """Return how far texts speak against an order: a date after today is none in either."""
    others = [other for other in ORDERS if other != order]
    other_only = either = 0
    for text in texts:
        here = _up_to(iso_date(text, order, today=today), today)
        there = {_up_to(iso_date(text, other, today=today), today) for other in others} - {None, here}
        other_only += here is None and bool(there)
        either += here is not None and bool(there)
    return Misfits(other_only, either)


def _up_to(day: str | None, today: date) -> str | None:
    return day if day is not None and day <= today.isoformat() else None
