"""How well drift is judged on a drawn fleet, beside the most that its stroke readings allow.

One fleet teaches the model, another, drawn from the same world, is judged check by check. Nobody
repairs anything, so every later check counts as well. The bound is the likelihood-ratio test with
every parameter of the world known (Neyman & Pearson 1933), which is the best there can be.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.special import ndtr, ndtri

from models.adjustment.flags import SIMULATED, onsets
from models.adjustment.judge import judge_wheel_ends, learn_fleet
from models.adjustment.strokes.readings import prepare_readings
from tests.fleets.strokes import (
    CHECK_WEEKS,
    HEALTHY,
    RATIO_PER_MM,
    SET_WRONG,
    SLACK,
    STATE_NAMES,
    STUCK,
    TIGHT,
    DrawnStrokes,
    DriftWorld,
    day_of,
    names_of,
    outlook_frame,
    readings_frame,
)

BAND = 0.10, 0.15
YEARS_PER_CHECK = CHECK_WEEKS * 7 / 365.25
FALSE_PER_YEAR = 0.01
SIDE_LIMIT = 0.03
COUNTS_AS_WRONG = 0.03


@dataclass(frozen=True, slots=True)
class Watched:
    """What was said of each wheel end at each check; (n, checks)."""

    flagged: np.ndarray
    state: np.ndarray
    p_trouble: np.ndarray
    p_out_now: np.ndarray
    p_out_next: np.ndarray


def watch(
    taught: DrawnStrokes,
    judged: DrawnStrokes,
    *,
    changed: Callable[[pl.DataFrame], pl.DataFrame] = lambda readings: readings,
    simulated: int = SIMULATED,
) -> Watched:
    """Learn from one fleet's whole record, then judge the other at each of its checks.

    ``changed`` makes the readings of both worse in some way.
    """
    learnt = prepare_readings(changed(readings_frame(taught, taught.world.checks - 1)))
    fleet = learn_fleet(learnt, simulated=simulated)
    ids = names_of(judged).select("wheel_end_id")
    seen: list[pl.DataFrame] = []
    for check in range(judged.world.checks):
        prepared = prepare_readings(changed(readings_frame(judged, check)), groups=fleet.groups)
        verdicts = judge_wheel_ends(prepared, outlook_frame(judged, check), fleet, day_of(check))
        seen.append(ids.join(verdicts, on="wheel_end_id", how="left", maintain_order="left"))

    def column(name: str) -> np.ndarray:
        return np.stack([frame[name].to_numpy() for frame in seen], axis=1)

    return Watched(
        column("flagged"),
        column("state"),
        column("p_trouble"),
        column("p_out_now"),
        column("p_out_next_check"),
    )


@dataclass(frozen=True, slots=True)
class Truth:
    """When each wheel end went out of band and when trouble began; (n,) check numbers."""

    out: np.ndarray
    first_out: np.ndarray
    failed_at: np.ndarray
    healthy: np.ndarray

    @property
    def years(self) -> float:
        return float(self.healthy.sum()) * self.out.shape[1] * YEARS_PER_CHECK


def truth_of(drawn: DrawnStrokes) -> Truth:
    """Healthy are those that keep pace, in band throughout, on an axle that is even throughout."""
    out = (drawn.true_ratio < BAND[0]) | (drawn.true_ratio > BAND[1])
    checks = out.shape[1]
    first = np.where(out.any(axis=1), out.argmax(axis=1), checks)
    other = np.arange(len(drawn)) ^ 1
    uneven = (np.abs(drawn.true_ratio - drawn.true_ratio[other]) > SIDE_LIMIT).any(axis=1)
    healthy = (drawn.kind == HEALTHY) & ~out.any(axis=1) & ~uneven
    return Truth(out, first, np.minimum(drawn.began.astype(int), checks), healthy)


def by_check(flagged: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Whether each wheel end was flagged at check ``at`` or earlier; false before the first."""
    ever = np.logical_or.accumulate(flagged, axis=1)
    safe = np.clip(at, 0, flagged.shape[1] - 1)
    return np.where(at >= 0, ever[np.arange(len(at)), safe], False)


