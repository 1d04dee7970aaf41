"""Lists of places in a job line, written out one by one before the line is read."""

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import chain, pairwise

from pipeline.mapping import words as known
from pipeline.mapping.headings import MAX_AXLE, sides_told_by
from pipeline.mapping.job_lines.clauses import (
    CLAUSE,
    LONGEST,
    SEVERAL,
    fits,
    is_a_verb,
    is_plain,
    is_state,
    is_strange,
    says_nothing_else,
    words_of,
)
from pipeline.mapping.words import END_OF, SIDE_OF, WHEELS, folded, tokens, with_wheels
from pipeline.settings import JobWords

# How lists of places are written. A line is read without case and accents here.
_LETTER = r"[^\W\d_]"
_STARTS, _ENDS = rf"(?<!{_LETTER})", rf"(?!{_LETTER})"
_AXLES_OF = "axles|achsen|essieux|ejes|eixos|assi|assen|osie|osi|axlar|aksler|napravy|axe|оси"
_AXLE_OF = (
    rf"(?:{_AXLES_OF}|axle|axel|ax|achse|essieu|eje|eixo|asse|as|os|naprava|aksel|axa|ось|a(?=\d))"
)
_NUMBERED = (
    r"(?:(?<=\bax)\.|:)?[\s-]*(?:(?:nos?|nrs?|num|numbers?|numer[ou]?|nummer|n)(?![^\W\d_])[.°]*:?\s*|n°\s*|#\s*)?"
    r"(?:(?:from|von|du|de|del|da|dal|dos|od|van|fra|fran)\s+)?"
)
_AND_SO = r"(?:[,&+/]|\b(?:and|und|u|et|y|e|i|en|och|og|oraz|sowie|plus|si|es|и)\b\.?)"
_UP_TO = (
    r"(?:-|–|—|\.{2,3}|\b(?:up to|to|bis|thru|through|until|till|til|tot en met|t\s?/\s?m|tm|"
    r"t\.?o\.?m\.?|hasta|ate|fino a|al|au|a|do|до|по)(?!\w))"
)
_UNSURE_OF = r"\b(?:or|oder|ou|of|o|lub|albo|eller|oppure|tot|vs)\b"
_UNIT = (
    r"(?:mm|cm|%|percent|prozent|\"|″|kms?|mi|miles|nm|bar|psi|kg|hrs?|hours?|std|h|mins?|"
    rf"eur|€|£|\$|zl|x){_ENDS}"
)
_NOT_OF_A_DATE = r"(?!\d|\s?[./-]\d{1,2}[./-]\d\d)"
_ORDINAL_WORDS = {
    word: number
    for number, words in (
        (1, """first erste ersten erster premier premiere primer primero primeira primo prima
               pierwsza pierwszej eerste"""),
        (2, """second zweite zweiten zweiter deuxieme seconde segundo segunda secondo seconda druga
               drugiej tweede"""),
        (3, """third dritte dritten dritter troisieme tercer tercero terceira terzo terza trzecia
               trzeciej derde"""),
        (4, "fourth vierte vierten quatrieme cuarto quarto czwarta vierde"),
    )
    for word in words.split()
}  # fmt: skip
_ORDINAL = (
    rf"(?:\d{{1,2}}\s?(?:st|nd|rd|th|eme|ieme|nde|ere?|er|ste|de|e|o|a|\.|°){_ENDS}"
    rf"|{_STARTS}(?:{'|'.join(_ORDINAL_WORDS)}){_ENDS})"
)
_HOW_MANY = {"two": 2, "three": 3, "four": 4, "five": 5, "zwei": 2, "drei": 3, "vier": 4, "deux": 2,
             "trois": 3, "quatre": 4, "dos": 2, "tres": 3, "dwie": 2, "trzy": 3, "due": 2, "tre": 3,
             "twee": 2, "drie": 3, "dois": 2}  # fmt: skip
_COUNT = rf"{_STARTS}(?:\d{{1,2}}|{'|'.join(_HOW_MANY)})"
_LIST = rf"\d{{1,2}}(?:\s*(?:{_AND_SO}|{_UP_TO})\s*\d{{1,2}}(?!\d))+"
_OF_A_KIND = r"(?:trailer|tractor|truck|vehicle|unit|semi|rig|lorry|bus|dolly|bogie|rigid)s?"
_SIDE_WORDS = {
    **{word: side for word, side in SIDE_OF.items() if side in {"L", "R"} and len(word) > 1},
    "nearside": "near", "kerbside": "near", "curbside": "near", "offside": "off",
}  # fmt: skip
_END_WORDS = """front rear vorne vorn hinten avant arriere delantero delantera trasero trasera
    dianteiro traseiro anteriore posteriore przednia tylna vorderachse hinterachse vooras
    achteras"""
