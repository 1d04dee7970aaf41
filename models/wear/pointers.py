r"""The camshaft's wear pointer as a second, noisier measurement of the lining.

Pointer minus gauge at one inspection of life i on axle type a is

.. math:: \text{gap} = \text{bias}_a + \delta_i + \lambda_a(\text{lining} - \cdot) + e,\qquad
          \delta\sim N(0, \omega^2),\; e\sim N(0, \sigma_p^2 + \sigma_g^2)

:math:`\delta` is how exactly the pointer was set at that reline, :math:`\lambda` a scale error
(drum wear turns the pointer too). The regression of gap on the gauge's thickness is corrected for
the gauge's own error, which appears in both with opposite signs. The joint fit takes the bias as a
fixed effect, and both variances as they are (``models.wear.blocks``), the pointer's raised until a
reading of the gauge has the error that it has without pointers: where a lining does not wear
straight both stray alike, which their gap cannot show, and every band would be too wide.

A pointer is put upright when the linings are new, so it shows what has worn since and not how thick
they were: the gap then holds the lining's own deviation at its start, minus :math:`b_0`. With
:math:`r` the gauge's mean less its fixed part, :math:`\mathrm{cov}(\text{gap}, r) =
-(1-\alpha)\tau_0^2 - \sigma_g^2/n`, and :math:`\alpha` is 0 for such pointers, 1 for those that
show the thickness. They are taken for the former unless the readings say otherwise.

A pointer that nobody reset at a reline goes on from where the old lining left it: its gap is
negative by the thickness renewed. Lives are a mixture of both kinds (share fitted by EM; the
forgotten ones' gap uniform down to a whole lining), and each life gets the probability of being
one of them.
"""

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from models.common.arrays import FloatArray, IntArray
from models.common.distributions import MAD_TO_SD, normal_pdf
from models.common.units import KM_PER_UNIT
from models.wear.blocks import PointerWeight
from models.wear.doubtful import PlausibleSums, plausible_sums
from models.wear.fit import Detail, fit_wear
from models.wear.predict import fixed_level, lining_lines, predict_lining
from models.wear.result import WearFit
from models.wear.spread import SpreadLaw, sampled_units
from models.wear.sums import LiningLifeSums, without_pointer

LEAST_PAIRS = 20
"""Fewer inspections with both instruments do not calibrate a pointer."""
FORGOTTEN = 0.5
"""A pointer is left out when it was more probably not reset than reset."""
SCALE_SIGNIFICANCE = 2.58
"""A scale error is corrected when it is this many standard errors from none (1 %)."""
EM_STEPS = 200
SHOWS_THICKNESS = 0.5
"""Pointers show thickness where they follow the linings' own starts by more than this share."""
MOST_RESETTLED = 4.0
"""Times by which the variance of a pointer reading may be off when calibrated by the gap."""
SURELY = 2.0
"""Standard errors by which they must."""


@dataclass(frozen=True, slots=True)
class PointerBias:
    """Pointer minus lining on one axle type: mean [mm] and its change per mm of lining."""

    axle_type: str
    lives: int
    pairs: int
    bias_mm: float
    bias_se: float
    scale: float
    scale_se: float


@dataclass(frozen=True, slots=True)
class PointerCalibration:
    """What the pointers are worth beside the gauge.

    ``reading_sd_mm`` of one pointer reading, ``setting_sd_mm`` between relines, the ``weight``
    these give them beside a gauge's (None: pointers are left out). ``not_reset`` has one row per
    life whose pointer was more probably not reset: ``life_id``, ``wheel_end_id``, ``gap_mm``,
    ``probability``.
    """

    biases: tuple[PointerBias, ...]
    reading_sd_mm: float | None
    setting_sd_mm: float | None
    weight: PointerWeight | None
    not_reset: pl.DataFrame
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class WearFitWithPointers:
    """The joint fit, the calibration behind it, and the sums as they entered it."""

    fit: WearFit
    calibration: PointerCalibration
    sums: LiningLifeSums


@dataclass(frozen=True, slots=True)
class _Pairs:
    """Gaps per life with both instruments, arrays (L,)."""

    axle: IntArray
    n: FloatArray
    gap: FloatArray
    s_gap_gap: FloatArray
    s_gap_gauge: FloatArray
    s_gauge_gauge: FloatArray


@dataclass(frozen=True, slots=True)
class _Mixture:
    """Bias per axle type and its variance, setting variance, and the share not reset."""

    bias: FloatArray
    bias_variance: FloatArray
    setting: float
    share: float


