"""What a heading says: which concept, of which axle and side, in which unit. Every word counts.

All headings of a table are read together, since a side's letter means something only beside its
counterpart. A word that is not understood leaves its heading not understood.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from pipeline.mapping.words import (
    AFTER_WORK,
    AXLE_WORDS,
    AXLES_BEFORE_NUMBERS,
    BOTH,
    CORES,
    END_OF,
    GONE,
    HOURS,
    HUBS,
    KINDS,
    LINING_END_PAIRS,
    LINING_ENDS,
    MEASURED,
    NOT_READ_NOW,
    OPTIONAL,
    ORDINALS,
    PERCENT,
    SAYS_KM,
    SIDE_BESIDE,
    SIDE_LETTERS,
    SIDE_OF,
    SIDE_PHRASES,
    UNIT_OF,
    WHEELS,
    tokens,
)
from pipeline.settings import DISTANCES

# What may be read once for each axle and side.
INSPECTED = {
    *("lining", "free_stroke", "applied_stroke", "released_stroke", "stroke", "wear_indicator"),
    "marks_aligned",
    *("return_test", "cap_state", "fault"),
}
OF_WHEEL_ENDS = {
    *INSPECTED,
    *("axle_type", "arm_length", "chamber_size", "lining_new", "lining_min"),
}
MAX_AXLE = 20
# 2nd axle, 1er essieu, 2ème essieu, 1º eixo, 2do eje.
ORDINAL_ENDS = frozenset(["st", "nd", "rd", "th", "e", "er", "eme", "ieme", "o", "do", "ro"])
OR = {"or", "oder", "ou", "of"}
BOTH_SIDES = tuple(
    frozenset(pair.split())
    for pair in ("l r", "left right", "lh rh", "ns os", "nearside offside", "links rechts")
)


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a heading is taken for; ``why`` it is not, where it is not.

    ``axle`` is its number, or front or rear; ``side`` is L, R, near or off; ``is_an_end`` of a
    lining that is read at both of its ends, ``is_a_share`` of a cost that stands in several.
    """

    concept: str | None
    unit: str | None = None
    axle: int | str | None = None
    side: str | None = None
    why: str = ""
    is_an_end: bool = False
    is_a_share: bool = False


@dataclass(frozen=True, slots=True)
class _Place:
    """Where of a unit, the words that say so taken out, and whether an axle's word was there."""

    axle: int | str | None
    side: str | None
    rest: tuple[str, ...]
    named: bool
    why: str = ""


def meanings(headings: Sequence[str]) -> list[Meaning]:
    """What each of a table's headings says."""
    written = _without_averages([tokens(heading) for heading in headings])
    words = _without_lining_ends(written)
    letters = _side_letters(words)
    offside = any("ns" in of for of in words)
    found = [_meaning(of, letters, offside=offside) for of in words]
    found = [m if m.concept else _in_two_languages(heading, letters, m, offside=offside)
             for m, heading in zip(found, headings, strict=True)]  # fmt: skip
    has_axles = any(m.concept in {"axle_no", "position"} for m in found)
    found = [_without_bare_number(m, of, has_axles) for m, of in zip(found, words, strict=True)]
    found = _what_is_left(_without_hub_odometer(found, words), words)
    ends = [of != whole for of, whole in zip(words, written, strict=True)]
    found = [
        m if not end or m.concept in {"lining", None} else Meaning(None, why=NO_END)
        for m, end in zip(found, ends, strict=True)
    ]
    return [replace(m, is_an_end=end) for m, end in zip(_consistent(found), ends, strict=True)]


def one_of(titles: Sequence[str]) -> str:
    """The first title of those that say the same, and in which unit; empty where they do not. A
    sheet called Linings says no more than a title with their unit."""
    told = [(title, meanings([title])[0]) for title in titles]
    whole = [(title, said) for title, said in told if said.unit] or told
    alike = len({said.concept for _, said in told}) == len({said for _, said in whole}) == 1
    return whole[0][0] if alike else ""


