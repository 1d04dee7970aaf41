"""A small fleet with known truth, simulated by other code than the forecasts': years of visits up
to an origin, and years after it that the forecasts do not see.

Everything is invented. Days count from the origin; km are each unit's own, from when records begin.
"""

import datetime as dt
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import polars as pl

from models.relines.fleet import fleet_from_tables
from models.relines.simulation.simulate import FleetModel
from models.usage.fit import fit_usage
from models.wear.fit import fit_wear
from models.wear.sums import lining_life_sums

NO_EVENTS = pl.DataFrame(schema={"recorded": pl.Boolean, "lag_days": pl.Int64, "relines": pl.Int64})
"""Rows of ``reduce.reline_events`` of a fleet that does every reline at the visit."""

ORIGIN = dt.date(2025, 6, 30)
TYPES = ("drive", "trailing")
DUTIES = ("haul", "local")
DEPOTS = ("North", "South")


@dataclass(frozen=True)
class World:
    """What is true of the fleet."""

    units: int = 60
    axles: int = 3
    years_before: float = 3.0
    years_after: float = 4.0
    check_days: float = 84.0
    jitter_days: float = 6.0
    skipped: float = 0.05
    unread: float = 0.05
    km_per_day: tuple[float, float] = (300.0, 160.0)
    use_unit_sd: float = 0.15
    use_noise_sd: float = 0.06
    season: float = 0.0
    rates: tuple[tuple[float, float], tuple[float, float]] = ((0.40, 0.75), (0.36, 0.66))
    wear_unit_sd: float = 0.045
    wear_life_sd: float = 0.035
    new_mm: float = 18.0
    minimum_mm: float = 7.0
    start_sd: float = 0.25
    reading_sd: float = 0.5
    step_mm: float = 0.0
    threshold: tuple[float, float] = (1.4, 2.1)
    threshold_sd: float = 0.3
    missed: float = 0.08
    premature: float = 0.002
    pair: float | tuple[float, float] = 0.94
    """Chance that an axle's other end goes along, everywhere or by depot; so other axles."""
    along_below_mm: float = np.inf
    unit_together: float | tuple[float, float] = 0.0
    duty_changes: float = 0.0
    off_road: float = 0.0
    unknown_starts: float = 0.0
    age_days: tuple[float, float] = (np.inf, np.inf)
    """At which a lining is relined whatever its thickness, by depot."""
    age_kept: float = 1.0
    """Chance that an axle's linings so old are relined at a visit."""


@dataclass(frozen=True)
class History:
    """What happened: visits × units, or visits × wheel ends. Days from the origin."""

    world: World
    unit: np.ndarray
    axle: np.ndarray
    axle_type: np.ndarray
    depot: np.ndarray
    day: np.ndarray
    attended: np.ndarray
    km: np.ndarray
    duty: np.ndarray
    duty_km: np.ndarray
    above: np.ndarray
    reading: np.ndarray
    relined: np.ndarray
    life: np.ndarray
    life_recorded: np.ndarray
    after: np.ndarray
    deviation: np.ndarray
    fitted: np.ndarray

    @property
    def size(self) -> int:
        return len(self.unit)

    @property
    def unit_ids(self) -> list[str]:
        return [f"U{u:04d}" for u in range(self.world.units)]