_ENDS_OF = {word: END_OF[word] for word in _END_WORDS.split()}
_END = rf"{_STARTS}(?:{'|'.join(_ENDS_OF)}){_ENDS}"
_SIDE = (
    rf"(?:[nolr]\s?[/\\]\s?[sh](?!\w)|[nolr]\.\s?[sh]\b\.?|(?:near|off)\s?side{_ENDS}"
    rf"|(?:{'|'.join(_SIDE_WORDS)}){_ENDS}|[lr](?!\w))"
)
_AT_SIDE = (
    r"(?:(?:(?:du|au|del|al|na|op|po)\s+)?(?:lado|cote|lato|strona|strone|seite)\s+)?"
    r"(?:a\s+(?=gauche|droite))?"
)
_ITEM = re.compile(
    "|".join(
        (
            rf"(?P<waste>\d+[./-]\d+[./-]\d\d+|\d+:\d+|\d{{3,}}|\d+[.,]\d\d(?!\d)(?!\s*{_AND_SO})"
            rf"|\d+(?:[.,/]\d+)?\s*{_UNIT})",
            rf"(?P<listed>{_STARTS}(?:(?P<many>{_COUNT})\s*(?:{_AXLES_OF}){_ENDS}\s*[:(]?\s*"
            rf"(?P<which>{_LIST})\)?|(?P<named>{_LIST})\s*{_AXLE_OF}{_ENDS}(?!{_NUMBERED}\d)))",
            rf"(?P<counted>{_COUNT}\s*(?:x\s*)?(?:{_AXLES_OF}){_ENDS}"
            rf"|{_STARTS}{_AXLE_OF}{_ENDS}\s*x\s?\d{{1,2}}(?!\w))",
            rf"(?P<ordinals>{_ORDINAL}(?:\s*(?:{_AND_SO}|{_UP_TO})\s*{_ORDINAL})*\s*{_AXLE_OF}"
            rf"{_ENDS}(?!{_NUMBERED}\d))",
            rf"(?P<place>(?:{_STARTS}{_AXLE_OF}{_NUMBERED}(?P<word_no>\d{{1,2}})\s?(?P<word_side>"
            rf"[nolr]\s?/\s?[sh]|lh|rh|lr|l|r)|(?<!\w)(?<!\d[.,])(?P<no>\d{{1,2}})(?P<side_of>"
            rf"[nolr]/[sh]|lh|rh|lr|\s?l|\s?r)|(?<!\w)(?P<side_before>lh|rh|l|r)(?P<no_after>"
            r"\d{1,2}))(?!\w))",
            rf"(?P<axle>{_STARTS}(?:(?P<several>{_AXLES_OF})|{_AXLE_OF}){_NUMBERED}"
            rf"(?P<n>\d{{1,2}}){_NOT_OF_A_DATE}(?!\s*(?:mm|%)))",
            rf"(?P<wheel>{_STARTS}(?:{'|'.join(WHEELS)}){_ENDS})",
            rf"(?P<end>{_END}(?:\s*{_AND_SO}\s*{_END})+(?:\s*{_AXLE_OF}{_ENDS})?"
            rf"|{_END}\s+{_AXLE_OF}{_ENDS}(?!{_NUMBERED}\d)|{_STARTS}{_AXLE_OF}\s+{_END}"
            rf"|{_STARTS}(?:vorderachse|hinterachse|vooras|achteras){_ENDS})",
            rf"(?P<side>{_STARTS}{_AT_SIDE}(?:(?P<both>beidseitig|"
            rf"both(?!\s+(?:{_AXLE_OF}|the){_ENDS})){_ENDS}|(?P<first>{_SIDE})"
            rf"(?:\s*(?!,){_AND_SO}\s*(?P<other>{_SIDE}))?)(?:[\s-]*(?:hand|side|seite|zijde|kant|"
            rf"strona|strony|strone){_ENDS})*)",
            r"(?P<number>(?<!\w)(?<!\d[.,])\d{1,2}(?!\w))",
            rf"(?P<sign>{_AND_SO}|[-–—()])",
            r"(?P<unsure>\b(?:or|oder|ou|lub|albo|eller|oppure|vs|to|bis|thru|through|tm|t/m)\b)",
            r"(?P<filler>(?:on|of|the|at|a|auf|der|nur|only|side|cote|lado|lato|zijde|strona|strony|"
            r"wheel)(?!\w)|:)",
            rf"(?P<word>{_LETTER}+|\S)",
        )
    )
)
_NEXT_AXLE = re.compile(
    rf"(?:(?P<gap>\s*(?:(?P<up_to>{_UP_TO}(?:(?<=\w)\s*{_AXLE_OF}{_NUMBERED})?)|(?P<unsure>{_UNSURE_OF})"
    rf"|(?P<comma>,(?:\s*{_AND_SO})?)|{_AND_SO})\s*)|\s+)"
    rf"(?:#\s*|(?:no|nr)\.?\s*)?(?P<n>\d{{1,2}}){_NOT_OF_A_DATE}"
    rf"(?!\s?(?:st|nd|rd|th){_ENDS}|\.[\s,]*(?:(?:\d{{1,2}}\.|(?:u|und|bis)\b\.?|[&+,-])\s*)*achs"
    r"|(?:lr|lh?|rh?|[nolr]/[sh])(?!\w)|:\d)"
)
_LIQUID = r"(?:oil|oel|ol|huile|aceite|olej|olio|olie|coolant|fluid|diesel|grease|water|wasser)"
_MEASURE = re.compile(rf"\s*(?:\.\d|[,/]\d+\s*{_UNIT}|{_UNIT}|l\s+{_LIQUID})")
_SIDE_NEXT = re.compile(rf"\s*{_AT_SIDE}{_SIDE}")
_FIRST_WORDS = re.compile(rf"(?:\s*{_LETTER}+){{1,4}}")
_COUNTS = "set sets kit kits pair pairs pcs pc wheel wheels side sides end ends"
_COUNTED_IN = frozenset(_COUNTS.split())
EXCEPTED = "exceptaxles"
HOW_MANY = "says how many axles, and not which"
MARKS = {"howmanyaxles": HOW_MANY, "whichaxles": SEVERAL, EXCEPTED: SEVERAL}


