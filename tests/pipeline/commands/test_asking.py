"""``drumline ask`` says what a run with that scenario says, in the same futures."""

import shutil
import subprocess
import sys
from dataclasses import replace

import duckdb
import pytest

from pipeline.cli import main
from pipeline.commands import asking
from pipeline.commands.asking import answered, section_of, toml_lines
from pipeline.errors import UserError
from pipeline.settings import ScenarioSection, settings_from
from tests.lakes import write_small_lake

QUESTIONS = {
    "thicker": {"minimum_mm": "8", "use_factor": "1.2", "check_weeks": "8", "threshold_mm": "2"},
    "later": {"reline": "latest", "risk": "0.02", "wait_for_visit": "false", "together": "unit"},
    "some": {"minimum_mm": "{trailing = 9}", "check_interval_factor": "1.5", "guard": "false"},
}


def run_of(lake, *lines):
    """Out of a run of a lake, its settings followed by some lines."""
    settings = "[costs]\nlining_kit = 90\nreline_labour = 60\ndrum = 150\ndrum_share = 0.3\n"
    (write_small_lake(lake) / "fleet.toml").write_text(settings + "\n".join(lines))
    assert main(["run", str(lake), "--out", str(lake.with_suffix(".out"))]) == 0
    return lake.with_suffix(".out")


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    """Out of a run with no scenario of its own."""
    return run_of(tmp_path_factory.mktemp("asking") / "plain")


@pytest.fixture(scope="module")
def named(tmp_path_factory):
    """Out of a run of the same lake with all the questions."""
    lines = [
        line for name, given in QUESTIONS.items() for line in toml_lines(name, section_of(given))
    ]
    return run_of(tmp_path_factory.mktemp("asking") / "named", *lines)


def futures(out, name):
    with duckdb.connect(str(out / "drumline.duckdb"), read_only=True) as con:
        return con.sql("from mart.futures where name = ? order by future", params=[name]).pl()


def same_futures(asked, run, name):
    reply = answered(asked, section_of(QUESTIONS[name]))
    expected, now = futures(run, name), futures(asked, "as_now")
    assert len({line.words for line in reply.lines}) == len(reply.lines)
    for key, line in zip(asking.MEASURES, reply.lines, strict=False):
        assert line.asked.tolist() == expected[key].to_list()
        assert line.now.tolist() == now[key].to_list()


@pytest.mark.parametrize("name", QUESTIONS)
def test_the_answer_is_that_of_the_run_future_by_future(named, name):
    same_futures(named, named, name)


@pytest.mark.proof
@pytest.mark.parametrize("name", QUESTIONS)
def test_the_answer_is_that_of_another_run_with_the_scenario(plain, named, name):
    same_futures(plain, named, name)


@pytest.mark.proof
def test_other_scenarios_of_a_fleet_change_nothing_of_its_futures(plain, named):
    for name in ("as_now", "latest safe visit"):
        assert futures(plain, name).equals(futures(named, name))


def test_a_fleets_own_scenarios_stand_beside_the_usual_ones(named):
    with duckdb.connect(str(named / "drumline.duckdb"), read_only=True) as con:
        names = {name for (name,) in con.execute("select name from mart.scenarios").fetchall()}
    usual = {"as_now", "keep the risk within 5%", "latest safe visit", "whole unit together"}
    assert names == usual | set(QUESTIONS)


def test_the_last_lines_are_the_scenario_again(named, capsys):
    out = str(named)
    options = ["--minimum", "{trailing = 9}", "--use", "1.2", "--name", "why not"]
    assert main(["ask", out, *options, "--check-weeks", "8", "--threshold", "2"]) == 0
    said = capsys.readouterr().out
    toml = said[said.index("[scenarios") : said.rindex("\nFigures are estimates")]
    section = settings_from(toml.encode(), "fleet.toml").scenarios["why not"]
    assert section == ScenarioSection(
        minimum_mm={"trailing": 9.0},
        use_factor=1.2,
        check_weeks=8.0,
        threshold_mm=2.0,
        reline="threshold",
    )


def test_names_that_are_no_plain_words_are_quoted():
    section = section_of({"minimum_mm": '{"a b" = 7}', "use_factor": "1.2"})
    toml = "\n".join(toml_lines("why not", section))
    assert settings_from(toml.encode(), "fleet.toml").scenarios["why not"] == section


