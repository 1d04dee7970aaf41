"""Which part lasts: wear and lives by the part that was fitted, for the two marts of parts."""

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import duckdb
import numpy as np
import polars as pl

from models.common.distributions import two_sided_z
from models.common.multiple_tests import holm
from models.common.units import KM_PER_UNIT
from models.lives.decisions.fleet import log_slopes
from models.lives.effects.duty_ratios import compare_duties
from models.lives.effects.watched import WatchedLives
from models.lives.fits.distributions import LifeDistribution
from models.lives.fits.parametric import LifeFit, choose_life
from models.parts.assignment import Assignment, assignment
from models.parts.sample_size import failures_needed, linings_needed
from models.parts.wear_ratios import PartRatio, label, part_ratios, sums_by_part
from models.wear.fit import fit_wear
from models.wear.generations.names import newest, without_generations
from models.wear.result import WearFit, WearRate
from models.wear.shape.thinning import Thinning
from pipeline.marts import marts
from pipeline.marts.lives.fits import Row, finite, frame_of
from pipeline.marts.lives.found import counts_of
from pipeline.marts.lives.watched import watched_lives
from pipeline.marts.results import Fits
from pipeline.settings import Settings
from pipeline.warehouse import warehouse

SEED = 50_000
# What a fleet would want to see: 10 % of wear is a tenth of the lining bill; of failures, a third.
TOLD_APART = {"lining": 1.10, "adjuster": 1.5}
KM_TOLD = 100_000.0
# A mean life that may as well be a thousand times as long is not known.
KNOWN_WITHIN = 1_000.0


def write_part_marts(con: duckdb.DuckDBPyConnection, settings: Settings, fits: Fits) -> None:
    """Figures of every part on record, and every pair compared; empty where no part is named."""
    linings, adjusters = _fitted(con, "lining"), _fitted(con, "adjuster")
    figures: list[Row] = []
    compared: list[Row] = []
    if linings.height:
        figures, compared = _linings(con, settings, fits, linings)
    if adjusters.height:
        more, pairs = _adjusters(con, settings, adjusters)
        figures, compared = figures + more, compared + pairs
    marts.write(con, "part_figures", frame_of("part_figures", figures))
    marts.write(con, "part_comparisons", frame_of("part_comparisons", compared))


def _fitted(con: duckdb.DuckDBPyConnection, kind: str) -> pl.DataFrame:
    """Fittings of named parts: id, unit_id, depot, axle_type, duty, part, fitted_on."""
    table, key, on = {
        "lining": ("stage.lining_lives", "life_id", "started_on"),
        "adjuster": ("stage.adjuster_lives", "adjuster_id", "fitted_on"),
    }[kind]
    return warehouse.fetch(
        con,
        f"""select l.{key} as id, l.unit_id, l.depot, l.axle_type, d.duty, l.part,
            l.{on} as fitted_on
        from {table} l
        inner join stage.duty_spells d
            on d.unit_id = l.unit_id and d.from_on <= l.{on} and l.{on} < d.until_on
        where l.part is not null""",
        order="id",
    ).with_columns(
        group=pl.concat_str("axle_type", "duty", separator=" in "),
        day=pl.col("fitted_on").to_physical().cast(pl.Float64),
    )


def _linings(
    con: duckdb.DuckDBPyConnection,
    settings: Settings,
    fits: Fits,
    fitted: pl.DataFrame,
) -> tuple[list[Row], list[Row]]:
    sums = fits.sums
    named = pl.DataFrame({"id": sums.life_id}).join(
        fitted.select("id", "part"), on="id", how="left", maintain_order="left"
    )
    if named["part"].null_count() == named.height:
        return _uncounted(fitted), []
    # What came later is known here by its name.
    fit = fit_wear(sums_by_part(without_generations(sums), named["part"]))
    worn = lining_worn(con, fits.thinning)
    # In the duties as they are run now.
    run = {name: duty for duty, name in newest(fit.duties).items()}
    rates = [replace(r, duty=run[r.duty]) for r in fit.rates if r.lives and r.duty in run]
    figures = [_wear_row(rate, worn, settings, fitted) for rate in rates]
    dealt = _dealings(fitted)
    pairs = [
        replace(r, duty=r.duty and run[r.duty])
        for r in part_ratios(fit)
        if r.duty is None or r.duty in run
    ]
    return figures or _uncounted(fitted), [
        _wear_pair(r, fit, dealt.get((r.part_a, r.part_b))) for r in pairs
    ]


