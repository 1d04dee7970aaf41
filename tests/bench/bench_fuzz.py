"""100,000 mutated files and more, through every reader; see ``tests/fuzzing.py``.

Each batch runs in a process of its own under a limit of memory; one that crashes, hangs or loses a
row ends it, and is told with its seed.
"""

import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

from tests.fuzzing import FILES_EACH, EventCounts, tally_of

BATCH = 5_000


def main() -> None:
    print(f"{'kind':12} {'files':>8} {'kept':>6} {'slowest s':>10}  outcomes")
    failures = []
    for kind, files in FILES_EACH.items():
        total, outcomes = EventCounts(), Counter[str]()
        for seed in range(files // BATCH):
            event_counts, failure = _batch(kind, seed)
            outcomes.update(event_counts.outcomes)
            total.files += event_counts.files
            total.kept += event_counts.kept
            total.slowest_s = max(total.slowest_s, event_counts.slowest_s)
            failures += [failure] if failure else []
        told = ", ".join(f"{name} {count:,}" for name, count in outcomes.most_common())
        print(
            f"{kind:12} {total.files:8,} {total.kept:6} {total.slowest_s:10.2f}  {told}", flush=True
        )
    print(f"crashed, hung or lost a row: {len(failures)}", *failures, sep="\n  ")


def _batch(kind: str, seed: int) -> tuple[EventCounts, str]:
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
            return EventCounts(), f"{at}: exit {done.returncode} {' '.join(last)[:200]}"
        return tally_of(done.stdout), ""


if __name__ == "__main__":
    main()
