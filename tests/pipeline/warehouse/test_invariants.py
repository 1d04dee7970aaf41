"""Every invariant, broken once: it is told in one line, and the month before stays as it was."""

import datetime as dt
from contextlib import contextmanager

import pytest

from pipeline.cli import main
from pipeline.errors import BrokenInvariantError
from pipeline.run import Run, filled, settings_of
from pipeline.warehouse import warehouse
from pipeline.warehouse.invariants import INVARIANTS, offending, require_invariants
from tests.drawing import REGISTER, rows, warehouse_of
from tests.lakes import write_small_lake

NOW = dt.datetime(2026, 11, 1)

# rule → what breaks it.
BREAKING = {
    "a row that has no fate": (
        "make up the rows read",
        "update mart.loads set accepted = accepted - 1 where path = 'inspections/K01.csv'",
        "inspections/K01.csv: 36 rows read, 35 accepted, 0 repeated, 0 set aside",
    ),
    "a row set aside that is not listed": (
        "make up the rows read",
        "update mart.loads set accepted = 35, set_aside = 1 where path = 'inspections/K02.csv'",
        "inspections/K02.csv: 1 set aside, 0 listed",
    ),
    "a row lost between reading and judging": (
        "make up the rows read",
        "delete from raw.work where row_no = 3",
        "work: content 6 of 16 rows holds 15",
    ),
    "a row with two fates": (
        "make up the rows read",
        """insert into fate.work select content_id, 2, f, 'x', 'x'
        from raw.contents, (values ('repeated'), ('set_aside')) v(f) where table_name = 'work'""",
        "work: row 2 with 2 fates, 2 of them of a row that was read",
    ),
    "a fate of a row that was never read": (
        "make up the rows read",
        "insert into fate.duty values (77, 1, 'set_aside', 'x', 'x')",
        "duty: row 1 with 1 fates, 0 of them of a row that was read",
    ),
    "a flagged wheel end that no register knows": (
        "stands in the register",
        "update mart.wheel_end_status set wheel_end_id = 'K09/1L', flagged = true "
        "where wheel_end_id = 'K01/1L'",
        "mart.wheel_end_status: K09/1L",
    ),
    "a wheel end that got lost": (
        "stands in the register",
        "delete from mart.wheel_end_status where wheel_end_id = 'K01/1L'",
        "K01/1L: 0 rows of status",
    ),
    "a survival curve that rises": (
        "falls with age",
        """insert into mart.adjuster_curves (km, survival, ci_low, ci_high, method)
        values (0, 1, 1, 1, 'npmle'), (10, 0.5, 0.4, 1, 'npmle'), (20, 0.6, 0.3, 0.9, 'npmle')""",
        "adjuster_curves.survival 0.6 at 20.0 km after 0.5",
    ),
    "a survival above one": (
        "falls with age",
        """insert into mart.adjuster_curves (km, survival, ci_low, ci_high, method)
        values (0, 1.01, 1, 1, 'npmle')""",
        "adjuster_curves.survival 1.01",
    ),
    "an incidence that falls": (
        "falls with age",
        """insert into mart.adjuster_causes (cause, km, incidence, ended, adjusters)
        values ('stuck', 1, 0.2, 1, 1), ('stuck', 2, 0.1, 1, 1)""",
        "adjuster_causes.incidence 0.1 at 2.0 km after 0.2",
    ),
    "quantiles that cross": (
        "in order",
        "update mart.reline_outlook set cost_p10 = cost_p50 + 1 where months = 12",
        "mart.reline_outlook: cost_p10 1.0 above cost_p50 0.0",
    ),
    "dates that cross": (
        "in order",
        "update mart.wheel_end_status set reline_on_p90 = date '2025-01-01' "
        "where wheel_end_id = 'K01/1L'",
        "mart.wheel_end_status: reline_on_p10",
    ),
    "limits that cross": (
        "in order",
        "update mart.wear_rates set ci_high = ci_low - 1",
        "mart.wear_rates: ci_low",
    ),
    "a total that is not the sum of its parts": (
        "add up to its total",
        "update mart.reline_budget set relines_mean = relines_mean + 0.001 "
        "where axle_type is null and month = '2026-03-01'",
        "2026-03-01: relines_mean",
    ),
    "a reading of a later day": (
        "after the as-of day",
        "update stage.inspections set inspected_on = date '2025-11-15' "
        "where inspected_on = date '2025-11-14'",
        "stage.inspections.inspected_on 2025-11-15 after 2025-11-14",
    ),
    "a status of another day": (
        "after the as-of day",
        "update mart.wheel_end_status set as_of = date '2025-11-13' where wheel_end_id = 'K01/1L'",
        "K01/1L: as of 2025-11-13",
    ),
    "a figure that is none": (
        "a number or empty",
        "update mart.wear_components set residual_sd = 'nan'",
        "mart.wear_components.residual_sd nan",
    ),
}


