"""A month's publication: written aside, then put in place whole.

``OUT/published/YYYY-MM/`` changes in one step: a reader sees the old publication or the new one.
"""

import ctypes
import datetime as dt
import os
import shutil
from pathlib import Path

import duckdb

from dashboards.drawing.svg import drawn
from dashboards.page import month_index, rendered
from dashboards.page_data import PageData
from dashboards.sections import section_by_section, svg_specs
from pipeline.publish import lists, provenance
from pipeline.publish.budget_book import BudgetParts, budget_book
from pipeline.publish.page_frames import page_data
from pipeline.publish.planning_book import planning_pages
from pipeline.publish.spreadsheets import Book, safe_csv, workbook
from pipeline.settings import Settings
from pipeline.warehouse import warehouse
from pipeline.warehouse.background import IN_PLACE, Future, Worker

PUBLISHED = "published"
RENAME_EXCHANGE = 2  # <linux/fs.h>: swap two paths in one step
AT_FDCWD = -100


def publish(
    con: duckdb.DuckDBPyConnection,
    settings: Settings,
    out: Path,
    as_of: dt.date,
    worker: Worker = IN_PLACE,
    library: Future | None = None,
) -> None:
    """Make the month's files and put them in place; then list the months."""
    published = out / PUBLISHED
    month = f"{as_of:%Y-%m}"
    aside = published / f".{month}.new"
    shutil.rmtree(aside, ignore_errors=True)
    aside.mkdir(parents=True)
    for name, content in month_files(con, settings, as_of, worker, library).items():
        target = aside / name
        target.parent.mkdir(exist_ok=True)
        target.write_bytes(content)
    put_in_place(aside, published / month)
    _replace(published / "index.html", month_index(months(published)))


def month_files(
    con: duckdb.DuckDBPyConnection,
    settings: Settings,
    as_of: dt.date,
    worker: Worker = IN_PLACE,
    library: Future | None = None,
) -> dict[str, bytes]:
    """Name → content of everything in a month's publication.

    Workbooks and charts are made by ``worker``; ``library`` is the page's drawing library, where
    asked for.
    """
    data = page_data(con, settings, as_of)
    texts, books = _lists(con, settings, data)
    written = {name: worker.submit_to_either(workbook, *book) for name, book in books.items()}
    parts, drawing = [], []
    for part in section_by_section(data):
        parts.append(part)
        drawing.append(worker.submit_to_either(drawn, svg_specs(part)))
    page = rendered(data, parts, library.result() if library else None).encode()
    charts = {f"charts/{n}": svg for each in drawing for n, svg in each.result().items()}
    made_from = {provenance.RECORD: provenance.record(con, settings, as_of)}
    tables = {name: book.result() for name, book in written.items()}
    return {"index.html": page, **charts, **texts, **tables, **made_from}


def _lists(
    con: duckdb.DuckDBPyConnection, settings: Settings, data: PageData
) -> tuple[dict[str, bytes], dict[str, Book]]:
    """Tables as text, and the workbooks that are yet to be written."""
    cells = warehouse.fetch(con, "from mart.reline_budget")
    parts = BudgetParts(
        months=warehouse.fetch(con, "from mart.reline_budget_parts"),
        spans=warehouse.fetch(con, "from mart.reline_outlook_parts"),
    )
    texts, books = lists.list_files(data)
    budget = budget_book(data, cells, parts, settings, planning_pages(con))
    return texts | {"reline_budget.csv": safe_csv(cells)}, books | {"reline_budget.xlsx": budget}


def put_in_place(aside: Path, target: Path) -> None:
    """Swap a finished folder with the one it replaces, in one step where the system can."""
    if not target.exists():
        aside.rename(target)
        return
    if not _exchanged(aside, target):
        old = target.with_name(f".{target.name}.old")
        shutil.rmtree(old, ignore_errors=True)
        target.rename(old)
        aside.rename(target)
        aside = old
    shutil.rmtree(aside)


def _exchanged(one: Path, other: Path) -> bool:
    """True where the two paths were swapped; False where the system cannot."""
    swap = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if swap is None:
        return False
    failed = swap(AT_FDCWD, os.fsencode(one), AT_FDCWD, os.fsencode(other), RENAME_EXCHANGE)
    return not failed


def _replace(path: Path, content: str) -> None:
    aside = path.with_name(f".{path.name}.new")
    aside.write_text(content, encoding="utf-8")
    aside.replace(path)


def months(published: Path) -> list[str]:
    """Published months, oldest first."""
    return sorted(p.name for p in published.iterdir() if p.is_dir() and not p.name.startswith("."))
