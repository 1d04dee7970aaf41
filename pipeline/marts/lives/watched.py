"""Watched adjuster lives as the warehouse holds them, and why a term has no ratio, in words."""

import duckdb

from models.lives.effects.watched import SHARES, LeftOut, ThinLevel, WatchedLives, Why
from pipeline.warehouse import warehouse

NO_DEPOT = "no depot"
NO_DUTY = "unassigned"
NO_PART = "no part on record"

CONSTANT = {
    "duty": "every adjuster ran in one duty",
    "axle_type": "there is one axle type",
    "depot": "there is one depot",
    "part": "there is one part, or none on record",
    "greasing_overdue": "greasing was never overdue on record, or never recorded",
    "cap_open": "no grease cap was found open or missing",
    "greased_late_share": "no greasing came late on record",
}


def watched_lives(con: duckdb.DuckDBPyConnection, clock: str, most_units: int) -> WatchedLives:
    """Lives of at most so many units, ages in ``km`` or ``weeks``."""
    units = f"""(select unit_id from (select distinct unit_id from reduce.adjuster_spells)
        order by hash(unit_id), unit_id limit {most_units})"""
    spells = warehouse.fetch(
        con,
        f"""select s.adjuster_id, from_{clock} as from_age, to_{clock} as to_age, s.axle_type,
            s.duty, coalesce(nullif(s.depot, ''), '{NO_DEPOT}') as depot,
            coalesce(l.part, '{NO_PART}') as part, {", ".join(SHARES)}
        from reduce.adjuster_spells s
        inner join stage.adjuster_lives l on l.adjuster_id = s.adjuster_id
        where s.unit_id in {units} and to_{clock} > from_{clock}""",
        order="adjuster_id, from_age",
    )
    lives = warehouse.fetch(
        con,
        f"""select adjuster_id, unit_id, axle_type, entry_{clock} as entry_age,
            left_{clock} as left_age, right_{clock} as right_age, cause
        from stage.adjuster_lives
        where age_known and entry_{clock} <= left_{clock}
            and coalesce(right_{clock}, left_{clock}) > entry_{clock}""",
        order="adjuster_id",
    )
    return WatchedLives(lives.join(spells, on="adjuster_id", how="semi"), spells)


def thin_words(level: ThinLevel) -> str:
    """Why a level has no ratio."""
    return (
        f"{level.failures} failures among {level.adjusters} adjusters are too few for a ratio; "
        "they are left out of the others"
    )


def left_out_words(term: str, found: LeftOut) -> str:
    """Why a term has no ratio."""
    return {
        Why.TOO_FEW_FAILURES: f"{found.failures} failures are too few, {found.asked} are asked for",
        Why.CONSTANT: CONSTANT[term],
        Why.THIN_LEVELS: "fewer than two of its levels have failures enough for a ratio",
        Why.NO_FAILURES_LEFT: f"{found.failures} failures are too few to take it into account as "
        "well",
        Why.ALIASED: f"in these records it goes with {', '.join(found.kept)} and cannot be told "
        "from it",
    }[found.why]
