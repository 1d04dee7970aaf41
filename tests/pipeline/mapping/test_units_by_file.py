"""Depots that write the same headings in different units: each file is asked for by itself."""

import pytest

from pipeline.cli import main
from pipeline.mapping.command import map_lake
from pipeline.settings import load_settings
from tests.exports.fleet import workbook
from tests.pipeline.mapping.test_alike_columns import rows_of

HEAD = "Unit;Date;Km;1L lining;1R lining\n"
NORTH = HEAD + "T1;2024-01-09;100000;15;15\nT1;2024-04-09;109000;14.5;14\n"
SOUTH = HEAD + "T2;2024-01-09;100000;0.60;0.55\nT2;2024-04-09;109000;0.55;0.50\n"


@pytest.fixture
def depots(tmp_path):
    (tmp_path / "n.csv").write_text(NORTH)
    (tmp_path / "s.csv").write_text(SOUTH)
    return tmp_path


def test_each_depots_unit_is_asked_for(depots, capsys):
    assert main(["map", str(depots)]) == 1
    out = capsys.readouterr().out
    assert "2 questions to answer under [answers] and [[files]] in fleet.toml" in out
    settings = depots / "fleet.toml"
    text = settings.read_text()
    assert 'files = "s.csv"\nlength = "ask"   # to answer: "cm" or "in"' in text
    settings.write_text(text.replace('# length = "mm"', 'length = "mm"'))  # of the one alone
    assert rows_of(depots, "n.csv")["lining_mm"].to_list() == [15, 15, 14.5, 14]
    rows = rows_of(depots, "s.csv")
    assert rows["lining_mm"].null_count() == 4
    assert rows["problem"].str.contains("set length in its [[files]]", literal=True).all()
    settings.write_text(settings.read_text().replace('length = "ask"', 'length = "in"'))
    assert rows_of(depots, "s.csv")["lining_mm"][0] == pytest.approx(0.6 * 25.4)
    assert main(["map", str(depots)]) == 0


def test_whoever_sits_at_the_terminal_is_asked_both(depots):
    asked = []
    told = []
    map_lake(depots, lambda q: asked.append(q) or "", told.append)
    assert asked == ["  mm/32nds/16ths [mm]: ", "  cm/in [in]: "]
    assert any('("1L lining" in s.csv, as in 0.60)' in line for line in told)
    assert rows_of(depots, "s.csv")["lining_mm"][0] == pytest.approx(0.6 * 25.4)
    assert map_lake(depots, None, told.append).is_clear  # and not again
    assert 'length = "in"' in (depots / "fleet.toml").read_text()


def test_folders_of_depots_are_named_whole(tmp_path):
    for depot, text in (("north", NORTH), ("south", SOUTH)):
        (tmp_path / depot).mkdir()
        for month in "12":
            (tmp_path / depot / f"{month}.csv").write_text(text.replace("-09;", f"-1{month};"))
    map_lake(tmp_path, None, lambda _: None)
    files = [f.files for f in load_settings(tmp_path / "fleet.toml").files]
    assert sorted(files) == ["north/*", "south/*"]


def test_a_file_of_the_form_that_is_of_neither_depot_is_not_read_in_the_unit_of_one(depots, capsys):
    map_lake(depots, lambda _: "", lambda _: None)
    (depots / "s2.csv").write_text(SOUTH.replace("T2", "T3"))
    capsys.readouterr()
    main(["check", str(depots)])
    assert "s2.csv: not read: none of the 2 [[files]] of fleet.toml fits" in capsys.readouterr().out


HEADING = ["Unit", "Date", "Km", "1L lining", "1R lining"]
IN_MM, IN_INCHES = ["T1", "2024-01-09", 100_000, 15, 14], ["T2", "2024-01-09", 100_000, 0.6, 0.5]


def test_sheets_of_one_file_are_told_apart_by_their_names(tmp_path):
    for month in "12":
        sheets = {"N (mm)": [HEADING, IN_MM], "S": [HEADING, IN_INCHES]}
        workbook(tmp_path / f"{month}.xlsx", sheets)
    asked: list[str] = []
    told: list[str] = []
    assert map_lake(tmp_path, lambda q: asked.append(q) or "", told.append).is_clear
    assert asked == ["  mm/32nds/16ths [mm]: ", "  cm/in [in]: "]
    assert any('("1L lining" in 1.xlsx [S], as in 0.6)' in line for line in told)
    workbook(tmp_path / "3.xlsx", {"S": [HEADING, IN_INCHES], "N (mm)": [HEADING, IN_MM]})
    for name in ("1.xlsx", "3.xlsx"):
        read = dict(rows_of(tmp_path, name).select("unit_id", "lining_mm").rows())
        assert read == {"T1": 14, "T2": pytest.approx(0.5 * 25.4)}
    assert map_lake(tmp_path, None, told.append).is_clear  # and not again


def test_sheets_of_one_name_and_two_units_in_two_files_are_not_told_apart(tmp_path):
    workbook(tmp_path / "a.xlsx", {"N": [HEADING, IN_MM], "S": [HEADING, IN_INCHES]})
    workbook(tmp_path / "b.xlsx", {"N": [HEADING, IN_INCHES], "S": [HEADING, IN_MM]})
    told: list[str] = []
    assert not map_lake(tmp_path, None, told.append).is_clear
    lines = "\n".join(told)
    assert "can be in cm or in, not in mm or 32nds or 16ths as others" in lines
    assert '"1L lining" = "1L lining_in", or what it is' in lines


def test_a_sheet_that_no_form_is_for_is_not_read_in_the_unit_of_another(tmp_path, capsys):
    workbook(tmp_path / "a.xlsx", {"N": [HEADING, IN_MM], "S": [HEADING, IN_INCHES]})
    map_lake(tmp_path, lambda _: "", lambda _: None)
    workbook(tmp_path / "b.xlsx", {"West": [HEADING, IN_INCHES]})
    main(["check", str(tmp_path)])
    assert "b.xlsx: not read: none of the 2 [[files]]" in capsys.readouterr().out


def test_of_days_that_a_file_leaves_open_what_others_show_is_said_and_the_default(tmp_path):
    for month in (2, 3):
        days = (f"{month}/13/2024", f"{month}/25/2024") if month == 3 else ("2/7/2024", "2/9/2024")
        rows = "".join(f"T{i};{day};100000;15;15\n" for i, day in enumerate(days))
        (tmp_path / f"{month}.csv").write_text(HEAD.replace("Km", "Odometer km") + rows)
    told: list[str] = []
    map_lake(tmp_path, lambda _: "", told.append)
    assert any("Is the day or the month first in 2/7/2024 (other files show the month first)?" in t
               for t in told)  # fmt: skip
    assert rows_of(tmp_path, "2.csv")["inspected_on"].dt.month().unique().to_list() == [2]
