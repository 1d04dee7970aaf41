"""A wrong guess never turns a reading into another unit, side, axle or day: it is not read."""

import numpy as np
import pytest

from pipeline.mapping.applying import typed_table
from pipeline.mapping.findings import tables_found
from pipeline.mapping.grids import read_grids
from pipeline.mapping.headings import meanings
from pipeline.mapping.questions import questions
from pipeline.mapping.tables import tables_in
from pipeline.mapping.words import CONCEPTS
from pipeline.mapping.writing import forms, settings_text
from pipeline.settings import Settings, settings_from
from tests.exports.drawn import DECOYS, Drawn, drawn_table, phrase
from tests.exports.fleet import delimited

HEADINGS = 6_000


def read(drawn: Drawn, folder) -> list[dict]:
    """The rows that come of a drawn table, asked what has to be asked."""
    path = folder / "drawn.csv"
    delimited(path, drawn.rows, ";")
    grids = read_grids(path.read_bytes(), path)
    found = [t for grid in grids for t in tables_found(grid, "drawn.csv", Settings())]
    asked = questions(found, Settings())
    answers = {q.key: drawn.answers[q.key] for q in asked}
    text = settings_text("", forms(found), answers, asked)
    settings = settings_from(text.encode(), "fleet.toml")
    tables = [t for grid in grids for t in tables_in(grid, settings.files, "drawn.csv")]
    used = [typed_table(t, settings) for t in tables if t.recipe.table == "inspections"]
    return [row for typed in used for row in typed.rows.to_dicts() if row["problem"] is None]


def misread(drawn: Drawn, rows: list[dict]) -> list[tuple]:
    """Rows that say something else than was written."""
    wrong = []
    for row in rows:
        key = (row["unit_id"], row["axle_no"], row["side"], row["inspected_on"])
        km, lining = drawn.truth.get(key, (None, None))
        told = {
            n: v
            for n, v in row.items()
            if v is not None and n not in {"row_no", "unit_id", "axle_no", "side", "inspected_on"}
        }
        right = {"odometer_km": km, "lining_mm": lining}
        if km is None or any(
            n not in right or right[n] is None or abs(v - right[n]) > 1e-6 * abs(right[n])
            for n, v in told.items()
        ):
            wrong.append((key, told, right))
    return wrong


@pytest.mark.parametrize(
    ("seed", "tables"), [(20260101, 40), pytest.param(20260102, 700, marks=pytest.mark.proof)]
)
def test_no_drawn_table_is_misread(seed, tables, tmp_path):
    rng = np.random.default_rng(seed)
    arrived = wanted = 0
    for no in range(tables):
        drawn = drawn_table(rng)
        rows = read(drawn, tmp_path)
        assert not misread(drawn, rows), (no, drawn.rows[:3], misread(drawn, rows)[:2])
        arrived += len(rows)
        wanted += sum(lining is not None for _, lining in drawn.truth.values())
    # Were nothing read, nothing were misread. Decoys and lone letters cost some tables.
    assert arrived > 0.6 * wanted, (arrived, wanted)


def changed(rng: np.random.Generator, text: str) -> str:
    """A letter left out, doubled, exchanged or put in: a near miss."""
    i = int(rng.integers(len(text)))
    letter = chr(int(rng.integers(97, 123)))
    how = rng.integers(4)
    return (
        text[:i] + text[i + 1 :],
        text[: i + 1] + text[i:],
        text[:i] + letter + text[i + 1 :],
        text[:i] + letter + text[i:],
    )[how]


def test_no_near_miss_is_taken_for_something_else():
    rng = np.random.default_rng(7)
    concepts = list(CONCEPTS)
    wrong = []
    for _ in range(HEADINGS):
        concept = str(rng.choice(concepts))
        heading = changed(rng, phrase(rng, concept))
        (said,) = meanings([heading])
        allowed = {None, concept} | {m.concept for m in meanings([heading.strip()])}
        if said.concept not in allowed or said.side or said.axle:
            wrong.append((heading, said))
    assert not wrong


@pytest.mark.parametrize("decoy", DECOYS)
def test_a_decoy_is_not_understood(decoy):
    headings = ["unit", "date", "odometer km", "1L lining mm", "1R lining mm", decoy]
    assert meanings(headings)[-1].concept in {None, "lining_min"}, decoy


@pytest.mark.parametrize(
    ("heading", "concept", "unit"),
    [
        ("odometer", "odometer", None), ("odometer_mi", "odometer", "mi"),
        ("odometer (km)", "odometer", "km"), ("Kilometerstand (miles)", None, None),
        ("lining mm / in", None, None), ("lining in/mm", None, None), ("lining km", None, None),
        ("odometer mm", None, None),
        ("mil", None, None), ("lining (32nds)", "lining", "32nds"), ("Belag in mm", "lining", "mm"),
        ("km since reline", None, None), ("Mileage", "odometer", None),
    ],
)  # fmt: skip
def test_a_unit_is_what_the_heading_says_or_not_known(heading, concept, unit):
    (said,) = meanings([heading])
    assert (said.concept, said.unit) == (concept, unit)
