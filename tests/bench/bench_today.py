"""What is said of the as-of day against drawn truth, in fleets of six habits."""

import tempfile
from pathlib import Path

from sample_lake import FleetParameters
from tests.on_the_day import HABITS, on_the_day, status_and_truth

WHEEL_ENDS, SEEDS = 3_000, (7, 8)


def main() -> None:
    said = true = 0.0
    for name, policy in HABITS.items():
        for seed in SEEDS:
            with tempfile.TemporaryDirectory() as folder:
                found = on_the_day(
                    status_and_truth(
                        Path(folder), policy(FleetParameters()), wheel_ends=WHEEL_ENDS, seed=seed
                    )
                )
            said, true = said + found.out.said, true + found.out.true
            print(f"{name}, seed {seed}: {found.lines()}", flush=True)
    print(f"all: {said:.0f} out of band said, {true:.0f} true, {said / true - 1:+.1%}")


if __name__ == "__main__":
    main()
