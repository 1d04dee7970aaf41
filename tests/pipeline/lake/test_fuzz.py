"""Whatever bytes a lake holds: no crash, no hang, no row unaccounted for, memory bounded.

``tests/bench/bench_fuzz.py`` goes on with more than 100,000 files.
"""

import csv
import io
import resource
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import UnreadableFileError, UserError
from pipeline.lake import workbooks
from pipeline.lake.cells import typed_rows
from pipeline.lake.files import MAX_BYTES, read_cells
from pipeline.lake.lake import FolderLake
from pipeline.settings import Settings, load_settings
from tests import ROOT, mutations
from tests.fuzzing import judged_file, judged_settings, kinds, tally_of
from tests.lakes import write_small_lake

FILES = 250


@pytest.mark.proof
def test_a_seeded_search_finds_nothing(tmp_path):
    """In another process, so that a library that ends it is seen; memory and time are limited."""
    place = tmp_path / "at"
    names = list(kinds())
    done = subprocess.run(
        [sys.executable, "-m", "tests.fuzzing", ",".join(names), "8", str(FILES), str(place)],
        cwd=ROOT,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, (place.read_text(), done.stderr[-500:])
    assert done.stderr == ""
    for name, line in zip(names, done.stdout.splitlines(), strict=True):
        event_counts = tally_of(line)
        assert event_counts.files == FILES
        # A search that never, or only, got past the door would have searched nothing.
        assert len(event_counts.outcomes) >= 2, (name, event_counts)


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused_and_every_record_is_a_row(content):
    judged_file("x.csv")(content, mutations.random.Random(1))


CELL = st.text(
    alphabet=st.characters(exclude_categories=["Cs", "Cc"], include_characters="\n\t,;'\"="),
    max_size=12,
)


@settings(max_examples=150, deadline=None)
@given(st.lists(st.lists(CELL, min_size=3, max_size=3), min_size=1, max_size=6))
def test_what_a_csv_writer_writes_is_read_back_to_the_letter(records):
    buffer = io.StringIO(newline="")
    csv.writer(buffer, quoting=csv.QUOTE_ALL).writerows([["a", "b", "c"], *records])
    read = read_cells(buffer.getvalue().encode(), Path("x.csv")).rows
    kept = [tuple(r) for r in records if any(c.strip() for c in r)]
    assert read.select("c0", "c1", "c2").rows() == kept


@settings(max_examples=150, deadline=None)
@given(st.lists(st.lists(CELL, min_size=1, max_size=9), max_size=6), st.data())
def test_any_cells_under_any_headings_are_accepted_or_told(records, data):
    names = ["unit_id", "axle_no", "side", "done_on", "odometer_km", "action", "cost"]
    headings = data.draw(st.lists(st.sampled_from(names) | CELL, min_size=1, max_size=9))
    buffer = io.StringIO(newline="")
    csv.writer(buffer, quoting=csv.QUOTE_ALL).writerows([headings, *records])
    try:
        cells = read_cells(buffer.getvalue().encode(), Path("x.csv"))
    except UnreadableFileError:
        return
    rows = typed_rows("work", cells, Settings())
    assert rows["row_no"].to_list() == cells.rows["row_no"].to_list()
    required = rows.select("unit_id", "axle_no", "side", "done_on", "odometer_km", "action")
    incomplete = required.select(pl.any_horizontal(pl.all().is_null())).to_series()
    assert rows.filter(incomplete)["problem"].null_count() == 0


VALUE = st.recursive(
    st.booleans() | st.integers() | st.floats() | st.text(max_size=5) | st.dates(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=5,
)


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(sorted(Settings.model_fields)), st.dictionaries(st.text(max_size=8), VALUE))
def test_any_setting_is_taken_or_refused_in_one_line(tmp_path_factory, section, content):
    path = tmp_path_factory.getbasetemp() / "any.toml"
    lines = [f"[{section}]", *(f"{_toml(k)} = {_toml(v)}" for k, v in content.items())]
    path.write_text("\n".join(lines), encoding="utf-8")
    tomllib.loads(path.read_text(encoding="utf-8"))  # what is drawn is TOML
    try:
        load_settings(path)
    except UserError as error:
        told = str(error)
    else:
        told = "any.toml: taken"
    assert told.startswith("any.toml: ")
    assert "\n" not in told


def _toml(value):
    match value:
        case bool():
            return str(value).lower()
        case str():
            return '"' + "".join(f"\\U{ord(c):08x}" for c in value if not _surrogate(c)) + '"'
        case list():
            return "[" + ", ".join(map(_toml, value)) + "]"
        case dict():
            return "{" + ", ".join(f"{_toml(k)} = {_toml(v)}" for k, v in value.items()) + "}"
        case _:
            return str(value)


def _surrogate(character):
    return 0xD800 <= ord(character) < 0xE000


def refused(content, name):
    with pytest.raises(UnreadableFileError) as error:
        read_cells(content, Path(name))
    assert "\n" not in str(error.value)
    return str(error.value)


def test_a_file_of_two_gigabytes_is_refused_unread(tmp_path):
    """Sparse, so that it takes no room here; memory in use does not grow by a tenth of it."""
    lake = write_small_lake(tmp_path / "lake")
    with (lake / "inspections" / "one line.csv").open("wb") as file:
        file.truncate(2 << 30)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    (found,) = [f for f in FolderLake(lake).files() if f.path == "inspections/one line.csv"]
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 200_000
    assert found.problem == f"not read: 2,147,483,648 bytes; accepted: up to {MAX_BYTES:,} a file"


def test_a_line_without_end_is_refused():
    assert "a line of 1,048,576 bytes or more" in refused(
        b"unit_id,side\n" + b"x" * (3 << 20), "x.csv"
    )


def test_a_million_columns_are_refused():
    assert refused(b"," * 999_999, "x.csv") == "no heading; accepted: a heading and rows"
    assert refused(b"a" + b",a" * 399_999, "x.csv") == "400,000 columns; accepted: up to 1,000"
    wide = pa.table({f"c{i}": [1] for i in range(1_001)})
    assert "1,001 columns; accepted: up to 1,000" in refused(parquet(wide), "x.parquet")


def test_few_bytes_that_state_many_cells_are_refused():
    text = ",".join(f"c{i}" for i in range(1_000)) + "\n1" * 250_000
    assert "250,001,000 cells; accepted" in refused(text.encode(), "x.csv")
    long = pa.table({"c": pa.repeat(pa.scalar(None, pa.int8()), 200_000_001)})
    assert "200,000,001 cells; accepted" in refused(parquet(long), "x.parquet")


def parquet(table):
    buffer = io.BytesIO()
    pq.write_table(table, buffer)
    return buffer.getvalue()


def test_columns_nested_deep_are_refused():
    kind = pa.int8()
    for _ in range(20):
        kind = pa.list_(kind)
    table = pa.table({"c": pa.array([None], kind)})
    assert "nested over 8 deep" in refused(parquet(table), "x.parquet")


@pytest.mark.parametrize(
    ("value", "kind"),
    [
        (2**31 - 1, pa.date32()),
        (10**18, pa.timestamp("ms")),
        (-(2**62), pa.timestamp("us")),
        (10**15, pa.timestamp("s")),
    ],
    ids=str,
)
def test_a_date_in_no_year_is_set_aside_and_the_others_are_read(value, kind):
    """A library below gives up on writing such a date."""
    whole = pa.int32() if kind == pa.date32() else pa.int64()
    days = pa.array([value, None, 0], whole).cast(kind)
    table = pa.table({"unit_id": ["a", "b", "c"], "inspected_on": days})
    rows = typed_rows("inspections", read_cells(parquet(table), Path("x.parquet")), Settings())
    assert rows["inspected_on"].cast(pl.String).to_list() == [None, None, "1970-01-01"]
    assert 'inspected_on: found "a date in no year"' in rows["problem"][0]


ODD = {
    "a span": pa.array([1], pa.duration("us")),
    "an hour": pa.array([1], pa.time64("us")),
    "a decimal": pa.array([1], pa.decimal128(30, 2)),
    "bytes": pa.array([b"x"]),
    "nothing": pa.nulls(1),
    "a code": pa.array(["a"]).dictionary_encode(),
    "a half": pa.array([1], pa.float32()).cast(pa.float16()),
    "a struct": pa.array([{"a": 1}]),
    "a list": pa.array([[1]]),
    "a great number": pa.array([2**64 - 1], pa.uint64()),
    "a moment": pa.array([1], pa.timestamp("us", "Europe/Paris")),
}


@pytest.mark.parametrize("kind", ODD)
@pytest.mark.parametrize(
    "heading", ["unit_id", "inspected_on", "lining_mm", "marks_aligned", "axle_no", "side", "x"]
)
def test_columns_of_any_type_under_any_heading_are_read_or_told(kind, heading):
    cells = read_cells(parquet(pa.table({heading: ODD[kind]})), Path("x.parquet"))
    rows = typed_rows("inspections", cells, Settings())
    # Required columns are missing, so that every row is set aside with a reason.
    assert rows["problem"].null_count() == 0
    assert rows["row_no"].to_list() == ([] if kind == "nothing" else [2])


def test_settings_nested_deep_are_refused(tmp_path):
    path = tmp_path / "fleet.toml"
    path.write_text("a = " + "[" * 100_000)
    with pytest.raises(UserError, match=r"fleet\.toml: not readable as TOML: nested too deep"):
        load_settings(path)


def workbook(changed):
    """The small workbook with parts exchanged, packed tight."""
    buffer = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(mutations.workbook_file())) as old,
        zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for name in old.namelist():
            new.writestr(name, changed.get(name, lambda part: part)(old.read(name)))
    return buffer.getvalue()


