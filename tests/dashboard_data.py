"""Made-up months for the page: plausible, seeded, and as awkward as a fleet's records can be.

The numbers are drawn, not estimated: they test the drawing and never a model.
"""

import datetime as dt
from dataclasses import replace

import numpy as np
import polars as pl

from dashboards.page_data import Fleet, PageData

AS_OF = dt.date(2031, 3, 14)
AXLE_TYPES = ("drive", "steer", "trailer")
DUTIES = ("quarry", "town", "regional", "motorway")
DEPOTS = ("Aldermoor", "Brixholt", "Cleyford")
HOSTILE = ("<script>alert(1)</script>", '"; drop table mart.loads; --', "=cmd|' /C calc'!A1")
LONG = "A depot whose name goes on, and on, beyond all reason and the width of any column " * 2

_WEAR = {"quarry": 1.9, "town": 1.35, "regional": 0.8, "motorway": 0.42}
_TYPE = {"drive": 1.0, "steer": 0.75, "trailer": 1.15}
_FLEET = Fleet(name="Saltmarsh Haulage", currency="EUR", duty_order=DUTIES)


def month(wheel_ends: int = 720, seed: int = 7, **changes: object) -> PageData:
    """A month of a fleet of about so many wheel ends."""
    rng = np.random.default_rng(seed)
    status = wheel_end_status(wheel_ends, rng)
    data = PageData(
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
        reline_budget=reline_budget(wheel_ends, rng),
        reline_outlook=reline_outlook(wheel_ends),
        backtest=backtest(rng),
    )
    return replace(data, **changes)  # type: ignore[arg-type]


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
        ["in_band", "set_wrong", "slackening", "stuck", "tightening", "uneven", "not_seen"]
    )
    drawn = states[rng.choice(7, n, p=[0.9, 0.02, 0.035, 0.01, 0.012, 0.008, 0.015])]
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
        )
        .with_columns(
            (pl.col("state") != "in_band").alias("flagged"),
            pl.when(pl.col("state") == "in_band")
            .then(pl.col("p_out_now") / 4)
            .otherwise(pl.min_horizontal(pl.lit(1.0), pl.col("p_out_now") * 4 + 0.3))
            .alias("p_out_next_check"),
            (pl.col("as_of") - pl.duration(days="seen")).alias("last_inspected_on"),
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
        row: dict[str, float] = {"months": months}
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
    for measure, unit in (("reline month", "months"), ("fleet relines per quarter", "relines")):
        for back in (3, 6, 12):
            rows.append(
                {
                    "measure": measure,
                    "origin": AS_OF - dt.timedelta(days=30 * back),
                    "nominal": 0.8,
                    "observed": float(np.clip(rng.normal(0.79, 0.04), 0, 1)),
                    "n": int(rng.integers(40, 300)),
                    "bias": float(rng.normal(0, 0.4)),
                    "unit": unit,
                    "note": None,
                }
            )
    return pl.DataFrame(rows, schema_overrides={"note": pl.String})


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
