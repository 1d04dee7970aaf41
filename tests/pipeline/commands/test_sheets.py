"""Workshop sheets and the blank inspections file: who gets one, what stands on it, and the way back
into the lake."""

import datetime as dt
import html
import re
import shutil
from dataclasses import replace

import duckdb
import fastexcel
import polars as pl
import pytest

from dashboards.page_data import Fleet
from dashboards.sentences.method import CAUTIONS
from dashboards.workshop import ASKED, WorkshopData, unit_sheets, workshop_sheets
from pipeline.cli import main
from pipeline.commands import blanks
from pipeline.commands.sheets import Choice, chosen
from pipeline.contract import columns_of
from pipeline.errors import UserError
from pipeline.settings import Settings
from pipeline.warehouse import warehouse
from tests.dashboard_data import HOSTILE

DAY = dt.date(2026, 3, 2)
LAST_CHECK = "2025-11-14"  # of the small lake's last unit: 96 weeks and 4 days after the first


def end(unit: str, place: str, **changed: object) -> dict[str, object]:
    """A wheel end in band, on an arm of 150 mm."""
    return {
        "unit_id": unit,
        "wheel_end_id": f"{unit}/{place}",
        "axle_no": int(place[0]),
        "side": place[1],
        "depot": "North",
        "axle_type": "rear",
        "duty": "town",
        "arm_length_mm": 150.0,
        "lining_min_mm": 6.0,
        "chamber_size": "30",
        "readjust_limit_mm": 50.8,
        "state": "in_band",
        "flagged": False,
        "priority": 0.1,
        "evidence": None,
    } | changed


FLAG = {"flagged": True, "state": "stuck", "evidence": "Nothing is taken up."}
ENDS = pl.DataFrame(
    [
        end("K1", "1L"),
        end("K1", "1R", **FLAG, priority=0.5),
        end("K2", "1L", **FLAG, priority=0.9),
        end("K3", "1L"),
        end("K4", "1L", depot="South"),
        end("K5", "1L", depot=None, **FLAG, priority=0.7),
    ],
    schema_overrides={"evidence": pl.String, "depot": pl.String},
)


def readings(*rows: tuple[object, ...]) -> pl.DataFrame:
    names = ("wheel_end_id", "inspected_on", "lining_mm", "free_stroke_mm", "applied_stroke_mm")
    schema = {
        **dict(zip(names, (pl.String, pl.Date, pl.Float64, pl.Float64, pl.Float64), strict=True)),
        "return_test": pl.String,
        "cap_state": pl.String,
    }
    return pl.DataFrame(rows, schema=schema, orient="row")


READ = readings(
    ("K1/1R", dt.date(2025, 9, 1), 11.0, 17.0, None, "pass", "seated"),
    ("K1/1R", dt.date(2026, 2, 2), 9.5, 41.0, 55.0, "fail", "open"),
    ("K1/1R", dt.date(2025, 12, 1), 10.0, 28.0, None, None, None),
)


def month(ends: pl.DataFrame = ENDS, fleet: Fleet | None = None) -> WorkshopData:
    return WorkshopData(
        fleet=fleet or Fleet(name="Saltmarsh"),
        as_of=DAY,
        ends=ends,
        readings=READ,
        sightings=pl.DataFrame({"unit_id": ["K1"], "seen_on": [DAY], "odometer_km": [123456.0]}),
        overdue=pl.DataFrame(
            {"wheel_end_id": ["K1/1L", "K1/1R"], "kind": ["greasing"] * 2, "due_on": [DAY] * 2}
        ),
    )


# ---- who gets a sheet


@pytest.mark.parametrize(
    ("choice", "units"),
    [
        (Choice(), ["K5", "K2", "K1"]),  # depot by name, none first; then the most urgent unit
        (Choice(depots=("North",)), ["K2", "K1", "K3"]),
        (Choice(depots=("north",), flagged=True), ["K2", "K1"]),
        (Choice(units=("K4", "k3")), ["K3", "K4"]),
        (Choice(units=("K3",), depots=("South",)), ["K3", "K4"]),
    ],
)
def test_units_are_chosen_by_flag_depot_and_id(choice, units):
    assert chosen(ENDS, choice)["unit_id"].unique(maintain_order=True).to_list() == units


def test_every_wheel_end_of_a_chosen_unit_is_there():
    assert chosen(ENDS, Choice(units=("K1",)))["wheel_end_id"].to_list() == ["K1/1L", "K1/1R"]