@dataclass(frozen=True, slots=True)
class _Item:
    """A part of a line that may be of a list of places: axles (A), sides (S), both (P), a number
    (N), a sign between them (,), or anything else (W), which ends a list.

    ``is_litres`` of a number and an l that may be a place or a measure, ``is_sure`` unless it can
    be read in two ways.
    """

    kind: str
    start: int
    end: int
    axles: tuple[int, ...] = ()
    sides: tuple[str, ...] = ()
    is_sure: bool = True
    is_litres: bool = False

    @property
    def span(self) -> tuple[int, int]:
        return self.start, self.end


_Pair = tuple[tuple[int, ...], tuple[str, ...]]


@cache
def rewritten(line: str, rear_axle: int | None) -> tuple[str, ...]:
    """A line with its lists of places as clauses have them: axle 1 and 2 both.

    Where a list says different sides of different axles, a line for each: together they say what it
    says. A list that can be read in two ways, or says how many axles and not which, is a mark.
    """
    if len(line) > LONGEST:
        return (line,)
    text = _in_usual_words(folded(line))
    pieces: list[tuple[str, ...]] = []
    at = 0
    for start, end, told in _without_neighbours(_all_retold(text, rear_axle), text):
        pieces += [(text[at:start],), told]
        at = end
    pieces.append((text[at:],))
    count = max(map(len, pieces))
    return tuple("".join(piece[min(k, len(piece) - 1)] for piece in pieces) for k in range(count))


_Retold = tuple[int, int, tuple[str, ...]]


def _all_retold(text: str, rear_axle: int | None) -> list[_Retold]:
    """From where to where a line has a list, and what stands there instead."""
    lists = list(_lists(text, rear_axle))
    return [(*_in_brackets(run, text), told) for run in lists if (told := _retold(run, text))]


def _without_neighbours(found: Sequence[_Retold], text: str) -> list[_Retold]:
    """Different axles in one clause, something else between them, may be of anything in it."""
    unsure: set[int] = set()
    for i, (before, after) in enumerate(pairwise(found)):
        are_axles = all("axle" in text_of for text_of in (before[2][0], after[2][0]))
        if are_axles and before[2] != after[2] and not CLAUSE.search(text[before[1] : after[0]]):
            unsure |= {i, i + 1}
    for i in range(len(found) - 1, 0, -1):  # with the rest of its list
        if i in unsure and not text[found[i - 1][1] : found[i][0]].strip(" ,"):
            unsure.add(i - 1)
    return [
        (start, end, (" whichaxles ",) if i in unsure else told)
        for i, (start, end, told) in enumerate(found)
    ]


