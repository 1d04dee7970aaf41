"""The month's page in a real browser: drawn, quiet, found, filtered, printed, on a phone."""

import json
import re
from pathlib import Path
from typing import Any

import pytest

from dashboards.page import month_index
from tests import browser, dashboard_data

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(browser.found() is None, reason="no chromium on this machine"),
]

PHONE = 390
A4_WIDTH_PT, A4_HEIGHT_PT = 595, 842  # ISO 216: 210 x 297 mm in points, rounded
PX_PER_MM = 96 / 25.4  # CSS's pixel is a 96th of an inch
# A4 less the margins of the page's own style: 13 mm at each side, 14 above and 16 below.
PAPER_WIDTH, PAPER_HEIGHT = round((210 - 26) * PX_PER_MM), (297 - 30) * PX_PER_MM


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("published") / "index.html"
    path.write_text(dashboard_data.page_of("usual"), "utf-8")
    return path


@pytest.fixture
def desk(tab: browser.Tab, page: Path) -> browser.Tab:
    tab.size(1280)
    tab.open(page)
    return tab


@pytest.fixture
def seen(tab: browser.Tab, page: Path) -> browser.Tab:
    """The page as the test before left it: for tests that no earlier click disturbs."""
    tab.size(1280)
    if tab.evaluate("location.href.split('#')[0]") != page.as_uri():
        tab.open(page)
    tab.complaints.clear()
    return tab


def texts(tab: browser.Tab, selector: str) -> list[str]:
    found = tab.evaluate(
        f"JSON.stringify([...document.querySelectorAll({json.dumps(selector)})]"
        ".map((e) => e.textContent.trim()))"
    )
    return list(json.loads(found))


def choose(tab: browser.Tab, dimension: str, value: str) -> None:
    tab.evaluate(
        f"""(() => {{
            delete document.documentElement.dataset.narrowed;
            const select = document.querySelector('select[name={dimension}]');
            select.value = {json.dumps(value)};
            select.dispatchEvent(new Event('change'));
        }})()"""
    )
    tab.wait("document.documentElement.dataset.narrowed !== undefined")


DRAWN = """JSON.stringify(Object.fromEntries([...document.querySelectorAll('.drawing')]
    .filter((d) => d.offsetParent !== null)
    .map((d) => [d.closest('[data-figure]')?.dataset.figure ?? d.getAttribute('aria-label'), {
        marks: d.querySelectorAll('svg .role-mark path, svg .role-mark line, svg .role-mark rect')
            .length,
        width: d.querySelector('svg')?.getBoundingClientRect().width ?? 0,
        room: d.getBoundingClientRect().width,
        text: d.textContent,
    }])))"""


def drawn(tab: browser.Tab) -> dict[str, Any]:
    return dict(json.loads(tab.evaluate(DRAWN)))


def test_it_draws_every_chart_quietly_and_asks_nobody(desk: browser.Tab, page: Path) -> None:
    charts = drawn(desk)
    assert len(charts) > 25
    assert not any(" " in name for name in charts)  # histories are drawn when they are asked for
    for key, chart in charts.items():
        assert chart["marks"] > 0, key
        assert chart["width"] > 100, key
        assert not re.search("NaN|undefined|null|Infinity", chart["text"]), key
    assert desk.requests == [page.as_uri()]
    assert desk.complaints == []


def test_filter_narrows_list_charts_and_titles(desk: browser.Tab) -> None:
    before = texts(desk, "#relines-by-month .title")
    choose(desk, "depot", "Brixholt")
    shown = json.loads(
        desk.evaluate(
            "JSON.stringify([...document.querySelectorAll('#first li:not([hidden])')]"
            ".map((l) => l.dataset.depot))"
        )
    )
    assert shown
    assert set(shown) == {"Brixholt"}
    assert texts(desk, "#relines-by-month .title") != before
    assert texts(desk, "#wear-rates .scope") == ["Drawn for all depots."]
    choose(desk, "duty", "quarry")
    (heading,) = texts(desk, "#adjuster-age .title")
    assert "quarry" in heading
    visible = [k for k in drawn(desk) if k.startswith("adjuster-curve")]
    assert len(visible) == len(dashboard_data.AXLE_TYPES)
    desk.evaluate("document.querySelector('#clear').click()")
    desk.wait("document.querySelector('#clear').hidden")
    desk.wait("JSON.parse(document.documentElement.dataset.narrowed).depot === null")
    assert texts(desk, "#relines-by-month .title") == before
    assert desk.complaints == []


