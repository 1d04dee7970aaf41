"""The whole fleet through its years, in blocks of units."""

from collections.abc import Iterator

import numpy as np

from sample_lake.fleet.books import (
    AT_RELINE,
    AT_REPLACEMENT,
    BY_HAND,
    STILL_IN_PLACE,
    Since,
    begin,
    close_adjusters,
    close_lives,
    since_before,
)
from sample_lake.fleet.brakes import SEATED, WORKING, Brakes, advance, draw_adjusters, draw_settings
from sample_lake.fleet.first_day import first_brakes, pointer_bias, wrong_setting_shares
from sample_lake.fleet.ledger import Columns, Ledger, columns_of, rows_of, some_rows
from sample_lake.fleet.records import Block, SimulatedFleet, fleet_frames, joined
from sample_lake.fleet.roster import Units, draw_units, unit_kinds_for, wheel_ends_of
from sample_lake.fleet.timeline import Fleet, draw_timeline
from sample_lake.fleet.workshop import (
    DRUM,
    OTHER,
    RELINE,
    REPLACED,
    SET,
    Jobs,
    close_caps,
    decide,
    read,
)
from sample_lake.parameters import BoolArray, FleetParameters, IntArray

UNITS_PER_CHUNK = 8_192


def simulate(
    parameters: FleetParameters | None = None,
    *,
    wheel_ends: int = 750,
    years: float = 5.0,
    seed: int = 1,
) -> SimulatedFleet:
    """Simulate a fleet of at least `wheel_ends` wheel ends (whole units) over `years`.

    Returns the four tables in contract columns and units (mm, km), and the truth.
    Raises ValueError when there is nothing to simulate.
    """
    return joined(list(simulate_chunks(parameters, wheel_ends=wheel_ends, years=years, seed=seed)))


def simulate_chunks(
    parameters: FleetParameters | None = None, *, wheel_ends: int, years: float, seed: int
) -> Iterator[SimulatedFleet]:
    """The same fleet as `simulate`, in blocks of whole units, one in memory at a time."""
    parameters = parameters or FleetParameters()
    days = round(years * 365.25)
    if wheel_ends < 1 or days < 1:
        raise ValueError(f"need wheel_ends ≥ 1 and years > 0, got {wheel_ends} and {years}")
    kinds = unit_kinds_for(parameters, wheel_ends, seed)
    for number, first in enumerate(range(0, len(kinds), UNITS_PER_CHUNK)):
        rng = np.random.default_rng([seed, 1, number])
        some = kinds[first : first + UNITS_PER_CHUNK]
        units = draw_units(parameters, some, first + 1, days, rng)
        yield _simulate_units(parameters, units, Block(seed, number, days, len(kinds)), rng)


def _simulate_units(
    parameters: FleetParameters, units: Units, block: Block, rng: np.random.Generator
) -> SimulatedFleet:
    timeline = draw_timeline(parameters, units, block.days, rng)
    fleet = Fleet(parameters, units, wheel_ends_of(parameters, units), timeline)
    ledger = Ledger()
    brakes, life, setting = first_brakes(fleet, rng)
    since = since_before(fleet, brakes, life, setting)
    first = {
        f"{what}_{name}": columns[name].copy()
        for what, columns in (("relined", since.life), ("fitted", since.adjuster))
        for name in ("day", "km")
    }
    for step in range(1, timeline.steps):
        advance(fleet, brakes, step - 1, rng)
        if timeline.attended[step].any():
            _visit(fleet, brakes, since, ledger, step, rng)
    _close_books(fleet, brakes, since, ledger)
    ends = {**columns_of(brakes), **first}
    return fleet_frames(fleet, ledger, ends, block, rng)


def _close_books(fleet: Fleet, brakes: Brakes, since: Since, ledger: Ledger) -> None:
    everyone, last = np.arange(len(fleet.ends)), fleet.timeline.steps - 1
    still = np.full(len(everyone), STILL_IN_PLACE)
    close_lives(ledger, fleet, since, brakes, last, everyone, ended=False)
    close_adjusters(ledger, fleet, since, brakes, last, everyone, still)
    ledger.add("setting", **since.setting)


def _visit(
    fleet: Fleet, brakes: Brakes, since: Since, ledger: Ledger, step: int, rng: np.random.Generator
) -> None:
    """The visit of every unit that comes in at this step: read, decide, do, write down."""
    parameters, ends, depot = fleet.parameters, fleet.ends, fleet.depot
    inspector = fleet.timeline.inspector[step][ends.unit]
    seen = fleet.timeline.attended[step][ends.unit]
    seen &= rng.random(len(ends)) >= parameters.wheel_ends_missed
    readings = read(parameters, depot, ends, brakes, inspector, rng)
    jobs = decide(fleet, brakes, readings, seen, rng)
    rows = np.flatnonzero(seen)
    ledger.add("reading", **_at(rows, step), **columns_of(rows_of(readings, rows)))
    ledger.add("true_reading", **_at(rows, step), **_true_state(brakes, rows))
    close_caps(parameters, brakes, seen, rng)
    recorded = _recorded(parameters, len(ends), rng)
    _write_jobs(ledger, jobs, step, recorded)
    _do_jobs(fleet, brakes, since, ledger, step, jobs, recorded, rng)
    _write_as_left(fleet, brakes, ledger, step, jobs, inspector, rng)


def _at(rows: IntArray, step: int) -> Columns:
    return {"end": rows, "step": np.full(len(rows), step)}


def _true_state(brakes: Brakes, rows: IntArray) -> Columns:
    names = ("lining_mm", "stroke_mm", "take_up", "cause", "life_km", "adjuster_km")
    return some_rows({name: getattr(brakes, name) for name in names}, rows)


