"""Stroke histories of an invented fleet, drawn with known truth and read by imperfect people.

Every wheel end is set once and then checked twelve-weekly; nobody repairs what is found, so that
every later check can be judged as well. Two wheel ends make an axle, three axles a unit.
"""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl

from tests.oracles.drift_wear import wear_since_setting

FIRST_DAY = dt.date(2023, 1, 2)
CHECK_WEEKS = 12
ARMS_MM = (128.0, 146.0, 158.0, 172.0)
LINING_NEW_MM, LINING_MIN_MM = 18.0, 6.5
RATIO_PER_MM = float(np.radians(90.0)) / (LINING_NEW_MM - LINING_MIN_MM)
AXLE_TYPES, DUTIES = ("carrying", "driven"), ("gravel", "ring")
HEALTHY, SLACK, TIGHT, STUCK, SET_WRONG = range(5)
STATE_NAMES = ("in_band", "slackening", "tightening", "stuck", "set_wrong")
KM_PER_CHECK = 25_000.0


@dataclass(frozen=True, slots=True)
class DriftWorld:
    """What the histories are drawn from. Ratios are fractions of arm length.

    ``shares`` : of wheel ends by kind, in the order of ``STATE_NAMES``
    ``late_share`` : of slack and tight adjusters that turn so some time after the setting
    ``deficit`` : range of |1 − take-up| of slack and tight ones
    ``wrong_by`` : mean and SD of how far a wrong setting lies from the target
    ``tested_share`` : of checks at which the return test is done and written down
    """

    checks: int = 10
    setting_sd: float = 0.006
    shares: tuple[float, ...] = (0.70, 0.08, 0.05, 0.09, 0.08)
    late_share: float = 0.5
    stuck_late_share: float = 0.9
    deficit: tuple[float, float] = (0.02, 0.10)
    wrong_by: tuple[float, float] = (0.05, 0.02)
    keeping_sd: float = 0.003
    stroke_error_mm: float = 1.0
    stroke_step_mm: float = 1.0
    lining_error_mm: float = 0.5
    wear_mm: tuple[float, float] = (0.5, 1.5)
    interval_cv: float = 0.08
    stop_ratio: float = 0.42
    lowest_ratio: float = 0.02
    as_left: bool = False
    tested_share: float = 0.0
    test_misses: float = 0.03
    test_false_alarms: float = 0.001


@dataclass(frozen=True, slots=True)
class DrawnStrokes:
    """Truth and readings; rows are wheel ends, columns checks.

    ``began`` is in check intervals since the setting (1.5: half-way through the second); ``km``
    and ``lining_mm`` have a first column for the setting itself.
    """

    world: DriftWorld
    kind: np.ndarray
    arm_mm: np.ndarray
    group: np.ndarray
    began: np.ndarray
    take_up: np.ndarray
    start: np.ndarray
    true_ratio: np.ndarray
    stroke_mm: np.ndarray
    left_mm: np.ndarray
    km: np.ndarray
    worn_mm: np.ndarray
    lining_mm: np.ndarray
    return_test: np.ndarray

    def __len__(self) -> int:
        return len(self.kind)


