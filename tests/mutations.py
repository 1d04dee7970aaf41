"""Small files of every kind the lake takes, and mutations of them."""

import contextlib
import datetime as dt
import io
import random
import re
import zipfile
import zlib
from collections.abc import Callable

import polars as pl
import xlsxwriter

FRAME = pl.DataFrame(
    {
        "unit_id": ["K1", "K2", "K3"],
        "axle_no": [1, 2, 1],
        "side": ["L", "R", None],
        "inspected_on": [dt.date(2025, 1, 31), dt.date(2025, 2, 28), None],
        "odometer_km": [412_345.0, 398_000.5, None],
        "lining_mm": [12.5, 9.0, 7.25],
        "marks_aligned": [True, False, None],
        "fault": ["stuck", 'a "quoted" one', "two\nlines"],
    }
)
SETTINGS = b"""[fleet]
name = "Four Lanes"
day_first = true
[units]
length = "mm"
[columns.inspections]
"Km" = "odometer_km"
[adjustment]
band_low = 0.10
band_high = 0.15
[axle_types.trailing]
lining_new_mm = 18
lining_min_mm = 6.4
[chambers.30L]
readjust_limit_mm = 51
[service.duties.short]
check_weeks = 8
[budget]
horizon_months = 24
[duties]
order = ["long", "short"]
[scenarios."less often"]
check_interval_factor = 1.5
duty_moves = [{from_duty = "long", to_duty = "short", share = 0.2}]
"""
# What a reader may trip over: delimiters, quotes, byte-order marks, numbers at their limits, words
# that mean something to some layer below.
TOKENS = [
    *(b'"', b'""', b",", b";", b"\t", b"\r", b"\n", b"\r\n", b"\x00", b"\xff\xfe", b"\xef\xbb\xbf"),
    *(b"'", b"--", b"{}", b"{", b"}", b"|", b"=", b"[", b"]", b"\\", b"\x1a", b"\xed\xa0\x80"),
    *(b"nan", b"inf", b"-0", b"1e308", b"1e-400", b"9223372036854775808", b"0x10", b"1_000"),
    *(b"31/12/2025", b"2025-02-30", b"9999-12-31", b"0000-00-00", b"10000-01-01", b"true", b"null"),
    *(b"unit_id", b"odometer_km", b"odometer_mi", "\u0130\u00df\u202e\U0001f69b".encode(), b"\xc3"),
]


PACKING_FAILS = (
    *(zipfile.BadZipFile, zlib.error, NotImplementedError, OSError, ValueError, RuntimeError),
    EOFError,
)


def csv_file() -> bytes:
    return FRAME.write_csv().encode()


def parquet_file() -> bytes:
    buffer = io.BytesIO()
    FRAME.write_parquet(buffer)
    return buffer.getvalue()


def workbook_file() -> bytes:
    buffer = io.BytesIO()
    with xlsxwriter.Workbook(buffer) as book:
        day = book.add_format({"num_format": "yyyy-mm-dd"})
        sheet = book.add_worksheet()
        sheet.write_row(0, 0, FRAME.columns)
        for row, cells in enumerate(FRAME.rows(), start=1):
            for column, cell in enumerate(cells):
                sheet.write(row, column, cell, day if isinstance(cell, dt.date) else None)
    return buffer.getvalue()


def mutated(content: bytes, draws: random.Random, other: bytes) -> bytes:
    """Some one to four changes of some bytes."""
    for _ in range(draws.randint(1, 4)):
        content = draws.choice(CHANGES)(content, draws, other)
    return content


def mutated_workbook(content: bytes, draws: random.Random, other: bytes) -> bytes:
    """Changes of the parts inside, or (one in four) of the packed file."""
    if draws.random() < 0.25 or not zipfile.is_zipfile(io.BytesIO(content)):
        return mutated(content, draws, other)
    parts = _parts(content)
    if not parts:
        return mutated(content, draws, other)
    for name in draws.sample(sorted(parts), min(len(parts), draws.randint(1, 2))):
        parts[name] = draws.choice((mutated, _renumbered))(parts[name], draws, other)
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as new:
        for name, part in parts.items():
            new.writestr(name, part)
    return buffer.getvalue()


def _parts(content: bytes) -> dict[str, bytes]:
    """The packed files that can be unpacked."""
    parts = {}
    with contextlib.suppress(*PACKING_FAILS), zipfile.ZipFile(io.BytesIO(content)) as old:
        for name in old.namelist():
            with contextlib.suppress(*PACKING_FAILS):
                parts[name] = old.read(name)
    return parts


def _renumbered(content: bytes, draws: random.Random, _: bytes) -> bytes:
    """Some number in the text becomes another."""
    numbers = list(re.finditer(rb"\d+", content))
    if not numbers:
        return content
    place = draws.choice(numbers)
    value = str(draws.choice((0, -1, 1, 7, 16_384, 1_048_576, 2**31, 2**63, 10**30))).encode()
    return content[: place.start()] + value + content[place.end() :]


def _span(content: bytes, draws: random.Random) -> tuple[int, int]:
    start = draws.randint(0, len(content))
    return start, min(len(content), start + draws.choice((1, 1, 2, 4, 16, 200)))


def _flipped(content: bytes, draws: random.Random, _: bytes) -> bytes:
    start, _end = _span(content, draws)
    if start == len(content):
        return content
    return (
        content[:start] + bytes([content[start] ^ 1 << draws.randint(0, 7)]) + content[start + 1 :]
    )


def _overwritten(content: bytes, draws: random.Random, _: bytes) -> bytes:
    start, end = _span(content, draws)
    return content[:start] + draws.randbytes(end - start) + content[end:]


def _cut(content: bytes, draws: random.Random, _: bytes) -> bytes:
    start, end = _span(content, draws)
    return content[:start] + content[end:]


def _ended(content: bytes, draws: random.Random, _: bytes) -> bytes:
    return content[: draws.randint(0, len(content))]


def _doubled(content: bytes, draws: random.Random, _: bytes) -> bytes:
    start, end = _span(content, draws)
    return content[:end] + content[start:end] * draws.choice((1, 2, 50)) + content[end:]


def _with_token(content: bytes, draws: random.Random, _: bytes) -> bytes:
    start, end = _span(content, draws)
    return content[:start] + draws.choice(TOKENS) + content[draws.choice((start, end)) :]


def _spliced(content: bytes, draws: random.Random, other: bytes) -> bytes:
    start, _ = _span(content, draws)
    begin, end = _span(other, draws)
    return content[:start] + other[begin:end] + content[start:]


CHANGES: tuple[Callable[[bytes, random.Random, bytes], bytes], ...] = (
    _flipped,
    _overwritten,
    _cut,
    _ended,
    _doubled,
    _with_token,
    _with_token,
    _spliced,
    _renumbered,
)