NOT_RESET_SCHEMA = {
    "life_id": pl.String,
    "wheel_end_id": pl.String,
    "gap_mm": pl.Float64,
    "probability": pl.Float64,
}


def _gaps(sums: LiningLifeSums, pairs: pl.DataFrame) -> _Pairs:
    lives = pl.DataFrame({"life_id": sums.life_id, "axle": sums.axle})
    frame = pairs.join(lives, on="life_id")
    names = ("pairs", "mean_gap_mm", "s_gap_gap", "s_gap_gauge", "s_gauge_gauge")
    columns = [frame[name].cast(pl.Float64).to_numpy() for name in names]
    return _Pairs(frame["axle"].to_numpy(), *columns)


def _within_variance(gaps: _Pairs) -> float | None:
    """Variance of gaps within lives; None where no life has two pairs."""
    df = float((gaps.n - 1).sum())
    return float(gaps.s_gap_gap.sum()) / df if df >= 1 else None


def not_reset_probability(
    gap: FloatArray, variance: FloatArray, share: float, whole_mm: FloatArray
) -> FloatArray:
    """Probability that a gap (bias taken off) comes from a pointer nobody reset."""
    reset = (1.0 - share) * normal_pdf(gap, np.sqrt(variance))
    forgotten = share / whole_mm * ((gap < 0.0) & (gap > -whole_mm))
    total = reset + forgotten
    sure = (gap < 0.0).astype(np.float64)
    np.divide(forgotten, total, out=sure, where=total > 0.0)
    return sure


def _bias_step(
    gaps: _Pairs, noise: FloatArray, good: FloatArray, setting: float, n_axles: int
) -> tuple[FloatArray, FloatArray]:
    """Weighted mean gap per axle type and its variance (0 and infinite where there is none)."""
    weight = good / (setting + noise)
    total = np.bincount(gaps.axle, weight, n_axles)
    mean, variance = np.zeros(n_axles), np.full(n_axles, np.inf)
    np.divide(np.bincount(gaps.axle, weight * gaps.gap, n_axles), total, out=mean, where=total > 0)
    np.divide(1.0, total, out=variance, where=total > 0)
    return mean, variance


def _setting_step(gap: FloatArray, noise: FloatArray, good: FloatArray, n_axles: int) -> float:
    """Variance between lives beyond the noise of their mean gaps (DerSimonian and Laird 1986)."""
    weight = good / noise
    excess = float(weight @ gap**2) - max(float(good.sum()) - n_axles, 1.0)
    scale = float(weight.sum()) - float((weight**2).sum()) / float(weight.sum())
    return max(excess / scale, 0.0) if scale > 0.0 else 0.0


def _medians(gaps: _Pairs, n_axles: int) -> FloatArray:
    overall = float(np.median(gaps.gap))
    medians = [
        np.median(gaps.gap[gaps.axle == a]) if (gaps.axle == a).any() else overall
        for a in range(n_axles)
    ]
    return np.array(medians, np.float64)


def _fit_mixture(gaps: _Pairs, noise: FloatArray, whole_mm: FloatArray, split: bool) -> _Mixture:
    """EM over lives reset and not reset; ``split`` says whether setting and reading separate."""
    n_axles = len(whole_mm)
    bias = _medians(gaps, n_axles)
    spread = float(np.median(np.abs(gaps.gap - bias[gaps.axle]))) * MAD_TO_SD
    setting = max(spread**2 - float(np.median(noise)), 0.0) if split else 0.0
    share, variance = 0.05, np.full(n_axles, np.inf)
    for _ in range(EM_STEPS):
        centred = gaps.gap - bias[gaps.axle]
        lost = not_reset_probability(centred, setting + noise, share, whole_mm[gaps.axle])
        good = np.maximum(1.0 - lost, 1e-12)
        new, variance = _bias_step(gaps, noise, good, setting, n_axles)
        if split:
            setting = _setting_step(gaps.gap - new[gaps.axle], noise, good, n_axles)
        moved = abs(new - bias).max() + abs(float(lost.mean()) - share)
        bias, share = new, float(np.clip(lost.mean(), 1e-4, 0.5))
        if moved < 1e-10:
            break
    return _Mixture(bias, variance, setting, share)


