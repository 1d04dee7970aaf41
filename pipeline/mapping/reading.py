"""Cells as people write them → values: units behind numbers, fractions, grouped thousands, days.

A cell is read where it can mean one thing alone, by how its file writes decimals and dates.
Whatever else it says stays unread, and its row says so.
"""

import datetime as dt
import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from functools import partial

import polars as pl

from pipeline.mapping.words import UNIT_OF, WEEKS, folded, month_names, unit_called

MM = {"mm": 1.0, "cm": 10.0, "in": 25.4, "32nds": 25.4 / 32, "16ths": 25.4 / 16, "10ths": 0.1}
KM = {"km": 1.0, "mi": 1.609344, "10km": 10.0, "1000km": 1_000.0, "1000mi": 1_609.344}
FACTORS = {"length": MM, "distance": KM, "angle": {"deg": 1.0}}

OF_AN_INCH = {"32": "32nds", "16": "16ths"}  # by what stands below a fraction's line

_SPACES = "[ \u00a0\u202f\u2009'’]"
_WRITTEN = r"^([+-]?[\d.,]+)([^\d.,]*|\s(?:32nd|16th)s?)$"
_FRACTION = re.compile(r"^(?:(\d+)[\s-]+)?(\d{1,2})/(\d{1,2})\s*(.*)$")
_CLOCK = re.compile(r"[Tt ]+\d{1,2}:\d{2}(:\d{2}([.,]\d+)?)?( ?[ap]m)?( uhr)?z?$")
# The count of days in a workbook begins so, one day too many before March 1900.
_FIRST_SERIAL, FROM_1904 = dt.date(1899, 12, 30), dt.date(1904, 1, 1)
_SERIAL = r"^\d{5}([.,]\d+)?$"
_SERIALS = range(20_000, 80_000)  # 1954 to 2119
# Of days that show which comes first, so many may be slips.
OUTLIERS = 0.05
# Of readings that are seldom 0, so many are so rather for want of a reading; our own, no source.
ZEROS, FEW_ZEROS = 0.05, 3
# So many different days, and none that denies it, show how a file writes them, whatever is answered
# for files that do not show it; our own, no source.
SHOWN_SURELY = 5
# Days of a month that can be taken for a month, as a share of all days, by the calendar; and how
# unlikely by chance a column must be to count as one of which day and month were exchanged: our
# own, no source. Not very, since most columns of days and of texts became so in this way, and a
# question costs less than a day that is months off.
MONTHS_OF_DAYS = 12 / 30.44
BY_CHANCE = 0.05
_ISO = re.compile(r"\d{4}-(\d{2})-(\d{2})")
_FIGURES = re.compile(r"\W*\d{1,2}\W+\d{1,2}\W+\d{2,4}(?!\d)")
_FIRST_YEAR, _LAST_YEAR = 1950, 2100
_THREE_PAIRS = re.compile(r"(\d{2})\D(\d{2})\D(\d{2})(?:\D|$)")
_ISO_WEEK = re.compile(r"(20\d{2})-?w(\d{2})(?:-?([1-7]))?")
_WEEKS = range(1, 54)
WEEK_DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday")
_RECENT = range(10, 50)  # years of two figures that a record may be of, 2010 to 2049


def numbers(
    text: pl.Series, kind: str | None, unit: str | None, *, decimal_comma: bool | None
) -> pl.Series:
    """Numbers in the contract's unit; null where a cell is none, or can mean two.

    ``kind`` is what is measured (length, distance, angle; None: counted), ``unit`` the column's,
    which a cell's own unit goes before; None: only cells that name theirs are read.
    """
    factors = FACTORS.get(kind or "", {})
    column = factors.get(unit or "") if kind else 1.0
    plain = text.cast(pl.Float64, strict=False)
    # A point and three digits after it may group thousands; nan and inf are no readings.
    simple = text.str.contains(r"^[+-]?\d+(\.(\d{1,2}|\d{4,}))?$").fill_null(value=False)
    done = plain.set(~simple, None)
    done = done * column if column is not None else done.set(simple, None)
    left = text.is_not_null() & ~simple
    if not left.any():
        return done
    some = text.filter(left)
    read = _marked(some, factors, column, decimal_comma)
    missed = read.is_null()
    if missed.any():
        fractions = _each(some.filter(missed), partial(_fraction, factors=factors, unit=unit))
        read = read.scatter(missed.arg_true(), fractions)
    return done.scatter(left.arg_true(), read)


