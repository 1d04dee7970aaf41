"""Lists and ranges of axles and wheel ends in job lines: every one that is named, and no other."""

import time

import numpy as np
import pytest

from pipeline.mapping.job_lines.clauses import LONGEST, SEVERAL
from pipeline.mapping.job_lines.jobs import (
    NO_AXLE,
    NOWHERE,
    Ground,
    actions_of,
    jobs_of,
)
from pipeline.mapping.job_lines.places import HOW_MANY
from pipeline.settings import JobWords

WORDS = JobWords()
GROUND = Ground(near_side="L", rear_axle=3)


def relined(line, ground=GROUND):
    jobs = jobs_of(line, WORDS, ground)
    assert {j.action for j in jobs} == {"reline"}, jobs
    assert not any(j.problem for j in jobs), jobs
    return sorted(f"{j.axle}{j.side}" for j in jobs)


# What is relined, and lines that say so in every way.
PLACES = """
1L 1R 2L 2R 3L 3R = axles 1-3 relined both sides
1L 1R 2L 2R 3L 3R = axle 1 to 3 relined both sides
1L 1R 2L 2R 3L 3R = relined axles 1 thru 3, L/R
1L 1R 2L 2R 3L 3R = Beläge Achse 1 bis 3 beidseitig erneuert
1L 1R 2L 2R 3L 3R = Achse 1-3 neu belegt li re
1L 1R 2L 2R 3L 3R = essieux 1 à 3 garnitures remplacées g + d
1L 1R 2L 2R 3L 3R = ejes 1 a 3 cambio de zapatas ambos lados
1L 1R 2L 2R 3L 3R = osie 1-3 wymiana okładzin po obu stronach
1L 1R 2L 2R 3L 3R = remvoering as 1 t/m 3 vervangen links en rechts
1L 1R 2L 2R 3L 3R = assi da 1 a 3 ferodi sostituiti entrambi i lati
1L 1R 3L 3R = nápravy 1 a 3 výměna obložení levá a pravá
1L 1R 2L 2R = axles 1 + 2 relined, both sides
1L 1R 2L 2R 3L 3R = axle 1, 2 and 3 relined both sides
1L 1R 2L 2R 3L 3R = axles 1/2/3 relined l+r
1L 1R 2L 2R = replaced linings 1st and 2nd axle both sides
1L 1R 2L 2R = 1. und 2. Achse neue Beläge beids.
1L 1R 2L 2R = 2 axles (1 and 2) relined both sides
1L 1R 3L 3R = front and rear axle relined both sides
1L 2L = relined left axle 1, 2
1L 2L = axles 1 and 2 L relined
1L 2L = axle #1 & #2 left relined
1L 2L = axles 1, 2 linings renewed left
1L 1R 2L = relined 1L, 1R and 2L
1L 1R 2L = relined 1L,1R,2L
1L 1R 2L = relined 1L/R, 2L
1L 1R 2L = relined 1LR and 2L
1L 1R = relined 1L 1R
1L 1R = relined 1L/1R
1L 1R = 1L+R relined
1L 1R = L1, R1 relined
1L 1R = relined A1L, A1R
1L 1R = remplacement garnitures 1G/1D
1L 1R = Belag VL, VR neu
2L 2R = relined 2L & 2R
1L 2L = 1L 2L relined
2L = axle 2 (LH only) relined
2L 2R = Achse 2 neu belegt bds.
1L 1R = Bremsbeläge 1. Achse neu li+re
1L 2R = relined axle 1 (left), axle 2 (right)
1L 2R = Beläge Achse 1 li, Achse 2 re erneuert
1L 2R = relined axle 1 left axle 2 right
1L 2R = relined axle 1 left, 2 right
1L 1R 2L = oś 1 lewa i prawa, oś 2 lewa wymiana okładzin
2L 2R = cambio de forros eje 2 izq y der
2L 3R = oś 2 L, oś 3 P okładziny wymienione
2L 3L = Replaced shoes on axles 2 and 3, left side only
1R 2R = ferodi nuovi assi 1 e 2 dx
1L = replaced 2 shoes axle 1 left
1L = relined axle 1 left, 2 hrs
1L = relined 1L 12.03.2024
1L = relined 1L (2 shoes)
1L = left axle 1, 2 shoes relined
1L 2L = axles 1 and 2, 4 shoes relined left
2L = 3-axle trailer axle 2 left relined
3L = Remplacement garnitures AR gauche
1L = Remplacement garnitures AVG
1L = Garnitures 1G changées
1R = axle 1 linings 3 mm left relined right
1L = axle 1 LH relined - road tested ok: (
""".strip().split("\n")


