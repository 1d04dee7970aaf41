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


@pytest.mark.slow
def test_a_second_process_sees_copies_of_the_tables_it_was_given_and_tells_its_errors():
    with second_process(LEAST_BYTES) as worker:
        con = with_lengths()
        asked = worker.submit_over(con, whole(["reduce.lengths"]), total_km, 2)
        warehouse.put(con, "reduce.lengths", TABLE * 10)
        assert asked.result() == 12.0  # as they were when it was asked
        assert worker.submit(os.getpid).result() != os.getpid()
        before = worker.submit_over(con, {}, visible).result()
        assert worker.submit_over(con, whole(["reduce.lengths"]), visible).result() == before + 1
        with pytest.raises(UserError, match="found nothing"):
            worker.submit_over(con, {}, refused).result()


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