@pytest.mark.parametrize(
    ("choice", "said"),
    [
        (Choice(units=("K11",)), "--unit: found 'K11'.*did you mean 'K[1-5]'"),
        (Choice(depots=("Nroth",)), "--depot: found 'Nroth'.*did you mean 'North'"),
        (Choice(depots=("Zzz",)), "--depot: found 'Zzz'; accepted: one that the register has$"),
    ],
)
def test_an_unknown_name_is_an_error_with_the_nearest(choice, said):
    with pytest.raises(UserError, match=said):
        chosen(ENDS, choice)


# ---- what stands on a sheet


def test_band_and_aim_are_those_of_the_wheel_ends_own_arm():
    """Arm 150 mm: 15 to 22.5 mm is right, about 19 the aim (common practice, no source)."""
    (line, _), *_ = (s.ends for s in unit_sheets(month()))
    assert (line.name, line.arm, line.band, line.aim) == ("1L", "150", "15.0–22.5", "18.8")
    assert (line.minimum, line.limit) == ("6.0", "30: 50.8")


def test_a_wheel_end_without_an_arm_on_record_has_a_sheet_without_a_band():
    """A fleet without a register has no arm at all: its sheets ended in a traceback."""
    unknown = pl.lit(None, dtype=pl.Float64)
    data = month(ENDS.with_columns(arm_length_mm=unknown))
    (line, _), *_ = (s.ends for s in unit_sheets(data))
    assert (line.arm, line.band, line.aim, line.minimum) == ("–", "–", "–", "6.0")
    assert "1L" in workshop_sheets(data)


def test_the_sheet_says_from_where_on_an_adjuster_takes_up():
    """17.5° (common practice, no source) is an arc of 0.305 of the arm; 20° one of 0.349."""
    assert "camshaft turn" not in workshop_sheets(month())
    usual = workshop_sheets(month(fleet=Fleet(take_up_deg=17.5)))
    assert "past 17.5° of camshaft turn: an applied stroke of about 31 %" in usual
    set_otherwise = workshop_sheets(month(fleet=Fleet(take_up_deg=20.0)))
    assert "past 20° of camshaft turn: an applied stroke of about 35 %" in set_otherwise


def test_inches_are_inches():
    """150 mm is 5.906 in, a tenth of it 0.591 in."""
    (line, _), *_ = (s.ends for s in unit_sheets(month(fleet=Fleet(length_unit="in"))))
    assert (line.arm, line.band.split("–")[0]) == ("5.91", "0.591")


def test_the_last_readings_are_the_newest_first():
    _, line = unit_sheets(month())[0].ends
    assert line.readings == (
        ("2 Feb 2026", "9.5", "41.0", "applied 55.0, fails its return test, cap open"),
        ("1 Dec 2025", "10.0", "28.0", ""),
    )


def test_flags_come_with_their_evidence_and_what_is_overdue_is_said():
    sheet = unit_sheets(month())[0]
    assert [(k.name, k.state, k.evidence) for k in sheet.looks] == [
        ("1R", "no take-up at all", "Nothing is taken up.")
    ]
    assert sheet.due == ("Greasing was due 2 Mar 2026 at all wheel ends",)
    assert sheet.odometer == "123\u202f456 km on 2 Mar 2026"


def test_every_sheet_has_its_cautions_and_steps_and_no_script():
    page = workshop_sheets(month())
    units = ENDS["unit_id"].n_unique()
    for wanted in (CAUTIONS[0], "is replaced, not re-set", "wheels chocked", "manual or local"):
        assert page.count(wanted) >= units, wanted
    assert "<script" not in page
    assert "default-src &#39;none&#39;; script-src &#39;none&#39;" in page


def test_hostile_text_stays_text():
    nasty = ENDS.with_columns(pl.col(pl.String).exclude("side") + HOSTILE[0])
    page = workshop_sheets(month(nasty, Fleet(name=HOSTILE[0])))
    assert "<script" not in page
    assert "&lt;script&gt;" in page


def test_no_unit_is_told_in_words():
    assert "No unit is flagged." in workshop_sheets(month(ENDS.clear()))


# ---- the blank file, and the way back


def folder(root):
    return root / "out" / "sheets" / LAST_CHECK


