"""Lines above a table that turn sides or axles round, and words that their writer doubted."""

import pytest

from pipeline.mapping.words import cell_words, spelled, turns_round
from tests.pipeline.mapping.test_alike_columns import mapped, rows_of

TABLE = "Unit;Date;Km;Axle;Side;Lining mm\n" + "".join(
    f"T1;2024-0{month}-09;1{month}0000;{axle};{side};1{8 - month}\n"
    for month in (1, 2) for axle in (1, 2) for side in "LR"
)  # fmt: skip


@pytest.mark.parametrize(
    ("line", "turned"),
    [
        ("Sides as seen from the front", (True, False)),
        ("Seiten von vorne gesehen", (True, False)),
        ("Côtés vus de l'avant", (True, False)),
        ("Axles counted from the rear", (False, True)),
        ("Achsen von hinten gezählt", (False, True)),
        ("Essieux numérotés depuis l'arrière", (False, True)),
        ("Sides as seen from behind, axles from front to rear", (False, False)),
        ("Achsen von vorne gezählt", (False, False)),
        ("Front axle brakes, seen by A. Amsel", (False, False)),
        ("Brake checks of rear axles", (False, False)),
    ],
)
def test_lines_that_turn_sides_or_axles_round(line, turned):
    assert turns_round(line) == turned


@pytest.mark.parametrize(
    ("line", "column"),
    [("Sides as seen from the front", "Side"), ("Axles counted from the rear", "Axle")],
)
@pytest.mark.parametrize("text", [f"{{}}\n{TABLE}", f"{TABLE}{{}}\n"], ids=["below", "above"])
def test_sides_and_axles_beside_such_a_line_are_left_alone_and_told(tmp_path, text, line, column):
    found, told = mapped(tmp_path, text.format(line))
    assert not found.is_clear
    assert f'left alone: the line "{line}" turns them round' in told
    assert 'table = "none"' in (tmp_path / "fleet.toml").read_text()
    assert f'"{column}" = ' in told


def test_headings_of_places_below_such_a_line_are_left_alone_too(tmp_path):
    rows = "T1;2024-01-09;100000;15;14\nT1;2024-02-09;110000;14;13\n"
    head = "Unit;Date;Km;1L lining mm;1R lining mm\n"
    found, _ = mapped(tmp_path, f"Seen from the front\n{head}{rows}")
    assert not found.is_clear


@pytest.mark.parametrize(
    ("old", "new"),
    [(";1;L;17", ";1;L?;17"), (";1;L;17", ";1?;L;17"), (";1;L;17", ";1;L;17?")],
)
def test_a_place_or_a_reading_in_doubt_is_not_read(tmp_path, old, new):
    mapped(tmp_path, TABLE.replace(old, new))
    rows = rows_of(tmp_path)
    assert rows["problem"].is_null().to_list() == [False] + [True] * 7


@pytest.mark.parametrize("cell", ["ok?", "OK ?", "?pass", "pass*", "fail (?)"])
def test_a_word_in_doubt_is_none(cell):
    assert spelled(cell) not in cell_words("return_test")


@pytest.mark.parametrize("cell", ["ok", "OK!", "(pass)", "Pass.", "i. O."])
def test_other_signs_say_nothing(cell):
    assert spelled(cell) in cell_words("return_test")


@pytest.mark.parametrize(
    "axles", [("1º", "2º"), ("1st", "2nd"), ("1.", "2."), ("1er", "2ème"), ("1.0", "2.0")]
)
def test_axles_may_be_ordinals_or_have_a_point(tmp_path, axles):
    text = TABLE.replace(";1;L", f";{axles[0]};L").replace(";1;R", f";{axles[0]};R")
    mapped(tmp_path, text.replace(";2;L", f";{axles[1]};L").replace(";2;R", f";{axles[1]};R"))
    assert sorted(rows_of(tmp_path)["axle_no"].to_list()) == [1] * 4 + [2] * 4
