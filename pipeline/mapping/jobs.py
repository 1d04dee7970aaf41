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
from itertools import chain, islice

from pipeline.mapping import words as known
from pipeline.mapping.headings import MAX_AXLE, is_both, place_in
from pipeline.mapping.words import AXLE_WORDS, BOTH, END_OF, SIDE_BESIDE, SIDE_OF, WHEELS, tokens
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
    """What else is known: left and right of near and off, the rear axle, the row's own cells."""

    near_side: str | None = None
    rear_axle: int | None = None
    axle: int | None = None
    side: str | None = None


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
    clauses = _told(line, words)
    at = [_place_of(clause, words, ground) for clause in clauses]
    clauses = _with_more_places(clauses, ground)
    places = sorted({(p.axles, p.sides) for p in at if p})
    count = sum(len(c.actions) for c in clauses)
    if not count and len(places) <= 1:
        at = [_Place(*_place(tokens(line), ground, letters=False))]  # its words may stand apart
        places = [(p.axles, p.sides) for p in at if p]
    why = SEVERAL if places else next((p.why for p in at if p.why), NOWHERE)
    reasons = {c.reason for c in clauses} - {None}
    # A reason said elsewhere in the line is of its one job, or of nobody knows which.
    reason = reasons.pop() if len(reasons) == 1 and count == 1 else None
    found: dict[Job, None] = {}
    for i, clause in enumerate(clauses if count else ()):
        where = (at[i].axles, at[i].sides) if at[i] else places[0] if len(places) == 1 else None
        lent = at[clause.lent_by] if clause.lent_by is not None else None
        if not at[i] and (at[i].axles or at[i].sides):
            where = None  # half a place, and the other half may be another's
        elif not at[i] and lent:
            where = (lent.axles, lent.sides)
        lent_reason = clauses[clause.lent_by].reason if clause.lent_by is not None else None
        why_done = clause.reason or lent_reason or reason
        for action in clause.actions:
            jobs = _jobs(Job(action, why_done, None, None), where, why)
            found.update(dict.fromkeys(jobs))
    if not found:
        nothing = Job("other", None, None, None, is_known=False)
        found = dict.fromkeys(job for place in places for job in _jobs(nothing, place, ""))
    return list(found)[:MOST]


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
    return tuple(dict.fromkeys(a for clause in _told(line, words) for a in clause.actions))


@cache
def _usual_actions(line: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(a for c in _told(line, JobWords()) for a in c.actions))


def names_a_part(line: str) -> bool:
    """Whether a line has a word for linings, shoes, adjusters or drums, for a reline, or for brakes
    and nothing else that were replaced."""
    if any(_is(token, known.OBJECTS) or _is(token, known.RELINING) for token in _tokens(line)):
        return True
    said = (_Said(of, sign, frozenset()) for sign, of, _ in _parts_of(line))
    return any(one.only_does and any(_is(t, known.BRAKE) for t in one.of) for one in said)


def _jobs(job: Job, where: tuple[tuple[int, ...], str] | None, why: str) -> list[Job]:
    if where is None:
        return [replace(job, problem=why)]
    axles, sides = where
    return [replace(job, axle=axle, side=side) for axle in axles for side in sides]


def _place_of(clause: _Clause, words: JobWords, ground: Ground) -> _Place:
    letters = bool(clause.actions) and _says_nothing_else(clause.of, words)
    return _Place(*_place(clause.of, ground, letters=letters))


def _with_more_places(clauses: Sequence[_Clause], ground: Ground) -> list[_Clause]:
    """A place alone, in a list with a clause that tells of a job, is another place of this job."""
    found = list(clauses)
    bare = replace(ground, axle=None, side=None)
    for i, clause in enumerate(clauses):
        named = _Place(*_place(clause.of, bare, letters=False)) if clause.is_place else None
        if named is None or not (named or named.axles or named.sides):
            continue
        # A half, which cannot be placed and is said, is one of a list where "and" makes it sure.
        signs = _LISTED if named else _JOINED
        before = found[i - 1].actions if i and clause.sign in signs else ()
        is_before = i + 1 < len(clauses) and clauses[i + 1].sign in signs
        after = clauses[i + 1].actions if is_before else ()
        found[i] = replace(clause, actions=before or after)
    return found


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
_PLAIN = _PLACES | known.AND | known.BESIDE_WORK | {"no"}


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
_BETWEEN = {"no", *known.AND}
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
    letters = any(
        {a, b} == {"l", "r"} and word in known.AND
        for a, word, b in zip(of, of[1:], of[2:], strict=False)
    )
    return letters or {"L", "R"} <= sides or {"near", "off"} <= sides


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
