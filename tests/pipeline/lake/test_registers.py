"""Wheel ends that no register lists."""

import datetime as dt

import pytest

from pipeline.lake.loading import load
from pipeline.settings import Settings
from pipeline.warehouse import warehouse
from pipeline.warehouse.judging import judge
from tests.drawing import rows
from tests.lakes import inspections, register

NOW = dt.datetime(2026, 2, 1, 6)
TOLD = {
    "wheel_ends": [
        {"units": "k01", "axles": [1], "axle_type": "steer", "arm_length_mm": 120.0},
        {"units": "K0*", "axle_type": "drive"},
    ]
}


@pytest.fixture
def con():
    with warehouse.in_memory() as opened:
        yield opened


@pytest.fixture
def lake(tmp_path):
    (tmp_path / "inspections").mkdir()
    inspections().write_csv(tmp_path / "inspections" / "all.csv")
    return tmp_path


def known(con, lake, told=TOLD):
    """Wheel ends by axle type and arm, and how many of them are derived."""
    settings = Settings.model_validate(told)
    load(con, lake, settings, NOW)
    judge(con, settings, NOW.date(), None)
    return rows(
        con,
        """select axle_type, arm_length_mm, count(*), count(*) filter (where is_derived)
        from judge.wheel_ends group by all order by all""",
    )


def test_the_first_that_fits_says_what_a_wheel_end_is(con, lake):
    assert known(con, lake) == [("drive", None, 14, 14), ("steer", 120.0, 2, 2)]


def test_without_a_word_the_axle_type_is_unstated_and_the_arm_unknown(con, lake):
    assert known(con, lake, {}) == [("unstated", None, 16, 16)]


def test_settings_and_files_that_change_change_what_is_derived(con, lake):
    known(con, lake, {})
    assert known(con, lake) == [("drive", None, 14, 14), ("steer", 120.0, 2, 2)]
    some = inspections().filter(inspections()["unit_id"] != "K04")
    some.write_csv(lake / "inspections" / "all.csv")
    assert known(con, lake) == [("drive", None, 10, 10), ("steer", 120.0, 2, 2)]


def test_a_register_goes_before_and_then_strangers_are_strangers(con, lake):
    known(con, lake)
    (lake / "register").mkdir()
    listed = register().filter(register()["unit_id"] != "K04")
    listed.write_csv(lake / "register" / "all.csv")
    assert known(con, lake) == [("trailing", 140.0, 12, 0)]
    assert rows(con, "select distinct reason_kind from mart.set_aside") == [("unknown wheel end",)]


def test_derived_rows_are_no_rows_read(con, lake):
    known(con, lake)
    assert rows(con, "select sum(rows_read), count(*) from mart.loads") == [(144, 1)]


def test_a_register_without_arms_is_accepted(con, lake):
    (lake / "register").mkdir()
    register().drop("arm_length_mm").write_csv(lake / "register" / "all.csv")
    assert known(con, lake) == [("trailing", None, 16, 0)]
