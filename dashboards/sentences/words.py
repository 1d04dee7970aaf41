"""Numbers and dates as the page says them."""

import datetime as dt
import math
import re
from collections.abc import Sequence

THIN_SPACE = "\u202f"
NO_BREAK = "\u00a0"
MINUS = "\u2212"
NOTHING = "–"
NO_DEPOT = "no depot on record"
LEAST_FIGURE = 1e-6  # of anything a page tells of, less is what arithmetic left over

_MONTHS = "January February March April May June July August September October November December"
MONTHS = tuple(_MONTHS.split())


def number(value: float | None, digits: int = 0) -> str:
    r"""
    >>> number(12345.678, 1), number(-0.04, 1), number(None)
    ('12\u202f345.7', '0.0', '–')
    """
    if value is None or not math.isfinite(value):
        return NOTHING
    text = f"{abs(value):,.{digits}f}".replace(",", THIN_SPACE)
    return MINUS + text if value < 0 and float(f"{value:.{digits}f}") != 0 else text


def figures(value: float | None, significant: int = 2) -> str:
    r"""So many significant figures, never in exponent form.

    >>> figures(0.03172), figures(1234.5), figures(9.96)
    ('0.032', '1\u202f200', '10')
    """
    if value is None or not math.isfinite(value):
        return NOTHING
    if abs(value) < LEAST_FIGURE:
        return "0"
    digits = significant - 1 - math.floor(math.log10(abs(value)))
    rounded = round(value, digits)
    return number(rounded, max(0, significant - 1 - math.floor(math.log10(abs(rounded)))))


def with_interval(value: float, low: float | None, high: float | None, unit: str = "") -> str:
    r"""A value and its interval, to as many figures as the interval warrants.

    >>> with_interval(1.4812, 1.4561, 1.5064, "mm"), with_interval(64210, 37040, 92480, "km")
    ('1.48\xa0mm (1.46–1.51)', '64\u202f000\xa0km (37\u202f000–92\u202f000)')
    >>> with_interval(4.2, 4.2, 4.2)
    '4.2 (4.2)'

    An end that was not found is open.

    >>> with_interval(8.31, 2.104, None), with_interval(8.31, None, 12.4)
    ('8.3 (2.1 or more)', '8.3 (12.4 or less)')
    """
    known = [v for v in (low, high) if v is not None]
    places = _places(value, known[-1] - known[0]) if len(known) == 2 else _places(value, 0.0)
    middle, *ends = (number(round(v, places), max(0, places)) for v in (value, *known))
    if len(known) < 2:
        body = f" ({ends[0]} or {'less' if low is None else 'more'})" if known else ""
        return f"{middle}{NO_BREAK}{unit}{body}" if unit else f"{middle}{body}"
    return f"{middle}{NO_BREAK}{unit} ({span(*ends)})" if unit else f"{middle} ({span(*ends)})"


def _places(value: float, width: float) -> int:
    """Decimal places that an interval so wide warrants; negative: tens, hundreds."""
    size = width or abs(value)
    if not size:
        return 0
    first = math.floor(math.log10(size))
    coarse = size / 10**first < 3.5 or (value and math.log10(abs(value)) < first + 1)
    return 1 - first if coarse else -first


def share(value: float | None, digits: int = 0) -> str:
    r"""
    >>> share(0.874), share(0.0004), share(0.9999)
    ('87\xa0%', 'under 1\xa0%', 'over 99\xa0%')
    """
    if value is None or not math.isfinite(value):
        return NOTHING
    smallest = 10.0**-digits
    percent = 100 * value
    if 0 < percent < smallest / 2:
        return f"under {smallest:.{digits}f}\u00a0%"
    if 100 - smallest / 2 < percent < 100:
        return f"over {100 - smallest:.{digits}f}\u00a0%"
    return f"{number(percent, digits)}\u00a0%"