def test_a_run_says_in_one_line_what_a_scenario_names_that_is_not_there(named, tmp_path, capsys):
    lake = tmp_path / "lake"
    shutil.copytree(named.with_suffix(""), lake)
    with (lake / "fleet.toml").open("a") as settings:
        settings.write("\n[scenarios.typo]\nminimum_mm = {trialing = 8}\n")
    assert main(["run", str(lake), "--out", str(tmp_path / "out")]) == 2
    error = capsys.readouterr().err
    assert "fleet.toml: scenarios.typo: no wheel end is of the axle type 'trialing'; known" in error
    assert error.count("\n") == 1


def test_nothing_asked_changes_nothing_of_the_plan(named):
    """The budget itself is the fleet's habit and what the accepted risk takes besides."""
    reply = answered(named, section_of({}))
    for line in reply.lines:
        assert (line.asked == line.now).all()


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--minimum", "thick"], "--minimum-mm: found 'thick'; accepted: a number above 0 or"),
        (["--reline", "lates"], '--reline: found \'lates\'; accepted: "as_now", "threshold" or'),
        (["--use", "inf"], "--use-factor: found 'inf'; accepted: a number above 0, as in 1.2"),
        (["--minimum", "80"], "found a minimum of 80 mm; accepted: below the new lining, which is"),
        (["--minimum-change-mm", "40"], "accepted: below the new lining, which is"),
        (["--threshold", "2", "--reline", "latest"], "--threshold: found with --reline latest"),
        (["--use", "-1"], "--use-factor: found '-1'; accepted: a number above 0, as in 1.2"),
        (["--minimum", "{drive = 8}"], "no wheel end is of the axle type 'drive'; known are trail"),
        (
            ["--duty-moves", '[{from_duty = "a", to_duty = "b", share = 0.5}]'],
            "nobody runs the duty 'a'; known are unassigned",
        ),
    ],
)
def test_what_cannot_be_asked_is_said_in_one_line(named, capsys, options, said):
    assert main(["ask", str(named), *options]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1


# What draws, schedules, checks schemas or fits: an answer needs none of it, and waits for none.
HEAVY = {
    *("altair", "vl_convert", "jinja2", "matplotlib", "xlsxwriter", "fastexcel", "pandas"),
    *("prefect", "sqlalchemy", "dataframely", "statsmodels", "scipy.optimize", "scipy.stats"),
    *("scipy.signal", "babel", "boto3", "pyspark"),
}
LOADED = """
import sys
from pipeline.cli import main
try:
    code = main(sys.argv[1:])
except SystemExit as stopped:
    code = stopped.code
print(code, *sys.modules, file=sys.stderr)
"""


def loaded(*arguments):
    """Exit code of a command in a process of its own, and the modules it had loaded by its end."""
    done = subprocess.run(
        [sys.executable, "-c", LOADED, *map(str, arguments)],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    code, *modules = done.stderr.split()
    return code, set(modules)


def test_an_answer_loads_no_library_it_has_no_use_for(named):
    code, modules = loaded("ask", named, "--minimum", "8", "--together", "unit")
    assert code == "0"
    assert modules & HEAVY == set()


def test_the_list_of_commands_loads_nothing_but_what_prints_it():
    code, modules = loaded("--help")
    assert code == "0"
    assert modules & (HEAVY | {"numpy", "polars", "duckdb", "pydantic", "scipy"}) == set()


def test_without_a_run_there_is_no_answer(tmp_path):
    with pytest.raises(UserError, match=r"no run yet; accepted: what drumline run LAKE"):
        answered(tmp_path, section_of({}))


def test_without_prices_no_cost_of_nought_is_told(plain):
    reply = answered(plain, section_of({"minimum_mm": "8"}))
    free = [
        replace(line, now=0.0 * line.now, asked=0.0 * line.asked) if "ost" in line.words else line
        for line in reply.lines
    ]
    priced, unpriced = (
        "\n".join(asking.answer_lines(each)) for each in (reply, replace(reply, lines=tuple(free)))
    )
    assert "money in the currency of [costs]" in priced
    assert "\nCost " in priced
    assert "no cost is set under [costs]: none is told" in unpriced
    assert "\nCost " not in unpriced
    assert "lining cost" not in unpriced