def draw_strokes(wheel_ends: int, seed: int, world: DriftWorld | None = None) -> DrawnStrokes:
    world = world or DriftWorld()
    rng = np.random.default_rng(seed)
    n, j = wheel_ends, world.checks
    kind = rng.choice(len(world.shares), n, p=world.shares)
    arm, group = rng.choice(ARMS_MM, n), np.arange(n) // 2 % 4
    begun = _begun(kind, world, rng)
    km = KM_PER_CHECK * rng.uniform(0.85, 1.15, (n, j))
    middle = np.log(sum(world.wear_mm) / 2 * np.array([0.9, 1.0, 1.1, 1.0])[group])
    rate = np.clip(rng.lognormal(middle, 0.22), *world.wear_mm) / KM_PER_CHECK
    worn = rate[:, None] * km * np.exp(rng.normal(0.0, world.interval_cv, (n, j)))
    total = np.concatenate([np.zeros((n, 1)), np.cumsum(worn, axis=1)], axis=1)
    take_up, start = _take_up(kind, world, rng), _start(kind, world, rng)
    grown = RATIO_PER_MM * (1 - take_up)[:, None] * _worn_since(total, begun)
    true = np.clip(start[:, None] + grown, world.lowest_ratio, world.stop_ratio)
    left = start * arm + rng.normal(0.0, world.stroke_error_mm, n)
    read = true * arm[:, None] + rng.normal(0.0, world.stroke_error_mm, (n, j))
    lining = rng.uniform(14.0, 18.0, n)[:, None] - total
    return DrawnStrokes(
        world=world,
        kind=kind,
        arm_mm=arm,
        group=group,
        began=begun,
        take_up=take_up,
        start=start,
        true_ratio=true,
        stroke_mm=np.maximum(_rounded(read, world.stroke_step_mm), 0.0),
        left_mm=np.maximum(_rounded(left, world.stroke_step_mm), 0.0),
        km=np.concatenate([np.zeros((n, 1)), np.cumsum(km, axis=1)], axis=1),
        worn_mm=total[:, 1:],
        lining_mm=_rounded(lining + rng.normal(0.0, world.lining_error_mm, lining.shape), 0.5),
        return_test=_return_tests(kind, begun, world, rng),
    )


def _return_tests(
    kind: np.ndarray, begun: np.ndarray, world: DriftWorld, rng: np.random.Generator
) -> np.ndarray:
    """Result of each check's return test; empty where it was not done."""
    check = np.arange(1, world.checks + 1)
    stuck = (kind == STUCK)[:, None] & (begun[:, None] < check)
    chance = np.where(stuck, 1 - world.test_misses, world.test_false_alarms)
    result = np.where(rng.random(stuck.shape) < chance, "fail", "pass")
    return np.where(rng.random(stuck.shape) < world.tested_share, result, "")


def _rounded(value: np.ndarray, step: float) -> np.ndarray:
    return np.round(value / step) * step


def _begun(kind: np.ndarray, world: DriftWorld, rng: np.random.Generator) -> np.ndarray:
    late = np.select(
        [kind == STUCK, (kind == SLACK) | (kind == TIGHT)],
        [world.stuck_late_share, world.late_share],
        0.0,
    )
    moment = rng.uniform(0.0, world.checks, len(kind))
    return np.where(rng.random(len(kind)) < late, moment, 0.0)


def _take_up(kind: np.ndarray, world: DriftWorld, rng: np.random.Generator) -> np.ndarray:
    n = len(kind)
    deficit = rng.uniform(*world.deficit, n)
    keeping = rng.normal(1.0, world.keeping_sd, n)
    return np.choose(kind, [keeping, 1 - deficit, 1 + deficit, np.zeros(n), keeping])


def _start(kind: np.ndarray, world: DriftWorld, rng: np.random.Generator) -> np.ndarray:
    right = rng.normal(0.125, world.setting_sd, len(kind))
    side = np.where(rng.random(len(kind)) < 0.6, 1.0, -1.0)
    wrong = 0.125 + side * np.abs(rng.normal(*world.wrong_by, len(kind)))
    return np.where(kind == SET_WRONG, wrong, right)


def _worn_since(total: np.ndarray, begun: np.ndarray) -> np.ndarray:
    """Wear at each check since the moment trouble began."""
    whole = np.minimum(begun.astype(int), total.shape[1] - 2)
    rows = np.arange(len(total))
    part = (begun - whole) * (total[rows, whole + 1] - total[rows, whole])
    return np.maximum(total[:, 1:] - (total[rows, whole] + part)[:, None], 0.0)


def day_of(check: int) -> dt.date:
    return FIRST_DAY + dt.timedelta(weeks=CHECK_WEEKS * (check + 1))


