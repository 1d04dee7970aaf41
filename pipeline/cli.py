"""The ``drumline`` command."""

import argparse
import datetime as dt
import os
import signal
import sys
from collections.abc import Callable, Sequence
from functools import partial

from rich.console import Console

from pipeline.commands import CAUTION
from pipeline.errors import UserError
from pipeline.places import ACCEPTED, Place, place

LAKE_HELP = f"the fleet's records: {ACCEPTED}"
OUT_HELP = f"where warehouse and pages go: {ACCEPTED}"
# What keys of [scenarios] are called for short on the command line.
SHORT = {"minimum_mm": "minimum", "use_factor": "use", "threshold_mm": "threshold"}
EXIT_DONE, EXIT_SET_ASIDE, EXIT_UNUSABLE = 0, 1, 2


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code. A user's mistake prints one line, no traceback."""
    given = sys.argv[1:] if arguments is None else arguments
    options = _parser(given).parse_args(given)
    console = Console(soft_wrap=True, highlight=False)
    try:
        code: int = options.does(options, console)
        return code
    except UserError as error:
        return _unusable(str(error))
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        return _unusable(f"{where}{error.strerror or error}")
    except KeyboardInterrupt:
        return _unusable("stopped; OUT is as it was before, run again when you like")
    except Exception as error:
        if not isinstance(error, _warehouse_fails()):
            raise
        return _unusable(str(error).splitlines()[0])


def _warehouse_fails() -> tuple[type[Exception], ...]:
    """What a full disk or memory makes of a statement; a checkpoint that cannot be written is
    fatal. Called once something has gone wrong."""
    import duckdb

    return duckdb.IOException, duckdb.OutOfMemoryException, duckdb.FatalException


def _unusable(line: str) -> int:
    print(f"drumline: {' '.join(line.split())}", file=sys.stderr)
    return EXIT_UNUSABLE


