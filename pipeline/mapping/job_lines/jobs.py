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
from itertools import chain, islice, product

from pipeline.mapping import words as known
from pipeline.mapping.headings import MAX_AXLE, is_both, place_in
from pipeline.mapping.job_lines.clauses import (
    AGAIN,
    AXLES,
    CLAUSE,
    LONGEST,
    MEASURED_AS,
    SEVERAL,
    WELL_SAID,
    first_told,
    fits,
    is_a_verb,
    is_doing,
    is_plain,
    is_state,
    is_strange,
    is_undone,
    parts_fitted,
    parts_of,
    says_nothing_else,
    words_of,
)
from pipeline.mapping.job_lines.places import EXCEPTED, MARKS, rewritten
from pipeline.mapping.words import (
    SIDE_OF,
    tokens,
)
from pipeline.settings import JobWords

MOST = 64  # jobs that one line may yield
_FAR = 24  # words between a thing and what is done to it
NOWHERE = "names no axle and side"
NO_SIDE = "and no side"
NEAR_SIDE = "near_side is not set under [answers]"
REAR_AXLE = "names the rear axle: set rear_axle under [answers]"
NO_AXLE = "names a side, and no axle"
DOUBTFUL = f"other, though naming {known.BRAKE_PARTS}"


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
    for text in rewritten(line, ground.rear_axle):
        found.update(dict.fromkeys(_jobs_in(text, words, ground)))
    return list(found)[:MOST]


def _jobs_in(line: str, words: JobWords, ground: Ground) -> Iterator[Job]:
    clauses = _told(line, words)
    plainly = all(says_nothing_else(clause.of, words) for clause in clauses)
    at = [_place_of(clause, words, ground, plainly) for clause in clauses]
    at = _completed(at, clauses)
    if any(EXCEPTED in clause.of for clause in clauses):
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
    text, words = rewritten(line, None)[0], _by_words(words)
    return tuple(dict.fromkeys(a for clause in _told(text, words) for a in clause.actions))


@cache
def _usual_actions(line: str) -> tuple[str, ...]:
    text = rewritten(line, None)[0]
    return tuple(dict.fromkeys(a for c in _told(text, JobWords()) for a in c.actions))


def names_a_part(line: str) -> bool:
    """Whether a line has a word for linings, shoes, adjusters or drums, for a reline, or for brakes
    and nothing else that were replaced."""
    text = rewritten(line, None)[0]
    if any(fits(token, known.OBJECTS) or fits(token, known.RELINING) for token in words_of(text)):
        return True
    said = (_Said(of, sign, frozenset()) for sign, of, _ in _parts_of(text))
    return any(one.only_does and any(fits(t, known.BRAKE) for t in one.of) for one in said)


def _jobs(job: Job, where: "_Place", ground: Ground) -> list[Job]:
    sides = where.sides
    if where.axles and not sides and job.action == "reline" and ground.both_relined:
        sides = "LR"
    if not where.axles or not sides:
        return [replace(job, problem=where.why)]
    return [replace(job, axle=axle, side=side) for axle in where.axles for side in sides]


def _place_of(clause: _Clause, words: JobWords, ground: Ground, plainly: bool) -> _Place:
    """``plainly``: nothing in the line is of anything else, as 2L of oil is."""
    letters = plainly or (bool(clause.actions) and says_nothing_else(clause.of, words))
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
        is_place = not one.undone and all(map(is_plain, one.of))
        reason = first_told(one.of, reasons)
        clauses.append(_Clause(one.sign, is_place, one.of, told, reason, lender))
    if parts and not any(c.actions for c in clauses) and not any(s.undone for s in said):
        clauses += _standing_apart(line, words)
    return clauses


def _parts_of(line: str) -> Iterator[tuple[str, tuple[str, ...], bool]]:
    """Clauses: the sign before each, its words, and whether it is a question."""
    plain = WELL_SAID.sub(r"\1\2 ", AGAIN.sub("re", line))
    cut = CLAUSE.split(plain)
    signs = ["", *cut[1::2], ""]
    for sign, text, after in zip(signs, cut[::2], signs[1:], strict=False):
        if text.strip():
            yield sign.strip().casefold(), words_of(text), after.strip() == "?"


def _standing_apart(line: str, words: JobWords) -> list[_Clause]:
    """The action of an own pattern whose words are in different clauses, none of them of doing."""
    of = tuple(token for token in words_of(line) if not is_doing(token))
    own = first_told(of, words.actions.items())
    return [_Clause("", False, of, (own,), None, None)] if own else []


