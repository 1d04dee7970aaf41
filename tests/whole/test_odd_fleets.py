"""What is said of fleets that are odd in one way each: page, summary and lists, read whole."""

import contextlib
import io
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import duckdb
import fastexcel
import polars as pl
import pytest

from pipeline.cli import main
from pipeline.warehouse.warehouse import DATABASE
from tests.odd_fleets import FLEETS, write_lake

NAMES = [odd.name for odd in FLEETS]
SPOILED = {
    "Half set aside by date": ("“inspections”", "inspected_on not readable", "day_first"),
    "Half set aside by register": ("“inspections”", "unknown wheel end", "into the register"),
    "Work unreadable": ("Nothing of the table “work” could be read", "not an XLSX", "as CSV"),
}

# A whole run each: some are looked at in every change, all of them as proof.
EVERY_TIME = {"Three months", "No stroke"}


def fleets(names: Iterable[str]) -> list[Any]:
    return [
        pytest.param(name, marks=() if name in EVERY_TIME else pytest.mark.proof) for name in names
    ]


class _Text(HTMLParser):
    """What a page shows: its text, without styles and scripts."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.parts: list[str] = []
        self._silent = False

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self._silent = tag in ("script", "style")

    def handle_endtag(self, tag: str) -> None:
        self._silent = False

    def handle_data(self, data: str) -> None:
        if not self._silent:
            self.parts.append(data)


def text_of(page: str) -> str:
    parser = _Text()
    parser.feed(page)
    return re.sub(r"\s+", " ", " ".join(parser.parts))


@dataclass(frozen=True)
class Told:
    """What one run says: its last lines, its page as text, and its work list."""

    code: int
    summary: str
    html: str
    page: str
    month: Path


Teller = Callable[[str], Told]


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Teller]:
    """Runs each fleet once, when it is first asked for; it looks back two quarters of the twelve,
    which are worked out alike."""
    known: dict[str, Told] = {}
    by_name = {odd.name: odd for odd in FLEETS}

    def tell(name: str) -> Told:
        if name not in known:
            root = tmp_path_factory.mktemp("odd")
            lake = write_lake(by_name[name], root / "lake")
            printed = io.StringIO()
            with contextlib.redirect_stdout(printed):
                code = main(["run", str(lake), "--out", str(root / "out")])
            (month,) = (root / "out" / "published").glob("2*")
            html = (month / "index.html").read_text("utf-8")
            known[name] = Told(code, printed.getvalue(), html, text_of(html), month)
        return known[name]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("pipeline.stages.origins.RECENT", range(1, 3))
        patch.setattr("pipeline.stages.origins.EARLIEST", ())
        yield tell


# ---- what is missing is said above all else, and nowhere else


@pytest.mark.parametrize("name", fleets(SPOILED))
def test_a_run_that_leaves_out_much_warns_with_the_reason_and_the_way_out(name, told):
    it = told(name)
    assert it.code == 0
    warnings = [line for line in it.summary.splitlines() if line.startswith("Warning: ")]
    assert warnings
    above = it.page[: it.page.index("estimates from records")]
    for wanted in SPOILED[name]:
        assert any(wanted in w for w in warnings), (wanted, warnings)
        assert wanted in above


@pytest.mark.parametrize("name", fleets([n for n in NAMES if n not in SPOILED]))
def test_a_run_that_leaves_out_nothing_does_not_warn(name, told):
    it = told(name)
    assert it.code == 0
    assert "Warning" not in it.summary
    assert "leave out" not in it.page


# ---- what has no records cannot be judged, and says so with numbers

LACKS = {
    "A third never inspected": (
        "16 wheel ends of 48 have no usable inspection on record: nothing here speaks of their ",
        "16 without a usable inspection cannot be judged",
    ),
    "No greasing": (
        "No greasing is on record: whether greasing is overdue cannot be judged",
        "Greasings: cannot be judged, no greasing is on record",
    ),
    "No duty": ("No duty is on record: all units are taken together",),
    "No work": (
        "No work is on record",
        "First services: cannot be judged, no adjuster was fitted on record",
    ),
    "No stroke": (
        "No free stroke reading is on record",
        "No return test is on record",
        "48 wheel ends could not be judged by their stroke now",
    ),
    "No return test": ("No return test is on record: an adjuster that fails it",),
    "No lining": ("No lining reading is on record: how thick linings are",),
    "Work unreadable": ("No work is on record",),
}


@pytest.mark.parametrize("name", fleets(LACKS))
def test_what_has_no_records_is_said_to_be_unknown(name, told):
    it = told(name)
    for wanted in LACKS[name]:
        assert wanted in it.page, wanted


@pytest.mark.parametrize("name", fleets(["Half set aside by date"]))
def test_what_was_inspected_and_could_not_be_read_is_not_called_never_inspected(name, told):
    it = told(name)
    assert "no usable inspection on record" in it.page
    assert "never inspected" not in it.page
    assert "Never inspected" not in it.page


@pytest.mark.parametrize("name", fleets([n for n in NAMES if n not in (*LACKS, *SPOILED)]))
def test_what_has_records_is_not_said_to_lack_them(name, told):
    for word in (
        "No greasing is on",
        "No duty is on",
        "No work is on",
        "No return test is on",
        "usable insp",
    ):
        assert word not in told(name).page, word


@pytest.mark.parametrize("name", fleets(NAMES))
def test_nothing_is_said_to_be_well_without_what_it_was_judged_on(name, told):
    page = told(name).page
    assert "Nothing is overdue" not in page
    assert "Nothing is flagged" not in page
    assert "every check, greasing and first service was done" not in page
    if "No wheel end is flagged" in page:
        after = page[page.index("No wheel end is flagged") :][:400]
        assert "Judged on" in after or "cannot be judged" in after
        assert "does not make any of them safe" in after


# ---- every sentence true of the fleet it is said of


@pytest.mark.parametrize("name", fleets(NAMES))
def test_no_sentence_is_broken(name, told):
    it = told(name)
    assert not re.search(r"\b(None|nan|NaN|inf|undefined)\b|\{\}|\[\]", it.page)
    wrong = r"\b1 (wheel ends|relines|groups|failures|adjusters|units|readings|flags|outcomes)\b"
    assert not re.search(rf"(?<![\d.,\u202f–]){wrong}", it.page)
    assert "too few groups" not in it.page


@pytest.mark.parametrize("name", fleets(NAMES))
def test_a_count_meets_its_list(name, told):
    """What a task counts stands in the list it leads to, on the page and in the work list."""
    it = told(name)
    book = fastexcel.read_excel(it.month / "worklist.xlsx")
    assert book.sheet_names == ["Work list", "Relines", "Overdue", "Notes"]
    relines = book.load_sheet("Relines").to_polars()
    soon = relines.filter(pl.col("Urgency") != "expected") if relines.height else relines
    counted = re.search(r'<b class="many">(\d+)</b><span>Book relines', it.html)
    assert (int(counted[1]) if counted else 0) == soon.height
    flagged = re.search(r"(\d+) of (\d+) wheel ends flagged", it.summary)
    assert flagged
    assert book.load_sheet("Work list").to_polars().height == int(flagged[1])
    overdue = book.load_sheet("Overdue").to_polars()
    ends = overdue["Wheel end"].n_unique() if overdue.height else 0
    late = re.search(r'<b class="many">(\d+)</b><span>Catch up', it.html)
    unseen = re.search(r'<b class="many">(\d+)</b><span>Inspect what', it.html)
    most = sum(int(found[1]) for found in (late, unseen) if found)
    assert (ends == 0) == (most == 0)
    assert ends <= most


@pytest.mark.parametrize("name", fleets(NAMES))
def test_lists_say_the_same_in_both_forms(name, told):
    month = told(name).month
    book = fastexcel.read_excel(month / "worklist.xlsx")
    for file, sheet in (
        ("worklist", "Work list"),
        ("reline_list", "Relines"),
        ("overdue_list", "Overdue"),
    ):
        text = pl.read_csv(month / f"{file}.csv", infer_schema=False)
        cells = book.load_sheet(sheet, dtypes="string").to_polars()
        assert text.columns == cells.columns
        assert text["Wheel end"].to_list() == cells["Wheel end"].to_list()
        assert {"Who", "Done on", "Remarks"} <= set(text.columns)


@pytest.mark.parametrize("name", fleets(NAMES))
def test_what_was_never_seen_is_not_called_a_habit(name, told):
    it = told(name)
    path = str(it.month.parent.parent / DATABASE)
    with duckdb.connect(path, read_only=True) as con:
        seen = "select count(*) from stage.relines where source in ('job', 'inferred')"
        forecast = "select count(*) from mart.reline_outlook"
        (relines,), (spans,) = (con.execute(q).fetchall()[0] for q in (seen, forecast))
    assumed = "No reline was ever seen in these records" in it.page
    assert assumed == (spans > 0 and relines == 0)
    if name in ("No relines", "Three months"):
        assert assumed


@pytest.mark.parametrize("name", fleets(["No lining", "One inspection each"]))
def test_without_wear_nothing_is_said_of_a_fit_that_did_not_settle(name, told):
    it = told(name)
    assert "did not settle" not in it.page
    assert "No relines could be forecast" in it.page
    why = "no lining reading is on record" if name == "No lining" else "two or more of one lining"
    assert why in it.page
    assert "Relines expected in the next 12 months: not known" in it.summary


@pytest.mark.parametrize("name", fleets(["One unit", "Three months", "No relines"]))
def test_no_month_is_called_the_busiest_where_hardly_a_reline_is_expected(name, told):
    assert "About no relines" not in told(name).page


@pytest.mark.proof
def test_of_units_not_seen_for_long_no_lining_is_told_and_that_is_said(told):
    it = told("A depot closed")
    said = "The lining now of 16 wheel ends is not estimated, though it was read: the unit has not"
    assert said in it.page
    assert "linings of 32 of 48 wheel ends" in it.page
    assert "The lining now of" not in told("Ordinary").page


@pytest.mark.proof
def test_readings_that_never_change_are_said_to_look_copied(told):
    it = told("All readings the same")
    short = it.page[it.page.index("In short") : it.page.index("Look at these first")]
    assert "every lining reading is the same: such readings look copied, not taken" in short
    assert "look copied" not in told("Ordinary").page


@pytest.mark.proof
def test_relines_that_nobody_writes_down_are_told_and_no_lining_is_relined_years_too_late(told):
    page = told("Relines not written down").page
    assert re.search(r"\d+ of \d+ relines of the last year were not written down", page)
    assert not re.search(r"now: worn out [\d.]+ mm [^:]{0,60}20\d\d: too late", page)
    assert "were not written down" not in told("Ordinary").page


@pytest.mark.proof
def test_strokes_that_all_lie_outside_are_doubted_before_anything_is_set(told):
    assert (
        "the stroke was last read above the band: so many are hardly all"
        in told("Strokes read by air").page
    )
    assert "so many are hardly all" not in told("Ordinary").page


@pytest.mark.proof
def test_a_run_long_after_the_records_end_says_so_and_takes_nobody_to_have_left(
    told, tmp_path_factory
):
    """Twelve weeks of records that have not come yet are no fleet that has gone."""
    lake = told("Ordinary").month.parents[2] / "lake"
    out, printed = tmp_path_factory.mktemp("after"), io.StringIO()
    with contextlib.redirect_stdout(printed):
        assert main(["run", str(lake), "--out", str(out), "--as-of", "2025-09-29"]) == 0
    assert "Warning: No check of any unit is on record since " in printed.getvalue()
    page = text_of((out / "published" / "2025-09" / "index.html").read_text("utf-8"))
    assert "either records are missing, or the fleet has left" in page

    def relines(said: str) -> int:
        found = re.search(r"Relines expected in the next 12 months: (\d+)", said)
        assert found
        return int(found[1])

    assert relines(printed.getvalue()) >= 0.7 * relines(told("Ordinary").summary)


@pytest.mark.parametrize("name", fleets(["One group", "No duty"]))
def test_a_single_group_or_duty_is_not_compared_with_itself(name, told):
    page = told(name).page
    assert "Duty matters" not in page
    if name == "One group":
        assert len(re.findall(r'data-figure="adjuster-curve', told(name).html)) == 1


@pytest.mark.parametrize("name", fleets(NAMES))
def test_the_month_speaks_without_statistical_terms(name, told):
    """Up to the engineer's chapter; the evidence of flags is worded where it is found."""
    html = told(name).html
    month = html[html.index('id="month"') : html.index('id="engineer"')]
    plain = text_of(re.sub(r'<p class="evidence">.*?</p>', "", month, flags=re.S))
    terms = r"\b(p = |p < |95 % (interval|band)|quantile|median|hazard|survival|residual|REML)"
    assert not re.search(terms, plain)


@pytest.mark.proof
def test_inches_and_miles_are_said_throughout(told):
    it = told("Inches and miles")
    page = text_of(re.sub(r'<p class="evidence">.*?</p>', "", it.html, flags=re.S))
    after = page[page.index("In short") : page.index("Where limits come from")]
    assert re.search(r"\d in\b", after)
    assert not re.search(r"\D\d+\.\d[  ]in\b", it.page)
    # What the run says of single wheel ends is worded elsewhere.
    assert not re.search(r"\d[  ](km|mm)\b|mm per", after)
    heading = fastexcel.read_excel(it.month / "worklist.xlsx").load_sheet("Relines").to_polars()
    assert "Lining now, in" in heading.columns
