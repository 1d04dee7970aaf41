"""What a packed file would take to unpack, looked at before it is unpacked.

A workbook of some kilobytes can grow to terabytes: by compression, by one cell far from the others,
by a long text that a million cells point at. A Parquet file can by its counts.
"""

import io
import re
import zipfile
import zlib
from collections.abc import Iterator

import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.errors import UnreadableFileError

MAX_UNPACKED = 1 << 30
MAX_TEXT = 1 << 30
MAX_SHEET_CELLS = 20_000_000
MAX_CELLS = 200_000_000
MAX_COLUMNS = 1_000
MAX_DEPTH = 8
# How a locked workbook, or an old one, begins; and a packed file.
COMPOUND, PACKED = bytes.fromhex("d0cf11e0a1b11ae1"), b"PK"
PIECE = 1 << 24
OVERLAP = 1 << 13
_PLACE = re.compile(rb"""\br\s*=\s*["']([A-Za-z]*)(\d+)""")
# Nobody's office software writes so; it could hide a place between two pieces.
_PADDED = re.compile(rb"\s{4000}")
_STRING = re.compile(rb"<(?:\w+:)?si[\s>/]")
_COUNT = re.compile(rb"""[cC]ount\s*=\s*["']\s*(\d+)""")
_POINTER = re.compile(rb"<(?:\w+:)?v>(\d{1,9})<")
_FAILS = (zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, OSError, ValueError)


def require_workbook(content: bytes) -> None:
    """A workbook unpacks to no more than a person's records.

    Raises
    ------
    UnreadableFileError
        It does not, or it is no workbook.
    """
    if content.startswith(COMPOUND):
        raise UnreadableFileError(
            "a workbook with a password, or one of the old kind under another ending; accepted: "
            "XLSX, saved without a password"
        )
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            _require_parts(archive)
    except zipfile.BadZipFile as error:
        if content.startswith(PACKED):
            raise UnreadableFileError(
                f"an XLSX workbook that is damaged, or not all of it is there ({_short(error)}); "
                "accepted: a new copy of it"
            ) from None
        raise UnreadableFileError(f"not an XLSX workbook ({_short(error)})") from None
    except (*_FAILS, EOFError) as error:
        raise UnreadableFileError(f"not an XLSX workbook ({_short(error)})") from None


def _short(error: Exception) -> str:
    return " ".join(str(error).split())[:120] or type(error).__name__


def _require_parts(archive: zipfile.ZipFile) -> None:
    names = [info.filename.lower() for info in archive.infolist()]
    if not any(name.endswith("workbook.xml") for name in names) or "content.xml" in names:
        raise UnreadableFileError("a packed file without xl/workbook.xml; accepted: XLSX")
    left = MAX_UNPACKED
    lengths: list[int] = []
    pointers = [0]
    for info in sorted(archive.infolist(), key=lambda i: "sharedstrings" not in i.filename.lower()):
        pieces = _overlapping(_unpacked(archive, info, left))
        if "sharedstrings" in info.filename.lower():
            left -= _shared(pieces, lengths)
        else:
            left -= _sheet(pieces, lengths, pointers)


def _unpacked(archive: zipfile.ZipFile, info: zipfile.ZipInfo, most: int) -> Iterator[bytes]:
    """A part piece by piece, to its real end, whatever length it states."""
    stated, info.file_size = info.file_size, most + 2 * PIECE
    unpacked = 0
    with archive.open(info) as part:
        while piece := part.read(PIECE):
            unpacked += len(piece)
            if unpacked > most:
                raise UnreadableFileError(
                    f"a workbook that unpacks to more than {MAX_UNPACKED:,} bytes; accepted: less"
                )
            yield piece
    if unpacked != stated:
        raise UnreadableFileError("a workbook whose parts are not as long as they say")


def _overlapping(pieces: Iterator[bytes]) -> Iterator[tuple[bytes, int]]:
    """Each piece after the end of the one before it, and how long that end is."""
    end = b""
    for piece in pieces:
        whole = end + piece
        # Room is made for so many before one is read.
        if _PADDED.search(whole) or any(
            int(count) > MAX_SHEET_CELLS for count in _COUNT.findall(whole)
        ):
            raise UnreadableFileError("a workbook that counts more parts than it can hold")
        yield whole, len(end)
        end = piece[-OVERLAP:]


def _shared(pieces: Iterator[tuple[bytes, int]], lengths: list[int]) -> int:
    """Notes how long, at most, each shared text is; returns the part's length."""
    content = b"".join(piece[known:] for piece, known in pieces)
    starts = [found.start() for found in _STRING.finditer(content)]
    ends = [*starts[1:], len(content)]
    lengths.extend(end - start for start, end in zip(starts, ends, strict=True))
    return len(content)


def _sheet(pieces: Iterator[tuple[bytes, int]], lengths: list[int], pointers: list[int]) -> int:
    """The grid that a sheet's cells span, and the text they point at, are bounded."""
    rows = columns = size = 0
    for piece, known in pieces:
        size += len(piece) - known
        for letters, digits in _PLACE.findall(piece):
            rows, columns = max(rows, int(digits)), max(columns, _number(letters))
        for pointer in _POINTER.finditer(piece, max(known - OVERLAP, 0)):
            at = int(pointer.group(1))
            pointers[0] += lengths[at] if at < len(lengths) else 0
        _require_grid(rows, columns, pointers[0])
    return size


def require_columns(columns: int) -> None:
    """A table has no more columns than a person's."""
    if columns > MAX_COLUMNS:
        raise UnreadableFileError(f"{columns:,} columns; accepted: up to {MAX_COLUMNS:,}")


def _require_grid(rows: int, columns: int, text: int) -> None:
    require_columns(columns)
    if rows * columns > MAX_SHEET_CELLS:
        raise UnreadableFileError(
            f"a sheet of {rows:,} rows and {columns:,} columns; accepted: up to "
            f"{MAX_SHEET_CELLS:,} cells"
        )
    if text > MAX_TEXT:
        raise UnreadableFileError(f"over {MAX_TEXT:,} bytes of text in cells; accepted: less")


def _number(letters: bytes) -> int:
    """27 for AA."""
    number = 0
    for letter in letters.upper():
        number = 26 * number + letter - 64
    return number


def read_parquet(content: bytes) -> pa.Table:
    """The table in a Parquet file, once its own counts allow it.

    Raises
    ------
    UnreadableFileError
        It states more than can be read, or it is no Parquet file.
    """
    try:
        file = pq.ParquetFile(pa.BufferReader(content))
        _require_counts(file.metadata)
        return file.read(use_threads=True)
    except (pa.ArrowException, OSError, ValueError, KeyError, TypeError) as error:
        raise UnreadableFileError(f"not a Parquet file ({_short(error)})") from None


def _require_counts(metadata: pq.FileMetaData) -> None:
    require_columns(metadata.num_columns)
    cells = metadata.num_rows * metadata.num_columns
    if cells > MAX_CELLS:
        raise UnreadableFileError(f"{cells:,} cells; accepted: up to {MAX_CELLS:,} in a file")
    groups = (metadata.row_group(i) for i in range(metadata.num_row_groups))
    if sum(group.total_byte_size for group in groups) > MAX_UNPACKED:
        raise UnreadableFileError(f"over {MAX_UNPACKED:,} bytes unpacked; accepted: less")
    if any(
        metadata.schema.column(i).path.count(".") > MAX_DEPTH for i in range(metadata.num_columns)
    ):
        raise UnreadableFileError(f"columns nested over {MAX_DEPTH} deep; accepted: plain columns")