@pytest.mark.parametrize("told", PLACES)
def test_every_wheel_end_that_a_list_names_is_relined(told):
    ends, line = told.split(" = ")
    assert relined(line) == ends.split()


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("reline 3 axles both sides", HOW_MANY), ("relined all 3 axles", HOW_MANY),
        ("3 essieux garnitures remplacées des deux côtés", HOW_MANY),
        ("2 axles (1, 2 and 3) relined both sides", SEVERAL), ("relined 1L or 1R", SEVERAL),
        ("relined axle 1 or 2 left", SEVERAL), ("relined 1L-3L", SEVERAL),
        ("relined axles 3-1 both sides", SEVERAL), ("relined 1L, 2", SEVERAL),
        ("relined 1, 2L", SEVERAL), ("relined axle 1 left and axle 2", SEVERAL),
        ("relined axles 1-3 both sides, except axle 2", SEVERAL),
        ("axle 1, 2, 3 linings renewed left", NO_AXLE), ("axle 1,2 linings renewed left", SEVERAL),
        ("drum replaced 1L and 1R relined", SEVERAL), ("grease 1L, 2L oil", SEVERAL),
        ("axle 1 left relined axle 2 right greased", SEVERAL),
        ("axle 2 relined", "names axle 2, and no side"),
        ("shoes axle 3 replaced", "names axle 3, and no side"),
        ("relined axles 1 & 2", "names axles 1 and 2, and no side"),
        ("axle 1 - 3 mm left, relined", "names axle 1, and no side"),
        ("relined axle 1, 3.5 mm left", "names axle 1, and no side"),
        ("relined left", NO_AXLE), ("3 axle trailer relined both sides", NO_AXLE),
        ("relined all axles", NOWHERE), ("grease all round, 2L oil", NOWHERE),
    ],
)  # fmt: skip
def test_what_can_be_read_in_two_ways_is_refused_and_said(line, why):
    jobs = jobs_of(line, WORDS, GROUND)
    assert jobs
    assert {(j.axle, j.side, j.problem) for j in jobs} == {(None, None, why)}


@pytest.mark.parametrize(
    ("line", "jobs"),
    [
        ("new drum 1L, 1R adjusted", ["drum_replaced 1L", "adjuster_set 1R"]),
        ("new drum ax3 RH, Achse 2 rechts adjust brake", ["drum_replaced 3R", "adjuster_set 2R"]),
        ("axle 1 relined left, axle 3 relined right", ["reline 1L", "reline 3R"]),
        ("1L: relined, 1R: adjusted", ["reline 1L", "adjuster_set 1R"]),
        ("relined 1L, 1R; drum 2L replaced", ["reline 1L", "reline 1R", "drum_replaced 2L"]),
        ("relined (1L, 1R) and adjusted (2L)", ["reline 1L", "reline 1R", "adjuster_set 2L"]),
        ("tambor nuevo - eje 2 derecho, eje 3 izquierdo ajustado",
         ["drum_replaced 2R", "adjuster_set 3L"]),
        ("Trommel neu (Achse 1 links), Achse 3 rechts neu belegt",
         ["drum_replaced 1L", "reline 3R"]),
        ("relined 1L, 1R with new drum",
         ["drum_replaced 1L", "drum_replaced 1R", "reline 1L", "reline 1R"]),
        ("axle 1 LH drum replaced, axle 1 RH, axle 2 LH relined",
         ["drum_replaced 1L", "reline 1R", "reline 2L"]),
    ],
)  # fmt: skip
def test_lists_of_two_clauses_are_kept_apart(line, jobs):
    found = [f"{j.action} {j.axle}{j.side}" for j in jobs_of(line, WORDS, GROUND)]
    assert sorted(found) == sorted(jobs)


@pytest.mark.parametrize(
    "line",
    [
        "relined o/s axle 2, adjusted", "adjusted axle 1 left; relined axle 2 o/s",
        "Axle 1: L relined, R adjusted", "relined 3 axles; adjusted axle 1 left",
        "adjusted axle 1 left; 3L drum replaced by Bob",
    ],
)  # fmt: skip
def test_a_place_that_is_not_understood_is_not_taken_from_another_clause(line):
    placed = [j for j in jobs_of(line, WORDS, Ground()) if not j.problem]
    assert len(placed) <= 1
    assert [j for j in jobs_of(line, WORDS, Ground()) if j.problem]