def _not_done(of: tuple[str, ...], own: tuple[str, ...], asked: bool) -> frozenset[int]:
    """Where a clause says that its work was not done; -1 where it asks."""
    found = {i for i, token in enumerate(of) if is_undone(token, own)}
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
            return after[:1] == ("to",) and not any(map(is_a_verb, after[1:2])) and (
                after[1:2] != ("be",)
            )  # fmt: skip
        case "order":
            return (i > 0 and of[i - 1] in {"work", "job", "repair"}) or bool(
                after and (after[0].isdigit() or after[0] == "no")
            )
        case word if word in known.NO_OTHER:
            first = next((t for t in after if not is_plain(t)), "")
            return bool(first) and is_strange(first) and first not in known.OF_NOT_DOING
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
        return [i for i, t in enumerate(self.of) if fits(t, known.OBJECTS)]

    @property
    def strange(self) -> list[int]:
        return [i for i, t in enumerate(self.of) if is_strange(t)]

    @property
    def doing(self) -> list[int]:
        return [i for i, t in enumerate(self.of) if is_doing(t)]

    @property
    def is_bare(self) -> bool:
        """A thing, where it is, and nothing else."""
        thing = (is_plain(t) or fits(t, known.OBJECTS) for t in self.of)
        return bool(self.things) and all(thing) and not self.undone

    @property
    def is_listed(self) -> bool:
        """A thing, known or not, where it is, and nothing else."""
        named = set(self.things) | set(self.strange)
        rest = all(is_plain(t) for i, t in enumerate(self.of) if i not in named)
        return bool(named) and rest and not self.undone and len(self.strange) <= _WORDS_OF_A_THING

    @property
    def only_does(self) -> bool:
        return bool(self.doing) and not self.things and not self.strange

    @property
    def only_refuses(self) -> bool:
        """Says that something was not done, and not what."""
        if not self.undone or self.things or any(map(is_a_verb, self.of)):
            return False
        return not any(t.isdigit() for t in self.of) and all(
            i in self.undone or is_plain(t) or t in known.OF_NOT_DOING or fits(t, known.WELL)
            for i, t in enumerate(self.of)
        )


def _refused(said: Sequence[_Said]) -> set[int]:
    """Clauses of which another says that they were not done."""
    found: set[int] = set()
    for i, one in enumerate(said):
        if not one.only_refuses:
            continue
        why = {one.of[k] for k in one.undone if k >= 0}
        if i and (not why <= known.ONLY_ADVICE or known.FOR_WANT_OF & set(one.of)):
            verbs = (j for j in range(i - 1, -1, -1) if any(map(is_a_verb, said[j].of)))
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
            is_before = all(fits(one.of[d], known.NEW_BEFORE) for d in one.doing)
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
    return bool(said.things) and not said.strange and not any(fits(t, known.WELL) for t in said.of)


def _things_of(said: _Said) -> tuple[str, ...]:
    return tuple(t for t in said.of if fits(t, known.OBJECTS) or fits(t, known.BRAKE))


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
    fits_all = all(not is_state(t) for t in between) and bool(last)
    before = fits_all and fits(one.of[last[0]], known.NEW_BEFORE) and one.of[last[0]] != "new"
    return one.of[last[0]] if fits_all and not before else ""


def _actions(of: tuple[str, ...], said: "_Said", words: JobWords) -> Iterator[str]:
    """What the patterns that fit say, each thing counted for the first."""
    taken: set[int] = set()
    own = len(words.actions)
    usual = known.JOB_ACTIONS.items() if any(map(is_a_verb, of)) else ()
    patterns = chain(words.actions.items(), usual)
    for rank, (pattern, action) in enumerate(patterns):
        if said.undone and (rank >= own or not said.undone <= _hits(said.of, pattern)):
            continue
        found = _found(of, pattern) - taken
        if found:
            taken |= found
            yield action


def _hits(of: Sequence[str], pattern: str) -> set[int]:
    return {i for i, t in enumerate(of) if fits(t, pattern)}


def _found(of: tuple[str, ...], pattern: str) -> set[int]:
    """The words that a pattern counts for: those beside a word of doing, where it has one."""
    hits = [{i for i, t in enumerate(of) if n in parts_fitted(t, pattern)}
            for n in range(len(parts_of(pattern)))]  # fmt: skip
    if not all(hits):
        return set()
    if len(hits) == 1:
        return {i for i in hits[0] if not _means_else(of, i)}
    doing = {i for part in hits for i in part if is_doing(of[i])}
    things = {i for part in hits for i in part} - doing
    if not doing or not things:
        return things | doing
    return {t for t in things if any(_is_done_to(of, d, t) for d in doing)}


def _means_else(of: tuple[str, ...], i: int) -> bool:
    """A verb that is a wish, or is done to something else: headlamp adjusted, grease cap."""
    if _is_wish(of, i):
        return True
    after = of[i + 1] if i + 1 < len(of) else ""
    if fits(of[i], known.GREASING):
        return after in known.NO_GREASING
    if fits(of[i], known.SETTING):
        brake = any(fits(t, known.BRAKE) or fits(t, known.OBJECTS) for t in of)
        replaced = is_doing(after) or (i > 0 and is_doing(of[i - 1]))
        return replaced or (not brake and any(map(is_strange, of)))
    return False


