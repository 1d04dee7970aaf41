"""How parts were dealt out: by chance, by depot, and by time."""

import numpy as np
import polars as pl
import pytest

from models.parts.assignment import assignment


def fittings(seed, how, units=40):
    """Six visits a unit over three years, both ends of an axle at each, two depots."""
    rng = np.random.default_rng(seed)
    rows = []
    for unit in range(units):
        depot = "north" if unit % 2 else "south"
        for day in np.sort(rng.integers(0, 1_095, 6)):
            share = {
                "chance": 0.5,
                "depot": 0.85 if depot == "north" else 0.15,
                "time": float(day > 550),
            }[how]
            part = "B" if rng.random() < share else "A"
            rows += [(f"U{unit}", depot, "drive in haul", float(day), part)] * 2
    return pl.DataFrame(rows, schema=["unit_id", "depot", "group", "day", "part"], orient="row")


@pytest.mark.parametrize(
    ("how", "by_depot", "by_time"),
    [("chance", False, False), ("depot", True, False), ("time", False, True)],
)
def test_what_decided_who_got_which_part_is_found(how, by_depot, by_time):
    found = assignment(fittings(1, how), "A", "B", seed=1)
    assert (found.by_depot, found.by_time) == (by_depot, by_time)
    assert found.at_random == (how == "chance")


@pytest.mark.proof
def test_chance_is_doubted_no_more_often_than_stated():
    """.7 % each of two questions: 60 fleets; five doubts or more happen twice in 1,000 tries."""
    doubts = sum(
        not assignment(fittings(seed, "chance", units=16), "A", "B", seed=1).at_random
        for seed in range(60)
    )
    assert doubts <= 4


def test_numbers_by_hand():
    rows = [
        ("U1", "north", "g", 0.0, "A"),
        ("U1", "north", "g", 10.0, "B"),
        ("U2", "south", "g", 20.0, "A"),
        ("U3", None, "g", 40.0, "B"),
        ("U4", "south", "other", 99.0, "B"),
    ]
    frame = pl.DataFrame(rows, schema=["unit_id", "depot", "group", "day", "part"], orient="row")
    found = assignment(frame, "A", "B", seed=1)
    assert found.units_both == pytest.approx(1 / 3)
    assert (found.depots_both, found.depots) == (1, 3)
    assert found.days_apart == pytest.approx(25.0 - 10.0)
    assert assignment(frame.filter(pl.col("part") == "A"), "A", "B", seed=1) is None
