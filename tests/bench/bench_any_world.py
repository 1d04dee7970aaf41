"""Published forecasts against the truth where a fleet's habits are drawn, many at once.

``python -m tests.bench.bench_any_world [--fleets 20] [--seed 0] [--units 2000] [--futures 3]
[WORDS …]`` draws as many fleets,
each of other habits: how often and how it checks, when it relines, who leaves, joins and pauses,
how fast linings wear, what nobody reads or writes down, and in one of three what changed or was
missing once. Nobody chose them, so that they find what nobody thought of. Each is held against
twelve other futures of its own; asserts nothing. A habit is set aside with ``WORDS``: the names of
``World``'s fields that keep their usual values, which tells what a forecast that is wrong is wrong
for. Fleets of so many units (else of 25 to 90) tell biases from luck, and go the ways that only
large ones go: parts of them are simulated, and looked back on.
"""

import argparse
import time
from dataclasses import fields, replace

import numpy as np

from tests.bench.bench_worlds import AS_OF, best, judged
from tests.worlds.fleet import lived
from tests.worlds.roads import HALF_YEAR_DAYS, ONE_DUTY
from tests.worlds.world import World

FUTURES = 12
# Lived beyond the records, so that slow linings come to their minimum too.
USUAL = World(years_beyond=12.0)
MOST_WEAR_MM = 5.5
"""Of a unit between two checks: linings that are worn through tell no rate."""
MM_A_DAY = ONE_DUTY[0] * ONE_DUTY[1] / 1e4


def drawn_world(seed: int) -> World:
    """The habits of one fleet."""
    rng = np.random.default_rng([seed, 77])

    def perhaps(chance: float, low: float, high: float, usual: float = 0.0) -> float:
        value = float(rng.uniform(low, high))
        return value if rng.random() < chance else usual

    lowest, apart = rng.uniform(-0.5, 4.0), rng.choice([0.2, 1.5, 3.0])
    gaps = rng.choice(["exact", "irregular", "clustered", "half-yearly", "odometer"])
    rules = ["worst of axle", "own reading", "whole unit", "calendar", "reading or age"]
    rules += ["sloppy", "looks ahead", "yearly service"]
    rare = 0.16 if rng.random() < 0.35 else 0.0
    return replace(
        USUAL,
        units=int(rng.choice([25, 40, 60, 90])),
        years=float(rng.choice([3.0, 4.0, 5.0, 7.0])),
        check_days=int(rng.choice([56, 84, 84, 120, 182])),
        use=float(rng.choice([0.4, 0.7, 1.0, 1.4])),
        severity=float(rng.choice([0.5, 0.8, 1.0, 1.3, 2.0])),
        gaps=gaps,
        rule=rng.choice(rules, p=[0.3, 0.15, 0.1, 0.05, 0.1, 0.15, 0.1, 0.05]),
        margin=tuple(lowest + rng.uniform(0.0, apart, 3)),
        steps=rng.choice(["tenths", "halves", "heaped"]),
        reading_sd=perhaps(1.0, 0.1, 1.0),
        unread=float(rng.choice([0.0, 0.03, 0.1, 0.3, 0.5])),
        skipped=perhaps(0.35, 0.05, 0.35),
        leaving=perhaps(0.35, 0.03, 0.25),
        joining=perhaps(0.35, 0.03, 0.3),
        pauses=perhaps(0.3, 0.1, 0.5),
        season=perhaps(0.3, 0.1, 0.5),
        two_duties=bool(rng.random() < 0.4),
        policy_change=perhaps(0.25, -2.0, 2.5),
        unwritten=perhaps(0.3, 0.05, 0.5),
        late=perhaps(0.3, 0.1, 0.7),
        frailty=perhaps(0.3, 0.2, 1.0),
        tested=perhaps(1.0, 0.5, 1.0),
        found_by_test=perhaps(1.0, 0.6, 1.0),
        odometers=perhaps(0.15, 0.03, 0.2),
        wear_unit_sd=perhaps(1.0, 0.03, 0.35),
        wear_life_sd=perhaps(1.0, 0.03, 0.25),
        later_linings=perhaps(rare, 0.7, 1.5, 1.0),
        later_use=perhaps(rare, 0.6, 1.3, 1.0),
        later_wear=perhaps(rare, 0.75, 1.4, 1.0),
        wear_season=perhaps(rare, 0.1, 0.35),
        campaign=perhaps(rare, 1.5, 4.0),
        closing=bool(rng.random() < rare),
        thinner_only=bool(rng.random() < rare),
        hole_days=int(perhaps(rare, 120.0, 320.0)),
        quickening=perhaps(0.15, -0.4, 0.45),
    )