_MONEY = (
    r"^\s*(-?)\s*([\p{L}.]{0,4}\p{Sc}?)\s*(-?\d[\d.,\s'’]*?)(?:[.,][-–—]+)?"
    r"\s*(\p{Sc}|\p{L}{0,4}\.?)\s*$"
)
# What was paid back, as accounts write it: (140.00), 140,00-, 140,00 CR.
_PAID_BACK = r"(?i)^\s*([^()\d-]*)(?:\(([^()-]*\d[^()-]*)\)|([^()-]*\d)\s*(?:-|cr\.?))\s*$"
# Short words beside a number that are no currency's; of one letter alone, only the rand's is one.
_NO_CURRENCY = (
    *("k", "tsd", "tys", "mio", "mil", "mln", "mrd", "bn", "h", "hr", "hrs", "hour", "std", "min"),
    *("stk", "st", "szt", "pcs", "pc", "set", "no", "nr", "kg", "ltr", "godz", "uur", "ora", "ore"),
    *UNIT_OF,
)


def without_currency(text: pl.Series) -> pl.Series:
    """Amounts of money without the sign or letters of their currency, and without spaces within.

    Letters are two to four, or R, before the number or behind it: $1,252.17, 1 250,00 zł,
    CHF 1'250.00, US$ 12, 12,- €. Whatever else is written stays, and is no number then.
    """
    number = pl.col("number").str.replace_all(r"[\s'’](\d{3})", "$1")
    frame = (
        _paid_back(text)
        .to_frame("t")
        .with_columns(
            pl.col("t").str.extract(_MONEY, i).alias(name)
            for i, name in enumerate(("sign", "before", "number", "behind"), start=1)
        )
    )
    known = pl.all_horizontal(_is_a_currency(pl.col(name)) for name in ("before", "behind"))
    plain = pl.when(known).then(pl.concat_str("sign", number))
    return frame.select(pl.coalesce(plain, "t")).to_series().alias(text.name)


def _paid_back(text: pl.Series) -> pl.Series:
    """Amounts with the sign of those that were paid back before them."""
    return text.str.replace(_PAID_BACK, "-$1$2$3")


def without_pieces(text: pl.Series) -> pl.Series:
    """Quantities without what is counted: 2 pcs, 0,00 Std."""
    return _paid_back(text).str.replace(r"^\s*([+-]?\d[\d.,]*)\s*\p{L}{1,6}\.?\s*$", "$1")


def _is_a_currency(cell: pl.Expr) -> pl.Expr:
    """Whether what stands beside a number is nothing, or a currency's sign or letters."""
    letters = cell.str.replace_all(r"[\p{Sc}.]", "").str.to_lowercase()
    alone = (letters.str.len_chars() == 1) & (letters == cell.str.to_lowercase()) & (letters != "r")
    return ~letters.is_in(_NO_CURRENCY) & ~alone


def _marked(
    text: pl.Series, factors: Mapping[str, float], column: float | None, comma: bool | None
) -> pl.Series:
    """Numbers with marks and units, by expressions: there may be millions."""
    squeezed = pl.col("t").str.to_lowercase().str.strip_chars()
    spaced = squeezed.str.contains(rf"^[+-]?\d{{1,3}}({_SPACES}\d{{3}})+([.,]\d+)?[^\d]*$")
    joined = pl.when(spaced).then(squeezed.str.replace_all(f"({_SPACES})", "")).otherwise(squeezed)
    frame = text.to_frame("t").select(
        digits=joined.str.extract(_WRITTEN, 1),
        unit=joined.str.extract(_WRITTEN, 2).str.strip_chars(" .\u00a0\u202f"),
    )
    units = frame["unit"].unique().drop_nulls()
    known = {u: factors.get(unit_called(u) or "") if u else column for u in units}
    factor = frame["unit"].replace_strict(known, default=None, return_dtype=pl.Float64)
    return frame.select(_number(pl.col("digits"), comma)).to_series() * factor


