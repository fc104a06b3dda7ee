"""Header cards read with suspicion: a value is either sensible or unknown, never an exception.

`Header` looks keywords up over one or more header mappings (an extension's own header first,
then the primary one) and turns them into numbers, texts, angles and times. Everything that does
not make sense (text for a number, NaN, out of the stated bounds, cards astropy cannot parse) is
`None`. It knows nothing about what the keywords mean; that is `classifier.facts`.
"""

import math
import re
from collections.abc import Mapping
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

# What programs write when they have nothing to say.
EMPTY_TEXTS = {"", "unknown", "none", "n/a", "na", "null", "undefined", "not set", "-", "?"}


class Header:
    """Several header mappings read as one; the first that has a sensible value answers."""

    def __init__(self, *cards: Mapping[str, Any]):
        self.cards = cards

    def values(self, key: str) -> list[tuple[Any, str]]:
        """All (value, comment) pairs of `key`, nearest header first; damaged cards left out."""
        found = []
        for cards in self.cards:
            try:
                if key not in cards:
                    continue
                value = cards[key]
                comments = getattr(cards, "comments", None)
                comment = str(comments[key]) if comments is not None else ""
            except Exception:  # astropy raises many kinds for damaged cards; damaged is unknown
                continue
            found.append((value, comment))
        return found

    def number(self, *keys: str, low: float, high: float) -> float | None:
        """The first number among `keys` with low <= number <= high."""
        found = self.number_and_comment(*keys, low=low, high=high)
        return found[0] if found else None

    def number_and_comment(self, *keys: str, low: float, high: float) -> tuple[float, str] | None:
        """As `number`, with the card's comment in lower case, where units are often stated."""
        for key in keys:
            for value, comment in self.values(key):
                number = as_number(value)
                if number is not None and low <= number <= high:
                    return number, comment.lower()
        return None

    def text(self, *keys: str) -> str | None:
        """The first text (numbers are written out) among `keys` that says something."""
        for key in keys:
            for value, _ in self.values(key):
                text = as_text(value)
                if text is not None:
                    return text
        return None

    def angle_deg(self, *keys: str, low: float, high: float, hours: bool = False) -> float | None:
        """The first angle in degrees among `keys`: a number, or sexagesimal text.

        `hours` says that sexagesimal text is in hours (right ascension); a plain number is then
        in degrees still, unless the card's comment speaks of hours. A longitude whose comment
        counts it positive to the west comes back positive to the east.
        """
        for key in keys:
            for value, comment in self.values(key):
                in_hours = hours and bool(re.search(r"\bh(ou)?rs?\b|\bhh", comment.lower()))
                number = as_number(value)
                if number is None:
                    number = as_sexagesimal(value)
                    in_hours = hours
                if number is None:
                    continue
                if re.search(r"positive west|\+ ?w\b|west positive|west \+", comment.lower()):
                    number = -number
                degrees = number * 15.0 if in_hours else number
                if low <= degrees <= high:
                    return degrees
        return None


def as_number(value: Any) -> float | None:
    """A finite float from a number or from text that is nothing but a number; else None."""
    if isinstance(value, bool):
        return None
    try:
        number = float(value.strip() if isinstance(value, str) else value)
    except (TypeError, ValueError, OverflowError, AttributeError):
        return None
    return number if math.isfinite(number) else None


def as_text(value: Any) -> str | None:
    """Printable text without surrounding blanks, or None if it says nothing."""
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        return None
    text = f"{value:g}" if isinstance(value, float) else str(value)
    text = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    text = text.strip("=\"' ")  # quotes doubled by careless writers
    return None if text.lower() in EMPTY_TEXTS else text


def as_sexagesimal(value: Any) -> float | None:
    """`12 34 56.7`, `-12:34:56` or `12h34m56s` as a float of the first unit; else None."""
    if not isinstance(value, str):
        return None
    form = r"([+-])?\s*(\d{1,3})[\s:hd°*]+(\d{1,2})(?:[\s:m'′]+(\d{1,2}(?:\.\d*)?)[s\"″]?)?"
    match = re.fullmatch(form, value.strip(), re.ASCII | re.IGNORECASE)
    if match is None:
        return None
    sign, first, minutes, seconds = match.groups()
    if int(minutes) >= 60 or float(seconds or 0) >= 60.0:
        return None
    number = int(first) + int(minutes) / 60.0 + float(seconds or 0) / 3600.0
    return -number if sign == "-" else number


def as_date(text: str) -> date | None:
    """A date from `2024-05-01`, `2024/05/01`, or the FITS form of before 1999, `31/12/98`.

    The old form has two digits of the year and means 19yy (FITS 4.0, section 4.4.2.1).
    """
    match = re.fullmatch(r"(\d{4})[-/](\d{1,2})[-/](\d{1,2})", text.strip(), re.ASCII)
    old = re.fullmatch(r"(\d{1,2})/(\d{1,2})/(\d{2})", text.strip(), re.ASCII)
    try:
        if match:
            return date(*(int(part) for part in match.groups()))
        if old:
            day, month, year = (int(part) for part in old.groups())
            return date(1900 + year, month, day)
    except ValueError:
        return None
    return None


def as_time_of_day(text: str) -> timedelta | None:
    """Time since midnight from `hh:mm`, `hh:mm:ss.sss`; a leap second (60) counts as such."""
    match = re.fullmatch(r"(\d{1,2}):(\d{1,2})(?::(\d{1,2}(?:\.\d*)?))?", text.strip(), re.ASCII)
    if match is None:
        return None
    hours, minutes, seconds = int(match[1]), int(match[2]), float(match[3] or 0.0)
    if hours > 23 or minutes > 59 or seconds >= 61.0:
        return None
    return timedelta(hours=hours, minutes=minutes, seconds=seconds)


def as_moment(day_text: Any, clock_text: Any = None) -> datetime | None:
    """A UTC moment from a FITS date, ISO or with the time of day in a card of its own.

    Without any time of day the moment is midnight UTC of that date. A zone written behind the
    time (not in the standard, but seen) is converted; without one UTC is meant, as the standard
    says.
    """
    if not isinstance(day_text, str):
        return None
    day_part, _, clock_part = day_text.strip().replace(" ", "T", 1).partition("T")
    zone = re.search(r"(Z|[+-]\d{2}:?\d{2})$", clock_part, re.ASCII)
    shift = timedelta()
    if zone:
        clock_part = clock_part[: zone.start()]
        if zone[0] != "Z":
            digits = zone[0].replace(":", "")
            shift = timedelta(hours=int(digits[1:3]), minutes=int(digits[3:5]))
            shift = -shift if digits[0] == "-" else shift
    day = as_date(day_part)
    if day is None:
        return None
    if not clock_part and isinstance(clock_text, str):
        clock_part = clock_text
    clock = as_time_of_day(clock_part) if clock_part.strip() else timedelta()
    if clock is None:
        return None
    try:
        return datetime.combine(day, time(), UTC) + clock - shift
    except OverflowError:
        return None
