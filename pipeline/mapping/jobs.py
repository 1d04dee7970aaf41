"""Job lines in free text → what was done, why, on which axle and side, by patterns of words.

A line is cut into clauses. In one, a word of doing (replaced, new, wymiana) counts for the thing
beside it, with nothing between them but words of places and of the brake, other such things, and
how it was found: *replaced hub seal, linings ok* replaces no linings. A clause without a thing of
its own speaks of the one before (*drum worn - replace*, *reline, not done*); a thing alone shares
the word of doing of its neighbour (*replaced slack adjuster and linings*). A clause that tells of
work not, or not yet, done tells of none. What is not understood is ``other``, and is counted.

A fleet's own patterns go before the ones known here. An action has its axle and side from the
words beside it, or from the only place that the line names; else that is said.
"""

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import chain, islice, pairwise, product

from pipeline.mapping import words as known
from pipeline.mapping.headings import MAX_AXLE, is_both, place_in, sides_told_by
from pipeline.mapping.words import (
    AXLE_WORDS,
    BOTH,
    END_OF,
    SIDE_BESIDE,
    SIDE_OF,
    WHEELS,
    folded,
    tokens,
)
from pipeline.settings import JobWords

MOST = 64  # jobs that one line may yield
LONGEST = 4_000  # characters of a line that is read; a longer one tells of nothing known
_FAR = 24  # words between a thing and what is done to it
_PLACE_AHEAD = r"(?!\d|[lr]h?\b|right|left|links|rechts|li\b|re\b|[no]/?s\b)"
_CLAUSE = re.compile(
    rf"(;|[!?](?=\s|$)|(?<!\bli)(?<!\bre)(?<!\bax)(?<!\bu)(?<!\bizq)(?<!\bess)\.(?=\s|$)|,(?=\s|[^\W\d])|[()\[\]\n—]|\s[-–]\s|\s/\s|\s\+\s"
    rf"|\s(?:and|then|und|et|oraz|sowie|och)\s{_PLACE_AHEAD}|\s&\s{_PLACE_AHEAD}(?!ax|achse|ess|eje))",
    re.IGNORECASE,
)
_AGAIN = re.compile(r"\bre(?:[- ](?=lin(?:e|ed|ing)\b)|-(?=(?:fit|us|set|adj|inst|mount)))", re.I)
_NOT_AT_ALL = re.compile(r"\bn/a\b", re.IGNORECASE)
_WELL_SAID = re.compile(r"\b([io])\.\s?([ok])\.?(?!\w)", re.IGNORECASE)
NOWHERE = "names no axle and side"
NO_SIDE = "and no side"
REAR_AXLE = "names the rear axle: set rear_axle under [answers]"
NO_AXLE = "names a side, and no axle"
DOUBTFUL = f"other, though naming {known.BRAKE_PARTS}"
SEVERAL = "names several places, and not which is meant"


@dataclass(frozen=True, slots=True)
class Job:
    """One action on one wheel end; ``problem`` where it cannot be told which.

    ``is_known`` is false of work at a known place of which nothing else was understood.
    """

    action: str
    reason: str | None
    axle: int | None
    side: str | None
    problem: str = ""
    is_known: bool = True


@dataclass(frozen=True, slots=True)
class Ground:
    """What else is known: left and right of near and off, the rear axle, the row's own cells, and
    whether an axle that is relined, with no side said, is relined on both."""

    near_side: str | None = None
    rear_axle: int | None = None
    axle: int | None = None
    side: str | None = None
    both_relined: bool = False


@dataclass(frozen=True, slots=True)
class _Clause:
    """A clause's own words, the actions that it tells of, and the clause that these are of too.

    ``sign`` stands before it; ``is_place`` where it may be a place and nothing else.
    """

    sign: str
    is_place: bool
    of: tuple[str, ...]
    actions: tuple[str, ...]
    reason: str | None
    lent_by: int | None


@dataclass(frozen=True, slots=True)
class _Place:
    axles: tuple[int, ...]
    sides: str
    why: str

    def __bool__(self) -> bool:
        return bool(self.axles and self.sides)


def jobs_of(line: str, words: JobWords, ground: Ground) -> list[Job]:
    """The jobs that a line tells of; none where it is about nothing that is known."""
    words = _by_words(words)
    found: dict[Job, None] = {}
    for text in _rewritten(line, ground.rear_axle):
        found.update(dict.fromkeys(_jobs_in(text, words, ground)))
    return list(found)[:MOST]