def _number(digits: pl.Expr, comma: bool | None) -> pl.Expr:
    """Digits with points and commas, where these can mean one thing."""
    grouped_dot = digits.str.contains(r"^[+-]?[1-9]\d{0,2}(\.\d{3})+$")
    grouped_comma = digits.str.contains(r"^[+-]?[1-9]\d{0,2}(,\d{3})+$")
    dots_then_comma = digits.str.contains(r"^[+-]?[1-9]\d{0,2}(\.\d{3})+,\d+$")
    commas_then_dot = digits.str.contains(r"^[+-]?[1-9]\d{0,2}(,\d{3})+\.\d+$")
    one_dot = digits.str.contains(r"^[+-]?\d+(\.\d+)?$")
    one_comma = digits.str.contains(r"^[+-]?\d+,\d+$")
    as_dot = digits
    as_comma = digits.str.replace_all(".", "", literal=True).str.replace(",", ".", literal=True)
    no_commas = digits.str.replace_all(",", "", literal=True)
    several = digits.str.count_matches(r"[.,]") > 1
    form = pl.when(dots_then_comma).then(as_comma).when(commas_then_dot).then(no_commas)
    if comma is not False:
        form = form.when(grouped_dot & (several | (comma is True))).then(as_comma)
        form = form.when(one_comma & (~grouped_comma | (comma is True))).then(as_comma)
    if comma is not True:
        form = form.when(grouped_comma & (several | (comma is False))).then(no_commas)
    doubtful = grouped_dot if comma is None else pl.lit(value=False)
    form = form.when(one_dot & ~doubtful).then(as_dot)
    return form.otherwise(None).cast(pl.Float64, strict=False)


def _fraction(text: str, factors: Mapping[str, float], unit: str | None) -> float | None:
    """5/8" or 1 3/8 in: only inches are written so; 12/32 counts 32nds of them too."""
    found = _FRACTION.match(text.strip())
    if found is None or "in" not in factors:
        return None
    whole, above, below, behind = found.groups()
    stated = unit_called(behind) or "?" if behind.strip() else unit
    stated = "in" if stated == OF_AN_INCH.get(below, "in") else stated
    if stated != "in" or int(below) not in (2, 4, 8, 16, 32, 64) or int(above) >= int(below):
        return None
    return (int(whole or 0) + int(above) / int(below)) * factors["in"]


def shows_inches(text: pl.Series) -> bool:
    """Whether some cell is a fraction of an inch, and no share of a whole: halves and quarters
    alone may be that."""
    found = (_FRACTION.match(word.strip()) for word in text.drop_nulls().unique())
    return any(of is not None and (of[1] or int(of[3]) > 4 or of[4]) for of in found)


def are_fractions(text: pl.Series) -> bool:
    """Whether all cells are fractions of an inch, with or without its sign, and some without."""
    words = text.drop_nulls().unique()
    read = [_fraction(word, FACTORS["length"], "in") for word in words]
    plain = [found for word in words if (found := _FRACTION.match(word.strip())) and not found[4]]
    return bool(plain) and None not in read


_ONE = r"(\d+(?:[.,]\d{1,2})?)\s*(\p{L}{0,4}|\")"
_PAIR = rf"^\s*{_ONE}\s*[-–—]\s*{_ONE}\s*$"


def are_pairs(text: pl.Series) -> pl.Series:
    """Cells with two lengths in them, the first no less than the second: 38 - 20."""
    return (_pair(text, 1) >= _pair(text, 3)).fill_null(value=False)


