"""How long adjusters stay good: the age by which a tenth has failed, and the curves."""

from typing import Any

import altair as alt
import polars as pl

from dashboards.drawing import marks
from dashboards.drawing.figure import Chart, Figure, Said, Table, said_for_selections, table
from dashboards.drawing.theme import CLAY, DEEP, INK, RUST, SOFT
from dashboards.sentences.measures import Measures
from dashboards.sentences.words import count, listed, number, share, span

DIMENSIONS = ("duty", "axle_type")
AGE = ("b10_km", "b10_km_ci_low", "b10_km_ci_high")
MOST_CURVES = 24
NPMLE = "npmle"
SEEN = "as seen, no form assumed"
CURVE_SHADES = (INK, RUST, CLAY, DEEP, SOFT)
CURVE_DASHES = ([1, 0], [7, 3], [2, 2], [9, 3, 2, 3], [4, 4])
FORM_WORDS = {
    "weibull": "Weibull",
    "lognormal": "log-normal",
    "loglogistic": "log-logistic",
    NPMLE: SEEN,
}


def of_all_adjusters(n: int, fits: pl.DataFrame | None) -> str:
    """``1 003 of all 1 013 adjusters``: a count that is not that of the fleet says so."""
    pooled = None if fits is None else _pooled(fits)
    if pooled is None or pooled["adjusters"] == n:
        return count(n, "adjuster")
    return f"{number(n)} of all {count(pooled['adjusters'], 'adjuster')}"


def _pooled(fits: pl.DataFrame) -> dict[str, Any] | None:
    """The row of the whole fleet, which counts every adjuster once."""
    rows = fits.filter(pl.col("axle_type").is_null(), pl.col("duty").is_null())
    return rows.row(0, named=True) if rows.height else None


def age_figure(fits: pl.DataFrame, measures: Measures) -> Figure | None:
    rows = fits.filter("chosen", *(pl.col(c).is_not_null() for c in AGE))
    if rows.is_empty():
        return None

    def say(frame: pl.DataFrame) -> Said:
        return _age_said(frame, fits if frame.height == rows.height else None, measures)

    return Figure(
        key="adjuster-age",
        said=say(rows),
        chart=age_chart(rows, measures),
        table=_age_table(rows, measures),
        sql="select * from mart.adjuster_fits where chosen",
        matching="cells",
        dimensions=DIMENSIONS,
        said_for=said_for_selections(rows, DIMENSIONS, say),
    )


def age_chart(rows: pl.DataFrame, measures: Measures) -> Chart:
    """B10 ages with their intervals, one line for an axle type and duty."""
    shown = marks.with_group(
        measures.scaled(rows, measures.per_km, *AGE), measures.fleet.duty_order
    ).select("group", *DIMENSIONS, *AGE, "failures")
    x = alt.X(
        "b10_km_ci_low:Q",
        title=f"Age by which a tenth has failed, {measures.distance_unit}",
        scale=alt.Scale(zero=True),
        axis=alt.Axis(format=",~f"),
    )
    return marks.interval_plot(shown, AGE, x, ",.0f", more_tips=(("failures:Q", "Failures", ",d"),))


def _age_said(frame: pl.DataFrame, fits: pl.DataFrame | None, measures: Measures) -> Said:
    """``fits``: every group, where the frame is of the whole fleet."""
    parts = finest(frame)
    failures = count(marks.total(parts, "failures"), "failure")
    note = (
        f"Points are estimates, bars their 95 % intervals. {failures} among {_among(parts, fits)}; "
        "planned replacements are not failures."
    )
    ranked = parts.sort("b10_km")
    low, high = ranked.row(0, named=True), ranked.row(-1, named=True)
    age = measures.distance_interval(*(low[c] for c in AGE))
    if parts.height == 1:
        return Said(f"A tenth of the adjusters of {_group(low)} has failed by {age}", note)
    if low["b10_km_ci_high"] >= high["b10_km_ci_low"]:
        return Said("No group's adjusters clearly fail sooner than another's", note)
    return Said(f"Adjusters of {_group(low)} fail soonest: a tenth by {age}", note)


def _among(parts: pl.DataFrame, fits: pl.DataFrame | None) -> str:
    """The adjusters of some groups: one whose unit changed duty is in more than one of them."""
    pooled, adjusters = None if fits is None else _pooled(fits), marks.total(parts, "adjusters")
    if pooled is None:
        return count(adjusters, "adjuster")
    thin = adjusters < pooled["adjusters"] or marks.total(parts, "failures") < pooled["failures"]
    left_out = ", left out those of groups too thin for a curve of their own" if thin else ""
    if adjusters <= pooled["adjusters"]:
        return of_all_adjusters(adjusters, fits) + left_out
    every = count(pooled["adjusters"], "adjuster")
    return f"{every}, one whose unit changed duty in each of its groups{left_out}"


def finest(frame: pl.DataFrame) -> pl.DataFrame:
    """Rows of the smallest groups: of axle types and duties where there are any, else what is
    pooled over duties, else the whole fleet."""
    typed, ran = pl.col("axle_type").is_not_null(), pl.col("duty").is_not_null()
    for rows in (frame.filter(typed, ran), frame.filter(typed), frame.filter(~typed, ~ran)):
        if rows.height:
            return rows
    return frame