def lived(world: World, seed: int) -> History:
    """Simulate the fleet."""
    rng = np.random.default_rng(seed)
    n, per = world.units, 2 * world.axles
    unit = np.repeat(np.arange(n), per)
    axle = np.repeat(np.arange(n * world.axles), 2)
    axle_type = (axle % world.axles > 0).astype(int)
    depot = rng.integers(0, 2, n)
    day, attended = _visits(world, rng)
    duty = _duties(world, day, rng)
    km, duty_km = _km(world, day, duty, rng)
    rate = np.array(world.rates)[axle_type][:, None, :]
    u = rng.normal(0, world.wear_unit_sd, n)
    b = rng.normal(0, world.wear_life_sd, len(unit))
    above = rng.uniform(0.5, world.new_mm - world.minimum_mm, len(unit))
    life, recorded = np.zeros(len(unit), int), np.zeros(len(unit), bool)
    # How worn they are when it begins is how far through their lives, where they live by age.
    worn = 1.0 - above / (world.new_mm - world.minimum_mm)
    age = np.array(world.age_days)[depot[unit]]
    fitted = day[0][unit] - np.where(np.isfinite(age), age, 0.0) * worn
    names = ("above", "reading", "relined", "life", "recorded", "after", "deviation", "fitted")
    logs = {name: [] for name in names}
    for v in range(len(day)):
        if v:
            step = (duty_km[v] - duty_km[v - 1])[unit] / 1e4
            above = above - (step * rate[:, 0, :]).sum(axis=1) - (u[unit] + b) * step.sum(axis=1)
        reading = above + world.minimum_mm + rng.normal(0, world.reading_sd, len(unit))
        if world.step_mm:
            reading = np.round(reading / world.step_mm) * world.step_mm
        seen = attended[v][unit] & (rng.random(len(unit)) >= world.unread)
        reading = np.where(seen, reading, np.nan)
        relined = _decided(world, reading - world.minimum_mm, unit, axle, depot, attended[v], rng)
        if np.isfinite(age).any():
            kept = np.repeat(rng.random(len(unit) // 2) < world.age_kept, 2)
            relined |= (day[v][unit] - fitted >= age) & kept & attended[v][unit]
        entry = (above, reading, relined, life.copy(), recorded.copy())
        fresh = world.new_mm + rng.normal(0, world.start_sd, len(unit)) - world.minimum_mm
        above = np.where(relined, fresh, above)
        b = np.where(relined, rng.normal(0, world.wear_life_sd, len(unit)), b)
        written = np.repeat(rng.random(len(unit) // 2) >= world.unknown_starts, 2)
        # An unwritten reline shows at the next reading: one before the origin must follow.
        written |= (day[v] > -3 * world.check_days)[unit]
        life, recorded = life + relined, np.where(relined, written, recorded)
        for name, value in zip(names, (*entry, above, u[unit] + b, fitted), strict=True):
            logs[name].append(value)
        fitted = np.where(relined, day[v][unit], fitted)
    return History(
        world,
        unit,
        axle,
        axle_type,
        depot,
        day,
        attended,
        km,
        duty,
        duty_km,
        *(np.array(logs[name]) for name in logs),
    )


def _visits(world: World, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    first = -world.years_before * 365.25
    count = int((world.years_before + world.years_after) * 365.25 / world.check_days)
    grid = first + world.check_days * np.arange(count)[:, None]
    start = rng.uniform(0, world.check_days, world.units)
    jitter = rng.uniform(-world.jitter_days, world.jitter_days, (count, world.units))
    day = np.floor(grid + start + jitter)
    attended = rng.random(day.shape) >= world.skipped
    attended[0] = True
    if world.off_road:
        off = rng.uniform(first, -first, world.units)
        off_road = rng.random(world.units) < world.off_road
        away = (day >= off) & (day < off + 200.0) & off_road
        attended &= ~away
        attended[0] = True
    return day, attended


def _duties(world: World, day: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Duty from each visit to the next."""
    first = rng.integers(0, 2, world.units)
    changes = rng.random(world.units) < world.duty_changes
    when = rng.uniform(-world.years_before * 365.25, 0, world.units)
    return np.where(changes & (day >= when), 1 - first, first)


def _km(
    world: World, day: np.ndarray, duty: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    days = np.diff(day, axis=0)
    factor = np.exp(rng.normal(0, world.use_unit_sd, world.units))
    noise = np.exp(rng.normal(0, world.use_noise_sd, days.shape) * np.sqrt(84.0 / days))
    middle = (day[1:] + day[:-1]) / 2 + ORIGIN.timetuple().tm_yday
    season = 1 + world.season * np.cos(2 * np.pi * middle / 365.25)
    step = np.array(world.km_per_day)[duty[:-1]] * days * factor * noise * season
    split = np.stack([np.where(duty[:-1] == d, step, 0.0) for d in range(2)], axis=-1)
    start = np.zeros((1, world.units, 2))
    return (
        np.vstack([np.zeros((1, world.units)), np.cumsum(step, axis=0)]),
        np.concatenate([start, np.cumsum(split, axis=0)]),
    )


def _decided(world, above, unit, axle, depot, attended, rng) -> np.ndarray:
    size = len(unit)
    at = np.array(world.threshold)[depot[unit]] + rng.normal(0, world.threshold_sd, size)
    due = np.nan_to_num(above, nan=99.0) <= np.where(rng.random(size) < world.missed, 0.0, at)
    due |= rng.random(size) < world.premature
    due &= attended[unit]
    pair, together = (
        np.broadcast_to(each, len(DEPOTS))[depot] for each in (world.pair, world.unit_together)
    )
    both_ends = np.repeat(rng.random(size // 2) < pair[unit[::2]], 2)
    nearly_new = above > world.along_below_mm
    both = due | (due.reshape(-1, 2)[:, ::-1].ravel() & both_ends & ~nearly_new)
    if together.any():
        takes = (rng.random(world.units) < together)[unit]
        wanting = due.reshape(-1, 2).any(axis=1)
        by_unit = np.bincount(unit[::2], wanting, minlength=world.units)
        both |= takes & (by_unit[unit] > np.repeat(wanting, 2))
    return both


def _ids(history: History) -> pl.DataFrame:
    """One row per wheel end, in order."""
    place = history.axle - history.unit * history.world.axles + 1
    side = np.where(np.arange(history.size) % 2 == 0, "L", "R")
    ids = history.unit_ids
    return pl.DataFrame(
        {
            "wheel_end_id": [
                f"{ids[u]}/{p}{s}" for u, p, s in zip(history.unit, place, side, strict=True)
            ],
            "unit_id": [ids[u] for u in history.unit],
            "axle_id": [f"{ids[u]}/{p}" for u, p in zip(history.unit, place, strict=True)],
            "axle_type": [TYPES[t] for t in history.axle_type],
            "depot": [DEPOTS[history.depot[u]] for u in history.unit],
        }
    )


def _last_visit(history: History) -> np.ndarray:
    """Each unit's last attended visit before the origin."""
    seen = history.attended & (history.day <= 0)
    return len(seen) - 1 - np.argmax(seen[::-1], axis=0)


def _on(days: np.ndarray) -> list[dt.date]:
    return [ORIGIN + dt.timedelta(days=int(d)) for d in days]


def units_frame(history: History) -> pl.DataFrame:
    last = _last_visit(history)
    every = np.arange(history.world.units)
    on = _on(history.day[last, every])
    return pl.DataFrame(
        {
            "unit_id": history.unit_ids,
            "depot": [DEPOTS[d] for d in history.depot],
            "duty": [DUTIES[d] for d in history.duty[last, every]],
            "seen_on": on,
            "visit_on": on,
        }
    )


def usage_rows(history: History) -> pl.DataFrame:
    """Rows as ``reduce.unit_usage`` has them."""
    rows = []
    for u in range(history.world.units):
        seen = np.flatnonzero(history.attended[:, u] & (history.day[:, u] <= 0))
        for a, b in pairwise(seen):
            duty = history.duty[a:b, u]
            start, end = history.day[a, u], history.day[b, u]
            km = float(history.km[b, u] - history.km[a, u])
            one = bool((duty == duty[0]).all())
            where = (history.unit_ids[u], DEPOTS[history.depot[u]], DUTIES[duty[0]], one)
            rows.append((*where, *_on(start[None]), int(end - start), km, True))
    names = ["unit_id", "depot", "duty", "one_duty", "from_on", "days", "km", "to_visit"]
    return pl.DataFrame(rows, schema=names, orient="row")


def _before(history: History) -> np.ndarray:
    """Attended visits up to the origin, (visits, wheel ends)."""
    return (history.attended & (history.day <= 0))[:, history.unit]


def decision_rows(history: History) -> pl.DataFrame:
    """Rows as ``reduce.axle_decisions`` has them; each unit's last visit is left out."""
    before = _before(history)
    last = _last_visit(history)[history.unit]
    before &= np.arange(len(before))[:, None] < last
    above = (history.reading - history.world.minimum_mm).round(1)
    visit, left = np.nonzero(before[:, ::2])
    pair = np.stack([above[visit, 2 * left], above[visit, 2 * left + 1]])
    done = np.stack([history.relined[visit, 2 * left], history.relined[visit, 2 * left + 1]])
    # The low end first; one that was not read is the high one.
    swap = np.nan_to_num(pair[1], nan=99.0) < np.nan_to_num(pair[0], nan=99.0)
    low, high = np.where(swap, pair[::-1], pair)
    low_done, high_done = np.where(swap, done[::-1], done)
    owner = history.unit[::2][left]
    ages, known = _ages(history)
    age = np.stack([ages[visit, 2 * left], ages[visit, 2 * left + 1]])
    is_known = np.stack([known[visit, 2 * left], known[visit, 2 * left + 1]])
    low_age, high_age = np.where(swap, age[::-1], age)
    low_known, high_known = np.where(swap, is_known[::-1], is_known)
    frame = pl.DataFrame(
        {
            "visit": visit,
            "unit": owner,
            "axle": left,
            "axle_type": np.array(TYPES)[history.axle_type[::2][left]],
            "depot": np.array(DEPOTS)[history.depot[owner]],
            "low_mm": low,
            "high_mm": high,
            "low_relined": low_done,
            "high_relined": high_done,
            "low_age_days": low_age,
            "low_age_known": low_known,
            "high_age_days": high_age,
            "high_age_known": high_known,
            "oldest": age.max(axis=0),
            "days_ago": np.minimum(-history.day[visit, owner], 1096),
        }
    ).with_columns(pl.col("low_mm", "high_mm").fill_nan(None))
    ranked = frame.sort("visit", "unit", "low_mm", nulls_last=True).with_columns(
        place=pl.int_range(pl.len()).over("visit", "unit"),
        first=pl.col("low_mm").first().over("visit", "unit"),
        second=pl.col("low_mm").shift(-1).over("visit", "unit"),
    )
    other = pl.when(pl.col("place") == 0).then("second").otherwise("first").fill_null(8.0)
    beside = ranked.join(ranked, on=["visit", "unit"], suffix="_beside").filter(
        pl.col("axle") != pl.col("axle_beside")
    )
    eldest = beside.group_by("visit", "axle").agg(other_age_days=pl.col("oldest_beside").max())
    ranked = ranked.join(eldest, on=["visit", "axle"], how="left", maintain_order="left")
    keys = [
        "axle_type",
        "depot",
        "days_ago",
        "ends",
        "low_mm",
        "high_mm",
        "other_mm",
        "other_ends",
    ]
    keys += ["low_age_days", "low_age_known", "high_age_days", "high_age_known"]
    keys += ["other_age_days", "low_relined", "high_relined"]
    return (
        ranked.with_columns(
            other_ends=2 * (pl.len().over("visit", "unit") - 1),
            other_mm=(other.clip(None, 8.0) * 2).round() / 2,
            ends=pl.lit(2),
            other_age_days=pl.col("other_age_days").fill_null(0),
        )
        .filter(pl.col("low_mm").is_not_null())
        .group_by(keys)
        .agg(visits=pl.len())
        .sort(keys)
        .with_columns(every_days=pl.lit(round(history.world.check_days)))
    )


def _ages(history: History) -> tuple[np.ndarray, np.ndarray]:
    """Whole weeks, in days, since each lining found at a visit was fitted, and whether that is on
    record: else since records began (visits, wheel ends)."""
    known = history.life > 0
    day = history.day[:, history.unit]
    since = np.where(known, history.fitted, day[0])
    return np.round((day - since) / 7).astype(int) * 7, known


def wheel_end_rows(history: History) -> pl.DataFrame:
    """Rows as ``reduce.wheel_ends_now`` has them."""
    units = units_frame(history).select("unit_id", "duty", "seen_on", "visit_on")
    last, every = _last_visit(history), np.arange(history.world.units)
    at, ends = last[history.unit], np.arange(history.size)
    relined = history.relined[at, ends]
    life = history.life[at, ends] + relined
    reading = np.where(relined, np.nan, history.reading[at, ends])
    start, latest = _life_km(history, life)
    fitted = np.where(relined, history.day[at, history.unit], history.fitted[at, ends])
    aged_from = np.where(life > 0, fitted, history.day[0][history.unit])
    return (
        _ids(history)
        .join(units, on="unit_id", how="left", maintain_order="left")
        .with_columns(
            lining_new_mm=pl.lit(history.world.new_mm),
            lining_min_mm=pl.lit(history.world.minimum_mm),
            life_id=pl.Series([f"{e}#{n}" for e, n in zip(ends, life, strict=True)]),
            fitted_on=pl.lit(None, dtype=pl.Date),
            aged_from_on=pl.Series(_on(aged_from)),
            age_known=pl.Series(life > 0),
            seen_km=pl.Series(history.km[last, every][history.unit]),
            start_km=pl.Series(start).fill_nan(None),
            line_km=pl.Series(np.where(np.isnan(latest), start, latest)).fill_nan(None),
            above_mm=pl.Series(reading - history.world.minimum_mm).fill_nan(None),
            last_mm=pl.Series(reading).fill_nan(None),
            last_km=pl.Series(history.km[last, every][history.unit]),
            unread_visits=pl.lit(0),
            every_days=pl.lit(round(history.world.check_days)),
        )
    )


def _life_km(history: History, life: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Km at the start of each wheel end's life ``life`` (NaN: not on record) and at its last
    reading up to the origin."""
    km = history.km[:, history.unit]
    same = (history.life == life) & _before(history)
    read = np.where(same & ~np.isnan(history.reading), km, np.nan)
    begun = np.where(history.relined & (history.life == life - 1), km, np.nan)
    known = _recorded(history, life)
    start = np.where(known, _column_max(begun), np.nan)
    return start, _column_max(read)


def _recorded(history: History, life: np.ndarray) -> np.ndarray:
    """Whether the start of each wheel end's life is on record."""
    hit = history.life == life
    first = np.argmax(hit, axis=0)
    return history.life_recorded[first, np.arange(history.size)] & hit.any(axis=0)


def _column_max(table: np.ndarray) -> np.ndarray:
    filled = np.where(np.isnan(table), -np.inf, table).max(axis=0)
    return np.where(np.isfinite(filled), filled, np.nan)


def life_rows(history: History) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Sums of the readings as the reduction of linings has them: by life, by duty, duty pairs."""
    visit, end = np.nonzero(_before(history) & ~np.isnan(history.reading))
    life = history.life[visit, end]
    start, known = _starts(history)
    unit = history.unit[end]
    rows = pl.DataFrame(
        {
            "life_id": [f"{e}#{n}" for e, n in zip(end, life, strict=True)],
            "end": end,
            "day": history.day[visit, unit],
            "start_known": known[life, end],
            "mm": history.reading[visit, end],
            **{f"km{d}": history.duty_km[visit, unit, d] for d in range(2)},
            **{f"from{d}": start[life, end, d] for d in range(2)},
        }
    ).sort("life_id", "day")
    origin = [
        pl.when("start_known").then(f"from{d}").otherwise(pl.col(f"km{d}").first().over("life_id"))
        for d in range(2)
    ]
    rows = rows.with_columns(**{f"x{d}": pl.col(f"km{d}") - origin[d] for d in range(2)})
    rows = rows.with_columns(km=pl.col("x0") + pl.col("x1"))
    return _sums(history, rows)


def _starts(history: History) -> tuple[np.ndarray, np.ndarray]:
    """Km by duty at the start of each life (lives, wheel ends, 2), and whether it is on record."""
    most = int(history.life.max()) + 2
    start, known = np.zeros((most, history.size, 2)), np.zeros((most, history.size), bool)
    visit, end = np.nonzero(history.relined)
    start[history.life[visit, end] + 1, end] = history.duty_km[visit, history.unit[end]]
    for number in range(1, most):
        known[number] = _recorded(history, np.full(history.size, number))
    return start, known


def _sums(history: History, rows: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    ids = _ids(history).with_row_index("end").with_columns(pl.col("end").cast(pl.Int64))
    rows = rows.join(ids, on="end", how="left").with_columns(instrument=pl.lit("gauge"))
    by = ["life_id", "instrument"]
    km, mm = pl.col("km") - pl.col("km").mean(), pl.col("mm") - pl.col("mm").mean()
    lives = rows.group_by(by).agg(
        pl.col("wheel_end_id", "unit_id", "axle_type", "start_known").first(),
        readings=pl.len(),
        mean_km=pl.col("km").mean(),
        mean_mm=pl.col("mm").mean(),
        fitted_on=pl.lit(None, dtype=pl.Date),
        last_inspected_on=pl.lit(ORIGIN),
        s_km_km=(km * km).sum(),
        s_km_mm=(km * mm).sum(),
        s_mm_mm=(mm * mm).sum(),
    )
    duties = pl.concat(
        rows.group_by(by)
        .agg(
            duty=pl.lit(DUTIES[d]),
            mean_km=pl.col(f"x{d}").mean(),
            s_duty_km=(pl.col(f"x{d}") * km).sum(),
            s_duty_mm=(pl.col(f"x{d}") * mm).sum(),
            last_km=pl.col(f"x{d}").max(),
        )
        .filter(pl.col("last_km") > 0)
        for d in range(2)
    )
    both = duties.group_by(by).len().filter(pl.col("len") > 1).select(by)
    centred = [pl.col(f"x{d}") - pl.col(f"x{d}").mean() for d in range(2)]
    pairs = pl.concat(
        rows.join(both, on=by)
        .group_by(by)
        .agg(
            duty_a=pl.lit(DUTIES[a]),
            duty_b=pl.lit(DUTIES[b]),
            s_km_km=(centred[a] * centred[b]).sum(),
        )
        for a, b in ((0, 0), (0, 1), (1, 1))
    )
    return lives.sort(by), duties.sort(*by, "duty"), pairs.sort(*by, "duty_a", "duty_b")


def known_fleet(history: History) -> FleetModel:
    """Everything fitted from the records up to the origin, and nothing else."""
    usage = fit_usage(units_frame(history), usage_rows(history), ORIGIN)
    sums = lining_life_sums(*life_rows(history))
    now, decisions = wheel_end_rows(history), decision_rows(history)
    return fleet_from_tables(fit_wear(sums), sums, usage, now, decisions, NO_EVENTS)


def first_relines(history: History) -> np.ndarray:
    """Day after the origin on which each wheel end was next relined (infinite: not seen)."""
    day = history.day[:, history.unit]
    after = np.where(history.relined & (day > 0), day, np.inf)
    return after.min(axis=0)


def relines_between(history: History, low: float, high: float) -> int:
    day = history.day[:, history.unit]
    return int((history.relined & (day > low) & (day <= high)).sum())


def minimum_days(history: History) -> np.ndarray:
    """Day after the origin on which each lining of then would reach its minimum if left on
    (infinite: not seen)."""
    last, every = _last_visit(history)[history.unit], np.arange(history.size)
    km = history.duty_km[:, history.unit] / 1e4
    rate = np.array(history.world.rates)[history.axle_type]
    rate = rate[:, ::1] + history.deviation[last, every][:, None]
    wear = ((km - km[last, every]) * rate).sum(axis=2)
    left = history.after[last, every] - wear
    day = history.day[:, history.unit]
    low = left <= 0
    first = np.argmax(low, axis=0)
    found = np.full(history.size, np.inf)
    down = low.any(axis=0) & (first > 0)
    v, e = first[down], every[down]
    share = left[v - 1, e] / (left[v - 1, e] - left[v, e])
    found[down] = day[v - 1, e] + share * (day[v, e] - day[v - 1, e])
    return np.where(low[0], 0.0, found)


def relines_after(history: History) -> pl.DataFrame:
    """Every reline of the fleet: wheel_end_id, relined_on."""
    visit, end = np.nonzero(history.relined)
    days = history.day[visit, history.unit[end]]
    return pl.DataFrame(
        {"wheel_end_id": _ids(history)["wheel_end_id"][end.tolist()], "relined_on": _on(days)}
    )


def readings_after(history: History) -> pl.DataFrame:
    """Every reading of the fleet: wheel_end_id, inspected_on, above_mm."""
    visit, end = np.nonzero(~np.isnan(history.reading))
    return pl.DataFrame(
        {
            "wheel_end_id": _ids(history)["wheel_end_id"][end.tolist()],
            "inspected_on": _on(history.day[visit, history.unit[end]]),
            "above_mm": history.reading[visit, end] - history.world.minimum_mm,
        }
    )