def _jobs_in(line: str, words: JobWords, ground: Ground) -> Iterator[Job]:
    clauses = _told(line, words)
    plainly = all(_says_nothing_else(clause.of, words) for clause in clauses)
    at = [_place_of(clause, words, ground, plainly) for clause in clauses]
    at = _completed(at, clauses)
    if any(_EXCEPTED in clause.of for clause in clauses):
        at = [_Place((), "", SEVERAL)] * len(at)
    clauses = _with_more_places(clauses, at, ground, plainly)
    count = sum(len(c.actions) for c in clauses)
    if not count and len({(p.axles, p.sides) for p in at if p}) <= 1:
        at = [_Place(*_place(tokens(line), ground, letters=False))]  # its words may stand apart
    places = sorted({(p.axles, p.sides) for p in at if p})
    if not count:
        nothing = Job("other", None, None, None, is_known=False)
        for axles, sides in places:
            yield from _jobs(nothing, _Place(axles, sides, ""), ground)
        return
    reasons = {c.reason for c in clauses} - {None}
    # A reason said elsewhere in the line is of its one job, or of nobody knows which.
    reason = reasons.pop() if len(reasons) == 1 and count == 1 else None
    found: list[Job] = []
    for i, clause in enumerate(clauses):
        lent_reason = clauses[clause.lent_by].reason if clause.lent_by is not None else None
        why_done = clause.reason or lent_reason or reason
        where = _where(at, i, clauses)
        for action in clause.actions:
            found += _jobs(Job(action, why_done, None, None), where, ground)
    yield from found
    if not any(job.problem for job in found):
        yield from _left_over(clauses, at, found)


def _left_over(
    clauses: Sequence["_Clause"], at: Sequence["_Place"], found: Sequence[Job]
) -> Iterator[Job]:
    """A job at a place that stands alone and is none of those found: relined 1L; 1R. It may be one
    of them, and is refused, so that nobody takes the line for read."""
    axles, sides = {job.axle for job in found}, {job.side for job in found}
    ends = {(job.axle, job.side) for job in found}
    for i, (clause, place) in enumerate(zip(clauses, at, strict=False)):
        named = {(axle, side) for axle in place.axles for side in place.sides}
        is_found = named <= ends and set(place.axles) <= axles and set(place.sides) <= sides
        if clause.is_place and not clause.actions and not is_found:
            near = (*reversed(clauses[:i]), *clauses[i:])
            action = next(c.actions[0] for c in near if c.actions)
            yield Job(action, None, None, None, problem=SEVERAL)


def _completed(at: list["_Place"], clauses: Sequence["_Clause"]) -> list["_Place"]:
    """Places of clauses; where one clause of a line names axles and another, of nothing else, the
    side, these are one place: axles 1 and 2 relined, both sides."""
    said = list(zip(at, clauses, strict=True))
    axles = [(p.axles, c.is_place) for p, c in said if p.axles and not p.sides]
    sides = [(p.sides, c.is_place) for p, c in said if p.sides and not p.axles]
    if any(at) or any(p.why for p in at) or len(axles) != 1 or len(sides) != 1:
        return at
    whole = _Place(axles[0][0], sides[0][0], "")
    return [whole] * len(at) if axles[0][1] or sides[0][1] else at


def _where(at: Sequence["_Place"], i: int, clauses: Sequence["_Clause"]) -> "_Place":
    """Where a clause's jobs were done: there, where the clause that it speaks of says, or at the
    only place of the line; else why nobody can say."""
    here, lent_by = at[i], clauses[i].lent_by
    if here or here.why:
        return here
    if here.axles or here.sides:  # half a place, and the other half may be another's
        return replace(here, why=_half(here))
    if lent_by is not None and at[lent_by]:
        return at[lent_by]
    return _only_place(at, clauses, clauses[i].of)


def _only_place(
    at: Sequence["_Place"], clauses: Sequence["_Clause"], of: tuple[str, ...]
) -> "_Place":
    """The place of a clause that names none: the only one of its line, or why that is not sure."""
    places = {(p.axles, p.sides) for p in at if p}
    unsure = next((p.why for p in at if p.why), "")
    halves = {p.axles for p in at if p.axles} if not any(p.sides for p in at) else set()
    half_alone = any(c.is_place and not p and (p.axles or p.sides)
                     for p, c in zip(at, clauses, strict=False))  # fmt: skip
    if unsure or (places and (half_alone or {"l", "r"} & set(of))):
        return _Place((), "", unsure or SEVERAL)  # its own may stand there
    if len(places) == 1:
        return _Place(*places.pop(), "")
    if len(halves) == 1:
        half = _Place(halves.pop(), "", "")
        return replace(half, why=_half(half))
    return _Place((), "", SEVERAL if places or halves else NOWHERE)


def _half(place: "_Place") -> str:
    if place.sides:
        return NO_AXLE
    word = "axle" if len(place.axles) == 1 else "axles"
    return f"names {word} {' and '.join(map(str, place.axles))}, {NO_SIDE}"


def _by_words(words: JobWords) -> JobWords:
    """With blanks in a fleet's own patterns as plus: replaced slack is replaced + slack."""
    own = (words.actions, words.reasons)
    if not any(_BLANK.search(pattern) for patterns in own for pattern in patterns):
        return words
    actions, reasons = ({p: told for each, told in patterns.items() for p in _without_blanks(each)}
                        for patterns in own)  # fmt: skip
    return JobWords(actions=actions, reasons=reasons, not_done=words.not_done)


_BLANK = re.compile(r"[^\s+|]\s+[^\s+|]")
_MOST_SPELLINGS = 256  # patterns that one with blanks may stand for


