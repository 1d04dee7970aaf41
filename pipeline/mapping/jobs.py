"""Job lines in free text → what was done, why, on which axle and side, by patterns of words.

A line is cut into clauses. Each takes its action from the first pattern that fits, and its axle and
side from the words beside it, or from the only place that the line names. What fits no pattern is
``other``; what fits one and names no axle and side cannot be put anywhere, and is said.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

from pipeline.mapping.headings import MAX_AXLE, is_both, place_in
from pipeline.mapping.words import AXLE_WORDS, SIDE_OF, tokens
from pipeline.settings import JobWords

MOST = 64  # jobs that one line may yield
_CLAUSE = re.compile(
    r"[;,.]\s|\s[-–]\s|\s\+\s|\s(?:and|then|und|et)\s(?!\d|[lr]h|right|left|[no]/?s)|\n",
    re.IGNORECASE,
)
NOWHERE = "names no axle and side"
SEVERAL = "names several places, and not which is meant"


@dataclass(frozen=True, slots=True)
class Job:
    """One action on one wheel end; ``problem`` where it cannot be told which."""

    action: str
    reason: str | None
    axle: int | None
    side: str | None
    problem: str = ""


@dataclass(frozen=True, slots=True)
class Ground:
    """What else is known: left and right of near and off, the rear axle, the row's own cells."""

    near_side: str | None = None
    rear_axle: int | None = None
    axle: int | None = None
    side: str | None = None


@dataclass(frozen=True, slots=True)
class _Clause:
    action: str | None
    reason: str | None
    axles: tuple[int, ...]
    sides: str
    why: str

    @property
    def is_placed(self) -> bool:
        return bool(self.axles and self.sides)


def jobs_of(line: str, words: JobWords, ground: Ground) -> list[Job]:
    """The jobs that a line tells of; none where it is about nothing that is known."""
    clauses = [_clause(tokens(part), words, ground) for part in _clauses(line)]
    places = sorted({(c.axles, c.sides) for c in clauses if c.is_placed})
    if len(places) <= 1 and not any(c.action for c in clauses):
        clauses = [_clause(tokens(line), words, ground)]  # its words may stand apart
    why = SEVERAL if places else next((c.why for c in clauses if c.why), NOWHERE)
    reasons = {c.reason for c in clauses} - {None}
    # A reason said elsewhere in the line is of its one job, or of nobody knows which.
    alone = len(reasons) == 1 and sum(c.action is not None for c in clauses) == 1
    reason = reasons.pop() if alone else None
    found: dict[Job, None] = {}
    only = places[0] if len(places) == 1 else None
    for clause in clauses:
        where = (clause.axles, clause.sides) if clause.is_placed else only
        if not clause.is_placed and (clause.axles or clause.sides):
            where = None  # half a place, and the other half may be another's
        if clause.action:
            jobs = _jobs(clause.action, clause.reason or reason, where, why)
            found.update(dict.fromkeys(jobs))
    if not found:
        found = dict.fromkeys(job for place in places for job in _jobs("other", None, place, ""))
    return list(found)[:MOST]


def _clauses(line: str) -> list[str]:
    return [part for part in _CLAUSE.split(f"{line} ") if part and part.strip()]


def _jobs(
    action: str, reason: str | None, where: tuple[tuple[int, ...], str] | None, why: str
) -> list[Job]:
    if where is None:
        return [Job(action, reason, None, None, why)]
    axles, sides = where
    return [Job(action, reason, axle, side) for axle in axles for side in sides]


def _clause(of: tuple[str, ...], words: JobWords, ground: Ground) -> _Clause:
    done = not set(of) & set(words.not_done)
    action = first_fitting(of, words.actions) if done else None
    plain = action is not None and _says_nothing_else(of, words)
    axles, sides, why = _place(of, ground, letters=plain)
    return _Clause(action, first_fitting(of, words.reasons), axles, sides, why)


def _says_nothing_else(of: tuple[str, ...], words: JobWords) -> bool:
    """Whether 2L beside these words can be a place: every word is one of a pattern's."""
    patterns = [*words.actions, *words.reasons]
    others = [t for t in of if not t.isdigit() and t not in {"l", "r", "brake", "brakes"}]
    return all(any(p.fullmatch(t) for q in patterns for p in _parts(q)) for t in others)


