"""``drumline sheet``: workshop sheets and a blank inspections file for chosen units, from the last
run's warehouse."""

import datetime as dt
import difflib
import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import duckdb
import polars as pl

from dashboards.drawing.theme import STATE_WORDS
from dashboards.sentences.advice import state_words
from dashboards.workshop import ASKED, LAST_READINGS, WorkshopData, workshop_sheets
from pipeline.commands import CAUTION, blanks
from pipeline.errors import UserError
from pipeline.lake.object_store import store
from pipeline.out.last_run import last_run
from pipeline.places import Place
from pipeline.publish.fleet import fleet_of
from pipeline.settings import Settings
from pipeline.warehouse import warehouse

FOLDER = "sheets"


@dataclass(frozen=True, slots=True)
class Choice:
    """Which units get a sheet: those named, those of the depots named, or, with neither, all with
    a flagged wheel end; ``flagged`` leaves out the others of a depot too."""

    units: Sequence[str] = ()
    depots: Sequence[str] = ()
    flagged: bool = False


@dataclass(frozen=True, slots=True)
class Made:
    """What was written, and for how many."""

    folder: Place
    units: int
    wheel_ends: int
    as_of: dt.date


def write_sheets(settings: Settings, out: Place, choice: Choice) -> Made:
    """Write the chosen units' sheets and their blank inspections files into a folder of their own.

    A folder that somebody may have written into is never touched: the next free name is used.

    Raises
    ------
    UserError
        There is no finished run under ``out``, or a unit or depot that it does not know.
    """
    with last_run(out) as con:
        data = workshop_data(con, settings, choice)
    files = sheet_files(data, settings)
    folder = _kept(out / FOLDER, f"{data.as_of}", files)
    return Made(folder, data.ends["unit_id"].n_unique(), data.ends.height, data.as_of)


def workshop_data(
    con: duckdb.DuckDBPyConnection, settings: Settings, choice: Choice
) -> WorkshopData:
    """What is known of the chosen units, the depots by name, the most urgent unit of each first."""
    everything = warehouse.fetch(con, _ENDS, order="unit_id, axle_no, side").with_columns(
        state=state_words(STATE_WORDS)
    )
    ends = chosen(everything, choice)
    named, units = (ends.select(c).unique() for c in ("wheel_end_id", "unit_id"))
    (as_of,) = warehouse.one_row(con, "select as_of from run.parameters")
    return WorkshopData(
        fleet=fleet_of(settings),
        as_of=as_of,
        ends=ends,
        readings=warehouse.fetch(con, _READINGS).join(named, on="wheel_end_id", how="semi"),
        sightings=warehouse.fetch(con, _SIGHTINGS).join(units, on="unit_id", how="semi"),
        overdue=warehouse.fetch(con, _OVERDUE).join(named, on="wheel_end_id", how="semi"),
        recorded=_recorded(con),
    )


def _recorded(con: duckdb.DuckDBPyConnection) -> tuple[str, ...]:
    """The readings that the fleet has on record; all that a sheet asks for, if it has none."""
    counts = ", ".join(f"sum({column})" for column in _COUNTED.values())
    found = warehouse.one_row(con, f"select {counts} from mart.on_record")
    kept = tuple(name for name, n in zip(_COUNTED, found, strict=True) if n)
    return kept or ASKED


# The column of mart.on_record that counts each reading.
_COUNTED = {
    "lining_mm": "linings",
    "wear_indicator_deg": "wear_pointers",
    "free_stroke_mm": "strokes",
    "applied_stroke_mm": "applied_strokes",
    "marks_aligned": "marks",
    "return_test": "return_tests",
    "cap_state": "caps",
}
_ENDS = """
    select s.unit_id, s.wheel_end_id, s.axle_no, s.side, s.depot, s.axle_type, s.duty,
        w.arm_length_mm, w.lining_min_mm, w.chamber_size, w.readjust_limit_mm,
        s.state, s.flagged, s.priority, s.evidence, s.advice, s.flag_reason, s.last_read_on
    from mart.wheel_end_status s
    inner join judge.wheel_ends w on w.wheel_end_id = s.wheel_end_id"""