def less_released(text: pl.Series) -> pl.Series:
    """Cells with two lengths as their difference, in their unit: the others stay."""
    unit = pl.coalesce(
        pl.when(text.str.extract(_PAIR, i) != "").then(text.str.extract(_PAIR, i)) for i in (4, 2)
    )
    less = (_pair(text, 1) - _pair(text, 3)).round(4).cast(pl.String)
    told = pl.DataFrame({"less": less}).select(pl.concat_str("less", unit.fill_null("")))
    return told.to_series().zip_with(are_pairs(text), text).alias(text.name)


_END = r"(\d+(?:[.,]\d{1,2})?)\s*(mm|cm|)"
_OF_TWO_ENDS = rf"^\s*{_END}\s*[/|]\s*{_END}\s*$"


def are_of_two_ends(text: pl.Series) -> pl.Series:
    """Cells with two thicknesses in them: 11/10 mm."""
    return text.str.contains(_OF_TWO_ENDS).fill_null(value=False)


def thinner(text: pl.Series) -> pl.Series:
    """Cells with two thicknesses as the thinner of them, in their unit: the others stay."""
    unit = pl.coalesce(
        pl.when(text.str.extract(_OF_TWO_ENDS, i) != "").then(text.str.extract(_OF_TWO_ENDS, i))
        for i in (4, 2)
    )
    one, other = (
        text.str.extract(_OF_TWO_ENDS, i).str.replace(",", ".").cast(pl.Float64) for i in (1, 3)
    )
    least = pl.DataFrame({"a": one, "b": other}).min_horizontal().cast(pl.String)
    told = pl.DataFrame({"least": least}).select(pl.concat_str("least", unit.fill_null("")))
    return told.to_series().zip_with(are_of_two_ends(text), text).alias(text.name)


def _pair(text: pl.Series, group: int) -> pl.Series:
    return text.str.extract(_PAIR, group).str.replace(",", ".").cast(pl.Float64)


ZERO = r"^\s*0+([.,]0+)?\s*(\p{L}{0,4}|\")\s*$"


def are_zeros(text: pl.Series) -> pl.Series:
    """Cells of 0, with or without a unit."""
    return text.str.contains(ZERO).fill_null(value=False)


def has_many_zeros(text: pl.Series) -> bool:
    """Whether so much of a column is 0 that it may stand for nothing measured."""
    written = text.len() - text.null_count()
    return max(ZEROS * written, FEW_ZEROS) <= int(are_zeros(text).sum())


def less(applied: pl.Series, released: pl.Series) -> pl.Series:
    """A stroke between two readings; null where it would be none."""
    told = (applied - released).round(4)
    return told.set((told < 0).fill_null(value=False), None)


def _each(text: pl.Series, read: partial[float | None]) -> pl.Series:
    words = text.drop_nulls().unique(maintain_order=True)
    values = pl.Series([read(word) for word in words], dtype=pl.Float64)
    return text.replace_strict(words, values, default=None, return_dtype=pl.Float64)


def days(
    text: pl.Series,
    *,
    day_first: bool | None,
    put_back: bool | None = False,
    week_day: str | None = None,
) -> pl.Series:
    """Days; null where a cell is none, or two.

    ``week_day``: the day that counts where a cell names a week.

    A column whose own days speak against ``day_first`` is read without it; days of two-figure years
    are not read where these may stand first. ``put_back``: whether day and month of a workbook's
    own days change places where :func:`were_exchanged`; None: such days are not read.
    """
    words = text.drop_nulls().unique(maintain_order=True)
    exchanged = put_back is not False and were_exchanged(words, surely=put_back is None)
    if day_first is not None and _speaks_against(words.to_list(), day_first):
        day_first = None
    unclear = years_may_be_first(words.to_list())
    values = pl.Series(
        [
            None
            if (unclear and (_pairs(word) or _short_week(word)))
            or (exchanged and put_back is None and is_own_day(word))
            else day_of(_put_back(word) if exchanged else word, day_first, week_day)
            for word in words
        ],
        dtype=pl.Date,
    )
    return text.replace_strict(words, values, default=None, return_dtype=pl.Date)