def filled(rows: pl.DataFrame) -> pl.DataFrame:
    """What a workshop would write: a day, the odometer and the readings of every wheel end."""
    written = {
        "inspected_on": pl.lit(dt.date(2025, 11, 24)),
        "odometer_km": pl.col("unit_id").replace_strict({"K01": 185_000.0, "K03": 400_000.0}),
        "lining_mm": pl.lit(9.5),
        "free_stroke_mm": pl.lit(18.0),
        "marks_aligned": pl.lit(value=True),
        "return_test": pl.lit("pass"),
        "cap_state": pl.lit("seated"),
        "fault": pl.lit("cable chafed, see card"),
    }
    return rows.with_columns(**written)


def test_the_blank_file_has_the_contracts_columns_and_the_chosen_wheel_ends(small_run):
    rows = pl.read_csv(folder(small_run) / "inspections.csv")
    assert rows.columns == list(columns_of("inspections"))
    assert rows["unit_id"].unique().sort().to_list() == ["K01", "K03"]
    assert rows.height == 8
    book = fastexcel.read_excel(folder(small_run) / "inspections.xlsx")
    sheet = book.load_sheet(0, dtypes="string").to_polars()
    assert sheet.select("unit_id", "axle_no", "side").rows() == [
        (u, str(a), s) for u, a, s in rows.select("unit_id", "axle_no", "side").rows()
    ]


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_a_filled_file_loads_with_every_row_accepted(small_run, tmp_path, kind, capsys):
    lake = shutil.copytree(small_run / "lake", tmp_path / "lake")
    rows = filled(pl.read_csv(folder(small_run) / "inspections.csv", infer_schema_length=None))
    settings = Settings()
    made = {
        "csv": blanks.as_csv(rows, settings),
        "xlsx": blanks.as_xlsx(rows, settings, DAY),
    }
    (lake / "inspections" / f"written.{kind}").write_bytes(made[kind])
    assert main(["check", str(lake)]) == 0
    assert "184 rows in 7 files: 184 accepted, 0 repeated, 0 set aside" in capsys.readouterr().out


def test_the_same_sheets_are_not_written_twice(small_run):
    command = ["sheet", str(small_run / "lake"), "--out", str(small_run / "out")]
    assert main([*command, "--unit", "K01", "--unit", "K03"]) == 0
    assert [p.name for p in folder(small_run).parent.iterdir()] == [LAST_CHECK]


def test_a_file_somebody_wrote_into_is_not_touched(small_run, tmp_path):
    root = tmp_path / "copy"
    shutil.copytree(small_run, root)
    mine = folder(root) / "inspections.csv"
    mine.write_text("written by hand")
    command = ["sheet", str(root / "lake"), "--out", str(root / "out"), "--unit", "K01"]
    assert main(command) == 0
    assert mine.read_text() == "written by hand"
    assert len(list((root / "out" / "sheets").iterdir())) == 2


def test_an_imperial_fleets_blank_says_inches_and_miles_and_loads_back():
    settings = Settings.model_validate({"units": {"length": "in", "distance": "mi"}})
    rows = blanks.blank_inspections(ENDS, settings)
    assert {"odometer_mi", "lining_in", "free_stroke_in"} <= set(rows.columns)
    assert b"free_stroke_in" in blanks.as_csv(rows, settings)


def test_ids_that_look_like_formulas_come_back_as_they_were():
    """CSV shields them by an apostrophe, which loading takes off again."""
    ends = ENDS.head(1).with_columns(unit_id=pl.lit("=1+1"))
    rows = blanks.blank_inspections(ends, Settings())
    text = blanks.as_csv(rows, Settings()).decode("utf-8-sig")
    assert text.splitlines()[1].startswith("'=1+1,1,L")
    book = fastexcel.read_excel(blanks.as_xlsx(rows, Settings(), DAY))
    assert book.load_sheet(0, dtypes="string").to_polars()["unit_id"].to_list() == ["=1+1"]


def test_the_workbook_explains_itself():
    rows = blanks.blank_inspections(ENDS, Settings())
    book = fastexcel.read_excel(blanks.as_xlsx(rows, Settings(), DAY))
    told = " ".join(book.load_sheet(1, header_row=None).to_polars().to_series().drop_nulls())
    assert all(name in told for name in columns_of("inspections"))


# ---- steps and readings


def sheet_text(**changed: object) -> str:
    return html.unescape(workshop_sheets(replace(month(), **changed)))


def test_steps_are_of_no_one_maker():
    text = sheet_text()
    for way in ("two full turns", "ten times", "control arm", "0–90", "17.5"):
        assert way not in text, way
    assert "as the adjuster's maker describes it" in text
    assert "replaced, not re-set" in text