def _scale(gaps: _Pairs, axle: int, good: FloatArray, gauge_variance: float) -> tuple[float, float]:
    """Change of the gap per mm of lining and its standard error, the gauge's error allowed for."""
    chosen = (gaps.axle == axle) & (good > FORGOTTEN)
    df = float((gaps.n[chosen] - 1).sum())
    spread = float(gaps.s_gauge_gauge[chosen].sum()) - gauge_variance * df
    if df < LEAST_PAIRS or spread <= gauge_variance * df:
        return 0.0, float("inf")
    scale = (float(gaps.s_gap_gauge[chosen].sum()) + gauge_variance * df) / spread
    left = float(gaps.s_gap_gap[chosen].sum()) / df
    noise = left * (spread + gauge_variance * df) + df * gauge_variance**2
    return scale, float(np.sqrt(noise)) / spread


def _whole_linings(sums: LiningLifeSums, fit: WearFit) -> FloatArray:
    """Thickness of a whole lining per axle type: its start, or the thickest mean reading."""
    thickest = max(float(sums.gauge.mean_mm.max(initial=1.0)), 1.0)
    starts = fit.columns.where("start")
    whole = np.full(len(sums.axle_types), thickest)
    whole[fit.columns.axle[starts]] = fit.beta[starts]
    return np.asarray(np.maximum(whole, 1.0))


def _biases(
    sums: LiningLifeSums, gaps: _Pairs, mixture: _Mixture, good: FloatArray, gauge_variance: float
) -> tuple[PointerBias, ...]:
    found = []
    for axle, name in enumerate(sums.axle_types):
        mine = gaps.axle == axle
        if not mine.any():
            continue
        scale, scale_se = _scale(gaps, axle, good, gauge_variance)
        found.append(
            PointerBias(
                axle_type=name,
                lives=int(mine.sum()),
                pairs=int(gaps.n[mine].sum()),
                bias_mm=float(mixture.bias[axle]),
                bias_se=float(np.sqrt(mixture.bias_variance[axle])),
                scale=scale,
                scale_se=scale_se,
            )
        )
    return tuple(found)


def scale_corrections(sums: LiningLifeSums, biases: tuple[PointerBias, ...]) -> FloatArray:
    """Factor per axle type that brings the pointer's mm to the gauge's (1 where it may be 1)."""
    wrong = {b.axle_type: b.scale for b in biases if abs(b.scale) > SCALE_SIGNIFICANCE * b.scale_se}
    return np.array([1.0 / (1.0 + wrong.get(a, 0.0)) for a in sums.axle_types])


def rescaled_pointer(sums: LiningLifeSums, factor: FloatArray) -> LiningLifeSums:
    """The sums with the pointer's thickness multiplied by ``factor`` (axle types,)."""
    f, p = factor[sums.axle], sums.pointer
    return replace(
        sums,
        pointer=replace(
            p,
            mean_mm=p.mean_mm * f,
            s_km_mm=p.s_km_mm * f,
            s_mm_mm=p.s_mm_mm * f**2,
            s_duty_mm=p.s_duty_mm * f,
        ),
    )


def _judged(
    sums: LiningLifeSums, fit: WearFit, mixture: _Mixture, reading_variance: float
) -> tuple[FloatArray, FloatArray]:
    """Gap of every life's pointer from its gauge's line, and the probability of no reset (N,)."""
    lines = lining_lines(fit, sums)
    place = (
        pl.DataFrame({"life_id": lines.life_id})
        .join(
            pl.DataFrame({"life_id": sums.life_id, "at": np.arange(sums.n_lives)}),
            on="life_id",
            how="left",
            maintain_order="left",
        )["at"]
        .to_numpy()
    )
    ahead = sums.pointer.duty_mean_km[:, place] - sums.last_km[:, place]
    line = predict_lining(lines, ahead)
    readings, axle = sums.pointer.readings[place], sums.axle[place]
    gap = sums.pointer.mean_mm[place] - line.mean_mm - mixture.bias[axle]
    variance = line.sd_mm**2 + mixture.setting + reading_variance / np.maximum(readings, 1)
    whole = _whole_linings(sums, fit)[axle]
    probability = not_reset_probability(gap, variance, mixture.share, whole) * (readings > 0)
    out = np.zeros((2, sums.n_lives))
    out[0, place], out[1, place] = gap, probability
    return out[0], out[1]


