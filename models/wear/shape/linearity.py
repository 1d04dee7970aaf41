r"""Departures from a straight line: bedding-in, curvature and season, tested and put in words.

Extra columns beside those of ``models.wear.fit``, fitted together by the same REML, so that one
departure does not pass for another:

- bedding-in, on lives whose reline is on record: :math:`-(1 - e^{-t/\kappa})`, so its coefficient
  is the thickness lost early beyond what the later rate says [mm]. :math:`\kappa` is taken from a
  short list (largest t of bedding-in alone), and p is multiplied by the length of the list;
- curvature: :math:`-t^2` on lives of known start, :math:`-(t-\bar t)^2` on the others, so twice its
  coefficient is the change of the rate per 10,000 km run;
- season: cosine and sine of the day of the year, an F test of both; the effect is the amplitude,
  its limits the least and largest amplitude in the F region of the two.

Tests are Wald's with Satterthwaite's degrees of freedom, Holm-adjusted over what could be tested.
A departure that is not seen is not thereby absent: wear is called steady only where the 90 %
interval of its bend lies within a stated margin (two one-sided tests at 5 %: Schuirmann 1987,
J. Pharmacokinet. Biopharm. 15:657).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.distributions import f_quantile, t_quantile
from models.common.multiple_tests import holm
from models.common.units import KM_PER_UNIT
from models.mixed.blocks import blocks_from_rows
from models.mixed.estimable import estimable_columns
from models.mixed.fit import MixedFit, TooFewRowsError, fit_mixed
from models.mixed.satterthwaite import MOST_DF, WaldTest, wald_test
from models.wear.fit import LEAST_READING_SD_MM

MOST_LIVES = 20_000
"""Departures are tested on about this many lives: more would only sharpen a clear answer."""
BEDDING_KM = (3_000.0, 10_000.0, 30_000.0)
LEAST_LIVES = 20
"""Fewer lives with three readings or more do not show a bend."""
LEAST_SEASON_DAYS = 540
SEASON_QUARTERS = 4
ELLIPSE_POINTS = 721
STEADY_SHARE = 0.1
"""Wear is steady where its rate changes by less than this share over 100,000 km."""
SEEN = 0.05
"""Adjusted p below which a departure is stated as seen."""


@dataclass(frozen=True, slots=True)
class Departure:
    """One departure from a straight line, with its size, interval, test and sentence.

    ``estimate`` is in mm (bedding-in: extra early loss; season: amplitude) or mm per (10,000 km)²
    (curvature: change of the rate per 10,000 km). None where it could not be tested. ``steady``: of
    curvature, whether the rate was shown to change by less than ``STEADY_SHARE``.
    """

    kind: str
    estimate: float | None
    se: float | None
    ci_low: float | None
    ci_high: float | None
    df: float | None
    p: float | None
    p_adjusted: float | None
    sentence: str
    steady: bool | None = None


@dataclass(frozen=True, slots=True)
class Rows:
    """Single readings with the straight line's columns."""

    y: FloatArray
    x: FloatArray
    t: FloatArray
    life: IntArray
    unit: IntArray
    known: FloatArray
    day: FloatArray
    line_names: tuple[str, ...]

    @property
    def early(self) -> BoolArray:
        """Readings soon after a reline on record."""
        return (self.known > 0) & (self.t * KM_PER_UNIT < max(BEDDING_KM))


@dataclass(frozen=True, slots=True)
class Trial:
    """A fit with extra columns; ``names`` are those that the data can tell apart,
    ``line_names`` the straight line's."""

    fit: MixedFit
    names: tuple[str, ...]
    line_names: tuple[str, ...]
    line_kept: BoolArray
    most_df: float

    def contrasts(self, kind: str) -> FloatArray:
        """Rows that pick the columns of one departure."""
        offset = len(self.fit.beta) - len(self.names)
        chosen = [offset + i for i, name in enumerate(self.names) if name.startswith(kind)]
        return np.eye(len(self.fit.beta))[chosen]

    def test(self, kind: str) -> WaldTest:
        return wald_test(self.fit, self.contrasts(kind), self.most_df)

    def estimate(self, kind: str) -> tuple[FloatArray, FloatArray]:
        """Coefficients of one departure and their covariance."""
        c = self.contrasts(kind)
        return c @ self.fit.beta, c @ self.fit.covariance @ c.T