@cache
def _without_blanks(pattern: str) -> tuple[str, ...]:
    """Patterns that say the same without blanks; replaced slack|asa + new: two."""
    if not _BLANK.search(pattern):
        return (pattern,)
    parts = [list(_alternatives(part)) for part in pattern.split("+")]
    return tuple(" + ".join(each) for each in islice(product(*parts), _MOST_SPELLINGS))


def _alternatives(part: str) -> Iterator[str]:
    """Words of a part that stand alone, together; then each that is of several words."""
    words = [" ".join(word.split()) for word in part.split("|") if word.strip()]
    alone = "|".join(word for word in words if " " not in word)
    yield from (alone,) * bool(alone)
    yield from (" + ".join(word.split()) for word in words if " " in word)


def is_of_an_axle_alone(line: str, words: JobWords) -> bool:
    """Whether a line tells of a reline of an axle, and of no side: both wheel ends, as may be."""
    if "reline" not in actions_of(line, words):
        return False
    # Which side is near, and which axle rear, changes nothing of it.
    jobs = jobs_of(line, words, Ground("L", 2))
    return any(job.action == "reline" and job.problem.endswith(NO_SIDE) for job in jobs)


def kinds_of(
    lines: Iterable[tuple[str, int]], words: JobWords
) -> dict[str, tuple[tuple[str, int], ...]]:
    """Lines, with how often each stands, by what they become; those that become ``other`` although
    they name linings, shoes, adjusters or drums are of :data:`DOUBTFUL`. The most frequent first.
    """
    kinds: dict[str, list[tuple[str, int]]] = {}
    for line, count in sorted(lines, key=lambda told: (-told[1], told[0])):
        kind = " and ".join(sorted(actions_of(line, words)))
        kinds.setdefault(kind or (DOUBTFUL if names_a_part(line) else "other"), []).append(
            (line, count)
        )
    by_count = sorted(kinds, key=lambda k: (k in {DOUBTFUL, "other"}, k == "other", k))
    return {kind: tuple(kinds[kind]) for kind in by_count}


def actions_of(line: str, words: JobWords) -> tuple[str, ...]:
    """What a line tells that was done, wherever; none where nothing is understood."""
    if not words.actions and not words.not_done:
        return _usual_actions(line)
    text, words = _rewritten(line, None)[0], _by_words(words)
    return tuple(dict.fromkeys(a for clause in _told(text, words) for a in clause.actions))


@cache
def _usual_actions(line: str) -> tuple[str, ...]:
    text = _rewritten(line, None)[0]
    return tuple(dict.fromkeys(a for c in _told(text, JobWords()) for a in c.actions))


def names_a_part(line: str) -> bool:
    """Whether a line has a word for linings, shoes, adjusters or drums, for a reline, or for brakes
    and nothing else that were replaced."""
    text = _rewritten(line, None)[0]
    if any(_is(token, known.OBJECTS) or _is(token, known.RELINING) for token in _tokens(text)):
        return True
    said = (_Said(of, sign, frozenset()) for sign, of, _ in _parts_of(text))
    return any(one.only_does and any(_is(t, known.BRAKE) for t in one.of) for one in said)


def _jobs(job: Job, where: "_Place", ground: Ground) -> list[Job]:
    sides = where.sides
    if where.axles and not sides and job.action == "reline" and ground.both_relined:
        sides = "LR"
    if not where.axles or not sides:
        return [replace(job, problem=where.why)]
    return [replace(job, axle=axle, side=side) for axle in where.axles for side in sides]


def _place_of(clause: _Clause, words: JobWords, ground: Ground, plainly: bool) -> _Place:
    """``plainly``: nothing in the line is of anything else, as 2L of oil is."""
    letters = plainly or (bool(clause.actions) and _says_nothing_else(clause.of, words))
    return _Place(*_place(clause.of, ground, letters=letters))


def _with_more_places(
    clauses: Sequence[_Clause], at: Sequence[_Place], ground: Ground, plainly: bool
) -> list[_Clause]:
    """A place alone, in a list with a clause that tells of a job, is another place of this job."""
    found = list(clauses)
    bare = replace(ground, axle=None, side=None)
    for i, clause in enumerate(clauses):
        named = _Place(*_place(clause.of, bare, letters=plainly)) if clause.is_place else None
        if named is None or not (named or named.axles or named.sides):
            continue
        # Half a place cannot be placed, and is said; a side is one of a list where "and" says so.
        signs = _LISTED if named or named.axles else _JOINED
        actions = _beside(found, at, i, signs)
        found[i] = replace(clause, actions=actions)
    return found


def _beside(
    found: Sequence[_Clause], at: Sequence[_Place], i: int, signs: set[str]
) -> tuple[str, ...]:
    """What was done at a place that stands alone: what the clause before it in a list tells of,
    else the one after; nothing where that is not sure."""
    before = found[i - 1].actions if i else ()
    after = found[i + 1].actions if i + 1 < len(found) else ()
    if before and found[i].sign in signs:
        # adjusted 1L, 2R. linings replaced: who knows of which
        return () if at[i - 1] and after and not at[i + 1].axles else before
    if before and found[i].sign in {"-", "–", "("}:
        return ()  # of the clause before, if of any
    return after if after and found[i + 1].sign in signs else ()