def type_into_find(tab: browser.Tab, text: str) -> None:
    tab.evaluate("document.querySelector('#find-text').focus()")
    tab.evaluate("document.querySelector('#find-text').value = ''")
    tab.send("Input.insertText", text=text)


def press_enter(tab: browser.Tab) -> None:
    for kind in ("keyDown", "keyUp"):
        tab.send(
            "Input.dispatchKeyEvent", type=kind, key="Enter", windowsVirtualKeyCode=13, text="\r"
        )


def test_a_unit_is_found_by_typing_its_id(seen: browser.Tab) -> None:
    type_into_find(seen, "k0004")
    assert texts(seen, "#found button")[:2] == ["K00040", "K00041"]
    type_into_find(seen, "K00041/2R")
    press_enter(seen)
    seen.wait("document.querySelector('#unit').dataset.opened === 'K00041'")
    assert texts(seen, "#unit-h") == ["Unit K00041"]
    assert len(texts(seen, "#unit li")) == 6
    assert seen.evaluate("document.querySelectorAll('#unit svg').length") == 12
    assert seen.evaluate("document.activeElement.id") == "unit"
    assert seen.complaints == []


def test_an_unknown_id_is_told_as_text(seen: browser.Tab) -> None:
    for typed in ("Z99", "<img src=x onerror=alert(1)>", "'; drop table x; --"):
        type_into_find(seen, typed)
        assert texts(seen, "#found p") == [f"No unit of this fleet has an id like “{typed}”."]
    assert seen.evaluate("document.querySelectorAll('#found img').length") == 0


def test_histories_open_from_the_list(desk: browser.Tab) -> None:
    desk.evaluate("document.querySelector('.flags .asked').click()")
    desk.wait("document.activeElement.tagName === 'SUMMARY'")
    desk.evaluate("document.querySelector('#more button').click()")
    assert len(texts(desk, SEEN_FLAGS)) == 4 + 24
    assert desk.complaints == []


SEEN_FLAGS = "#first li:not([hidden]):not(.later)"
THREE_SCREENS = 3 * 900  # px, at 1280 px


@pytest.mark.skipif(not browser.has_type("Liberation Sans"), reason="set in a wider type here")
def test_the_month_fits_three_screens(desk: browser.Tab) -> None:
    assert desk.evaluate("document.documentElement.dataset.chapter") == "month"
    assert desk.evaluate("document.documentElement.scrollHeight") <= THREE_SCREENS
    assert len(texts(desk, SEEN_FLAGS)) == 4


def test_an_id_of_any_length_stays_in_its_cell(desk: browser.Tab) -> None:
    """A long one used to lie over the columns beside it, and to push the last ones out of sight."""
    sizes = """(() => {
        const link = document.querySelector('#due tbody th a');
        const hidden = (of) => of.scrollWidth - of.parentElement.clientWidth;
        const before = hidden(link.closest('table'));
        link.textContent = 'A'.repeat(300) + '/1L';
        const cell = link.closest('th').getBoundingClientRect();
        const text = link.getBoundingClientRect();
        return [text.right - cell.right, hidden(link.closest('table')) - before];
    })()"""
    beyond, more_hidden = desk.evaluate(sizes)
    assert beyond <= 0
    assert more_hidden <= 1


def test_that_a_reline_comes_too_late_is_not_cut_off(desk: browser.Tab) -> None:
    """The last column used to end in "too l", its end to be scrolled to."""
    hidden = desk.evaluate("""(() => {
        const table = document.querySelector('#due .listed table');
        table.querySelector('tbody td:last-child').textContent = '30 Sept 2026: too late';
        return table.scrollWidth - table.parentElement.clientWidth;
    })()""")
    assert hidden <= 0


