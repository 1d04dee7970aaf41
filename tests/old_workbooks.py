"""Workbooks of the kinds .xls and .ods, as small as they can be: no library in use writes them."""

import datetime as dt
import io
import struct
import zipfile
from collections.abc import Mapping, Sequence
from xml.sax.saxutils import escape

Sheets = Mapping[str, Sequence[Sequence[object]]]
DAY, PLAIN = 1, 0  # formats of cells
_FREE, _END, _FAT = 0xFFFFFFFF, 0xFFFFFFFE, 0xFFFFFFFD


def ods(sheets: Sheets, hidden: Sequence[str] = (), repeated: int = 1) -> bytes:
    """An .ods; ``hidden`` names sheets that it does not show, a row stands so often."""
    row = f'<table:table-row table:number-rows-repeated="{repeated}">'
    tables = "".join(
        f'<table:table table:name="{escape(name)}" table:style-name="{int(name in hidden)}">'
        + "".join(f"{row}{''.join(map(_ods_cell, of))}</table:table-row>" for of in rows)
        + "</table:table>"
        for name, rows in sheets.items()
    )
    styles = "".join(
        f'<style:style style:name="{i}" style:family="table"><style:table-properties '
        f'table:display="{shown}"/></style:style>'
        for i, shown in enumerate(("true", "false"))
    )
    named = " ".join(
        f'xmlns:{name}="urn:oasis:names:tc:opendocument:xmlns:{name}:1.0"'
        for name in ("office", "table", "text", "style")
    )
    content = (
        f"<office:document-content {named}><office:automatic-styles>{styles}"
        f"</office:automatic-styles><office:body><office:spreadsheet>{tables}"
        "</office:spreadsheet></office:body></office:document-content>"
    )
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w") as packed:
        packed.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        packed.writestr("META-INF/manifest.xml", "<manifest/>")
        packed.writestr("content.xml", content)
    return whole.getvalue()


def _ods_cell(cell: object) -> str:
    match cell:
        case None:
            return "<table:table-cell/>"
        case dt.date():
            told = f'office:value-type="date" office:date-value="{cell}"'
        case int() | float():
            told = f'office:value-type="float" office:value="{cell}"'
        case _:
            told = 'office:value-type="string"'
    return f"<table:table-cell {told}><text:p>{escape(str(cell))}</text:p></table:table-cell>"


def xls(sheets: Sheets, hidden: Sequence[str] = ()) -> bytes:
    """An .xls: records of cells in the one stream of a compound file."""
    streams = [_sheet(rows) for rows in sheets.values()]
    formats = b"".join(_record(0xE0, struct.pack("<HH16x", 0, of)) for of in (0, 14))
    names = [name.encode("latin-1") for name in sheets]
    start = _record(0x809, struct.pack("<HH12x", 0x600, 5)) + formats
    at = len(start) + sum(12 + len(name) for name in names) + 4
    listed = b""
    for name, stream in zip(names, streams, strict=True):
        is_hidden = int(name.decode("latin-1") in hidden)
        listed += _record(0x85, struct.pack("<IBBBB", at, is_hidden, 0, len(name), 0) + name)
        at += len(stream)
    return _compound(start + listed + _record(0x0A) + b"".join(streams))


def _sheet(rows: Sequence[Sequence[object]]) -> bytes:
    cells = (_cell(r, c, cell) for r, row in enumerate(rows) for c, cell in enumerate(row))
    return _record(0x809, struct.pack("<HH12x", 0x600, 16)) + b"".join(cells) + _record(0x0A)


def _cell(row: int, column: int, cell: object) -> bytes:
    match cell:
        case None:
            return b""
        case dt.date():
            days = (cell - dt.date(1899, 12, 30)).days
            return _record(0x203, struct.pack("<HHHd", row, column, DAY, days))
        case int() | float():
            return _record(0x203, struct.pack("<HHHd", row, column, PLAIN, cell))
        case _:
            text = str(cell).encode("utf-16-le")
            head = struct.pack("<HHHHB", row, column, PLAIN, len(text) // 2, 1)
            return _record(0x204, head + text)


def _record(kind: int, data: bytes = b"") -> bytes:
    return struct.pack("<HH", kind, len(data)) + data


def _compound(stream: bytes) -> bytes:
    """A compound file of one stream, in sectors of 512 bytes: FAT, directory, stream."""
    stream = stream.ljust(max(4096, -(-len(stream) // 512) * 512), b"\0")
    count = len(stream) // 512
    chain = [_FAT, _END, *range(3, 2 + count), _END]
    fat = b"".join(struct.pack("<I", one) for one in chain).ljust(512, b"\xff")
    assert len(fat) == 512, "one sector of FAT"
    head = bytes.fromhex("d0cf11e0a1b11ae1") + bytes(16)
    head += struct.pack("<HHHHH6x", 0x3E, 3, 0xFFFE, 9, 6)
    head += struct.pack("<IIIIIIIII", 0, 1, 1, 0, 4096, _END, 0, _END, 0)
    head += struct.pack("<I", 0) + b"\xff" * (4 * 108)
    entries = _entry("Root Entry", 5, 1, _END, 0) + _entry("Workbook", 2, _FREE, 2, len(stream))
    return head + fat + entries.ljust(512, b"\0") + stream


def _entry(name: str, kind: int, child: int, start: int, size: int) -> bytes:
    text = (name + "\0").encode("utf-16-le")
    head = text.ljust(64, b"\0") + struct.pack("<HBBIII", len(text), kind, 1, _FREE, _FREE, child)
    return head + bytes(36) + struct.pack("<IQ", start, size)
