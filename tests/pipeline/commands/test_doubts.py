"""What was read otherwise than it was written is told, with what would mend it."""

import pytest

from pipeline.commands.doubts import doubt_lines
from pipeline.settings import Settings
from tests.drawing import warehouse_of

CHECKS = "unit_id | axle_no | side | inspected_on | odometer_km | lining_mm\n"
REGISTER = "unit_id | axle_no | side | axle_type | arm_length_mm\n"
ALIKE = (
    "units whose names differ only in blanks, hyphens, leading zeros or marks of thousands, read "
    "as different: "
)


def told(*units: str, days: tuple[str, ...] = (), settings: Settings | None = None) -> list[str]:
    """Of units, each seen on a day and at an odometer of its own unless ``days`` says it."""
    seen = days or tuple(f"2025-0{i + 1}-01 | {100 + i}000" for i in range(len(units)))
    con = warehouse_of(
        register=REGISTER + "\n".join(f"{u} | 1 | L | trailing | 140" for u in units),
        inspections=CHECKS
        + "\n".join(f"{u} | 1 | L | {s} | 12" for u, s in zip(units, seen, strict=True)),
        staged=False,
    )
    return doubt_lines(con, settings or Settings())


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("TRL 15", "TRL15"),
        ("T-20", "T20"),
        ("0412", "412"),
        ("T-012", "t 12"),
        ("A1-007", "A1-7"),
        ("1,417", "1417"),
    ],
)
def test_names_that_differ_only_in_how_they_are_spelled_are_told(one, other):
    (line,) = told(one, other)
    assert line.startswith(ALIKE)
    assert one in line
    assert other in line
    assert line.endswith("if they are one, write both alike")


@pytest.mark.parametrize(("one", "other"), [("T15", "T16"), ("T10", "T1"), ("T15", "TA15")])
def test_other_names_are_not(one, other):
    assert told(one, other) == []


def test_units_at_different_odometers_on_one_day_are_two():
    assert told("T-20", "T20", days=("2025-01-01 | 100000", "2025-01-01 | 180000")) == []
    (line,) = told("T-20", "T20", days=("2025-01-01 | 100000", "2025-01-01 | 100010"))
    assert "T-20 and T20" in line


def test_where_own_words_can_be_said_the_line_to_write_is_told():
    own = Settings.model_validate(
        {"files": [{"table": "inspections", "columns": {"Fleet no": "unit_id"}}]}
    )
    (line,) = told("T 1", "T1", "T-2", "T2", "T-3", "T3", "T-4", "T4", settings=own)
    assert line == (
        f"{ALIKE}T 1 and T1, T-2 and T2, T-3 and T3, …; if they are one, say so in fleet.toml, "
        'under [files.values."Fleet no"]: "T1" = "T 1"'
    )