def shares(drawn: DrawnStrokes, flagged: np.ndarray) -> dict[str, float]:
    """The shares the goals are stated in."""
    t, checks = truth_of(drawn), flagged.shape[1]
    drifting = np.isin(drawn.kind, (SLACK, TIGHT)) & (t.first_out < checks)
    stuck = (drawn.kind == STUCK) & (t.failed_at < checks)
    before, outside = (by_check(flagged, t.first_out - early)[drifting] for early in (1, 0))
    at_failure = by_check(flagged, t.failed_at)
    was_out = t.out[np.arange(len(drawn)), np.minimum(t.failed_at, checks - 1)]
    wrong = (drawn.kind == SET_WRONG) & (np.abs(drawn.start - 0.125) >= COUNTS_AS_WRONG)
    return {
        "false flags per wheel-end-year": onsets(flagged[t.healthy]) / t.years,
        "small deficits, before leaving the band": share(before),
        "small deficits, first check outside": share(outside),
        "stuck, first check after failing": share(at_failure[stuck]),
        "stuck, of those truly out by then": share(at_failure[stuck & was_out]),
        "stuck, second check": share(by_check(flagged, t.failed_at + 1)[stuck]),
        "set wrong, first check": share(flagged[wrong, 0]),
        "set wrong, second check": share(by_check(flagged, np.full(len(drawn), 1))[wrong]),
    }


def share(hits: np.ndarray) -> float:
    return float(hits.mean()) if len(hits) else float("nan")


def names_right(drawn: DrawnStrokes, w: Watched) -> dict[str, float]:
    """Share of flagged true faults under their own name, when first flagged and at the last check.

    A name counts from the moment the fault has begun.
    """
    checks = w.flagged.shape[1]
    first = w.flagged.argmax(axis=1)
    begun = drawn.began < first + 1
    faulty = (drawn.kind != HEALTHY) & w.flagged.any(axis=1) & begun
    names = np.array(STATE_NAMES)[drawn.kind]
    when_flagged = w.state[np.arange(len(drawn)), first] == names
    return {
        "named right when first flagged": share(when_flagged[faulty]),
        "named right a check later": share(
            (w.state[np.arange(len(drawn)), np.minimum(first + 1, checks - 1)] == names)[faulty]
        ),
        **{
            f"  {name}, when first flagged": share(when_flagged[faulty & (drawn.kind == kind)])
            for kind, name in enumerate(STATE_NAMES)
            if kind != HEALTHY
        },
    }


def reliability(p: np.ndarray, happened: np.ndarray, bins: int = 10) -> pl.DataFrame:
    """Predicted against observed, by tenths of the predicted probability."""
    frame = pl.DataFrame({"p": p.ravel(), "happened": happened.ravel()})
    tenth = (pl.col("p") * bins).floor().clip(0, bins - 1).cast(pl.Int64)
    return (
        frame.group_by(tenth.alias("bin"))
        .agg(pl.len().alias("n"), pl.col("p").mean(), pl.col("happened").mean())
        .sort("bin")
        .with_columns(gap=pl.col("happened") - pl.col("p"))
    )


def at_equal_false_flags(drawn: DrawnStrokes, score: np.ndarray, per_year: float) -> np.ndarray:
    """Flags of a score whose limit gives the stated rate of false flags on this very fleet."""
    t = truth_of(drawn)
    low, high = float(score.min()), float(score[t.healthy].max())
    for _ in range(50):
        limit = (low + high) / 2
        if onsets(score[t.healthy] > limit) / t.years > per_year:
            low = limit
        else:
            high = limit
    return score > high


def plain_rule(drawn: DrawnStrokes) -> np.ndarray:
    """How far outside the band the last reading lies: the rule everybody starts with."""
    ratio = drawn.stroke_mm / drawn.arm_mm[:, None]
    return np.abs(ratio - sum(BAND) / 2)