_BOTH_SIDES = re.compile(
    rf"{_STARTS}(?:(?:po|on|at|auf|an|aan|op|en|em|su|pa|na)\s+)?"
    r"(?:(?:both|beide[nrs]?|les deux|des deux|deux|obie|obu|obydwie|obydwu|ambos|ambas|"
    r"ambo|ambi|entrambi|entrambe|oba|obe|bada|begge)\s+"
    r"(?:(?:the|les|los|as|os|i|gli|le|of the)\s+)?"
    r"(?:sides?|hand sides|ends|wheel ends|wheels|seiten|cotes|lados|strony|stron|stronach|kanten|"
    r"zijden|lati|sidor|sider|strany|roues|ruedas|rodas|ruote|kola|wielen)|(?:2|two|zwei|deux|dos|"
    r"due|twee|dwie)\s+(?:sides|seiten|cotes|lados|lati|zijden|strony)|bds\.?|beids\.?|bs|"
    rf"b/s|beidseitig|beidseits|obustronnie|beid(?:er)?seit\.?){_ENDS}"
)
_PAIRS_OF_LETTERS = (("l", "r"), ("g", "d"), ("l", "p"), ("s", "d"), ("i", "d"), ("e", "d"))
_BOTH_LETTERS = re.compile(
    rf"(?:(?P<digit>(?<=\d))|{_STARTS})(?:"
    + "|".join(
        rf"{a}\s*(?:[/+&]|and|und|et|y|i|e|en)\s*{b}(?!\w)"
        for pair in _PAIRS_OF_LETTERS
        for a, b in (pair, pair[::-1])
    )
    + ")"
)
# The dot of a word cut short may end a sentence too: Trommel neu Achse 3 li. Achse 2 re. belegt.
_DOUBTFUL_DOT = re.compile(
    rf"({_AXLE_OF}{_NUMBERED}\d{{1,2}}[^.;,]*?\b(?:li|re|izq|izda|izdo|der|dcha|dcho|bds|lks|rts))\.(?=\s*{_AXLE_OF}{_ENDS})"
)
_OTHER_WORDS = tuple(
    (re.compile(pattern), meant)
    for pattern, meant in (
        (rf"{_STARTS}r\s?(?:[&+]|and)\s?r\b", "replaced"), (r"\bs/adj\w*\.?", "slack adjuster"),
        (r"\badj\b\.?(?=\s+(?:replac|renew|fitted|changed|new))", "adjuster"),
        (r"\b(replaced|renewed|new) adj\b\.?", r"\1 adjuster"),
        (r"\bnew ones?\b", "new"),
        (r"\bleviers? (?:de )?reglage(?: auto\w*)?", "regleur"),
        (r"\brattrapeurs?(?: d\s?['’]?\s?usure)?(?: auto\w*)?\b", "regleur"),
        (rf"{_STARTS}(?:izda|izdo|izq)\b\.?", "izquierda"),
        (rf"{_STARTS}(?:dcha|dcho)\b\.?", "derecha"),
        (rf"{_STARTS}lks\b\.?", "links"), (rf"{_STARTS}rts\b\.?", "rechts"),
        (rf"{_STARTS}lew\.", "lewa"), (rf"{_STARTS}praw\.", "prawa"),
    )
)  # fmt: skip
_BESIDE = (  # words that are a side where the other one stands in the line too
    (re.compile(r"\bli\b\.?"), "links", re.compile(r"\bre\b\.?(?![\s-]*(?:lin|fit|us|set|adj))"),
     "rechts"),
    (re.compile(r"\bli\b\.?"), "links", re.compile(r"\bachs"), "achs"),
    (re.compile(r"\bre\b\.?(?![\s-]*(?:lin|fit|us|set|adj))"), "rechts", re.compile(r"\bachs"),
     "achs"),
    (re.compile(r"\bizquierd[ao]\b"), "izquierda", re.compile(r"\bder\b\.?"), "derecha"),
    (re.compile(r"\ble\b"), "esquerdo", re.compile(r"\bld\b"), "direito"),
)  # fmt: skip
_FRENCH = re.compile(r"\b(?:garniture|machoire|essieu|tambour|regleur|levier|rattrapeur|regarni)")
_LETTER_AFTER = re.compile(rf"(?<!\w)({_AXLE_OF}{_NUMBERED}\d{{1,2}})\s([gdpsl])(?!\w)")
_OTHER_LETTERS = re.compile(r"(?<!\w)(?<!\d[.,])(\d{1,2})([gdpsiel])(?!\w)")
_WHAT_IS_LEFT = re.compile(
    r"(\d\s*(?:mm|cm|%|\"))\s+left\b(?!\s*(?:hand|side|wheel|rear|front|axle))"
)


_OF_A_VEHICLE = re.compile(rf"(?<!\w)\d{{1,2}}[\s-]?axles?(?=\s+{_OF_A_KIND}{_ENDS})")
_EXCEPT = re.compile(
    r"\b(?:except(?:ing|e|o)?|excl(?:uding)?|apart from|other than|ausser|sauf|salvo|oprocz|"
    r"behalve|tranne|eccetto|instead of|statt)\b\.?(?=\W+(?:\w+\W+){0,2}"
    rf"(?:{_AXLE_OF}{_ENDS}|\d|[lr]h?\b|left|right|rear|front))"
)


_IN_FRENCH = re.compile(
    r"\b(?:garniture|frein|essieu|roue|rempla|changee|changement|regl|levier|machoire|tambour"
    r"|patin|avd\b|arg\b|ard\b|neuf|neuve|posee?s?\b|gauche|droit)"
)


def _in_usual_words(text: str) -> str:
    """A line with abbreviations and words for both sides as others write them."""
    text = _DOUBTFUL_DOT.sub(r"\1 oder ", with_wheels(text))
    if not _IN_FRENCH.search(text):  # there it is front left
        text = re.sub(r"\bavg\b", "average", text)
    for pattern, meant in _OTHER_WORDS:
        text = pattern.sub(meant, text)
    for left, meant_left, right, meant_right in _BESIDE:
        if left.search(text) and right.search(text):
            text = right.sub(meant_right, left.sub(meant_left, text))
    if not re.search(r"\d\s*(?:mm|cm|%|\")\s+right\b", text):
        text = _WHAT_IS_LEFT.sub(r"\1 remaining", text)
    text = re.sub(r"\baxle\(s\)", "axle", text)
    text = _OF_A_VEHICLE.sub(" ", _EXCEPT.sub(" exceptaxles ", text))
    text = _BOTH_SIDES.sub(" beidseitig ", text)
    text = _BOTH_LETTERS.sub(lambda f: " beidseitig " if f["digit"] is None else "lr", text)
    return _with_known_letters(text)


