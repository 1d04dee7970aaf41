"""Published forecasts against the truth, world by world.

``python -m tests.bench.bench_worlds [--fleets 3] [--units 60] [--seed 0] [--best 0] [WORDS …]``
runs fleets of every world whose name holds one of the words (all unless said), each as of a year
before its records end, and prints a table; it asserts nothing. All of the wheel ends registered on
that day count, those whose unit has left too; but dates, which are told for units that stay in
service, are those of units that are there, and not thought to have left, held against what would
have come if none left since.
Only what is judged is worked out, by the functions of the run. ``--keep FILE`` and ``--kept FILE``
let a long bench be run in parts; with ``--kept``, ``--page FILE`` writes its table as Markdown,
every mean with its standard error.

``--best`` lives so many other futures of each fleet from that day on: the best that could be
forecast by somebody who knew every lining, rate, use and rule of then, and not what comes. Held
against their mean, a few fleets tell a total's bias that needs scores of them against what came.
"""

import argparse
import datetime as dt
import itertools
import json
import tempfile
import time
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
from scipy import special

from models.relines.budget import outlook_frame
from models.relines.forecast.minimum import WORDS
from models.relines.look_back import past_totals, relines_to_count
from models.relines.past_errors import calibrated_totals
from models.relines.rivals import (
    PlainTotals,
    last_years_totals,
    straight_line_days,
    straight_line_totals,
)
from models.relines.simulation.simulate import FleetModel, simulate_relines
from models.usage.holes import holes_of_records, lulls_of_records
from models.usage.since import last_seen
from pipeline.marts.budget_terms import DRAWS, SEED, months_of, reline_costs
from pipeline.marts.lives.failures import error_factor, failure_outlook, failures_ahead
from pipeline.marts.lives.fits import life_choices, unit_lives_now
from pipeline.marts.results import Missed
from pipeline.run import Run, load, reduce, settings_of
from pipeline.stages import backtesting
from pipeline.stages.failures_judged import failure_rows, failures_found
from pipeline.stages.fitting import fit_wear_and_use
from pipeline.stages.forecasting import forecast_relines
from pipeline.stages.origins import EARLIEST, RECENT, origins
from pipeline.warehouse import warehouse
from pipeline.warehouse.incremental import restage
from tests.worlds.fleet import ENDS_ON, Fleet, lived
from tests.worlds.lake import write_lake
from tests.worlds.world import WORLDS, World

AS_OF = dt.date(2025, 8, 31)
NOW = dt.datetime(2026, 9, 1, 8, 0)
LEVELS = np.array([0.1, 0.5, 0.9])
CLIPPED_DAYS = 730.0
"""Reline days are scored up to here: later is as good as never."""


def main() -> None:
    given = _arguments()
    if given.kept:
        print_table(given.kept)
        if given.page:
            given.page.write_text(page(given.kept), encoding="utf-8")
        return
    print(HEADING)
    for name, world in WORLDS.items():
        if given.words and not any(word in name for word in given.words):
            continue
        began, crashed, found = time.perf_counter(), 0, []
        for number in range(given.fleets):
            seed = given.seed + number
            fleet = lived(replace(world, units=given.units), seed)
            try:
                stayed = lived(fleet.world, seed, staying=AS_OF)
                found.append(judged(fleet, stayed) | best(fleet, stayed, seed, given.best))
                keep(given.keep, name, seed, found[-1])
            except Exception as problem:  # a crash is a result here
                crashed += 1
                print(f"  seed {seed}: {type(problem).__name__}: {problem}"[:200])
        took = (time.perf_counter() - began) / given.fleets
        print(_line(name, found, crashed, took), flush=True)
    print(NOTES)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.bench_worlds")
    parser.add_argument("words", nargs="*", help="worlds whose name holds one of these")
    parser.add_argument("--fleets", type=int, default=3)
    parser.add_argument("--units", type=int, default=World().units)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--keep", type=Path, help="add every fleet's figures to this file")
    parser.add_argument("--kept", type=Path, help="print the table of such a file, run nothing")
    parser.add_argument("--page", type=Path, help="and write it to this file, as Markdown")
    parser.add_argument("--best", type=int, default=0, help="futures of the best forecast")
    return parser.parse_args()