def _told(line: str, words: JobWords) -> list[_Clause]:
    """The clauses of a line, each with the actions that it tells of."""
    parts = list(_parts_of(line)) if len(line) <= LONGEST else []
    said = [_Said(of, sign, _not_done(of, words.not_done, asked)) for sign, of, asked in parts]
    refused = _refused(said)
    clauses = []
    for i, one in enumerate(said):
        of, lender = _meant(said, i)
        told = () if i in refused else tuple(_actions(of, one, words))
        reasons = chain(words.reasons.items(), known.JOB_REASONS.items())
        is_place = not one.undone and all(map(_is_plain, one.of))
        reason = _first(one.of, reasons)
        clauses.append(_Clause(one.sign, is_place, one.of, told, reason, lender))
    if parts and not any(c.actions for c in clauses) and not any(s.undone for s in said):
        clauses += _standing_apart(line, words)
    return clauses


def _parts_of(line: str) -> Iterator[tuple[str, tuple[str, ...], bool]]:
    """Clauses: the sign before each, its words, and whether it is a question."""
    plain = _WELL_SAID.sub(r"\1\2 ", _AGAIN.sub("re", line))
    cut = _CLAUSE.split(plain)
    signs = ["", *cut[1::2], ""]
    for sign, text, after in zip(signs, cut[::2], signs[1:], strict=False):
        if text.strip():
            yield sign.strip().casefold(), _tokens(text), after.strip() == "?"


@cache
def _tokens(text: str) -> tuple[str, ...]:
    """Words of a clause; after slack, adj is an adjuster, and before soaked, oil is no thing."""
    plain = _WELL_SAID.sub(r"\1\2 ", _AGAIN.sub("re", text))
    of = tokens(_NOT_AT_ALL.sub("not", plain).replace("&", " and "))
    triples = zip(("", *of), of, (*of[1:], ""), strict=False)
    return tuple(_in_company(*triple) for triple in triples)


def _in_company(before: str, word: str, after: str) -> str:
    if (before, word) == ("slack", "adj"):
        return "adjuster"
    return "oily" if word == "oil" and after in _OILED else word


_OILED = {"contaminated", "soaked", "damaged", "damage", "on", "contamination"}


def _standing_apart(line: str, words: JobWords) -> list[_Clause]:
    """The action of an own pattern whose words are in different clauses, none of them of doing."""
    of = tuple(token for token in _tokens(line) if not _is_doing(token))
    own = _first(of, words.actions.items())
    return [_Clause("", False, of, (own,), None, None)] if own else []


@cache
def _is(token: str, pattern: str) -> bool:
    return any(part.fullmatch(token) for part in _parts(pattern))


@cache
def _is_doing(token: str) -> bool:
    return any(_is(token, p) for p in (known.REPLACING, known.NEW_BEFORE, known.NEW))


@cache
def _is_state(token: str) -> bool:
    found = token in _MEASURED_AS or any(_is(token, p) for p in (known.LOOKED_AT, known.WELL))
    return found or _is(token, known.ILL)


_MEASURED_AS = frozenset({"mm", "%", '"', "percent", "prozent"})
_PLACES = {*AXLE_WORDS, *SIDE_OF, *SIDE_BESIDE, *END_OF, *BOTH, *WHEELS,
           "achsen", "essieux", "ejes", "osie"}  # fmt: skip
_PLAIN = (
    _PLACES | known.AND | known.BESIDE_WORK | {"no", "howmanyaxles", "whichaxles", "exceptaxles"}
)


@cache
def _is_plain(token: str) -> bool:
    """Of places, numbers, and little words: no thing, and nothing of what became of one."""
    return token.isdigit() or token in _PLAIN or _is(token, known.BRAKE)


@cache
def _is_a_verb(token: str) -> bool:
    patterns = (known.SETTING, known.GREASING, known.RELINING)
    return _is_doing(token) or any(_is(token, pattern) for pattern in patterns)


@cache
def _is_strange(token: str) -> bool:
    """A word that nothing is known of: it may be a thing of its own."""
    return not (
        _is_plain(token) or _is(token, known.OBJECTS) or _is_a_verb(token) or _is_state(token)
        or _is_undone(token, ())
    )  # fmt: skip


_NOT_DONE = "|".join(known.NOT_DONE)


@cache
def _is_undone(token: str, own: tuple[str, ...]) -> bool:
    return _is(token, _NOT_DONE) or (bool(own) and _is(token, "|".join(own)))


def _not_done(of: tuple[str, ...], own: tuple[str, ...], asked: bool) -> frozenset[int]:
    """Where a clause says that its work was not done; -1 where it asks."""
    found = {i for i, token in enumerate(of) if _is_undone(token, own)}
    found -= {i for i in found if _is_harmless(of, i)}
    planned = {
        i for i, token in enumerate(of[:-1])
        if token in {"planned", "scheduled", "geplant", "prevu", "planowana"}
        and of[i + 1] in {"for", "fur", "am", "pour", "le", "na", "to"}
    }  # fmt: skip
    return frozenset(found | planned | ({-1} if asked else set()))