def _with_known_letters(text: str) -> str:
    """2G and 2D as 2L and 2R, where both are there or the words are French; AR as rear there."""
    french = _FRENCH.search(text) is not None
    letters = {f[1] for how in (_OTHER_LETTERS, _LETTER_AFTER) for f in how.findall(text)}
    known_as = sides_told_by(letters, set()) or ({"g": "L", "d": "R"} if french else {})
    if letters and letters <= set(known_as):
        for how in (_OTHER_LETTERS, _LETTER_AFTER):
            text = how.sub(lambda f: f[1] + known_as[f[2]].lower(), text)
    if french:
        text = re.sub(r"\bar\b\.?(?=\s|$)", "rear", re.sub(r"\bav\b\.?(?=\s|$)", "front", text))
        text = re.sub(
            r"\b(front|rear)\s+([gd])\b\.?", lambda f: f"{f[1]} {_FRENCH_SIDES[f[2]]}", text
        )
    return text


_FRENCH_SIDES = {"g": "gauche", "d": "droite"}


def _items(text: str, rear_axle: int | None) -> Iterator[_Item]:
    at = 0
    while found := _ITEM.search(text, at):
        item = _item(text, found, rear_axle)
        yield item
        at = max(item.end, at + 1)


def _item(text: str, found: re.Match[str], rear_axle: int | None) -> _Item:
    """What a part of a line is."""
    kind, span = found.lastgroup or "", found.span()
    match kind:
        case "axle":
            return _axles_from(text, found)
        case "listed" | "ordinals":
            return _listed(found)
        case "end":
            return _end_item(found, rear_axle)
        case "place":
            return _place_item(found)
        case "wheel":
            return _wheel_item(found, rear_axle)
        case "side":
            return _side_item(found)
        case "number":
            is_axle = 1 <= int(found[0]) <= MAX_AXLE and not _is_of_things(text, span[1])
            return _Item("N" if is_axle else "W", *span, (int(found[0]),))
    return _Item(_KIND_OF_SIGN.get(found[0]) or _KIND_OF.get(kind, "W"), *span)


_SIGNS = frozenset(",-?()")
_KIND_OF_SIGN = {"-": "-", "–": "-", "—": "-", "(": "(", ")": ")"}
_KIND_OF = {"counted": "C", "sign": ",", "unsure": "?", "filler": "f"}


def _end_item(found: re.Match[str], rear_axle: int | None) -> _Item:
    """The front axle, or the rear one where its number is known."""
    ends = [_ENDS_OF[word] for word in re.findall(r"\w+", found[0]) if word in _ENDS_OF]
    numbers = [1 if told == "front" else rear_axle for told in ends]
    axles = tuple(n for n in numbers if n is not None)
    return _Item("A" if len(axles) == len(ends) else "W", *found.span(), axles)


def _wheel_item(found: re.Match[str], rear_axle: int | None) -> _Item:
    """LF, VR, ARG: letters for the axle and the side."""
    end, side = WHEELS[found[0]]
    axle = 1 if end == "front" else rear_axle
    return _Item("P" if axle else "W", *found.span(), (axle or 0,), (side,))


def _side_item(found: re.Match[str]) -> _Item:
    if found["both"]:
        return _Item("S", *found.span(), sides=("L", "R"))
    told = [re.sub(r"[\s./\\]", "", side) for side in found.group("first", "other") if side]
    sides = tuple(side for word in told for side in _sides_of(word))
    return _Item("s" if set(told) <= {"l", "r"} else "S", *found.span(), sides=sides)


def _sides_of(plain: str) -> tuple[str, ...]:
    """lr: both; n/s: near."""
    if plain == "lr":
        return ("L", "R")
    usual = {
        "l": "L",
        "lh": "L",
        "ls": "L",
        "r": "R",
        "rh": "R",
        "rs": "R",
        "ns": "near",
        "os": "off",
    }
    return (usual.get(plain) or _SIDE_WORDS[plain],)


def _place_item(found: re.Match[str]) -> _Item:
    """1L, axle 1 L, L1, 1 N/S."""
    side = found["word_side"] or found["side_of"] or found["side_before"]
    number = int(found["word_no"] or found["no"] or found["no_after"])
    sides = _sides_of(re.sub(r"[\s/]", "", side))
    kind = "P" if 1 <= number <= MAX_AXLE else "W"
    litres = found["no"] is not None and side.strip() == "l"
    return _Item(kind, *found.span(), (number,), sides, is_litres=litres)


