"""The month's page: its size, and the time to make and to open it, by size of fleet.

Run ``python -m tests.bench.bench_page``; it prints a table and asserts nothing. The charts saved
one by one as Altair's own self-contained pages stand beside it, for comparison.
"""

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from dashboards.page import rendered
from dashboards.sections import sections
from tests import browser, dashboard_data

WHEEL_ENDS = (720, 10_000, 100_000)
OPENINGS = 3
MB = 1e6


def seconds(work: Callable[[], str]) -> tuple[float, str]:
    """Processor seconds of this process: other work on the machine does not count."""
    began = time.process_time()
    result = work()
    return time.process_time() - began, result


def opened(path: Path) -> tuple[float, float]:
    """Best of several: seconds until the last chart is drawn, and until something is seen."""
    with browser.tab() as tab:
        tab.size(1280)
        drawn, painted = [], []
        for _ in range(OPENINGS):
            drawn.append(tab.open(path))
            paint = "performance.getEntriesByName('first-contentful-paint')[0].startTime"
            painted.append(tab.evaluate(paint) / 1e3)
    return min(drawn), min(painted)


def measured(wheel_ends: int, folder: Path) -> str:
    data = dashboard_data.month(wheel_ends)
    took, page = seconds(lambda: rendered(data))
    path = folder / f"{wheel_ends}.html"
    path.write_text(page, "utf-8")
    drawn, painted = opened(path) if browser.found() else (float("nan"), float("nan"))
    size = len(page.encode()) / MB
    return f"{wheel_ends:>10,} {size:8.2f} {took:10.2f} {painted:12.2f} {drawn:10.2f}"


def saved_one_by_one() -> tuple[int, float]:
    """Charts of a usual month, and their size in MB as pages of their own."""
    figures = [f for s in sections(dashboard_data.month()) for f in s.figures]
    one = len(figures[0].chart.to_html(inline=True).encode()) / MB
    return len(figures), one * len(figures)


def main() -> None:
    rendered(dashboard_data.month(60))  # imports and the drawing library, once
    print(f"{'wheel ends':>10} {'MB':>8} {'made, s':>10} {'first seen, s':>12} {'drawn, s':>10}")
    with tempfile.TemporaryDirectory() as folder:
        for wheel_ends in WHEEL_ENDS:
            print(measured(wheel_ends, Path(folder)))
    count, size = saved_one_by_one()
    print(f"The same {count} charts saved one by one by Altair, each self-contained: {size:.1f} MB")


if __name__ == "__main__":
    main()
