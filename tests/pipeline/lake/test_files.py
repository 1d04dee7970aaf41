"""Bytes → cells: what offices really save."""

import csv
import datetime as dt
import io
from contextlib import suppress
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import UnreadableFileError
from pipeline.lake import files
from pipeline.lake.files import read_cells

CSV = Path("x.csv")


def cells(content: bytes, name: str = "x.csv") -> list[tuple[object, ...]]:
    return read_cells(content, Path(name)).rows.drop("shape_problem").rows()


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_every_delimiter_newline_and_encoding_gives_the_same_cells(delimiter, newline, encoding):
    lines = ["unit_id,fault", "T1,Größe", "T2,"]
    text = newline.join(line.replace(",", delimiter) for line in lines)
    assert cells(text.encode(encoding)) == [(2, "T1", "Größe"), (3, "T2", "")]


def test_quoted_cells_hold_delimiters_quotes_and_newlines():
    assert cells(b'a,b\n"x,1","say ""no"""\n"two\nlines",3\n') == [
        (2, "x,1", 'say "no"'),
        (3, "two\nlines", "3"),
    ]


def test_a_quote_that_never_closes_does_not_swallow_the_rows_after_it():
    assert cells(b'"a","b"\n"1","2"\n"3,4\n"5","6"\n') == [
        (2, "1", "2"),
        (3, '"3', "4"),
        (4, "5", "6"),
    ]


def test_rows_with_too_many_or_too_few_cells_are_kept_with_their_problem():
    read = read_cells(b"a,b\n1\n1,2\n1,2,3\n", CSV)
    assert read.rows["shape_problem"].to_list() == [
        "found 1 cells; accepted: 2, as in the heading",
        None,
        "found 3 cells; accepted: 2, as in the heading",
    ]


def test_blank_lines_are_no_rows_but_keep_their_numbers():
    assert cells(b"a,b\n\n1,2\n,\n3,4\n") == [(3, "1", "2"), (5, "3", "4")]


PLAIN = st.text(alphabet="abc01. ", min_size=1, max_size=6).filter(lambda t: t.strip())


@given(st.lists(st.lists(PLAIN, min_size=3, max_size=3), min_size=1, max_size=8))
def test_the_line_reader_and_the_quote_reader_agree(rows):
    plain = "\n".join(["h1,h2,h3", *(",".join(r) for r in rows)])
    quoted = "\n".join(['"h1",h2,h3', *(",".join(f'"{c}"' for c in r) for r in rows)])
    assert cells(plain.encode()) == cells(quoted.encode())


def workbook() -> bytes:
    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(buffer)
    sheet = book.add_worksheet()
    sheet.write_row(0, 0, ["Unit", "Day", "Lining", "Aligned", "Odometer"])
    sheet.write(1, 0, "T1")
    sheet.write_datetime(1, 1, dt.datetime(2025, 3, 4), book.add_format({"num_format": "dd/mm/yy"}))
    sheet.write(1, 2, 12.5)
    sheet.write(1, 3, True)
    sheet.write(1, 4, 400123)
    sheet.write_row(3, 0, ["T2", "04/03/2025", "12,5"])
    book.close()
    return buffer.getvalue()


def test_a_workbook_may_mix_dates_numbers_and_text_in_a_column():
    assert cells(workbook(), "x.xlsx") == [
        (2, "T1", "2025-03-04 00:00:00", "12.5", "true", "400123"),
        (4, "T2", "04/03/2025", "12,5", None, None),
    ]


def test_parquet_cells_keep_their_types():
    buffer = io.BytesIO()
    pl.DataFrame({"unit_id": ["T1"], "on": [dt.date(2025, 3, 4)]}).write_parquet(buffer)
    assert cells(buffer.getvalue(), "x.parquet") == [(2, "T1", dt.date(2025, 3, 4))]


@pytest.mark.parametrize("name", ["x.csv", "x.parquet", "x.xlsx"])
@pytest.mark.parametrize("content", [b"", bytes(range(256)) * 8, b"PK\x03\x04zip", b"PAR1 PAR1"])
def test_rubbish_is_said_in_one_line(name, content):
    if name == "x.csv" and content == b"PAR1 PAR1":
        return  # as text this is a heading of one column
    with pytest.raises(UnreadableFileError) as error:
        read_cells(content, Path(name))
    assert "\n" not in str(error.value)


def test_other_endings_are_named_with_the_accepted_ones():
    with pytest.raises(UnreadableFileError, match=r"\.pdf; accepted: \.csv"):
        read_cells(b"%PDF", Path("x.pdf"))


CELLS = st.sampled_from(
    ["a", "b c", "", " ", '"a"', '"b, c"', '""', '"x""y"', 'q"', '"two\nlines"', "1,5"]
)


