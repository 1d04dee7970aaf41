"""A fleet whose every name, heading, file and setting was written by somebody who means harm."""

import csv
import io
import re
import shutil
import zipfile
from html.parser import HTMLParser
from xml.etree import ElementTree

import duckdb
import polars as pl
import pytest

from pipeline.cli import main
from pipeline.marts import marts
from tests import ROOT
from tests.lakes import inspections, register, work

INSPECTOR = "Zebedee Quillfeather"
USER = "uqz7name"
TAG = "<xss onxss=1>"
# By unit: each means something to a layer below it, and all of them are somebody's text.
UNITS = {
    "K01": f"</script>{TAG}",
    "K02": "'); drop schema mart cascade; --",
    "K03": '=HYPERLINK("http://x.invalid","a")',
    "K04": "../../../etc/passwd",
}
DEPOTS = {"Northgate": f'"{TAG}&amp;', "Millbrook": "+1+cmd|' /C calc'!A0"}
AXLE_TYPE = '{{7*7}}{% raw %}${7*7}"]}\u202e'
DUTY = f"@SUM(1)';--{TAG}"
HEADINGS = {"lining_mm": f"{TAG}'; drop table raw.files; --", "depot": "{}{0}$1"}
FILE = f"'; drop table x; -- {TAG[:-1].replace(' ', '_')} $(touch x) {{}}.csv"
SETTINGS = f"""
[fleet]
name = '''</title>{TAG}{{{{7*7}}}}'''
currency = '=1+1{TAG}'
[columns.inspections]
"{HEADINGS["lining_mm"]}" = "lining_mm"
"Who" = "inspector"
[columns.register]
"{HEADINGS["depot"]}" = "depot"
[axle_types.'{AXLE_TYPE}']
lining_new_mm = 18
lining_min_mm = 6
[service.duties."{DUTY}"]
check_weeks = 8
[scenarios."{TAG}'); drop table mart.loads; --"]
description = '''=cmd{TAG}'''
together = "axle"
[duties]
order = ["{DUTY}"]
"""


@pytest.fixture(scope="module")
def ran(tmp_path_factory):
    base = tmp_path_factory.mktemp("hostile")
    lake = hostile_lake(base / "lake")
    with pytest.MonkeyPatch.context() as patch:
        for name in ("USER", "LOGNAME", "USERNAME"):
            patch.setenv(name, USER)
        assert main(["run", str(lake), "--out", str(base / "out")]) == 0
    return base


def hostile_lake(lake):
    for name in ("register", "inspections", "work", "duty"):
        (lake / name).mkdir(parents=True)
    kinds = register().with_columns(axle_type=pl.lit(AXLE_TYPE))
    renamed(kinds, UNITS, DEPOTS).rename({"depot": HEADINGS["depot"]}).write_csv(
        lake / "register" / FILE
    )
    # One unit keeps slackening, so that a list names it.
    checks = pl.int_range(pl.len()).over("unit_id", "axle_no", "side")
    stroke = pl.when(pl.col("unit_id") == "K03").then(14 + 4 * checks)
    readings = renamed(
        inspections().with_columns(stroke.otherwise("free_stroke_mm").alias("free_stroke_mm")),
        UNITS,
        {},
    ).with_columns(Who=pl.lit(INSPECTOR), fault=pl.lit(f"=1+1{TAG}"))
    readings.rename({"lining_mm": HEADINGS["lining_mm"]}).write_csv(lake / "inspections" / FILE)
    renamed(work(), UNITS, {}).write_csv(lake / "work" / FILE)
    spells = "".join(f'"{unit}","{DUTY}",2024-01-01\n' for unit in map(quoted, UNITS.values()))
    (lake / "duty" / FILE).write_text(f"unit_id,duty,from_on\n{spells}", encoding="utf-8")
    # A row that is set aside is shown as it stood.
    with (lake / "inspections" / FILE).open("a", encoding="utf-8") as file:
        file.write(f'"{TAG}",1,L,2025-01-01,1,=9+9{TAG},18,pass,{INSPECTOR},\n')
    (lake / "fleet.toml").write_text(SETTINGS, encoding="utf-8")
    return lake


def renamed(frame, units, depots):
    for column, names in (("unit_id", units), ("depot", depots)):
        if column in frame.columns:
            frame = frame.with_columns(frame[column].replace(names))
    return frame


def quoted(text):
    return text.replace('"', '""')


def published(base):
    return sorted(p for p in (base / "out" / "published").rglob("*") if p.is_file())


class Tags(HTMLParser):
    """Names of the tags and attributes that a browser would make of a page."""

    def __init__(self, text):
        super().__init__()
        self.found = set()
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.found |= {tag, *(name for name, _ in attrs)}