def _place(
    of: tuple[str, ...], ground: Ground, *, letters: bool
) -> tuple[tuple[int, ...], str, str]:
    """Axles, sides and why not, as a clause names them; else as the row does."""
    if is_both(of) and (_is_of_axles(of) or "only" in of or {SIDE_OF.get(t) for t in of} - {None}):
        return (), "", SEVERAL
    both = is_both(of) or _names_both(of)
    if both:
        of = tuple(t for t in of if t not in SIDE_OF and t not in {"l", "r"})
    single = letters and re.search(r"\d [lr]( |$)", " ".join(of)) is not None
    place = place_in(of if single else _spread(of), {"l": "L", "r": "R"} if single else {},
                     offside=_has_bare_offside(of))  # fmt: skip
    if place.side in {"near", "off"} and ground.near_side is None:
        return (), "", "near_side is not set under [answers]"
    side = left_or_right(place.side, ground.near_side)
    axle = ground.rear_axle if place.axle == "rear" else 1 if place.axle == "front" else place.axle
    axles = _numbers_after_axle(of)
    if not axles and isinstance(axle, int) and (place.named or single):
        axles = (axle,)
    if not axles and ground.axle is not None:
        axles = (ground.axle,)
    return axles, "LR" if both else side or ground.side or "", ""


def _is_of_axles(of: tuple[str, ...]) -> bool:
    """Both axles, not both sides of one."""
    pairs = zip(of, (*of[1:], ""), strict=True)
    return any(is_both((token,)) and after in _AXLES for token, after in pairs)


def left_or_right(side: str | None, near_side: str | None) -> str | None:
    """L or R of a side that may be near or off; None where the country's rule is not known."""
    if side not in {"near", "off"}:
        return side
    return near_side if side == "near" else {"L": "R", "R": "L"}.get(near_side or "")


def _has_bare_offside(of: tuple[str, ...]) -> bool:
    """ "os" without its stroke; before a number it is an axle in Polish."""
    pairs = zip(of, (*of[1:], ""), strict=True)
    return "ns" in of or any(t == "os" and not after.isdigit() for t, after in pairs)


def _spread(of: tuple[str, ...]) -> tuple[str, ...]:
    """Numbers that do not follow an axle's word say nothing of it."""
    kept = []
    for i, token in enumerate(of):
        near = {*of[max(i - 1, 0) : i], *of[i + 1 : i + 3]}
        if token.isdigit() and not near & _NEXT_TO_NUMBERS:
            continue
        kept.append(token)
    return tuple(kept)


_AXLES = (AXLE_WORDS - {"as"}) | {"achsen", "essieux", "ejes", "osie"}
_BETWEEN = {"and", "no", "und", "et"}
_NEXT_TO_NUMBERS = {*_AXLES, "st", "nd", "rd", "th"}


def _numbers_after_axle(of: tuple[str, ...]) -> tuple[int, ...]:
    """axles 1 and 2, axle 1 & axle 2: numbers after the word, up to the next other word."""
    found: list[int] = []
    counting = False
    for token in of:
        if token.isdigit() and counting:
            found.append(int(token))
        counting = token in _AXLES or (counting and (token.isdigit() or token in _BETWEEN))
    return tuple(dict.fromkeys(found)) if all(1 <= n <= MAX_AXLE for n in found) else ()


def _names_both(of: tuple[str, ...]) -> bool:
    told = set(of)
    sides = {SIDE_OF[token] for token in told if token in SIDE_OF}
    return {"L", "R"} <= sides or {"near", "off"} <= sides


def first_fitting(of: Sequence[str], patterns: Mapping[str, str]) -> str | None:
    """What the first pattern says whose every part is found among the words."""
    for pattern, meaning in patterns.items():
        if fits(of, pattern):
            return meaning
    return None


def fits(of: Sequence[str], pattern: str) -> bool:
    return all(any(part.fullmatch(word) for word in of) for part in _parts(pattern))


@cache
def _parts(pattern: str) -> tuple[re.Pattern[str], ...]:
    """``slack*|adjuster* + renew*``: parts by plus, alternatives by bar, any ending by star."""
    return tuple(
        re.compile("|".join(_alternative(word) for word in part.split("|") if word.strip()))
        for part in pattern.split("+")
    )


def _alternative(word: str) -> str:
    stem = "".join(tokens(word.strip().rstrip("*"))) or word.strip().rstrip("*")
    return re.escape(stem) + (r"\w*" if word.strip().endswith("*") else "")
