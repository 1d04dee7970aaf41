"""Ways in which wear may depart from a straight line in distance, told in the fleet's units.

Each size has the interval that it has by itself; each p allows for all the tests made. So an
interval may leave out nothing while p shows nothing: the sentence says which is which.
"""

from typing import Any

import polars as pl

from dashboards.sentences.measures import Measures
from dashboards.sentences.words import at_depot, count, month_name, number, with_interval

SHOWN = 0.05  # p below which a departure counts as shown
# Of new linings' first readings: so many before and since, so far apart, and beyond their errors.
FEWEST_FIRST, FIRST_APART_MM, FIRST_ERRORS = 10, 0.7, 6.0
NEEDED = {"kind", "estimate", "ci_low", "ci_high", "p_adjusted"}


def departures_said(found: pl.DataFrame | None, measures: Measures) -> tuple[str, ...]:
    """A sentence for each departure looked for; that of the run where there is no figure."""
    if found is None:
        return ()
    if not set(found.columns) >= NEEDED:
        return tuple(found["sentence"].drop_nulls().to_list())
    tests = found.filter(pl.col("kind") != "thinning")["p_adjusted"].drop_nulls().len()
    rows = found.iter_rows(named=True)
    return tuple(said for r in rows if (said := _said(r, tests, measures)))


def starts_said(first: pl.DataFrame | None, measures: Measures) -> tuple[str, ...]:
    """A sentence for each depot whose new linings read otherwise, in the last year, than before.

    ``first``: ``depot``; of new linings' first readings over (under) what a new one is, wear since
    their reline added, in the last year (``late``) and ``before``: how many (``n_…``), their
    ``mean_…`` and their ``sd_…`` [mm].
    """
    if first is None:
        return ()
    enough = first.filter(pl.min_horizontal("n_late", "n_before") >= FEWEST_FIRST)
    return tuple(said for r in enough.iter_rows(named=True) if (said := _start(r, measures)))


def _start(r: dict[str, Any], measures: Measures) -> str:
    by = r["mean_late"] - r["mean_before"]
    # Linings of one visit go together: more than errors that stand alone would tell apart.
    error = (r["sd_late"] ** 2 / r["n_late"] + r["sd_before"] ** 2 / r["n_before"]) ** 0.5
    if abs(by) < FIRST_APART_MM or abs(by) < FIRST_ERRORS * error:
        return ""
    where = at_depot(r["depot"])
    other = "thinner" if by < 0.0 else "thicker"
    read = f"{number(r['n_late'])} against {number(r['n_before'])} linings"
    return (
        f"New linings {where} were first read {measures.length(abs(by))} {other} in the last 12 "
        f"months than before ({read}): {other} linings, or a gauge that reads otherwise? Those "
        "relined and not read since are told here as new linings always were: measure them."
    )


def gauges_said(steps: pl.DataFrame | None, measures: Measures) -> tuple[str, ...]:
    """A sentence for each depot whose readings stepped up or down at once."""
    rows = () if steps is None else steps.iter_rows(named=True)
    return tuple(_gauge(row, measures) for row in rows)


def _gauge(r: dict[str, Any], measures: Measures) -> str:
    up = r["step_mm"] > 0.0
    limits = (r["ci_low"], r["ci_high"]) if up else (-r["ci_high"], -r["ci_low"])
    by = measures.length_interval(abs(r["step_mm"]), *limits)
    where = at_depot(r["depot"])
    if up:
        wrong = (
            "if those of since are wrong, linings there are thinner than told by as much: the "
            "early dates at the minimum allow for that"
        )
    else:
        wrong = "if those of before are wrong, linings were thinner than told by as much"
    return (
        f"Lining readings {where} are {by} {'thicker' if up else 'thinner'} since about "
        f"{month_name(r['since_on'])} than the wear of the same linings explains, of "
        f"{count(r['lives'], 'lining')} at once: another gauge, or another way to measure? Check "
        f"the gauges there; {wrong}."
    )


def _said(r: dict[str, Any], tests: int, measures: Measures) -> str:
    if r["p_adjusted"] is None or r["estimate"] is None or r["kind"] not in KINDS:
        return str(r["sentence"] or "")
    if r["kind"] == "thinning":
        return _thinning(r)
    shown, not_shown = _TEXTS[r["kind"]]
    is_shown = r["p_adjusted"] < SHOWN
    if is_shown and r["kind"] == "bedding-in" and r["estimate"] < 0.0:
        shown, kept = _SPARED, {"ci_low": -r["ci_high"], "ci_high": -r["ci_low"]}
        r = r | kept | {"estimate": -r["estimate"]}
    text = shown if is_shown else not_shown
    return f"{text.format(size=_size(r, measures))} {_p(r, tests)}"


_TEXTS = {
    "bedding-in": (
        "New linings lose {size} soon after a reline, beyond their later rate: the straight line "
        "starts that much below a new lining.",
        "No bedding-in is shown: new linings lose {size} soon after a reline, beyond their later "
        "rate.",
    ),
    "curvature": (
        "Wear is not steady, so that a straight line misjudges linings far ahead: the rate changes "
        "by {size}.",
        "No change of the wear rate along a lining's life is shown: it changes by {size}.",
    ),
    "season": (
        "Readings swing with the season by {size}.",
        "No season is shown in the readings: they swing by {size}.",
    ),
}


def _thinning(r: dict[str, Any]) -> str:
    ratio = with_interval(r["estimate"], r["ci_low"], r["ci_high"], "times")
    faster = "faster and faster" if r["estimate"] > 1.0 else "ever more slowly"
    return (
        f"Linings wear {faster} as they thin: at their minimum {ratio} as fast as when new. Dates "
        "and relines allow for it; wear rates are means from new to the minimum."
    )


_SPARED = (
    "New linings wear less soon after a reline than later: they keep {size} that their later rate "
    "would have taken."
)
KINDS = {*_TEXTS, "thinning"}


def _size(r: dict[str, Any], measures: Measures) -> str:
    factor, unit, behind = measures.per_mm, measures.length_unit, ""
    if r["kind"] == "curvature":  # mm per (10,000 km)²; told for ten times that distance
        factor = 10 * measures.per_rate / measures.per_km
        unit, behind = measures.rate_unit, f" with every 100\u202f000 {measures.distance_unit} run"
    low, high = sorted(factor * r[c] for c in ("ci_low", "ci_high"))
    told = with_interval(factor * r["estimate"], low, high, unit)
    return f"{told.removesuffix(')')}, its own 95 % interval){behind}"


def _p(r: dict[str, Any], tests: int) -> str:
    p = r["p_adjusted"]
    value = "p < 0.001" if p < 0.001 else f"p = {p:.2f}"
    if tests == 1:
        return f"({value})"
    return f"({value}, allowing for {tests} tests)"