def keep(file: Path | None, world: str, seed: int, figures: dict[str, float]) -> None:
    """A line more in a file of lines of JSON."""
    if file is not None:
        row = {"world": world, "seed": seed, **{k: float(v) for k, v in figures.items()}}
        with file.open("a", encoding="utf-8") as lines:
            lines.write(json.dumps(row) + "\n")


def print_table(file: Path) -> None:
    """The table of figures that were kept, worlds in their order."""
    rows = [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]
    print(HEADING)
    for name in WORLDS:
        found = [
            {k: v for k, v in row.items() if k != "world"} for row in rows if row["world"] == name
        ]
        if found:
            print(_line(name, found, 0, float("nan")))
    print(NOTES)


def page(file: Path) -> str:
    """The kept figures as a table of Markdown: means ± their standard errors over fleets."""
    rows = [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]
    lines = ["| " + " | ".join(PAGE) + " |", "|" + " --- |" * len(PAGE)]
    for name in [*WORLDS, EVERY]:
        found = [row for row in rows if name in (row["world"], EVERY)]
        if found:
            lines.append(f"| {name} | {len(found)} | " + " | ".join(_page_cells(found)) + " |")
    return "\n".join(lines) + "\n"


EVERY = "every fleet"
PAGE = (
    *("world", "fleets", "relines of 12 months against what came, %"),
    *("against other futures, %", "the same, nothing learned from past errors, %"),
    *("quarters in p10–p90, %", "minimum, %", "reline day, %"),
    *("failures found against what came, %", "against other futures, %"),
    *("CRPS of quarters: ours, last year, line, best", "CRPS of days: ours, line, best"),
)


def _page_cells(found: list[dict[str, float]]) -> list[str]:
    def mean(values: list[float], sign: str = "") -> str:
        if not values:
            return ""
        error = np.std(values, ddof=1) / np.sqrt(len(values)) if len(values) > 1 else np.nan
        return f"{np.mean(values):{sign}.1f} ± {error:.1f}"

    def scores(*names: str) -> str:
        known = [[f.get(n, np.nan) for f in found] for n in names]
        return ", ".join(f"{np.nanmean(k) if np.isfinite(k).any() else np.nan:.1f}" for k in known)

    def off(name: str, of: str) -> list[float]:
        return [100.0 * (f[name] / max(f[of], 1.0) - 1.0) for f in found if of in f]

    inside = ("quarters inside", "stays min inside", "stays reline inside")
    shares = [mean([100.0 * f[name] for f in found]) for name in inside]
    came = max(sum(f["found"] for f in found), 1.0)
    failures = 100.0 * (sum(f["failures"] for f in found) / came - 1.0)
    quarters = scores("crps q ours", "crps q last year", "crps q line", "crps q best")
    days = scores("stays crps day ours", "stays crps day line", "crps day best")
    # Failures are few: their sum, which scatters about as Poisson's.
    told = f"{failures:+.1f} ± {100.0 / np.sqrt(came):.1f}"
    pairs = (("mean", "happened"), ("mean", "expected"), ("raw", "expected"))
    totals = [mean(off(*pair), "+") for pair in pairs]
    return [*totals, *shares, told, mean(off("failures", "expected found"), "+"), quarters, days]


def judged(fleet: Fleet, stayed: Fleet) -> dict[str, float]:
    """Forecast from what the fleet wrote down, and hold it against the truth. ``stayed``: the same
    fleet, had no unit left since: what dates are told for."""
    with tempfile.TemporaryDirectory() as base, warehouse.in_memory() as con:
        lake = write_lake(fleet, Path(base) / "lake", AS_OF)
        told = forecast_of(Run(con, lake, Path(base) / "out", settings_of(lake), NOW, AS_OF))
        return {
            **_totals(con, told, fleet),
            **_wheel_ends(con, told, fleet, stayed),
            **_failures(told, fleet),
            "raw": told.uncorrected,
            "failures raw": told.failures_uncorrected,
        }


@dataclass(frozen=True)
class Told:
    """What a run would publish of relines, linings and failures: rows of its marts.

    ``uncorrected``: relines of the year before anything was learned from past errors; failures too.
    """

    outlook: pl.DataFrame
    status: pl.DataFrame
    failures: pl.DataFrame
    uncorrected: float
    failures_uncorrected: float