def _uncounted(fitted: pl.DataFrame) -> list[Row]:
    """Parts whose linings have not been read enough."""
    note = "too few readings of it for a wear rate"
    return [_counted("lining", part, fitted) | {"note": note} for part in _parts(fitted)]


def lining_worn(con: duckdb.DuckDBPyConnection, thinning: Thinning | None) -> dict[str, float]:
    """Lining worn away when this fleet relines, by axle type [mm], as rates count it."""
    found = warehouse.fetch(con, _WORN)
    if thinning is None:
        return dict(found.select("axle_type", "mm").iter_rows())
    usable = found["usable_mm"].to_numpy()
    scale = thinning.scale(usable, np.zeros(len(usable)))
    even = usable - scale.even_mm(usable - found["mm"].to_numpy())
    return dict(zip(found["axle_type"], even.tolist(), strict=True))


_WORN = """
    select l.axle_type,
        cast(sum(cast(e.lining_new_mm - r.lining_mm as decimal(38, 9))) as double) / count(*) as mm,
        cast(sum(cast(e.lining_new_mm - e.lining_min_mm as decimal(38, 9))) as double) / count(*)
            as usable_mm
    from stage.lining_lives l
    inner join judge.wheel_ends e on e.wheel_end_id = l.wheel_end_id
    inner join (
        select life_id, max_by(lining_mm, (inspected_on, as_left)) as lining_mm
        from stage.lining_readings where lining_mm is not null group by life_id
    ) r on r.life_id = l.life_id
    where l.ended_on is not null
    group by l.axle_type"""


def _wear_row(
    rate: WearRate, worn: dict[str, float], settings: Settings, fitted: pl.DataFrame
) -> Row:
    axle_type, part = label(rate.axle_type)
    row = _counted("lining", part, fitted, axle_type, rate.duty)
    row |= {"mm_per_10000km": rate.mm_per_10000km}
    mm = worn.get(axle_type)
    if mm is None or not (rate.mm_per_10000km > 0.0 and mm > 0.0):
        return row | {"note": "none of this axle type was worn out yet, or no wear is seen"}
    limits = (rate.ci_high, rate.mm_per_10000km, rate.ci_low)
    low, life, high = (mm / r * KM_PER_UNIT if r > 0.0 else None for r in limits)
    costs = settings.costs
    price, borrowed = _price(settings, part, costs.lining_kit)
    each = price + costs.reline_labour + costs.drum_share * costs.drum
    return row | {
        "mean_life_km": life,
        "life_ci_low": low,
        "life_ci_high": high,
        "price": price,
        **_cost_rate(each, low, life, high),
        "note": " ".join(filter(None, (borrowed, _LEANS if rate.shrunk else ""))) or None,
    }


_LEANS = "Few units: its wear leans on the part's other duties."


def _cost_rate(each: float, low: float | None, life: float | None, high: float | None) -> Row:
    """Cost per 100,000 km from what one costs and how long it lasts."""
    dear, middle, cheap = (each / km * KM_TOLD if km else None for km in (low, life, high))
    return {"cost_per_100000km": middle, "cost_ci_low": cheap, "cost_ci_high": dear}


def _price(settings: Settings, part: str, usual: float) -> tuple[float, str]:
    """What the part costs, and where that comes from if not from its own price."""
    own = settings.parts.get(part)
    if own is not None and own.price is not None:
        return own.price, ""
    return usual, f'Its price is that of [costs]: none stands under [parts."{part}"].'


def _counted(
    kind: str,
    part: str,
    fitted: pl.DataFrame,
    axle_type: str | None = None,
    duty: str | None = None,
) -> Row:
    of_it = fitted.filter(pl.col("part") == part)
    if axle_type is not None:
        of_it = of_it.filter(pl.col("axle_type") == axle_type, pl.col("duty") == duty)
    return {
        "kind": kind,
        "part": part,
        "axle_type": axle_type,
        "duty": duty,
        "fitted": of_it.height,
        "units": of_it["unit_id"].n_unique(),
    }


def _parts(fitted: pl.DataFrame) -> list[str]:
    return fitted["part"].unique().sort().to_list()


