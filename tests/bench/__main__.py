"""Run every benchmark, or those named: ``python -m tests.bench [wear life …]``."""

import argparse
import importlib
import sys
from pathlib import Path


def main() -> None:
    known = {
        p.stem.removeprefix("bench_"): p.stem for p in Path(__file__).parent.glob("bench_*.py")
    }
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help=", ".join(sorted(known)))
    wanted = parser.parse_args().names or sorted(known)
    if unknown := sorted(set(wanted) - set(known)):
        parser.error(f"found {', '.join(unknown)}; accepted: {', '.join(sorted(known))}")
    sys.argv = sys.argv[:1]  # benchmarks read arguments of their own
    for name in wanted:
        module = importlib.import_module(f"tests.bench.{known[name]}")
        if hasattr(module, "main"):
            print(f"\n== {name}", flush=True)
            module.main()


if __name__ == "__main__":
    main()
