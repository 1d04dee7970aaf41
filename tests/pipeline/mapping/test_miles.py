"""Odometers of one file or depot in miles, of others in km, under headings that state no unit."""

import datetime as dt

import pytest

from pipeline.cli import main

HEAD = "Depot;Unit;Date;Odometer;1L lining mm;1R lining mm\n"
APART = "1.61 times as far, and linings wear alike by the day: if the odometers of {} are in miles"


def rows(units, *, scale=1.0, days=(0, 90, 180, 270), wear=0.01, depot="D"):
    """Checks of units that run some 200 km a day."""
    return "".join(
        f"{depot};{unit};{dt.date(2024, 1, 9) + dt.timedelta(days=day)};"
        f"{(90_000 + 40_000 * i + (190 + 10 * i) * day) * scale:.0f};{16 - wear * day:.1f};15\n"
        for i, unit in enumerate(units) for day in days
    )  # fmt: skip


def checked(lake, capsys, **files):
    for name, text in files.items():
        (lake / f"{name}.csv").write_text(HEAD + text)
    (lake / "fleet.toml").write_text('[answers]\ndistance = "km"\n')
    assert main(["map", str(lake)]) == 0
    capsys.readouterr()
    assert main(["check", str(lake)]) == 0
    return capsys.readouterr().out


def test_a_file_whose_units_run_a_mile_less_is_told(tmp_path, capsys):
    south = rows("ABC", scale=1 / 1.609)
    assert APART.format("s.csv") in checked(tmp_path, capsys, n=rows("DEF"), s=south)


def test_so_is_a_depot_of_a_file(tmp_path, capsys):
    both = rows("DEF", depot="North") + rows("ABC", scale=1 / 1.609, depot="South")
    assert APART.format("South") in checked(tmp_path, capsys, n=both)


@pytest.mark.parametrize(
    "other", [{}, {"scale": 1 / 1.2}, {"scale": 1 / 2.2}, {"scale": 1 / 1.609, "wear": 0.006}]
)
def test_units_that_run_otherwise_for_another_reason_are_not(tmp_path, capsys, other):
    assert "in miles" not in checked(tmp_path, capsys, n=rows("DEF"), s=rows("ABC", **other))


def test_units_seen_in_both_files_show_it_by_their_values(tmp_path, capsys):
    then = {"days": (360, 450)}
    later = rows("DEF", scale=1 / 1.609, **then)
    told = checked(tmp_path, capsys, n=rows("DEF"), s=later)
    assert "odometers of D, E, F, seen in s.csv and in n.csv, are 1.61 times apart there" in told
    assert "in miles" not in checked(tmp_path, capsys, s=rows("DEF", **then))
