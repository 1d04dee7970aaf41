"""Run every benchmark, or those named: ``python -m tests.bench [wear life …]``; one named alone may
be given arguments of its own: ``python -m tests.bench scale --whole``."""

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
    given, own = parser.parse_known_args()
    own += [name for name in given.names if name not in known]
    wanted = [name for name in given.names if name in known] or sorted(known)
    if own and len(wanted) != 1:
        parser.error(f"found {', '.join(own)}; accepted: {', '.join(sorted(known))}")
    sys.argv = [*sys.argv[:1], *own]
    for name in wanted:
        module = importlib.import_module(f"tests.bench.{known[name]}")
        if hasattr(module, "main"):
            print(f"\n== {name}", flush=True)
            module.main()


if __name__ == "__main__":
    main()
