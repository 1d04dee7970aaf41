r"""Lining lives as blocks of the mixed model: columns, weights, and two instruments put together.

For axle type a and duty d the columns are the start (1 on lives whose reline is on record), the
rate (minus the km run in d, in 10,000 km, so that a rate is positive when material is lost), and
the pointer's bias (1 on readings of the wear pointer). A pointer reading weighs :math:`1/\psi` of a
gauge's, :math:`\psi` being the ratio of their error variances. All readings of a life share how
exactly its pointer was set at the reline (variance :math:`\omega^2` beside :math:`\sigma_p^2` of
a reading): that leaves their spread within the life alone and takes weight from their mean,
:math:`w = (n_p/\psi)/(1 + n_p\,\omega^2/\sigma_p^2)`. The sums join the gauge's by

.. math:: s_{xy} = s^g_{xy} + s^p_{xy}/\psi + f\,\Delta_x\Delta_y,\qquad
          f = \frac{n_g\,w}{n_g + w},\quad \Delta = \text{mean}^p - \text{mean}^g

A pointer put upright with the new linings shows what was worn since, not how thick they were: on a
life whose reline is on record its rows then have the random slope and not the random start. Such
rows are :math:`[0, t]` in Z, so they add to the sums about the origin of t, with the weight w of
their mean, and nothing to the level.

The random slopes run along weighted km, :math:`z = \sum_d w_{ad}\,\text{km}_d`
(``models.wear.spread``): sums of z are weighted sums of those by duty.
"""

from dataclasses import dataclass, replace

import numpy as np

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.units import KM_PER_UNIT
from models.mixed.blocks import BlockMoments, Blocks, assemble_blocks
from models.wear.sums import InstrumentSums, LiningLifeSums


@dataclass(frozen=True, slots=True)
class WearColumns:
    """Names the fixed effects: ('start'|'rate'|'pointer', axle type number, duty number or -1)."""

    kind: tuple[str, ...]
    axle: IntArray
    duty: IntArray

    def __len__(self) -> int:
        return len(self.kind)

    def where(self, kind: str) -> IntArray:
        """Positions of the columns of one kind."""
        return np.flatnonzero(np.array([k == kind for k in self.kind], bool))

    def position(self, kind: str, axle: int, duty: int = -1) -> int:
        """Position of a column, or -1."""
        match = [
            i
            for i in np.flatnonzero((self.axle == axle) & (self.duty == duty))
            if self.kind[i] == kind
        ]
        return int(match[0]) if match else -1


def wear_columns(sums: LiningLifeSums, *, pointer_bias: bool) -> WearColumns:
    """Starts, rates of every axle type in every duty, and pointer biases where pointers were read.

    Every duty gets a rate on every axle type: one that never ran there borrows it.
    """
    known = np.bincount(sums.axle[sums.start_known & (sums.readings > 0)], minlength=1)
    pointed = np.bincount(sums.axle[sums.pointer.readings > 0], minlength=1)
    columns: list[tuple[str, int, int]] = []
    for axle in range(len(sums.axle_types)):
        if axle < len(known) and known[axle]:
            columns.append(("start", axle, -1))
        columns += [("rate", axle, duty) for duty in range(len(sums.duties))]
        if pointer_bias and axle < len(pointed) and pointed[axle]:
            columns.append(("pointer", axle, -1))
    return WearColumns(
        kind=tuple(c[0] for c in columns),
        axle=np.array([c[1] for c in columns], np.int64),
        duty=np.array([c[2] for c in columns], np.int64),
    )


def chosen_columns(columns: WearColumns, keep: BoolArray) -> WearColumns:
    """Some of the columns, in their order."""
    return WearColumns(
        kind=tuple(k for k, stays in zip(columns.kind, keep, strict=True) if stays),
        axle=columns.axle[keep],
        duty=columns.duty[keep],
    )