def forecast_of(run: Run) -> Told:
    """The stages of a run by their own functions, without the chapters that are not judged here:
    adjustment, flags, scenarios, effects, planning, the page."""
    con, settings, day = run.con, run.settings, AS_OF
    load(run)
    restage(con, settings, NOW.date(), day)
    reduce(run)
    fits = fit_wear_and_use(con, settings, day)
    forecasts = forecast_relines(con, fits, day)
    assert forecasts is not None
    missed = missed_before(run, forecasts.fleet)
    months = months_of(settings, day)
    (relines,) = simulate_relines(forecasts.fleet, months.calendar, draws=DRAWS, seed=SEED)
    published = calibrated_totals(relines, missed.relines, SEED)
    lives = life_choices(con, settings, unit_lives_now(con))
    ahead = failures_ahead(con, lives, fits.usage, months)
    assert ahead is not None, "too few adjusters failed"
    return Told(
        outlook_frame(published, months, reline_costs(settings), SEED),
        forecasts.dates.join(
            forecasts.linings, on="wheel_end_id", how="left", maintain_order="left"
        ),
        failure_outlook(ahead, error_factor(ahead, missed.failures)),
        float(relines.span_relines[:, :12].sum(axis=1).mean()),
        float(ahead.to_come.expected[:, ahead.span < 12].sum()),
    )


def missed_before(run: Run, now: FleetModel) -> Missed:
    """What totals missed by at earlier origins, as the run learns it."""
    con, day = run.con, AS_OF
    relines = relines_to_count(warehouse.fetch(con, "from reduce.relines_done"), now)
    readings = warehouse.fetch(con, "from reduce.linings_found")
    ran = warehouse.fetch(con, "from reduce.unit_usage")
    missing = [*holes_of_records(ran), *lulls_of_records(ran)]
    past, ahead = [], []
    seen, draws, first = last_seen(now.usage), backtesting.DRAWS, backtesting.SEED
    asked = con, run.settings, day, ()
    for then in itertools.chain(origins(*asked, RECENT), origins(*asked, EARLIEST)):
        ahead += [then.failures] if then.failures is not None else []
        if then.fleet is not None:
            known = relines, readings, ran, missing, seen
            past.append(past_totals(then.fleet, day, *known, draws=draws, seed=first))
    told = failures_found(con), ran, missing, seen, day, now.year_known
    _, failures = failure_rows(ahead, *told)
    return Missed(backtesting.errors_for(now, [p for p in past if p is not None]), failures)


def best(fleet: Fleet, stayed: Fleet, seed: int, futures: int) -> dict[str, float]:
    """Scores of other futures of the same fleet, taken as a forecast; nothing if none is asked."""
    if not futures:
        return {}
    here = fleet.registered(AS_OF)
    others = [lived(fleet.world, seed, (AS_OF, n)) for n in range(1, futures + 1)]
    came, *told = (_by_span(each, here) for each in (fleet, *others))
    totals = np.quantile(told, LEVELS, axis=0).T
    # Of the fleets that stay, more days are lived and none is drawn anew.
    staying: Iterable[Fleet] = others
    if fleet.world.leaving:
        staying = (lived(fleet.world, seed, (AS_OF, n), AS_OF) for n in range(1, futures + 1))
    there = fleet.there(AS_OF)
    days = [
        np.minimum(each.days_to_reline(AS_OF)[there], CLIPPED_DAYS) for each in (stayed, *staying)
    ]
    scores = _pinball(totals, came)
    found = [each.failures_found() for each in others]
    return {
        "expected": float(np.mean(told, axis=0)[0]),
        "expected found": float(np.mean([_found_since(f, fleet) for f in found])),
        "width best": (totals[0, 2] - totals[0, 0]) / max(came[0], 1.0),
        "crps best": float(scores[0]),
        "crps q best": float(scores[1:].sum()),
        "crps day best": float(_pinball(np.quantile(days[1:], LEVELS, axis=0).T, days[0]).mean()),
    }


def _found_since(found: pl.DataFrame, fleet: Fleet) -> int:
    """Failures found in the year after as-of, on wheel ends registered then."""
    here = found.filter(pl.col("wheel_end_id").is_in(_registered(fleet)))
    return _between(here["found_on"], AS_OF + dt.timedelta(days=1), ENDS_ON)