@dataclass(frozen=True, slots=True)
class Dealt:
    """How a pair of parts was fitted: the numbers, and in words."""

    found: Assignment
    words: str


def _dealings(fitted: pl.DataFrame) -> dict[tuple[str, str], Dealt]:
    parts = _parts(fitted)
    found = {}
    for a in parts:
        for b in parts:
            how = assignment(fitted, a, b, seed=SEED) if a < b else None
            if how is not None:
                found[a, b] = Dealt(how, _dealt_words(how, fitted, a, b))
    return found


def _dealt_words(how: Assignment, fitted: pl.DataFrame, a: str, b: str) -> str:
    if how.at_random:
        return (
            f"Nothing speaks against chance: {how.depots_both} of {how.depots} depots fitted both, "
            f"{how.units_both:.0%} of units had both."
        )
    said = []
    if how.by_depot:
        said.append(
            f"Depots fitted them unevenly ({how.depots_both} of {how.depots} fitted both): what "
            "differs between depots is in the ratio."
        )
    if how.by_time:
        middle = {part: _middle_day(fitted, part) for part in (a, b)}
        said.append(
            f"They came at different times (half of {a} by {middle[a]}, half of {b} by "
            f"{middle[b]}): what else changed meanwhile is in the ratio."
        )
    return " ".join((*said, f"To know: fit {a} and {b} by turns at each depot from now on."))


