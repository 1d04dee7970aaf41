"""Settings judged at the first check after them: what the query counts, from rows by hand."""

import datetime as dt

import polars as pl

from pipeline.marts.setting_quality import FIRST_CHECKS
from pipeline.settings import Adjustment
from pipeline.warehouse import warehouse

JANUARY, APRIL, JULY, OCTOBER = (dt.date(2025, month, 6) for month in (1, 4, 7, 10))
EPISODES = [
    *((name, JANUARY, "adjuster_set") for name in "abcde"),
    ("a2", APRIL, "adjuster_set"), ("a3", JULY, "adjuster_replaced"),
]  # fmt: skip
READINGS = [
    # As left on the day, then out of band, then in it: the first check counts.
    ("a", JANUARY, 0.125, True), ("a", APRIL, 0.16, False), ("a", JULY, 0.12, False),
    ("b", APRIL, 0.30, False),  # set on a day that is not on record
    ("c", APRIL, 0.15, False),  # the band's own end
    ("d", APRIL, None, False), ("d", JULY, 0.08, None),  # not read at first
    ("e", JANUARY, 0.20, False),  # read before it was set, the same day
    # Set again after it had been out, and out again: the adjuster's doing; a new one counts.
    ("a2", JULY, 0.17, False), ("a3", OCTOBER, 0.16, False),
]  # fmt: skip


def test_the_first_check_after_each_setting_counts():
    with warehouse.in_memory() as con:
        for schema in ("stage", "judge"):
            con.execute(f"create schema if not exists {schema}")
        ends = [(name, "Ald" if name < "d" else None) for name in "abcde"]
        episodes = [
            (name, name[0], None if name == "b" else day, source) for name, day, source in EPISODES
        ]
        tables = {
            "judge.wheel_ends": (ends, ["wheel_end_id", "depot"]),
            "stage.setting_episodes": (
                episodes,
                ["episode_id", "wheel_end_id", "set_on", "set_source"],
            ),
            "stage.stroke_readings": (
                READINGS,
                ["episode_id", "inspected_on", "stroke_ratio", "as_left"],
            ),
        }
        for table, (rows, columns) in tables.items():
            warehouse.put(con, table, pl.DataFrame(rows, schema=columns, orient="row"))
        band = Adjustment(band_low=0.10, band_high=0.15)
        found = warehouse.fetch(con, FIRST_CHECKS.format(adjustment=band))
    month = dt.date(2025, 1, 1)
    july = dt.date(2025, 7, 1)
    assert found.rows() == [("", month, 1, 1), ("Ald", month, 2, 1), ("Ald", july, 1, 1)]