def is_real(world: World) -> bool:
    """Whether no lining wears through between two checks."""
    days = HALF_YEAR_DAYS if world.gaps == "half-yearly" else world.check_days
    longest = days * (2.3 if world.skipped else 1.3) + world.hole_days
    return MM_A_DAY * world.use * world.severity * longest < MOST_WEAR_MM


def main() -> None:
    given = _arguments()
    print("seed   s  total   raw  of |  failures | quarters  minimum  reline | habits")
    print("(over other futures)        (shares in their bands, the last two of those that stay)")
    logs: list[float] = []
    shares = []
    seed = given.seed - 1
    while len(logs) < given.fleets:
        seed += 1
        world = replace(drawn_world(seed), **{w: getattr(USUAL, w) for w in given.words})
        world = replace(world, units=given.units or world.units)
        if not is_real(world):
            continue
        began, fleet = time.perf_counter(), lived(world, seed)
        try:
            stayed = lived(world, seed, staying=AS_OF)
            found = judged(fleet, stayed) | best(fleet, stayed, seed, given.futures)
        except Exception as problem:  # a crash is a result here
            print(f"{seed:4d} {type(problem).__name__}: {problem}"[:160], flush=True)
            continue
        expected = max(found["expected"], 0.5)
        logs.append(np.log(max(found["mean"], 0.5) / expected))
        names = ("quarters inside", "stays min inside", "stays reline inside")
        shares.append([found[name] for name in names])
        print(
            f"{seed:4d} {time.perf_counter() - began:3.0f} {found['mean'] / expected:6.2f}"
            f" {found['raw'] / expected:5.2f} {expected:4.0f}"
            f" | {found['failures'] / max(found['expected found'], 1.0):4.2f}"
            f" {found['expected found']:4.0f}"
            f" | {shares[-1][0]:8.2f} {shares[-1][1]:8.2f} {shares[-1][2]:7.2f} | {_told(world)}",
            flush=True,
        )
    low, middle, high = np.exp(np.quantile(logs, [0.1, 0.5, 0.9]))
    print(f"totals: median {middle:.3f}, eight in ten between {low:.2f} and {high:.2f}")
    print("in their bands: quarters {:.3f}, minimum {:.3f}, reline {:.3f}".format(
        *np.mean(shares, axis=0)
    ))  # fmt: skip


def _told(world: World) -> str:
    """The habits that are not the usual ones."""
    own = {f.name: getattr(world, f.name) for f in fields(world)}
    usual = {f.name: getattr(USUAL, f.name) for f in fields(world)}
    return ", ".join(
        f"{name} {value:.2g}" if isinstance(value, float) else f"{name} {value}"
        for name, value in own.items()
        if value != usual[name] and not isinstance(value, tuple)
    )


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Forecasts of fleets whose habits are drawn.")
    parser.add_argument("words", nargs="*", help="habits that stay as usual")
    parser.add_argument("--fleets", type=int, default=20)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--units", type=int, help="of every fleet")
    parser.add_argument("--futures", type=int, default=FUTURES)
    return parser.parse_args()


if __name__ == "__main__":
    main()