@dataclass(frozen=True, slots=True)
class PointerWeight:
    """What wear pointers are worth beside a gauge.

    ``reading``: error variance of a gauge reading over that of a pointer reading; ``setting``:
    variance of the pointers' settings at relines over that of a pointer reading. ``zeroed``: the
    same where the reline is on record and pointers show the wear since; None where they show the
    lining itself.
    """

    reading: float
    setting: float = 0.0
    zeroed: float | None = None

    def settings(self, start_known: BoolArray) -> FloatArray:
        """Variance of each life's setting over that of a reading, (lives,)."""
        zeroed = self.setting if self.zeroed is None else self.zeroed
        return np.where(start_known, zeroed, self.setting)

    def of_means(self, readings: IntArray, start_known: BoolArray) -> FloatArray:
        """Weight of the mean of so many readings of one life, in gauge readings."""
        return np.asarray(readings * self.reading / (1.0 + readings * self.settings(start_known)))

    def log_determinant(self, readings: IntArray, start_known: BoolArray) -> float:
        """Logarithm of the determinant of all the lives' weights, (lives,) readings of each."""
        settings = np.log1p(readings * self.settings(start_known))
        return float(np.log(self.reading) * readings.sum() - settings.sum())


AS_GAUGE = PointerWeight(1.0)


@dataclass(frozen=True, slots=True)
class Spread:
    """How random slopes grow from group to group: weights of km, of typical size 1.

    ``life`` and ``unit`` (A, D) weigh the km of an axle type in a duty in the slopes of lives and
    units; they follow the rates to the powers ``life_power`` and ``unit_power``. ``duty_share`` is
    the share of the units' variance that a unit's lives in one duty have to themselves.
    """

    life: FloatArray
    unit: FloatArray
    life_power: float
    unit_power: float
    duty_share: float

    @property
    def is_even(self) -> bool:
        """Whether all groups spread alike."""
        return self.life_power == 0.0 and self.unit_power == 0.0

    @property
    def is_plain(self) -> bool:
        """Whether they also share all of a unit's slope between duties."""
        return self.is_even and self.duty_share == 0.0


def even_spread(n_axles: int, n_duties: int) -> Spread:
    """The same spread, in mm per 10,000 km, in every group."""
    ones = np.ones((n_axles, n_duties))
    return Spread(ones, ones, 0.0, 0.0, 0.0)


def _along_z(sums: InstrumentSums, weight: FloatArray) -> InstrumentSums:
    """The sums with weighted km, ``weight`` (D, N), in the place of all km."""
    n_lives = weight.shape[1]
    mixed = np.zeros(n_lives, bool)
    mixed[sums.pair_life] = True
    life, a, b = sums.pair_life, sums.pair_a, sums.pair_b
    s_duty = np.where(mixed, 0.0, weight * sums.s_duty_km)
    np.add.at(s_duty, (a, life), weight[b, life] * sums.pair_s)
    off = a != b
    np.add.at(s_duty, (b[off], life[off]), weight[a, life][off] * sums.pair_s[off])
    return replace(
        sums,
        mean_km=(weight * sums.duty_mean_km).sum(axis=0),
        s_km_km=(weight * s_duty).sum(axis=0),
        s_km_mm=(weight * sums.s_duty_mm).sum(axis=0),
        s_duty_km=s_duty,
    )


def life_km(sums: LiningLifeSums, weight: FloatArray) -> FloatArray:
    """Km of each life (N,) up to its latest reading, weighted by ``weight`` (A, D)."""
    return np.asarray((weight[sums.axle].T * sums.last_km).sum(axis=0))


def unit_scale(sums: LiningLifeSums, spread: Spread) -> FloatArray:
    """A unit's slope along a life's weighted km over its own: exact for a life in one duty, the
    mean over its km for one that changed."""
    if spread.life is spread.unit or np.array_equal(spread.life, spread.unit):
        return np.ones(sums.n_lives)
    by_life, by_unit = life_km(sums, spread.life), life_km(sums, spread.unit)
    return np.divide(by_unit, by_life, out=np.ones(sums.n_lives), where=by_life > 0.0)