def _estimated_wear(drawn: DrawnStrokes, last: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Wear since the setting at the checks so far, with SD, from the thickness readings so far."""
    upto = slice(0, last + 2)
    wear = wear_since_setting(drawn.lining_mm[:, upto], drawn.km[:, upto], drawn.group)
    worn = wear.wear_mm[:, 1:]
    return worn, worn * wear.cv[:, None], wear.mm_per_km


def names_of(drawn: DrawnStrokes) -> pl.DataFrame:
    n = np.arange(len(drawn))
    unit = [f"U{i:05d}" for i in n // 6]
    axle = [f"{u}/{a}" for u, a in zip(unit, n // 2 % 3 + 1, strict=True)]
    return pl.DataFrame(
        {
            "wheel_end_id": [
                f"{a}{s}" for a, s in zip(axle, np.array(["L", "R"])[n % 2], strict=True)
            ],
            "unit_id": unit,
            "axle_id": axle,
            "axle_type": np.array(AXLE_TYPES)[drawn.group % 2],
            "duty": np.array(DUTIES)[drawn.group // 2],
        }
    )


def readings_frame(drawn: DrawnStrokes, last: int, *, linings: bool = True) -> pl.DataFrame:
    """Readings up to and with check ``last`` (0 is the first), as the drift models take them."""
    n, checks = len(drawn), last + 1
    worn, sd, _ = _estimated_wear(drawn, last)
    names = names_of(drawn)
    rows = names[np.repeat(np.arange(n), checks)].with_columns(
        inspected_on=pl.Series([day_of(c) for c in range(checks)] * n),
        weeks_since_set=pl.Series(np.tile(CHECK_WEEKS * (1.0 + np.arange(checks)), n)),
        km_since_set=pl.Series(drawn.km[:, 1 : checks + 1].ravel()),
        stroke_mm=pl.Series(drawn.stroke_mm[:, :checks].ravel()),
        arm_length_mm=pl.Series(np.repeat(drawn.arm_mm, checks)),
        wear_mm=pl.Series(worn.ravel()) if linings else pl.lit(None, dtype=pl.Float64),
        wear_sd_mm=pl.Series(sd.ravel()) if linings else pl.lit(None, dtype=pl.Float64),
        as_left=pl.lit(value=False),
        return_test=pl.Series(drawn.return_test[:, :checks].ravel()).replace("", None),
    )
    if drawn.world.as_left:
        rows = pl.concat([_left_rows(drawn, names), rows], how="diagonal")
    return rows.with_columns(
        episode_id=pl.col("wheel_end_id") + "@1",
        set_source=pl.lit("adjuster_replaced"),
        stroke_ratio=pl.col("stroke_mm") / pl.col("arm_length_mm"),
        ratio_per_mm=pl.lit(RATIO_PER_MM),
        stop_ratio=pl.lit(drawn.world.stop_ratio),
    ).drop("stroke_mm")


def _left_rows(drawn: DrawnStrokes, names: pl.DataFrame) -> pl.DataFrame:
    return names.with_columns(
        inspected_on=pl.lit(FIRST_DAY),
        weeks_since_set=pl.lit(0.0),
        km_since_set=pl.lit(0.0),
        stroke_mm=pl.Series(drawn.left_mm),
        arm_length_mm=pl.Series(drawn.arm_mm),
        wear_mm=pl.lit(0.0),
        wear_sd_mm=pl.lit(0.0),
        as_left=pl.lit(value=True),
    )


def outlook_frame(drawn: DrawnStrokes, last: int) -> pl.DataFrame:
    _, _, mm_per_km = _estimated_wear(drawn, last)
    ahead = mm_per_km * KM_PER_CHECK
    return names_of(drawn).with_columns(
        check_weeks=pl.lit(float(CHECK_WEEKS)),
        wear_to_next_mm=pl.Series(ahead),
        wear_to_next_sd_mm=pl.Series(0.25 * ahead),
    )
