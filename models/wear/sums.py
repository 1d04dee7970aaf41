"""What SQL leaves of the lining readings: a few sums per lining life and instrument.

All km are the unit's accumulated km since the life's origin (its reline, or its first reading where
the reline is not on record); sums of squares and products are about the life's own means.
"""

from dataclasses import dataclass, fields, replace

import numpy as np
import polars as pl

from models.common.arrays import BoolArray, FloatArray, IntArray

INSTRUMENTS = ("gauge", "pointer")
EARLIER = "\u2063, before its wear changed"
"""Behind the name of a unit, or of its lining, that wears otherwise since a day: what it was. It
begins with Unicode's invisible separator, which no unit's name holds."""


@dataclass(frozen=True, slots=True)
class InstrumentSums:
    """One instrument's sums, per life (N,) and per duty and life (D, N); zero where it read none.

    ``pair_*`` (M,) list the products of km run in two duties of one life, for the lives that ran in
    more than one: life, the two duties (a <= b), and the centred sum of products [km²].
    """

    readings: IntArray
    mean_km: FloatArray
    mean_mm: FloatArray
    s_km_km: FloatArray
    s_km_mm: FloatArray
    s_mm_mm: FloatArray
    duty_mean_km: FloatArray
    s_duty_km: FloatArray
    s_duty_mm: FloatArray
    pair_life: IntArray
    pair_a: IntArray
    pair_b: IntArray
    pair_s: FloatArray


@dataclass(frozen=True, slots=True)
class LiningLifeSums:
    """Sums of N lining lives in D duties.

    ``fitted_on`` is the day each was fitted (null: before the records); ``unit``, ``axle`` (N,)
    index ``units`` and ``axle_types``; ``last_km`` (D, N) is the km run in each duty up to the
    life's latest reading.
    """

    life_id: pl.Series
    wheel_end_id: pl.Series
    fitted_on: pl.Series
    last_inspected_on: pl.Series
    units: pl.Series
    axle_types: tuple[str, ...]
    duties: tuple[str, ...]
    unit: IntArray
    axle: IntArray
    start_known: BoolArray
    last_km: FloatArray
    gauge: InstrumentSums
    pointer: InstrumentSums

    @property
    def n_lives(self) -> int:
        return len(self.unit)

    @property
    def readings(self) -> IntArray:
        """Readings of both instruments per life."""
        return self.gauge.readings + self.pointer.readings

    @property
    def real_unit(self) -> IntArray:
        """Which unit each life is of (N,); one that was told apart from what it was is one."""
        names = self.units.cast(pl.String).str.strip_suffix(EARLIER)
        return np.asarray(names.rank("dense").cast(pl.Int64).to_numpy()[self.unit], np.int64)

    @property
    def ran(self) -> BoolArray:
        """Whether a life ran in a duty, shape (D, N)."""
        return self.last_km > 0.0

    @property
    def informative(self) -> BoolArray:
        """Lives that say something of a rate: known start and some km, or two places read at."""
        spread = (self.gauge.s_km_km > 0.0) | (self.pointer.s_km_km > 0.0)
        moved = self.last_km.sum(axis=0) > 0.0
        return np.asarray((self.readings > 0) & (spread | (self.start_known & moved)))


def _kept_instrument(sums: InstrumentSums, keep: BoolArray) -> InstrumentSums:
    place = np.cumsum(keep) - 1
    pairs = keep[sums.pair_life]
    parts = {
        f.name: np.asarray(getattr(sums, f.name))[..., pairs if "pair" in f.name else keep]
        for f in fields(sums)
    }
    return InstrumentSums(**{**parts, "pair_life": place[sums.pair_life[pairs]]})


def kept_lives(sums: LiningLifeSums, keep: BoolArray) -> LiningLifeSums:
    """The sums of some of the lives; units, axle types and duties keep their numbers."""
    return replace(
        sums,
        life_id=sums.life_id.filter(pl.Series(keep)),
        wheel_end_id=sums.wheel_end_id.filter(pl.Series(keep)),
        fitted_on=sums.fitted_on.filter(pl.Series(keep)),
        last_inspected_on=sums.last_inspected_on.filter(pl.Series(keep)),
        unit=sums.unit[keep],
        axle=sums.axle[keep],
        start_known=sums.start_known[keep],
        last_km=sums.last_km[:, keep],
        gauge=_kept_instrument(sums.gauge, keep),
        pointer=_kept_instrument(sums.pointer, keep),
    )


def without_pointer(sums: LiningLifeSums, drop: BoolArray) -> LiningLifeSums:
    """The same lives, the pointer's readings of some of them (N,) left out."""
    pointer = sums.pointer
    stay, pairs = ~drop, ~drop[pointer.pair_life]
    parts = {
        f.name: getattr(pointer, f.name)[pairs]
        if "pair" in f.name
        else getattr(pointer, f.name) * stay
        for f in fields(pointer)
    }
    return replace(sums, pointer=InstrumentSums(**parts))


def off_own_lines(sums: LiningLifeSums) -> tuple[float, int]:
    """Variance of gauge readings about a straight line of each life's own [mm²], and its degrees of
    freedom; of lives that ran in one duty, for others bend where they changed."""
    gauge = sums.gauge
    several = (gauge.readings > 2) & (gauge.s_km_km > 0.0) & (sums.ran.sum(axis=0) == 1)
    mm_mm, km_mm, km_km = (x[several] for x in (gauge.s_mm_mm, gauge.s_km_mm, gauge.s_km_km))
    df = int((gauge.readings[several] - 2).sum())
    return float((mm_mm - km_mm**2 / km_km).sum()) / max(df, 1), df


