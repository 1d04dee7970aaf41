"""Words of a job line, and what kind of word each is: a thing, a verb, a place, a state."""

import re
from collections.abc import Iterable, Sequence
from functools import cache

from pipeline.mapping import words as known
from pipeline.mapping.words import AXLE_WORDS, BOTH, END_OF, SIDE_BESIDE, SIDE_OF, WHEELS, tokens
from pipeline.settings import JobWords

LONGEST = 4_000  # characters of a line that is read; a longer one tells of nothing known


_PLACE_AHEAD = r"(?!\d|[lr]h?\b|right|left|links|rechts|li\b|re\b|[no]/?s\b)"


CLAUSE = re.compile(
    rf"(;|[!?](?=\s|$)|(?<!\bli)(?<!\bre)(?<!\bax)(?<!\bu)(?<!\bizq)(?<!\bess)\.(?=\s|$)|,(?=\s|[^\W\d])|[()\[\]\n—]|\s[-–]\s|\s/\s|\s\+\s"
    rf"|\s(?:and|then|und|et|oraz|sowie|och)\s{_PLACE_AHEAD}|\s&\s{_PLACE_AHEAD}(?!ax|achse|ess|eje))",
    re.IGNORECASE,
)


AGAIN = re.compile(r"\bre(?:[- ](?=lin(?:e|ed|ing)\b)|-(?=(?:fit|us|set|adj|inst|mount)))", re.I)


_NOT_AT_ALL = re.compile(r"\bn/a\b", re.IGNORECASE)


_NONE_OF_IT = re.compile(r"(?<![\w.,/])0\s?[x×](?!\w)|(?<!\w)[x×]\s?0(?![\w.,/])", re.IGNORECASE)


WELL_SAID = re.compile(r"\b([io])\.\s?([ok])\.?(?!\w)", re.IGNORECASE)


SEVERAL = "names several places, and not which is meant"


@cache
def words_of(text: str) -> tuple[str, ...]:
    """Words of a clause; after slack, adj is an adjuster, before soaked, oil is no thing, and 0 x
    says not."""
    plain = WELL_SAID.sub(r"\1\2 ", AGAIN.sub("re", text))
    plain = _NONE_OF_IT.sub(" not ", _NOT_AT_ALL.sub("not", plain))
    of = tokens(plain.replace("&", " and "))
    triples = zip(("", *of), of, (*of[1:], ""), strict=False)
    return tuple(_in_company(*triple) for triple in triples)


def _in_company(before: str, word: str, after: str) -> str:
    if (before, word) == ("slack", "adj"):
        return "adjuster"
    return "oily" if word == "oil" and after in _OILED else word


_OILED = {"contaminated", "soaked", "damaged", "damage", "on", "contamination"}


@cache
def fits(token: str, pattern: str) -> bool:
    return any(part.fullmatch(token) for part in parts_of(pattern))


@cache
def is_doing(token: str) -> bool:
    return any(fits(token, p) for p in (known.REPLACING, known.NEW_BEFORE, known.NEW))


@cache
def is_state(token: str) -> bool:
    found = token in MEASURED_AS or any(fits(token, p) for p in (known.LOOKED_AT, known.WELL))
    return found or fits(token, known.ILL)


MEASURED_AS = frozenset({"mm", "%", '"', "percent", "prozent"})


_PLACES = {*AXLE_WORDS, *SIDE_OF, *SIDE_BESIDE, *END_OF, *BOTH, *WHEELS,
           "achsen", "essieux", "ejes", "osie"}  # fmt: skip


_PLAIN = (
    _PLACES | known.AND | known.BESIDE_WORK | {"no", "howmanyaxles", "whichaxles", "exceptaxles"}
)


@cache
def is_plain(token: str) -> bool:
    """Of places, numbers, and little words: no thing, and nothing of what became of one."""
    return token.isdigit() or token in _PLAIN or fits(token, known.BRAKE)


@cache
def is_a_verb(token: str) -> bool:
    patterns = (known.SETTING, known.GREASING, known.RELINING)
    return is_doing(token) or any(fits(token, pattern) for pattern in patterns)


@cache
def is_strange(token: str) -> bool:
    """A word that nothing is known of: it may be a thing of its own."""
    return not (
        is_plain(token) or fits(token, known.OBJECTS) or is_a_verb(token) or is_state(token)
        or is_undone(token, ())
    )  # fmt: skip


_NOT_DONE = "|".join(known.NOT_DONE)


@cache
def is_undone(token: str, own: tuple[str, ...]) -> bool:
    return fits(token, _NOT_DONE) or (bool(own) and fits(token, "|".join(own)))


@cache
def parts_fitted(token: str, pattern: str) -> tuple[int, ...]:
    """Which parts of a pattern a word fits."""
    return tuple(n for n, part in enumerate(parts_of(pattern)) if part.fullmatch(token))


def says_nothing_else(of: tuple[str, ...], words: JobWords) -> bool:
    """Whether 2L beside these words can be a place: every word is one of a pattern's."""
    patterns = [*words.actions, *words.reasons, *known.JOB_ACTIONS, *known.JOB_REASONS]
    others = [t for t in of if not is_plain(t)]
    return all(any(fits(t, q) for q in patterns) for t in others)


AXLES = (AXLE_WORDS - {"as"}) | {"achsen", "essieux", "ejes", "osie"}


def first_told(of: Sequence[str], patterns: Iterable[tuple[str, str]]) -> str | None:
    """What the first pattern says whose every part is found among the words."""
    for pattern, meaning in patterns:
        found = {n for word in of for n in parts_fitted(word, pattern)}
        if len(found) == len(parts_of(pattern)):
            return meaning
    return None


@cache
def parts_of(pattern: str) -> tuple[re.Pattern[str], ...]:
    """``slack*|adjuster* + renew*``: parts by plus, alternatives by bar, any ending by star."""
    return tuple(
        re.compile("|".join(_alternative(word) for word in part.split("|") if word.strip()))
        for part in pattern.split("+")
    )


def _alternative(word: str) -> str:
    stem = "".join(tokens(word.strip().rstrip("*"))) or word.strip().rstrip("*")
    return re.escape(stem) + (r"\w*" if word.strip().endswith("*") else "")
