"""Constants of the models halved and doubled: what moves, in standard errors of it.

Run ``python -m tests.bench.bench_priors [WORDS …]`` (all unless a fleet's name below holds a word);
it prints a table as it goes and asserts nothing. The constants are those marked in
``models/PRIORS.md``; those that matter should be estimated instead.

Wear and lives are fitted to drawn sums. Use, relines and adjustment are those of one lived fleet of
40 units whose units leave and skip checks, loaded and staged once: a year's relines in the standard
deviation of their own forecast, and wheel ends out of band now in that of their number.
"""

import argparse
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd

from models.adjustment import indicators, present, today
from models.adjustment.strokes import fit as strokes_fit
from models.adjustment.strokes import histories, parameters, readings
from models.lives.findings import averaging
from models.lives.fits.parametric import choose_life
from models.mixed import jackknife
from models.relines.forecast import from_wear, relining
from models.relines.policy import fit as policy_fit
from models.relines.policy import likelihood
from models.relines.simulation import decide
from models.relines.simulation.simulate import simulate_relines
from models.usage import groups, interval_distribution, intervals, leaving, level
from models.usage.year import season
from models.wear import fit as wear_fit
from models.wear import shrinkage, spread
from models.wear.fit import fit_wear
from pipeline.marts.adjustment import judge_drift
from pipeline.marts.budget_terms import months_of
from pipeline.marts.lives.fits import write_life_marts
from pipeline.run import Run
from pipeline.stages.fitting import fit_wear_and_use
from pipeline.stages.forecasting import known_fleet, linings_now
from tests.bench.bench_calibration import WORLDS, staged
from tests.fleets.linings import FleetTruth, draw_fleet, sums_of
from tests.fleets.lives_of_units import draw_lives
from tests.worlds.fleet import ENDS_ON, lived

Constants = tuple[tuple[ModuleType, str], ...]
Told = Callable[[], tuple[np.ndarray, np.ndarray]]

WEAR: Constants = (
    (shrinkage, "SPREADS"),
    (shrinkage, "COARSE"),
    (shrinkage, "AXLE_SPREAD"),
    (shrinkage, "CLEAR"),
    (shrinkage, "OWN_UNITS"),
    (wear_fit, "LEAST_LEFT_OUT"),
    (jackknife, "FEW"),
    (spread, "LEAST_UNITS"),
    (spread, "LEAST_CONTRAST"),
    (spread, "SLOWEST"),
    (spread, "POWER_STEP"),
)
LIVES: Constants = ((averaging, "OPEN"),)
RELINES: Constants = (
    (level, "ODD"),
    (level, "ODD_SHARE"),
    (level, "SLOW_INTERVALS"),
    (groups, "STANDING_SHARE"),
    (groups, "FULL_DAYS"),
    (intervals, "SHORTEST_DAYS"),
    (season, "LEVEL"),
    (leaving, "LEAVING_SHAPE"),
    (leaving, "LEAVING_DAYS"),
    (interval_distribution, "ABSENCE_SHAPE"),
    (interval_distribution, "RETURNING_DAYS"),
    (interval_distribution, "TAIL_CARDS"),
    (interval_distribution, "KEPT"),
    (interval_distribution, "OWN_CARDS"),
    (policy_fit, "PRIOR_SD"),
    (policy_fit, "CHANGE_SCORE"),
    (policy_fit, "CHANGE_SD"),
    (likelihood, "ALONG_SPREAD_MM"),
    (from_wear, "LEAST_MIDDLES"),
    (relining, "WHOLE_UNIT"),
    (decide, "NOW_SHARE"),
)
ADJUSTMENT: Constants = (
    (strokes_fit, "PRIOR_SETTINGS"),
    (strokes_fit, "PRIOR_YEARS"),
    (strokes_fit, "PRIOR_READINGS"),
    (strokes_fit, "PRIOR_TROUBLES"),
    (strokes_fit, "PRIOR_KEEPERS"),
    (strokes_fit, "LEAST_OF_PRIOR"),
    (strokes_fit, "GROUP_MEAN_SD"),
    (parameters, "PRIOR_WRONG_SHARE"),
    (parameters, "PRIOR_FROM_SET"),
    (parameters, "PRIOR_PER_YEAR"),
    (parameters, "PRIOR_EXCESS"),
    (parameters, "KEEPS_PACE"),
    (parameters, "INTERVAL_WEAR_CV"),
    (histories, "LEAST_WEAR_CV"),
    (readings, "JUMP"),
    (readings, "READER_WORTH"),
    (indicators, "WORTH"),
    (present, "TROUBLE_OUTLASTS_SETTING"),
    (today, "LEAST_RATIO"),
)
FLEETS = {
    "wear, 12 units": (12, FleetTruth()),
    "wear, 30 units": (30, FleetTruth(unit_power=1.0, life_power=1.0)),
    "wear, 100 units": (100, FleetTruth()),
}
WORLD = replace(WORLDS["checks skipped, units leave"], units=40)
SEED, FUTURES = 5_900, 200


