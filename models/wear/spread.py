r"""How the spread between units and lives grows with the wear rate, chosen by likelihood.

A hard driver may cost every lining the same 0.05 mm per 10,000 km, or a tenth of whatever its duty
wears. With :math:`w_{ad} = (r_{ad}/\bar r)^\gamma` the random slopes of lives and units are

.. math:: b_1\,\sum_d w^{life}_{ad}\,\text{km}_d + c_u\,\sum_d w^{unit}_{ad}\,\text{km}_d

:math:`\gamma = 0` is the same spread everywhere, :math:`\gamma = 1` a spread in proportion to the
rate (to first order, that of the logarithm of the rate), any other a power of the mean. Besides, a
unit may differ in every duty: a share of its variance then belongs to its lives in one duty.

The weights depend on rates that are themselves estimated. As in generalised least squares with a
variance function of the mean (Carroll, Ruppert 1988, Transformation and Weighting in Regression,
ch. 2-3; Davidian, Giltinan 1995, Nonlinear Models for Repeated Measurement Data, ch. 2 and 6;
Pinheiro, Bates 2000, Mixed-Effects Models in S and S-PLUS, ch. 5) the rates of one fit give the
weights of the next until they stay. Fits with the same columns are compared by their REML
likelihood, less one per exponent or share that was sought (Akaike 1974, IEEE Trans. Autom. Control
19:716). Where linings ran in several duties and lives and units have different powers, a unit's
slope along a life is taken at the mean over its km.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy import optimize

from models.common.arrays import FloatArray
from models.mixed.blocks import Blocks
from models.mixed.fit import MixedFit, fit_mixed
from models.wear.blocks import PointerWeight, Spread, WearColumns, wear_blocks
from models.wear.sums import LiningLifeSums, kept_lives

SAMPLE_LIVES = 6_000
"""Law and weights come from about this many lives: more would sharpen a clear answer."""
LEAST_UNITS = 8
"""Fewer units do not tell how their spread grows."""
LEAST_CONTRAST = 1.2
"""Rates whose largest is not this much above the smallest tell no law from another."""
SLOWEST = 0.1
"""A rate below this share of the median counts as that in a weight."""
MOST_POWER = 2.0
POWER_STEP = 0.05
"""Powers and shares are sought to this."""
WEIGHTS_SETTLED = 2e-4
"""Weights within this share of those that the fit's own rates ask for have settled."""
MOST_ROUNDS = 6


@dataclass(frozen=True, slots=True)
class SpreadLaw:
    """One way in which spread may grow, and how well the readings agree with it.

    ``name``: ``even``, ``proportional``, ``units proportional``, ``lives proportional``, ``power``,
    ``two powers``, or one of them ``by duty``. ``parameters`` counts what was sought.
    """

    name: str
    unit_power: float
    life_power: float
    duty_share: float
    parameters: int
    reml_loglik: float
    chosen: bool = False

    @property
    def aic(self) -> float:
        return 2.0 * (self.parameters - self.reml_loglik)


EVEN = SpreadLaw("even", 0.0, 0.0, 0.0, 0, 0.0, chosen=True)


def rate_table(sums: LiningLifeSums, columns: WearColumns, beta: FloatArray) -> FloatArray:
    """Rates (A, D) as weights take them: positive, the median where there is none."""
    table = np.full((len(sums.axle_types), len(sums.duties)), np.nan)
    rates = columns.where("rate")
    table[columns.axle[rates], columns.duty[rates]] = beta[rates]
    positive = table[table > 0.0]
    middle = float(np.median(positive)) if len(positive) else 1.0
    return np.maximum(np.where(np.isfinite(table), table, middle), SLOWEST * middle)


def typical_rate(sums: LiningLifeSums, rates: FloatArray) -> float:
    """Geometric mean of the rates over the lives' km."""
    shares = _shares_of_km(sums, rates.shape)
    return float(np.exp((shares * np.log(rates)).sum()))


def _shares_of_km(sums: LiningLifeSums, shape: tuple[int, ...]) -> FloatArray:
    """Share of each rate (A, D) in the lives' km."""
    km = np.zeros(shape)
    np.add.at(km, sums.axle, sums.last_km.T)
    return km / km.sum() if km.any() else np.full(shape, 1.0 / km.size)


def typical_rate_error(
    sums: LiningLifeSums, columns: WearColumns, beta: FloatArray, covariance: FloatArray
) -> float:
    """Standard error of the typical rate's logarithm, by the delta method; ``beta`` (P,) and
    ``covariance`` (P, P) in the order of ``columns``."""
    rates, table = columns.where("rate"), rate_table(sums, columns, beta)
    at = columns.axle[rates], columns.duty[rates]
    slope = _shares_of_km(sums, table.shape)[at] / table[at]
    variance = slope @ covariance[np.ix_(rates, rates)] @ slope
    return float(np.sqrt(np.maximum(variance, 0.0)))


def spread_of(law: SpreadLaw, rates: FloatArray, typical: float) -> Spread:
    """The weights of a law at given rates (A, D)."""
    relative = rates / typical
    life, unit = relative**law.life_power, relative**law.unit_power
    return Spread(life, unit, law.life_power, law.unit_power, law.duty_share)


def sampled_units(sums: LiningLifeSums) -> LiningLifeSums:
    """Every k-th unit's lives, so that about ``SAMPLE_LIVES`` remain."""
    stride = sums.n_lives // SAMPLE_LIVES
    return sums if stride < 2 else kept_lives(sums, sums.unit % stride == 0)