def is_own_day(text: str) -> bool:
    """Whether a cell holds a day as such, as a workbook does: it is written year first."""
    return _ISO.fullmatch(text) is not None


def were_exchanged(words: Iterable[str], *, surely: bool = True) -> bool:
    """Whether a spreadsheet exchanged day and month of a column's own days when it was opened.

    It makes days of texts by its own country's order: those that can be read so become days with
    the two exchanged, and only those that cannot, of the 13th or later, stay text. So none of the
    days is after the 12th, and all of the text is. ``surely``: chance would seldom make a column
    of so many different cells so.
    """
    words = set(words)
    own = [found for word in words if (found := _ISO.fullmatch(word))]
    if not own or any(int(found[2]) > 12 for found in own):
        return False
    told = [shows_day_first(word) for word in words if _FIGURES.match(word)]
    if len(set(told)) != 1 or None in told:  # no text, or one of two readings, or of none
        return False
    chance = MONTHS_OF_DAYS ** len(own) * (1 - MONTHS_OF_DAYS) ** len(told)
    return not surely or chance < BY_CHANCE


def _put_back(text: str) -> str:
    return _ISO.sub(lambda found: f"{text[:4]}-{found[2]}-{found[1]}", text)


def _speaks_against(words: list[str], day_first: bool) -> bool:
    """Whether days that can be read in one way alone are mostly written the other way."""
    shown = [told for word in words if (told := shows_day_first(word)) is not None]
    return sum(told != day_first for told in shown) > OUTLIERS * len(shown)


def years_may_be_first(words: Iterable[str]) -> bool:
    """Whether 24/01/11 may be of 2024: what stands first is a year in all such days, and takes
    fewer values than what stands last. So may KW 24/11 where no week of a column shows that it
    stands first."""
    words = list(words)
    weeks = [week for word in words if (week := _short_week(word)) is not None]
    if weeks:
        return all(first in _RECENT and last in _WEEKS for first, last in weeks)
    found = [pairs for word in words if (pairs := _pairs(word)) is not None]
    first, last = ({pairs[i] for pairs in found} for i in (0, 2))
    return len(first) < len(last) and all(
        _day(2000 + year, month, day) and year in _RECENT for year, month, day in found
    )


def _short_week(text: str) -> tuple[int, int] | None:
    """The figures of a week with a year of two of them, as they stand; but for 12. KW 25."""
    told = folded(text)
    figures = re.findall(r"\d+", told)
    if _week_of(told.strip(" .'")) is None or max(map(len, figures)) > 2 or len(figures) != 2:
        return None
    return None if re.match(r"\W*\d{1,2}\.\s*[^\W\d]", told) else (int(figures[0]), int(figures[1]))


def _pairs(text: str) -> tuple[int, int, int] | None:
    """The figures of a day in three pairs; None where it is none."""
    found = _THREE_PAIRS.match(text.strip(" '"))
    return (int(found[1]), int(found[2]), int(found[3])) if found else None


def is_day(cell: str) -> bool:
    """Whether a cell is a day or a week, and no number that may be one."""
    is_number = len(cell) < 8 and cell.replace(".", "").replace(",", "").isdigit()
    return not is_number and bool(is_week(cell) or day_of(cell, True) or day_of(cell, False))


_MONTH = re.compile(r"(?:0?[1-9]|1[0-2])[./-](?:20)?\d\d|20\d\d[./-](?:0?[1-9]|1[0-2])")


def is_month(text: str) -> bool:
    """Whether a heading is a month: Jan 24, Januar, 2024-01."""
    told = folded(text).strip(" .'")
    parts = re.findall(r"\d+|[^\W\d_]+", told)
    names = [part for part in parts if part in month_names()]
    years = [p for p in parts if p.isdigit() and (len(p) == 4 or int(p) in _RECENT)]
    return bool(_MONTH.fullmatch(told)) or (len(names) == 1 and len(parts) == 1 + len(years) < 3)


