"""How many records of each kind every wheel end has."""

from pipeline.warehouse import warehouse
from tests.drawing import rows, warehouse_of


def test_records_are_counted_and_a_wheel_end_without_any_has_noughts():
    con = warehouse_of(
        inspections="""
            unit_id | axle_no | side | inspected_on | odometer_km | lining_mm | free_stroke_mm
            K1      | 1       | L    | 2025-01-06   | 10000       | 9         | 17
            K1      | 1       | L    | 2025-04-07   | 20000       | 17        | -
        """,
        work="""
            unit_id | axle_no | side | done_on    | odometer_km | action
            K1      | 1       | L    | 2025-01-06 | 10000       | greased
        """,
    )
    warehouse.build(con, "40_mart")
    counts = "inspections, linings, strokes, jobs, greasings, relines"
    found = rows(con, f"select wheel_end_id, duty, {counts} from mart.on_record order by 1")
    assert found == [
        # A lining that grew by 8 mm was relined, though no job says so.
        ("K1/1L", "unassigned", 2, 2, 1, 1, 1, 1),
        ("K1/1R", "unassigned", 0, 0, 0, 0, 0, 0),
    ]
    jobs = "select on_date::varchar, jobs from mart.histories order by 1"
    assert rows(con, jobs) == [
        ("2025-01-06", "greased"),
        ("2025-04-07", "reline (found, not recorded)"),
    ]


def test_inspections_on_the_first_or_last_of_a_month_are_counted():
    con = warehouse_of(
        inspections="""
            unit_id | axle_no | side | inspected_on | odometer_km | lining_mm
            K1      | 1       | L    | 2024-02-29   | 10000       | 15
            K1      | 1       | L    | 2024-04-01   | 12000       | 14
            K1      | 1       | L    | 2024-06-28   | 14000       | 13
            K1      | 1       | L    | 2024-08-31   | 16000       | 12
        """,
    )
    warehouse.build(con, "40_mart")
    found = rows(con, "select inspections, month_ends from mart.on_record order by wheel_end_id")
    assert found[0] == (4, 3)


def test_strokes_as_left_are_counted_apart():
    con = warehouse_of(
        inspections="""
            unit_id | axle_no | side | inspected_on | odometer_km | free_stroke_mm | as_left
            K1      | 1       | L    | 2025-01-06   | 10000       | 26             | false
            K1      | 1       | L    | 2025-01-06   | 10000       | 18             | true
            K1      | 1       | L    | 2025-04-07   | 20000       | -              | true
            K1      | 1       | L    | 2025-07-07   | 30000       | 19             | -
        """,
    )
    warehouse.build(con, "40_mart")
    found = rows(con, "select strokes, strokes_left from mart.on_record order by wheel_end_id")
    assert found[0] == (3, 1)
