"""What workshops' exports have beside plain rows: footers, other files, rows of units, jobs told
elsewhere. Each is read, or said not to be."""

import polars as pl
import pytest

from pipeline.cli import main
from tests.pipeline.mapping.test_alike_columns import mapped, rows_of

HEAD = "Unit;Date;Km;1L lining mm;1R lining mm\n"
ROWS = "T1;2024-01-09;100000;15;14\nT1;2024-04-09;109000;14;13\n"


def checked(folder, capsys) -> str:
    """What check says of a lake."""
    capsys.readouterr()
    main(["check", str(folder)])
    return " ".join(capsys.readouterr())


@pytest.mark.parametrize(
    "word",
    [
        *("Average", "AVG", "Mean", "Durchschnitt", "Mittelwert", "Moyenne", "Promedio", "Media"),
        *(
            "Średnia",
            "Gemiddelde",
            "Min.",
            "Max",
            "Total",
            "Totals:",
            "Total (3 units)",
            "TOTAL T1",
        ),
        *("Grand total", "Average of all", "Summe", "Razem", "Итого"),
    ],
)
def test_a_row_that_sums_up_others_is_no_units(tmp_path, capsys, word):
    _, told = mapped(tmp_path, f"{HEAD}{ROWS}{word};2024-04-09;104500;14;13\n")
    assert f"rows of {word} sum up others, and will be set aside" in told
    rows = rows_of(tmp_path)
    assert rows.filter(pl.col("problem").is_null())["unit_id"].unique().to_list() == ["T1"]
    said = checked(tmp_path, capsys)
    assert f'sum of other rows: 1 row; a.csv row 4: Unit: found "{word}"; accepted: a unit' in said


@pytest.mark.parametrize("unit", ["Max 12", "Mini", "Meana", "T-AVG", "Min7"])
def test_a_unit_may_have_such_a_word_in_its_name(tmp_path, unit):
    mapped(tmp_path, f"{HEAD}{ROWS}{unit};2024-04-09;104500;14;13\n")
    assert rows_of(tmp_path)["problem"].null_count() == 6


def test_a_unit_called_like_a_sum_is_read_once_that_is_said(tmp_path, capsys):
    mapped(tmp_path, f"{HEAD}{ROWS}Max;2024-04-09;104500;14;13\n")
    line = checked(tmp_path, capsys).partition("called so: ")[2].partition(")")[0]
    settings = tmp_path / "fleet.toml"
    settings.write_text(settings.read_text() + line.replace("] ", "]\n") + "\n")
    assert rows_of(tmp_path)["problem"].null_count() == 6


def test_jobs_of_a_row_that_sums_up_others_are_nobodys(tmp_path):
    text = "Unit;Date;Km;Job\nT1;2024-01-09;100000;relined 1L\nTotal;2024-01-09;100000;relined 1L\n"
    mapped(tmp_path, text)
    assert rows_of(tmp_path)["problem"].is_null().to_list() == [True, False]