def main_duty(sums: LiningLifeSums) -> IntArray:
    """The duty a life ran most km in; that of its unit where it has not run yet."""
    by_unit = np.zeros((len(sums.duties), len(sums.units)))
    np.add.at(by_unit.T, sums.unit, sums.last_km.T)
    km = np.where(sums.last_km.sum(axis=0) > 0.0, sums.last_km, by_unit[:, sums.unit])
    return np.asarray(km.argmax(axis=0), np.int64)


def duty_clusters(sums: LiningLifeSums) -> tuple[IntArray, IntArray, IntArray]:
    """Clusters of a unit's lives in one main duty: that of each life (N,), and the unit and duty of
    each cluster, in the order of units."""
    n_duties = max(len(sums.duties), 1)
    code, cluster = np.unique(sums.unit * n_duties + main_duty(sums), return_inverse=True)
    return cluster.astype(np.int64), code // n_duties, code % n_duties


@dataclass(frozen=True, slots=True)
class _Side:
    """One instrument's moments of the chosen lives over [x, y], shapes (C, n)."""

    weight: FloatArray
    mean_t: FloatArray
    mean: FloatArray
    s_tt: FloatArray
    s_t: FloatArray


def _side(
    sums: InstrumentSums,
    lives: BoolArray,
    start_known: BoolArray,
    columns: WearColumns,
    local: IntArray,
    instrument: PointerWeight,
    is_pointer: bool,
) -> _Side:
    n, weight = int(lives.sum()), instrument.reading
    mean, s_t = np.zeros((len(local) + 1, n)), np.zeros((len(local) + 1, n))
    for row, column in enumerate(local):
        duty = columns.duty[column]
        if columns.kind[column] == "rate":
            mean[row] = -sums.duty_mean_km[duty, lives] / KM_PER_UNIT
            s_t[row] = -weight * sums.s_duty_km[duty, lives] / KM_PER_UNIT**2
        elif columns.kind[column] == "pointer" and is_pointer:
            mean[row] = sums.readings[lives] > 0
        elif columns.kind[column] == "start":
            mean[row] = start_known & (sums.readings[lives] > 0)
    mean[-1], s_t[-1] = sums.mean_mm[lives], weight * sums.s_km_mm[lives] / KM_PER_UNIT
    return _Side(
        weight=instrument.of_means(sums.readings[lives], start_known),
        mean_t=sums.mean_km[lives] / KM_PER_UNIT,
        mean=mean,
        s_tt=weight * sums.s_km_km[lives] / KM_PER_UNIT**2,
        s_t=s_t,
    )


def _about_origin(
    side: _Side, zeroed: BoolArray, some: IntArray
) -> tuple[_Side, FloatArray, FloatArray]:
    """A pointer's moments where ``zeroed`` lives' rows know no start: [0, t] in Z. Also what their
    means add to the pooled inner product, and to that of ``some`` lives (m,) one by one."""
    weight = side.weight * zeroed
    pooled = (weight * side.mean) @ side.mean.T
    mean = side.mean[:, some]
    by_life = (weight[some] * mean).T[:, :, None] * mean.T[:, None, :]
    about = replace(
        side,
        weight=side.weight - weight,
        s_tt=side.s_tt + weight * side.mean_t**2,
        s_t=side.s_t + weight * side.mean_t * side.mean,
    )
    return about, pooled, by_life