def _listed(found: re.Match[str]) -> _Item:
    """2 axles (1 and 2); 1, 2 and 3 axles; 1st and 2nd axle."""
    axles, is_sure = _counted_up(found["which"] or found["named"] or found[0])
    many = found["many"]
    if many and len(axles) != (int(many) if many.isdigit() else _HOW_MANY[many]):
        is_sure = False
    return _Item("A", *found.span(), axles, is_sure=is_sure)


def _counted_up(listed: str) -> tuple[tuple[int, ...], bool]:
    """The axles of a list of numbers or ordinals, and whether it is sure."""
    found: list[int] = []
    is_sure = True
    parts = re.compile(rf"(?P<n>\d+|{'|'.join(_ORDINAL_WORDS)})|(?P<up_to>{_UP_TO})")
    ordinal = re.compile(
        rf"(\d)\s?(?:st|nd|rd|th|eme|ieme|nde|ere?|er|ste|de|e|o|a|\.(?!\.)|°){_ENDS}"
    )
    up_to = False
    for part in parts.finditer(ordinal.sub(r"\1 ", listed)):
        if part["up_to"]:
            up_to = True
            continue
        number = int(part["n"]) if part["n"].isdigit() else _ORDINAL_WORDS[part["n"]]
        is_sure = is_sure and not (up_to and number <= found[-1]) and 1 <= number <= MAX_AXLE
        found += range(found[-1] + 1, number + 1) if up_to else [number]
        up_to = False
    return tuple(dict.fromkeys(found)), is_sure


def _axles_from(text: str, found: re.Match[str]) -> _Item:
    """The axles that a word for axle and the numbers after it name."""
    numbers, is_sure, end = [int(found["n"])], True, found.end()
    was_loose = False
    while more := _NEXT_AXLE.match(text, end):
        number, is_loose = int(more["n"]), _is_loose(more)
        if not 1 <= number <= MAX_AXLE or _MEASURE.match(text, more.end()):
            break
        if is_loose and _is_of_things(text, more.end()) and (not found["several"] or numbers[1:]):
            # 2 shoes, 4 linings; 3 may be an axle, as may what ends a longer list, or 2 in 1,2
            is_list = number > numbers[-1] and (number % 2 == 1 or more["gap"] == ",")
            is_sure = is_sure and not was_loose and not is_list
            break
        up_to = more["up_to"] is not None and not _means_and(more["up_to"], found[0])
        is_sure = is_sure and not more["unsure"] and not (up_to and number <= numbers[-1])
        numbers += range(numbers[-1] + 1, number + 1) if up_to else [number]
        was_loose, end = is_loose, more.end()
    axles = tuple(n for n in dict.fromkeys(numbers) if 1 <= n <= MAX_AXLE)
    return _Item("A" if axles else "W", found.start(), end, axles, is_sure=is_sure)


def _is_loose(more: re.Match[str]) -> bool:
    """Whether nothing but a comma, a blank or a dash between blanks joins a number to a list."""
    dash = more["gap"] is not None and re.fullmatch(r"\s+[-–—]\s+", more["gap"]) is not None
    return more["gap"] is None or dash or (more["comma"] or "").strip() == ","


def _means_and(up_to: str, axle: str) -> bool:
    """In Czech, a is and."""
    return up_to == "a" and axle.startswith("naprav")


def _is_of_things(text: str, at: int) -> bool:
    """Whether the next word is of something that a number before it counts, as in 2 new drums."""
    if _SIDE_NEXT.match(text, at):
        return False
    found = _FIRST_WORDS.match(text, at)
    of = found[0].split() if found else []
    first = next((t for t in of if not fits(t, known.NEW_BEFORE) and not fits(t, known.ILL)), "")
    if first in _COUNTED_IN or re.fullmatch(_AXLES_OF, first):
        return True
    if fits(first, known.OBJECTS) or fits(first, known.BRAKE):
        return True
    return bool(first) and is_strange(first)


def _runs(items: Iterable[_Item]) -> Iterator[list[_Item]]:
    """Lists of places, and what counts axles; without signs and little words at their ends."""
    run: list[_Item] = []
    for item in chain(items, (_Item("W", 0, 0),)):
        if _continues(run, item):
            run.append(item)
            continue
        yield from _trimmed(run)
        run = [item] if item.kind in _PLACED else []
        if item.kind == "C":
            yield [item]
    yield from _trimmed(run)


_PLACED = frozenset("ASPN")


def _continues(run: Sequence[_Item], item: _Item) -> bool:
    """Whether a list goes on; a letter, or a number after a sign, is of one that names a place."""
    is_placed = any(one.kind in "APS" for one in run)
    match item.kind:
        case "W" | "C":
            return False
        case "s":
            return is_placed
        case ")":  # what begins within brackets ends there
            return any(one.kind == "(" for one in run)
        case "N":
            last = next((one.kind for one in reversed(run) if one.kind != "f"), "")
            return is_placed and last in {",", "("}
    return bool(run)


def _trimmed(run: list[_Item]) -> Iterator[list[_Item]]:
    while run and run[-1].kind in _SIGNS | {"f"}:
        run = run[:-1]
    if run and run[0].kind == "N" and not any(one.kind == "P" for one in run):
        first = next((i for i, one in enumerate(run) if one.kind in "APS"), len(run))
        run = run[first:]
    if run:
        yield run


