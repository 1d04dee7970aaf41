"""From a frame of stroke readings to histories the drift model can work on.

Readings are put in order, split where the setting on record cannot have lasted (another arm, a
stroke that came back on its own), rid of single misreadings, given their growth (what the wear
since the setting would have added with nothing taken up) and their rounding error.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.adjustment.indicators import latest_findings
from models.adjustment.strokes.histories import (
    LEAST_WEAR_CV,
    MOST_WEAR_CV,
    StrokeHistories,
    without_saturated,
)
from models.adjustment.strokes.parameters import COARSE_STEP_MM, SOURCES, Band, Source

Floats = NDArray[np.float64]
Groups = tuple[tuple[str, str], ...]

# Columns of the readings frame and the value a missing one takes.
OPTIONAL_COLUMNS: dict[str, tuple[pl.DataType, object]] = {
    "as_left": (pl.Boolean(), False),
    "km_since_set": (pl.Float64(), None),
    "wear_mm": (pl.Float64(), None),
    "wear_sd_mm": (pl.Float64(), None),
    "stop_ratio": (pl.Float64(), None),
    "reader": (pl.String(), None),
    "depot": (pl.String(), None),
    "applied_stroke_mm": (pl.Float64(), None),
    "readjust_limit_mm": (pl.Float64(), None),
    "marks_aligned": (pl.Boolean(), None),
    "return_test": (pl.String(), None),
    "cap_state": (pl.String(), None),
    "fault": (pl.String(), None),
    "greasing_overdue": (pl.Boolean(), None),
}
REQUIRED_COLUMNS = (
    *("episode_id", "wheel_end_id", "unit_id", "axle_id", "axle_type", "duty", "set_source"),
    *("inspected_on", "weeks_since_set", "stroke_ratio", "arm_length_mm", "ratio_per_mm"),
)

STROKE_COLUMNS = (
    *("as_left", "km_since_set", "wear_mm", "wear_sd_mm", "stop_ratio", "reader"),
    "depot",
)

# A stroke that comes back by more than this with no job on record was re-set, or misread before.
JUMP = 0.05
# Wear where nobody measured any: so much per km, or per week, known no better than this.
UNREAD_MM_PER_KM, UNREAD_MM_PER_WEEK, UNREAD_CV = 5e-5, 0.08, 0.5
GROUP_WEAR_CV = 0.35
STEP_SLACK_MM = 0.05
READER_WORTH = 20.0
MOST_READINGS, FIRST_KEPT = 40, 8


@dataclass(frozen=True, slots=True)
class PreparedReadings:
    """Histories with the frame that says whose they are.

    ``episodes`` has one row per history, in the same order: ``part_id``, ``wheel_end_id``,
    ``unit_id``, ``axle_id``, ``axle_type``, ``duty``, ``depot``, ``set_source``, ``order`` (0
    is the wheel end's first), ``same_adjuster`` (as in the part before), first and last reading
    dates, last ratio, arm, wear and km since the start of the part.
    ``findings`` has one row per wheel end (:func:`models.adjustment.indicators.latest_findings`).
    ``misread`` counts the readings left out as plain mistakes, among ``readings``.
    """

    histories: StrokeHistories
    episodes: pl.DataFrame
    groups: Groups
    findings: pl.DataFrame
    misread: int
    readings: int


def with_all_columns(readings: pl.DataFrame) -> pl.DataFrame:
    """The same frame with every optional column present.

    Raises
    ------
    ValueError
        A required column is missing.
    """
    missing = [name for name in REQUIRED_COLUMNS if name not in readings.columns]
    if missing:
        raise ValueError(f"readings: missing column {', '.join(missing)}")
    absent = {name: spec for name, spec in OPTIONAL_COLUMNS.items() if name not in readings.columns}
    return readings.with_columns(
        pl.lit(default).cast(dtype).alias(name) for name, (dtype, default) in absent.items()
    )


def prepare_readings(
    readings: pl.DataFrame,
    band: Band | None = None,
    groups: Groups | None = None,
) -> PreparedReadings:
    """Histories of every setting episode.

    Parameters
    ----------
    readings : one row per reading; columns ``REQUIRED_COLUMNS`` and, if there, ``OPTIONAL_COLUMNS``
    groups : axle type × duty pairs in coding order, taken from the readings when left out; a pair
        that is not among them is coded after the last

    Raises
    ------
    ValueError
        A required column is missing, or a ``set_source`` is unknown.
    """
    readings = with_all_columns(readings)
    taken = _stroke_rows(readings)
    rows = _without_misread(taken)
    misread = taken.height - rows.height
    rows = _with_parts(rows, band or Band())
    rows = _thinned(_with_growth(_with_rounding(rows)))
    if groups is None:
        groups = tuple(rows.select("axle_type", "duty").unique().sort("axle_type", "duty").rows())
    episodes = _episodes(rows, groups)
    histories = without_saturated(_histories(rows, episodes))
    findings = latest_findings(readings)
    return PreparedReadings(histories, episodes, groups, findings, misread, taken.height)


def _stroke_rows(readings: pl.DataFrame) -> pl.DataFrame:
    unknown = set(readings["set_source"].unique()) - set(SOURCES)
    if unknown:
        raise ValueError(
            f"readings: set_source {sorted(map(str, unknown))[0]!r}; accepted: {', '.join(SOURCES)}"
        )
    usable = (
        pl.col("stroke_ratio").is_finite()
        & (pl.col("arm_length_mm") > 0)
        & pl.col("weeks_since_set").is_finite()
        & (pl.col("ratio_per_mm") > 0)
    )
    return (
        readings.lazy()
        .select(*REQUIRED_COLUMNS, *STROKE_COLUMNS)
        .filter(usable.fill_null(value=False))
        .with_columns(pl.col("as_left").fill_null(value=False))
        .sort("wheel_end_id", "inspected_on", "as_left", maintain_order=True)
        .with_columns(episode=pl.col("episode_id").rle_id())
        .collect()
    )


def _within(name: str, shift: int) -> pl.Expr:
    """The value so many rows before, in the same episode; rows are in order."""
    same = pl.col("episode") == pl.col("episode").shift(shift)
    return pl.when(same).then(pl.col(name).shift(shift))


def _without_misread(rows: pl.DataFrame) -> pl.DataFrame:
    """Leave out a reading that jumps and comes back, once per episode.

    More than one of them is a brake that somebody keeps re-setting, not a slip of the eye.
    """
    ratio = pl.col("stroke_ratio")
    earlier, later = _within("stroke_ratio", 1), _within("stroke_ratio", -1)
    jumps = (ratio - earlier).abs() > JUMP
    returns = ((ratio - later).abs() > JUMP) & ((later - earlier).abs() < JUMP / 2)
    same_arm = (_within("arm_length_mm", 1) == _within("arm_length_mm", -1)) & (
        _within("arm_length_mm", 1) == pl.col("arm_length_mm")
    )
    lone = jumps & returns & same_arm
    times = pl.col("lone").sum().over("episode")
    marked = rows.with_columns(lone=lone.fill_null(value=False))
    return marked.filter(~pl.col("lone") | (times > 1)).drop("lone")


def _with_parts(rows: pl.DataFrame, band: Band) -> pl.DataFrame:
    """Number the parts of each episode; a part that starts without a setting has no source."""
    earlier = _within("stroke_ratio", 1)
    reset = (
        (earlier - pl.col("stroke_ratio") > JUMP)
        & (earlier > band.high)
        & (pl.col("stroke_ratio") <= band.high)
    ).fill_null(value=False)
    other_arm = (pl.col("arm_length_mm") != _within("arm_length_mm", 1)).fill_null(value=False)
    opens = _within("episode", 1).is_null()
    rows = rows.with_columns(row=pl.int_range(pl.len()), other_arm=other_arm, opens=opens)
    rows = rows.with_columns(starts=pl.col("opens") | reset | other_arm)
    rows = rows.with_columns(
        part=pl.col("starts").cum_sum(),
        first_row=pl.when("starts").then("row").forward_fill(),
        opening_row=pl.when("opens").then("row").forward_fill(),
    )
    later_part = pl.col("first_row") > pl.col("opening_row")
    number = pl.col("part") - pl.col("part").gather("opening_row")
    unset = pl.lit(SOURCES[Source.FIRST_READING])

    def since_start(name: str) -> pl.Expr:
        value, first = pl.col(name), pl.col(name).gather("first_row")
        return pl.when(later_part).then(value - first).otherwise(value).alias(name)

    return rows.with_columns(
        since_start("weeks_since_set"),
        since_start("km_since_set"),
        since_start("wear_mm").fill_nan(None),
        wear_cv=pl.col("wear_sd_mm") / pl.col("wear_mm"),
        set_source=pl.when(later_part).then(unset).otherwise("set_source"),
        part_id=pl.format("{}#{}", "episode_id", number),
        place=pl.col("row") - pl.col("first_row"),
    )


def _with_rounding(rows: pl.DataFrame) -> pl.DataFrame:
    """Reading variance that rounding to 5 mm adds, where a reading looks and its reader is so."""
    stroke = pl.col("stroke_ratio") * pl.col("arm_length_mm")
    to_step = (stroke / COARSE_STEP_MM).round() * COARSE_STEP_MM - stroke
    by_chance = 0.2
    rows = rows.with_columns(
        on_step=to_step.abs() < STEP_SLACK_MM, reader=pl.col("reader").fill_null("")
    )
    fleet = _coarse_share(pl.col("on_step").mean(), by_chance)
    seen = pl.len().over("reader")
    own = _coarse_share(pl.col("on_step").mean().over("reader"), by_chance)
    share = (seen * own + READER_WORTH * fleet) / (seen + READER_WORTH)
    coarse = share / (share + (1 - share) * by_chance)
    added = COARSE_STEP_MM**2 / 12
    return rows.with_columns(
        rounding_var_mm2=pl.when("on_step").then(coarse * added).otherwise(0.0).fill_null(0.0)
    )


def _coarse_share(on_step: pl.Expr, by_chance: float) -> pl.Expr:
    """Share of readings rounded to the coarse step, when the rest hit it only by chance."""
    return ((on_step - by_chance) / (1 - by_chance)).clip(0.0, 1.0)


def _with_growth(rows: pl.DataFrame) -> pl.DataFrame:
    """Wear where none was read, never shrinking; the growth it stands for; its relative SD."""
    group = ["axle_type", "duty"]
    measured = pl.when(pl.col("km_since_set") > 0).then(
        pl.col("wear_mm").clip(0.0) / pl.col("km_since_set")
    )
    rate = measured.median().over(group).fill_null(measured.median())
    by_km = pl.col("km_since_set").clip(0.0) * rate.fill_null(UNREAD_MM_PER_KM)
    filled = pl.coalesce("wear_mm", by_km, pl.col("weeks_since_set") * UNREAD_MM_PER_WEEK)
    guess_cv = pl.when(rate.is_null() | pl.col("km_since_set").is_null()).then(UNREAD_CV)
    cv = pl.coalesce("wear_cv", guess_cv.otherwise(GROUP_WEAR_CV)).fill_nan(MOST_WEAR_CV)
    rows = rows.with_columns(
        wear_mm=filled.clip(0.0), wear_cv=cv.abs().clip(LEAST_WEAR_CV, MOST_WEAR_CV)
    )
    # A step of its own: inside a window the group's median would be taken part by part.
    rows = rows.with_columns(wear_mm=pl.col("wear_mm").cum_max().over("part"))
    return rows.with_columns(growth=pl.col("wear_mm") * pl.col("ratio_per_mm"))


def _thinned(rows: pl.DataFrame) -> pl.DataFrame:
    """At most ``MOST_READINGS`` per part: the first few and the latest."""
    if rows.height == 0 or rows.select(pl.col("place").max()).item() < MOST_READINGS:
        return rows
    latest = pl.col("place") >= pl.len().over("part").cast(pl.Int64) - (MOST_READINGS - FIRST_KEPT)
    return rows.filter((pl.col("place") < FIRST_KEPT) | latest)


def _episodes(rows: pl.DataFrame, groups: Groups) -> pl.DataFrame:
    last = [
        pl.col(name).last()
        for name in ("unit_id", "axle_id", "axle_type", "duty", "depot", "wear_mm", "wear_cv")
    ]
    episodes = rows.group_by("part", maintain_order=True).agg(
        *(pl.col(name).first() for name in ("wheel_end_id", "episode_id", "part_id")),
        *last,
        pl.col("set_source").first(),
        pl.col("other_arm").first(),
        first_read_on=pl.col("inspected_on").first(),
        last_read_on=pl.col("inspected_on").last(),
        first_ratio=pl.col("stroke_ratio").first(),
        last_ratio=pl.col("stroke_ratio").last(),
        first_was_left=pl.col("as_left").first(),
        arm_length_mm=pl.col("arm_length_mm").last(),
        ratio_per_mm=pl.col("ratio_per_mm").last(),
        weeks=pl.col("weeks_since_set").last(),
        km=pl.col("km_since_set").last(),
        stop_ratio=pl.col("stop_ratio").drop_nulls().last(),
        readings=pl.len(),
        read_on=pl.col("inspected_on"),
    )
    episodes = episodes.with_columns(group=pl.Series(group_codes(episodes, groups)))
    return episodes.with_columns(_places_within_wheel_end()).with_columns(_same_adjuster())


def group_codes(frame: pl.DataFrame, groups: Groups) -> NDArray[np.int64]:
    """Code of each row's axle type × duty; a pair that is not among the groups has the last."""
    coded = pl.DataFrame(
        [(*pair, code) for code, pair in enumerate(groups)],
        schema={"axle_type": pl.String, "duty": pl.String, "group": pl.Int64},
        orient="row",
    )
    keys = frame.select(pl.col("axle_type", "duty").cast(pl.String))
    found = keys.join(coded, on=["axle_type", "duty"], how="left", maintain_order="left")
    return found["group"].fill_null(len(groups)).to_numpy()


def _places_within_wheel_end() -> list[pl.Expr]:
    """Place of each part among its wheel end's, from the first (0) and to the last (0)."""
    wheel_end = pl.col("wheel_end_id").rle_id()
    row = pl.int_range(pl.len())
    first = pl.when((wheel_end != wheel_end.shift(1)).fill_null(value=True)).then(row)
    last = pl.when((wheel_end != wheel_end.shift(-1)).fill_null(value=True)).then(row)
    return [
        (row - first.forward_fill()).alias("order"),
        (last.backward_fill() - row).alias("from_last"),
    ]


def _same_adjuster() -> pl.Expr:
    replaced = pl.col("set_source") == SOURCES[Source.ADJUSTER_REPLACED]
    same = ~replaced & ~pl.col("other_arm") & (pl.col("order") > 0)
    return same.alias("same_adjuster")


def _histories(rows: pl.DataFrame, episodes: pl.DataFrame) -> StrokeHistories:
    count = episodes["readings"].to_numpy().astype(np.int64)
    width = max(int(count.max()) if len(count) else 0, 1)
    at = np.repeat(np.arange(len(count)), count), _places(count)
    kept = np.minimum(np.arange(width), np.maximum(count[:, None] - 1, 0))

    def padded(name: str) -> Floats:
        values = np.zeros((len(count), width))
        values[at] = rows[name].to_numpy()
        return np.take_along_axis(values, kept, axis=1)

    stop = episodes["stop_ratio"].cast(pl.Float64).fill_null(np.inf).to_numpy()
    sources = dict(zip(SOURCES, range(len(SOURCES)), strict=True))
    source = episodes["set_source"].replace_strict(sources, return_dtype=pl.Int64)
    return StrokeHistories(
        ratio=padded("stroke_ratio"),
        growth=padded("growth"),
        weeks=padded("weeks_since_set"),
        arm_mm=padded("arm_length_mm"),
        rounding_var_mm2=padded("rounding_var_mm2"),
        used=np.arange(width) < count[:, None],
        wear_cv=episodes["wear_cv"].to_numpy(),
        stop_ratio=stop,
        group=episodes["group"].to_numpy(),
        source=source.to_numpy(),
        next_growth=np.zeros(len(count)),
        next_growth_sd=np.zeros(len(count)),
    )


def _places(count: NDArray[np.int64]) -> NDArray[np.int64]:
    """0, 1, … within each run of the given lengths."""
    ends = np.cumsum(count)
    return np.arange(int(ends[-1]) if len(ends) else 0) - np.repeat(ends - count, count)
