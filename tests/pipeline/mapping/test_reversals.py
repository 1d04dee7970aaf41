"""A job that is booked and then taken back counts no more, nor does the row that takes it back."""

import pytest

from pipeline.cli import main
from pipeline.mapping.words import says_credit
from tests.pipeline.mapping.test_alike_columns import mapped, rows_of
from tests.pipeline.mapping.test_as_exported import tables_of

HEAD = "Unit;Date;Odometer km;Job;Axle;Side;{}\n"
BOOKED = "T1;2024-03-03;100000;Reline;1;L;{}\nT1;2024-03-03;100000;Reline;1;R;{}\n"


def read(folder, text: str) -> tuple[list[tuple], str]:
    """Days and sides of the jobs that count, and what is said beside."""
    mapped(folder, text)
    [typed] = tables_of(folder)
    rows = typed.rows.filter(typed.rows["problem"].is_null())
    return rows.select("done_on", "side").rows(), " ".join(typed.notes)


@pytest.mark.parametrize(
    ("heading", "booked", "back"),
    [
        ("Cost", "140", "-140"), ("Amount €", "140,00 €", "-140,00 €"), ("Qty", "1", "-1"),
        ("Menge", "2", "-2"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("job", ["Reline", "Storno Reline", "RELINE (reversal)"])
def test_a_job_taken_back_counts_no_more(tmp_path, heading, booked, back, job):
    text = HEAD.format(heading) + BOOKED.format(booked, booked)
    rows, told = read(tmp_path, f"{text}T1;2024-03-05;100000;{job};1;R;{back}\n")
    assert [side for _, side in rows] == ["L"]
    assert f"a negative {heading}: 1 job, as row 3 by row 4" in told


CREDITS = HEAD.format("Cost;Document") + BOOKED.format("140;Invoice", "140;Invoice")


@pytest.mark.parametrize("word", ["Credit note", "Gutschrift", "Nota de crédito", "avoir"])
def test_a_credit_note_takes_back_what_was_invoiced(tmp_path, word):
    rows, told = read(tmp_path, f"{CREDITS}T1;2024-03-05;100000;Reline;1;R;140;{word}\n")
    assert [side for _, side in rows] == ["L"]
    assert "a negative Cost or a credit note under Document: 1 job, as row 3 by row 4" in told


def test_a_credit_note_for_no_job_here_says_so(tmp_path):
    text = f"{CREDITS}T1;2024-03-05;100000;Reline;2;R;140;Credit note\n"
    rows, _ = read(tmp_path, text)
    assert [side for _, side in rows] == ["L", "R"]
    [typed] = tables_of(tmp_path)
    assert typed.rows["problem_kind"].drop_nulls().to_list() == ["no job to take back"]


@pytest.mark.parametrize("word", ["credit", "credit card", "cancelled"])
def test_what_is_no_credit_note_takes_nothing_back(word):
    assert not says_credit(word)


@pytest.mark.parametrize(
    "row",
    [
        "T1;2024-03-05;100000;Reline;2;R;-140", "T1;2024-03-05;100000;Grease;1;R;-140",
        "T1;2024-03-02;100000;Reline;1;R;-140", "T1;2024-03-05;100000;Reline;1;R;-70",
        "T2;2024-03-05;100000;Reline;1;R;-140",
    ],
)  # fmt: skip
def test_what_takes_back_no_job_here_says_so(tmp_path, row):
    rows, told = read(tmp_path, f"{HEAD.format('Cost')}{BOOKED.format(140, 140)}{row}\n")
    assert [side for _, side in rows] == ["L", "R"]
    assert "taken back" not in told
    problems = rows_of(tmp_path)["problem"].drop_nulls().to_list()
    assert len(problems) == 1
    assert "Cost: takes back a job; accepted: one of the same unit, place, wording" in problems[0]


def test_a_job_booked_again_counts_once(tmp_path):
    back = "T1;2024-03-05;100000;Reline;1;R;-140\nT1;2024-03-06;100000;Reline;1;R;140\n"
    rows, _ = read(tmp_path, f"{HEAD.format('Cost')}{BOOKED.format(140, 140)}{back}")
    assert [(day.day, side) for day, side in rows] == [(3, "L"), (6, "R")]


def test_of_two_jobs_alike_the_later_is_taken_back(tmp_path):
    text = (
        HEAD.format("Cost")
        + BOOKED.format(140, 140)
        + BOOKED.format(140, 140).replace("-03-", "-09-")
    )
    rows, _ = read(tmp_path, f"{text}T1;2024-10-05;100000;Reline;1;R;-140\n")
    assert [(day.month, side) for day, side in rows] == [(3, "L"), (3, "R"), (9, "L")]


def test_a_positive_cost_beside_a_negative_quantity_is_of_one_piece(tmp_path):
    text = HEAD.format("Cost;Qty") + BOOKED.format("140;1", "140;1")
    rows, told = read(tmp_path, f"{text}T1;2024-03-05;100000;Reline;1;R;140;-1\n")
    assert [side for _, side in rows] == ["L"]
    assert "a negative Cost or Qty: 1 job" in told


@pytest.mark.parametrize("nothing", ["0", "0,00", "0 pcs", "0.0"])
def test_a_job_of_which_nothing_was_done_counts_not(tmp_path, nothing):
    text = HEAD.format("Qty;Cost") + "T1;2024-03-03;100000;Reline;1;L;1;140\n"
    rows, told = read(tmp_path, f"{text}T1;2024-03-03;100000;Reline;1;R;{nothing};0\n")
    assert [side for _, side in rows] == ["L"]
    assert "left alone, as Qty is 0 and nothing was paid: 1 row" in told


def test_a_job_that_was_paid_for_and_has_a_quantity_of_0_waits(tmp_path):
    text = HEAD.format("Qty;Cost") + "T1;2024-03-03;100000;Reline;1;L;1;140\n"
    mapped(tmp_path, f"{text}T1;2024-03-03;100000;Reline;1;R;0;140\n")
    [typed] = tables_of(tmp_path)
    assert typed.rows["problem"].to_list()[0] is None
    assert "Qty: found 0 beside a cost" in typed.rows["problem"][1]


def test_a_quantity_that_is_always_0_says_nothing_beside_costs_and_is_asked_without(tmp_path):
    text = HEAD.format("Qty;Cost") + BOOKED.format("0;140", "0;140")
    assert len(read(tmp_path, text)[0]) == 2
    rows, _ = read(tmp_path, HEAD.format("Qty;Cost") + BOOKED.format("0;", "0;0"))
    assert not rows
    settings = tmp_path / "fleet.toml"
    settings.write_text(settings.read_text().replace('= "quantity"', '= ""'))
    [typed] = tables_of(tmp_path)
    assert typed.rows["problem"].is_null().all()


def test_a_job_that_another_file_takes_back_is_told(tmp_path, capsys):
    """Files are read each by itself: such a job counts, and nobody need find out by chance."""
    checks = "Unit;Date;Odometer km;Axle;Side;Lining mm\n"
    checks += "T1;2024-03-02;99000;1;L;15\nT1;2024-06-02;119000;1;L;14\n"
    (tmp_path / "checks.csv").write_text(checks)
    (tmp_path / "march.csv").write_text(HEAD.format("Cost") + BOOKED.format(140, 140))
    april = "T1;2024-04-05;100000;Reline;1;L;-140\nT2;2024-04-05;100000;Reline;1;L;-140\n"
    mapped(tmp_path, HEAD.format("Cost") + april, name="april.csv")
    capsys.readouterr()
    main(["check", str(tmp_path)])
    out = capsys.readouterr().out
    told = "work: 1 job counted, though a row of another file may take it back: T1/1L reline on "
    assert f"{told}2024-03-03 (by april.csv row 2 of 2024-04-05)" in out
