"""The work list and the budget as people get them: order, sheets, safety, print set-up."""

import datetime as dt
import io
import re
import zipfile
from dataclasses import replace

import fastexcel
import polars as pl
import pytest

from dashboards.drawing.theme import STATE_WORDS
from dashboards.notes import run_notes
from dashboards.sentences.due import LATER, NEVER, NOW, reline_list
from dashboards.sentences.measures import Measures
from dashboards.sentences.method import CAUTIONS
from dashboards.sentences.reline_policy import policy_told
from dashboards.sentences.words import plain
from pipeline.marts.marts import empty
from pipeline.publish.budget_book import BudgetParts, budget_book
from pipeline.publish.lists import list_files, lists_of, work_list, work_list_book
from pipeline.publish.spreadsheets import Column, Page, lines_of, safe_csv, workbook
from pipeline.settings import Costs, Settings
from tests import dashboard_data

DAY = dt.date(2031, 3, 14)
FORMULA = "=1+1"
CSVS = ("worklist", "reline_list", "overdue_list")


def sheet(content: bytes, name: str) -> pl.DataFrame:
    return fastexcel.read_excel(content).load_sheet(name, dtypes="string").to_polars()


def xml(content: bytes, part: str) -> str:
    with zipfile.ZipFile(io.BytesIO(content)) as book:
        return book.read(f"xl/worksheets/{part}.xml").decode()


# ---- the work list


@pytest.fixture(scope="module")
def month():
    return dashboard_data.month(240)


@pytest.fixture(scope="module")
def status(month):
    return month.wheel_end_status


@pytest.fixture(scope="module")
def made(month):
    return workbook(*work_list_book(lists_of(month), month))


def files_of(data):
    texts, books = list_files(data)
    return texts | {name: workbook(*book) for name, book in books.items()}


@pytest.fixture(scope="module")
def listed(status):
    return work_list(status)


def test_the_work_list_holds_every_flagged_wheel_end_once(status, listed):
    assert sorted(listed["wheel_end_id"]) == sorted(status.filter("flagged")["wheel_end_id"])


def test_depots_and_units_stand_together_the_most_urgent_unit_first(listed):
    assert listed["depot"].rle_id().n_unique() == listed["depot"].n_unique()
    assert listed["unit_id"].rle_id().n_unique() == listed["unit_id"].n_unique()
    for _, depot in listed.group_by("depot"):
        tops = depot.group_by("unit_id", maintain_order=True).agg(pl.col("priority").max())
        assert tops["priority"].is_sorted(descending=True)
        for _, unit in depot.group_by("unit_id"):
            assert unit["priority"].is_sorted(descending=True)


def test_the_work_list_is_set_up_for_reading_filtering_and_paper(listed, made):
    page = xml(made, "sheet1")
    depots = listed["depot"].n_unique()
    for wanted in (
        '<pane ySplit="1"',
        f'<autoFilter ref="A1:U{listed.height + 1}"',
        'orientation="landscape"',
        'paperSize="9"',
        'fitToHeight="0"',
        f'<rowBreaks count="{depots - 1}"',  # a depot to a page
        "<cols>",
    ):
        assert wanted in page, wanted
    with zipfile.ZipFile(io.BytesIO(made)) as book:
        names = book.read("xl/workbook.xml").decode()
    # What is written by hand ends the printed columns.
    assert f"'Work list'!$A$1:$L${listed.height + 1}" in names
    assert xml(made, "sheet4").count("<row ") == 6 + 1 + len(CAUTIONS) + 1


def test_lists_are_the_same_bytes_each_time(month):
    assert files_of(month) == files_of(month)


def test_every_row_is_as_high_as_its_longest_cell_needs(listed, made):
    """A spreadsheet program that does not measure text prints it over the rows below."""
    page = xml(made, "sheet1")
    heights = {int(r): float(h) for r, h in re.findall(r'<row r="(\d+)"[^>]*? ht="([\d.]+)"', page)}
    assert 1 in heights
    for row, why in enumerate(sheet(made, "Work list")["Why"], start=2):
        needed = 15 * lines_of(why or "", 54)
        assert heights.get(row, 15.0) >= needed


@pytest.mark.parametrize(
    ("text", "width", "lines"),
    [("a b c", 1, 3), ("aaa bbb", 7, 1), ("aaa bbb", 6, 2), ("abcdef", 3, 2), ("", 5, 1)],
)
def test_lines_of_a_wrapped_cell(text, width, lines):
    assert lines_of(text, width) == lines


# ---- the whole lists