_READINGS = f"""
    from (
        select wheel_end_id, inspected_on, lining_mm, free_stroke_mm, applied_stroke_mm,
            return_test, cap_state
        from stage.inspections where not as_left
        qualify row_number() over (partition by wheel_end_id order by inspected_on desc)
            <= {LAST_READINGS}
    )"""
_SIGHTINGS = """
    from (
        select unit_id, max(on_date) as seen_on, max_by(odometer_km, (on_date, km)) as odometer_km
        from judge.odometer_verdicts where reason is null group by unit_id
    )"""
_OVERDUE = "select wheel_end_id, kind, due_on from mart.overdue"


def chosen(ends: pl.DataFrame, choice: Choice) -> pl.DataFrame:
    """Every wheel end of the chosen units.

    Raises
    ------
    UserError
        A unit or depot that no wheel end has.
    """
    wanted = pl.lit(value=not (choice.units or choice.depots))
    for option, column, values in (
        ("--unit", "unit_id", choice.units),
        ("--depot", "depot", choice.depots),
    ):
        wanted = wanted | pl.col(column).is_in([_known(option, v, ends[column]) for v in values])
    if choice.flagged or not (choice.units or choice.depots):
        wanted = wanted & pl.col("flagged").any().over("unit_id")
    urgency = pl.col("priority").filter("flagged").max().over("unit_id").fill_null(0.0)
    depot = pl.col("depot").fill_null("")
    return ends.filter(wanted.fill_null(value=False)).sort(
        depot, -urgency, "unit_id", "axle_no", "side"
    )


def _known(option: str, value: str, values: pl.Series) -> str:
    """The value as the register spells it."""
    spelled: list[str] = values.drop_nulls().unique().sort().to_list()
    if value in spelled:
        return value
    folded = {v.casefold(): v for v in reversed(spelled)}
    if value.casefold() in folded:
        return folded[value.casefold()]
    near = difflib.get_close_matches(value.casefold(), folded, n=1)
    hint = f"; did you mean {folded[near[0]]!r}?" if near else ""
    raise UserError(f"{option}: found {value!r}; accepted: one that the register has{hint}")


def sheet_files(data: WorkshopData, settings: Settings) -> dict[str, bytes]:
    """Name → content: the sheets, and one blank inspections file in two forms."""
    blank = blanks.blank_inspections(data.ends, settings)
    return {
        "sheets.html": workshop_sheets(data).encode(),
        "inspections.xlsx": blanks.as_xlsx(blank, settings, data.as_of),
        "inspections.csv": blanks.as_csv(blank, settings),
    }


def _kept(parent: Place, name: str, files: dict[str, bytes]) -> Place:
    """The first folder of that name (then ``name-2``, …) that is free or holds just these files."""
    for number in itertools.count(1):
        folder = parent / (name if number == 1 else f"{name}-{number}")
        if _is_free(folder):
            _write(folder, files)
            return folder
        if all(_same(folder / file, content) for file, content in files.items()):
            return folder
    raise AssertionError


def _is_free(folder: Place) -> bool:
    return not (folder.exists() if isinstance(folder, Path) else store().listed(folder))


def _write(folder: Place, files: dict[str, bytes]) -> None:
    if isinstance(folder, Path):
        folder.mkdir(parents=True)
        for file, content in files.items():
            (folder / file).write_bytes(content)
        return
    for file, content in files.items():
        store().put(folder / file, content)


def _same(path: Place, content: bytes) -> bool:
    if isinstance(path, Path):
        return path.exists() and path.read_bytes() == content
    found = store().version(path)
    if found is None or found.size != len(content):
        return False
    kept = store().read(path, len(content))
    return kept is not None and kept.data == content


def sheet_lines(made: Made) -> list[str]:
    if not made.units:
        return [
            f"No unit to make a sheet for as of {made.as_of}: none is flagged. Name some with "
            "--unit or --depot.",
            CAUTION,
        ]
    return [
        f"{made.units} unit{'s' if made.units != 1 else ''}, {made.wheel_ends} wheel "
        f"end{'s' if made.wheel_ends != 1 else ''}, as of {made.as_of}",
        f"To print: {made.folder / 'sheets.html'}",
        f"To fill in and put into the lake's inspections folder: {made.folder / 'inspections.xlsx'}"
        " (or .csv)",
        CAUTION,
    ]