def _by_span(fleet: Fleet, here: np.ndarray) -> np.ndarray:
    """Relines of the year after as-of, and of its quarters."""
    ids = list(itertools.compress(fleet.wheel_end_ids, here))
    relined = fleet.relines().filter(pl.col("wheel_end_id").is_in(ids))["relined_on"]
    ends = pl.date_range(AS_OF, ENDS_ON, "3mo", eager=True).to_list()
    quarters = [_between(relined, a + dt.timedelta(days=1), b) for a, b in itertools.pairwise(ends)]
    return np.array([sum(quarters), *quarters], float)


def _totals(con: duckdb.DuckDBPyConnection, told: Told, fleet: Fleet) -> dict[str, float]:
    outlook = told.outlook.sort("from_on", "months")
    year = outlook.filter(pl.col("months") == 12).head(1)
    quarters = outlook.filter(pl.col("months") == 3, pl.col("until_on") <= year["until_on"][0])
    truth = fleet.relines().filter(pl.col("wheel_end_id").is_in(_registered(fleet)))
    spans = pl.concat([year, quarters]).to_dicts()
    happened = np.array(
        [_between(truth["relined_on"], s["from_on"], s["until_on"]) for s in spans], float
    )
    ours = np.array([[s[f"relines_{q}"] for q in ("p10", "p50", "p90")] for s in spans])
    inside = (ours[:, 0] <= happened) & (happened <= ours[:, 2])
    edges = np.array([0.5] + [(s["until_on"] - AS_OF).days + 0.5 for s in spans[1:]])
    rivals = {name: _scores(plain, happened) for name, plain in _rivals(con, edges).items()}
    own = _pinball(ours, happened)
    return {
        "mean": year["relines_mean"][0],
        "happened": happened[0],
        "year inside": float(inside[0]),
        "quarters inside": float(inside[1:].mean()),
        "width": (ours[0, 2] - ours[0, 0]) / max(happened[0], 1.0),
        **{f"crps {name}": float(s[0]) for name, s in {"ours": own, **rivals}.items()},
        **{f"crps q {name}": float(s[1:].sum()) for name, s in {"ours": own, **rivals}.items()},
    }


def _registered(fleet: Fleet) -> list[str]:
    return [
        i for i, there in zip(fleet.wheel_end_ids, fleet.registered(AS_OF), strict=True) if there
    ]


def _between(days: pl.Series, first: dt.date, last: dt.date) -> int:
    return int(days.is_between(first, last).sum())


def _rivals(con: duckdb.DuckDBPyConnection, edges: np.ndarray) -> dict[str, list[PlainTotals]]:
    """Each for the year and for its quarters."""
    relines = warehouse.fetch(con, "from reduce.relines_done")
    readings = warehouse.fetch(con, "from reduce.linings_found")
    spans = (edges[[0, -1]], edges)
    ids = con.sql("select wheel_end_id from judge.wheel_ends order by 1").pl()["wheel_end_id"]
    days = straight_line_days(ids, relines, readings, AS_OF)
    return {
        "last year": [last_years_totals(relines, AS_OF, s) for s in spans],
        "line": [straight_line_totals(days, s) for s in spans],
    }


def _scores(plain: list[PlainTotals], happened: np.ndarray) -> np.ndarray:
    mean = np.concatenate([p.mean for p in plain])[:, None]
    sd = np.concatenate([p.sd for p in plain])[:, None]
    return _pinball(mean + sd * special.ndtri(LEVELS), happened)


def _pinball(quantiles: np.ndarray, happened: np.ndarray) -> np.ndarray:
    """Twice the mean pinball loss at p10, p50, p90: CRPS as far as three quantiles tell."""
    off = happened[:, None] - quantiles
    return np.asarray(2.0 * np.maximum(LEVELS * off, (LEVELS - 1.0) * off).mean(axis=1))