_BESIDE_AVG = {"avd", "arg", "ard"}


def _without_averages(written: Sequence[tuple[str, ...]]) -> list[tuple[str, ...]]:
    """Headings in which avg is front left only where another names a wheel so."""
    if any(_BESIDE_AVG & set(of) for of in written):
        return list(written)
    return [tuple("average" if token == "avg" else token for token in of) for of in written]


OF_HOURS = (
    "cannot be used, because lives and wear are counted in km; what would do: an odometer, in km "
    "or miles"
)


OF_PERCENT = (
    "cannot be used, because nothing says what 100 % is; what would do: what was measured, in mm "
    "or another unit of length"
)


def dead_end(heading: str) -> str:
    """Why a reading that a heading names can be of no use, and what would do; empty where it may
    be."""
    of = tokens(heading)
    words = set(of)
    if not any(core <= words for concept in INSPECTED for core in CORES[concept]):
        return ""
    if words & PERCENT:
        return OF_PERCENT
    if words & AFTER_WORK or ("as", "left") in pairwise(of):
        return (
            "cannot be used, because it was read after work, and what a row says was found before; "
            'what would do: a row of its own for it, with "yes" in a column "as left"'
        )
    if words & GONE and not words & (NOT_READ_NOW - GONE):
        return (
            "cannot be used, because nothing says how thick it was; what would do: what is left of "
            "it, in mm or another unit of length"
        )
    return ""


def names_hours(heading: str) -> bool:
    """Whether a heading is of hours and of no distance."""
    words = set(tokens(heading))
    return bool(words & HOURS) and not {UNIT_OF.get(word) for word in words} & set(DISTANCES)


WHERE_ALONE = "says where on the unit, and not what was read there"
NO_END = "inner and outer, or upper and lower, are told apart of linings alone"


def _without_lining_ends(words: Sequence[tuple[str, ...]]) -> list[tuple[str, ...]]:
    """Headings without their words for an end or shoe of a lining, where another heading names the
    counterpart and is alike in all else."""
    ends = [[t for t in of if t in LINING_ENDS] for of in words]
    both = [tuple(sorted(e)) in LINING_END_PAIRS for e in ends]  # each cell may have two numbers
    rest = [tuple(t for t in of if t not in LINING_ENDS) for of in words]
    named: dict[tuple[str, ...], list[str]] = {}
    for of, end in zip(rest, ends, strict=True):
        if len(end) == 1:
            named.setdefault(of, []).extend(end)
    whole = {of for of, found in named.items() if tuple(sorted(found)) in LINING_END_PAIRS}
    return [
        r if two or (len(e) == 1 and r in whole) else w
        for w, r, e, two in zip(words, rest, ends, both, strict=True)
    ]


def _without_hub_odometer(found: list[Meaning], words: Sequence[tuple[str, ...]]) -> list[Meaning]:
    """A wheel's odometer is the unit's only where no other one is beside it."""
    of_hub = [not HUBS.isdisjoint(of) for of in words]
    if all(h for m, h in zip(found, of_hub, strict=True) if m.concept == "odometer"):
        return found
    beside = Meaning(None, why="another odometer is beside it")
    return [
        beside if hub and m.concept == "odometer" else m
        for m, hub in zip(found, of_hub, strict=True)
    ]


def _side_letters(words: Sequence[tuple[str, ...]]) -> dict[str, str]:
    """What single letters mean for sides: only where both of a pair, and no other, are there."""
    numbered = {b for of in words for a, b in pairwise(of) if a.isdigit() and _is_letter(b)}
    beside = {t for of in words if _is_of_a_wheel_end(of) for t in of if _is_letter(t)}
    seen = numbered or beside
    return sides_told_by(seen, {t for of in words for t in of})


def sides_told_by(letters: set[str], words: set[str]) -> dict[str, str]:
    """Sides that single letters mean of which only one pair is there, and words that stand beside
    their counterpart."""
    fitting = [pair for pair in SIDE_LETTERS if letters == set(pair)]
    beside = {w: side for w, (side, other) in SIDE_BESIDE.items() if w in words and other & words}
    return (fitting[0] if len(fitting) == 1 else {}) | beside