def _group(row: dict[str, str | None]) -> str:
    return f"{row['axle_type'] or 'all axle types'} / {row['duty'] or 'all duties'}"


def _age_table(frame: pl.DataFrame, measures: Measures) -> Table:
    rows = [
        (
            r["axle_type"] or "all",
            r["duty"] or "all",
            measures.distance_interval(*(r[c] for c in AGE)),
            FORM_WORDS.get(r["distribution"] or "", "–"),
            f"{number(r['shape'], 2)} ("
            f"{span(number(r['shape_ci_low'], 2), number(r['shape_ci_high'], 2))})",
            number(r["adjusters"]),
            number(r["failures"]),
            measures.sentence(r["note"] or ""),
        )
        for r in frame.iter_rows(named=True)
    ]
    heads = ("Axle type", "Duty", "A tenth failed by (95 %)", "Form", "Shape (95 %)")
    return table(rows, *heads, "Adjusters", "Failures", "Remark")


def curve_figures(
    curves: pl.DataFrame, fits: pl.DataFrame, measures: Measures
) -> tuple[Figure, ...]:
    """A chart an axle type with a curve for each duty, and one of what is pooled over all.

    A curve that says the same as another, as that of the fleet does where there is one group, is
    drawn once.
    """
    seen = curves.filter(pl.col("method") == NPMLE)
    types = seen["axle_type"].drop_nulls().unique().sort().to_list()
    parts = [_of_type(seen, kind, measures) for kind in types]
    pooled = seen.filter(pl.col("axle_type").is_null(), pl.col("duty").is_null())
    if len(types) != 1:
        parts.append(_with_line(pooled, "all axle types and duties", measures))
    furthest = float(seen["km"].max() or 0) if seen.height else 0.0  # type: ignore[arg-type]
    drawn = [rows for rows in parts if rows.height][:MOST_CURVES]
    return tuple(
        _curve_figure(place, rows, fits, measures, furthest)
        for place, rows in enumerate(drawn, start=1)
    )


def _of_type(seen: pl.DataFrame, axle_type: str, measures: Measures) -> pl.DataFrame:
    """The curves of an axle type's duties; that of all its duties where none has one."""
    rows = seen.filter(pl.col("axle_type") == axle_type)
    duties = rows.filter(pl.col("duty").is_not_null())
    if duties.is_empty():
        return _with_line(rows, "all duties", measures)
    return _with_line(duties, "", measures)


def _with_line(rows: pl.DataFrame, name: str, measures: Measures) -> pl.DataFrame:
    """``line``: whose curve it is; duties in the fleet's order."""
    ranks = {duty: i for i, duty in enumerate(measures.fleet.duty_order)}
    rank = pl.col("duty").replace_strict(ranks, default=len(ranks), return_dtype=pl.Int64)
    return rows.sort(rank, "duty", "km").with_columns(line=pl.col("duty").fill_null(name))


def _curve_figure(
    place: int, rows: pl.DataFrame, fits: pl.DataFrame, measures: Measures, furthest_km: float
) -> Figure:
    axle_type = rows["axle_type"][0]
    return Figure(
        key=f"adjuster-curve-{place}",
        said=_curve_said(axle_type, rows, fits, measures),
        chart=curve_chart(rows, measures, furthest_km),
        table=_curve_table(rows, measures),
        sql="select * from mart.adjuster_curves order by axle_type, duty, method, km",
        matching="whole",
        dimensions=("axle_type",),
        belongs_to={} if axle_type is None else {"axle_type": axle_type},
        half=True,
    )


def curve_chart(rows: pl.DataFrame, measures: Measures, furthest_km: float) -> Chart:
    """Share still good by age, a step line with its band for each ``line``.

    Lines are told apart by shade and by dash; bands are light, so that they may cross.
    """
    shown = measures.scaled(rows, measures.per_km, "km").select(
        "line", "km", "survival", "ci_low", "ci_high"
    )
    lines = shown["line"].unique(maintain_order=True).to_list()
    places = [i % len(CURVE_SHADES) for i in range(len(lines))]
    shade = alt.Scale(domain=lines, range=[CURVE_SHADES[i] for i in places])
    dash = alt.Scale(domain=lines, range=[CURVE_DASHES[i] for i in places])
    legend = (
        alt.Legend(
            symbolType="stroke",
            offset=26,
            symbolSize=500,
            symbolStrokeWidth=2.5,
            symbolOpacity=1,
            symbolFillColor="transparent",
        )
        if lines[1:]
        else None
    )
    x = alt.X(
        "km:Q",
        title=f"Age, {measures.distance_unit}",
        axis=alt.Axis(format=",~f", tickCount=4),
        scale=alt.Scale(domain=[0, furthest_km * measures.per_km]),
    )
    y = alt.Y(
        "ci_low:Q",
        title="Still good",
        scale=alt.Scale(domain=[0, 1]),
        axis=marks.percent_axis(tickCount=5),
    )
    described = marks.tips(
        ("line:N", "Of", ""),
        ("km:Q", "Age", ",.0f"),
        ("survival:Q", "Still good", ".1%"),
        ("ci_low:Q", "From", ".1%"),
        ("ci_high:Q", "To", ".1%"),
    )
    base = alt.Chart(shown).encode(x=x, tooltip=described)
    colour = alt.Color("line:N", scale=shade, legend=legend)
    band = base.mark_area(interpolate="step-after", opacity=0.16).encode(
        y=y, y2=alt.Y2("ci_high:Q"), color=colour
    )
    steps = base.mark_line(interpolate="step-after", strokeWidth=2.5).encode(
        y=alt.Y("survival:Q"),
        color=colour,
        strokeDash=alt.StrokeDash("line:N", scale=dash, legend=legend),
    )
    return marks.layered(shown, 230, band, steps)