def start_share(
    sums: LiningLifeSums,
    pairs: pl.DataFrame,
    gauge_fit: WearFit,
    gap: FloatArray,
    good: FloatArray,
) -> tuple[float, float]:
    """How far pointers follow the linings' own deviations at the start, and its standard error.

    ``gap`` (bias taken off) and ``good``, the probability that it was reset, are (L,): those of the
    lives in ``pairs``. By lives whose reline is on record; without any, nothing is known.
    """
    assert gauge_fit.mixed is not None
    v, sigma2 = gauge_fit.mixed.point.variances, gauge_fit.mixed.sigma2
    lives = pl.DataFrame({"life_id": sums.life_id, "at": np.arange(sums.n_lives)})
    frame = pairs.join(lives, on="life_id")
    at = frame["at"].to_numpy()
    known, error = sums.start_known[at], sigma2 / frame["pairs"].to_numpy()
    if v.g00 <= 0.0 or not (good * known).any():
        return 0.0, np.inf
    km = sums.pointer.duty_mean_km[:, at] / KM_PER_UNIT
    off = frame["mean_gauge_mm"].to_numpy() - fixed_level(gauge_fit, sums.axle[at], km)
    spread = sigma2 * (v.g00 + km.sum(axis=0) ** 2 * (v.g11 + v.tau)) + error
    weight = good * known / (spread * (np.median(gap**2) + error))
    each = (gap * off + error) / (sigma2 * v.g00)
    mean = float(weight @ each) / float(weight.sum())
    return 1.0 + mean, float(np.sqrt(weight**2 @ (each - mean) ** 2) / weight.sum())


def _not_reset_frame(
    sums: LiningLifeSums, gap: FloatArray, probability: FloatArray
) -> pl.DataFrame:
    return (
        pl.DataFrame(
            {
                "life_id": sums.life_id,
                "wheel_end_id": sums.wheel_end_id,
                "gap_mm": gap,
                "probability": probability,
            },
            schema=NOT_RESET_SCHEMA,
        )
        .filter(pl.col("probability") > FORGOTTEN)
        .sort("probability", "life_id", descending=[True, False])
    )


def left_out(reason: str) -> PointerCalibration:
    """No calibration, and why."""
    return PointerCalibration(
        (), None, None, None, pl.DataFrame(schema=NOT_RESET_SCHEMA), (reason,)
    )


def settled_weight(
    weight: PointerWeight, sums: LiningLifeSums, gauge_fit: WearFit
) -> tuple[PointerWeight, WearFit]:
    """The weight at which a joint fit leaves the gauge the error that it has by itself, and the
    joint fit that tells it.

    Of a sample of units. ``sums``: as they enter the joint fit, pointers rescaled and those nobody
    reset left out.
    """
    some = sampled_units(sums)
    joint = fit_wear(
        some,
        pointer_weight=weight,
        shrink=False,
        laws=gauge_fit.laws or None,
        start=gauge_fit,
        detail=Detail.VARIANCES,
    )
    gauge, pointer = int(some.gauge.readings.sum()), int(some.pointer.readings.sum())
    if joint.mixed is None or gauge_fit.mixed is None or not pointer:
        return weight, joint
    alone, both = gauge_fit.mixed.sigma2, joint.mixed.sigma2
    wider = (both * (gauge + pointer) - alone * gauge) / (alone * pointer)
    wider = float(np.clip(wider, 1.0 / MOST_RESETTLED, MOST_RESETTLED))
    zeroed = None if weight.zeroed is None else weight.zeroed / wider
    return PointerWeight(weight.reading / wider, weight.setting / wider, zeroed), joint


def _notes(
    biases: tuple[PointerBias, ...], reading_sd: float, not_reset: pl.DataFrame
) -> tuple[str, ...]:
    notes = [
        f"Wear pointers read {b.bias_mm:+.2f} mm (standard error {b.bias_se:.2f}) from the gauge "
        f"on {b.axle_type}, from {b.pairs} inspections with both."
        for b in biases
    ]
    notes.append(f"One pointer reading is uncertain by {reading_sd:.2f} mm (standard deviation).")
    notes += [
        f"On {b.axle_type} the pointer moves {1 + b.scale:.2f} mm per mm of lining (standard error "
        f"{b.scale_se:.2f}); its readings are corrected for that."
        for b in biases
        if abs(b.scale) > SCALE_SIGNIFICANCE * b.scale_se
    ]
    if not_reset.height:
        named = ", ".join(
            f"{row['wheel_end_id']} ({row['probability']:.0%})"
            for row in not_reset.head(10).iter_rows(named=True)
        )
        more = f" and {not_reset.height - 10} more" if not_reset.height > 10 else ""
        notes.append(
            f"Wear pointer probably not reset at the last reline on {named}{more}: "
            "its readings are left out there."
        )
    return tuple(notes)


def _calibrate(sums: LiningLifeSums, pairs: pl.DataFrame) -> bool:
    """Whether pointers were read, with a gauge's reading beside them often enough."""
    both = pairs.filter(pl.col("life_id").is_in(sums.life_id.implode()))["pairs"].sum()
    return bool(sums.pointer.readings.any() and both >= LEAST_PAIRS)