def _is_harmless(of: tuple[str, ...], i: int) -> bool:
    """due to wear, work order 12, axle no 2, no faults found."""
    after = of[i + 1 :]
    match of[i]:
        case "no" if after and after[0].isdigit():
            return True
        case "due":
            return after[:1] == ("to",) and not any(map(_is_a_verb, after[1:2])) and (
                after[1:2] != ("be",)
            )  # fmt: skip
        case "order":
            return (i > 0 and of[i - 1] in {"work", "job", "repair"}) or bool(
                after and (after[0].isdigit() or after[0] == "no")
            )
        case word if word in known.NO_OTHER:
            first = next((t for t in after if not _is_plain(t)), "")
            return bool(first) and _is_strange(first) and first not in known.OF_NOT_DOING
    return False


_WORDS_OF_A_THING = 2


@dataclass(frozen=True, slots=True)
class _Said:
    """A clause: its words, the sign before it, and where it says that nothing was done."""

    of: tuple[str, ...]
    sign: str
    undone: frozenset[int]

    @property
    def things(self) -> list[int]:
        return [i for i, t in enumerate(self.of) if _is(t, known.OBJECTS)]

    @property
    def strange(self) -> list[int]:
        return [i for i, t in enumerate(self.of) if _is_strange(t)]

    @property
    def doing(self) -> list[int]:
        return [i for i, t in enumerate(self.of) if _is_doing(t)]

    @property
    def is_bare(self) -> bool:
        """A thing, where it is, and nothing else."""
        thing = (_is_plain(t) or _is(t, known.OBJECTS) for t in self.of)
        return bool(self.things) and all(thing) and not self.undone

    @property
    def is_listed(self) -> bool:
        """A thing, known or not, where it is, and nothing else."""
        named = set(self.things) | set(self.strange)
        rest = all(_is_plain(t) for i, t in enumerate(self.of) if i not in named)
        return bool(named) and rest and not self.undone and len(self.strange) <= _WORDS_OF_A_THING

    @property
    def only_does(self) -> bool:
        return bool(self.doing) and not self.things and not self.strange

    @property
    def only_refuses(self) -> bool:
        """Says that something was not done, and not what."""
        if not self.undone or self.things or any(map(_is_a_verb, self.of)):
            return False
        return not any(t.isdigit() for t in self.of) and all(
            i in self.undone or _is_plain(t) or t in known.OF_NOT_DOING or _is(t, known.WELL)
            for i, t in enumerate(self.of)
        )


def _refused(said: Sequence[_Said]) -> set[int]:
    """Clauses of which another says that they were not done."""
    found: set[int] = set()
    for i, one in enumerate(said):
        if not one.only_refuses:
            continue
        why = {one.of[k] for k in one.undone if k >= 0}
        if i and not why <= known.ONLY_ADVICE:
            verbs = (j for j in range(i - 1, -1, -1) if any(map(_is_a_verb, said[j].of)))
            found |= set(islice(verbs, 1))
        elif i == 0:
            found.add(1)
    if said and said[0].of[:1] and said[0].of[0] in known.OFFERS:
        return set(range(len(said)))
    return found


_LISTED = {",", "and", "und", "et", "oraz", "sowie", "och", "&", "+", "/"}
_JOINED = _LISTED - {","}


def _meant(said: Sequence[_Said], i: int) -> tuple[tuple[str, ...], int | None]:
    """A clause's words, with what it leaves to its neighbours to say; and which lends it."""
    one = said[i]
    if one.only_does:
        before = next((j for j in range(i - 1, -1, -1) if said[j].things or said[j].strange), None)
        if before is not None and _can_be_meant(said[before]):
            things = _things_of(said[before])
            is_before = all(_is(one.of[d], known.NEW_BEFORE) for d in one.doing)
            return ((*one.of, *things) if is_before else (*things, *one.of)), before
    elif one.is_bare:
        lent = _lent_before(said, i)
        if lent:
            return (lent, *one.of), i - 1
        lent = _lent_after(said, i)
        if lent:
            return (*one.of, lent), i + 1
    return one.of, None


def _can_be_meant(said: _Said) -> bool:
    """Whether a clause's thing may be what the next one speaks of."""
    return bool(said.things) and not said.strange and not any(_is(t, known.WELL) for t in said.of)


def _things_of(said: _Said) -> tuple[str, ...]:
    return tuple(t for t in said.of if _is(t, known.OBJECTS) or _is(t, known.BRAKE))


def _lent_before(said: Sequence[_Said], i: int) -> str:
    """The word of doing before a list that a bare thing ends."""
    j = i - 1
    while j >= 0 and said[j].is_listed and said[j + 1].sign in _LISTED:
        j -= 1
    if j < 0 or said[j].undone:
        return ""
    one, nouns = said[j], [*said[j].things, *said[j].strange]
    if one.only_does:
        return one.of[one.doing[0]] if said[j + 1].sign not in {";", "\n", "then"} else ""
    first = [d for d in one.doing if d < min(nouns, default=0) and not _is_wish(one.of, d)]
    return one.of[first[0]] if first and said[j + 1].sign in _LISTED else ""