_DAY_IN = re.compile(
    r"(?<![\d./-])(?:\d{1,2}[./-]\d{1,2}[./-](?:\d{4}|\d{2})|\d{4}([./-])\d{1,2}\1\d{1,2}"
    r"|\d{1,2}\.?\s+[^\W\d_]{3,}\.?\s+\d{4}|[^\W\d_]{3,}\s+\d{1,2},?\s+\d{4})(?![\d/-])"
)


def day_in(text: str) -> tuple[str, str] | None:
    """The one day that a line of words names, as written, and the words; None where there is none,
    or more than one."""
    found = [of for of in _DAY_IN.finditer(text) if day_of(of[0], True) or day_of(of[0], False)]
    if len(found) != 1:
        return None
    return found[0][0], f"{text[: found[0].start()]} {text[found[0].end() :]}"


def day_of(text: str, day_first: bool | None, week_day: str | None = None) -> dt.date | None:
    """The day that a cell names, in figures or with its month's name."""
    told = _CLOCK.sub("", folded(text).strip(" .'")).strip(" .")
    if (week := _week_of(told)) is not None:
        return _day_of_week(*week, week_day)
    parts = re.findall(r"\d+|[^\W\d_]+", told)
    if re.match(_SERIAL, told):
        return _of_serial(int(told[:5]))
    if re.fullmatch(r"(19|20)\d{6}", told):
        return _day(int(told[:4]), int(told[4:6]), int(told[6:]))
    if len(parts) > 3:  # 9 de enero de 2023; Monday, 9 January 2023
        parts = [p for p in parts if p.isdigit() or p in month_names()]
    if len(parts) != 3 or not re.fullmatch(r"[\w\s.,/\-’']+", told):
        return None
    if not all(part.isdigit() for part in parts):
        return _with_a_name(parts)
    return _in_figures(parts, day_first)


def is_week(text: str) -> bool:
    """Whether a cell names a week, and no day of it."""
    week = _week_of(folded(text).strip(" .'"))
    return week is not None and week[2] is None


def _week_of(told: str) -> tuple[int, int, int | None] | None:
    """Year and week of KW 12/2025, 12. KW 25 or 2025-W12; and the day of 2025-W12-3."""
    iso = _ISO_WEEK.fullmatch(told)
    if iso is not None:
        return int(iso[1]), int(iso[2]), int(iso[3]) if iso[3] else None
    parts = re.findall(r"[^\W\d_]+|\d+", told)
    figures = [part for part in parts if part.isdigit()]
    if len(parts) != 3 or len(figures) != 2 or WEEKS.isdisjoint(parts) or parts[2] in WEEKS:
        return None
    year_first = len(figures[0]) == 4
    year, week = figures if year_first else figures[::-1]
    return (_year(year), int(week), None) if len(year) in (2, 4) and len(week) < 3 else None


def _day_of_week(year: int, week: int, day: int | None, counts: str | None) -> dt.date | None:
    number = day or (WEEK_DAYS.index(counts) + 1 if counts else None)
    try:
        return dt.date.fromisocalendar(year, week, number) if number else None
    except ValueError:
        return None


def _of_serial(count: int) -> dt.date | None:
    return _FIRST_SERIAL + dt.timedelta(days=count) if count in _SERIALS else None


def of_1904(cells: pl.Series) -> pl.Series:
    """Cells with days instead of the plain numbers of days counted from 1904."""
    since = FROM_1904 - _FIRST_SERIAL
    words = {word: day + since for word in cells.drop_nulls().unique()
             if re.match(_SERIAL, word) and (day := _of_serial(int(word[:5])))}  # fmt: skip
    return cells.replace({word: day.isoformat() for word, day in words.items()})


