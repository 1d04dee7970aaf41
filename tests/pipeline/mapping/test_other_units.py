"""Job lines that name another unit than their row."""

import pytest

from tests.pipeline.mapping.test_alike_columns import mapped, rows_of

JOBS = "Unit;Date;Km;Work done\n{};2024-01-09;100000;{}\nK202;2024-01-09;90000;Greased 1L\n"


@pytest.mark.parametrize(
    ("unit", "line", "is_read"),
    [
        ("K201", "Relined axle 1 left on K202", False),
        ("K201", "Relined axle 1 left on k202, hub greased", False),
        ("K201", "K201: relined axle 1 left", True),
        ("K201", "Relined axle 1 left", True),
        ("K202", "Relined axle 1 left on K202", True),
        ("K201", "Relined axle 1 left, job XK2021", True),
    ],
)
def test_a_job_of_another_unit_is_not_that_of_its_row(tmp_path, unit, line, is_read):
    mapped(tmp_path, JOBS.format(unit, line))
    relines = rows_of(tmp_path).filter(action="reline")
    assert relines.select("unit_id", "axle_no", "side").rows() == [(unit, 1, "L")]
    assert relines["problem"].is_null().to_list() == [is_read]
    if not is_read:
        assert relines["problem_kind"].to_list() == ["job of another unit"]
        assert "which names K202; accepted: jobs of its row's own unit" in relines["problem"][0]


def test_what_may_be_an_axle_or_an_amount_is_no_other_unit(tmp_path):
    jobs = JOBS.replace("K202", "A1").replace("Greased 1L", "Greased 1R") + "1200;2024-01-09;9;x\n"
    mapped(tmp_path, jobs.format("K201", "Relined A1 left, paid 1200"))
    assert rows_of(tmp_path).filter(action="reline")["problem"].to_list() == [None]