def _curve_said(
    axle_type: str | None, rows: pl.DataFrame, fits: pl.DataFrame, measures: Measures
) -> Said:
    who = f"Adjusters of {axle_type} axles" if axle_type else "Adjusters of the whole fleet"
    note = f"{_behind(axle_type, rows, fits)}; bands: 95 %, point by point; no form is assumed."
    lines = {str(k[0]): part for k, part in rows.group_by("line", maintain_order=True)}
    if len(lines) == 1:
        ((name, curve),) = lines.items()
        of = f" in {name}" if curve["duty"][0] else ""
        return Said(f"{who}{of}: {_held(curve, measures)}", note)
    # A curve that begins later is of those alone that have reached its beginning.
    first = min(float(curve["km"].min()) for curve in lines.values())  # type: ignore[arg-type]
    later = [name for name, curve in lines.items() if curve["km"].min() != first]
    if later:
        note += f" Not compared, for it begins at a later age: {listed(later)}."
        lines = {name: curve for name, curve in lines.items() if name not in later}
    if len(lines) == 1:
        return Said(f"{who} were watched from other ages in each duty: not compared", note)
    age = min(float(curve["km"].max()) for curve in lines.values())  # type: ignore[arg-type]
    ranked = sorted(((_at(c, age), n) for n, c in lines.items()), key=lambda v: v[0]["survival"])
    (worst, worst_name), (best, best_name) = ranked[0], ranked[-1]
    at = measures.distance(age)
    # Before anything has failed, a curve has no limits.
    if worst["ci_high"] >= best["ci_low"] or best["ci_low"] == 1.0:
        return Said(f"{who}: no two duties are told apart by {at}", note)
    return Said(
        f"{who} last longest in {best_name}: {_good(best)} still good at {at}, in {worst_name} "
        f"{_good(worst)}",
        note,
    )


def _good(at: dict[str, float]) -> str:
    return f"{share(at['survival'])} ({span(share(at['ci_low']), share(at['ci_high']))})"


def _at(curve: pl.DataFrame, km: float) -> dict[str, float]:
    """The step that the curve stands on at an age."""
    row: dict[str, float] = curve.filter(pl.col("km") <= km).row(-1, named=True)
    return row


def _behind(axle_type: str | None, rows: pl.DataFrame, fits: pl.DataFrame) -> str:
    """How many failed of how many, line by line."""
    counts = {(r["axle_type"], r["duty"]): r for r in fits.iter_rows(named=True)}
    keys = rows.select("duty", "line").unique(maintain_order=True).iter_rows(named=True)
    named = [(k["line"], counts.get((axle_type, k["duty"]))) for k in keys]
    said = [f"{n} {number(r['failures'])} of {number(r['adjusters'])}" for n, r in named if r]
    return f"Failed: {listed(said)}" if said else "Failures are not counted"


def _held(curve: pl.DataFrame, measures: Measures) -> str:
    """When half had failed, read off the curve and its band; or how many are left at its end."""
    low, middle, high = (_first_below(curve, c) for c in ("ci_low", "survival", "ci_high"))
    if middle is None or low is None:
        end = curve.row(-1, named=True)
        limits = span(share(end["ci_low"]), share(end["ci_high"]))
        return f"{share(end['survival'])} ({limits}) good at {measures.distance(end['km'])}"
    if high is None:
        soonest = measures.distance(low)
        return f"half failed by {measures.distance(middle)} ({soonest} or later)"
    return f"half failed by {measures.distance_interval(middle, low, high)}"


def _first_below(curve: pl.DataFrame, column: str) -> float | None:
    found = curve.filter(pl.col(column) <= 0.5)["km"]
    return float(found[0]) if found.len() else None


def _curve_table(frame: pl.DataFrame, measures: Measures) -> Table:
    every = max(1, frame.height // 24)
    rows = [
        (
            r["line"],
            measures.distance(r["km"]),
            share(r["survival"], 1),
            span(share(r["ci_low"], 1), share(r["ci_high"], 1)),
        )
        for r in frame.gather_every(every).iter_rows(named=True)
    ]
    return table(rows, "Of", "Age", "Still good", "95 %")