def _lists(text: str, rear_axle: int | None) -> Iterator[list[_Item]]:
    """Lists of places, each of one clause: 1L relined, axle 2 right greased has two."""
    before = 0
    for run in _runs(_items(text, rear_axle)):
        parts = _parted(run)
        if len(parts) > 1:
            match _clauses_beside(run, text, before):
                case "two" if _are_two_places(parts, is_of_more=before > 0):
                    yield from parts
                case "one":
                    yield run
                case _:
                    yield [_Item("U", run[0].start, run[-1].end)]
        else:
            yield run
        before = run[-1].end


def _parted(run: Sequence[_Item]) -> list[list[_Item]]:
    parts: list[list[_Item]] = [[]]
    for item in run:
        if item.kind in _SIGNS:
            parts.append([])
        else:
            parts[-1].append(item)
    return [part for part in (list(chain(*_trimmed(p))) for p in parts) if part]


def _are_two_places(parts: Sequence[list[_Item]], *, is_of_more: bool) -> bool:
    """Two that are each an axle and a side; or the side of an axle before, and another axle."""
    if len(parts) != 2 or not all(_as_clauses(_pairs(part)) for part in parts):
        return False
    kinds = ["".join(item.kind.upper() for item in part if item.kind != "f") for part in parts]
    whole = all("P" in kind or {"A", "S"} <= set(kind) for kind in kinds)
    return whole or (is_of_more and "A" not in kinds[0] and "S" not in kinds[1])


_BEGINNING_MORE = "with w incl including inkl mit avec con z ze med met com plus und and"
_WITH = frozenset(_BEGINNING_MORE.split())
_HARD = re.compile(r"[;!?\n—]|\.(?=\s|$)|\bthen\b")


def _clauses_beside(run: Sequence[_Item], text: str, before: int) -> str:
    """Whether a list is of "one" clause, its first place of the clause before and its last of that
    after it ("two"), or nobody can say ("")."""
    start, end = run[0].start, _in_brackets(run, text)[1]
    cut = CLAUSE.search(text, end)
    raw_after = words_of(text[end : cut.start() if cut else len(text)])
    segment = _HARD.split(text[before:start])
    raw_before = segment[-1]
    after = [t for t in raw_after if not is_plain(t) and t not in {"only", "nur", "uniquement"}]
    left = [t for t in words_of(raw_before) if not is_plain(t)]
    follows_sign = raw_before.rstrip().endswith(",")
    if follows_sign and before and len(segment) == 1:
        left = []  # the clause before it has a place of its own
    if not left or not after or raw_after[0] in _WITH:
        return "one"
    does, does_after = any(map(is_a_verb, left)), any(map(is_a_verb, after))
    if does and does_after:
        is_list = all(text[one.start : one.end] == "," for one in run if one.kind in _SIGNS)
        return "two" if is_list and not follows_sign else ""
    if does_after:
        things = all(fits(t, known.OBJECTS) or fits(t, known.BRAKE) for t in left)
        return "one" if things and is_a_verb(after[0]) else ""
    return "one" if all(is_state(t) for t in after) or not does else ""


_AFTER_A_DASH = re.compile(r"\s[-–]\s+$")
_BEFORE_A_CUT = re.compile(r"\s*(?:$|[,;.\n]|(?:and|und|et|en|y|e|i)\b)")


def _in_brackets(run: Sequence[_Item], text: str) -> tuple[int, int]:
    """From where to where a list stands, with the brackets around it, or a dash that parts it from
    what is done there: they part no clause."""
    start, end = run[0].start, run[-1].end
    opened = text[start:end].count("(") - text[start:end].count(")")
    closing = re.compile(r"\s*(?:only|nur)?\s*\)").match(text, end)
    if closing and opened > 0:
        return start, closing.end()
    if closing and text[:start].rstrip().endswith("("):
        return text[:start].rindex("("), closing.end()
    dash = _AFTER_A_DASH.search(text, 0, start)
    if dash and _BEFORE_A_CUT.match(text, end):
        said = words_of(CLAUSE.split(text[: dash.start()])[-1])
        if any(map(is_a_verb, said)) and not any(token.isdigit() for token in said):
            return dash.start(), end
    return start, end


def _retold(run: Sequence[_Item], text: str) -> tuple[str, ...]:
    """A list as clauses have it, once for each of the sides that it names; none: as it stands."""
    if run[0].kind in "CU":
        return (" howmanyaxles " if run[0].kind == "C" else " whichaxles ",)
    if _is_of_litres(run, text):
        whole = text[run[0].start : run[-1].end]
        if len(run) > 1:
            return (" whichaxles ",)
        return (f" {whole} ",) if _in_brackets(run, text) != run[0].span else ()
    return _as_clauses(_pairs(run)) or (" whichaxles ",)


