"""What the top of the page is told from: counted from the records themselves."""

import datetime as dt

import polars as pl
import pytest

from pipeline.publish.page_frames import DEPOTS_SINCE, _relines_lately, as_told
from pipeline.settings import Settings
from pipeline.warehouse import warehouse
from tests.drawing import warehouse_of

D = dt.date
AS_OF = D(2025, 12, 31)


def made():
    """K1 renews an axle on a day, its whole cost on one row; K2 one end that nobody measured."""
    return warehouse_of(
        register="""
            unit_id | axle_no | side | axle_type | depot
            K1      | 1       | L    | drive     | West
            K1      | 1       | R    | drive     | West
            K2      | 1       | L    | drive     | East
        """,
        inspections="""
            unit_id | axle_no | side | inspected_on | odometer_km | lining_mm | return_test
            K1      | 1       | L    | 2025-03-01   | 100000      | 7         | pass
            K1      | 1       | R    | 2025-03-01   | 100000      | 8         | pass
            K2      | 1       | L    | 2025-03-02   | 100000      | 9         | pass
            K2      | 1       | L    | 2025-06-02   | 120000      | -         | pass
            K1      | 1       | L    | 2025-06-01   | 120000      | 17        | pass
            K1      | 1       | R    | 2025-06-01   | 120000      | 17        | pass
            K2      | 1       | L    | 2025-09-02   | 140000      | 17        | pass
        """,
        work="""
            unit_id | axle_no | side | done_on    | odometer_km | action | cost
            K1      | 1       | L    | 2025-03-01 | 100000      | reline | 600
            K1      | 1       | R    | 2025-03-01 | 100000      | reline | 0
            K2      | 1       | L    | 2025-06-02 | 120000      | reline | -
        """,
        as_of=AS_OF,
    )


def test_a_cost_booked_on_one_row_is_that_of_all_relines_of_the_visit():
    lately = _relines_lately(made(), Settings(), AS_OF)
    wanted = ["depot", "relines", "written", "unmeasured", "costed", "cost"]
    assert lately.select(wanted).rows() == [("East", 1, 1, 1, 0, 0.0), ("West", 2, 2, 0, 2, 600.0)]


def test_depots_are_as_old_as_the_first_checks_of_their_units():
    found = warehouse.fetch(made(), DEPOTS_SINCE, order="depot")
    assert found.rows() == [("East", 1, D(2025, 3, 2)), ("West", 1, D(2025, 3, 1))]


@pytest.mark.parametrize(("flagged", "change"), [(2, "newly"), (3, "still")])
def test_a_flag_that_no_page_has_told_is_new_to_its_reader(flagged: int, change: str):
    """A sheet of April came in June: by what is on record C was flagged in May, but no page said
    so. Where what the page said is not known whole, what is on record stands."""
    words = {"A": "still", "B": "newly", "C": "still", "D": "cleared"}
    changes = pl.DataFrame({"wheel_end_id": list(words), "change": list(words.values())})
    changes = changes.with_columns(compared_with=pl.lit(D(2025, 5, 29)))
    told = pl.DataFrame(
        {"month": ["2025-04", "2025-05", "2025-05"], "wheel_end_id": ["C", "A", "D"]}
    )
    months = pl.DataFrame({"month": ["2025-04", "2025-05"], "flagged": [1, flagged]})
    said = as_told(changes, told, months)["change"].to_list()
    assert said == ["still", "newly", change, "cleared"]
