"""Figures of each wheel end's present setting: of what was read since, or of what settings do.

A setting that nobody has read yet is judged by how settings of its kind and depot turn out, by the
trouble that the same adjuster had before, and by the chance that a working one has failed since.
"""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.adjustment.flags import sudden_changes
from models.adjustment.fleet import BLOCK, WRONG_STARTS, FleetDrift
from models.adjustment.indicators import INDICATORS, UNKNOWN, indicator_codes, likelihood
from models.adjustment.states import (
    IN_BAND,
    STATES,
    DriftStates,
    Weighed,
    by_state,
    joined,
    mixed_moments,
    states,
    weighed_families,
)
from models.adjustment.strokes.explanations import (
    EVERY,
    Explanations,
    columns_of,
    columns_starting,
    explain,
)
from models.adjustment.strokes.histories import StrokeHistories
from models.adjustment.strokes.parameters import (
    SOURCES,
    WEEKS_PER_YEAR,
    WIDEST_RATIO,
    DriftParameters,
    Kind,
    Source,
    Start,
)
from models.adjustment.strokes.readings import (
    GROUP_WEAR_CV,
    UNREAD_MM_PER_WEEK,
    Groups,
    PreparedReadings,
    group_codes,
)
from models.adjustment.today import (
    FAILURES,
    USUAL_GRABBING,
    Ahead,
    Stopped,
    StrokeOnDay,
    chance_out_on_day,
    stroke_on_day,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# A setting, a reline or grease seldom cures an adjuster: this share of the trouble is still there.
TROUBLE_OUTLASTS_SETTING = 0.6
PARTS_LOOKED_BACK = 3
NEXT_WEAR_CV = 0.3
WEEK_DAYS = 7.0
# Settings are hardly ever wrong more often than this, whatever a depot's few records say.
MOST_WRONG = 0.8
# A unit that left between two checks ran on for half the weeks between them, in the mean, where
# nothing better is known of it.
LEFT_AFTER = 0.5

RATIOS_BEFORE = ("ratio_before", "ratio_before_that")
OF_EPISODE = (
    *("set_source", "first_ratio", "last_ratio", "first_was_left", "arm_length_mm", "ratio_per_mm"),
    *("wear_mm", "km", "weeks", "readings", "read_on", "last_read_on", *RATIOS_BEFORE),
)
OF_OUTLOOK = (
    *("check_weeks", "wear_since_mm", "wear_to_next_mm", "wear_to_next_sd_mm", "wear_z"),
    *("p_failed_since", "p_fail_next", "may_fail", "grabbing_share", "stop_ratio", "test_failed"),
    *("p_in_fleet", "weeks_if_left"),
)


@dataclass(frozen=True, slots=True)
class _Parts:
    """Present parts: what is on record of them, their histories, and what their adjusters bring.

    ``carried`` (n, kinds); ``wrong`` (n,) times as many wrong settings as the group's.
    """

    frame: pl.DataFrame
    histories: StrokeHistories
    carried: Floats
    wrong: Floats


def present_parts(
    prepared: PreparedReadings, outlook: pl.DataFrame, fleet: FleetDrift, as_of: date
) -> pl.DataFrame:
    """Figures of each wheel end's present setting, for those that have one on record or a reading.

    Those of the stroke itself are null where it was not read since.
    """
    parts = _present(prepared, outlook, fleet)
    found = [_figures(part, prepared, fleet, as_of) for part in parts]
    return pl.concat(found, how="diagonal_relaxed")


def present_states(
    prepared: PreparedReadings, outlook: pl.DataFrame, fleet: FleetDrift
) -> pl.DataFrame:
    """Of the same figures, those alone that flags are raised by: a fraction of the work."""
    parts = _present(prepared, outlook, fleet)
    return pl.concat([_states(part, prepared, fleet) for part in parts], how="diagonal_relaxed")


def _present(
    prepared: PreparedReadings, outlook: pl.DataFrame, fleet: FleetDrift
) -> tuple[_Parts, _Parts]:
    """Parts in force that were read, and settings on record that were not."""
    episodes = _with_ratio_before(_with_outlook(prepared.episodes, outlook))
    carried = carried_troubles(prepared.histories, episodes, fleet.fit.parameters)
    return (
        _read_parts(prepared, episodes, carried),
        _unread_parts(prepared, episodes, carried, outlook, fleet),
    )


def _figures(
    parts: _Parts, prepared: PreparedReadings, fleet: FleetDrift, as_of: date
) -> pl.DataFrame:
    """Probabilities, moments and findings of some parts."""
    part = _with_growth_ahead(parts.frame, as_of)
    histories = _with_next_growth(parts.histories, part)
    found = _found(part, prepared)
    codes = _codes(found, is_read=part["readings"].to_numpy() > 0)
    judged = _judged(
        replace(parts, frame=part, histories=histories), likelihood(codes, fleet.tables), fleet
    )
    changes = sudden_changes(histories, fleet.fit.parameters)
    figures = part.select("wheel_end_id", *OF_EPISODE).with_columns(
        *_state_columns(judged),
        *(pl.Series(f"found_{name}", code) for name, code in codes.items()),
        *(found[name] for name in ("applied_stroke_mm", "readjust_limit_mm")),
        changed=pl.Series(changes.changed),
        began=pl.Series(np.where(changes.changed, changes.reading, judged.began)),
        trouble_before=pl.Series(parts.carried.sum(axis=1) > 0.5 * TROUBLE_OUTLASTS_SETTING),
    )
    figures = _where_read(figures, SEEN)
    return _as_left(figures) if fleet.left_alone else figures


def _states(parts: _Parts, prepared: PreparedReadings, fleet: FleetDrift) -> pl.DataFrame:
    """Probabilities of the states, the ratio last read, and findings of some parts."""
    part = parts.frame
    codes = _codes(_found(part, prepared), is_read=part["readings"].to_numpy() > 0)
    weigh = _weighing(parts, likelihood(codes, fleet.tables), fleet, deficits=())
    weighed = [weigh(rows) for rows in _blocks(len(parts.histories))]
    probability = np.concatenate([by_state(w) for _, w in weighed])
    read = [mixed_moments(w.held_in + w.weight, e.now, e.now_var) for e, w in weighed]
    ratio, ratio_var = (np.concatenate(moment) for moment in zip(*read, strict=True))
    figures = part.select(
        *("wheel_end_id", "readings", "first_was_left", "last_read_on"),
        pl.col("last_ratio", *RATIOS_BEFORE).cast(pl.Float64),
    ).with_columns(
        *_probability_columns(probability),
        *(pl.Series(f"found_{name}", code) for name, code in codes.items()),
        read_ratio=pl.Series(ratio),
        read_ratio_sd=pl.Series(np.sqrt(ratio_var)),
        p_by_strokes=pl.Series(np.concatenate([w.by_strokes for _, w in weighed])),
    )
    figures = _where_read(figures, ("read_ratio", "read_ratio_sd"))
    return _as_left(figures) if fleet.left_alone else figures


def _where_read(figures: pl.DataFrame, names: Sequence[str]) -> pl.DataFrame:
    """Null where nothing was read since the setting."""
    read = pl.col("readings") > 0
    return figures.with_columns(pl.when(read).then(pl.col(name)).alias(name) for name in names)


def _as_left(figures: pl.DataFrame) -> pl.DataFrame:
    """Of a fleet that writes strokes down as left alone: what came of them since is not known."""
    since = {*SEEN, "p_out_now", "p_out_next_check", "last_read_on"} - {
        "read_ratio",
        "read_ratio_sd",
    }
    unknown = [name for name in figures.columns if name in since]
    return figures.with_columns(
        pl.lit(None, dtype=figures.schema[name]).alias(name) for name in unknown
    )


def _found(part: pl.DataFrame, prepared: PreparedReadings) -> pl.DataFrame:
    """What else was found at these wheel ends."""
    return part.select("wheel_end_id", "wear_z", "test_failed").join(
        prepared.findings, on="wheel_end_id", how="left", maintain_order="left"
    )


def _codes(found: pl.DataFrame, *, is_read: NDArray[np.bool_]) -> dict[str, Ints]:
    """Findings of the present setting; a return test that failed stands until another adjuster."""
    codes = indicator_codes(found)
    codes = {name: np.where(is_read, code, UNKNOWN) for name, code in codes.items()}
    failed = found["test_failed"].cast(pl.Int64).fill_null(UNKNOWN).to_numpy()
    codes["return_test"] = np.where(failed == UNKNOWN, codes["return_test"], failed)
    assert codes.keys() == INDICATORS.keys()
    return codes


@dataclass(frozen=True, slots=True)
class _Judged:
    """States, the stroke on the as-of day, the chance that it is outside the band at the next check
    (n,), and where trouble likely began."""

    states: DriftStates
    now: StrokeOnDay
    p_out_next: Floats
    began: Ints


def _blocks(n: int) -> list[slice]:
    return [slice(start, start + BLOCK) for start in range(0, max(n, 1), BLOCK)]


def _weighing(
    parts: _Parts, found: Floats, fleet: FleetDrift, deficits: Collection[int] = EVERY
) -> Callable[[slice], tuple[Explanations, Weighed]]:
    """Explains and weighs a block of the parts; ``found``: likelihood of what else was found."""
    parameters = fleet.fit.parameters
    prior = _with_carried(parts.histories.group, parts.carried, parameters)

    def weigh(rows: slice) -> tuple[Explanations, Weighed]:
        part = parts.histories.rows(rows)
        explained = explain(part, parameters, prior[rows], deficits=deficits)
        explained = _with_depots_settings(explained, part, parameters, parts.wrong[rows])
        return explained, weighed_families(explained, fleet.band, found[rows])

    return weigh


def _judged(parts: _Parts, found: Floats, fleet: FleetDrift) -> _Judged:
    """Block by block."""
    parameters = fleet.fit.parameters
    weigh = _weighing(parts, found, fleet)
    now, then = (_ahead(parts, parameters, at) for at in ("now", "next"))
    left = _stopped(parts.frame, now)
    blocks = []
    for rows in _blocks(len(parts.histories)):
        explained, weighed = weigh(rows)
        blocks.append(
            _Judged(
                states(explained, weighed, parts.histories.wear_cv[rows]),
                stroke_on_day(
                    explained,
                    weighed,
                    fleet.band,
                    _some(now, rows),
                    Stopped(left.chance[rows], _some(left.ahead, rows)),
                ),
                chance_out_on_day(explained, weighed, fleet.band, _some(then, rows)),
                explained.began,
            )
        )
    return _Judged(
        joined([b.states for b in blocks]),
        _joined_days([b.now for b in blocks]),
        np.concatenate([b.p_out_next for b in blocks]),
        np.concatenate([b.began for b in blocks]),
    )


def _some(ahead: Ahead, rows: slice) -> Ahead:
    return Ahead(*(getattr(ahead, name)[rows] for name in Ahead.__slots__))


def _joined_days(days: list[StrokeOnDay]) -> StrokeOnDay:
    names = StrokeOnDay.__slots__
    return StrokeOnDay(*(np.concatenate([getattr(d, name) for d in days]) for name in names))


def _with_depots_settings(
    explained: Explanations, h: StrokeHistories, parameters: DriftParameters, wrong: Floats
) -> Explanations:
    """Wrong settings as frequent as the depot makes them, where nobody has read the setting yet.

    Without a reading the posterior is the prior, so its parts may be weighed anew.
    """
    usual = parameters.wrong_share[h.group, h.source].sum(axis=1)
    own = np.minimum(usual * wrong, MOST_WRONG)
    p = explained.probability.copy()
    for start in WRONG_STARTS:
        p[:, columns_starting(start)] *= (own / usual)[:, None]
    p[:, columns_starting(Start.RIGHT)] *= ((1 - own) / (1 - usual))[:, None]
    return replace(explained, probability=p)


def _ahead(parts: _Parts, parameters: DriftParameters, at: str) -> Ahead:
    """From the last reading to the as-of day (``now``) or to the next check (``next``)."""
    part, h = parts.frame, parts.histories
    years = part[f"weeks_to_{at}"].to_numpy() / WEEKS_PER_YEAR
    rate = parameters.per_year[h.group][:, list(FAILURES)].sum(axis=1)
    by_time = -np.expm1(-rate * years)
    own = _numbers(part, "p_failed_since" if at == "now" else "p_fail_next")
    return Ahead(
        share=np.ones(len(h)) if at == "next" else part["share_now"].to_numpy(),
        growth=h.next_growth,
        growth_sd=h.next_growth_sd,
        failed=np.where(np.isnan(own), by_time, own),
        may_fail=_numbers(part, "may_fail", 1.0),
        grabbing=_numbers(part, "grabbing_share", float(USUAL_GRABBING)),
        stop=np.minimum(_numbers(part, "stop_ratio", WIDEST_RATIO), WIDEST_RATIO),
    )


def _stopped(part: pl.DataFrame, now: Ahead) -> Stopped:
    """Units that have left the fleet stopped some weeks after they were last seen, if so long ago.

    Their share of the wear is that of the weeks; failures come at one rate over them.
    """
    weeks = part["weeks_to_now"].to_numpy()
    half = LEFT_AFTER * part["check_weeks"].to_numpy()
    stopped = _numbers(part, "weeks_if_left")
    ran = np.minimum(np.where(np.isnan(stopped), half, stopped), weeks) / np.maximum(weeks, 1e-9)
    failed = -np.expm1(ran * np.log1p(-np.minimum(now.failed, 1 - 1e-12)))
    return Stopped(
        1 - _numbers(part, "p_in_fleet", 1.0), replace(now, share=now.share * ran, failed=failed)
    )


def _numbers(frame: pl.DataFrame, name: str, otherwise: float = np.nan) -> Floats:
    return np.asarray(frame[name].cast(pl.Float64).fill_null(otherwise).to_numpy(), float)


def _with_outlook(episodes: pl.DataFrame, outlook: pl.DataFrame) -> pl.DataFrame:
    """Episodes with the outlook's figures; ``present`` marks the latest part, if still in force."""
    ahead = outlook.select("wheel_end_id", pl.col("episode_id").alias("now_in"), *OF_OUTLOOK)
    latest = pl.col("from_last") == 0
    in_force = (pl.col("now_in") == pl.col("episode_id")).fill_null(value=True)
    kept = episodes.drop("stop_ratio")
    return kept.join(ahead, on="wheel_end_id", how="left", maintain_order="left").with_columns(
        present=latest & in_force
    )


def _with_ratio_before(episodes: pl.DataFrame) -> pl.DataFrame:
    """``ratio_before``: what the same adjuster's stroke was read as last before the setting, and
    ``ratio_before_that`` before the one before."""
    for name, later in zip(RATIOS_BEFORE, ("last_ratio", *RATIOS_BEFORE), strict=False):
        before = pl.col(later).cast(pl.Float64).shift(1)
        episodes = episodes.with_columns(pl.when("same_adjuster").then(before).alias(name))
    return episodes


def _read_parts(prepared: PreparedReadings, episodes: pl.DataFrame, carried: Floats) -> _Parts:
    rows = np.flatnonzero(episodes["present"].to_numpy() & (prepared.histories.readings > 0))
    frame = episodes[rows].with_columns(from_on=pl.col("last_read_on"))
    return _Parts(frame, prepared.histories.rows(rows), carried[rows], np.ones(len(rows)))


def _unread_parts(
    prepared: PreparedReadings,
    episodes: pl.DataFrame,
    carried: Floats,
    outlook: pl.DataFrame,
    fleet: FleetDrift,
) -> _Parts:
    """Settings on record that nobody has read yet."""
    read = episodes.filter("present").select("wheel_end_id")
    known = pl.all_horizontal(
        pl.col("set_on", "set_source", "arm_length_mm", "ratio_per_mm").is_not_null()
    )
    # Where no stroke was ever found, nothing is known of how this fleet's settings turn out.
    taught = pl.lit(fleet.fit.episodes > 0 and not fleet.left_alone)
    unread = outlook.filter(known & taught).join(
        read, on="wheel_end_id", how="anti", maintain_order="left"
    )
    brought = _brought(prepared, episodes, carried, unread, fleet.fit.parameters)
    factors = fleet.wrong_by_depot
    wrong = np.array([factors.get(d, 1.0) for d in unread["depot"]], float)
    frame = unread.select(
        "wheel_end_id",
        *OF_OUTLOOK,
        *("set_source", "arm_length_mm", "ratio_per_mm"),
        *(pl.lit(None).alias(name) for name in ("first_ratio", "last_ratio", "first_was_left")),
        *(pl.lit(None, dtype=pl.Float64).alias(name) for name in ("wear_mm", "km", "weeks")),
        **_last_ratios(episodes, unread),
        read_on=pl.lit(None, dtype=pl.List(pl.Date)),
        last_read_on=pl.lit(None, dtype=pl.Date),
        readings=pl.lit(0, dtype=pl.UInt32),
        from_on=pl.col("set_on"),
    )
    return _Parts(frame, _nothing_read(unread, fleet.groups), brought, wrong)


def _last_ratios(episodes: pl.DataFrame, unread: pl.DataFrame) -> dict[str, pl.Series]:
    """What each wheel end's stroke was read as before a setting that nobody has read since, and
    before the one before that; null where it was another adjuster's."""
    last = episodes.filter(from_last=0).select(
        "wheel_end_id", before="last_ratio", before_that="ratio_before"
    )
    joined = unread.select("wheel_end_id", "set_source").join(
        last, on="wheel_end_id", how="left", maintain_order="left"
    )
    same = pl.col("set_source") != SOURCES[Source.ADJUSTER_REPLACED]
    ratios = joined.select(pl.when(same).then(pl.col("before", "before_that").cast(pl.Float64)))
    return dict(zip(RATIOS_BEFORE, ratios.get_columns(), strict=True))


def _nothing_read(unread: pl.DataFrame, groups: Groups) -> StrokeHistories:
    """Histories without a reading."""
    size = unread.height
    none, empty = np.zeros((size, 1)), np.zeros(size)
    sources = dict(zip(SOURCES, range(len(SOURCES)), strict=True))
    return StrokeHistories(
        ratio=none,
        growth=none,
        weeks=none,
        arm_mm=unread["arm_length_mm"].cast(pl.Float64).to_numpy()[:, None],
        rounding_var_mm2=none,
        used=np.zeros((size, 1), dtype=bool),
        wear_cv=np.full(size, GROUP_WEAR_CV),
        stop_ratio=np.full(size, np.inf),
        group=group_codes(unread, groups),
        source=unread["set_source"].replace_strict(sources, return_dtype=pl.Int64).to_numpy(),
        next_growth=empty,
        next_growth_sd=empty,
    )


def _brought(
    prepared: PreparedReadings,
    episodes: pl.DataFrame,
    carried: Floats,
    unread: pl.DataFrame,
    parameters: DriftParameters,
) -> Floats:
    """(n, kinds) trouble that adjusters bring into settings nobody has read yet."""
    at = unread.select("wheel_end_id", "set_source").with_row_index("to")
    last = episodes.with_row_index("row").filter((pl.col("from_last") == 0) & ~pl.col("present"))
    same = at.filter(pl.col("set_source") != SOURCES[Source.ADJUSTER_REPLACED])
    both = last.select("wheel_end_id", "row").join(same, on="wheel_end_id", maintain_order="left")
    rows, to = both["row"].to_numpy(), both["to"].to_numpy()
    brought = np.zeros((unread.height, len(Kind)))
    for block in (slice(i, i + BLOCK) for i in range(0, len(rows), BLOCK)):
        some = rows[block]
        prior = _with_carried(prepared.histories.group[some], carried[some], parameters)
        trouble = _troubles(prepared.histories.rows(some), parameters, prior)
        brought[to[block]] = TROUBLE_OUTLASTS_SETTING * trouble
    return brought


def _with_growth_ahead(part: pl.DataFrame, as_of: date) -> pl.DataFrame:
    """Growth of the ratio from the last reading to the next check if nothing were taken up, its SD,
    the weeks that takes and the share that has come by the as-of day.

    Where nobody knows the km, wear goes by time as it went before.
    """
    weekly = pl.when(pl.col("weeks") > 1).then(pl.col("wear_mm") / pl.col("weeks"))
    now = (pl.lit(as_of) - pl.col("from_on")).dt.total_days().clip(0) / WEEK_DAYS
    part = part.with_columns(weekly=weekly.fill_null(UNREAD_MM_PER_WEEK), weeks_to_now=now)
    part = part.with_columns(weeks_to_next=pl.max_horizontal("check_weeks", "weeks_to_now"))
    wear = pl.coalesce("wear_to_next_mm", pl.col("weekly") * pl.col("weeks_to_next")).clip(0.0)
    sd = pl.coalesce("wear_to_next_sd_mm", NEXT_WEAR_CV * wear)
    by_km = pl.col("wear_since_mm") / pl.col("wear_to_next_mm")
    by_weeks = pl.col("weeks_to_now") / pl.col("weeks_to_next")
    share = pl.coalesce(by_km.fill_nan(None), by_weeks.fill_nan(None), pl.lit(0.0))
    return part.with_columns(
        next_growth=wear * pl.col("ratio_per_mm"),
        next_growth_sd=sd * pl.col("ratio_per_mm"),
        share_now=share.clip(0.0, 1.0),
    )


def _with_next_growth(histories: StrokeHistories, part: pl.DataFrame) -> StrokeHistories:
    growth, sd = (_numbers(part, name, 0.0) for name in ("next_growth", "next_growth_sd"))
    return replace(histories, next_growth=growth, next_growth_sd=sd)


def carried_troubles(
    histories: StrokeHistories, episodes: pl.DataFrame, parameters: DriftParameters
) -> Floats:
    """(n, kinds) trouble each part starts with because the same adjuster had it before.

    A setting, a reline or grease seldom cures an adjuster; another adjuster starts afresh. Only the
    latest parts of a wheel end are looked back on.
    """
    from_last = episodes["from_last"].to_numpy()
    same = episodes["same_adjuster"].to_numpy()
    carried = np.zeros((len(histories), len(Kind)))
    for back in range(PARTS_LOOKED_BACK - 1, 0, -1):
        rows = np.flatnonzero(from_last == back)
        for block in (rows[i : i + BLOCK] for i in range(0, len(rows), BLOCK)):
            prior = _with_carried(histories.group[block], carried[block], parameters)
            trouble = _troubles(histories.rows(block), parameters, prior)
            # Parts are in order, so the next part of the same wheel end is the next row.
            carried[block + 1] = TROUBLE_OUTLASTS_SETTING * trouble * same[block + 1, None]
    return carried


def _troubles(h: StrokeHistories, parameters: DriftParameters, prior: Floats) -> Floats:
    """(n, kinds) posterior of each trouble, from its prior from the setting on."""
    explained = explain(h, parameters, prior, lines=(), deficits=())
    kinds = [explained.probability[:, columns_of(kind)].sum(axis=1) for kind in Kind]
    return np.stack(kinds, axis=1)


def _with_carried(group: Ints, carried: Floats, parameters: DriftParameters) -> Floats:
    """Prior of trouble from the setting on: what the adjuster brings, else the group's."""
    rest = 1 - carried.sum(axis=1, keepdims=True)
    prior: Floats = carried + rest * parameters.from_set[group]
    return prior


def _state_columns(judged: _Judged) -> list[pl.Series]:
    found = judged.states
    columns = _probability_columns(found.probability)
    now = {"stroke_ratio": "ratio", "stroke_ratio_sd": "ratio_sd"}
    now |= {"stroke_ratio_p10": "low", "stroke_ratio_p90": "high", "p_out_now": "p_out"}
    columns += [pl.Series(name, getattr(judged.now, of)) for name, of in now.items()]
    # What is out now is taken to be so at the next check, unless somebody puts it right.
    by_next = np.maximum(judged.now.p_out, judged.p_out_next)
    columns.append(pl.Series("p_out_next_check", by_next))
    columns += [pl.Series(name, getattr(found, name)) for name in STATE_FIGURES]
    return columns


def _probability_columns(probability: Floats) -> list[pl.Series]:
    """Of (n, states): that of each, and of any trouble."""
    columns = [pl.Series(f"p_{name}", p) for name, p in zip(STATES, probability.T, strict=True)]
    return [*columns, pl.Series("p_trouble", 1 - probability[:, IN_BAND])]


STATE_FIGURES = (
    *("read_ratio", "read_ratio_sd", "next_ratio", "deficit", "deficit_sd"),
    *("take_up", "take_up_low", "take_up_high", "take_up_in_trouble"),
    *("p_misread", "p_by_strokes"),
)
# What only readings tell.
SEEN = (
    *("stroke_ratio", "stroke_ratio_sd", "stroke_ratio_p10", "stroke_ratio_p90"),
    *(name for name in STATE_FIGURES if name != "p_by_strokes"),
)