@pytest.mark.parametrize(
    "line", ["relined 1L; 1R", "relined 1L. 1R. 2L.", "relined axle 2 left then right",
             "left: axles 1, 3; right: axle 2 relined"],
)  # fmt: skip
def test_a_place_that_is_of_no_job_is_said(line):
    jobs = jobs_of(line, WORDS, GROUND)
    assert [j.problem for j in jobs if j.problem] == [SEVERAL]
    assert [j for j in jobs if not j.problem]


# By language: a reline, a new drum, an axle's word, left, right, both sides.
SAID = (
    ("relined", "drum replaced", "axle", ("left", "n/s", "LH"), ("right", "o/s"), "both sides"),
    ("neu belegt", "Trommel neu", "Achse", ("links", "li."), ("rechts", "re."), "bds."),
    ("garnitures remplacées", "tambour remplacé", "essieu", ("gauche",), ("côté droit",),
     "deux côtés"),
    ("forros nuevos", "tambor nuevo", "eje", ("izquierdo", "izq."), ("derecho",), "izq. y der."),
    ("remvoering vervangen", "remtrommel vervangen", "as", ("links",), ("rechts",), "beide zijden"),
    ("okładziny wymienione", "bęben wymieniony", "oś", ("lewa",), ("prawa strona",), "L+P"),
    ("ferodi sostituiti", "tamburo sostituito", "asse", ("sx",), ("destra",), "sx e dx"),
)  # fmt: skip
ORDERS = ("{at} {work} {side}", "{at} {side} {work}", "{work} {at} {side}", "{side} {at} {work}",
          "{at}: {work} {side}", "{at} {work} ({side})", "{work} ({at} {side})",
          "{work} - {at} {side}", "{work} {at}, {side}")  # fmt: skip


def drawn_line(rng):
    """A line of one or two jobs on lists of axles, and the wheel ends of each."""
    relining, drum, axle, left, right, both = SAID[rng.integers(len(SAID))]
    clauses, truth = [], set()
    works = [("reline", relining), ("drum_replaced", drum)]
    for i in rng.permutation(2)[: rng.integers(1, 3)]:
        action, work = works[i]
        axles = sorted({int(n) for n in rng.integers(1, 5, rng.integers(1, 4))})
        which = int(rng.integers(3))
        side = str(rng.choice([left, right, (both,)][which]))
        at = f"{axle} {str(rng.choice([' + ', '/', ' & '])).join(map(str, axles))}"
        if len(axles) > 2 and axles[-1] - axles[0] == len(axles) - 1 and rng.random() < 0.5:
            at = f"{axle} {axles[0]}-{axles[-1]}"
        clauses.append(str(rng.choice(ORDERS)).format(at=at, work=work, side=side))
        truth |= {(action, n, s) for n in axles for s in ("L", "R", "LR")[which]}
    return str(rng.choice(["; ", ", "])).join(clauses), truth


def test_no_drawn_list_is_read_in_part_or_for_another():
    rng = np.random.default_rng(7)
    read = 0
    for _ in range(3_000):
        line, truth = drawn_line(rng)
        jobs = jobs_of(line, WORDS, GROUND)
        found = {(j.action, j.axle, j.side) for j in jobs if not j.problem}
        assert found <= truth, line
        assert found == truth or any(j.problem for j in jobs), line
        read += found == truth
    assert read > 2_600


def test_the_rear_axle_is_none_without_an_answer():
    assert relined("front and rear axle relined left") == ["1L", "3L"]
    jobs = jobs_of("front and rear axle relined left", WORDS, Ground(near_side="L"))
    assert all(j.problem for j in jobs)


@pytest.mark.parametrize("part", ["1L, 2R ", "axle 1, 2 and ", "2 axles ", "left, ", "1-3 axle ("])
def test_a_list_without_end_takes_no_time(part):
    started = time.perf_counter()
    for line in ((part * LONGEST)[:LONGEST], "reline " + (part * LONGEST)[: LONGEST - 7]):
        actions_of(line, WORDS)
        jobs_of(line, WORDS, GROUND)
    assert time.perf_counter() - started < 10


@pytest.mark.parametrize(
    ("line", "place"),
    [
        ("Relined axle 2 left, avg thickness 5 mm", (2, "L")), ("Linings replaced avg 6 mm", None),
        ("Garnitures AVG remplacées", (1, "L")), ("Relined avd", (1, "R")),
    ],
)  # fmt: skip
def test_an_average_is_front_left_in_french_alone(line, place):
    [job] = jobs_of(line, WORDS, Ground())
    assert (job.axle, job.side) == (place or (None, None))