def _lent_after(said: Sequence[_Said], i: int) -> str:
    """The word of doing after a list that a bare thing begins."""
    j = i + 1
    while j < len(said) and said[j].is_bare and said[j].sign in _LISTED:
        j += 1
    if j >= len(said) or said[j].undone or said[j].sign not in _LISTED:
        return ""
    one, nouns = said[j], [*said[j].things, *said[j].strange]
    if one.only_does and said[j].sign in _JOINED:
        return one.of[one.doing[0]]
    if one.strange and said[j].sign not in _JOINED:
        return ""
    last = [d for d in one.doing if d > min(nouns, default=len(one.of))]
    between = one.of[min(nouns, default=0) : last[0]] if last else ()
    fits_all = all(not _is_state(t) for t in between) and bool(last)
    before = fits_all and _is(one.of[last[0]], known.NEW_BEFORE) and one.of[last[0]] != "new"
    return one.of[last[0]] if fits_all and not before else ""


def _actions(of: tuple[str, ...], said: "_Said", words: JobWords) -> Iterator[str]:
    """What the patterns that fit say, each thing counted for the first."""
    taken: set[int] = set()
    own = len(words.actions)
    usual = known.JOB_ACTIONS.items() if any(map(_is_a_verb, of)) else ()
    patterns = chain(words.actions.items(), usual)
    for rank, (pattern, action) in enumerate(patterns):
        if said.undone and (rank >= own or not said.undone <= _hits(said.of, pattern)):
            continue
        found = _found(of, pattern) - taken
        if found:
            taken |= found
            yield action


def _hits(of: Sequence[str], pattern: str) -> set[int]:
    return {i for i, t in enumerate(of) if _is(t, pattern)}


def _found(of: tuple[str, ...], pattern: str) -> set[int]:
    """The words that a pattern counts for: those beside a word of doing, where it has one."""
    hits = [{i for i, t in enumerate(of) if n in _which(t, pattern)}
            for n in range(len(_parts(pattern)))]  # fmt: skip
    if not all(hits):
        return set()
    if len(hits) == 1:
        return {i for i in hits[0] if not _means_else(of, i)}
    doing = {i for part in hits for i in part if _is_doing(of[i])}
    things = {i for part in hits for i in part} - doing
    if not doing or not things:
        return things | doing
    return {t for t in things if any(_is_done_to(of, d, t) for d in doing)}


@cache
def _which(token: str, pattern: str) -> tuple[int, ...]:
    """Which parts of a pattern a word fits."""
    return tuple(n for n, part in enumerate(_parts(pattern)) if part.fullmatch(token))


def _means_else(of: tuple[str, ...], i: int) -> bool:
    """A verb that is a wish, or is done to something else: headlamp adjusted, grease cap."""
    if _is_wish(of, i):
        return True
    after = of[i + 1] if i + 1 < len(of) else ""
    if _is(of[i], known.GREASING):
        return after in known.NO_GREASING
    if _is(of[i], known.SETTING):
        brake = any(_is(t, known.BRAKE) or _is(t, known.OBJECTS) for t in of)
        replaced = _is_doing(after) or (i > 0 and _is_doing(of[i - 1]))
        return replaced or (not brake and any(map(_is_strange, of)))
    return False


def _is_wish(of: tuple[str, ...], i: int) -> bool:
    """to replace, zu erneuern, à remplacer, to be replaced; after reline."""
    before = of[:i]
    if before[-1:] in {("be",), ("get",), ("have",)}:
        before = before[:-1]
    if not before or not _is_a_verb(of[i]) or _is(of[i], known.NEW) or of[i] == "new":
        return False
    infinitive = before[-1] == "a" and of[i].endswith("r")
    return before[-1] in known.WISHED or infinitive


def _is_done_to(of: tuple[str, ...], verb: int, thing: int) -> bool:
    """Whether a word of doing is of a thing: nothing else stands between them, or nearer."""
    is_after = verb > thing
    if abs(verb - thing) > _FAR or _is_wish(of, verb) or _is_another(of, thing):
        return False
    if is_after and _is_of_a_thing(of, thing):
        return False
    between = of[min(verb, thing) + 1 : max(verb, thing)]
    right = next((t for t in of[verb + 1 :] if not _is_plain(t)), "")
    noun_follows = bool(right) and (_is_strange(right) or _is(right, known.OBJECTS))
    measured = _MEASURED_AS if is_after and not noun_follows else frozenset()
    if not all(_may_stand_between(t) or t in measured for t in between):
        return False
    if not _is(of[verb], known.REPLACING):
        return _is_new(of, verb, thing, between, noun_follows=noun_follows)
    if is_after:  # cleaned linings replaced hub seal: what follows is what was replaced
        looked_at = any(_is(t, known.LOOKED_AT) for t in of[:thing])
        return not noun_follows or not (looked_at or any(map(_is_state, between)))
    others = any(_is(t, known.OBJECTS) for t in between)
    return not ((others or _left_of(of, verb)) and _state_follows(of, thing))


