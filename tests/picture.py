"""A picture of a page, as the README shows it: ``python -m tests.picture PAGE FILE``.

``PAGE`` is a published ``index.html``, or the folder ``OUT`` of a run, whose newest month is taken.
Needs a browser on this machine.
"""

import sys
from pathlib import Path

from tests import browser

WIDTH, HEIGHT = 1280, 1560  # the month in short and the first wheel ends to look at


def page_of(path: Path) -> Path:
    """A page itself, or the newest month's of a run's folder."""
    if path.is_file():
        return path
    return max((path / "published").glob("2*/index.html"))


def take(page: Path, target: Path, width: int = WIDTH, height: int = HEIGHT) -> None:
    """Draw the page and save what a window of that size shows."""
    with browser.tab() as tab:
        tab.size(width, height)
        tab.send("Emulation.setScrollbarsHidden", hidden=True)
        tab.open(page.resolve())
        tab.picture(target, full=False)


if __name__ == "__main__":
    if len(sys.argv) != 3 or browser.found() is None:
        sys.exit("python -m tests.picture PAGE FILE; needs a browser")
    take(page_of(Path(sys.argv[1])), Path(sys.argv[2]))