@given(st.lists(st.lists(CELLS, min_size=1, max_size=4), min_size=1, max_size=6), st.booleans())
def test_quoted_cells_are_read_as_python_reads_them(table, crlf):
    """Lines whose quotes only go round whole cells take a short way; it must lead to the same."""
    text = ("\r\n" if crlf else "\n").join([",".join(cells) for cells in [["h1", "h2"], *table]])
    try:
        records = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    except csv.Error:
        return
    read = read_cells(text.encode(), CSV)
    filled = [(no, r) for no, r in enumerate(records, 1) if any(cell.strip() for cell in r)][1:]
    assert read.rows["row_no"].to_list() == [no for no, _ in filled]
    for i in range(2):
        expected = [r[i] if i < len(r) else None for _, r in filled]
        assert read.rows[f"c{i}"].to_list() == expected


def test_a_plain_line_has_quotes_round_whole_cells_only():
    plain = pl.Series(['"a",b,"c d",""', "a,b", '"a,b",c', 'a"b,c', '"a""b",c', '"a"b,c'])
    assert plain.str.contains(files.plain_quotes(",")).to_list() == [True, True] + [False] * 4


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), "a workbook with a password, or one of"),
        (workbook()[:-200], "damaged, or not all of it is there"),
        (b"PK\x03\x04" + bytes(90), "damaged, or not all of it is there"),
        (b"<html><table>", "not an XLSX workbook"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_a_workbook_is_said(content, found):
    with pytest.raises(UnreadableFileError, match=found):
        read_cells(content, Path("x.xlsx"))


def test_json_lines_are_rows_and_a_row_is_its_line():
    content = b'{"a": 1, "b": "x"}\n\n{"b": 2.5, "c": true}\n{"a": null, "c": [1]}\n'
    read = read_cells(content, Path("x.jsonl"))
    assert read.headings == ("a", "b", "c")
    assert read.rows.drop("shape_problem").rows() == [
        (1, "1", "x", None), (3, None, "2.5", "True"), (4, None, None, "more than one value"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (b'{"a": 1}\n{"a": 2', 'in line 2 "{"a": 2"'), (b"[1, 2]\n", 'in line 1 "[1, 2]"'),
        (b'{"a": NaN}\n', "in line 1"), (b"{}\n", "no record"), (b"[" * 100_000, "in line 1"),
        (b'{"a": 1, "a": 2}\n', "in line 1"),
    ],
)  # fmt: skip
def test_a_line_that_is_no_flat_record_makes_a_file_unreadable(content, found):
    with pytest.raises(UnreadableFileError, match=r"accepted: one object of plain values") as told:
        read_cells(content, Path("x.ndjson"))
    assert found in str(told.value)


VISITS = b"""{"visits": [
  {"unit": "T1", "odometer": {"km": 5, "read": true},
   "ends": [{"pos": "1L", "mm": 9}, {"pos": "1R"}]},
  {"unit": "T2", "odometer": {"km": 6}, "ends": []}]}"""


def test_lines_that_hold_lists_of_objects_are_records_by_their_place():
    lines = b'{"unit": "T1", "km": 5, "ends": [{"pos": "1L"}, {"pos": "1R"}]}\n\n{"unit": "T2"}\n'
    read = read_cells(lines, Path("x.jsonl"))
    assert read.headings == ("unit", "km", "pos")
    assert read.rows.drop("shape_problem").rows() == [
        (1, "T1", "5", "1L"), (2, "T1", "5", "1R"), (3, "T2", None, None)
    ]  # fmt: skip


def test_a_list_of_objects_is_records_with_what_stands_around_them():
    read = read_cells(VISITS, Path("x.json"))
    assert read.headings == ("unit", "odometer km", "odometer read", "pos", "mm", "ends")
    assert read.rows.drop("shape_problem").rows() == [
        (1, "T1", "5", "True", "1L", "9", None), (2, "T1", "5", "True", "1R", None, None),
        (3, "T2", "6", None, None, None, "more than one value"),
    ]  # fmt: skip
    lines = read_cells(b'{"a": 1}\n{"a": 2}\n', Path("x.json"))
    assert lines.rows["c0"].to_list() == ["1", "2"]


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (b"[1, 2]", '"[1, 2]"'), (b'{"a": [{"b": 1}], "c": [{"d": 1}]}', "lists beside each other"),
        (b'[{"a": {"b": [{"c": 1}, {"c": 2}]}}]', "a list within"), (b"[]", "no record"),
        (b"[" * 100_000, "in line 1"), (b'[{"a": 1, "a": 2}]', "in line 1"),
        (b'{"a":' * 9 + b'{"b": 1}' + b"}" * 9, "over 8 deep"), (b'[{"a": 1}', "in line 1"),
    ],
)  # fmt: skip
def test_other_json_makes_a_file_unreadable(content, found):
    with pytest.raises(UnreadableFileError, match="accepted: one") as told:
        read_cells(content, Path("x.json"))
    assert found in str(told.value)


@given(st.text(alphabet='{}[]",:\\ \na1.eE-truefalsn', max_size=60))
def test_any_json_text_is_read_or_refused_and_no_line_is_lost(text):
    with suppress(UnreadableFileError):
        read = read_cells(text.encode() or b" ", Path("x.jsonl"))
        assert read.rows.height >= sum(bool(line.strip()) for line in text.split("\n"))