def _is_new(
    of: tuple[str, ...], verb: int, thing: int, between: tuple[str, ...], *, noun_follows: bool
) -> bool:
    """Whether a word for new is of a thing: before it, or after it as the language has it."""
    if any(map(_is_state, between)):
        return False
    if verb > thing:  # linings new; but as new, linings new tyre, lining 12 new 18, checked: new
        after = of[verb + 1 : verb + 2]
        if any(_is(t, known.LOOKED_AT) for t in of[:thing]) or any(t.isdigit() for t in after):
            return False
        after_all = of[verb] == "new" and of[verb - 1] != "as" and not noun_follows
        return after_all or not _is(of[verb], known.NEW_BEFORE)
    before = next((t for t in reversed(of[:verb]) if not _is_plain(t)), "")
    followed = any(_is(t, known.OBJECTS) for t in between) and _state_follows(of, thing)
    takes_left = _is(of[verb], known.NEW) and bool(before) and _is_strange(before)
    return not (_is(before, known.LOOKED_AT) or followed or takes_left)


def _may_stand_between(token: str) -> bool:
    return (
        _is_plain(token) or _is_doing(token) or _is(token, known.OBJECTS) or _is(token, known.ILL)
    )


def _left_of(of: tuple[str, ...], verb: int) -> bool:
    """Whether a thing stands before a verb, which may be what it is of."""
    near = next((t for t in reversed(of[:verb]) if not _is_plain(t) and not _is_state(t)), "")
    return bool(near) and (_is_strange(near) or _is(near, known.OBJECTS))


def _state_follows(of: tuple[str, ...], thing: int) -> bool:
    after = next((t for t in of[thing + 1 :] if not _is_plain(t)), "")
    return bool(after) and _is_state(after)


_OF_A_THING = frozenset({"de", "du", "della", "di", "del", "la", "of", "l"})
_LINKS = _OF_A_THING | frozenset(
    {"on", "to", "in", "for", "with", "des", "der", "an", "am", "von", "mit", "las", "los", "da",
     "das", "do", "dos", "delle", "dei", "degli", "van", "op", "av", "pa", "z", "w", "na"}
)  # fmt: skip


def _is_of_a_thing(of: tuple[str, ...], thing: int) -> bool:
    """Whether what was done after is done to another thing, of which this one says more: ressort
    de garniture remplacé. In English the last of several nouns is the thing: trailer linings."""
    near = thing - 1
    while near >= 0 and _is_plain(of[near]):
        near -= 1
    if near < 0 or not _is_strange(of[near]):
        return False
    return bool(_LINKS & set(of[near + 1 : thing])) or not _is(of[thing], known.ENGLISH)


def _is_another(of: tuple[str, ...], thing: int) -> bool:
    """A word beside it makes another thing of it: lining wear indicator, clutch lining."""
    if thing and of[thing - 1] in known.ELSEWHERE:
        return True
    if not _is(of[thing], known.HEADED):
        return False
    after = of[thing + 1 :]
    if not of[thing].startswith(("garnit", "guarniz")):
        after = after[: 1 + (len(after) > 1 and _is(after[0], known.BRAKE))]
    first = next((t for t in after if t not in _OF_A_THING and not _is(t, known.BRAKE)), "")
    return bool(first) and (_is_strange(first) or first in {"thickness"})


def _says_nothing_else(of: tuple[str, ...], words: JobWords) -> bool:
    """Whether 2L beside these words can be a place: every word is one of a pattern's."""
    patterns = [*words.actions, *words.reasons, *known.JOB_ACTIONS, *known.JOB_REASONS]
    others = [t for t in of if not _is_plain(t)]
    return all(any(_is(t, q) for q in patterns) for t in others)


def _place(
    of: tuple[str, ...], ground: Ground, *, letters: bool
) -> tuple[tuple[int, ...], str, str]:
    """Axles, sides and why not, as a clause names them; else as the row does."""
    unsure = next((why for mark, why in _MARKS.items() if mark in of), "")
    if unsure:
        return (), "", unsure
    if is_both(of) and (_is_of_axles(of) or "only" in of or {SIDE_OF.get(t) for t in of} - {None}):
        return (), "", SEVERAL
    both = is_both(of) or _names_both(of)
    if both:
        of = tuple(t for t in of if t not in SIDE_OF and t not in {"l", "r"})
    single = letters and re.search(r"\d [lr]( |$)", " ".join(of)) is not None
    place = place_in(_spread(of, single), {"l": "L", "r": "R"} if single else {},
                     offside=_has_bare_offside(of))  # fmt: skip
    if place.side in {"near", "off"} and ground.near_side is None:
        return (), "", "near_side is not set under [answers]"
    if place.axle == "rear" and ground.rear_axle is None and ground.axle is None:
        return (), "", REAR_AXLE
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
    pairs = zip(of, (*of[1:], ""), strict=False)  # a clause may have no words
    return any(is_both((token,)) and after in _AXLES for token, after in pairs)


def left_or_right(side: str | None, near_side: str | None) -> str | None:
    """L or R of a side that may be near or off; None where the country's rule is not known."""
    if side not in {"near", "off"}:
        return side
    return near_side if side == "near" else {"L": "R", "R": "L"}.get(near_side or "")