def _sampled(readings: pl.DataFrame, most_lives: int) -> pl.DataFrame:
    """Gauge readings of every k-th unit, so that about ``most_lives`` lives remain."""
    gauged = readings.filter(pl.col("lining_mm").is_not_null())
    stride = max(1, -(-gauged["life_id"].n_unique() // most_lives))
    units = gauged.select("unit_id").unique().sort("unit_id").gather_every(stride)
    return gauged.join(units, on="unit_id", how="semi")


def _codes(frame: pl.DataFrame, name: str) -> IntArray:
    return np.asarray(frame[name].rank("dense").to_numpy(), np.int64) - 1


def _line_columns(frame: pl.DataFrame, duties: Sequence[str]) -> FloatArray:
    """Start and rates per axle type, as the wear fit has them."""
    km = frame.select(duties).to_numpy() / KM_PER_UNIT
    known, columns = frame["start_known"].to_numpy().astype(float), []
    for axle in frame["axle_type"].unique().sort():
        mine = (frame["axle_type"] == axle).to_numpy()
        columns += [known * mine, *(-(km * mine[:, None])).T]
    return np.column_stack(columns)


def readings_rows(
    readings: pl.DataFrame, reading_km: pl.DataFrame, most_lives: int
) -> tuple[Rows, pl.DataFrame]:
    """Single readings of about ``most_lives`` linings with the straight line's columns, and their
    rows of ``readings``."""
    chosen = _sampled(readings, most_lives)
    key = ["life_id", "inspected_on", "as_left"]
    wide = reading_km.pivot(on="duty", index=key, values="km", aggregate_function="sum")
    duties = [c for c in wide.columns if c not in key]
    frame = chosen.join(wide, on=key, how="left", maintain_order="left").with_columns(
        pl.col(duties).fill_null(0.0)
    )
    rows = Rows(
        y=frame["lining_mm"].to_numpy(),
        x=_line_columns(frame, duties),
        t=frame["km_since_reline"].to_numpy() / KM_PER_UNIT,
        life=_codes(frame, "life_id"),
        unit=_codes(frame, "unit_id"),
        known=frame["start_known"].to_numpy().astype(float),
        day=frame["inspected_on"].dt.epoch("d").to_numpy().astype(float),
        line_names=("start", *("rate" for _ in duties)) * frame["axle_type"].n_unique(),
    )
    return rows, frame


def tried(rows: Rows, extra: dict[str, FloatArray]) -> Trial:
    """The straight line with those extra columns that add something of their own."""
    x = np.column_stack([rows.x, *extra.values()])
    n_line, names = rows.x.shape[1], np.array(list(extra))
    free = rows.known == 0.0
    blocks = blocks_from_rows(rows.y, x, rows.t, rows.life, unit=rows.unit, unknown_intercept=free)
    priority = np.append(np.ones(n_line), np.zeros(len(names)))
    kept = estimable_columns(blocks, priority).kept
    if not kept.all():
        blocks = blocks_from_rows(
            rows.y, x[:, kept], rows.t, rows.life, unit=rows.unit, unknown_intercept=free
        )
    fit = fit_mixed(blocks, min_sd=LEAST_READING_SD_MM)
    most_df = float(max(int(rows.unit.max()), 1)) if fit.free[3] else MOST_DF
    line = tuple(np.array(rows.line_names)[kept[:n_line]])
    return Trial(fit, tuple(names[kept[n_line:]]), line, kept[:n_line], most_df)


def with_three_readings(rows: Rows) -> int:
    return int((np.bincount(rows.life) >= 3).sum())


def life_means(rows: Rows, values: FloatArray) -> FloatArray:
    means = np.bincount(rows.life, values) / np.bincount(rows.life)
    return np.asarray(means[rows.life])


def _p_text(p: float) -> str:
    return "p < 0.001" if p < 0.001 else f"p = {p:.2f}"


def _untested(kind: str, why: str) -> Departure:
    return Departure(
        kind, *(None,) * 7, sentence=f"{kind.capitalize()} could not be tested: {why}."
    )


def _bedding_column(rows: Rows, kappa_km: float) -> FloatArray:
    return np.asarray(rows.known * np.expm1(-rows.t * KM_PER_UNIT / kappa_km))


def _bedding_kappa(rows: Rows) -> tuple[float | None, int]:
    """The kappa [km] that shows bedding-in best, and how many were tried."""
    trials = []
    for kappa in BEDDING_KM if rows.early.any() else ():
        trial = tried(rows, {"bedding-in": _bedding_column(rows, kappa)})
        if trial.names:
            trials.append((trial.test("bedding-in").f, kappa))
    return (max(trials)[1], len(trials)) if trials else (None, 0)


def bedding_columns(rows: Rows) -> tuple[dict[str, FloatArray], float, int]:
    """Bedding-in's column where it could be told, its kappa [km], and how many were tried."""
    kappa, tries = _bedding_kappa(rows)
    columns = {} if kappa is None else {"bedding-in": _bedding_column(rows, kappa)}
    return columns, kappa or 0.0, tries


def _bent(rows: Rows) -> FloatArray:
    about = np.where(rows.known > 0, 0.0, life_means(rows, rows.t))
    return -((rows.t - about) ** 2)


def seasonal(rows: Rows) -> dict[str, FloatArray]:
    """Season's columns, if readings cover the year and a half it takes to tell it from wear."""
    quarters = np.unique((rows.day % 365.25) // 91.3125)
    if np.ptp(rows.day) < LEAST_SEASON_DAYS or len(quarters) < SEASON_QUARTERS:
        return {}
    angle = 2 * np.pi * rows.day / 365.25
    return {"season cosine": np.cos(angle), "season sine": np.sin(angle)}


def _departure(kind: str, trial: Trial, estimate: float, se: float, tries: int = 1) -> Departure:
    test = trial.test(kind)
    half, p = float(t_quantile(0.975, test.df2)) * se, min(1.0, test.p * tries)
    low = estimate - half
    return Departure(kind, estimate, se, low, estimate + half, test.df2, p, p, sentence="")


def _single(kind: str, trial: Trial, scale: float, tries: int = 1) -> Departure:
    (estimate,), ((variance,),) = trial.estimate(kind)
    return _departure(kind, trial, scale * float(estimate), scale * float(np.sqrt(variance)), tries)


def _amplitude(trial: Trial) -> Departure:
    (cosine, sine), covariance = trial.estimate("season")
    amplitude = float(np.hypot(cosine, sine))
    direction = np.array([cosine, sine]) / max(amplitude, 1e-300)
    found = _departure(
        "season", trial, amplitude, float(np.sqrt(direction @ covariance @ direction))
    )
    size = 2.0 * float(f_quantile(0.95, 2.0, found.df or 1.0))
    low, high = _amplitude_limits(np.array([cosine, sine]), covariance, size)
    return replace(found, ci_low=low, ci_high=high)


def _amplitude_limits(
    centre: FloatArray, covariance: FloatArray, size: float
) -> tuple[float, float]:
    """Least and largest distance from the origin of an ellipse of squared radius ``size``."""
    angle = np.linspace(0.0, 2.0 * np.pi, ELLIPSE_POINTS)
    circle = np.sqrt(size) * np.stack([np.cos(angle), np.sin(angle)])
    edge = np.hypot(*(centre[:, None] + np.linalg.cholesky(covariance) @ circle))
    inside = float(centre @ np.linalg.solve(covariance, centre)) <= size
    return 0.0 if inside else float(edge.min()), float(edge.max())


def _steadiness(trial: Trial, bend: Departure) -> Departure:
    """The bend with whether it was shown to be small beside the typical rate."""
    n_line = len(trial.fit.beta) - len(trial.names)
    rates = trial.fit.beta[:n_line][[name.startswith("rate") for name in trial.line_names]]
    half = float(t_quantile(0.95, bend.df or 1.0)) * (bend.se or 0.0)
    most = abs(bend.estimate or 0.0) + half
    margin = STEADY_SHARE * float(np.median(np.abs(rates))) / 10.0
    return replace(bend, steady=bool(most < margin))


WHY_UNTESTED = {
    "bedding-in": "it takes readings soon after relines on record and later ones",
    "curvature": "each lining was read at too few places",
    "season": "it takes readings in all quarters over a year and a half",
}


def _all_departures(rows: Rows, first_mm: float) -> tuple[list[Departure], float]:
    """Every departure in one fit, and the kappa of bedding-in [km]."""
    bedding, kappa, tries = bedding_columns(rows)
    trial = tried(rows, {**bedding, "curvature": _bent(rows), **seasonal(rows)})
    found = [_untested(kind, why) for kind, why in WHY_UNTESTED.items()]
    if "bedding-in" in trial.names:
        found[0] = _single("bedding-in", trial, first_mm, tries)
    if "curvature" in trial.names:
        found[1] = _steadiness(trial, _single("curvature", trial, 2.0))
    if {"season cosine", "season sine"} <= set(trial.names):
        found[2] = _amplitude(trial)
    return found, kappa


def _size_text(d: Departure, unit: str, scale: float = 1.0) -> str:
    size, low, high = (scale * (x or 0.0) for x in (d.estimate, d.ci_low, d.ci_high))
    return f"{size:.3f} {unit} (95 % interval {low:.3f} to {high:.3f})"


_STEADY = {
    True: f"Wear is steady to within {STEADY_SHARE:.0%}",
    False: "No bend of wear is seen, nor is it shown to be steady",
}


def _sentence(d: Departure, kappa: float) -> str:
    if d.p_adjusted is None:
        return d.sentence
    p = _p_text(d.p_adjusted)
    seen = d.p_adjusted < SEEN
    bend = _size_text(d, "mm per 10,000 km", 10.0)
    texts = {
        "bedding-in": (
            f"New linings lose {_size_text(d, 'mm')} beyond their later rate in about their first "
            f"{2 * kappa:,.0f} km; {p}. The straight line starts that much below a new lining.",
            f"No bedding-in is seen: {_size_text(d, 'mm')}; {p}.",
        ),
        "curvature": (
            f"Wear is not steady: the rate changes by {bend} with every 100,000 km run; {p}. "
            "A straight line misjudges linings far ahead.",
            f"{_STEADY[bool(d.steady)]}: the rate changes by {bend} with every 100,000 km run; "
            f"{p}.",
        ),
        "season": (
            f"Readings swing with the season by {_size_text(d, 'mm')}; {p}.",
            f"No season is seen in the readings: {_size_text(d, 'mm')}; {p}.",
        ),
    }
    return texts[d.kind][0 if seen else 1]


def _adjusted(found: list[Departure], kappa: float) -> tuple[Departure, ...]:
    tested = [d.p for d in found if d.p is not None]
    adjusted = iter(holm(tested))
    out = [d if d.p is None else replace(d, p_adjusted=float(next(adjusted))) for d in found]
    return tuple(replace(d, sentence=_sentence(d, kappa)) for d in out)


def wear_departures(
    readings: pl.DataFrame,
    reading_km: pl.DataFrame,
    *,
    most_lives: int = MOST_LIVES,
    first_mm: float = 1.0,
) -> tuple[Departure, ...]:
    """Test the straight line against bedding-in, curvature and season.

    Parameters
    ----------
    readings : ``stage.lining_readings``: ``life_id``, ``unit_id``, ``axle_type``, ``inspected_on``,
        ``as_left``, ``km_since_reline``, ``start_known``, ``lining_mm``.
    reading_km : ``stage.lining_reading_km``: ``life_id``, ``inspected_on``, ``as_left``, ``duty``,
        ``km``.
    most_lives : large fleets are tested on every k-th unit.
    first_mm : mm by a gauge of one mm of a new lining, where readings are on a scale of their own.
    """
    kinds = ("bedding-in", "curvature", "season")
    few = f"it takes {LEAST_LIVES} linings with three readings each"
    if readings["lining_mm"].count() == 0 or reading_km.is_empty():
        return tuple(_untested(kind, few) for kind in kinds)
    rows, _ = readings_rows(readings, reading_km, most_lives)
    if with_three_readings(rows) < LEAST_LIVES:
        return tuple(_untested(kind, few) for kind in kinds)
    try:
        return _adjusted(*_all_departures(rows, first_mm))
    except TooFewRowsError as reason:
        return tuple(_untested(kind, str(reason)) for kind in kinds)