def _recorded(parameters: FleetParameters, count: int, rng: np.random.Generator) -> BoolArray:
    """Whether a reline now gets written down: an axle's two, or neither."""
    return np.repeat(rng.random(count // 2) >= parameters.relines_not_recorded, 2)


def _write_jobs(ledger: Ledger, jobs: Jobs, step: int, reline_recorded: BoolArray) -> None:
    """Enter the jobs that get written down, with the index of their reason."""
    worn, none, other = (np.full(len(reline_recorded), reason) for reason in (1, -1, 4))
    done = (
        (jobs.relined & reline_recorded, RELINE, worn),
        (jobs.replaced, REPLACED, jobs.reason),
        (jobs.was_set, SET, none),
        (jobs.drum & reline_recorded, DRUM, worn),
        (jobs.other, OTHER, other),
    )
    for mask, action, reason in done:
        rows = np.flatnonzero(mask)
        codes = np.full(len(rows), action)
        ledger.add("job", **_at(rows, step), action=codes, reason=reason[rows])


def _do_jobs(
    fleet: Fleet,
    brakes: Brakes,
    since: Since,
    ledger: Ledger,
    step: int,
    jobs: Jobs,
    recorded: BoolArray,
    rng: np.random.Generator,
) -> None:
    """Change the brakes as the jobs do, and close the books on what they end."""
    rows = np.flatnonzero(jobs.relined)
    close_lives(ledger, fleet, since, brakes, step, rows, ended=True)
    _reline(fleet, brakes, since, step, rows, recorded[rows], rng)
    brakes.drum_wear_mm[jobs.drum] = 0.0
    rows = np.flatnonzero(jobs.replaced)
    close_adjusters(ledger, fleet, since, brakes, step, rows, jobs.reason[rows])
    _replace(fleet, brakes, since, step, rows, rng)
    rows = np.flatnonzero(jobs.setting_done)
    ledger.add("setting", **some_rows(since.setting, rows))
    by_hand = np.where(jobs.replaced, AT_REPLACEMENT, BY_HAND)
    occasion = np.where(jobs.relined, AT_RELINE, by_hand)
    _set_anew(fleet, brakes, since, step, rows, occasion[rows], rng)


def _reline(
    fleet: Fleet,
    brakes: Brakes,
    since: Since,
    step: int,
    rows: IntArray,
    recorded: BoolArray,
    rng: np.random.Generator,
) -> None:
    parameters, count = fleet.parameters, len(rows)
    offset = rng.normal(0.0, parameters.lining_start_sd_mm, count)
    brakes.lining_mm[rows] = fleet.ends.lining_new_mm[rows] + offset
    brakes.life_km[rows] = 0.0
    brakes.life_deviation[rows] = rng.normal(0.0, parameters.wear_life_sd, count)
    brakes.worn_since_reline_mm[rows] = 0.0
    brakes.pointer_bias_deg[rows] = pointer_bias(parameters, count, rng)
    begin(
        fleet,
        since.life,
        step,
        rows,
        start_mm=brakes.lining_mm[rows],
        deviation=brakes.life_deviation[rows],
        pointer_bias_deg=brakes.pointer_bias_deg[rows],
        in_records=np.ones(count, dtype=bool),
        recorded=recorded,
    )


def _replace(
    fleet: Fleet,
    brakes: Brakes,
    since: Since,
    step: int,
    rows: IntArray,
    rng: np.random.Generator,
) -> None:
    fresh = draw_adjusters(fleet.parameters, len(rows), rng)
    brakes.take_up[rows] = fresh.take_up
    brakes.pace[rows] = fresh.pace
    brakes.adjuster_km[rows] = 0.0
    brakes.cause[rows] = WORKING
    brakes.failed_km[rows] = np.nan
    brakes.exposure[rows] = 0.0
    brakes.hazard[rows] = 0.0
    brakes.hazard_at_stuck[rows] = fresh.hazard_left
    brakes.wild_km[rows] = fresh.wild_km
    brakes.damage[rows] = fresh.damage
    brakes.cap[rows] = SEATED
    begin(
        fleet,
        since.adjuster,
        step,
        rows,
        entry_km=np.zeros(len(rows)),
        fitted_take_up=fresh.take_up,
        pace=fresh.pace,
        in_records=np.ones(len(rows), dtype=bool),
    )


def _set_anew(
    fleet: Fleet,
    brakes: Brakes,
    since: Since,
    step: int,
    rows: IntArray,
    occasion: IntArray,
    rng: np.random.Generator,
) -> None:
    shares = wrong_setting_shares(fleet)[rows]
    ratio, wrong = draw_settings(fleet.parameters, shares, rng)
    brakes.stroke_mm[rows] = ratio * fleet.ends.arm_length_mm[rows]
    begin(fleet, since.setting, step, rows, set_ratio=ratio, wrong=wrong, occasion=occasion)


def _write_as_left(
    fleet: Fleet,
    brakes: Brakes,
    ledger: Ledger,
    step: int,
    jobs: Jobs,
    inspector: IntArray,
    rng: np.random.Generator,
) -> None:
    """Some depots write the readings after a job down too."""
    share = np.array([each.as_left_share for each in fleet.parameters.depots])[fleet.depot]
    rows = np.flatnonzero(jobs.setting_done & (rng.random(len(share)) < share))
    ends, after = rows_of(fleet.ends, rows), rows_of(brakes, rows)
    again = read(fleet.parameters, fleet.depot[rows], ends, after, inspector[rows], rng)
    ledger.add("as_left", **_at(rows, step), **columns_of(again))