def test_chapters_are_a_link_away_and_links_into_them_open_them(desk: browser.Tab) -> None:
    for chapter in ("engineer", "analyst", "month"):
        desk.evaluate(f"document.querySelector('[data-opens={chapter}]').click()")
        desk.wait(f"document.documentElement.dataset.chapter === '{chapter}'")
        seen = "[...document.querySelectorAll('.chapter')].filter((c) => getComputedStyle(c)"
        assert desk.evaluate(f"{seen}.visibility === 'visible').map((c) => c.id).join()") == chapter
    desk.evaluate("location.hash = 'wear-rates'")
    desk.wait("document.documentElement.dataset.chapter === 'analyst'")
    top = "document.querySelector('#wear-rates').getBoundingClientRect().top"
    assert 0 <= desk.evaluate(top) < 900
    assert desk.complaints == []


def test_the_month_in_short_and_the_lists_follow_the_depot(desk: browser.Tab) -> None:
    whole = texts(desk, ".of:not([hidden]) .facts .value")
    choose(desk, "depot", "Brixholt")
    assert texts(desk, "#short-h") == ["In short: Brixholt"]
    assert texts(desk, ".of:not([hidden]) .facts .value") != whole
    links = texts(desk, ".of:not([hidden]) .tasks .id")
    depots = json.loads(desk.evaluate(DEPOT_OF_ENDS))
    assert links
    assert {depots[end] for end in links} == {"Brixholt"}
    rows = "[...document.querySelectorAll('[data-listed] tbody tr:not([hidden])')]"
    assert desk.evaluate(f"[...new Set({rows}.map((r) => r.dataset.depot))].join()") == "Brixholt"
    choose(desk, "duty", "quarry")
    assert "all duties" in texts(desk, "#short-scope")[0]


DEPOT_OF_ENDS = """(() => {
    const ends = JSON.parse(document.querySelector('#embedded').textContent).fleet.ends;
    return JSON.stringify(Object.fromEntries(
        ends.id.map((id, i) => [id, ends.words.depot[ends.depot[i]]])));
})()"""


def test_paper_has_the_open_chapter_and_every_flag_or_says_how_many_more(desk: browser.Tab) -> None:
    flags = len(texts(desk, "#first li"))
    desk.send("Emulation.setEmulatedMedia", media="print")
    tall = "[...document.querySelectorAll('.chapter')].filter((c) => c.offsetHeight > 300)"
    assert desk.evaluate(f"{tall}.map((c) => c.id).join()") == "month"
    desk.evaluate("window.print = () => {}")
    desk.evaluate("document.querySelector('#print-all button').click()")
    assert desk.evaluate(f"{tall}.map((c) => c.id).join()") == "month,engineer,analyst"
    desk.evaluate("window.dispatchEvent(new Event('afterprint'))")
    printed = "[...document.querySelectorAll('#first li')].filter((l) => l.offsetParent).length"
    assert desk.evaluate(printed) == min(flags, 60)
    assert bool(texts(desk, "#more-print")[0]) == (flags > 60)
    clipped = "[...document.querySelectorAll('.listed .scroll')].some((s) => s.offsetParent && "
    assert not desk.evaluate(clipped + "s.scrollHeight > s.clientHeight + 1)")
    desk.send("Emulation.setEmulatedMedia", media="")


def test_keyboard_reaches_the_content_first(desk: browser.Tab) -> None:
    for kind in ("keyDown", "keyUp"):
        desk.send("Input.dispatchKeyEvent", type=kind, key="Tab", windowsVirtualKeyCode=9)
    assert desk.evaluate("document.activeElement.className") == "skip"
    assert desk.evaluate("document.activeElement.getBoundingClientRect().height > 20")


