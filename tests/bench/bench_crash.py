"""Runs killed at more than 200 points, over every stage: what was published stays readable, and a
run made again leaves byte for byte what an undisturbed one does.

Most kills are at a statement or a change of a file, spread over the run (half of them evenly, half
denser at its beginning, where the stages are short) and at each of its last ones; the others at
random times. Some ten kills share an OUT before a run may end.
"""

import random
import tempfile
from collections import Counter
from pathlib import Path

from tests.crashes import Ended, Scene, killer, scene

SPREAD, LAST, TIMED = 70, 40, 60
CHAIN = 10


def main() -> None:
    with tempfile.TemporaryDirectory() as base, killer(Path(base)) as runs:
        fleet = scene(Path(base), runs)
        ended = killed(fleet, Path(base))
    print(f"{fleet.points} points in a run of {fleet.seconds:.1f} s")
    print(f"{'stage':34} {'at points':>10} {'at times':>10}")
    table = Counter((each.stage, how) for how, each in ended if each.code == -9)
    for stage in dict.fromkeys(each.stage for _, each in sorted(ended, key=_passed)):
        print(f"{stage:34} {table[stage, 'point']:10} {table[stage, 'after_s']:10}")
    kills = sum(table.values())
    again = -(-len(ended) // CHAIN)
    print(f"{kills} kills; after each, every published month whole, read throughout")
    print(f"{again} runs made again: marts and pages equal to the undisturbed run in all")


def _passed(one: tuple[str, Ended]) -> int:
    return one[1].points


def killed(fleet: Scene, base: Path) -> list[tuple[str, Ended]]:
    """(point or after_s, how the run ended) of every kill; raises where anything differs."""
    draws = random.Random(2026)
    steps = range(SPREAD)
    even = [1 + i * (fleet.points - LAST) // SPREAD for i in steps]
    early = [2 + i * i * (fleet.points - LAST) // SPREAD**2 for i in steps]
    points = even + early + list(range(fleet.points - LAST, fleet.points))
    times = [draws.uniform(0.02, fleet.seconds / 2) for _ in range(TIMED)]
    kills = [("point", float(p)) for p in points] + [("after_s", t) for t in times]
    draws.shuffle(kills)
    ended = []
    for start in range(0, len(kills), CHAIN):
        chain = kills[start : start + CHAIN]
        found = fleet.chain(base / f"out{start}", [{how: at} for how, at in chain])
        ended += [(how, each) for (how, _), each in zip(chain, found, strict=True)]
    return ended


if __name__ == "__main__":
    main()