def _has_bare_offside(of: tuple[str, ...]) -> bool:
    """ "os" without its stroke; before a number it is an axle in Polish."""
    pairs = zip(of, (*of[1:], ""), strict=False)
    return "ns" in of or any(t == "os" and not after.isdigit() for t, after in pairs)


def _spread(of: tuple[str, ...], letters: bool) -> tuple[str, ...]:
    """Numbers that do not follow an axle's word, or stand before a side's letter, say nothing of
    it."""
    kept = []
    for i, token in enumerate(of):
        reach = 3 if of[i + 1 : i + 2] and of[i + 1] in {"st", "nd", "rd", "th"} else 2
        near = {*of[max(i - 1, 0) : i], *of[i + 1 : i + reach]}
        is_of_a_letter = letters and of[i + 1 : i + 2] in {("l",), ("r",)}
        if token.isdigit() and not near & _NEXT_TO_NUMBERS and not is_of_a_letter:
            continue
        kept.append(token)
    return tuple(kept)


_AXLES = (AXLE_WORDS - {"as"}) | {"achsen", "essieux", "ejes", "osie"}
_BETWEEN = {"no", *known.AND}
_NEXT_TO_NUMBERS = {*_AXLES, "st", "nd", "rd", "th"}


def _numbers_after_axle(of: tuple[str, ...]) -> tuple[int, ...]:
    """axles 1 and 2, axle 1 & axle 2: numbers after the word, up to the next other word."""
    found: list[int] = []
    counting = joined = False
    for token in of:
        if token.isdigit() and counting:
            found.append(int(token))
            counting = False
            joined = True
        else:
            counting = token in _AXLES or ((counting or joined) and token in _BETWEEN)
            joined = False
    return tuple(dict.fromkeys(found)) if all(1 <= n <= MAX_AXLE for n in found) else ()


def _names_both(of: tuple[str, ...]) -> bool:
    told = set(of)
    sides = {SIDE_OF[token] for token in told if token in SIDE_OF}
    letters = any(
        {a, b} == {"l", "r"} and word in known.AND
        for a, word, b in zip(of, of[1:], of[2:], strict=False)
    )
    return letters or {"L", "R"} <= sides or {"near", "off"} <= sides


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
_EXCEPTED = "exceptaxles"
HOW_MANY = "says how many axles, and not which"
_MARKS = {"howmanyaxles": HOW_MANY, "whichaxles": SEVERAL, _EXCEPTED: SEVERAL}


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
def _rewritten(line: str, rear_axle: int | None) -> tuple[str, ...]:
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
        if are_axles and before[2] != after[2] and not _CLAUSE.search(text[before[1] : after[0]]):
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
    r"ambo|ambi|entrambi|entrambe|oba|bada|begge)\s+(?:(?:the|les|los|as|os|i|gli|le|of the)\s+)?"
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


def _in_usual_words(text: str) -> str:
    """A line with abbreviations and words for both sides as others write them."""
    text = _DOUBTFUL_DOT.sub(r"\1 oder ", text)
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
    first = next((t for t in of if not _is(t, known.NEW_BEFORE) and not _is(t, known.ILL)), "")
    if first in _COUNTED_IN or re.fullmatch(_AXLES_OF, first):
        return True
    if _is(first, known.OBJECTS) or _is(first, known.BRAKE):
        return True
    return bool(first) and _is_strange(first)


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
    cut = _CLAUSE.search(text, end)
    raw_after = _tokens(text[end : cut.start() if cut else len(text)])
    segment = _HARD.split(text[before:start])
    raw_before = segment[-1]
    after = [t for t in raw_after if not _is_plain(t) and t not in {"only", "nur", "uniquement"}]
    left = [t for t in _tokens(raw_before) if not _is_plain(t)]
    follows_sign = raw_before.rstrip().endswith(",")
    if follows_sign and before and len(segment) == 1:
        left = []  # the clause before it has a place of its own
    if not left or not after or raw_after[0] in _WITH:
        return "one"
    does, does_after = any(map(_is_a_verb, left)), any(map(_is_a_verb, after))
    if does and does_after:
        is_list = all(text[one.start : one.end] == "," for one in run if one.kind in _SIGNS)
        return "two" if is_list and not follows_sign else ""
    if does_after:
        things = all(_is(t, known.OBJECTS) or _is(t, known.BRAKE) for t in left)
        return "one" if things and _is_a_verb(after[0]) else ""
    return "one" if all(_is_state(t) for t in after) or not does else ""


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
        said = _tokens(_CLAUSE.split(text[: dash.start()])[-1])
        if any(map(_is_a_verb, said)) and not any(token.isdigit() for token in said):
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
    return len(placed) == 1 or not _says_nothing_else(tokens(rest), JobWords())


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


def _first(of: Sequence[str], patterns: Iterable[tuple[str, str]]) -> str | None:
    """What the first pattern says whose every part is found among the words."""
    for pattern, meaning in patterns:
        found = {n for word in of for n in _which(word, pattern)}
        if len(found) == len(_parts(pattern)):
            return meaning
    return None


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
