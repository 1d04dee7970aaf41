"""What pages and sheets are to readers that are not a person at a desk: a screen reader, a printer,
a browser that would run what a fleet's records say."""

import json
import re
import shutil
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

from dashboards.page import month_index, rendered
from pipeline.cli import main
from pipeline.warehouse.warehouse import DATABASE
from tests import browser, dashboard_data
from tests.conftest import NASTY
from tests.dashboards.test_page import few_charts

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(browser.found() is None, reason="no chromium on this machine"),
]

WORST = {"serious", "critical"}
# Drawings are hidden from screen readers, which get their name and their numbers instead.
AXE = """axe.run({ exclude: ['svg'] }, { resultTypes: ['violations'] }).then(
    (found) => JSON.stringify(found.violations.map((v) => ({ id: v.id, impact: v.impact,
        of: v.nodes.length, first: v.nodes[0].html.slice(0, 160) }))))"""


def violations(tab: browser.Tab) -> list[dict[str, Any]]:
    """What the accessibility checker finds wrong with the page as it stands."""
    tab.evaluate((resources.files("axe_core_python") / "axe.min.js").read_text("utf-8") + ";0")
    return [v for v in json.loads(tab.evaluate(AXE)) if v["impact"] in WORST]


def shown(tab: browser.Tab, path: Path) -> None:
    """A page without a script that says when it is drawn."""
    tab.requests.clear()
    tab.complaints.clear()
    tab.send("Page.navigate", url="about:blank")
    tab.send("Page.navigate", url=path.as_uri())
    tab.wait(f"document.readyState === 'complete' && location.href === '{path.as_uri()}'")


def test_the_checker_finds_what_is_wrong(tab: browser.Tab, tmp_path: Path) -> None:
    path = tmp_path / "wrong.html"
    path.write_text("<!doctype html><title>x</title><button></button><img src='data:,'>", "utf-8")
    shown(tab, path)
    assert {"button-name", "image-alt", "html-has-lang"} <= {v["id"] for v in violations(tab)}


def test_the_page_is_accessible(tab: browser.Tab, tmp_path: Path) -> None:
    """With a unit and the numbers of some charts open; of charts that are many and alike, a few."""
    path = tmp_path / "index.html"
    path.write_text(rendered(few_charts(dashboard_data.month(60))), "utf-8")
    tab.size(1280)
    tab.open(path)
    tab.evaluate(
        "document.querySelectorAll('details').forEach((d, i) => { d.open = i % 8 === 0; })"
    )
    tab.evaluate("location.hash = 'at/K00003'")
    tab.wait("document.querySelector('#unit').dataset.opened === 'K00003'")
    assert violations(tab) == []


def test_sheets_and_the_list_of_months_are_accessible(
    tab: browser.Tab, small_run: Path, tmp_path: Path
) -> None:
    (sheets,) = (small_run / "out" / "sheets").glob("*/sheets.html")
    months = tmp_path / "index.html"
    months.write_text(month_index([]), "utf-8")
    for path in (sheets, months):
        for width in (1280, 390):
            tab.size(width, mobile=width < 600)
            shown(tab, path)
            assert violations(tab) == []
            assert tab.evaluate("document.documentElement.scrollWidth") <= width


def test_sheets_print_a_page_a_unit_on_a4(
    tab: browser.Tab, small_run: Path, tmp_path: Path
) -> None:
    (sheets,) = (small_run / "out" / "sheets").glob("*/sheets.html")
    tab.size(1280)
    shown(tab, sheets)
    tab.printed(tmp_path / "sheets.pdf")
    content = (tmp_path / "sheets.pdf").read_bytes()
    boxes = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)\s*\]", content)
    # ISO 216: 297 x 210 mm in points, rounded.
    assert [(round(float(w)), round(float(h))) for w, h in boxes] == [(842, 595)] * 2
    assert tab.requests == [sheets.as_uri()]
    assert tab.complaints == []


# ---- a whole run on records with nasty names


@pytest.fixture(scope="module")
def nasty_sheets(small_run: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("nasty")
    shutil.copy(small_run / "out" / DATABASE, out)
    command = ["sheet", str(small_run / "lake"), "--out", str(out)]
    assert main([*command, "--unit", NASTY["K02"], "--unit", NASTY["K04"]]) == 0
    (sheets,) = (out / "sheets").glob("*/sheets.html")
    return sheets


def test_a_run_on_nasty_names_publishes_them_as_text(tab: browser.Tab, small_run: Path) -> None:
    (page,) = (small_run / "out" / "published").glob("2*/index.html")
    tab.size(1280)
    tab.open(page)
    for unit in (NASTY["K02"], NASTY["K04"]):
        tab.evaluate(f"location.hash = 'at/' + encodeURIComponent({json.dumps(unit)})")
        tab.wait(f"document.querySelector('#unit').dataset.opened === {json.dumps(unit)}")
        assert tab.evaluate("document.querySelector('#unit-h').textContent") == f"Unit {unit}"
    options = tab.evaluate("[...document.querySelectorAll('option')].map((o) => o.value)")
    assert {NASTY["Millbrook"], NASTY["trailing"]} <= set(options)
    assert tab.evaluate("document.querySelectorAll('script').length") == 3
    assert tab.evaluate("document.querySelectorAll('img').length") == 0
    assert tab.complaints == []
    assert tab.requests == [page.as_uri()]


def test_sheets_of_nasty_names_hold_them_as_text(tab: browser.Tab, nasty_sheets: Path) -> None:
    shown(tab, nasty_sheets)
    headings = tab.evaluate("[...document.querySelectorAll('.sheet h2')].map((h) => h.textContent)")
    assert set(headings) == {NASTY["K02"], NASTY["K04"]}
    assert NASTY["trailing"] in tab.evaluate("document.querySelector('tbody').textContent")
    assert tab.evaluate("document.querySelectorAll('script, img').length") == 0
    assert tab.complaints == []
