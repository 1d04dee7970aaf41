"""Six exports through ``map`` and ``run``: the same figures as from the contract's form."""

from pathlib import Path

import duckdb
import pytest

from pipeline.cli import main
from pipeline.mapping.command import map_lake
from tests.exports.six import SIX, Export

AS_OF = "2026-06-30"
MOST_ANSWERS = 5
# Rates, lives and flags, and what they rest on.
SAME = (
    "select * from mart.wear_rates order by all",
    "select * from mart.adjuster_lives order by all",
    """select wheel_end_id, state, flagged, lining_mm, stroke_ratio, p_out_next_check, evidence
        from mart.wheel_end_status order by all""",
    "select * from stage.inspections order by all",
)


class Person:
    """Sits at the terminal, and counts the questions."""

    def __init__(self, near_side: str) -> None:
        self.near_side, self.asked, self.told = near_side, 0, []

    def tell(self, line: str) -> None:
        self.told.append(line)

    def ask(self, _: str) -> str:
        self.asked += 1
        return self.near_side if "near" in self.told[-1] else ""


def mapped(export: Export) -> Person:
    person = Person("right" if export.name == "axles" else "left")
    found = map_lake(export.own, person.ask, person.tell)
    assert found.is_clear, person.told
    return person


@pytest.mark.parametrize("make", SIX, ids=lambda make: make.__name__)
def test_map_asks_little_and_every_reading_arrives(make, tmp_path, capsys):
    export = make(tmp_path)
    assert mapped(export).asked <= MOST_ANSWERS
    assert main(["check", str(export.own)]) == 0, capsys.readouterr().out
    assert ", 0 set aside" in capsys.readouterr().out


@pytest.mark.proof
@pytest.mark.parametrize("make", SIX, ids=lambda make: make.__name__)
def test_rates_lives_and_flags_are_those_of_the_contracts_form(make, tmp_path):
    export = make(tmp_path)
    mapped(export)
    results = []
    for lake in (export.own, export.twin):
        out = tmp_path / f"out_{lake.name}"
        assert main(["run", str(lake), "--out", str(out), "--as-of", AS_OF]) == 0
        results.append(_results(out))
    own, twin = results
    assert own == twin
    assert len(own[-1]) >= 0.97 * export.readings


def _results(out: Path) -> list[list[tuple[object, ...]]]:
    with duckdb.connect(str(out / "drumline.duckdb"), read_only=True) as con:
        return [con.execute(query).fetchall() for query in SAME]