SHEET, SHARED = "xl/worksheets/sheet1.xml", "xl/sharedStrings.xml"


def test_a_workbook_that_unpacks_to_too_much_is_refused(monkeypatch):
    """32 MiB in some 100 kB, where 10 MB are accepted; in earnest it is a gigabyte."""
    monkeypatch.setattr(workbooks, "MAX_UNPACKED", 10 << 20)
    bomb = workbook({SHEET: lambda part: part + b"<x/>" * (8 << 20)})
    assert len(bomb) < 150_000
    assert "unpacks to more than 10,485,760 bytes" in refused(bomb, "x.xlsx")


def test_a_workbook_that_lies_about_its_length_is_refused():
    bomb = workbook({SHEET: lambda part: part + b"<x/>" * (1 << 18)})
    length = (1 << 20) + len(zipfile.ZipFile(io.BytesIO(mutations.workbook_file())).read(SHEET))
    lying = bomb.replace(length.to_bytes(4, "little"), (1_000).to_bytes(4, "little"))
    assert lying != bomb
    assert "not as long as they say" in refused(lying, "x.xlsx")


@pytest.mark.parametrize(
    ("cell", "told"),
    [
        (b'r="ALL1048576"', "1,000 columns; accepted: up to 20,000,000 cells"),
        (b'r="XFD2"', "16,384 columns; accepted: up to 1,000"),
        (b'r="A99999999999999999999999"', "rows and 8 columns; accepted: up to 20,000,000 cells"),
        (b"r = 'A4294967295'", "rows and 8 columns; accepted"),
        (b'r="' + b" " * 9_000 + b'A4294967295"', "more parts than it can hold"),
    ],
)
def test_one_cell_far_from_the_others_is_refused(cell, told):
    """The reader would make room for every cell in between."""
    assert told in refused(workbook({SHEET: lambda part: part.replace(b'r="A2"', cell)}), "x.xlsx")