def calibrate_pointers(
    sums: LiningLifeSums, pairs: pl.DataFrame, gauge_fit: WearFit
) -> PointerCalibration:
    """Bias, scale and precision of the pointers, and lives whose pointer nobody reset.

    Parameters
    ----------
    sums : per-life sums with both instruments.
    pairs : ``reduce.lining_pointer_pairs``.
    gauge_fit : wear fit of the gauge's readings alone.
    """
    if not sums.pointer.readings.any():
        return left_out("No wear pointer readings.")
    gaps = _gaps(sums, pairs)
    if gauge_fit.mixed is None or not _calibrate(sums, pairs):
        return left_out(
            f"Wear pointers are left out: fewer than {LEAST_PAIRS} inspections have both a gauge "
            "and a pointer reading to compare."
        )
    gauge_variance, within = gauge_fit.mixed.sigma2, _within_variance(gaps)
    one = within if within is not None else float(np.median(gaps.gap**2)) / 0.4549
    noise = one / gaps.n
    whole = _whole_linings(sums, gauge_fit)
    mixture = _fit_mixture(gaps, noise, whole, within is not None)
    centred = gaps.gap - mixture.bias[gaps.axle]
    good = 1.0 - not_reset_probability(
        centred, mixture.setting + noise, mixture.share, whole[gaps.axle]
    )
    biases = _biases(sums, gaps, mixture, good, gauge_variance)
    reading = max(one - gauge_variance, 0.25 * one)
    setting, zeroed = mixture.setting, None
    share, share_se = start_share(sums, pairs, gauge_fit, gaps.gap - mixture.bias[gaps.axle], good)
    if share - SURELY * share_se < SHOWS_THICKNESS:
        start = gauge_fit.mixed.point.variances.g00 * gauge_variance
        setting = max(setting - start, 0.0)
        zeroed = setting / reading
    gap, probability = _judged(sums, gauge_fit, mixture, reading)
    not_reset = _not_reset_frame(sums, gap, probability)
    return PointerCalibration(
        biases=biases,
        reading_sd_mm=float(np.sqrt(reading)),
        setting_sd_mm=float(np.sqrt(setting)),
        weight=PointerWeight(gauge_variance / reading, mixture.setting / reading, zeroed),
        not_reset=not_reset,
        notes=_notes(biases, float(np.sqrt(reading)), not_reset),
    )


def fit_wear_with_pointers(
    sums: LiningLifeSums,
    pairs: pl.DataFrame,
    *,
    shrink: bool = True,
    level: float = 0.95,
    laws: tuple[SpreadLaw, ...] | None = None,
    start: WearFit | None = None,
) -> WearFitWithPointers:
    """Wear from both instruments: gauge first, pointers calibrated on it, then jointly.

    Use the returned ``sums`` for predictions: linings that contradict their records
    (``models.wear.doubtful``) and pointers nobody reset are out of them, scale errors corrected.
    ``laws``: how spread may grow with the rate, the best first; None lets the gauge's readings
    choose, once for both fits: pointers repeat what it says with more error. ``start``: as
    :func:`models.wear.fit.fit_wear` has it.
    """
    plausible = plausible_sums(sums, start)
    sums = plausible.sums
    pairs = pairs.filter(pl.col("life_id").is_in(sums.life_id.implode()))
    gauge_fit = fit_wear(
        sums,
        shrink=shrink,
        level=level,
        laws=laws,
        start=start or plausible.usual,
        detail=Detail.LINES if _calibrate(sums, pairs) else Detail.TOLD,
    )
    calibration = calibrate_pointers(sums, pairs, gauge_fit)
    if calibration.weight is None:
        return WearFitWithPointers(_noted(gauge_fit, plausible), calibration, sums)
    lost = sums.life_id.is_in(calibration.not_reset["life_id"].implode()).to_numpy()
    used = rescaled_pointer(
        without_pointer(sums, np.asarray(lost, bool)), scale_corrections(sums, calibration.biases)
    )
    weight, some = settled_weight(calibration.weight, used, gauge_fit)
    fit = fit_wear(
        used,
        pointer_weight=weight,
        shrink=shrink,
        level=level,
        laws=gauge_fit.laws or None,
        start=some,
    )
    return WearFitWithPointers(_noted(fit, plausible), calibration, used)


def _noted(fit: WearFit, plausible: PlausibleSums) -> WearFit:
    return replace(fit, notes=(*plausible.notes, *fit.notes))