def counted_days(heading: str, cells: Iterable[str]) -> Iterator[str]:
    """What is said of a text's days that are plain numbers: nothing in it shows from when they
    count."""
    counted = sorted({word for word in cells if re.match(_SERIAL, word)})
    if counted:
        first, last = (day_of(counted[i], None) for i in (0, -1))
        yield (
            f"{heading}: days that are plain numbers are counted from 1900, {first} to {last}; of "
            "a workbook that counts from 1904 they are four years later: give it the form of days"
        )


def _with_a_name(parts: list[str]) -> dt.date | None:
    """09-Jan-23, January 9 2023, 2023 Jan 9: the year is the last, or the one of four figures."""
    names = [i for i, part in enumerate(parts) if not part.isdigit()]
    month = month_names().get(parts[names[0]]) if len(names) == 1 else None
    if month is None:
        return None
    first, last = [part for part in parts if part.isdigit()]
    if len(first) == 4:
        return _day(int(first), month, int(last))
    return _day(_year(last), month, int(first)) if len(last) in (2, 4) else None


def _in_figures(parts: list[str], day_first: bool | None) -> dt.date | None:
    one, two, three = parts
    if len(one) == 4:
        return _day(int(one), int(two), int(three))
    if len(three) not in (2, 4) or max(len(one), len(two)) > 2:
        return None
    year = _year(three)
    by_day, by_month = _day(year, int(two), int(one)), _day(year, int(one), int(two))
    if day_first is not None:
        return by_day if day_first else by_month
    if by_day and by_month and by_day != by_month:
        return None
    return by_day or by_month


def _year(text: str) -> int:
    return int(text) if len(text) == 4 else 2000 + int(text)


def _day(year: int, month: int, day: int) -> dt.date | None:
    if not _FIRST_YEAR <= year <= _LAST_YEAR:
        return None
    try:
        return dt.date(year, month, day)
    except ValueError:
        return None


def is_ambiguous_day(text: str) -> bool:
    """Whether day and month could change places."""
    return day_of(text, None) is None and day_of(text, day_first=True) is not None


def shows_day_first(text: str) -> bool | None:
    """What a day that can be read in one way says of its file."""
    by_day, by_month = day_of(text, day_first=True), day_of(text, day_first=False)
    if (by_day is None) == (by_month is None):
        return None
    return by_day is not None


def shown_day_order(columns: Iterable[pl.Series], by: int = 2) -> bool | None:
    """Whether days stand first, as so many different days of a file show it and none denies."""
    words = {word for column in columns for word in column.drop_nulls().unique()}
    told = [first for word in words if (first := shows_day_first(word)) is not None]
    return told[0] if len(told) >= by and len(set(told)) == 1 else None


def as_typed(cells: pl.Series, own_numbers: Collection[str]) -> pl.Series:
    """A column's cells as people typed them: without what may be a workbook's own numbers."""
    if cells.name not in own_numbers:
        return cells
    return cells.filter(~cells.str.contains(r"^-?\d+\.\d+(e-?\d+)?$").fill_null(value=False))


def shown_decimals(columns: Iterable[pl.Series]) -> tuple[bool | None, bool]:
    """Whether commas are decimal, as cells show it; and whether some need to know and none does."""
    commas = points = unclear = 0
    for column in columns:
        digits = column.drop_nulls().str.extract(r"^([+-]?[\d.,]+)", 1).drop_nulls()
        commas += _count(digits, r"^\d+,(\d{1,2}|\d{4,})$|\.\d{3},\d|^0,\d|^\d{1,3}(\.\d{3}){2,}$")
        points += _count(digits, r"^\d+\.(\d{1,2}|\d{4,})$|,\d{3}\.\d|^0\.\d|^\d{1,3}(,\d{3}){2,}$")
        unclear += _count(digits, r"^[1-9]\d{0,2}[.,]\d{3}$")
    if commas and points:
        return None, bool(unclear)
    told = True if commas else False if points else None
    return told, bool(unclear) and told is None


def _count(cells: pl.Series, pattern: str) -> int:
    return int(cells.str.contains(pattern).sum())