def test_a_long_text_that_many_cells_point_at_is_refused(monkeypatch):
    monkeypatch.setattr(workbooks, "MAX_TEXT", 10 << 20)
    cells = b'<row r="9">' + b'<c r="A9" t="s"><v>0</v></c>' * 5_000 + b"</row></sheetData>"
    bomb = workbook(
        {
            SHARED: lambda part: part.replace(b"unit_id", b"unit_id" * 1_000),
            SHEET: lambda part: part.replace(b"</sheetData>", cells),
        }
    )
    assert "over 10,485,760 bytes of text in cells" in refused(bomb, "x.xlsx")


def test_a_workbook_that_counts_more_than_it_holds_is_refused():
    lying = workbook({SHARED: lambda part: part.replace(b'count="', b'count="9999999')})
    assert "counts more parts than it can hold" in refused(lying, "x.xlsx")


def test_a_workbook_of_many_rows_is_still_read():
    """100,000 rows of 8 columns: far from every limit."""
    rows = b"".join(
        b'<row r="%d"><c r="A%d" t="s"><v>8</v></c><c r="B%d"><v>1</v></c></row>' % (n, n, n)
        for n in range(5, 100_005)
    )
    large = workbook({SHEET: lambda part: part.replace(b"</sheetData>", rows + b"</sheetData>")})
    assert read_cells(large, Path("x.xlsx")).rows.height == 100_003


def test_rubbish_in_a_workbook_is_told_and_nothing_else_is_printed(capfd):
    """The libraries below say on standard error that they give up, unless they are kept quiet."""
    for kind in ("x.xlsx", "x.parquet"):
        refused(b"PK\x03\x04" + bytes(range(256)) * 9, kind)
    assert judged_settings(b"[fleet]\nname = 1", mutations.random.Random(1)) == "refused"
    assert capfd.readouterr().err == ""