def test_the_reline_list_is_whole_and_the_most_urgent_stand_first(month):
    status = month.wheel_end_status.with_columns(
        state=pl.when(pl.int_range(pl.len()) == 5).then(pl.lit("worn_out")).otherwise("state")
    )
    due = reline_list(status, month.as_of, 24)
    end = dt.date(month.as_of.year + 2, month.as_of.month, month.as_of.day)
    wanted = status.filter(
        (pl.col("state") == "worn_out")
        | (pl.min_horizontal("reline_on_p50", "min_on_p50") <= end)
        | (pl.col("min_on_p10") <= month.as_of + dt.timedelta(weeks=12))
    )
    assert sorted(due["wheel_end_id"]) == sorted(wanted["wheel_end_id"])
    assert due["depot"].rle_id().n_unique() == due["depot"].n_unique()
    for _, depot in due.group_by("depot"):
        ranks = depot["urgency"].replace_strict({NOW: 0, LATER: 2}, default=1)
        assert ranks.is_sorted()
        for _, alike in depot.group_by("urgency"):
            assert alike["act_by"].is_sorted()
    assert (due["act_by"] >= month.as_of).all()
    assert set(due.filter(pl.col("urgency") == NOW)["act_by"]) == {month.as_of}


def test_what_was_never_inspected_stands_in_the_overdue_list(month):
    unseen = month.wheel_end_status.head(2)
    records = month.wheel_end_status.select("wheel_end_id", "unit_id", "depot", "axle_type", "duty")
    records = records.with_columns(
        inspections=pl.col("wheel_end_id").is_in(unseen["wheel_end_id"].implode()).not_().cast(int)
    )
    late = lists_of(replace(month, on_record=records)).overdue
    never = late.filter(pl.col("kind") == NEVER)
    assert sorted(never["wheel_end_id"]) == sorted(unseen["wheel_end_id"])
    assert never["due_on"].null_count() == never.height
    assert late.height == month.overdue.height + 2


def test_csv_and_workbook_use_the_same_words(month, made):
    files = files_of(month)
    for name, page in (("worklist", "Work list"), ("reline_list", "Relines")):
        text = pl.read_csv(io.BytesIO(files[f"{name}.csv"]), infer_schema=False)
        assert text.columns == sheet(made, page).columns
        assert {"Who", "Done on", "Remarks"} <= set(text.columns)
    words = pl.read_csv(io.BytesIO(files["worklist.csv"]), infer_schema=False)["What"]
    assert set(words) <= set(STATE_WORDS.values())
    assert words.to_list() == sheet(made, "Work list")["What"].to_list()


# ---- text that a spreadsheet would run


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@a", " =1", "\t=1", "\r@x"])
def test_csv_keeps_formulas_from_running(text):
    made = safe_csv(pl.DataFrame({"unit_id": [text, "T1"]})).decode("utf-8-sig")
    assert pl.read_csv(io.StringIO(made))["unit_id"].to_list() == [f"'{text}", "T1"]


def test_xlsx_holds_formulas_as_text():
    page = Page("A", pl.DataFrame({"unit_id": [FORMULA, "http://x"]}), {"unit_id": Column("U")})
    made = workbook([page], [("Notes", (FORMULA,))], "T", DAY)
    assert sheet(made, "A")["U"].to_list() == [FORMULA, "http://x"]
    assert all("<f>" not in xml(made, part) for part in ("sheet1", "sheet2"))
    assert "<hyperlink" not in xml(made, "sheet1")


def test_every_list_holds_hostile_text_as_text():
    data = dashboard_data.hostile_month()
    work = work_list(data.wheel_end_status)
    files = files_of(data)
    made = files["worklist.xlsx"]
    assert sheet(made, "Work list")["Unit"].to_list() == work["unit_id"].to_list()
    assert all("<f>" not in xml(made, f"sheet{n}") for n in (1, 2, 3, 4))
    text = "".join(files[f"{n}.csv"].decode("utf-8-sig") for n in CSVS)
    assert not any(cell.startswith(("=", '"=')) for cell in text.replace("\n", ",").split(","))


# ---- the budget


def parts_of(budget: pl.DataFrame) -> BudgetParts:
    """Parts as the marts hold them, from a made-up budget that has every margin."""
    depots = budget.filter(pl.col("axle_type").is_null(), pl.col("duty").is_null()).drop_nulls(
        "depot"
    )
    groups = budget.filter(pl.col("depot").is_null()).drop_nulls(("axle_type", "duty"))
    both = pl.concat([depots.with_columns(part=pl.lit("depot")), groups.with_columns(part=_GROUP)])
    year = both.group_by("part", "depot", "axle_type", "duty", maintain_order=True).first()
    spans = [
        year.drop("month").with_columns(months=pl.lit(n), until_on=pl.lit(DAY)) for n in (12, 24)
    ]
    return BudgetParts(months=both, spans=pl.concat(spans))


_GROUP = pl.lit("axle_type, duty")


@pytest.fixture(scope="module")
def data():
    made = dashboard_data.month(240)
    days = made.reline_outlook.with_columns(until_on=pl.lit(DAY))
    return replace(made, reline_outlook=days)


@pytest.fixture(scope="module")
def parts(data):
    return parts_of(data.reline_budget)


@pytest.fixture(scope="module")
def budget(data, parts):
    settings = Settings(costs=Costs(lining_kit=86, reline_labour=64, inflation_per_year=0.031))
    return workbook(*budget_book(data, data.reline_budget, parts, settings))