@dataclass(frozen=True, slots=True)
class _Bench:
    """What laws are compared on; ``found``: fits by unit power, life power and duty share."""

    sums: LiningLifeSums
    columns: WearColumns
    weight: PointerWeight
    min_sd: float
    rates: FloatArray
    typical: float
    found: dict[tuple[float, float, float], MixedFit]

    def fitted(self, law: SpreadLaw) -> MixedFit:
        """The fit under a law, sought from that of the law most like it.

        Raises
        ------
        numpy.linalg.LinAlgError
            If the sampled units leave a rate without readings.
        """
        key = law.unit_power, law.life_power, law.duty_share
        if key not in self.found:
            like = min(self.found, key=lambda other: float(np.abs(np.subtract(other, key)).sum()))
            spread = spread_of(law, self.rates, self.typical)
            blocks = wear_blocks(self.sums, self.columns, pointer_weight=self.weight, spread=spread)
            start = self.found[like].root
            self.found[key] = fit_mixed(blocks, min_sd=self.min_sd, start=start)
        return self.found[key]

    def judged(self, law: SpreadLaw) -> SpreadLaw:
        try:
            fit = self.fitted(law)
        except np.linalg.LinAlgError:
            return replace(law, reml_loglik=-np.inf)
        return replace(law, reml_loglik=fit.reml_loglik if fit.converged else -np.inf)


def _best(bench: _Bench, law: Callable[[float], SpreadLaw], most: float) -> SpreadLaw:
    """The best of a family with one number, from 0 to ``most``."""
    found = optimize.minimize_scalar(
        lambda x: -bench.judged(law(x)).reml_loglik,
        bounds=(0.0, most),
        method="bounded",
        options={"xatol": POWER_STEP, "maxiter": 12},
    )
    return bench.judged(law(float(found.x)))


def _simple_laws() -> list[SpreadLaw]:
    names = {
        (0.0, 0.0): "even",
        (1.0, 1.0): "proportional",
        (1.0, 0.0): "units proportional",
        (0.0, 1.0): "lives proportional",
    }
    return [SpreadLaw(name, unit, life, 0.0, 0, 0.0) for (unit, life), name in names.items()]


def _compared(bench: _Bench) -> list[SpreadLaw]:
    """All laws with their likelihoods; the best first."""
    laws = [bench.judged(law) for law in _simple_laws()]
    base = min(laws, key=lambda law: law.aic)
    power = _best(bench, lambda x: replace(base, name="power", unit_power=x, life_power=x), 2.0)
    laws.append(replace(power, parameters=1))
    two = replace(base, name="two powers", parameters=2)
    two = _best(bench, lambda x: replace(two, life_power=x), MOST_POWER)
    two = _best(bench, lambda x: replace(two, unit_power=x), MOST_POWER)
    laws.append(two)
    base = min(laws, key=lambda law: law.aic)
    laws.append(_by_duty(bench, base))
    return sorted(laws, key=lambda law: law.aic)


def _by_duty(bench: _Bench, base: SpreadLaw) -> SpreadLaw:
    """The law with units that differ from duty to duty."""
    name, parameters = f"{base.name}, by duty", base.parameters + 1
    law = replace(base, name=name, parameters=parameters)
    return _best(bench, lambda x: replace(law, duty_share=x), 1.0)


def compared_laws(
    sums: LiningLifeSums,
    columns: WearColumns,
    weight: PointerWeight,
    even: MixedFit,
    min_sd: float,
) -> tuple[SpreadLaw, ...]:
    """How spread may grow with the rate, judged by the readings; the one chosen is marked.

    ``even`` is the fit of all lives with the same spread everywhere, ``columns`` its own. Where
    there is no spread between units, too few of them, or rates too much alike, that one stays.
    """
    rates = rate_table(sums, columns, even.beta)
    units = len(np.unique(sums.unit[sums.informative]))
    told = even.free[2] or even.free[3]
    if units < LEAST_UNITS or rates.max() < LEAST_CONTRAST * rates.min() or not told:
        return (replace(EVEN, reml_loglik=even.reml_loglik),)
    typical = typical_rate(sums, rates)
    found = {(0.0, 0.0, 0.0): even}
    bench = _Bench(sums, columns, weight, min_sd, rates, typical, found)
    first, *others = _compared(bench)
    if not np.isfinite(first.reml_loglik):
        return (replace(EVEN, reml_loglik=even.reml_loglik),)
    return replace(first, chosen=True), *(law for law in others if np.isfinite(law.aic))


@dataclass(frozen=True, slots=True)
class SpreadFit:
    """A fit, the weights it was made under, and its blocks."""

    fit: MixedFit
    spread: Spread
    blocks: Blocks


def _apart(one: Spread, two: Spread) -> float:
    """The largest difference between the weights of two spreads, in logarithms."""
    if one.duty_share != two.duty_share:
        return np.inf
    pairs = ((one.life, two.life), (one.unit, two.unit))
    return max(float(np.abs(np.log(a / b)).max(initial=0.0)) for a, b in pairs)


def settled_fit(
    sums: LiningLifeSums,
    columns: WearColumns,
    weight: PointerWeight,
    law: SpreadLaw,
    first: SpreadFit,
    min_sd: float,
) -> SpreadFit:
    """The fit under a law, its weights those of its own rates; ``first`` is under any weights."""
    found = first
    for _ in range(MOST_ROUNDS):
        rates = rate_table(sums, columns, found.fit.beta)
        spread = spread_of(law, rates, typical_rate(sums, rates))
        if _apart(spread, found.spread) < WEIGHTS_SETTLED:
            break
        blocks = wear_blocks(sums, columns, pointer_weight=weight, spread=spread)
        fit = fit_mixed(blocks, min_sd=min_sd, start=found.fit.root)
        found = SpreadFit(fit, spread, blocks)
    return found
