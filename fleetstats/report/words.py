"""Numbers, dates and ranges as a reader sees them: weeks, round money, chances in ten."""

import math
from collections.abc import Iterable
from datetime import date

DASH = "–"
UNKNOWN = "not known"
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
#: Months by their full names, January first.
MONTH_NAMES = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)  # fmt: skip
_COUNTS = (
    "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
)  # fmt: skip
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def known(value: float | None) -> bool:
    """Return whether `value` is a finite number."""
    return value is not None and math.isfinite(value)


def day(value: date | None, *, weekday: bool = False) -> str:
    """Return a date as "24 Nov 2026", with its weekday before it on request."""
    if value is None:
        return UNKNOWN
    text = f"{value.day} {_MONTHS[value.month - 1]} {value.year}"
    return f"{_DAYS[value.weekday()]} {text}" if weekday else text


def month(value: date) -> str:
    """Return a month as "Dec 2026"."""
    return f"{_MONTHS[value.month - 1]} {value.year}"


def whole(value: float | None) -> str:
    """Return a count with thousands set apart."""
    return f"{round(value):,}" if value is not None and math.isfinite(value) else UNKNOWN


def counted(value: float | None, one: str, many: str | None = None) -> str:
    """Return a count with its noun: "1 site", "12 sites"."""
    noun = one if value is not None and round(value) == 1 else many or f"{one}s"
    return f"{whole(value)} {noun}"


def week_number(days: float | None) -> int | None:
    """Return days as whole weeks; None where unknown."""
    return round(days / 7) if days is not None and math.isfinite(days) else None


def weeks(days: float | None) -> str:
    """Return days as "13 weeks"."""
    number = week_number(days)
    if number is None:
        return UNKNOWN
    return "under a week" if number == 0 else counted(number, "week")


def week_range(low_days: float | None, high_days: float | None) -> str:
    """Return a range of days as "10 to 16 weeks"; empty where unknown."""
    low, high = week_number(low_days), week_number(high_days)
    if low is None and high is None:
        return ""
    if high is None or high > 520:
        return f"{low} weeks or more"
    return f"{low or 0} to {high} weeks" if low != high else weeks(high_days)


def round_money(value: float) -> float:
    """Return money in round units: two leading digits, never finer than five."""
    if abs(value) < 2.5:
        return 0.0
    step = max(5.0, 10.0 ** (math.floor(math.log10(abs(value))) - 1))
    return float(round(value / step) * step)


def money(value: float | None, currency: str = "") -> str:
    """Return money in round units, as "USD 1,100"."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    rounded = round_money(value)
    text = f"{currency} {abs(rounded):,.0f}".strip()
    return f"−{text}" if rounded < 0 else text


def money_range(low: float | None, high: float | None) -> str:
    """Return a range of money as "900 to 1,300"; empty where unknown."""
    return f"{money(low)} to {money(high)}" if known(low) and known(high) else ""


def amount(value: float | None, low: float | None = None, high: float | None = None) -> str:
    """Return a small quantity with one decimal and its range: "1.2 (0.9 to 1.5)"."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    text = _plain(value)
    return f"{text} ({_plain(low)} to {_plain(high)})" if known(low) and known(high) else text


def _plain(value: float | None) -> str:
    assert value is not None
    # z: what rounds to nothing has no sign
    return f"{value:z,.1f}" if abs(value) < 20 else f"{value:z,.0f}"


def share(value: float | None) -> str:
    """Return a ratio with two decimals, as "0.62"."""
    return f"{value:z.2f}" if value is not None and math.isfinite(value) else UNKNOWN


def share_range(low: float | None, high: float | None) -> str:
    """Return a range of ratios as "0.55 to 0.70"; empty where unknown."""
    return f"{share(low)} to {share(high)}" if known(low) and known(high) else ""


def chance(value: float | None) -> str:
    """Return a chance as people say it: "3 in 10", "1 in 50", "under 1 in 200"."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    for top, text in ((0.005, "under 1 in 200"), (0.015, "1 in 100"), (0.035, "1 in 50"), (0.075, "1 in 20")):
        if value < top:
            return text
    if value >= 0.985:
        return "nearly certain"
    return "19 in 20" if value >= 0.945 else f"{round(value * 10)} in 10"


def chance_range(low: float | None, high: float | None) -> str:
    """Return a range of chances as "2 in 10 to 4 in 10"; empty where unknown or of no width."""
    first, last = chance(low), chance(high)
    return f"{first} to {last}" if known(low) and known(high) and first != last else ""


def in_brackets(text: str) -> str:
    """Return " (text)", or nothing for an empty text."""
    return f" ({text})" if text else ""


def listed(words: Iterable[str]) -> str:
    """Return words as a list in a sentence: "a, b and c"."""
    items = list(words)
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}" if items else ""


def sentence(text: str) -> str:
    """Return `text` with its first letter large."""
    return text[:1].upper() + text[1:]


def in_words(value: int) -> str:
    """Return a count up to twelve as a word, a larger one in figures."""
    return _COUNTS[value] if 0 <= value < len(_COUNTS) else whole(value)