def test_no_statement_was_run_that_a_cell_a_heading_or_a_setting_wrote(ran):
    with duckdb.connect(str(ran / "out" / "drumline.duckdb"), read_only=True) as con:
        tables = {
            name
            for (name,) in con.execute(
                "select table_name from information_schema.tables where table_schema = 'mart'"
            ).fetchall()
        }
        assert set(marts.SCHEMAS) <= tables
        units = con.execute("select distinct unit_id from mart.wheel_end_status").fetchall()
        assert {unit for (unit,) in units} == {unit.strip("'") for unit in UNITS.values()}
        (lining,) = con.execute(
            "select count(*) from mart.wheel_end_status where lining_mm is not null"
        ).fetchall()[0]
        assert lining == 16


def test_no_tag_or_attribute_of_theirs_is_in_a_page(ran):
    pages = [p for p in published(ran) if p.suffix == ".html"]
    assert len(pages) >= 2
    for page in pages:
        found = Tags(page.read_text(encoding="utf-8")).found
        assert not found & {"xss", "onxss"}, page
        assert "title" in found  # the parser did read it


def test_no_template_expression_of_theirs_was_evaluated(ran):
    """{{7*7}} in the fleet's name stays as it is."""
    text = next(p for p in published(ran) if "/20" in str(p) and p.name == "index.html").read_text()
    assert "{{7*7}}" in text


def test_no_element_of_theirs_is_in_a_chart(ran):
    charts = [p for p in published(ran) if p.suffix == ".svg"]
    assert charts
    for chart in charts:
        names = {element.tag for element in ElementTree.parse(chart).iter()}
        assert not any("xss" in name or "script" in name for name in names), chart


def test_no_cell_of_a_list_is_a_formula(ran):
    lists = [p for p in published(ran) if p.suffix == ".csv"]
    assert lists
    for path in lists:
        text = path.read_text(encoding="utf-8-sig")
        assert path.name != "worklist.csv" or "HYPERLINK" in text
        for row in csv.reader(io.StringIO(text)):
            for cell in row:
                assert not re.match(r"\s*[=+@\t\r]|\s*-(?!\d)", cell), (path.name, cell)


def test_no_cell_of_a_workbook_is_a_formula_or_a_link(ran):
    books = [p for p in published(ran) if p.suffix == ".xlsx"]
    assert books
    for path in books:
        with zipfile.ZipFile(path) as book:
            for name in book.namelist():
                part = book.read(name)
                assert b"<f>" not in part, (path.name, name)
                assert b"<hyperlink" not in part, (path.name, name)
                assert b"<xss" not in part, (path.name, name)


def test_nothing_was_written_outside_out(ran):
    assert {p.name for p in ran.iterdir()} == {"lake", "out"}
    assert {p.name for p in (ran / "out").iterdir()} == {"drumline.duckdb", "published", ".lock"}
    months = {p.name for p in (ran / "out" / "published").iterdir()}
    assert months == {"2025-11", "index.html"}
    for path in published(ran):
        assert re.fullmatch(r"[a-z0-9._-]+", path.name), path


def everything(path):
    """A published file's bytes, and those of the parts it packs."""
    yield path.read_bytes()
    if path.suffix == ".xlsx":
        with zipfile.ZipFile(path) as book:
            yield from (book.read(name) for name in book.namelist())


def test_no_published_file_names_an_inspector_a_user_or_a_place_on_this_machine(ran):
    private = [INSPECTOR, *INSPECTOR.split(), USER, str(ran), str(ROOT)]
    for path in published(ran):
        for content in everything(path):
            for word in private:
                assert word.encode() not in content, (path.name, word)
                assert word.encode("utf-16-le") not in content, (path.name, word)


def test_no_mart_names_an_inspector(ran):
    with duckdb.connect(str(ran / "out" / "drumline.duckdb"), read_only=True) as con:
        for table, column in con.execute(
            """select table_name, column_name from duckdb_columns()
            where schema_name = 'mart' and data_type = 'VARCHAR'"""
        ).fetchall():
            found = con.execute(
                f'select count(*) from mart.{table} where contains("{column}", ?)', [INSPECTOR]
            ).fetchall()
            assert found == [(0,)], (table, column)


def test_sheets_for_the_workshop_are_as_harmless(ran, capsys):
    out = ran / "out"
    assert main(["sheet", str(ran / "lake"), "--out", str(out), "--unit", UNITS["K04"]]) == 0
    made = [p for p in (out / "sheets").rglob("*") if p.is_file()]
    try:
        assert made
        for path in made:
            assert path.resolve().is_relative_to(out.resolve())
            if path.suffix == ".html":
                assert not Tags(path.read_text(encoding="utf-8")).found & {"xss", "onxss"}
            for content in everything(path):
                assert b"<f>" not in content
                assert INSPECTOR.encode() not in content
                assert str(ran).encode() not in content
    finally:
        shutil.rmtree(out / "sheets")


def test_what_check_says_of_them_is_plain_text(ran, capsys):
    assert main(["check", str(ran / "lake")]) == 1
    told = capsys.readouterr().out
    assert TAG in told
    assert "\x1b" not in told
    assert INSPECTOR not in told
