"""What a workbook says of its cells beside what they hold.

Which are struck out, which formulas have no result, and from when days are counted: no library in
use tells it.
"""

import html
import io
import re
import zipfile
from functools import partial

WORKBOOK, RELATIONS = "xl/workbook.xml", "xl/_rels/workbook.xml.rels"
MOST_LOOKED_AT = 32_000_000  # bytes of a sheet that is looked at for formulas
# A text that came to nothing is a result.
_NO_RESULT = re.compile(
    rb'<c r="([A-Z]+)\d+"(?![^>]*\bt="str")[^>]*>\s*<f\b[^>]*(?:/>|>[^<]*</f>)\s*'
    rb"(?:<v\s*/>|<v></v>)?\s*</c>"
)
# Parts of a workbook that say which of its cells are struck out: where fonts are listed, and texts.
STYLES, TEXTS = "xl/styles.xml", "xl/sharedStrings.xml"
_STRIKE = re.compile(rb'<strike(?:\s+val="(?:1|true)")?\s*/>')
_CELL = re.compile(rb'<c r="([A-Z]+)(\d+)"([^>]*?)(?:/>|>(.*?)</c>)', re.S)
STRUCK = " (struck out)"  # behind what a cell says that somebody struck out: it is nothing then


Place = tuple[int, int]  # of a cell: its row and its column, from 0


def counts_from_1904(content: bytes) -> bool:
    """Whether a workbook counts its days so: what is formatted as a day is read right, and a plain
    number would be four years off."""
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        book = archive.read(WORKBOOK) if WORKBOOK in archive.namelist() else b""
    found = re.search(rb"<(?:\w+:)?workbookPr\b[^>]*>", book)
    return found is not None and _attribute(found[0], b"date1904") in {"1", "true"}


def looked_at(content: bytes) -> tuple[dict[str, frozenset[str]], dict[str, list[Place]]]:
    """By sheet, the columns with formulas that only a script has written, of which no program has
    worked out what they come to; and the cells that are struck out, in part or whole. Sheets that
    are large are not looked at: programs save those."""
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        sizes = {info.filename: info.file_size for info in archive.infolist()}
        if not {WORKBOOK, RELATIONS} <= set(sizes):
            return {}, {}
        targets = {
            _attribute(one, b"Id"): _attribute(one, b"Target").removeprefix("/xl/")
            for one in re.findall(rb"<Relationship\b[^>]*>", archive.read(RELATIONS))
        }
        styles, texts = (
            archive.read(part) if sizes.get(part, MOST_LOOKED_AT) < MOST_LOOKED_AT else b""
            for part in (STYLES, TEXTS)
        )
        is_struck = partial(_is_struck, styles=_struck_styles(styles), texts=_struck_texts(texts))
        unstored, struck = {}, {}
        for one in re.findall(rb"<sheet\b[^>]*>", archive.read(WORKBOOK)):
            path = f"xl/{targets.get(_attribute(one, b'r:id'), '')}"
            if sizes.get(path, MOST_LOOKED_AT) < MOST_LOOKED_AT:
                name, sheet = html.unescape(_attribute(one, b"name")), archive.read(path)
                letters = set(_NO_RESULT.findall(sheet))
                unstored[name] = frozenset(f"c{_column_of(each)}" for each in letters)
                if any(is_struck.keywords.values()) or _STRIKE.search(sheet):
                    cells = filter(is_struck, _CELL.finditer(sheet))
                    struck[name] = [(int(of[2]) - 1, _column_of(of[1])) for of in cells]
        return unstored, struck


def _is_struck(cell: re.Match[bytes], styles: set[int], texts: set[int]) -> bool:
    """Whether a cell is struck out, or a part of its text is: what is left of that is not known."""
    tag, content = b"<c" + cell[3] + b">", cell[4] or b""
    style, value = _attribute(tag, b"s"), re.search(rb"<v>(\d+)</v>", content)
    shared = _attribute(tag, b"t") == "s" and value is not None and int(value[1]) in texts
    return shared or (style.isdigit() and int(style) in styles) or bool(_STRIKE.search(content))


def _struck_styles(styles: bytes) -> set[int]:
    """The styles of cells, by their place, whose font is struck out."""
    fonts, formats = (
        re.search(rb"<%s\b.*?</%s>" % (name, name), styles, re.S) for name in (b"fonts", b"cellXfs")
    )
    if fonts is None or formats is None:
        return set()
    each = re.findall(rb"<font\s*/>|<font\b.*?</font>", fonts[0], re.S)
    struck = {str(i) for i, font in enumerate(each) if _STRIKE.search(font)}
    of = re.findall(rb"<xf\b[^>]*>", formats[0])
    return {i for i, one in enumerate(of) if _attribute(one, b"fontId") in struck}


def _struck_texts(texts: bytes) -> set[int]:
    """The texts that cells share, by their place, of which a part is struck out."""
    if not _STRIKE.search(texts):
        return set()
    each = re.findall(rb"<si\s*/>|<si\b.*?</si>", texts, re.S)
    return {i for i, text in enumerate(each) if _STRIKE.search(text)}


def _attribute(tag: bytes, name: bytes) -> str:
    found = re.search(rb'\s%s="([^"]*)"' % name, tag)
    return found.group(1).decode(errors="replace") if found else ""


def _column_of(letters: bytes) -> int:
    """The place of a column that a workbook calls A, B, …, AA, from 0."""
    place = 0
    for letter in letters:
        place = place * 26 + letter - ord("A") + 1
    return place - 1
