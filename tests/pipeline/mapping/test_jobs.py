"""Job lines: what they tell of, and what cannot be placed."""

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
        ("Gestängesteller defekt, erneuert Achse 2 links", [("adjuster_replaced", "failed", 2, "L")]),
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


def test_without_the_countrys_rule_near_and_off_are_nobodys():
    (job,) = jobs_of("reline ax 1 o/s", WORDS, Ground())
    assert job.side is None
    assert "near_side" in job.problem


def test_a_rows_own_axle_and_side_place_its_line():
    assert told("reline", Ground(axle=3, side="R")) == [("reline", None, 3, "R")]