def _is_wish(of: tuple[str, ...], i: int) -> bool:
    """to replace, zu erneuern, à remplacer, to be replaced; after reline."""
    before = of[:i]
    if before[-1:] in {("be",), ("get",), ("have",)}:
        before = before[:-1]
    if not before or not is_a_verb(of[i]) or fits(of[i], known.NEW) or of[i] == "new":
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
    right = next((t for t in of[verb + 1 :] if not is_plain(t)), "")
    noun_follows = bool(right) and (is_strange(right) or fits(right, known.OBJECTS))
    measured = MEASURED_AS if is_after and not noun_follows else frozenset()
    if not all(_may_stand_between(t) or t in measured for t in between):
        return False
    if not fits(of[verb], known.REPLACING):
        return _is_new(of, verb, thing, between, noun_follows=noun_follows)
    if is_after:  # cleaned linings replaced hub seal: what follows is what was replaced
        looked_at = any(fits(t, known.LOOKED_AT) for t in of[:thing])
        return not noun_follows or not (looked_at or any(map(is_state, between)))
    others = any(fits(t, known.OBJECTS) for t in between)
    return not ((others or _left_of(of, verb)) and _state_follows(of, thing))


def _is_new(
    of: tuple[str, ...], verb: int, thing: int, between: tuple[str, ...], *, noun_follows: bool
) -> bool:
    """Whether a word for new is of a thing: before it, or after it as the language has it."""
    if any(map(is_state, between)):
        return False
    if verb > thing:  # linings new; but as new, linings new tyre, lining 12 new 18, checked: new
        after = of[verb + 1 : verb + 2]
        if any(fits(t, known.LOOKED_AT) for t in of[:thing]) or any(t.isdigit() for t in after):
            return False
        after_all = of[verb] == "new" and of[verb - 1] != "as" and not noun_follows
        return after_all or not fits(of[verb], known.NEW_BEFORE)
    before = next((t for t in reversed(of[:verb]) if not is_plain(t)), "")
    followed = any(fits(t, known.OBJECTS) for t in between) and _state_follows(of, thing)
    takes_left = fits(of[verb], known.NEW) and bool(before) and is_strange(before)
    return not (fits(before, known.LOOKED_AT) or followed or takes_left)


def _may_stand_between(token: str) -> bool:
    return (
        is_plain(token) or is_doing(token) or fits(token, known.OBJECTS) or fits(token, known.ILL)
    )


def _left_of(of: tuple[str, ...], verb: int) -> bool:
    """Whether a thing stands before a verb, which may be what it is of."""
    near = next((t for t in reversed(of[:verb]) if not is_plain(t) and not is_state(t)), "")
    return bool(near) and (is_strange(near) or fits(near, known.OBJECTS))


def _state_follows(of: tuple[str, ...], thing: int) -> bool:
    after = next((t for t in of[thing + 1 :] if not is_plain(t)), "")
    return bool(after) and is_state(after)


_OF_A_THING = frozenset({"de", "du", "della", "di", "del", "la", "of", "l"})
_LINKS = _OF_A_THING | frozenset(
    {"on", "to", "in", "for", "with", "des", "der", "an", "am", "von", "mit", "las", "los", "da",
     "das", "do", "dos", "delle", "dei", "degli", "van", "op", "av", "pa", "z", "w", "na"}
)  # fmt: skip


def _is_of_a_thing(of: tuple[str, ...], thing: int) -> bool:
    """Whether what was done after is done to another thing, of which this one says more: ressort
    de garniture remplacé. In English the last of several nouns is the thing: trailer linings."""
    near = thing - 1
    while near >= 0 and is_plain(of[near]):
        near -= 1
    if near < 0 or not is_strange(of[near]):
        return False
    return bool(_LINKS & set(of[near + 1 : thing])) or not fits(of[thing], known.ENGLISH)


def _is_another(of: tuple[str, ...], thing: int) -> bool:
    """A word beside it makes another thing of it: lining wear indicator, clutch lining."""
    if thing and of[thing - 1] in known.ELSEWHERE:
        return True
    if not fits(of[thing], known.HEADED):
        return False
    after = of[thing + 1 :]
    if not of[thing].startswith(("garnit", "guarniz")):
        after = after[: 1 + (len(after) > 1 and fits(after[0], known.BRAKE))]
    first = next((t for t in after if t not in _OF_A_THING and not fits(t, known.BRAKE)), "")
    return bool(first) and (is_strange(first) or first in {"thickness"})


def _place(
    of: tuple[str, ...], ground: Ground, *, letters: bool
) -> tuple[tuple[int, ...], str, str]:
    """Axles, sides and why not, as a clause names them; else as the row does."""
    unsure = next((why for mark, why in MARKS.items() if mark in of), "")
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
        return (), "", NEAR_SIDE
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
    return any(is_both((token,)) and after in AXLES for token, after in pairs)


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


_BETWEEN = {"no", *known.AND}
_NEXT_TO_NUMBERS = {*AXLES, "st", "nd", "rd", "th"}


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
            counting = token in AXLES or ((counting or joined) and token in _BETWEEN)
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