def test_hostile_text_stays_text(tab: browser.Tab, page: Path) -> None:
    path = page.with_name("hostile.html")
    path.write_text(dashboard_data.page_of("hostile"), "utf-8")
    tab.size(1280)
    tab.open(path)
    choose(tab, "depot", tab.evaluate("document.querySelector('#first li').dataset.depot"))
    tab.evaluate("document.querySelector('#first li:not([hidden]) .id').click()")
    tab.wait("document.querySelector('#unit').dataset.opened !== undefined")
    assert tab.evaluate("document.querySelectorAll('script').length") == 3
    assert tab.complaints == []
    assert tab.requests == [path.as_uri()]


def test_a_phone_shows_it_without_sideways_scroll(tab: browser.Tab, page: Path) -> None:
    tab.size(PHONE, mobile=True)
    tab.open(page)
    assert tab.evaluate("document.documentElement.scrollWidth") <= PHONE
    for key, chart in drawn(tab).items():
        assert chart["width"] <= chart["room"] + 1, key
    tab.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    assert tab.evaluate("document.documentElement.scrollWidth") <= PHONE


def test_paper_cuts_no_chart(desk: browser.Tab, page: Path) -> None:
    target = page.with_suffix(".pdf")
    desk.printed(target)
    boxes = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)\s*\]", target.read_bytes())
    assert boxes
    assert {(round(float(w)), round(float(h))) for w, h in boxes} == {(A4_WIDTH_PT, A4_HEIGHT_PT)}
    desk.evaluate("document.documentElement.classList.add('whole')")
    desk.send("Emulation.setEmulatedMedia", media="print")
    desk.size(PAPER_WIDTH)
    desk.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    for key, chart in drawn(desk).items():
        assert chart["width"] <= chart["room"] + 1, key
        assert chart["width"] >= 0.9 * chart["room"], key
    blocks = json.loads(desk.evaluate(BLOCKS))
    assert len(blocks) > 20
    for block in blocks:  # what may not be broken, and fits a page, is not cut
        assert block["breakInside"] == "avoid", block
        assert block["height"] < PAPER_HEIGHT, block
    desk.evaluate("document.documentElement.classList.remove('whole')")
    desk.send("Emulation.setEmulatedMedia", media="")


BLOCKS = """JSON.stringify([...document.querySelectorAll('.figure, .flags > li')]
    .filter((e) => e.offsetParent !== null)
    .map((e) => ({ name: e.id || e.dataset.id, height: e.getBoundingClientRect().height,
        breakInside: getComputedStyle(e).breakInside })))"""


def test_a_request_outward_is_refused_and_counted(seen: browser.Tab) -> None:
    """That none was seen on the page means something: here is one, made on purpose."""
    tried = "fetch('https://records.example/x').then(() => 'through', () => 'refused')"
    assert seen.evaluate(tried) == "refused"
    seen.wait("true")
    assert any("Content Security Policy" in complaint for complaint in seen.complaints)
    seen.evaluate("console.error('on purpose')")
    assert any("on purpose" in complaint for complaint in seen.complaints)


@pytest.mark.proof
def test_a_large_fleet_opens_and_says_where_the_rest_is(tab: browser.Tab, page: Path) -> None:
    path = page.with_name("large.html")
    path.write_text(dashboard_data.page_of("large"), "utf-8")
    tab.size(1280)
    tab.open(path)
    carried = set(json.loads(tab.evaluate(EMBEDDED))["fleet"]["ends"]["unit"])
    missing = next(u for u in (f"K{i:05d}" for i in range(20_000)) if u not in carried)
    type_into_find(tab, missing)
    assert texts(tab, "#found code") == [
        f"select * from mart.wheel_end_status where unit_id = '{missing}'"
    ]
    assert tab.complaints == []


EMBEDDED = "document.querySelector('#embedded').textContent"


def test_the_list_of_months_opens_the_newest(tab: browser.Tab, page: Path) -> None:
    tab.complaints.clear()
    root = page.parent / "months"
    (root / "2031-03").mkdir(parents=True)
    (root / "2031-03" / "index.html").write_text("<title>the newest</title>", "utf-8")
    (root / "index.html").write_text(month_index(["2031-02", "2031-03"]), "utf-8")
    tab.send("Page.navigate", url=(root / "index.html").as_uri())
    tab.wait("document.title === 'the newest'")
    assert tab.complaints == []
