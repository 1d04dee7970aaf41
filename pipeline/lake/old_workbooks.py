"""Workbooks of the kinds .xls and .ods → sheets, read in a process of bounded memory and time.

What is struck out in them, and from when an .xls counts days, nothing here tells: what is read says
so.
"""

import datetime as dt
import json
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import UnreadableFileError
from pipeline.lake import unpacking
from pipeline.lake.workbooks import COMPOUND, MAX_COLUMNS, MAX_SHEET_CELLS, MAX_TEXT, PACKED

MEMORY, SECONDS = 4 << 30, 300
OPEN = b"mimetypeapplication/vnd.oasis"  # how an .ods begins, behind the mark of a packed file
STRUCK_OUT_IS_READ = (
    "what is struck out in a workbook of this kind is read like the rest; accepted where somebody "
    "strikes out: XLSX"
)

Place = tuple[int, int]


@dataclass(frozen=True, slots=True)
class OldSheet:
    """A sheet: rows of values, and the first and last place of each range of merged cells."""

    name: str
    is_hidden: bool
    rows: list[list[object]]
    merged: tuple[tuple[Place, Place], ...]


def is_old(content: bytes) -> bool:
    """Whether a file is such a workbook, by how it begins."""
    return content.startswith(COMPOUND) or OPEN in content[:100]


def true_kind(kind: str, content: bytes) -> str:
    """What a file is whose ending says ``old``: programs give that of .xls to other things.

    Raises
    ------
    UnreadableFileError
        It is a page of the web or XML.
    """
    if kind != "old" or is_old(content):
        return kind
    if content.startswith(PACKED):
        return "xlsx"
    if content.lstrip(b"\xef\xbb\xbf \r\n\t").startswith(b"<"):
        raise UnreadableFileError(
            "a page of the web, or XML, under the ending of a workbook; accepted: saved as XLSX or "
            "CSV by a spreadsheet program"
        )
    return "csv"


def read_old_workbook(content: bytes) -> list[OldSheet]:
    """The sheets of a workbook.

    Raises
    ------
    UnreadableFileError
        It is none, it has a password, or it takes more memory or time than a person's records.
    """
    limits = map(str, (MEMORY, SECONDS, MAX_COLUMNS, MAX_SHEET_CELLS, MAX_TEXT))
    command = [sys.executable, "-I", str(Path(unpacking.__file__)), *limits]
    done = subprocess.run(command, input=content, capture_output=True, check=False)
    if done.returncode:
        lines = done.stderr.decode(errors="replace").strip().splitlines()
        ended = done.returncode < 0 or not lines  # by a signal, at its limits
        why = "it takes too much memory or time" if ended else lines[-1][:120]
        raise UnreadableFileError(
            f"not a workbook that can be read ({why}); accepted: XLSX, saved without a password"
        )
    sheets = map(json.loads, done.stdout.decode().splitlines())
    return [
        OldSheet(
            of["name"],
            of["hidden"],
            [[_value(cell) for cell in row] for row in of["rows"]],
            tuple(((a, b), (c, d)) for (a, b), (c, d) in of["merged"]),
        )
        for of in sheets
    ]


def _value(cell: object) -> object:
    return dt.date.fromisoformat(cell["day"]) if isinstance(cell, dict) else cell