def typeset(sentence: str) -> str:
    r"""A sentence with its numbers as the page writes them.

    >>> typeset("it fell by -0.2 mm (95% interval -1,234 to 5) until 2025-03-31")
    'it fell by −0.2 mm (95\xa0% interval −1\u202f234 to 5) until 2025-03-31'
    """
    spaced = re.sub(r"(?<=\d),(?=\d{3}\b)", THIN_SPACE, sentence)
    signed = re.sub(r"(?<=[ (])-(?=\d)", MINUS, spaced)
    return re.sub(r"(?<=\d) ?%", f"{NO_BREAK}%", signed)


def plain(sentence: str) -> str:
    r"""The same for a terminal: no spaces that a search or a paste would stumble over.

    >>> plain("5\u202f180 rows, 51\xa0%")
    '5,180 rows, 51 %'
    """
    return sentence.replace(THIN_SPACE, ",").replace(NO_BREAK, " ")


def span(low: str, high: str, unit: str = "") -> str:
    r"""From low to high; a unit that both have is said once.

    >>> span("3", "5", "mm"), span("3", "3", "mm"), span("3\xa0%", "5\xa0%")
    ('3–5\xa0mm', '3\xa0mm', '3–5\xa0%')
    >>> span("under 1\xa0%", "5\xa0%")
    'under 1 to 5\xa0%'
    """
    body = low if low == high else _joined(low, high)
    return f"{body}\u00a0{unit}" if unit else body


def _joined(low: str, high: str) -> str:
    value, _, unit = low.rpartition(NO_BREAK)
    start = value if value and high.endswith(NO_BREAK + unit) else low
    worded = any(mark in low + high for mark in (MINUS, "under", "over"))
    return f"{start}{' to ' if worded else '–'}{high}"


def count(n: int, one: str, many: str | None = None) -> str:
    """
    >>> count(1, "wheel end"), count(0, "wheel end"), count(2, "axle", "axles")
    ('1 wheel end', 'no wheel ends', '2 axles')
    """
    word = one if n == 1 else many or f"{one}s"
    return f"{number(n) if n else 'no'} {word}"


def month_name(day: dt.date) -> str:
    """
    >>> month_name(dt.date(2025, 3, 1))
    'March 2025'
    """
    return f"{MONTHS[day.month - 1]} {day.year}"


def ordinal(n: int) -> str:
    """
    >>> [ordinal(n) for n in (1, 2, 3, 4, 11, 12, 13, 21, 30)]
    ['1st', '2nd', '3rd', '4th', '11th', '12th', '13th', '21st', '30th']
    """
    if 10 < n % 100 < 14:
        return f"{n}th"
    return f"{n}{ {1: 'st', 2: 'nd', 3: 'rd'}.get(n % 10, 'th') }"


def month_key_name(key: str) -> str:
    """``2025-03`` as ``March 2025``; what is no month stays as it is."""
    try:
        return month_name(dt.date.fromisoformat(f"{key}-01"))
    except ValueError:
        return key


def day_of_year(day: dt.date) -> str:
    """
    >>> day_of_year(dt.date(2025, 3, 9))
    '9 March'
    """
    return f"{day.day} {MONTHS[day.month - 1]}"


def day_name(day: dt.date | None) -> str:
    """
    >>> day_name(dt.date(2025, 3, 9)), day_name(None)
    ('9 Mar 2025', '–')
    """
    return f"{day.day} {MONTHS[day.month - 1][:3]} {day.year}" if day else NOTHING


def month_short(day: dt.date | None) -> str:
    r"""
    >>> month_short(dt.date(2025, 3, 9))
    'Mar\xa02025'
    """
    return f"{MONTHS[day.month - 1][:3]}{NO_BREAK}{day.year}" if day else NOTHING


def at_depot(depot: str | None) -> str:
    """
    >>> at_depot("West"), at_depot(None)
    ('at West', 'where there is no depot on record')
    """
    return f"at {depot}" if depot else f"where there is {NO_DEPOT}"


def listed(words: Sequence[str]) -> str:
    """
    >>> listed(["a", "b", "c"]), listed(["a"])
    ('a, b and c', 'a')
    """
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def capital(sentence: str) -> str:
    """
    >>> capital("no relines")
    'No relines'
    """
    return sentence[:1].upper() + sentence[1:]
