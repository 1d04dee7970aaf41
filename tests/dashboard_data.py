"""Made-up months for the page: plausible, seeded, and as awkward as a fleet's records can be.

The numbers are drawn, not estimated: they test the drawing and never a model.
"""

import datetime as dt
from dataclasses import fields, replace
from functools import cache
from typing import Any

import numpy as np
import polars as pl

from dashboards.page import rendered
from dashboards.page_data import Fleet, PageData
from dashboards.sentences.due import months_after

AS_OF = dt.date(2031, 3, 14)
AXLE_TYPES = ("drive", "steer", "trailer")
DUTIES = ("quarry", "town", "regional", "motorway")
DEPOTS = ("Aldermoor", "Brixholt", "Cleyford")
HOSTILE = ("<script>alert(1)</script>", '"; drop table mart.loads; --', "=cmd|' /C calc'!A1")
LONG = "A depot whose name goes on, and on, beyond all reason and the width of any column " * 2

_WEAR = {"quarry": 1.9, "town": 1.35, "regional": 0.8, "motorway": 0.42}
_TYPE = {"drive": 1.0, "steer": 0.75, "trailer": 1.15}
_FLEET = Fleet(name="Saltmarsh Haulage", currency="EUR", duty_order=DUTIES)


def month(wheel_ends: int = 720, seed: int = 7) -> PageData:
    """A month of a fleet of about so many wheel ends, every frame filled."""
    rng = np.random.default_rng(seed)
    status = wheel_end_status(wheel_ends, rng)
    flagged = status.filter("flagged").sort("priority", descending=True)
    shown = pl.concat([flagged, status.filter(~pl.col("flagged")).head(3_000)])
    extras: dict[str, Any] = {
        "histories": histories(shown, rng),
        "limits": shown.select(
            "wheel_end_id", lining_new_mm=18.0, lining_min_mm=6.4, arm_length_mm=140.0
        ),
        "setting_quality": setting_quality(rng),
        "overdue": overdue(status, rng),
        "scenarios": scenarios(),
        "reline_plan": reline_plan(),
        "reline_policy": reline_policy(),
        "reline_habits": reline_habits(),
        "check_intervals": check_intervals(),
        "replacement_ages": replacement_ages(),
        "expected_failures": expected_failures(wheel_ends),
        "adjuster_effects": adjuster_effects(),
        "adjuster_causes": adjuster_causes(),
        "adjuster_scales": adjuster_scales(),
        "replacement_counts": replacement_counts(),
        "replacement_differences": replacement_differences(),
        "changes": changes_of(flagged, rng),
        "flag_precision": flag_precision(),
        "outlook_by_depot": outlook_by_depot(wheel_ends),
        "months": months(status),
        "made_from": {"Drumline": "0.1.0", "Settings": "5f0c2a"},
    }
    return replace(bare_month(status, rng), **extras)


def bare_month(status: pl.DataFrame, rng: np.random.Generator) -> PageData:
    """Only what every run has."""
    return PageData(
        fleet=_FLEET,
        as_of=AS_OF,
        loads=loads(),
        set_aside=set_aside(),
        wheel_end_status=status,
        wear_rates=wear_rates(rng),
        wear_components=wear_components(),
        adjuster_fits=adjuster_fits(rng),
        adjuster_curves=adjuster_curves(),
        duty_comparisons=duty_comparisons(),
        reline_budget=reline_budget(status.height, rng),
        reline_outlook=reline_outlook(status.height),
        backtest=backtest(rng),
    )


def empty_month() -> PageData:
    """Every table of a run that found nothing to say."""
    data = month(60)
    frames: dict[str, Any] = {
        f.name: getattr(data, f.name).clear()
        for f in fields(data)
        if isinstance(getattr(data, f.name), pl.DataFrame)
    }
    return replace(data, **frames)


def hostile_month() -> PageData:
    """A month whose every text column holds something nasty somewhere."""
    data = month(60)
    frames: dict[str, Any] = {}
    for field in fields(data):
        frame = getattr(data, field.name)
        if isinstance(frame, pl.DataFrame):
            frames[field.name] = _poisoned(frame)
    nasty = HOSTILE[0]
    return replace(data, fleet=Fleet(name=nasty, currency=nasty), notes=(nasty,), **frames)