@contextmanager
def scaled(module: ModuleType, name: str, factor: float) -> Iterator[None]:
    """The constant multiplied for a while, wherever models have it by its name."""
    before: Any = getattr(module, name)
    other_value = int(before * factor) if type(before) is int else before * factor
    with ExitStack() as stack:
        for other in [m for n, m in sys.modules.items() if n.startswith("models.")]:
            if getattr(other, name, None) is before:
                setattr(other, name, other_value)
                stack.callback(setattr, other, name, before)
        yield


def moves(constants: Constants, told: Told, fleet: str) -> Iterator[dict[str, object]]:
    """Largest move of a figure in its standard errors, and largest change of a standard error."""
    value, se = told()
    for module, name in constants:
        for factor in (0.5, 2.0):
            with scaled(module, name, factor):
                other, other_se = told()
            yield {
                "fleet": fleet,
                "constant": f"{module.__name__.removeprefix('models.')}.{name}",
                "times": factor,
                "moves by SE": float(np.abs((other - value) / se).max()),
                "SE times": float(np.exp(np.abs(np.log(other_se / se)).max())),
            }


def wear_told(units: int, truth: FleetTruth) -> Told:
    sums = sums_of(draw_fleet(1, units, truth))

    def told() -> tuple[np.ndarray, np.ndarray]:
        rates = fit_wear(sums).rates
        return np.array([r.mm_per_10000km for r in rates]), np.array([r.se for r in rates])

    return told


def b10_told() -> Told:
    drawn = draw_lives(np.random.default_rng(1), 60, 0.3)
    choice = choose_life(drawn.counts, lives=drawn.lives)

    def told() -> tuple[np.ndarray, np.ndarray]:
        b10 = averaging.averaged_quantile(choice, 0.10)
        width = np.log(b10.high / b10.low) / 4.0
        return np.log([b10.estimate]), np.array([width])

    return told


def relines_told(run: Run) -> Told:
    """Relines of the next twelve months, before anything is learned from past errors."""

    def told() -> tuple[np.ndarray, np.ndarray]:
        fleet = known_fleet(run.con, fit_wear_and_use(run.con, run.settings, ENDS_ON))
        assert fleet is not None
        calendar = months_of(run.settings, ENDS_ON).calendar
        (counts,) = simulate_relines(fleet, calendar, draws=FUTURES, seed=1)
        total = counts.span_relines[:, :12].sum(axis=1)
        return np.array([total.mean()]), np.array([total.std()])

    return told


def out_now_told(run: Run) -> Told:
    """Wheel ends out of band on the day; their number varies as independent chances have it."""
    fits = fit_wear_and_use(run.con, run.settings, ENDS_ON)
    lives = write_life_marts(run.con, run.settings).distributions
    linings = linings_now(run.con, known_fleet(run.con, fits))

    def told() -> tuple[np.ndarray, np.ndarray]:
        given = fits, lives, linings, ENDS_ON
        judged = judge_drift(run.con, run.settings, *given, simulated=1).judged
        p = judged["p_out_now"].drop_nulls().to_numpy()
        return np.array([p.sum()]), np.array([np.sqrt(np.sum(p * (1.0 - p)))])

    return told


def all_moves(words: list[str]) -> Iterator[dict[str, object]]:
    """Rows of those fleets whose name holds a word, or of all."""

    def wanted(name: str) -> bool:
        return not words or any(word in name for word in words)

    for name, fleet in FLEETS.items():
        if wanted(name):
            yield from moves(WEAR, wear_told(*fleet), name)
    if wanted("lives, 60 units"):
        yield from moves(LIVES, b10_told(), "lives, 60 units")
    if wanted("relines") or wanted("out of band"):
        with staged(lived(WORLD, SEED)) as run:
            if wanted("relines"):
                yield from moves(RELINES, relines_told(run), "relines, 40 units")
            if wanted("out of band"):
                yield from moves(ADJUSTMENT, out_now_told(run), "out of band, 40 units")


def main() -> None:
    """Print what moves."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.bench_priors")
    parser.add_argument("words", nargs="*")
    for number, row in enumerate(all_moves(parser.parse_args().words)):
        frame = pd.DataFrame([row])
        told = frame.to_string(
            index=False,
            header=number == 0,
            float_format="{:.3f}".format,
            formatters=dict.fromkeys(("fleet", "constant"), "{:>45}".format),
        )
        print(told, flush=True)


if __name__ == "__main__":
    main()