def as_gauge(sums: LiningLifeSums) -> LiningLifeSums:
    """Pointer readings in the gauge's place, for a fleet that reads nothing else."""
    return replace(sums, gauge=sums.pointer, pointer=sums.gauge)


def _floats(frame: pl.DataFrame, name: str) -> FloatArray:
    return np.asarray(frame[name].cast(pl.Float64).to_numpy(), np.float64)


def _ints(frame: pl.DataFrame, name: str) -> IntArray:
    return np.asarray(frame[name].cast(pl.Int64).to_numpy(), np.int64)


def _placed(size: tuple[int, ...], where: tuple[IntArray, ...], values: FloatArray) -> FloatArray:
    out = np.zeros(size)
    out[where] = values
    return out


def _numbered(values: pl.Series, name: str) -> pl.DataFrame:
    """A table of the distinct values and their numbers."""
    distinct = values.unique().drop_nulls().sort()
    return pl.DataFrame({name: distinct, f"{name}_no": np.arange(len(distinct))})


def _instrument(
    lives: pl.DataFrame, duties: pl.DataFrame, pairs: pl.DataFrame, *, shape: tuple[int, int]
) -> InstrumentSums:
    n_duties, n_lives = shape
    life, at = _ints(lives, "life_no"), (_ints(duties, "duty_no"), _ints(duties, "life_no"))
    per_life = {
        name: _placed((n_lives,), (life,), _floats(lives, name))
        for name in ("readings", "mean_km", "mean_mm", "s_km_km", "s_km_mm", "s_mm_mm")
    }
    return InstrumentSums(
        readings=per_life.pop("readings").astype(np.int64),
        **per_life,
        duty_mean_km=_placed((n_duties, n_lives), at, _floats(duties, "mean_km")),
        s_duty_km=_placed((n_duties, n_lives), at, _floats(duties, "s_duty_km")),
        s_duty_mm=_placed((n_duties, n_lives), at, _floats(duties, "s_duty_mm")),
        pair_life=_ints(pairs, "life_no"),
        pair_a=_ints(pairs, "duty_a_no"),
        pair_b=_ints(pairs, "duty_b_no"),
        pair_s=_floats(pairs, "s_km_km"),
    )


def _of_instrument(
    tables: tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame], name: str
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    lives, duties, pairs = (table.filter(pl.col("instrument") == name) for table in tables)
    return lives, duties, pairs


IDENTITY = (
    *("life_id", "wheel_end_id", "unit_id", "axle_type"),
    *("start_known", "fitted_on", "last_inspected_on"),
)


def _one_row_per_life(life_sums: pl.DataFrame) -> pl.DataFrame:
    """Identity of each life, in the order of units, numbered."""
    gauge, pointer = (
        life_sums.filter(pl.col("instrument") == name).select(IDENTITY) for name in INSTRUMENTS
    )
    later = pointer.select("life_id", pointer_on="last_inspected_on")
    both = gauge.join(later, on="life_id", how="left").with_columns(
        last_inspected_on=pl.max_horizontal("last_inspected_on", "pointer_on")
    )
    lives = pl.concat([both.drop("pointer_on"), pointer.join(gauge, on="life_id", how="anti")])
    return (
        lives.sort("unit_id", "life_id")
        .with_row_index("life_no")
        .with_columns(pl.col("life_no").cast(pl.Int64))
    )


def lining_life_sums(
    life_sums: pl.DataFrame, duty_sums: pl.DataFrame, duty_pairs: pl.DataFrame
) -> LiningLifeSums:
    """The tables ``reduce.lining_life_sums``, ``…_duty_sums`` and ``…_duty_pairs`` as arrays.

    Lives are sorted by unit and life id; duties and axle types are those that occur.
    """
    lives = _one_row_per_life(life_sums)
    duty_no, axle_no = _numbered(duty_sums["duty"], "duty"), _numbered(lives["axle_type"], "axle")
    unit_no, life_no = _numbered(lives["unit_id"], "unit"), lives.select("life_id", "life_no")
    life_rows = life_sums.join(life_no, on="life_id")
    duty_rows = duty_sums.join(life_no, on="life_id").join(duty_no, on="duty")
    pair_rows = (
        duty_pairs.join(life_no, on="life_id")
        .join(duty_no.rename(lambda c: c.replace("duty", "duty_a")), on="duty_a")
        .join(duty_no.rename(lambda c: c.replace("duty", "duty_b")), on="duty_b")
    )
    shape = (duty_no.height, lives.height)
    tables = (life_rows, duty_rows, pair_rows)
    gauge, pointer = (
        _instrument(*_of_instrument(tables, name), shape=shape) for name in INSTRUMENTS
    )
    last = np.zeros(shape)
    np.maximum.at(
        last,
        (_ints(duty_rows, "duty_no"), _ints(duty_rows, "life_no")),
        _floats(duty_rows, "last_km"),
    )
    lives = lives.join(unit_no, left_on="unit_id", right_on="unit", maintain_order="left").join(
        axle_no, left_on="axle_type", right_on="axle", maintain_order="left"
    )
    return LiningLifeSums(
        life_id=lives["life_id"],
        wheel_end_id=lives["wheel_end_id"],
        fitted_on=lives["fitted_on"],
        last_inspected_on=lives["last_inspected_on"],
        units=unit_no["unit"],
        axle_types=tuple(axle_no["axle"]),
        duties=tuple(duty_no["duty"]),
        unit=_ints(lives, "unit_no"),
        axle=_ints(lives, "axle_no"),
        start_known=np.asarray(lives["start_known"].fill_null(False).to_numpy(), bool),
        last_km=last,
        gauge=gauge,
        pointer=pointer,
    )