def _wheel_ends(
    con: duckdb.DuckDBPyConnection, told: Told, fleet: Fleet, stayed: Fleet
) -> dict[str, float]:
    order = {name: n for n, name in enumerate(fleet.wheel_end_ids)}
    status = told.status.sort("wheel_end_id")
    place = np.array([order[i] for i in status["wheel_end_id"]])
    lining, sd = (status[c].cast(pl.Float64).to_numpy() for c in ("lining_mm", "lining_sd"))
    off = lining - fleet.lining_mm(AS_OF)[place]
    known = np.isfinite(off)
    relines = warehouse.fetch(con, "from reduce.relines_done")
    readings = warehouse.fetch(con, "from reduce.linings_found")
    line = straight_line_days(status["wheel_end_id"], relines, readings, AS_OF)
    there = fleet.there(AS_OF)[place]
    told_of = (status["min_word"] != WORDS["gone"]).to_numpy()
    judged_ends = there & told_of
    staying = _dates(status.filter(judged_ends), stayed, place[judged_ends], line[judged_ends])
    # In a band that ends at "never", never is inside: see the share of such bands beside it.
    return {
        **_dates(status, fleet, place, line),
        **{f"stays {name}": figure for name, figure in staying.items()},
        "dated though gone": float((told_of & ~there).sum() / max(told_of.sum(), 1)),
        "undated though there": float((there & ~told_of).sum() / max(there.sum(), 1)),
        "lining bias": float(off[known].mean()),
        "lining held": float((np.abs(off) <= 1.2815515655 * sd)[known].mean()),
        "lining told": float(known.mean()),
    }


def _dates(
    status: pl.DataFrame, fleet: Fleet, place: np.ndarray, line: np.ndarray
) -> dict[str, float]:
    """Dates of some wheel ends against what came; ``line``: a rival's days to their relines."""
    minimum = np.maximum(fleet.days_to_minimum(AS_OF)[place], 0.0)
    reline = fleet.days_to_reline(AS_OF)[place]
    reline_on = _days(status, "reline_on")
    return {
        **_covered("min", _days(status, "min_on"), minimum),
        **_covered("reline", reline_on, reline),
        "crps day ours": float(_clipped(reline_on.T, reline).mean()),
        "crps day line": float(_clipped(np.repeat(line[:, None], 3, axis=1), reline).mean()),
    }


def _days(status: pl.DataFrame, name: str) -> np.ndarray:
    """(3, L) days after as-of; infinite where there is no date."""
    return np.array(
        [
            (status[f"{name}_{q}"] - AS_OF).dt.total_days().cast(pl.Float64).fill_null(np.inf)
            for q in ("p10", "p50", "p90")
        ]
    )


def _covered(name: str, days: np.ndarray, happened: np.ndarray) -> dict[str, float]:
    early, late = happened < days[0], happened > days[2]
    return {
        f"{name} inside": float((~early & ~late).mean()),
        f"{name} early": float(early.mean()),
        f"{name} late": float(late.mean()),
        f"{name} by p50": float((happened <= days[1])[np.isfinite(days[1])].mean()),
        f"{name} open-ended": float(np.isinf(days[2]).mean()),
    }


def _clipped(quantiles: np.ndarray, happened: np.ndarray) -> np.ndarray:
    return _pinball(np.minimum(quantiles, CLIPPED_DAYS), np.minimum(happened, CLIPPED_DAYS))


def _failures(told: Told, fleet: Fleet) -> dict[str, float]:
    here = _registered(fleet)
    year = told.failures.filter(pl.col("months") == 12).head(1)
    quarters = told.failures.filter(
        pl.col("months") == 3, pl.col("until_on") <= year["until_on"][0]
    )
    failed = fleet.adjuster_failures().filter(pl.col("wheel_end_id").is_in(here))["failed_on"]
    found = fleet.failures_found().filter(pl.col("wheel_end_id").is_in(here))["found_on"]
    spans = pl.concat([year, quarters]).to_dicts()
    came = np.array([_between(found, s["from_on"], s["until_on"]) for s in spans], float)
    ours = np.array([[s[f"failures_{q}"] for q in ("p10", "p50", "p90")] for s in spans])
    inside = (ours[:, 0] <= came) & (came <= ours[:, 2])
    last = _between(found, AS_OF - dt.timedelta(days=364), AS_OF)
    plain = np.array([last, *[last / 4.0] * 4])[:, None] + np.sqrt(
        np.maximum(np.array([2.0 * last, *[last * 5 / 16] * 4]), 1.0)
    )[:, None] * special.ndtri(LEVELS)
    return {
        "failures": year["failures_mean"][0],
        "failures raw": told.failures_uncorrected,
        "failed": float(_between(failed, AS_OF + dt.timedelta(days=1), ENDS_ON)),
        "found": came[0],
        "found inside": float(inside[0]),
        "found quarters": float(inside[1:].mean()),
        "crps found ours": float(_pinball(ours, came)[1:].sum()),
        "crps found last year": float(_pinball(plain, came)[1:].sum()),
    }