# Columns whose values the program itself chooses; a fleet's text never gets there.
OURS = {"state", "change", "distribution", "method", "measure", "month"}


def _poisoned(frame: pl.DataFrame) -> pl.DataFrame:
    texts = [c for c in frame.columns if frame[c].dtype == pl.String and c not in OURS]
    return frame.with_columns((pl.lit(HOSTILE[len(c) % 3]) + pl.col(c)).alias(c) for c in texts)


@cache
def page_of(kind: str) -> str:
    """Pages that several tests look at, drawn once."""
    if kind == "hostile":
        return rendered(hostile_month())
    return rendered(month(100_000 if kind == "large" else 720))


def wheel_end_status(n: int, rng: np.random.Generator) -> pl.DataFrame:
    unit = np.arange(n) // 6
    frame = pl.DataFrame(
        {
            "unit_id": [f"K{u:05d}" for u in unit],
            "axle_no": (np.arange(n) % 6) // 2 + 1,
            "side": np.where(np.arange(n) % 2 == 0, "L", "R"),
            "axle_type": np.array(AXLE_TYPES)[(unit + (np.arange(n) % 6) // 2) % 3],
            "duty": np.array(DUTIES)[rng.integers(0, 4, unit.max() + 1)[unit]],
            "depot": np.array(DEPOTS)[rng.integers(0, 3, unit.max() + 1)[unit]],
            "lining_mm": rng.uniform(6.0, 18.0, n),
            "lining_sd": rng.uniform(0.2, 0.6, n),
            "stroke_ratio": rng.normal(0.125, 0.012, n),
            "stroke_ratio_sd": np.full(n, 0.006),
        }
    )
    states = np.array(
        [
            "in_band",
            "set_wrong",
            "slackening",
            "stuck",
            "tightening",
            "uneven",
            "not_seen",
            "worn_out",
        ]
    )
    drawn = states[rng.choice(8, n, p=[0.9, 0.02, 0.035, 0.01, 0.012, 0.008, 0.01, 0.005])]
    return (
        frame.with_columns(
            pl.format("{}/{}{}", "unit_id", "axle_no", "side").alias("wheel_end_id"),
            pl.Series("state", drawn),
            pl.Series("priority", rng.uniform(0, 1, n)),
            pl.Series("p_out_now", rng.beta(0.4, 6, n)),
            pl.Series("days", rng.integers(10, 900, n)),
            pl.Series("seen", rng.integers(1, 110, n)),
            pl.Series("drift_per_10000km", rng.normal(0, 0.004, n)),
            pl.Series("take_up", rng.normal(0.99, 0.05, n)),
            as_of=pl.lit(AS_OF),
            flag_reason=pl.lit("strokes"),
            lining_min_mm=pl.lit(6.0),
            p_relined=pl.lit(0.0),
            stroke_ratio_p10=pl.col("stroke_ratio") - 0.008,
            stroke_ratio_p90=pl.col("stroke_ratio") + 0.008,
        )
        .with_columns(
            (pl.col("state") != "in_band").alias("flagged"),
            (pl.col("lining_mm") + 0.3).alias("lining_read_mm"),
            pl.col("state").replace_strict(ADVICE_OF, default="nothing").alias("advice"),
            pl.when(pl.col("state") == "in_band")
            .then(pl.col("p_out_now") / 4)
            .otherwise(pl.min_horizontal(pl.lit(1.0), pl.col("p_out_now") * 4 + 0.3))
            .alias("p_out_next_check"),
            *(
                (pl.col("as_of") - pl.duration(days="seen")).alias(name)
                for name in ("last_inspected_on", "lining_read_on", "last_read_on")
            ),
            (pl.col("as_of") - pl.duration(days=pl.col("seen") + 200)).alias("set_on"),
            *(
                (pl.col("as_of") + pl.duration(days=(pl.col("days") * f).cast(pl.Int64))).alias(
                    name
                )
                for name, f in (("min_on_p10", 0.8), ("min_on_p50", 1.0), ("min_on_p90", 1.25))
            ),
            *(
                (pl.col("as_of") + pl.duration(days=(pl.col("days") * f).cast(pl.Int64))).alias(
                    name
                )
                for name, f in (
                    ("reline_on_p10", 0.7),
                    ("reline_on_p50", 0.9),
                    ("reline_on_p90", 1.1),
                )
            ),
            *((pl.col("days") * f).alias(f"min_km_{q}") for q, f in _KM.items()),
            pl.when(pl.col("state") == "in_band")
            .then(None)
            .otherwise(
                pl.format(
                    "Free stroke {} mm on a 140 mm arm ({} %; band 10–15 %), up from 13 % at the "
                    "setting 31 weeks ago while 3.1 mm of lining wore. Test its return.",
                    (pl.col("stroke_ratio") * 140).round(0).cast(pl.Int64),
                    (pl.col("stroke_ratio") * 100).round(0).cast(pl.Int64),
                )
            )
            .alias("evidence"),
        )
        .drop("days", "seen")
    )


ADVICE_OF = {
    "worn_out": "reline",
    "stuck": "test",
    "slackening": "find_cause",
    "tightening": "check_drag",
    "set_wrong": "set",
    "uneven": "compare_sides",
    "not_seen": "check",
}
_KM = {"p10": 220.0, "p50": 280.0, "p90": 350.0}


def _groups() -> list[tuple[str, str]]:
    return [(a, d) for a in AXLE_TYPES for d in DUTIES]


def wear_rates(rng: np.random.Generator) -> pl.DataFrame:
    rows = []
    for axle_type, duty in _groups():
        rate = _WEAR[duty] * _TYPE[axle_type] * rng.normal(1, 0.03)
        se = 0.05 * rate
        lives = int(rng.integers(20, 400))
        rows.append(
            {
                "axle_type": axle_type,
                "duty": duty,
                "units": lives // 3,
                "lives": lives,
                "readings": lives * 9,
                "mm_per_10000km": rate,
                "se": se,
                "ci_low": rate - 1.96 * se,
                "ci_high": rate + 1.96 * se,
                "shrunk": (axle_type, duty) == ("steer", "quarry"),
                "own_mm_per_10000km": rate,
                "note": None,
            }
        )
    return pl.DataFrame(rows, schema_overrides={"note": pl.String})


def wear_components() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "between_unit_sd": [0.12],
            "between_life_sd": [0.2],
            "intercept_sd": [0.4],
            "residual_sd": [0.45],
            "reml_loglik": [-8123.4],
            "converged": [True],
            "note": [None],
        },
        schema_overrides={"note": pl.String},
    )


