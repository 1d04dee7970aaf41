"""The outcome of a wear fit, as values and as tables."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.distributions import chi2_quantile
from models.mixed.fit import MixedFit
from models.mixed.jackknife import UnitJackknife
from models.wear.blocks import PointerWeight, Spread, WearColumns
from models.wear.spread import SpreadLaw


@dataclass(frozen=True, slots=True)
class Support:
    """Units, lives and readings behind each column, shape (P,)."""

    units: IntArray
    lives: IntArray
    readings: IntArray


@dataclass(frozen=True, slots=True)
class WearRate:
    """Wear rate of one axle type in one duty, mm per 10,000 km (positive: material is lost).

    ``shrunk`` says that the group leans on other duties and axle types by more than a little;
    ``raw_*`` is then what its own readings say (None: nothing). ``lives`` and ``readings`` count
    under every duty a life ran in.
    """

    axle_type: str
    duty: str
    units: int
    lives: int
    readings: int
    mm_per_10000km: float
    se: float
    df: float
    ci_low: float
    ci_high: float
    shrunk: bool
    raw_mm_per_10000km: float | None
    raw_se: float | None


@dataclass(frozen=True, slots=True)
class WearStart:
    """Mean thickness after a reline on record, mm."""

    axle_type: str
    lives: int
    mm: float
    se: float
    ci_low: float
    ci_high: float


@dataclass(frozen=True, slots=True)
class WearComponents:
    """Spread: rates in mm per 10,000 km, start and reading error in mm; each with its error.

    ``start_rate_correlation`` is that of a life's start and its wear rate.
    """

    between_unit_sd: float | None
    between_unit_sd_se: float | None
    between_life_sd: float | None
    between_life_sd_se: float | None
    intercept_sd: float | None
    intercept_sd_se: float | None
    start_rate_correlation: float | None
    residual_sd: float | None
    residual_sd_se: float | None


SPREADS = ("between_unit_sd", "between_life_sd", "intercept_sd", "residual_sd")
NO_COMPONENTS = WearComponents(*(None,) * 9)


@dataclass(frozen=True, slots=True)
class WearFit:
    """Rates, starts and spread of a fleet's lining wear.

    ``beta`` (P,) and ``covariance`` (P, P) are the fixed effects in use (rates leaning on one
    another) in the order of ``columns``; ``mixed`` is the REML fit behind them (None where there
    was none), of the columns ``kept`` (P,), under ``spread``, the first of the ``laws`` compared;
    ``jackknife`` is where its covariance comes from (None: the likelihood). No test has more
    degrees of freedom than ``most_df``.
    """

    rates: tuple[WearRate, ...]
    starts: tuple[WearStart, ...]
    components: WearComponents
    axle_types: tuple[str, ...]
    duties: tuple[str, ...]
    columns: WearColumns
    beta: FloatArray
    covariance: FloatArray
    df: FloatArray
    most_df: float
    kept: BoolArray
    mixed: MixedFit | None
    spread: Spread
    laws: tuple[SpreadLaw, ...]
    jackknife: UnitJackknife | None
    pointer_weight: PointerWeight | None
    reml_loglik: float | None
    converged: bool
    n_units: int
    n_lives: int
    n_readings: int
    notes: tuple[str, ...]

    @property
    def root(self) -> FloatArray | None:
        """Where a search of much the same linings may begin."""
        return None if self.mixed is None else self.mixed.root

    def rate(self, axle_type: str, duty: str) -> WearRate:
        """The rate of one axle type in one duty.

        Raises
        ------
        KeyError
            If the fit has no such rate.
        """
        for rate in self.rates:
            if (rate.axle_type, rate.duty) == (axle_type, duty):
                return rate
        raise KeyError(f"no wear rate of {axle_type} in {duty}")


def sd_limits(sd: float, se: float, level: float = 0.95) -> tuple[float, float | None]:
    """Limits of a standard deviation, its variance being a scaled chi-square with the degrees of
    freedom that its standard error implies (Satterthwaite 1946, Biometrics Bulletin 2:110).

    None: no upper limit, where the estimate has less than one degree of freedom.

    >>> low, high = sd_limits(1.0, 1.0 / 20**0.5)
    >>> round(low, 4), round(high, 4)
    (0.6987, 1.7549)
    """
    df = 0.5 * (sd / se) ** 2 if se > 0.0 else np.inf
    if not np.isfinite(df):
        return sd, sd
    if df < 1.0:
        return 0.0, None
    low, high = (df / chi2_quantile(p, df) for p in (0.5 + level / 2, 0.5 - level / 2))
    return float(sd * np.sqrt(low)), float(sd * np.sqrt(high))


RATE_SCHEMA = {
    "axle_type": pl.String,
    "duty": pl.String,
    "units": pl.Int64,
    "lives": pl.Int64,
    "readings": pl.Int64,
    "mm_per_10000km": pl.Float64,
    "se": pl.Float64,
    "df": pl.Float64,
    "ci_low": pl.Float64,
    "ci_high": pl.Float64,
    "shrunk": pl.Boolean,
    "raw_mm_per_10000km": pl.Float64,
    "raw_se": pl.Float64,
}


def rates_frame(fit: WearFit) -> pl.DataFrame:
    """One row per axle type and duty."""
    rows = [{name: getattr(rate, name) for name in RATE_SCHEMA} for rate in fit.rates]
    return pl.DataFrame(rows, schema=RATE_SCHEMA)


def components_frame(fit: WearFit) -> pl.DataFrame:
    """One row: the spread of the random parts, the log-likelihood and whether REML converged."""
    names = WearComponents.__slots__
    row: dict[str, float | bool | None] = {n: getattr(fit.components, n) for n in names}
    limits = [f"{name}_ci_{end}" for name in SPREADS for end in ("low", "high")]
    for name in SPREADS:
        sd, se = (getattr(fit.components, f"{name}{what}") for what in ("", "_se"))
        ends = sd_limits(sd, se) if sd is not None and se is not None else (None, None)
        row |= {f"{name}_ci_low": ends[0], f"{name}_ci_high": ends[1]}
    row |= {"reml_loglik": fit.reml_loglik, "converged": fit.converged}
    schema = dict.fromkeys([*names, *limits, "reml_loglik"], pl.Float64) | {"converged": pl.Boolean}
    return pl.DataFrame([row], schema=schema)
