"""Run every benchmark, or those named: ``python -m tests.bench [wear life …]``."""

import importlib
import sys
from pathlib import Path


def main() -> None:
    known = {
        p.stem.removeprefix("bench_"): p.stem for p in Path(__file__).parent.glob("bench_*.py")
    }
    wanted = sys.argv[1:] or sorted(known)
    sys.argv = sys.argv[:1]  # benchmarks read arguments of their own
    for name in wanted:
        module = importlib.import_module(f"tests.bench.{known[name]}")
        if hasattr(module, "main"):
            print(f"\n== {name}", flush=True)
            module.main()


if __name__ == "__main__":
    main()