def _inner_products(
    sums: InstrumentSums, lives: BoolArray, columns: WearColumns, local: IntArray, weight: float
) -> FloatArray:
    """Pooled centred products of [rates, y] over the chosen lives, in the local columns."""
    total = np.zeros((len(local) + 1, len(local) + 1))
    rates = [r for r, c in enumerate(local) if columns.kind[c] == "rate"]
    row_of = {int(columns.duty[local[r]]): r for r in rates}
    mixed = np.zeros(len(lives), bool)
    mixed[sums.pair_life] = True
    for duty, row in row_of.items():
        total[row, row] = sums.s_duty_km[duty, lives & ~mixed].sum()
        total[row, -1] = total[-1, row] = -sums.s_duty_mm[duty, lives].sum() * KM_PER_UNIT
    inside, n_duties = lives[sums.pair_life], len(sums.duty_mean_km)
    code = (sums.pair_a * n_duties + sums.pair_b)[inside]
    pooled = np.bincount(code, sums.pair_s[inside], minlength=n_duties**2).reshape(n_duties, -1)
    pooled = pooled + np.triu(pooled, 1).T
    total[np.ix_(rates, rates)] += pooled[np.ix_(list(row_of), list(row_of))]
    total[-1, -1] = sums.s_mm_mm[lives].sum() * KM_PER_UNIT**2
    return weight * total / KM_PER_UNIT**2


def _inner_by_life(
    sums: InstrumentSums, lives: IntArray, columns: WearColumns, local: IntArray, weight: float
) -> FloatArray:
    """The same products life by life, (m, C + 1, C + 1), for the ``lives`` numbered."""
    total = np.zeros((len(lives), len(local) + 1, len(local) + 1))
    rates = [r for r, c in enumerate(local) if columns.kind[c] == "rate"]
    row_of = np.full(len(sums.duty_mean_km), -1)
    row_of[columns.duty[local[rates]]] = rates
    place = np.full(len(sums.readings), -1)
    place[lives] = np.arange(len(lives))
    mixed = np.zeros(len(sums.readings), bool)
    mixed[sums.pair_life] = True
    for duty, row in enumerate(row_of):
        if row >= 0:
            total[:, row, row] = sums.s_duty_km[duty, lives] * ~mixed[lives]
            total[:, row, -1] = total[:, -1, row] = -sums.s_duty_mm[duty, lives] * KM_PER_UNIT
    a, b, at = row_of[sums.pair_a], row_of[sums.pair_b], place[sums.pair_life]
    here = (at >= 0) & (a >= 0) & (b >= 0)
    total[at[here], a[here], b[here]] = total[at[here], b[here], a[here]] = sums.pair_s[here]
    total[:, -1, -1] = sums.s_mm_mm[lives] * KM_PER_UNIT**2
    return np.asarray(weight * total / KM_PER_UNIT**2)


def _ratio(top: FloatArray, bottom: FloatArray) -> FloatArray:
    """top / bottom, zero where the bottom is."""
    out = np.zeros(np.broadcast_shapes(top.shape, bottom.shape))
    np.divide(top, bottom, out=out, where=bottom > 0.0)
    return out


def _merged(
    one: _Side, two: _Side, inner: FloatArray, some: IntArray, some_inner: FloatArray
) -> tuple[_Side, FloatArray, FloatArray]:
    """Both instruments as one set of moments, the pooled product left over within lives, and that
    of ``some`` lives (m,) one by one."""
    total = one.weight + two.weight
    factor = _ratio(one.weight * two.weight, total)
    gap, gap_t = two.mean - one.mean, two.mean_t - one.mean_t
    share = _ratio(two.weight, total)
    s_tt = one.s_tt + two.s_tt + factor * gap_t**2
    s_t = one.s_t + two.s_t + factor * gap_t * gap
    side = _Side(total, one.mean_t + share * gap_t, one.mean + share * gap, s_tt, s_t)
    line = _ratio(s_t, s_tt)
    left_over = inner + (factor * gap) @ gap.T - line @ s_t.T
    by_life = (factor * gap)[:, some].T[:, :, None] * gap[:, some].T[:, None, :]
    by_life = some_inner + by_life - line[:, some].T[:, :, None] * s_t[:, some].T[:, None, :]
    return side, left_over, by_life


def varies_beyond_line(sums: LiningLifeSums) -> BoolArray:
    """Lives that ran in several duties, or were read with a pointer, (N,)."""
    varies = sums.pointer.readings > 0
    varies[sums.gauge.pair_life] = True
    varies[sums.pointer.pair_life] = True
    return np.asarray(varies)


