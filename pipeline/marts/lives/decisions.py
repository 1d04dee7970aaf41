"""What follows from adjusters' lives: how often to check, and when to replace unasked."""

from collections.abc import Collection, Iterator, Mapping, Sequence

import duckdb
import numpy as np
import polars as pl

from models.lives.decisions.checking import CheckedGroup
from models.lives.decisions.decisions import AgeReplacement, age_replacement
from models.lives.decisions.fleet import averaged, undetected_interval
from models.lives.fits.data import GroupKey
from models.lives.fits.profile import Interval
from pipeline.marts.lives.cells import NO_LIFE, Cell, fleet_cells, wheel_ends_now
from pipeline.marts.lives.fits import Frames, GroupLives, Row, finite, frame_of
from pipeline.settings import Settings
from pipeline.warehouse import kept, warehouse

# The best age is searched for in each draw, and its middle 8 in 10 settles with fewer.
AGE_DRAWS = 40
SEED = 40_000
# Checks of a duty in a year that tell how often they are made; as meant, if so close to it.
FEW_CHECKS, AS_MEANT = 20, 0.15


def decision_frames(
    con: duckdb.DuckDBPyConnection,
    settings: Settings,
    lives: GroupLives,
    km_per_day: pl.DataFrame,
) -> Frames:
    """Both decisions, words where no life could be fitted, and what they stand on."""
    cells = fleet_cells(wheel_ends_now(con, km_per_day), lives)
    weeks = weeks_between_checks(con, settings, {cell.duty for cell in cells})
    return {
        kept.CHECKED: kept.as_rows(checked_groups(cells, weeks)),
        "check_intervals": check_intervals(cells, settings, weeks),
        "replacement_ages": replacement_ages(lives, settings),
    }


def weeks_between_checks(
    con: duckdb.DuckDBPyConnection, settings: Settings, duties: Collection[str]
) -> dict[str, float]:
    """Weeks between checks of each duty as they were made in the last year; those of the settings
    where that is as good as they, or too few were made."""
    made = warehouse.fetch(
        con,
        f"""select n.duty, median(date_diff('day', v.visit_on, v.next_visit_on)) / 7.0 as weeks
        from reduce.check_visits v
        inner join reduce.units_now n on n.unit_id = v.unit_id
        cross join run.parameters p
        where v.next_visit_on > p.as_of - interval 365 day
        group by n.duty having count(*) >= {FEW_CHECKS}""",
    )
    found = dict(made.select("duty", "weeks").iter_rows())
    meant = {duty: settings.service.weeks_between_checks(duty) for duty in duties}
    return {
        duty: float(round(found[duty]))
        if duty in found and abs(found[duty] / weeks - 1.0) > AS_MEANT
        else weeks
        for duty, weeks in meant.items()
    }


def checked_groups(cells: Sequence[Cell], weeks: Mapping[str, float]) -> tuple[CheckedGroup, ...]:
    """The cells as they are checked now, every so many ``weeks`` by duty."""
    return tuple(
        CheckedGroup(
            cell.axle_type,
            cell.duty,
            cell.weight,
            cell.km_per_week,
            weeks[cell.duty],
            cell.whose,
            cell.life,
        )
        for cell in cells
    )


def check_intervals(
    cells: Sequence[Cell], settings: Settings, used: Mapping[str, float]
) -> pl.DataFrame:
    """Shares unseen of every cell, of axle types and duties, and of the fleet; ``used``: weeks
    between checks by duty now."""
    usual = _most_used(cells, used) if cells else settings.service.check_weeks
    weeks = sorted({*settings.adjusters.check_weeks, *used.values(), usual})
    if not cells:
        rows: list[Row] = [{"weeks": usual, "current": True, "note": NO_LIFE}]
        return frame_of("check_intervals", rows)
    rows = [
        {**row, "current": each == used.get(str(row.get("duty")), usual)}
        for each in weeks
        for row in _shares_at(cells, each)
    ]
    return frame_of("check_intervals", rows)


