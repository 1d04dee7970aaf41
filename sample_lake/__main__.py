"""Draw a fleet and write it: `python -m sample_lake OUT --wheel-ends N --years Y --seed S`."""

import argparse
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from sample_lake.files.lake import LakeOptions, write_lake
from sample_lake.fleet.simulator import simulate_chunks
from sample_lake.parameters import FleetParameters

TRUE_READINGS_UP_TO = 50_000


def main(arguments: Sequence[str] | None = None) -> int:
    """Write OUT/lake and OUT/truth; returns 0, or 2 when OUT already holds a lake."""
    parser = _parser()
    asked = parser.parse_args(arguments)
    if any((asked.out / name).exists() for name in ("lake", "truth")):
        parser.error(f"{asked.out} already holds a lake or its truth: remove them first")
    fleets = simulate_chunks(
        replace(FleetParameters(), greasings_recorded=asked.greasings_recorded),
        wheel_ends=asked.wheel_ends,
        years=asked.years,
        seed=asked.seed,
    )
    options = LakeOptions(asked.clean, asked.format, asked.wheel_ends <= TRUE_READINGS_UP_TO)
    errors = write_lake(fleets, asked.out, options)
    print(f"{asked.out / 'lake'} written, {errors.height} rows with injected errors or in doubt")
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m sample_lake", description=__doc__)
    parser.add_argument("out", type=Path, metavar="OUT", help="folder for lake/ and truth/")
    parser.add_argument("--wheel-ends", type=int, default=750, metavar="N")
    parser.add_argument("--years", type=float, default=5.0, metavar="Y")
    parser.add_argument("--seed", type=int, default=1, metavar="S")
    parser.add_argument("--clean", action="store_true", help="no errors, one plain layout")
    parser.add_argument("--format", choices=("csv", "parquet"), default="csv")
    parser.add_argument(
        "--greasings-recorded",
        type=float,
        default=1.0,
        metavar="SHARE",
        help="share of greasings in the job book; 0 keeps very large lakes small",
    )
    return parser


if __name__ == "__main__":
    raise SystemExit(main())
