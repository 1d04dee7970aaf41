"""How long adjusters stay good: the age by which a tenth has failed, and the curves."""

import altair as alt
import polars as pl

from dashboards.drawing import marks
from dashboards.drawing.figure import Chart, Figure, Said, Table, said_for_selections, table
from dashboards.measures import Measures
from dashboards.words import count, number, share, span

DIMENSIONS = ("duty", "axle_type")
AGE = ("b10_km", "b10_km_ci_low", "b10_km_ci_high")
MOST_CURVES = 24
NPMLE = "npmle"
SEEN, FITTED = "as seen, no form assumed", "form fitted"
FORM_WORDS = {
    "weibull": "Weibull",
    "lognormal": "log-normal",
    "loglogistic": "log-logistic",
    NPMLE: SEEN,
}


def age_figure(fits: pl.DataFrame, measures: Measures) -> Figure | None:
    rows = fits.filter("chosen", *(pl.col(c).is_not_null() for c in AGE))
    if rows.is_empty():
        return None

    def say(frame: pl.DataFrame) -> Said:
        return _age_said(frame, measures)

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


def _age_said(frame: pl.DataFrame, measures: Measures) -> Said:
    own = frame.filter(pl.col("duty").is_not_null(), pl.col("axle_type").is_not_null())
    parts = frame if own.is_empty() else own
    failures, adjusters = marks.total(parts, "failures"), marks.total(parts, "adjusters")
    note = (
        f"Points are estimates, bars their 95 % intervals. {count(failures, 'failure')} among "
        f"{count(adjusters, 'adjuster')}; planned replacements are not failures."
    )
    ranked = parts.sort("b10_km")
    low, high = ranked.row(0, named=True), ranked.row(-1, named=True)
    age = measures.distance_interval(*(low[c] for c in AGE))
    if parts.height == 1:
        return Said(f"A tenth of the adjusters of {_group(low)} has failed by {age}", note)
    if low["b10_km_ci_high"] >= high["b10_km_ci_low"]:
        return Said("No group's adjusters clearly fail sooner than another's", note)
    return Said(f"Adjusters of {_group(low)} fail soonest: a tenth by {age}", note)


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
            r["note"] or "",
        )
        for r in frame.iter_rows(named=True)
    ]
    heads = ("Axle type", "Duty", "A tenth failed by (95 %)", "Form", "Shape (95 %)")
    return table(rows, *heads, "Adjusters", "Failures", "Remark")


def curve_figures(
    curves: pl.DataFrame, fits: pl.DataFrame, measures: Measures
) -> tuple[Figure, ...]:
    """One small chart a group, most failures first: what was seen, and the form fitted to it."""
    best = {(r["axle_type"], r["duty"]): r for r in fits.filter("chosen").iter_rows(named=True)}
    found = dict(curves.group_by("axle_type", "duty", maintain_order=True))
    groups = {(str_or_none(k[0]), str_or_none(k[1])): rows for k, rows in found.items()}
    ranked = sorted(groups, key=lambda k: -(best.get(k, {}).get("failures") or 0))[:MOST_CURVES]
    order = {duty: i for i, duty in enumerate(measures.fleet.duty_order)}
    ranked.sort(key=lambda k: (k[0] or "\uffff", order.get(k[1] or "", len(order)), k[1] or ""))
    furthest = float(curves["km"].max() or 0) if curves.height else 0.0  # type: ignore[arg-type]
    return tuple(
        _curve_figure(i, key, groups[key], best.get(key, {}), measures, furthest)
        for i, key in enumerate(ranked, start=1)
    )


def str_or_none(value: object) -> str | None:
    return None if value is None else str(value)


def _curve_figure(
    place: int,
    key: tuple[str | None, str | None],
    curve: pl.DataFrame,
    fit: dict[str, object],
    measures: Measures,
    furthest_km: float,
) -> Figure:
    wanted = [w for w in (NPMLE, fit.get("distribution")) if w]
    rows = curve.filter(pl.col("method").is_in(wanted)).sort("method", "km")
    names = {"axle_type": key[0], "duty": key[1]}
    return Figure(
        key=f"adjuster-curve-{place}",
        said=_curve_said(names, rows, fit, measures),
        chart=curve_chart(rows, measures, furthest_km),
        table=_curve_table(rows, measures),
        sql="select * from mart.adjuster_curves order by axle_type, duty, method, km",
        matching="whole",
        dimensions=DIMENSIONS,
        belongs_to={d: v for d, v in names.items() if v is not None},
        small=True,
    )


def curve_chart(rows: pl.DataFrame, measures: Measures, furthest_km: float) -> Chart:
    """Share still good by age: steps with their band, and the fitted form dashed over them."""
    named = measures.scaled(rows, measures.per_km, "km").select(
        "km",
        "survival",
        "ci_low",
        "ci_high",
        pl.when(pl.col("method") == NPMLE)
        .then(pl.lit(SEEN))
        .otherwise(pl.lit(FITTED))
        .alias("method"),
    )
    seen_only, fitted_only = alt.datum.method == SEEN, alt.datum.method == FITTED
    x = alt.X(
        "km:Q",
        title=f"Age, {measures.distance_unit}",
        axis=alt.Axis(format=",~f", tickCount=3),
        scale=alt.Scale(domain=[0, furthest_km * measures.per_km]),
    )
    axis = marks.percent_axis(tickCount=5)
    y = alt.Y("ci_low:Q", title="Still good", scale=alt.Scale(domain=[0, 1]), axis=axis)
    described = marks.tips(
        ("km:Q", "Age", ",.0f"),
        ("survival:Q", "Still good", ".1%"),
        ("ci_low:Q", "From", ".1%"),
        ("ci_high:Q", "To", ".1%"),
    )
    base = alt.Chart(named).encode(x=x, tooltip=described)
    seen, fitted = base.transform_filter(seen_only), base.transform_filter(fitted_only)
    band = seen.mark_area(interpolate="step-after").encode(y=y, y2="ci_high:Q")
    steps = seen.mark_line(interpolate="step-after").encode(y="survival:Q")
    form = fitted.mark_line(stroke=marks.RUST, strokeDash=[6, 3]).encode(y="survival:Q")
    return marks.layered(named, 165, band, steps, form)


def _curve_said(
    names: dict[str, str | None], curve: pl.DataFrame, fit: dict[str, object], measures: Measures
) -> Said:
    seen = curve.filter(pl.col("method") == NPMLE).sort("km")
    held = _held(seen if seen.height else curve.sort("km"), measures)
    form = FORM_WORDS.get(str(fit.get("distribution")), "")
    note = f"{number(_whole(fit, 'failures'))} of {number(_whole(fit, 'adjusters'))} failed"
    return Said(f"{_group(names)}: {held}", f"{note}; dashed: {form}" if form else note)


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


def _whole(fit: dict[str, object], name: str) -> float | None:
    value = fit.get(name)
    return float(value) if isinstance(value, int | float) else None


def _curve_table(frame: pl.DataFrame, measures: Measures) -> Table:
    every = max(1, frame.height // 24)
    rows = [
        (
            FORM_WORDS.get(r["method"], r["method"]),
            measures.distance(r["km"]),
            share(r["survival"], 1),
            span(share(r["ci_low"], 1), share(r["ci_high"], 1)),
        )
        for r in frame.gather_every(every).iter_rows(named=True)
    ]
    return table(rows, "Form", "Age", "Still good", "95 %")
