"""How well drift is judged on simulated fleets of known truth, and how well it could be.

Run as ``python -m tests.bench.bench_drift``; see ``tests/fleets/drift_judged.py`` for the measures
and the bound.
"""

import time
from dataclasses import replace

import numpy as np
import polars as pl

from models.adjustment.judge import judge_wheel_ends, learn_fleet
from models.adjustment.strokes.readings import prepare_readings
from tests.fleets.drift_judged import (
    BOUNDED,
    FALSE_PER_YEAR,
    at_equal_false_flags,
    compared,
    deficit_bound,
    names_right,
    reliability,
    shares,
    truth_of,
    watch,
)
from tests.fleets.strokes import (
    SLACK,
    STUCK,
    TIGHT,
    DriftWorld,
    day_of,
    draw_strokes,
    outlook_frame,
    readings_frame,
)

WORLDS = {
    "settings scatter by 0.006 (0.9 mm on 150 mm)": DriftWorld(),
    "the same, each setting read as it was left": DriftWorld(as_left=True),
    "settings scatter by 0.003": DriftWorld(setting_sd=0.003),
    "wrong settings none nearer than 3 points": DriftWorld(wrong_by=(0.055, 0.008)),
    "return tests at four checks of five": DriftWorld(tested_share=0.8),
    "strokes rounded to 5 mm": DriftWorld(stroke_step_mm=5.0),
}
# What it would take: the bound alone, on worlds in which more is known.
BETTER = {
    "as it is": DriftWorld(),
    "settings scatter by 0.003": DriftWorld(setting_sd=0.003),
    "settings scatter by 0.002": DriftWorld(setting_sd=0.002),
    "stroke read to 0.5 mm": DriftWorld(stroke_error_mm=0.5, stroke_step_mm=0.5),
    "both": DriftWorld(setting_sd=0.003, stroke_error_mm=0.5, stroke_step_mm=0.5),
    "half the wear between checks": DriftWorld(wear_mm=(0.25, 0.75), checks=20),
    "all three": DriftWorld(
        setting_sd=0.003,
        stroke_error_mm=0.5,
        stroke_step_mm=0.5,
        wear_mm=(0.25, 0.75),
        checks=20,
    ),
}
SEEDS = 401, 402
WHEEL_ENDS = 8000


def main() -> None:
    """Print the tables."""
    with pl.Config(
        tbl_rows=40,
        fmt_str_lengths=60,
        float_precision=3,
        tbl_hide_column_data_types=True,
        tbl_hide_dataframe_shape=True,
    ):
        for name, world in WORLDS.items():
            _print_world(name, world)
        print("\nThe most that strokes can tell of small deficits, at 1 false flag per 100 years")
        print(pl.DataFrame([_bounds(name, world) for name, world in BETTER.items()]))
        print("\nTime per wheel end of 10 checks")
        print(pl.DataFrame([_timed(n) for n in (10_000, 100_000)]))


def _print_world(name: str, world: DriftWorld) -> None:
    taught, judged = (draw_strokes(WHEEL_ENDS, seed, world) for seed in SEEDS)
    w = watch(taught, judged)
    print(f"\n{name}: {truth_of(judged).years:,.0f} healthy wheel-end-years")
    print(compared(judged, w))
    for measure, value in names_right(judged, w).items():
        print(f"{measure:45s} {value:.3f}")
    happened = truth_of(judged).out
    print("out of band now, predicted against observed")
    print(reliability(w.p_out_now, happened))
    print("out of band at the next check (no sudden failures given or counted)")
    steady = judged.began[:, None] < np.arange(1, world.checks)
    steady |= ~np.isin(judged.kind, (SLACK, TIGHT, STUCK))[:, None]
    print(reliability(w.p_out_next[:, :-1][steady], happened[:, 1:][steady]))


def _bounds(name: str, world: DriftWorld) -> dict[str, object]:
    drawn = draw_strokes(20_000, SEEDS[0], replace(world, shares=(0.6, 0.2, 0.2, 0.0, 0.0)))
    found = shares(drawn, at_equal_false_flags(drawn, deficit_bound(drawn), FALSE_PER_YEAR))
    return {"world": name} | {measure: found[measure] for measure in BOUNDED}


def _timed(wheel_ends: int) -> dict[str, object]:
    drawn = draw_strokes(wheel_ends, SEEDS[0])
    frame, outlook = readings_frame(drawn, 9), outlook_frame(drawn, 9)
    marks = [time.perf_counter()]
    prepared = prepare_readings(frame)
    marks.append(time.perf_counter())
    fleet = learn_fleet(prepared)
    marks.append(time.perf_counter())
    judge_wheel_ends(prepared, outlook, fleet, day_of(9))
    marks.append(time.perf_counter())
    steps = ("prepare s", "learn s", "judge s")
    return {"wheel ends": wheel_ends, **dict(zip(steps, np.diff(marks).tolist(), strict=True))}


if __name__ == "__main__":
    main()