def _parser(given: Sequence[str]) -> argparse.ArgumentParser:
    """All commands; the options of ``ask`` are those of the settings, read when it is given."""
    parser = argparse.ArgumentParser(
        prog="drumline",
        description="Lining wear, adjuster life and adjustment drift, from inspection records.",
        epilog="Figures are estimates from records, not an inspection.",
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    run = _command(commands, "run", "load what is new, fit, forecast, flag, publish", _run)
    run.add_argument("--out", type=_place, required=True, help=OUT_HELP)
    run.add_argument("--as-of", type=_day, help="YYYY-MM-DD; use nothing dated later")
    _command(
        commands,
        "map",
        "look at files in a fleet's own form, and write how they are read into fleet.toml",
        _map,
    )
    _command(commands, "check", "read and judge the lake; write nothing", _check)
    _add_sheet(commands)
    _add_ask(commands, with_options="ask" in given)
    schedule = _command(commands, "schedule", "run on a schedule, with a run history", _schedule)
    schedule.add_argument("--out", type=_place, required=True, help=OUT_HELP)
    schedule.add_argument("--cron", required=True, help='when, as in "0 5 1 * *"')
    schedule.add_argument("--pool", help="leave the runs to a worker of this Prefect work pool")
    return parser


def _add_sheet(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    sheet = _command(
        commands,
        "sheet",
        "printable workshop sheets and a blank inspections file, from the last run",
        _sheet,
    )
    sheet.add_argument("--out", type=_place, required=True, help="where the last run left it")
    for option, what in (("--unit", "this unit"), ("--depot", "units of this depot")):
        sheet.add_argument(
            option,
            metavar=option[2].upper(),
            action="append",
            default=[],
            help=f"{what} (may be repeated)",
        )
    sheet.add_argument(
        "--flagged",
        action="store_true",
        help="only units with a flagged wheel end; so it is when neither unit nor depot is named",
    )


def _add_ask(
    commands: "argparse._SubParsersAction[argparse.ArgumentParser]", *, with_options: bool
) -> None:
    """``drumline ask``: every key of ``[scenarios]`` is an option."""
    summary = "what if: answer from the last run, in the same simulated futures"
    ask = commands.add_parser("ask", help=summary, description=summary.capitalize() + ".")
    ask.add_argument("out", type=_place, metavar="OUT", help="where the last run left its results")
    if with_options:
        _add_scenario_options(ask)
    ask.set_defaults(does=_ask)


def _add_scenario_options(ask: argparse.ArgumentParser) -> None:
    from pipeline.accepted import accepted
    from pipeline.settings import ScenarioSection

    ask.add_argument("--name", default="asked", help="of the lines for fleet.toml")
    for key, field in ScenarioSection.model_fields.items():
        names = [f"--{key.replace('_', '-')}"]
        if key in SHORT:
            names.insert(0, f"--{SHORT[key]}")
        told = f"{field.description}: {accepted(field)}".replace("%", "%%")
        ask.add_argument(*names, dest=f"scenario_{key}", metavar="VALUE", help=told)


def _ask(options: argparse.Namespace, console: Console) -> int:
    """``drumline ask``."""
    from pipeline.commands import asking

    given = {
        key.removeprefix("scenario_"): value
        for key, value in vars(options).items()
        if key.startswith("scenario_") and value is not None
    }
    reply = asking.answered(options.out, asking.section_of(given), options.name)
    for line in (*asking.answer_lines(reply), CAUTION):
        console.print(line, markup=False)
    return EXIT_DONE


def _command(
    commands: "argparse._SubParsersAction[argparse.ArgumentParser]",
    name: str,
    summary: str,
    does: Callable[[argparse.Namespace, Console], int],
) -> argparse.ArgumentParser:
    command = commands.add_parser(name, help=summary, description=summary.capitalize() + ".")
    command.add_argument("lake", type=_place, metavar="LAKE", help=LAKE_HELP)
    command.set_defaults(does=does)
    return command


def _place(text: str) -> Place:
    try:
        return place(text)
    except UserError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def _day(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"found {text!r}; accepted: YYYY-MM-DD") from None


def _run(options: argparse.Namespace, console: Console) -> int:
    """``drumline run``."""
    if os.environ.get("PREFECT_API_URL"):
        from pipeline.lake.lake import require_apart
        from pipeline.scheduling import tracked_run

        require_apart(options.lake, options.out)
        tracked_run(options.lake, options.out, options.as_of)
        return EXIT_DONE
    from pipeline.commands import report, running

    now = dt.datetime.now()
    summary = running.run_once(options.lake, options.out, options.as_of, now, console)
    for line in report.summary_lines(summary):
        console.print(line, markup=False)
    return EXIT_DONE


def _check(options: argparse.Namespace, console: Console) -> int:
    """``drumline check``."""
    from pipeline.commands import checking

    fates = checking.check(options.lake, dt.datetime.now(), partial(console.print, markup=False))
    return EXIT_SET_ASIDE if fates.parts_set_aside or fates.unreadable_files else EXIT_DONE


def _map(options: argparse.Namespace, console: Console) -> int:
    """``drumline map``."""
    from pipeline.mapping.command import map_lake

    ask = None
    if console.is_terminal and sys.stdin.isatty():
        ask = partial(console.input, markup=False, emoji=False)
        signal.siginterrupt(signal.SIGINT, True)  # polars has a handler that goes on reading
    try:
        found = map_lake(options.lake, ask, partial(console.print, markup=False))
    except KeyboardInterrupt:
        console.print()
        raise UserError("stopped; fleet.toml is as it was before") from None
    return EXIT_DONE if found.is_clear else EXIT_SET_ASIDE


def _sheet(options: argparse.Namespace, console: Console) -> int:
    """``drumline sheet``."""
    from pipeline.commands import sheets
    from pipeline.lake.lake import usable_settings
    from pipeline.out.last_run import has_run

    settings = usable_settings(options.lake)
    if not has_run(options.out):
        from pipeline.commands import running

        console.print(f"{options.out}: no run yet; running first", markup=False)
        running.run_once(options.lake, options.out, None, dt.datetime.now(), console)
    choice = sheets.Choice(options.unit, options.depot, options.flagged)
    for line in sheets.sheet_lines(sheets.write_sheets(settings, options.out, choice)):
        console.print(line, markup=False)
    return EXIT_DONE


def _schedule(options: argparse.Namespace, console: Console) -> int:
    """``drumline schedule``."""
    from pipeline import scheduling
    from pipeline.lake.lake import require_apart, usable_settings

    require_apart(options.lake, options.out)
    usable_settings(options.lake)
    if options.pool:
        scheduling.hand_over(options.lake, options.out, options.cron, options.pool, console)
    else:
        scheduling.serve(options.lake, options.out, options.cron, console)
    return EXIT_DONE


if __name__ == "__main__":
    sys.exit(main())