def axle_moments(
    sums: LiningLifeSums,
    columns: WearColumns,
    axle: int,
    pointer_weight: PointerWeight,
    spread: Spread,
) -> BlockMoments:
    """Moments of the lives of one axle type; a life without readings has all of them zero."""
    local = np.flatnonzero(columns.axle == axle)
    lives = sums.axle == axle
    weights = (AS_GAUGE, pointer_weight)
    instruments = (sums.gauge, sums.pointer)
    inner = sum(
        (
            _inner_products(s, lives, columns, local, w.reading)
            for s, w in zip(instruments, weights, strict=True)
        ),
        np.zeros((len(local) + 1, len(local) + 1)),
    )
    along = spread.life[sums.axle].T
    known = sums.start_known[lives]
    gauge, pointer = (
        _side(s if spread.is_even else _along_z(s, along), lives, known, columns, local, w, k == 1)
        for k, (s, w) in enumerate(zip(instruments, weights, strict=True))
    )
    numbers = np.flatnonzero(lives)
    some = np.flatnonzero(varies_beyond_line(sums)[lives])
    some_inner = sum(
        (
            _inner_by_life(s, numbers[some], columns, local, w.reading)
            for s, w in zip(instruments, weights, strict=True)
        ),
        np.zeros((len(some), len(local) + 1, len(local) + 1)),
    )
    if pointer_weight.zeroed is not None:
        pointer, pooled, by_life = _about_origin(pointer, known, some)
        inner, some_inner = inner + pooled, some_inner + by_life
    side, within, rest = _merged(gauge, pointer, inner, some, some_inner)
    from_start = [row for row, c in enumerate(local) if columns.kind[c] == "start"]
    side.mean[from_start] = known & (sums.readings[lives] > 0)
    return BlockMoments(
        columns=local,
        unit=sums.unit[lives],
        source=np.flatnonzero(lives),
        unknown_intercept=~known & (sums.readings[lives] > 0),
        rows=sums.readings[lives],
        weight=side.weight,
        mean_t=side.mean_t,
        mean_y=side.mean[-1],
        mean_x=side.mean[:-1],
        s_tt=side.s_tt,
        s_ty=side.s_t[-1],
        s_tx=side.s_t[:-1],
        within=within,
        log_weight=pointer_weight.log_determinant(sums.pointer.readings[lives], known),
        rest_block=some,
        rest=rest,
    )


def column_names(sums: LiningLifeSums, columns: WearColumns) -> tuple[str, ...]:
    """Readable names such as 'rate drive city'."""
    return tuple(
        " ".join([kind, sums.axle_types[a]] + ([sums.duties[d]] if d >= 0 else []))
        for kind, a, d in zip(columns.kind, columns.axle, columns.duty, strict=True)
    )


def present_axles(sums: LiningLifeSums) -> list[int]:
    """Numbers of the axle types that occur."""
    return [int(a) for a in np.unique(sums.axle)]


def wear_blocks(
    sums: LiningLifeSums,
    columns: WearColumns,
    *,
    pointer_weight: PointerWeight = AS_GAUGE,
    spread: Spread | None = None,
) -> Blocks:
    """Blocks of all lives that were read, one group per axle type; ``spread`` None is even."""
    spread = spread or even_spread(len(sums.axle_types), len(sums.duties))
    scale = unit_scale(sums, spread)
    cluster, cluster_unit = sums.unit, None
    if spread.duty_share:
        cluster, cluster_unit, _ = duty_clusters(sums)
    moments = [
        replace(
            axle_moments(sums, columns, axle, pointer_weight, spread),
            cluster=cluster[sums.axle == axle],
            unit_scale=scale[sums.axle == axle],
        )
        for axle in present_axles(sums)
    ]
    return assemble_blocks(
        moments,
        column_names(sums, columns),
        n_units=len(sums.units),
        has_units=True,
        cluster_unit=cluster_unit,
        cluster_share=spread.duty_share,
    )