def _is_letter(token: str) -> bool:
    return len(token) == 1 and token.isalpha()


def _is_of_a_wheel_end(of: tuple[str, ...]) -> bool:
    """Whether what is left without letters, numbers and axles is read of a wheel end."""
    where = AXLE_WORDS | set(END_OF)
    rest = tuple(t for t in of if not (_is_letter(t) or t.isdigit() or t in where))
    return _concept(rest).concept in OF_WHEEL_ENDS


_AXLE_AND_LETTER = re.compile(r"\W*(\d{1,2})\W?a\W?([lr])\W*", re.I)


def place_of_cell(cell: str) -> tuple[str, ...]:
    """The words of a cell that is a place: 1AL is axle 1, left; none of one in doubt, as 1L?."""
    if "?" in cell:
        return ()
    return tokens(_AXLE_AND_LETTER.sub(r"\1 \2", cell) if len(cell) < 9 else cell)


_ORDINAL = re.compile(
    r"(\d{1,2})(?:\.0+|\s?(?:st|nd|rd|th|[º°ª.]|er|[eè]re|[eè]me|i[eè]me|ste|de|e|do|ro))?"
)


def axle_of_cell(cell: str) -> str:
    """The number of a cell that is one, or an ordinal: 2, 2.0, 2nd, 2º; empty where it is none."""
    found = _ORDINAL.fullmatch(cell.casefold().strip())
    return str(int(found[1])) if found and 1 <= int(found[1]) <= MAX_AXLE else ""


def place_in(of: tuple[str, ...], letters: dict[str, str], *, offside: bool) -> _Place:
    """The axle and side that words name, and the words left over."""
    axles: list[int | str] = []
    sides: list[str] = []
    rest: list[str] = []
    named = False
    if offside:  # os is an axle elsewhere
        of = tuple({"ns": "nearside", "os": "offside"}.get(token, token) for token in of)
    i = 0
    while i < len(of):
        side, of_side = _side_at(of[i : i + 2], letters)
        axle, of_axle, is_named = _axle_at(of[i : i + 3]) if side is None else (None, 0, False)
        if of[i] in WHEELS:
            (axle, side), of_axle, is_named = WHEELS[of[i]], 1, True
        sides += [side] if side is not None else []
        axles += [axle] if axle is not None else []
        named |= is_named
        if side is None and axle is None:
            rest.append(of[i])
        i += max(of_side, of_axle, 1)
    return _placed(axles, sides, tuple(rest), named=named)


def _side_at(of: tuple[str, ...], letters: dict[str, str]) -> tuple[str | None, int]:
    """The side that the next words name, and how many say so."""
    if of in SIDE_PHRASES:
        return SIDE_PHRASES[of], 2
    if of[0] in END_OF:
        return None, 0
    return SIDE_OF.get(of[0]) or letters.get(of[0]), 1


def _axle_at(of: tuple[str, ...]) -> tuple[int | str | None, int, bool]:
    """The axle that the next words name, how many say so, and whether its word is among them."""
    token, after = of[0], of[1] if len(of) > 1 else ""
    if (token in AXLE_WORDS or token in AXLES_BEFORE_NUMBERS) and after.isdigit():
        return int(after), 2, True
    if token in END_OF:
        return END_OF[token], 2 if after in AXLE_WORDS else 1, True
    if token in ORDINALS and after in AXLE_WORDS:
        return ORDINALS[token], 2, True
    if not token.isdigit():
        return None, 1, False
    if after in AXLE_WORDS:
        return int(token), 2, True
    return (int(token), 3, True) if _is_ordinal(of) else (int(token), 1, False)


def _is_ordinal(of: tuple[str, ...]) -> bool:
    """2nd axle, 2e as: the digits and the letters are words of their own."""
    if len(of) < 3:
        return False
    dutch = of[1:] in {("e", "as"), ("ste", "as"), ("de", "as")}
    return dutch or (of[1] in ORDINAL_ENDS and of[2] in AXLE_WORDS)