HEADING = (
    f"{'':36} {'n':>3} {'x':>2} {'s':>5} | {'12 months':>13} {'raw':>6} {'in':>4} {'qtrs':>4} "
    f"{'wide':>5} | "
    f"{'minimum':>7} {'<':>4} {'>':>4} {'open':>4} | {'reline':>6} {'<':>4} {'>':>4} | "
    f"{'lining mm':>9} {'in':>4} | {'failed':>7} {'found':>7} | "
    f"{'CRPS year: ours last line':>25} | {'quarters':>19} | {'day: ours line':>15} | "
    f"{'best: wide year qtrs day':>26}"
)
NOTES = """n fleets, x of them ended in a traceback, s seconds each
12 months: relines forecast over what happened, mean over fleets ± its standard error; raw: before
anything was learned from past errors; in: fleets inside p10 to p90; qtrs: quarters inside; wide:
p90 less p10 over what happened
minimum, reline: days inside p10 to p90, both counted in, of units that are there and not thought
to have left, had they stayed; < before, > after; open: p90 is never
lining: lining on the as-of day, less the true one, and share inside its 8 in 10
failed, found: adjuster failures forecast, over those that happened and over those that checks found
CRPS: from p10, p50, p90, in relines and in days (up to 730); smaller is better
best: mean forecast over theirs; width, and CRPS of year, quarters and day, of other futures of the
same fleet (--best)"""


def _line(name: str, found: list[dict[str, float]], crashed: int, took: float) -> str:
    head = f"{name[:36]:36} {len(found):3d} {crashed:2d} {took:5.1f} |"
    if not found:
        return head
    mean = {k: float(np.mean([f[k] for f in found])) for k in found[0]}
    ratio = np.array([f["mean"] / max(f["happened"], 1.0) - 1.0 for f in found])
    error = ratio.std(ddof=1) / np.sqrt(len(ratio)) if len(ratio) > 1 else np.nan
    crps = " ".join(f"{mean[f'crps {r}']:7.1f}" for r in RIVALS)
    quarters = " ".join(f"{mean[f'crps q {r}']:5.1f}" for r in RIVALS)
    raw = float(np.mean([f["raw"] / max(f["happened"], 1.0) - 1.0 for f in found]))
    best = ""
    if "crps best" in mean:
        best = (
            f" | {_percent(float(np.mean([f['mean'] / f['expected'] - 1.0 for f in found]))):>6} "
            f"{mean['width best']:7.0%} {mean['crps best']:5.1f} {mean['crps q best']:5.1f} "
            f"{mean['crps day best']:5.0f}"
        )
    return (
        f"{head} {_percent(ratio.mean()):>6} ±{100 * error:4.1f} {_percent(raw):>6} "
        f"{mean['year inside']:4.0%} "
        f"{mean['quarters inside']:4.0%} {mean['width']:5.0%} | "
        f"{_shares(mean, 'stays min', 7)} {mean['stays min open-ended']:4.0%} | "
        f"{_shares(mean, 'stays reline', 6)} | "
        f"{mean['lining bias']:+9.2f} {mean['lining held']:4.0%} | "
        f"{_over(found, 'failed'):>7} {_over(found, 'found'):>7} | {crps:>25} | {quarters:>19} | "
        f"{mean['stays crps day ours']:7.0f} {mean['stays crps day line']:7.0f}{best}"
    )


RIVALS = ("ours", "last year", "line")


def _percent(share: float) -> str:
    return f"{100 * share:+.1f}%"


def _shares(mean: dict[str, float], name: str, width: int) -> str:
    inside, early, late = (mean[f"{name} {w}"] for w in ("inside", "early", "late"))
    return f"{inside:{width}.0%} {early:4.0%} {late:4.0%}"


def _over(found: Iterable[dict[str, float]], name: str) -> str:
    """Failures are few: sums over the fleets."""
    rows = list(found)
    happened = sum(f[name] for f in rows)
    return _percent(sum(f["failures"] for f in rows) / happened - 1.0) if happened else "none"


if __name__ == "__main__":
    main()
