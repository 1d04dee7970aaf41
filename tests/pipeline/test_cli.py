"""The command as its user meets it: exit codes, one clear line, no traceback."""

import os
import pty
import select
import signal
import sys

import pytest

from pipeline.cli import main
from pipeline.commands.checking import line_that_mends
from pipeline.out.holding import opened
from pipeline.warehouse import warehouse
from tests import ROOT
from tests.lakes import write_small_lake


@pytest.fixture
def lake(tmp_path):
    return write_small_lake(tmp_path / "lake")


def said(capsys):
    return capsys.readouterr()


def one_line(capsys):
    """What a user's mistake prints: one line on standard error."""
    error = said(capsys).err
    assert error.count("\n") == 1, error
    assert "Traceback" not in error
    return error


def test_check_of_a_clean_lake_exits_0_and_writes_nothing(lake, capsys):
    before = sorted(lake.parent.rglob("*"))
    assert main(["check", str(lake)]) == 0
    assert "176 rows in 6 files: 176 accepted, 0 repeated, 0 set aside" in said(capsys).out
    assert sorted(lake.parent.rglob("*")) == before


def test_check_lists_every_reason_with_its_count_and_first_examples(lake, capsys):
    path = lake / "inspections" / "K01.csv"
    extra = "\n".join(f"K99,1,L,2025-01-0{day},1,9,18,pass" for day in range(1, 6))
    path.write_text(path.read_text() + extra + "\nK01,1,L,2025-13-01,1,9,18,pass\n")
    assert main(["check", str(lake)]) == 1
    out = said(capsys).out
    assert "inspections, unknown wheel end: 5 rows" in out
    assert out.count("inspections/K01.csv row ") == 4  # three of five, and the one below
    assert 'row 43: inspected_on: found "2025-13-01"; accepted: a date such as 2025-03-31' in out


def test_check_of_a_lake_with_an_unreadable_file_exits_1(lake, capsys):
    (lake / "work" / "x.parquet").write_bytes(b"rubbish")
    assert main(["check", str(lake)]) == 1
    assert "work/x.parquet: not read: found not a Parquet file" in said(capsys).out


def test_check_of_a_lake_with_no_usable_inspection_exits_2_and_still_lists_why(lake, capsys):
    for path in (lake / "inspections").iterdir():
        path.write_text(path.read_text().replace("K0", "Q0"))
    assert main(["check", str(lake)]) == 2
    captured = said(capsys)
    assert "unknown wheel end: 144 rows" in captured.out
    assert "no usable row" in captured.err


@pytest.mark.parametrize("command", [["check"], ["run", "--out", "out"], ["sheet", "--out", "out"]])
def test_a_missing_or_empty_lake_exits_2_with_one_line(command, tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main([command[0], str(tmp_path / "none"), *command[1:]]) == 2
    assert "found nothing; accepted: a folder with register" in one_line(capsys)
    (tmp_path / "bare").mkdir()
    assert main([command[0], str(tmp_path / "bare"), *command[1:]]) == 2
    assert "found no files" in one_line(capsys)
    assert not (tmp_path / "out").exists()


def test_an_unknown_setting_exits_2_and_suggests_the_nearest(lake, capsys):
    (lake / "fleet.toml").write_text("[adjustment]\nband_lo = 0.1\n")
    assert main(["check", str(lake)]) == 2
    assert "adjustment.band_lo: unknown key; did you mean 'band_low'?" in one_line(capsys)


@pytest.mark.parametrize("content", [b"[fleet", b"\xff\xfe\x00rubbish"])
def test_rubbish_in_the_settings_exits_2(lake, capsys, content):
    (lake / "fleet.toml").write_bytes(content)
    assert main(["check", str(lake)]) == 2
    assert "fleet.toml: not readable as TOML" in one_line(capsys)


def test_an_as_of_that_is_no_day_exits_2(lake, capsys):
    with pytest.raises(SystemExit) as stopped:
        main(["run", str(lake), "--out", "x", "--as-of", "March"])
    assert stopped.value.code == 2
    assert "found 'March'; accepted: YYYY-MM-DD" in said(capsys).err


def test_out_that_is_a_file_exits_2(lake, tmp_path, capsys):
    (tmp_path / "out").write_text("")
    assert main(["run", str(lake), "--out", str(tmp_path / "out")]) == 2
    assert "cannot be written" in one_line(capsys)


def test_a_warehouse_that_is_not_ours_exits_2(lake, tmp_path, capsys):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / warehouse.DATABASE).write_bytes(b"not a database at all" * 99)
    assert main(["run", str(lake), "--out", str(tmp_path / "out")]) == 2
    assert "cannot be opened" in one_line(capsys)


