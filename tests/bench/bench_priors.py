"""Constants of wear and lives halved and doubled: what moves, in standard errors of it.

Run ``python -m tests.bench.bench_priors``; it prints a table and asserts nothing. The constants are
those marked in ``models/PRIORS.md``; those that matter should be estimated instead.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import ModuleType

import numpy as np
import pandas as pd

from models.lives.findings import averaging
from models.lives.fits.parametric import choose_life
from models.mixed import jackknife
from models.wear import fit as wear_fit
from models.wear import shrinkage, spread
from models.wear.fit import fit_wear
from tests.bench.bench_life_units import draw_lives
from tests.bench.bench_wear_fleet import FleetTruth, draw_fleet, sums_of

WEAR: tuple[tuple[ModuleType, str], ...] = (
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
LIVES: tuple[tuple[ModuleType, str], ...] = ((averaging, "OPEN"),)
FLEETS = {
    "12 units": (12, FleetTruth()),
    "30 units": (30, FleetTruth(unit_power=1.0, life_power=1.0)),
    "100 units": (100, FleetTruth()),
}


@contextmanager
def scaled(module: ModuleType, name: str, factor: float) -> Iterator[None]:
    """The constant multiplied for a while."""
    before = getattr(module, name)
    setattr(module, name, before * factor)
    try:
        yield
    finally:
        setattr(module, name, before)


def moves(
    constants: tuple[tuple[ModuleType, str], ...],
    told: Callable[[], tuple[np.ndarray, np.ndarray]],
    fleet: str,
) -> list[dict[str, object]]:
    """Largest move of a figure in its standard errors, and largest change of a standard error."""
    value, se = told()
    rows = []
    for module, name in constants:
        for factor in (0.5, 2.0):
            with scaled(module, name, factor):
                other, other_se = told()
            rows.append(
                {
                    "fleet": fleet,
                    "constant": f"{module.__name__.rsplit('.', 1)[-1]}.{name}",
                    "times": factor,
                    "moves by SE": float(np.abs((other - value) / se).max()),
                    "SE times": float(np.exp(np.abs(np.log(other_se / se)).max())),
                }
            )
    return rows


def wear_rows(name: str, units: int, truth: FleetTruth) -> list[dict[str, object]]:
    sums = sums_of(draw_fleet(1, units, truth))

    def told() -> tuple[np.ndarray, np.ndarray]:
        rates = fit_wear(sums).rates
        return np.array([r.mm_per_10000km for r in rates]), np.array([r.se for r in rates])

    return moves(WEAR, told, name)


def life_rows() -> list[dict[str, object]]:
    drawn = draw_lives(np.random.default_rng(1), 60, 0.3)
    choice = choose_life(drawn.counts, lives=drawn.lives)

    def told() -> tuple[np.ndarray, np.ndarray]:
        b10 = averaging.averaged_quantile(choice, 0.10)
        width = np.log(b10.high / b10.low) / 4.0
        return np.log([b10.estimate]), np.array([width])

    return moves(LIVES, told, "60 units of adjusters")


def main() -> None:
    """Print what moves."""
    rows = [row for name, fleet in FLEETS.items() for row in wear_rows(name, *fleet)]
    with pd.option_context("display.width", 200, "display.max_rows", 200):
        print(pd.DataFrame(rows + life_rows()).to_string(index=False, float_format="{:.3f}".format))


if __name__ == "__main__":
    main()
