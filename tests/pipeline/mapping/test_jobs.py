"""Job lines: what they tell of, and what cannot be placed."""

import numpy as np
import pytest

from pipeline.mapping.jobs import NOWHERE, SEVERAL, Ground, jobs_of
from pipeline.mapping.words import JOB_ACTIONS, JOB_REASONS, NOT_DONE
from pipeline.settings import JobWords

WORDS = JobWords(actions=dict(JOB_ACTIONS), reasons=dict(JOB_REASONS), not_done=NOT_DONE)
LEFT_TRAFFIC = Ground(near_side="L", rear_axle=2)


def told(line, ground=LEFT_TRAFFIC):
    return [(j.action, j.reason, j.axle, j.side) for j in jobs_of(line, WORDS, ground)]


@pytest.mark.parametrize(
    ("line", "jobs"),
    [
        ("brake reline axle 2 both sides", [("reline", None, 2, "L"), ("reline", None, 2, "R")]),
        ("slack adjuster u/s renew ax 1 o/s", [("adjuster_replaced", "failed", 1, "R")]),
        ("drum worn - replace ax 2 n/s", [("drum_replaced", "worn", 2, "L")]),
        ("adjust brake 2nd axle left", [("adjuster_set", None, 2, "L")]),
        ("reline 2L", [("reline", None, 2, "L")]),
        ("front axle reline lh & rh", [("reline", None, 1, "L"), ("reline", None, 1, "R")]),
        ("Gestängesteller defekt, erneuert Achse 2 links",
         [("adjuster_replaced", "failed", 2, "L")]),
        ("wymiana okładzin oś 2 lewa", [("reline", None, 2, "L")]),
        ("axle 1 o/s: reline; axle 2 n/s slack adjuster renewed",
         [("reline", None, 1, "R"), ("adjuster_replaced", None, 2, "L")]),
        ("grease axle 1 and 2 n/s", [("greased", None, 1, "L"), ("greased", None, 2, "L")]),
        ("2 new linings axle 1 n/s", [("reline", None, 1, "L")]),
    ],
)  # fmt: skip
def test_lines_that_are_understood(line, jobs):
    assert told(line) == jobs


@pytest.mark.parametrize("line", ["fit 2 wiper blades", "headlamp bulb o/s", "MOT prep", "12345"])
def test_lines_about_something_else(line):
    assert told(line) == []


@pytest.mark.parametrize(
    "line", ["reline due axle 2 n/s", "reline not required ax 1 o/s", "quote for reline ax 1 o/s"]
)
def test_work_that_was_not_done_is_no_reline(line):
    assert {action for action, *_ in told(line)} <= {"other"}


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("relined all axles", NOWHERE), ("grease all round, 2L oil", NOWHERE),
        ("grease 2L oil", NOWHERE), ("reline both axle 1 and axle 2, o/s only", SEVERAL),
        ("axle 1 n/s reline, axle 2 o/s reline; new drums", SEVERAL),
    ],
)  # fmt: skip
def test_what_cannot_be_placed_is_said(line, why):
    job = jobs_of(line, WORDS, LEFT_TRAFFIC)[-1]
    assert (job.axle, job.side, job.problem) == (None, None, why)


def test_a_reason_is_of_the_clause_that_says_it_or_of_the_only_job():
    assert told("reline ax 1 n/s; linings worn") == [("reline", "worn", 1, "L")]
    line = "reline ax 1 n/s worn; slack adjuster renewed ax 2 n/s"
    assert told(line) == [("reline", "worn", 1, "L"), ("adjuster_replaced", None, 2, "L")]


def test_without_the_countrys_rule_near_and_off_are_nobodys():
    (job,) = jobs_of("reline ax 1 o/s", WORDS, Ground())
    assert job.side is None
    assert "near_side" in job.problem


def test_a_rows_own_axle_and_side_place_its_line():
    assert told("reline", Ground(axle=3, side="R")) == [("reline", None, 3, "R")]


ACTION_WORDS = {
    "reline": (
        "reline",
        "relined brakes",
        "new linings fitted",
        "replaced linings",
        "Belag erneuert",
    ),
    "adjuster_replaced": ("renew slack adjuster", "new slack", "slack adjuster replaced"),
    "drum_replaced": ("new drum", "drum replaced", "Trommel ersetzt"),
    "adjuster_set": ("adjusted brakes", "adjust brake"),
    "greased": ("grease cams", "greased", "abgeschmiert"),
}
AXLE_WORDS = ("axle {}", "ax {}", "ax{}", "Achse {}", "axle no {}")
SIDE_WORDS = {
    "L": ("n/s", "nearside", "left", "LH", "links"),
    "R": ("o/s", "right", "RH", "rechts"),
}
NOISE = (
    *(
        "headlamp bulb o/s",
        "2L oil",
        "fit 3 clips",
        "check tyres axle 2 left",
        "road test",
        "5 hrs",
    ),
    *("reline axle 3 due next visit", "o/s mirror cracked", "no fault found", "wash"),
)


def drawn_line(rng):
    """A line of one to three clauses, and the jobs that it may be taken for."""
    clauses, truth = [], set()
    for _ in range(rng.integers(1, 3)):
        action = str(rng.choice(list(ACTION_WORDS)))
        axle, side = int(rng.integers(1, 4)), str(rng.choice(["L", "R", "both", ""]))
        what = str(rng.choice(ACTION_WORDS[action]))
        where = str(rng.choice(AXLE_WORDS)).format(axle)
        sides = {"both": ["both sides"], "": [""]}.get(side) or SIDE_WORDS[side]
        words = [what, where, str(rng.choice(sides))]
        clauses.append(" ".join(words if rng.random() < 0.7 else words[1:] + words[:1]))
        truth |= {(action, axle, s) for s in {"both": "LR"}.get(side, side)}
    if rng.random() < 0.5:
        clauses.insert(int(rng.integers(len(clauses) + 1)), str(rng.choice(NOISE)))
    return str(rng.choice(["; ", ", ", ". "])).join(clauses), truth


def test_no_drawn_line_is_taken_for_another_wheel_end_or_action():
    rng = np.random.default_rng(11)
    understood = 0
    for _ in range(5_000):
        line, truth = drawn_line(rng)
        jobs = jobs_of(line, WORDS, LEFT_TRAFFIC)
        found = {(j.action, j.axle, j.side) for j in jobs if j.action != "other" and not j.problem}
        assert found <= truth, line
        understood += found == truth and bool(truth)
    assert understood > 2_500