def _placed(
    axles: list[int | str], sides: list[str], rest: tuple[str, ...], *, named: bool
) -> _Place:
    if len(set(axles)) > 1 or len(set(sides)) > 1:
        return _Place(None, None, rest, named, "names more than one axle or side")
    axle = axles[0] if axles else None
    if isinstance(axle, int) and not 1 <= axle <= MAX_AXLE:
        return _Place(None, None, rest, named, f"{axle} is no axle")
    return _Place(axle, sides[0] if sides else None, rest, named)


def _meaning(of: tuple[str, ...], letters: dict[str, str], *, offside: bool) -> Meaning:
    whole = _concept(of)
    if whole.concept is None and any(pair <= set(of) for pair in BOTH_SIDES):  # Side (L/R)
        others = [t for t in of if t not in OR and not any(t in pair for pair in BOTH_SIDES)]
        rest = _concept(tuple(others)) if others else Meaning("side")
        whole = rest if rest.concept == "side" else whole
    return whole if whole.concept is not None else _placed_meaning(of, letters, offside=offside)


_OF_TWO_LANGUAGES = re.compile(r"\s+[/|]\s+|\s*[\r\n]+\s*")


def _in_two_languages(
    heading: str, letters: dict[str, str], otherwise: Meaning, *, offside: bool
) -> Meaning:
    """What Vehicle / Véhicule says: the same in every part, with the unit and place of any."""
    parts = [part for part in _OF_TWO_LANGUAGES.split(heading) if part]
    said = [_meaning(tokens(part), letters, offside=offside) for part in parts]
    if len(said) < 2 or len({m.concept for m in said}) > 1 or said[0].concept is None:
        return otherwise
    units, axles, sides = ({getattr(m, name) for m in said} - {None}
                           for name in ("unit", "axle", "side"))  # fmt: skip
    if max(len(units), len(axles), len(sides)) > 1:
        return otherwise
    unit, axle, side = (next(iter(told), None) for told in (units, axles, sides))
    return Meaning(said[0].concept, unit=unit, axle=axle, side=side)


def _placed_meaning(of: tuple[str, ...], letters: dict[str, str], *, offside: bool) -> Meaning:
    """What words say that may name an axle or a side."""
    place = place_in(of, letters, offside=offside)
    if place.why:
        return Meaning(None, why=place.why)
    if not place.rest and (place.axle is not None or place.side is not None):
        return Meaning(None, why=WHERE_ALONE)
    found = _concept(place.rest)
    if place.axle is None and place.side is None:
        return found
    if set(place.rest) <= set(UNIT_OF):
        return Meaning(None, why=WHERE_ALONE)
    if found.concept is None and place.named:  # Axle 1 type
        found = _concept(("axle", *place.rest))
    if found.concept is None:
        return _concept(place.rest)
    if found.concept not in OF_WHEEL_ENDS:
        return Meaning(None, why=f"{found.concept} of one axle or side")
    return replace(found, axle=place.axle, side=place.side)


def _concept(of: tuple[str, ...]) -> Meaning:
    """The concept and unit of words, if every one is understood."""
    if not of:
        return Meaning(None, why="no word says what it holds")
    units = {UNIT_OF[t] for t in of if t in UNIT_OF}
    if len(units) > 1 and any(a == "in" and b in UNIT_OF for a, b in pairwise(of)):  # "in mm"
        units.discard("in")
    if units & {"32nds", "16ths"}:
        units -= {"in"}
    if "1000km" in units:  # Km-Stand (Tsd. km)
        units -= {"km"}
    rest = frozenset(t for t in of if t not in UNIT_OF)
    if rest <= OPTIONAL["odometer"] and len(units) == 1 and units <= set(DISTANCES):
        return Meaning("odometer", unit=units.pop())
    if len(units) > 1:
        return Meaning(None, why=f"more than one unit: {', '.join(sorted(units))}")
    found = _concepts_of(rest)
    if len(found) != 1:
        return Meaning(None, why=_why_not(rest, found))
    return _in_unit(found[0], units.pop() if units else None, rest)