@pytest.fixture(scope="module")
def ran(tmp_path_factory):
    """A warehouse after every stage but the last, in memory."""
    lake = write_small_lake(tmp_path_factory.mktemp("invariants") / "lake")
    with warehouse.in_memory() as con:
        run = Run(con, lake, lake / "none", settings_of(lake), NOW)
        filled(run)
        yield con


@contextmanager
def undone(con):
    con.begin()
    try:
        yield
    finally:
        con.rollback()


def test_a_whole_run_keeps_every_invariant(ran):
    assert [offending(ran, invariant) for invariant in INVARIANTS] == [[] for _ in INVARIANTS]


@pytest.mark.parametrize("name", BREAKING)
def test_what_breaks_an_invariant_is_named_in_one_line(ran, name):
    rule, statement, told = BREAKING[name]
    with undone(ran):
        ran.execute(statement)
        with pytest.raises(BrokenInvariantError) as error:
            require_invariants(ran)
    assert rule in str(error.value)
    assert told in str(error.value)
    assert "\n" not in str(error.value)


def test_every_invariant_is_broken_by_some_test():
    for invariant in INVARIANTS:
        assert any(rule in invariant.rule for rule, _, _ in BREAKING.values()), invariant.rule


def test_curves_of_different_groups_are_not_compared(ran):
    with undone(ran):
        ran.execute(
            """insert into mart.adjuster_curves (duty, km, survival, ci_low, ci_high, method)
            values (null, 1, 0.5, 0.4, 0.6, 'npmle'), ('long', 2, 0.9, 0.8, 1, 'npmle'),
                ('long', 1, 1, 1, 1, 'weibull')"""
        )
        require_invariants(ran)


def test_a_broken_result_is_not_published_and_the_month_before_stays(tmp_path, monkeypatch, capsys):
    lake, out = write_small_lake(tmp_path / "lake"), tmp_path / "out"
    for name in ("2025-11", "2025-10"):
        page = out / "published" / name / "index.html"
        page.parent.mkdir(parents=True)
        page.write_text(name)
    real = warehouse.build

    def with_a_wrong_total(con, folder, *rest):
        real(con, folder, *rest)
        if folder == "40_mart":
            con.execute("update mart.reline_budget set relines_mean = 99 where depot is null")

    monkeypatch.setattr(warehouse, "build", with_a_wrong_total)
    capsys.readouterr()
    assert main(["run", str(lake), "--out", str(out)]) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert "nothing published: the budget's parts add up to its total" in error
    left = {p: p.read_text() for p in (out / "published").rglob("*") if p.is_file()}
    assert {p.parent.name: text for p, text in left.items()} == {
        "2025-11": "2025-11",
        "2025-10": "2025-10",
    }
    assert not (out / warehouse.DATABASE).exists()  # nor do its figures stand in the warehouse


def test_what_the_register_dates_later_was_not_known_then():
    con = warehouse_of(
        register="""
            unit_id | axle_no | side | axle_type | arm_length_mm | relined_on | relined_km
            K1      | 1       | L    | trailing  | 140           | 2025-06-01 | 140000
            K1      | 1       | R    | trailing  | 140           | 2024-06-01 | 90000
        """,
        inspections="""
            unit_id | axle_no | side | inspected_on | odometer_km | lining_mm
            K1      | 1       | L    | 2025-01-01   | 100000      | 9
            K1      | 1       | L    | 2025-07-01   | 150000      | 17
        """,
        as_of=dt.date(2025, 3, 31),
    )
    assert rows(con, "select side, relined_on, relined_km from judge.wheel_ends order by side") == [
        ("L", None, None),
        ("R", dt.date(2024, 6, 1), 90_000),
    ]


def test_a_duty_that_begins_later_is_not_that_of_the_years_before_it():
    con = warehouse_of(
        register=REGISTER,
        inspections="""
            unit_id | axle_no | side | inspected_on | odometer_km | lining_mm
            K1      | 1       | L    | 2025-01-01   | 100000      | 9
        """,
        duty="""
            unit_id | duty  | from_on    | to_on
            K1      | long  | 2024-06-01 | 2025-08-31
            K1      | short | 2025-09-01 | -
        """,
        as_of=dt.date(2025, 3, 31),
    )
    assert rows(con, "select duty, until_on from stage.duty_spells") == [
        ("long", dt.date(9999, 1, 1))
    ]