def deficit_bound(drawn: DrawnStrokes) -> np.ndarray:
    """Log likelihood ratio of a small deficit to none, everything but start and deficit known."""
    world, arm = drawn.world, drawn.arm_mm[:, None]
    y, x = drawn.stroke_mm / arm - 0.125, RATIO_PER_MM * drawn.worn_mm
    weight = np.broadcast_to(
        arm**2 / (world.stroke_error_mm**2 + world.stroke_step_mm**2 / 12), y.shape
    )
    if world.as_left:
        y = np.hstack([drawn.left_mm[:, None] / arm - 0.125, y])
        x = np.hstack([np.zeros((len(y), 1)), x])
        weight = np.hstack([weight[:, :1], weight])
    total = (1 - world.late_share) * _ratio_of_ramp(y, x, x, weight, world)
    edges = np.hstack([np.zeros((len(y), 1)), x])
    columns = range(1, edges.shape[1])
    for column in columns:
        ramp = np.maximum(x - edges[:, [column - 1, column]].mean(axis=1, keepdims=True), 0.0)
        total += world.late_share / len(columns) * _ratio_of_ramp(y, x, ramp, weight, world)
    return np.log(np.maximum(total, 1e-300))[:, -world.checks :]


def _ratio_of_ramp(
    y: np.ndarray, x: np.ndarray, ramp: np.ndarray, weight: np.ndarray, world: DriftWorld
) -> np.ndarray:
    """Likelihood ratio at each check of a ramp with a deficit of either sign, uniform in size.

    Start and keeping deficit are normal, with known spread, and integrated out.
    """
    ww, wx, wxx, wr, wrr, wxr = (
        np.cumsum(weight * part, axis=1) for part in (1.0, x, x * x, ramp, ramp * ramp, x * ramp)
    )
    wy, wxy, wry = (np.cumsum(weight * part, axis=1) for part in (y, x * y, ramp * y))
    a, d = ww + 1 / world.setting_sd**2, wxx + 1 / world.keeping_sd**2
    det = a * d - wx * wx
    start, keep = (d * wr - wx * wxr) / det, (a * wxr - wx * wr) / det
    info = np.maximum(wrr - start * wr - keep * wxr, 1e-9)
    centre, root = (wry - start * wy - keep * wxy) / info, np.sqrt(info)
    low, high = world.deficit
    mass = ndtr((high - centre) * root) - ndtr((low - centre) * root)
    mass += ndtr((-low - centre) * root) - ndtr((-high - centre) * root)
    log = np.minimum(0.5 * centre**2 * info, 600.0)
    return np.exp(log) * np.sqrt(2 * np.pi / info) * np.maximum(mass, 1e-300) / (2 * (high - low))


def stuck_bound(drawn: DrawnStrokes) -> float:
    """Most that can be found at the first check after failing, level before it known exactly.

    Failing at any moment of the interval, an adjuster has gained a uniform part of what the
    interval's wear can give; the reading must then clear what a healthy one exceeds once in the
    wheel-end years allowed per false flag.
    """
    t, checks = truth_of(drawn), drawn.world.checks
    stuck = np.flatnonzero((drawn.kind == STUCK) & (t.failed_at < checks))
    gained = drawn.true_ratio[stuck, t.failed_at[stuck]] - drawn.start[stuck]
    sd = np.hypot(drawn.world.stroke_error_mm, drawn.world.stroke_step_mm / np.sqrt(12))
    z = -ndtri(FALSE_PER_YEAR * YEARS_PER_CHECK)
    return share(ndtr(gained * drawn.arm_mm[stuck] / sd - z))


BOUNDED = "small deficits, before leaving the band", "small deficits, first check outside"
AT_FAILURE = "stuck, first check after failing"


def compared(drawn: DrawnStrokes, w: Watched) -> pl.DataFrame:
    """This project, the plain rule at equal false flags and as it stands, and the bound."""
    mine = shares(drawn, w.flagged)
    rate = mine["false flags per wheel-end-year"]
    plain = shares(drawn, at_equal_false_flags(drawn, plain_rule(drawn), rate))
    literal = shares(drawn, plain_rule(drawn) > (BAND[1] - BAND[0]) / 2 + 1e-9)
    best = shares(drawn, at_equal_false_flags(drawn, deficit_bound(drawn), rate))
    bound = {name: best[name] for name in BOUNDED} | {AT_FAILURE: stuck_bound(drawn)}
    return pl.DataFrame(
        {
            "measure": list(mine),
            "drift model": list(mine.values()),
            "last reading outside": list(plain.values()),
            "outside the band as read": list(literal.values()),
            "bound": [bound.get(name) for name in mine],
        }
    )