def _concepts_of(words: frozenset[str]) -> list[str]:
    """Concepts whose words these all are; the one that takes more of them for its own wins."""
    fits = [
        (len(core), name)
        for name, cores in CORES.items()
        for core in cores
        if core <= words and words - core <= OPTIONAL[name]
    ]
    most = max((size for size, _ in fits), default=0)
    return sorted({name for size, name in fits if size == most})


def _why_not(words: frozenset[str], found: list[str]) -> str:
    if found:
        return f"could be {' or '.join(found)}"
    if words & PERCENT:
        return "a share in percent; accepted: a length, in mm or another unit"
    known = set[str]().union(*(core for cores in CORES.values() for core in cores))
    strange = sorted(words - known)
    return f"not understood: {', '.join(strange)}" if strange else "no concept of these words"


def _in_unit(concept: str, unit: str | None, words: frozenset[str]) -> Meaning:
    kind = MEASURED.get(concept)
    if unit is None and kind == "distance" and words & SAYS_KM:
        unit = "km"
    if unit is not None and (kind is None or unit not in KINDS[kind]):
        return Meaning(None, why=f"{concept} has no unit such as {unit}")
    if kind == "distance" and unit in {"mi", "1000mi"} and words & SAYS_KM:
        return Meaning(None, why="kilometres in miles")
    return Meaning(concept, unit=unit)


def _without_bare_number(found: Meaning, of: tuple[str, ...], has_axles: bool) -> Meaning:
    """A number alone is an axle only beside a side, in a row that does not name its axle."""
    if not isinstance(found.axle, int):
        return found
    named = any(t in AXLE_WORDS or t in ORDINALS or t in {"st", "nd", "rd", "th"} for t in of)
    named |= any(_axle_at(of[i : i + 3])[2] for i, t in enumerate(of) if t == "as" or t.isdigit())
    if named and has_axles:
        return Meaning(None, why="an axle in the heading, and a column for it")
    if not named and (found.side is None or has_axles):
        return Meaning(None, why=f"{found.axle} may be anything")
    return found


def _what_is_left(found: list[Meaning], words: Sequence[tuple[str, ...]]) -> list[Meaning]:
    """Beside a column for the side, the one lining that is "left" is what is left of it."""
    sided = [i for i, m in enumerate(found) if m.concept == "lining" and m.side is not None]
    has_side = any(m.concept in {"side", "position"} for m in found)
    if not has_side or len(sided) != 1 or "left" not in words[sided[0]]:
        return found
    only = found[sided[0]]
    return [replace(m, side=None) if m is only and m.axle is None else m for m in found]


def _consistent(found: list[Meaning]) -> list[Meaning]:
    """A reading that names its side names both, always with or always without its axle.

    "Lining left" alone may be what is left of it.
    """
    has_side = any(m.concept in {"side", "position"} for m in found)
    placed: dict[str, list[Meaning]] = {}
    for meaning in found:
        if meaning.concept in OF_WHEEL_ENDS:
            placed.setdefault(meaning.concept, []).append(meaning)
    wrong = {concept: _inconsistency(of, has_side) for concept, of in placed.items()}
    return [
        Meaning(None, why=wrong[m.concept]) if m.concept and wrong.get(m.concept) else m
        for m in found
    ]


def _inconsistency(of: list[Meaning], has_side: bool) -> str:
    sides = {m.side for m in of}
    if sides == {None}:
        return ""
    if has_side:
        return "a side in the heading, and a column for it"
    if sides not in ({"L", "R"}, {"near", "off"}):
        return f"only {', '.join(str(s or 'no side') for s in sorted(sides, key=str))}"
    if len({m.axle is None for m in of}) > 1:
        return "some with an axle and some without"
    return ""


def is_both(words: tuple[str, ...]) -> bool:
    return any(word in BOTH for word in words)