_SCALE = {"quarry": 2.1e5, "town": 3.4e5, "regional": 5.2e5, "motorway": 8.1e5}


def adjuster_fits(rng: np.random.Generator) -> pl.DataFrame:
    rows = []
    for axle_type, duty in [*_groups(), (None, None)]:
        scale = _SCALE.get(duty or "", 4.5e5) * _TYPE.get(axle_type or "", 1.0)
        for form, gap in (("weibull", 0.0), ("lognormal", 1.7), ("loglogistic", 2.4)):
            b10 = scale * 0.41
            failures = int(rng.integers(11, 70))
            rows.append(
                {
                    "axle_type": axle_type,
                    "duty": duty,
                    "distribution": form,
                    "shape": 2.4,
                    "shape_ci_low": 1.9,
                    "shape_ci_high": 3.0,
                    "scale_km": scale,
                    "scale_km_ci_low": scale * 0.9,
                    "scale_km_ci_high": scale * 1.13,
                    "b10_km": b10,
                    "b10_km_ci_low": b10 * 0.82,
                    "b10_km_ci_high": b10 * 1.16,
                    "loglik": -300.0,
                    "aic": 604.0 + gap,
                    "adjusters": failures * 6,
                    "failures": failures,
                    "chosen": form == "weibull",
                    "note": None,
                }
            )
    return pl.DataFrame(rows, schema_overrides={"note": pl.String})


def adjuster_curves() -> pl.DataFrame:
    frames = []
    for axle_type, duty in _groups():
        scale = _SCALE[duty] * _TYPE[axle_type]
        for method, points in (("npmle", 14), ("weibull", 40)):
            km = np.linspace(0, 0.7 * scale, points)
            alive = np.exp(-((km / scale) ** 2.4))
            half = 0.12 * (1 - alive) + 0.002 * (km > 0)
            frames.append(
                pl.DataFrame(
                    {
                        "axle_type": axle_type,
                        "duty": duty,
                        "km": km,
                        "survival": alive,
                        "ci_low": np.clip(alive - half, 0, 1),
                        "ci_high": np.clip(alive + half, 0, 1),
                        "method": method,
                    }
                )
            )
    return pl.concat(frames)