def _middle_day(fitted: pl.DataFrame, part: str) -> dt.date:
    """The day by which half of a part was fitted."""
    days = fitted.filter(pl.col("part") == part)["fitted_on"].sort()
    day: dt.date = days[(days.len() - 1) // 2]
    return day


def _wear_pair(ratio: PartRatio, fit: WearFit, dealt: Dealt | None) -> Row:
    return {
        "kind": "lining",
        "axle_type": ratio.axle_type,
        "duty": ratio.duty,
        "measure": "wear_rate_ratio",
        "part_a": ratio.part_a,
        "part_b": ratio.part_b,
        "ratio": ratio.ratio,
        "ci_low": ratio.ci_low,
        "ci_high": ratio.ci_high,
        "p": ratio.p,
        "p_adjusted": ratio.p_adjusted,
        "needed": _linings_needed(fit, ratio.part_a),
        "at_random": dealt.found.at_random if dealt else None,
        "note": dealt.words if dealt else None,
    }


def _linings_needed(fit: WearFit, part: str) -> int | None:
    """From what the rates of this part are known to now, and by how many linings."""
    rates = [r for r in fit.rates if label(r.axle_type)[1] == part and not r.shrunk and r.lives]
    known = [r for r in rates if r.mm_per_10000km > 0.0]
    if not known:
        return None
    rate = float(np.average([r.mm_per_10000km for r in known], weights=[r.lives for r in known]))
    each = float(np.average([r.lives * r.se**2 for r in known], weights=[r.lives for r in known]))
    return linings_needed(rate, each, TOLD_APART["lining"])


def _adjusters(
    con: duckdb.DuckDBPyConnection, settings: Settings, fitted: pl.DataFrame
) -> tuple[list[Row], list[Row]]:
    watched = _watched_by_part(con, settings, fitted)
    groups: list[tuple[str | None, str | None]] = [(None, None)]
    groups += sorted(fitted.select("axle_type", "duty").unique().iter_rows())
    figures: list[Row] = []
    over_all: list[Row] = []
    singly: list[Row] = []
    dealt = _dealings(fitted)
    for axle_type, duty in groups:
        part_of = _within(watched, axle_type, duty)
        figures += [
            _life_row(part_of, part, settings, _counted("adjuster", part, fitted, axle_type, duty))
            for part in _parts(fitted)
        ]
        pairs = _life_pairs(part_of, settings.adjusters.fewest_failures, dealt)
        of_it = [pair | {"axle_type": axle_type, "duty": duty} for pair in pairs]
        if axle_type is None:
            over_all = of_it
        else:
            singly += of_it
    return [row for row in figures if row["fitted"]], [*over_all, *adjusted_pairs(singly)]


def adjusted_pairs(pairs: list[Row]) -> list[Row]:
    """Holm's p over the pairs of every group together: each group is another chance to err."""
    adjusted = iter(holm([p for pair in pairs if isinstance(p := pair["p"], float)]))
    return [
        pair | {"p_adjusted": float(next(adjusted)) if isinstance(pair["p"], float) else None}
        for pair in pairs
    ]


def _watched_by_part(
    con: duckdb.DuckDBPyConnection, settings: Settings, fitted: pl.DataFrame
) -> WatchedLives:
    """Lives of named parts by km; a spell's group is its axle type and duty."""
    every = watched_lives(con, "km", settings.adjusters.units_compared)
    named = fitted.select(pl.col("id").alias("adjuster_id"), "part")
    spells = every.spells.join(named, on="adjuster_id", how="inner").with_columns(
        group=pl.concat_str("axle_type", "duty", separator=" in ")
    )
    return WatchedLives(every.lives.join(named, on="adjuster_id", how="inner"), spells)


def _within(watched: WatchedLives, axle_type: str | None, duty: str | None) -> WatchedLives:
    """The lives that ran in one axle type and duty alone; all, where they are null."""
    if axle_type is None:
        return watched
    group = f"{axle_type} in {duty}"
    strays = watched.spells.filter(pl.col("group") != group)["adjuster_id"]
    return watched.without(strays)


def _life_row(watched: WatchedLives, part: str, settings: Settings, row: Row) -> Row:
    lives = watched.lives.filter(pl.col("part") == part)
    failures = int(lives["right_age"].count())
    price, borrowed = _price(settings, part, settings.costs.adjuster)
    row |= {"failures": failures, "price": price}
    if failures < settings.adjusters.fewest_failures:
        return row | {"note": f"{failures} failures are too few for a life. {borrowed}".strip()}
    fit = choose_life(counts_of(lives, "entry_age", "left_age", "right_age")).chosen
    known = None if fit is None else mean_life(fit)
    if known is None:
        return row | {"note": f"No life with a mean could be fitted. {borrowed}".strip()}
    low, life, high = known
    costs = settings.costs
    each = price + costs.adjuster_labour + costs.failed_adjuster
    return row | {
        "mean_life_km": life,
        "life_ci_low": low,
        "life_ci_high": high,
        **_cost_rate(each, low, life, high),
        "note": borrowed or None,
    }


def mean_life(fit: LifeFit) -> tuple[float, float, float] | None:
    """Mean life with its 95 % interval, symmetric on the log scale; None where there is none, or
    the interval says nothing."""
    mean = float(fit.distribution.mean())
    if not np.isfinite(mean):
        return None
    with np.errstate(over="ignore", invalid="ignore"):  # a fraction of such an error may overflow
        slopes = log_slopes(fit, LifeDistribution.mean)
        widening = two_sided_z(0.95) * np.sqrt(slopes @ fit.covariance @ slopes)
    if not widening < np.log(KNOWN_WITHIN):
        return None
    return mean / float(np.exp(widening)), mean, mean * float(np.exp(widening))


def _life_pairs(
    watched: WatchedLives, fewest: int, dealt: dict[tuple[str, str], Dealt]
) -> Iterator[Row]:
    """Hazard ratios of all parts with enough failures, within axle type and duty."""
    failed = (
        watched.lives.filter(pl.col("right_age").is_not_null())
        .group_by("part", maintain_order=True)
        .len()
    )
    parts: Sequence[str] = sorted(failed.filter(pl.col("len") >= fewest)["part"])
    if len(parts) < 2:
        return
    of_them = watched.without(watched.lives.filter(~pl.col("part").is_in(parts))["adjuster_id"])
    factors = ("part", "group") if of_them.spells["group"].n_unique() > 1 else ("part",)
    try:
        found = compare_duties(
            of_them.segments(factors), parts, measures=["hazard_ratio"], factor="part"
        )
    except ValueError:  # the search for a limit lost its way: too little to compare
        return
    for pair in found:
        a, b = pair.duty_a, pair.duty_b
        how = dealt.get((min(a, b), max(a, b)))
        yield {
            "kind": "adjuster",
            "measure": "hazard_ratio",
            "part_a": a,
            "part_b": b,
            "ratio": finite(pair.ratio),
            "ci_low": finite(pair.low),
            "ci_high": finite(pair.high),
            "p": finite(pair.p),
            "p_adjusted": finite(pair.p_adjusted),
            "needed": failures_needed(TOLD_APART["adjuster"]),
            "at_random": how.found.at_random if how else None,
            "note": how.words if how else None,
        }
