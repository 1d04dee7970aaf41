"""100,000 mutated files and more, through every reader; see ``tests/fuzzing.py``.

Each batch runs in a process of its own under a limit of memory; one that crashes, hangs or loses a
row ends it, and is told with its seed.
"""

import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

from tests.fuzzing import FILES_EACH, Tally, tally_of

BATCH = 5_000


def main() -> None:
    print(f"{'kind':12} {'files':>8} {'kept':>6} {'slowest s':>10}  outcomes")
    failures = []
    for kind, files in FILES_EACH.items():
        total, outcomes = Tally(), Counter[str]()
        for seed in range(files // BATCH):
            tally, failure = _batch(kind, seed)
            outcomes.update(tally.outcomes)
            total.files += tally.files
            total.kept += tally.kept
            total.slowest_s = max(total.slowest_s, tally.slowest_s)
            failures += [failure] if failure else []
        told = ", ".join(f"{name} {count:,}" for name, count in outcomes.most_common())
        print(
            f"{kind:12} {total.files:8,} {total.kept:6} {total.slowest_s:10.2f}  {told}", flush=True
        )
    print(f"crashed, hung or lost a row: {len(failures)}", *failures, sep="\n  ")


def _batch(kind: str, seed: int) -> tuple[Tally, str]:
    with tempfile.NamedTemporaryFile() as place:
        done = subprocess.run(
            [sys.executable, "-m", "tests.fuzzing", kind, str(seed), str(BATCH), place.name],
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode:
            at = Path(place.name).read_text().strip()
            last = done.stderr.strip().splitlines()[-1:]
            return Tally(), f"{at}: exit {done.returncode} {' '.join(last)[:200]}"
        return tally_of(done.stdout), ""


if __name__ == "__main__":
    main()