def _is_of_litres(run: Sequence[_Item], text: str) -> bool:
    """Whether 2L is what else a line that speaks of other things may mean by it."""
    placed = [one for one in run if one.kind in _PLACED or one.kind == "s"]
    if not all(one.is_litres for one in placed):
        return False
    rest = text[: run[0].start] + " " + text[run[-1].end :]
    return len(placed) == 1 or not says_nothing_else(tokens(rest), JobWords())


def _as_clauses(pairs: Sequence[_Pair]) -> tuple[str, ...]:
    """axle 1 and 2 left; none where sides are named in two ways that need not agree."""
    sides_at: dict[int, set[str]] = {}
    for axles, sides in pairs:
        if not axles:
            return (
                (f" {_SAID_SIDES[frozenset(sides)]} ",) if frozenset(sides) in _SAID_SIDES else ()
            )
        for axle in axles:
            sides_at.setdefault(axle, set()).update(sides)
    alike: dict[frozenset[str], list[int]] = {}
    for axle, at in sides_at.items():
        alike.setdefault(frozenset(at), []).append(axle)
    if not set(alike) <= set(_SAID_SIDES):
        return ()
    return tuple(
        f" axle {' and '.join(map(str, sorted(axles)))} {_SAID_SIDES[sides]} "
        for sides, axles in alike.items()
    )


_SAID_SIDES = {
    frozenset(): "", frozenset("L"): "left", frozenset("R"): "right",
    frozenset({"near"}): "nearside", frozenset({"off"}): "offside",
    frozenset("LR"): "beidseitig", frozenset({"near", "off"}): "beidseitig",
}  # fmt: skip


def _pairs(run: Sequence[_Item]) -> list[_Pair]:
    """The axles and sides of a list; none where they can be read in two ways, or where one of
    several axles is left without a side."""
    parts = _parts_of_list(run)
    if not parts or not all(one.is_sure for one in run):
        return []
    kinds = "".join(kind for kind, *_ in parts)
    axles = tuple(axle for _, of, *_ in parts for axle in of)
    sides = tuple(side for _, _, of, *_ in parts for side in of)
    joined = all(sign != "-" for kind, _, _, sign in parts if kind in "AD")
    if re.fullmatch("S+", kinds):
        return [((), sides)]
    if re.fullmatch("A+S*", kinds) and (joined or kinds[1:2] != "A"):
        return [(axles, sides)]
    if re.fullmatch("A+D", kinds) and joined:
        return [(axles, sides)] if set(sides) == {"L", "R"} else []
    if re.fullmatch("BA+", kinds) and joined and set(sides) == {"L", "R"}:
        return [(axles, sides)]
    if re.fullmatch("S+[AB]", kinds):
        return [(axles, sides)]
    if re.fullmatch("(?:AS+)+", kinds):
        parts = [("D" if k == "A" else k, of, at, sign) for k, of, at, sign in parts]
    return _one_by_one(parts)


_Part = tuple[str, tuple[int, ...], tuple[str, ...], str]


def _one_by_one(parts: Sequence[_Part]) -> list[_Pair]:
    """Places of which each names its axle and side, or its other side: 1L, R and 2L."""
    found: list[_Pair] = []
    last = ""
    for kind, axles, sides, sign in parts:
        if kind in "DB":
            if found and sign == "-" and found[-1][0] != axles:
                return []
            found.append((axles, sides))
            last = kind
        elif kind == "S" and last == "D":
            found.append((found[-1][0], sides))
        else:
            return []
    return found


def _parts_of_list(run: Sequence[_Item]) -> list[_Part]:
    """What stands together between the signs of a list: axles (A), sides (S), axles and their side
    after them (D) or before (B), with the sign before; none where that is not sure."""
    parts: list[_Part] = []
    signs, words = "", list[_Item]()
    for item in chain(run, (_Item(",", 0, 0),)):
        if item.kind in _SIGNS:
            if words:
                found = _stands_together(words)
                if not found or "?" in signs:
                    return []
                sign = "-" if "-" in signs else ","
                parts += [(kind, axles, sides, sign) for kind, axles, sides in found]
                signs, words = "", []
            signs += item.kind
        elif item.kind != "f":
            words.append(item)
    return parts


def _stands_together(words: Sequence[_Item]) -> list[tuple[str, tuple[int, ...], tuple[str, ...]]]:
    """Axles and sides with no sign between them."""
    shape = "".join({"N": "A", "s": "S"}.get(one.kind, one.kind) for one in words)
    if re.fullmatch("A|S+", shape):
        return [(shape[0], one.axles, one.sides) for one in words]
    if re.fullmatch("(?:PS*)+|(?:AS+)+", shape):
        chunks, kind = re.finditer("[PA]S*", shape), "D"
    elif re.fullmatch("(?:S+A)+", shape):
        chunks, kind = re.finditer("S+A", shape), "B"
    else:
        return []
    return [
        (kind, tuple(a for one in words[slice(*c.span())] for a in one.axles),
         tuple(s for one in words[slice(*c.span())] for s in one.sides))
        for c in chunks
    ]  # fmt: skip