def test_a_second_run_on_the_same_out_is_refused(lake, tmp_path, capsys):
    with opened(tmp_path / "out"):
        assert main(["run", str(lake), "--out", str(tmp_path / "out")]) == 2
    assert f"another run is at work there: process {os.getpid()}, since 20" in one_line(capsys)


def test_every_command_is_in_the_readme():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for command in ("run", "check", "schedule", "sheet"):
        assert f"drumline {command}" in readme


@pytest.mark.parametrize(
    ("reason", "line"),
    [
        ('km: found "1.234"; accepted: a number, with its unit (or set distance under [answers])',
         '[answers] distance = its unit, such as "mm" or "km"'),
        ('Insp: found "3/4/25"; accepted: a date (or set day_first under [fleet] to say how)',
         "[fleet] day_first = true, or false"),
        ('T: found "gut"; accepted: pass or fail (or say what it means under [files.values."T"])',
         '[files.values."T"] "gut" = what it means: pass or fail'),
        ('S: found "P"; accepted: L or R (or say what it means under [files.values."S"]): "P" = '
         '"R"',
         '[files.values."S"] "P" = "R"'),
        ('B: found "-"; accepted: a number (or say what it means under [files.values."B"], "" for '
         'nothing)', '[files.values."B"] "-" = "" where nothing was read, else what it means: a '
         'number'),
        ('O/S mm: fleet.toml does not say how it is meant; accepted: near_side = "L" or "R" under '
         "[answers]", '[answers] near_side = "L"'),
        ("lining_mm: the file has no such column; accepted: a number of 0 mm or more",
         '[columns.work] "own heading" = "lining_mm", or drumline map'),
        ('lining_mm: found "x"; accepted: a number, in mm; cap_state: found "zu"; accepted: open '
         '(or say what it means under [files.values."K"])',
         '[files.values."K"] "zu" = what it means: open'),
        ('unit_id: found "K99"; accepted: a unit in the register', ""),
    ],
)  # fmt: skip
def test_a_reason_that_a_setting_would_mend_says_which(reason, line):
    assert line_that_mends("work", reason) == line


@pytest.mark.parametrize("inside", ["", "inspections/out"])
def test_a_run_does_not_put_out_where_it_reads(lake, capsys, inside):
    assert main(["run", str(lake), "--out", str(lake / inside)]) == 2
    assert "found within the records" in one_line(capsys)


def test_names_of_fleet_toml_that_no_record_has_are_told(lake, capsys):
    text = (lake / "fleet.toml").read_text()
    told = (
        "[axle_types.typo]\nlining_new_mm = 17\n[depots.Nowhere]\nhours_a_month = 9\n[parts.X]\n"
        'price = 4\n[changes.oil]\ndate = 2025-03-01\nunits = ["NOPE"]\n'
    )
    (lake / "fleet.toml").write_text(f"{text}\n{told}")
    main(["check", str(lake)])
    assert (
        "names in fleet.toml that no record has: [axle_types.typo], [depots.Nowhere], [parts.X], "
        "units NOPE under [changes.oil]\n"
    ) in capsys.readouterr().out
    (lake / "fleet.toml").write_text(text)
    main(["check", str(lake)])
    assert "no record has" not in capsys.readouterr().out


def at_a_terminal(lake, until, key):
    """What ``map`` prints at a terminal of its own, where this key is struck at a question."""
    process, terminal = pty.fork()
    if not process:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
        os.chdir(ROOT)
        os.execv(sys.executable, [sys.executable, "-m", "pipeline.cli", "map", str(lake)])
    printed = b""
    try:
        while True:
            if select.select([terminal], [], [], 1)[0]:
                printed += os.read(terminal, 65536)
            # A key struck after a question is printed and before it is listened for can be lost
            # (Python sees no interrupt between the two): it is struck again, as a person would.
            elif until in printed:
                os.write(terminal, key)
    except OSError:  # how a terminal ends
        pass
    os.close(terminal)
    _, status = os.waitpid(process, 0)
    return os.waitstatus_to_exitcode(status), printed.decode()


@pytest.mark.parametrize(
    ("key", "code", "last"),
    [
        (b"\x03", 2, "drumline: stopped; fleet.toml is as it was before"),
        (b"\x04", 1, "1 question to answer under [answers] in fleet.toml: distance"),
    ],
)
def test_a_question_shows_its_default_and_can_be_left(tmp_path, key, code, last):
    visit = "T1;2025-03-0{};100{}00;15;14\n"
    rows = "".join(visit.format(day, day) for day in range(1, 9))
    (tmp_path / "a.csv").write_text(f"Unit;Date;Odometer;1L lining mm;1R lining mm\n{rows}")
    found, printed = at_a_terminal(tmp_path, b"[km]: ", key)
    assert (found, printed.splitlines()[-1]) == (code, last)
    assert (tmp_path / "fleet.toml").exists() == (code == 1)