def duty_comparisons() -> pl.DataFrame:
    rows = []
    for axle_type in AXLE_TYPES:
        for i, a in enumerate(DUTIES):
            for b in DUTIES[i + 1 :]:
                for measure, ratio in (
                    ("wear_rate_ratio", _WEAR[a] / _WEAR[b]),
                    ("hazard_ratio", (_SCALE[b] / _SCALE[a]) ** 2.4),
                ):
                    wide = 1.2 if measure == "wear_rate_ratio" else 1.9
                    p = 0.0004 if ratio > wide else 0.21
                    rows.append(
                        {
                            "axle_type": axle_type,
                            "measure": measure,
                            "duty_a": a,
                            "duty_b": b,
                            "ratio": ratio,
                            "ci_low": ratio / wide,
                            "ci_high": ratio * wide,
                            "p": p / 3,
                            "p_adjusted": p,
                            "method": "Intervals from the likelihood",
                        }
                    )
    return pl.DataFrame(rows)


def _months(n: int = 24) -> list[dt.date]:
    first = AS_OF.year * 12 + AS_OF.month
    return [dt.date((first + i) // 12, (first + i) % 12 + 1, 1) for i in range(n)]


def reline_budget(wheel_ends: int, rng: np.random.Generator) -> pl.DataFrame:
    rows = []
    per_month = wheel_ends / 32
    for depot in (None, *DEPOTS):
        for axle_type in (None, *AXLE_TYPES):
            for duty in (None, *DUTIES):
                part = (1 if depot is None else 1 / 3) * (1 if axle_type is None else 1 / 3)
                part *= 1 if duty is None else 1 / 4
                for i, month_ in enumerate(_months()):
                    mean = per_month * part * (1 + 0.3 * np.sin(i / 2)) * rng.normal(1, 0.05)
                    half = 1.2816 * np.sqrt(mean + (0.08 * mean) ** 2)
                    row = {"month": month_, "depot": depot, "axle_type": axle_type, "duty": duty}
                    for what, price in (("relines", 1.0), ("cost", 312.0)):
                        row |= {
                            f"{what}_p10": max(0.0, mean - half) * price,
                            f"{what}_p50": mean * price,
                            f"{what}_p90": (mean + half) * price,
                            f"{what}_mean": mean * price,
                        }
                    rows.append(row)
    return pl.DataFrame(rows, infer_schema_length=None)


def reline_outlook(wheel_ends: int) -> pl.DataFrame:
    rows = []
    for months in (3, 6, 12, 24):
        mean = wheel_ends / 32 * months
        row: dict[str, object] = {"from_on": AS_OF + dt.timedelta(days=1), "months": months}
        row["until_on"] = months_after(AS_OF, months)
        for what, price in (("relines", 1.0), ("cost", 312.0)):
            row |= {
                f"{what}_p10": mean * 0.9 * price,
                f"{what}_p50": mean * price,
                f"{what}_p90": mean * 1.12 * price,
                f"{what}_mean": mean * price,
            }
        rows.append(row)
    return pl.DataFrame(rows)


def backtest(rng: np.random.Generator) -> pl.DataFrame:
    rows = []
    for measure in ("reline_on", "relines_quarter"):
        for back in range(1, 9):
            held = float(np.clip(rng.normal(0.79, 0.04), 0, 1))
            row = {
                "measure": measure,
                "origin": AS_OF - dt.timedelta(days=91 * back),
                "nominal": 0.8,
                "observed": held,
                "strictly_inside": held - 0.03,
                "below": (1.0 - held) / 2.0,
                "above": (1.0 - held) / 2.0,
                "n": int(rng.integers(40, 300)) if measure == "reline_on" else min(back, 4),
                "bias": float(rng.normal(0, 0.4)),
                "crps": float(rng.uniform(4, 6)),
                "crps_last_year": float(rng.uniform(6, 9)),
                "crps_straight_line": float(rng.uniform(6, 9)),
            }
            rows.append(row)
    return pl.DataFrame(rows)


def loads() -> pl.DataFrame:
    files = [
        ("inspections/2029.csv", "inspections", 9120, 9015, 60, 45),
        ("inspections/brixholt inches.xlsx", "inspections", 2210, 2071, 0, 139),
        ("work/jobs.csv", "work", 1804, 1799, 3, 2),
        ("register/all.csv", "register", 720, 720, 0, 0),
        ("duty/duty.parquet", "duty", 210, 210, 0, 0),
    ]
    columns = ["path", "table_name", "rows_read", "accepted", "repeated", "set_aside"]
    return pl.DataFrame(files, schema=columns, orient="row").with_columns(
        pl.lit("loaded").alias("status")
    )


def set_aside() -> pl.DataFrame:
    kinds = {
        "unknown wheel end": 31,
        "lining_mm in another unit": 96,
        "dated in the future": 4,
        "odometer_km runs back or jumps": 41,
        "lining_mm out of line": 14,
    }
    rows = [
        {
            "path": "inspections/brixholt inches.xlsx",
            "row_no": i + 2,
            "table_name": "inspections",
            "reason_kind": kind,
            "reason": f"{kind}: found 0.51 mm, 25.4 times off its neighbours",
            "raw": "unit_id=K00001 | axle_no=1",
        }
        for kind, n in kinds.items()
        for i in range(n)
    ]
    return pl.DataFrame(rows)


def histories(ends: pl.DataFrame, rng: np.random.Generator, readings: int = 20) -> pl.DataFrame:
    """A reading every twelve weeks: lining that wears and is renewed, strokes that wander."""
    n = ends.height
    weeks = np.arange(readings)[::-1] * 12
    rate = rng.uniform(0.15, 0.7, n)[:, None]
    lining = ends["lining_mm"].to_numpy()[:, None] + rate * np.arange(readings)[::-1]
    lining = 6.5 + np.mod(lining - 6.5, 11.5) + rng.normal(0, 0.3, (n, readings))
    relined = np.zeros((n, readings), bool)
    relined[:, :-1] = np.diff(lining, axis=1) > 5
    steps = rng.normal(0.0004, 0.004, (n, readings))
    walk = np.cumsum(steps, axis=1)
    stroke = ends["stroke_ratio"].to_numpy()[:, None] + walk - walk[:, -1:]
    return pl.DataFrame(
        {
            "wheel_end_id": np.repeat(ends["wheel_end_id"].to_numpy(), readings),
            "weeks": np.tile(weeks, n),
            "lining_mm": np.round(lining * 2).ravel() / 2,
            "stroke_ratio": np.clip(np.round(stroke * 140) / 140, 0.02, 0.4).ravel(),
            "relined": relined.ravel(),
        }
    ).select(
        "wheel_end_id",
        (pl.lit(AS_OF) - pl.duration(weeks="weeks") - pl.duration(days=5)).alias("inspected_on"),
        "lining_mm",
        "stroke_ratio",
        pl.when("relined").then(pl.lit("reline")).alias("jobs"),
    )


def setting_quality(rng: np.random.Generator) -> pl.DataFrame:
    rows = []
    for depot, level in ((None, 0.07), *zip(DEPOTS, (0.05, 0.14, 0.06), strict=True)):
        for month_ in (None, *_months(12)):
            n = (40 if month_ else 480) * (3 if depot is None else 1)
            out = int(rng.binomial(n, level))
            half = 1.96 * np.sqrt(level * (1 - level) / n)
            rows.append(
                {
                    "depot": depot,
                    "month": month_ and month_.replace(year=month_.year - 1),
                    "settings": n,
                    "out_of_band": out,
                    "share": out / n,
                    "ci_low": max(0.0, out / n - half),
                    "ci_high": out / n + half,
                    "outlier": depot == "Brixholt" and month_ is None,
                }
            )
    return pl.DataFrame(rows, infer_schema_length=None)


def overdue(status: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    late = status.sample(fraction=0.06, seed=3)
    kinds = rng.choice(
        ["adjuster check", "greasing", "first service"], late.height, p=[0.5, 0.4, 0.1]
    )
    weeks = rng.exponential(4, late.height) + 0.3
    return (
        late.select("wheel_end_id", "depot", "axle_type", "duty")
        .with_columns(
            pl.Series("kind", kinds),
            pl.Series("weeks_overdue", weeks),
            pl.Series("days", (7 * weeks).astype(int)),
        )
        .select(pl.exclude("days"), (pl.lit(AS_OF) - pl.duration(days="days")).alias("due_on"))
    )


def scenarios() -> pl.DataFrame:
    rows = []
    for name, text, extra, p in (
        ("as now", "Reline at the visit before the minimum, both ends together", None, 0.031),
        ("next visit", "Reline one visit later", -9_100.0, 0.094),
        ("whole unit", "Reline every axle of a unit together", 21_400.0, 0.012),
        ("2 mm earlier", "Reline at 2 mm above the minimum", 7_300.0, 0.004),
        ("fewer town runs", "A tenth of the town runs go to regional units", -4_200.0, 0.03),
    ):
        cost = 85_000 + (extra or 0.0)
        row = {"name": name, "description": text, "base": extra is None}
        for what, mean in (("relines", cost / 312), ("cost", cost)):
            row |= {f"{what}_mean": mean, f"{what}_p10": mean * 0.9, f"{what}_p90": mean * 1.1}
            gap = None if extra is None else extra * (mean / cost)
            row |= {
                f"extra_{what}_mean": gap,
                f"extra_{what}_p10": None if gap is None else gap - abs(gap) * 0.4,
                f"extra_{what}_p90": None if gap is None else gap + abs(gap) * 0.4,
            }
        row |= {"early_scrapped_mm": 310.0 + (extra or 0) / 100, "early_scrapped_cost": 5_200.0}
        rows.append(row | {"p_crossing": p})
    return pl.DataFrame(rows, infer_schema_length=None)


def reline_plan() -> pl.DataFrame:
    row: dict[str, float] = {"months": 12, "risk": 0.05}
    for name, mean in (
        ("extra_relines", 61.0),
        ("extra_cost", 9_200.0),
        ("crossings_avoided", 23.0),
    ):
        row |= {f"{name}_{q}": mean * f for q, f in (("p10", 0.85), ("p50", 1.0), ("p90", 1.15))}
        row[f"{name}_mean"] = mean
    return pl.DataFrame([row])


def reline_policy() -> pl.DataFrame:
    """Of a fleet whose readings at relines were raised."""
    raised = {"raised_mm": 1.2, "raised_ci_low": 0.7, "raised_ci_high": 1.7}
    aged = {"age_days": None, "age_kept": None, "age_share": None}
    once = {"campaigns": 0, "campaign_until_on": None, "yearly_from_on": None, "every_days": None}
    changed_on = AS_OF - dt.timedelta(days=3 * 91)
    row = {"changed_on": changed_on, **raised, **aged, **once}
    return pl.DataFrame([{"depot": depot, **row} for depot in DEPOTS])


def reline_habits() -> pl.DataFrame:
    """Of a fleet that relines fewer linings for other reasons than it did."""
    changed = {"changed_on": AS_OF - dt.timedelta(days=3 * 91)}
    habits = [
        {"habit": "due and left on", **_share("share", 0.12)},
        {
            "habit": "relined for another reason",
            **_share("share", 0.002),
            **_share("share_before", 0.04),
            **changed,
        },
    ]
    rows = [habit | {"depot": depot} for habit in habits for depot in DEPOTS]
    return pl.DataFrame(rows, infer_schema_length=None)


def _share(name: str, share: float) -> dict[str, float]:
    return {name: share, f"{name}_ci_low": 0.8 * share, f"{name}_ci_high": 1.25 * share}


def check_intervals() -> pl.DataFrame:
    rows = []
    for axle_type, duty in ((None, None), *_groups()):
        level = 4.5e5 / (_SCALE.get(duty or "", 4.5e5) * _TYPE.get(axle_type or "", 1.0))
        for weeks in (4, 8, 12, 16, 26):
            part = 0.0018 * weeks * level
            rows.append(
                {
                    "axle_type": axle_type,
                    "duty": duty,
                    "weeks": weeks,
                    "share_failed": part,
                    "ci_low": part * 0.75,
                    "ci_high": part * 1.3,
                    "current": weeks == 12,
                }
            )
    return pl.DataFrame(rows, infer_schema_length=None)


def replacement_ages() -> pl.DataFrame:
    rows = []
    for axle_type, duty in _groups():
        pays = duty in ("quarry", "town")
        best = 0.6 * _SCALE[duty] * _TYPE[axle_type]
        rows.append(
            {
                "axle_type": axle_type,
                "duty": duty,
                "best_km": best if pays else None,
                "ci_low_km": best * 0.8 if pays else None,
                "ci_high_km": best * 1.3 if pays else None,
                "saving_share": 0.17 if duty == "quarry" else 0.06 if pays else None,
                "verdict": "Pays" if pays else "A failure costs too little more than a replacement",
            }
        )
    return pl.DataFrame(rows, infer_schema_length=None)


def expected_failures(wheel_ends: int) -> pl.DataFrame:
    rows = []
    for depot in (None, *DEPOTS):
        mean = wheel_ends / 160 / (1 if depot is None else 3)
        for month_ in _months():
            half = 1.2816 * np.sqrt(mean)
            rows.append(
                {
                    "month": month_,
                    "depot": depot,
                    "failures_mean": mean,
                    "failures_p10": max(0.0, mean - half),
                    "failures_p90": mean + half,
                }
            )
    basis = pl.lit(None, dtype=pl.String)
    return pl.DataFrame(rows, infer_schema_length=None).with_columns(basis=basis)


def adjuster_effects() -> pl.DataFrame:
    """Ratios of failure rates on the fleet's clock; greasing alone is told apart."""
    terms = (
        ("duty", "town", "motorway", 2.0, 0.001, None),
        ("depot", DEPOTS[0], DEPOTS[1], 1.1, 0.9, None),
        ("axle_type", "steer", "drive", 0.8, 0.4, None),
        ("greasing_overdue", None, None, 1.9, 0.01, None),
        ("cap_open", None, None, 2.3, 0.07, "stuck"),
    )
    rows = [
        {
            "clock": "km",
            "fleets_clock": True,
            "cause": cause,
            "measure": "hazard_ratio",
            "term": term,
            "level": level,
            "reference": reference,
            "ratio": ratio,
            "ci_low": ratio / 1.5,
            "ci_high": ratio * 1.5,
            "p_adjusted": p,
            "adjusters": 900,
            "failures": 210,
            "note": None,
        }
        for term, level, reference, ratio, p, cause in terms
    ]
    return pl.DataFrame(rows, infer_schema_length=None, schema_overrides={"note": pl.String})


def adjuster_causes() -> pl.DataFrame:
    """Shares ended by cause and age, of the whole fleet."""
    ends = {"stuck": 0.4, "failed": 0.25, "planned": 0.1, "over_adjusting": 0.03}
    rows = [
        {
            "axle_type": None,
            "duty": None,
            "cause": cause,
            "km": km,
            "from_km": 0.0,
            "incidence": most * km / 6e5,
            "ci_low": 0.8 * most * km / 6e5,
            "ci_high": 1.2 * most * km / 6e5,
            "ended": int(300 * most),
            "adjusters": 900,
        }
        for cause, most in ends.items()
        for km in (2e5, 4e5, 6e5)
    ]
    strings = {"axle_type": pl.String, "duty": pl.String}
    return pl.DataFrame(rows, infer_schema_length=None, schema_overrides=strings)


def adjuster_scales() -> pl.DataFrame:
    """The whole fleet on each form's scale: only the Weibull's line stays within the band."""
    strings = {"axle_type": pl.String, "duty": pl.String}
    km = np.linspace(5e4, 6e5, 12)
    parts = [
        pl.DataFrame(
            {
                "distribution": form,
                "km": km,
                "failed": np.linspace(0.02, 0.6, 12),
                "z": 2 * np.log(km / 5e5),
                "z_low": 2 * np.log(km / 5e5) - 0.3,
                "z_high": 2 * np.log(km / 5e5) + 0.3,
                "z_fit": 2 * np.log(km / 5e5) * bend,
            }
        )
        for form, bend in (("weibull", 1.0), ("lognormal", 0.9), ("loglogistic", 1.2))
    ]
    whole = (pl.lit(None, dtype=dtype).alias(name) for name, dtype in strings.items())
    return pl.concat(parts).with_columns(*whole)


_PER_MILLION_KM = {"quarry": 2.4, "town": 1.8, "regional": 1.1, "motorway": 0.5}


def replacement_counts() -> pl.DataFrame:
    """Mean numbers of adjusters replaced by age; quarry units are watched to a lesser age."""
    rows = [
        {
            "duty": duty,
            "km": km,
            "from_km": 0.0,
            "replacements": pace * km / 1e6,
            "ci_low": 0.7 * pace * km / 1e6,
            "ci_high": 1.3 * pace * km / 1e6,
            "watched": 60,
            "wheel_ends": 180,
            "events": 70,
            "pace": "replacements come faster as the wheel end ages",
        }
        for duty, pace in _PER_MILLION_KM.items()
        for km in np.linspace(1e5, 5e5 if duty == "quarry" else 1e6, 10)
    ]
    return pl.DataFrame(rows)


def replacement_differences() -> pl.DataFrame:
    rows = [
        {
            "duty_a": a,
            "duty_b": b,
            "km": 5e5,
            "difference": (_PER_MILLION_KM[a] - _PER_MILLION_KM[b]) / 2,
            "ci_low": (_PER_MILLION_KM[a] - _PER_MILLION_KM[b]) / 2 - 0.2,
            "ci_high": (_PER_MILLION_KM[a] - _PER_MILLION_KM[b]) / 2 + 0.2,
            "p_adjusted": 0.001,
        }
        for a, b in (("motorway", "quarry"), ("town", "regional"))
    ]
    return pl.DataFrame(rows)


def changes_of(flagged: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    newly = rng.random(flagged.height) < 0.2
    now = flagged.select("wheel_end_id", pl.col("state").cast(pl.String)).with_columns(
        pl.Series("change", np.where(newly, "newly", "still")),
        pl.Series("weeks_flagged", np.where(newly, 0, rng.integers(4, 40, flagged.height))),
        pl.lit(None, dtype=pl.String).alias("job"),
    )
    jobs = ["adjuster_replaced", "adjuster_set", "adjuster_set", "reline", None]
    cleared = pl.DataFrame(
        {
            "wheel_end_id": [f"K9{i:04d}/1L" for i in range(9)],
            "state": "slackening",
            "change": "cleared",
            "weeks_flagged": 9,
            "job": [jobs[i % 5] for i in range(9)],
        }
    )
    return pl.concat([now, cleared], how="vertical_relaxed")


def flag_precision() -> pl.DataFrame:
    rows = []
    for i, month_ in enumerate(_months(8)):
        confirmed, wrong = 20 + i, 4
        part = confirmed / (confirmed + wrong)
        rows.append(
            {
                "month": month_.replace(year=month_.year - 1),
                "flags": confirmed + wrong + 3,
                "confirmed": confirmed,
                "false_alarms": wrong,
                "open": 3,
                "precision": part,
                "ci_low": part - 0.14,
                "ci_high": min(1.0, part + 0.1),
            }
        )
    return pl.DataFrame(rows)


def outlook_by_depot(wheel_ends: int) -> pl.DataFrame:
    rows = []
    for depot, part in zip(DEPOTS, (0.45, 0.33, 0.22), strict=True):
        mean = wheel_ends / 32 * 12 * part
        row: dict[str, object] = {"depot": depot, "months": 12}
        row["until_on"] = months_after(AS_OF, 12)
        for what, price in (("relines", 1.0), ("cost", 312.0)):
            row |= {f"{what}_p10": mean * 0.86 * price, f"{what}_p50": mean * price}
            row |= {f"{what}_p90": mean * 1.15 * price}
        rows.append(row)
    return pl.DataFrame(rows)


def months(status: pl.DataFrame) -> pl.DataFrame:
    flagged, n = status.filter("flagged").height, status.height
    rows = []
    for i, key in enumerate(("2030-12", "2031-01", "2031-02", "2031-03")):
        mean = n / 32 * 12 * (0.94 + 0.02 * i)
        row: dict[str, object] = {"month": key, "wheel_ends": n, "flagged": flagged + 6 - 2 * i}
        for what, price in (("relines", 1.0), ("cost", 312.0)):
            row |= {f"{what}_p10": mean * 0.9 * price, f"{what}_p50": mean * price}
            row |= {f"{what}_p90": mean * 1.12 * price}
        rows.append(row)
    return pl.DataFrame(rows)
