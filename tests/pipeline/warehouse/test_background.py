"""Work beside the run: the same as in place, its errors told, and nobody left behind."""

import os
import signal
import subprocess
import sys
import time

import polars as pl
import pytest

from pipeline.errors import UserError
from pipeline.warehouse import warehouse
from pipeline.warehouse.background import LEAST_BYTES, MOST_BYTES, second_process, whole

TABLE = pl.DataFrame({"km": [3.0, 1.0, 2.0]})
RUN = """
import os, time
from pipeline.warehouse.background import LEAST_BYTES, second_process
if __name__ == "__main__":
    with second_process(LEAST_BYTES) as worker:
        print(worker.submit(os.getpid).result(), flush=True)
        time.sleep(60)
"""


def total_km(con, factor):
    (total,) = warehouse.one_row(con, f"select {factor} * sum(km) from reduce.lengths")
    return total


def visible(con):
    return warehouse.one_row(con, "select count(*) from duckdb_tables()")[0]


def refused(con):
    raise UserError("inspections: found nothing; accepted: something")


def total_km_of_two():
    return 3.0


def each_km(con):
    for (km,) in con.execute("select km from reduce.lengths order by km").fetchall():
        yield km, os.getpid()
        if km > 2.5:
            raise UserError("inspections: found too much; accepted: less")


def with_lengths():
    con = warehouse.in_memory()
    warehouse.put(con, "reduce.lengths", TABLE)
    warehouse.put(con, "reduce.others", TABLE)
    return con


def test_small_and_very_large_records_are_worked_on_in_place_when_wanted():
    for size in (LEAST_BYTES - 1, MOST_BYTES + 1):
        with second_process(size) as worker:
            assert worker.pool is None
            con = with_lengths()
            answer = worker.submit_over(con, whole(["reduce.lengths"]), total_km, 2)
            warehouse.put(con, "reduce.lengths", TABLE * 10)
            assert answer.result() == 120.0


def begun(asked):
    """The same once the second process has begun it."""
    there = asked.future.there
    while not (there.running() or there.done()):
        time.sleep(0.001)
    return asked


@pytest.mark.slow
def test_a_second_process_sees_copies_of_the_tables_it_was_given_and_tells_its_errors():
    with second_process(LEAST_BYTES) as worker:
        con = with_lengths()
        asked = begun(worker.submit_over(con, whole(["reduce.lengths"]), total_km, 2))
        assert asked.result() == 12.0
        assert worker.submit(os.getpid).result() != os.getpid()
        before = begun(worker.submit_over(con, {}, visible)).result()
        lengths = begun(worker.submit_over(con, whole(["reduce.lengths"]), visible))
        assert lengths.result() == before + 1
        with pytest.raises(UserError, match="found nothing"):
            begun(worker.submit_over(con, {}, refused)).result()


@pytest.mark.slow
@pytest.mark.parametrize("size", [LEAST_BYTES - 1, LEAST_BYTES])
def test_what_is_yielded_comes_in_order_and_ends_with_the_error_or_the_last(size):
    with second_process(size) as worker:
        con = with_lengths()
        short = "from reduce.lengths where km < 2.5"
        for query, most in ((short, 2), (short, 5), ("from reduce.lengths", 2)):
            if worker.pool is None:
                warehouse.put(con, "reduce.lengths", con.sql(query).pl())
            found = worker.stream_over(con, {"reduce.lengths": query}, each_km, most=most)
            first = next(found)
            assert worker.submit(total_km_of_two).result() == 3.0  # asked for while it goes on
            assert [km for km, _ in (first, next(found))] == [1.0, 2.0]
            assert (first[1] == os.getpid()) == (worker.pool is None)
            if query == short:
                assert next(found, None) is None
        warehouse.put(con, "reduce.lengths", TABLE)
        found = worker.stream_over(con, whole(["reduce.lengths"]), each_km, most=9)
        assert [km for km, _ in (next(found), next(found), next(found))] == [1.0, 2.0, 3.0]
        with pytest.raises(UserError, match="found too much"):
            next(found)


@pytest.mark.slow
def test_what_waits_does_meanwhile_what_has_not_begun():
    done_here = []
    with second_process(LEAST_BYTES) as worker:
        con = with_lengths()
        worker.submit(os.getpid).result()  # it is there
        slow = worker.submit(time.sleep, 1.0)
        queued = [worker.submit(time.sleep, 0.1) for _ in range(2)]  # some are begun in advance
        either = [worker.submit_to_either(os.getpid) for _ in range(3)]
        over = worker.submit_over(con, whole(["reduce.lengths"]), total_km, 2)
        bad = worker.submit_over(con, {}, refused)
        worker.while_waiting(done_here.append, "meanwhile")
        slow.result()
        assert done_here == ["meanwhile"]
        assert [each.result() for each in either] == 3 * [os.getpid()]
        assert over.result() == 12.0
        with pytest.raises(UserError, match="found nothing"):
            bad.result()  # told to who wants it, not to who waited
        assert [each.result() for each in queued] == [None, None]


def is_there(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    return True


@pytest.mark.slow
def test_a_killed_run_leaves_no_second_process_behind(tmp_path):
    script = tmp_path / "run.py"
    script.write_text(RUN)
    with subprocess.Popen([sys.executable, script], stdout=subprocess.PIPE, text=True) as run:
        second = int(run.stdout.readline())
        assert is_there(second)
        run.send_signal(signal.SIGKILL)
    waited_until = time.monotonic() + 20.0
    while is_there(second) and time.monotonic() < waited_until:
        time.sleep(0.2)
    assert not is_there(second)