def test_the_budget_has_a_sheet_for_each_view(budget):
    assert fastexcel.read_excel(budget).sheet_names == [
        "Totals",
        "By month",
        "By depot",
        "By axle type and duty",
        "Scenarios",
        "Every cell",
        "Notes",
    ]


def test_totals_are_those_of_the_spans_and_never_sums_of_quantiles(data, parts, budget):
    totals = sheet(budget, "Totals")
    fleet = totals.filter((pl.col("Of") == "the fleet") & (pl.col("Months") == "12"))
    year = data.reline_outlook.filter(pl.col("months") == 12).row(0, named=True)
    high = float(fleet["Relines, high (1 in 10 above)"].item())
    assert high == pytest.approx(year["relines_p90"], abs=1e-4)  # written to four places
    depots = parts.spans.filter((pl.col("part") == "depot") & (pl.col("months") == 24))
    assert totals.filter(pl.col("Months") == "24").height == 1 + depots.height


def test_readings_behind_the_budget_stand_beside_it(data, budget):
    groups = sheet(budget, "By axle type and duty")
    one = groups.filter((pl.col("Axle type") == "drive") & (pl.col("Duty") == "quarry"))
    rate = data.wear_rates.filter(pl.col("axle_type") == "drive", pl.col("duty") == "quarry")
    assert set(one["Readings behind it"]) == {str(rate["readings"].item())}


def test_notes_say_what_is_assumed_where_from_and_how_far_to_trust_it(budget):
    notes = " ".join(sheet(budget, "Notes").to_series().drop_nulls())
    for wanted in (
        "linings 86, labour 64",
        "rise by 3.1% a year",
        "cannot be added up",
        "Patterson",
        "lining readings of",
        "inside the bands",
        CAUTIONS[0],
    ):
        assert wanted in notes, wanted


def test_notes_say_what_of_the_past_the_forecast_does_not_go_on_with(data, parts):
    """As the page does: here a campaign, relines for their age, and fewer for other reasons."""
    told = {
        **dict.fromkeys(empty("reline_policy").columns),
        **{"age_days": 640.0, "age_kept": 0.95, "age_share": 0.7, "campaigns": 1},
        "campaign_until_on": dt.date(2025, 3, 2),
        **{"campaign_relines": 412, "campaign_usual": 118.6, "campaign_chance": 1.0},
    }
    policy = pl.DataFrame([told], empty("reline_policy").schema)
    once = replace(data, reline_policy=policy)
    made = workbook(*budget_book(once, data.reline_budget, parts, Settings()))
    notes = sheet(made, "Notes").to_series().drop_nulls().to_list()
    sentences = policy_told(policy, data.reline_habits, Measures(data.fleet))
    assert len(sentences) == 3
    assert set(map(plain, sentences)) <= set(map(plain, notes))


def test_what_a_run_doubts_of_itself_goes_along_with_its_lists_and_budget(data, parts):
    last = data.as_of - dt.timedelta(weeks=20)
    row = {"depot": None, "from_on": last, "until_on": None, "units": 9}
    schema = {"depot": pl.String, "from_on": pl.Date, "until_on": pl.Date, "units": pl.Int64}
    silent = replace(data, record_holes=pl.DataFrame([row], schema))
    told = replace(silent, notes=run_notes(silent))
    lists = workbook(*list_files(told)[1]["worklist.xlsx"])
    budget = workbook(*budget_book(told, data.reline_budget, parts, Settings()))
    for book in (lists, budget):
        notes = " ".join(sheet(book, "Notes").to_series().drop_nulls())
        assert "20 weeks before the day this is told of, and 9 units were checked" in plain(notes)


def test_a_budget_without_costs_or_forecast_says_so(data, parts):
    empty = {name: getattr(data, name).clear() for name in ("reline_outlook", "wear_rates")}
    bare = replace(data, scenarios=None, **empty)
    nothing = BudgetParts(parts.months.clear(), parts.spans.clear())
    made = workbook(*budget_book(bare, data.reline_budget.clear(), nothing, Settings()))
    notes = " ".join(sheet(made, "Notes").to_series().drop_nulls())
    assert "relines are counted, not priced" in notes
    assert "nothing is forecast" in notes
    with zipfile.ZipFile(io.BytesIO(made)) as book:
        sheets = [name for name in book.namelist() if name.startswith("xl/worksheets/")]
        words = " ".join(book.read(name).decode() for name in sheets)
    assert "relines are counted, not priced" in words
    assert not re.search(r"<t[^>]*>[^<]*(Cost|cost\b)[^<]*, (low|mean|high)", words)


def test_text_stands_off_the_number_before_it_in_every_program(budget):
    with zipfile.ZipFile(io.BytesIO(budget)) as book:
        styles = book.read("xl/styles.xml").decode()
    indented = re.findall(r"<alignment[^>]*indent[^>]*>", styles)
    assert indented
    assert all('horizontal="left"' in style for style in indented)