@pytest.mark.parametrize(
    ("left_out", "words"),
    [
        ("free_stroke_mm", ("Free stroke", "Stroke as left", "Band</th>", "Aim</th>")),
        ("wear_indicator_deg", ("Wear pointer", "wear pointer")),
        ("return_test", ("Returns</th>", "Return test, as")),
        ("cap_state", ("Cap</th>", "the grease cap (seated")),
    ],
)
def test_what_a_fleet_does_not_record_is_not_asked_for(left_out, words):
    kept = tuple(name for name in ASKED if name != left_out)
    for word in words:
        assert word in sheet_text()
        assert word not in sheet_text(recorded=kept)
    assert "replaced, not re-set" in sheet_text(recorded=kept)


def test_rows_of_a_sheet_have_as_many_cells_whatever_is_recorded():
    """Columns that are left out are left out of heading and rows alike."""
    for kept in (ASKED, ASKED[:1], ASKED[2:3], ()):
        text = workshop_sheets(replace(month(), recorded=kept))
        table = re.search(r"<table>.*?</table>", text, re.S)
        assert table is not None
        heads, row = table[0].split("</thead>")
        first, second = heads.split("</tr>")[:2]
        spans = sum(int(n) for n in re.findall(r'colspan="(\d+)"', first))
        alone = len(re.findall(r'rowspan="2"', first))
        assert len(re.findall(r"<th", second)) == spans
        cells = row.split("</tr>")[0]
        wide = sum(int(n) - 1 for n in re.findall(r'colspan="(\d+)"', cells))
        assert len(re.findall(r"<t[hd]", cells)) + wide == spans + alone


def test_a_fleets_own_steps_stand_in_place_of_the_general_ones():
    text = sheet_text(fleet=Fleet(steps=("Use pit 3.", "<b>Call Ann.</b>")))
    assert "Use pit 3." in text
    assert "<b>Call Ann.</b>" in text  # unescaped here: it stood as text
    assert "the fleet's own, from fleet.toml" in text
    assert "Level ground, wheels chocked" in text
    assert "replaced, not re-set" in text
    assert "Write down day, odometer" not in text


# ---- the command


def test_a_unit_nobody_has_exits_2_with_one_line(small_run, capsys):
    command = ["sheet", str(small_run / "lake"), "--out", str(small_run / "out"), "--unit", "Q7"]
    assert main(command) == 2
    error = capsys.readouterr().err
    assert error.startswith("drumline: --unit: found 'Q7'")
    assert error.count("\n") == 1


def test_a_warehouse_without_a_finished_run_exits_2(small_run, tmp_path, capsys):
    duckdb.connect(str(tmp_path / warehouse.DATABASE)).close()
    assert main(["sheet", str(small_run / "lake"), "--out", str(tmp_path)]) == 2
    assert "run drumline run" in capsys.readouterr().err


def test_rows_left_blank_are_not_errors(small_run, tmp_path, capsys):
    """Half the wheel ends were looked at: the other half's rows say nothing, and count as none."""
    lake = shutil.copytree(small_run / "lake", tmp_path / "lake")
    blank = pl.read_csv(folder(small_run) / "inspections.csv", infer_schema_length=None)
    rows = pl.concat([filled(blank.head(4)), blank.tail(4)], how="diagonal_relaxed")
    for kind, content in (
        ("csv", blanks.as_csv(rows, Settings())),
        ("xlsx", blanks.as_xlsx(rows.head(0), Settings(), DAY)),
    ):
        (lake / "inspections" / f"half.{kind}").write_bytes(content)
    assert main(["check", str(lake)]) == 0
    assert "180 rows in 8 files: 180 accepted, 0 repeated, 0 set aside" in capsys.readouterr().out


def test_a_row_with_a_day_and_no_reading_is_still_an_error(small_run, tmp_path, capsys):
    lake = shutil.copytree(small_run / "lake", tmp_path / "lake")
    blank = pl.read_csv(folder(small_run) / "inspections.csv", infer_schema_length=None)
    dated = blank.head(1).with_columns(
        inspected_on=pl.lit("2025-11-24"), odometer_km=pl.lit(185000)
    )
    (lake / "inspections" / "dated.csv").write_bytes(blanks.as_csv(dated, Settings()))
    assert main(["check", str(lake)]) == 1
    assert "no reading: 1 row" in capsys.readouterr().out