def _most_used(cells: Sequence[Cell], used: Mapping[str, float]) -> float:
    """The check interval that most wheel ends are on."""
    run: dict[float, float] = {}
    for cell in cells:
        run[used[cell.duty]] = run.get(used[cell.duty], 0.0) + cell.weight
    return max(run, key=lambda weeks: run[weeks])


def _shares_at(cells: Sequence[Cell], weeks: float) -> Iterator[Row]:
    shares = [(cell, undetected_interval(cell.life, weeks * cell.km_per_week)) for cell in cells]
    known = [(cell, share) for cell, share in shares if share is not None]
    for cell, share in shares:
        row: Row = {"axle_type": cell.axle_type, "duty": cell.duty, "weeks": weeks}
        if share is None:
            yield {**row, "note": "its life has no finite mean, so no long-run share"}
        else:
            yield {**row, **_told(share), "note": cell.borrowed}
    for axle_type in sorted({cell.axle_type for cell, _ in known}):
        part = [(cell, share) for cell, share in known if cell.axle_type == axle_type]
        yield {"axle_type": axle_type, "weeks": weeks, **_told(_averaged(part))}
    for duty in sorted({cell.duty for cell, _ in known}):
        part = [(cell, share) for cell, share in known if cell.duty == duty]
        yield {"duty": duty, "weeks": weeks, **_told(_averaged(part))}
    if known:
        yield {"weeks": weeks, **_told(_averaged(known))}


def _averaged(part: Sequence[tuple[Cell, Interval]]) -> Interval:
    return averaged(
        [share for _, share in part],
        [cell.weight for cell, _ in part],
        [cell.whose for cell, _ in part],
    )


def _told(share: Interval) -> Row:
    return {"share_failed": share.estimate, "ci_low": share.low, "ci_high": share.high}


def replacement_ages(lives: GroupLives, settings: Settings) -> pl.DataFrame:
    """The age of least cost of every group with a life, or the plain statement that none pays.

    A pool mixes lives and so hides that old ones fail; it stands only for groups without their own.
    """
    costs = settings.costs
    planned = costs.adjuster + costs.adjuster_labour
    failed = planned + costs.failed_adjuster
    rows: list[Row] = []
    for key in _standing(lives):
        fit = lives.chosen(key)
        row: Row = {"axle_type": key[0], "duty": key[1]}
        if fit is not None and planned > 0.0:
            rng = np.random.default_rng(SEED)
            left_open = lives.left_open(key)
            found = age_replacement(
                fit, planned, failed, rng=rng, draws=AGE_DRAWS, others=left_open
            )
            rows.append({**row, **_decided(found, planned, failed)})
        elif fit is not None:
            rows.append({**row, "verdict": NO_COSTS})
    if not rows:
        rows = [{"verdict": f"No age can be given: {NO_LIFE}."}]
    return frame_of("replacement_ages", rows)


def _standing(lives: GroupLives) -> list[GroupKey]:
    """The groups whose lives stand for some adjusters: their own, or those of groups without."""
    cells = [(str(axle_type), str(duty)) for axle_type, duty in lives.groups if axle_type and duty]
    found = [lives.life_of(*cell) for cell in cells]
    return list(dict.fromkeys(key for key, _ in filter(None, found)))


NO_COSTS = (
    "No age can be given: what an adjuster and fitting it cost is not set ([costs] adjuster, "
    "adjuster_labour and failed_adjuster in fleet.toml)."
)


def _decided(found: AgeReplacement, planned: float, failed: float) -> Row:
    """Limits of the age only where there is one."""
    pays = found.age is not None
    return {
        "best_km": found.age,
        "ci_low_km": finite(found.age_low) if pays else None,
        "ci_high_km": finite(found.age_high) if pays else None,
        "saving_share": found.saving if pays else None,
        "failed_before": found.failed_before if pays else None,
        "no_age_pays": min(max(found.none_share, 0.0), 1.0),
        "cost_per_100000km": 100_000.0 * found.cost_rate,
        "planned_cost": planned,
        "failed_cost": failed,
        "verdict": found.words,
    }
