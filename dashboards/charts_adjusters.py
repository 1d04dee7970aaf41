"""How long adjusters stay good: curves, B10 ages, and the decisions that follow."""

import altair as alt
import polars as pl

from dashboards import marks
from dashboards.figure import Chart, Figure, Said, Table, said_for_selections, table
from dashboards.measures import Measures
from dashboards.words import count, figures, number, share, span

DIMENSIONS = ("axle_type", "duty")
MOST_CURVES = 24
NONPARAMETRIC = "npmle"
DISTRIBUTION_WORDS = {
    "weibull": "Weibull",
    "lognormal": "log-normal",
    "loglogistic": "log-logistic",
    NONPARAMETRIC: "no form assumed",
}


def age_figure(fits: pl.DataFrame, measures: Measures) -> Figure | None:
    """The age by which a tenth has failed, by group."""
    rows = chosen(fits)
    if rows.is_empty():
        return None
    columns = ("b10_km", "b10_km_ci_low", "b10_km_ci_high")
    shown = measures.scaled(rows, measures.per_km, *columns)
    shown = marks.with_group(shown, measures.fleet.duty_order)

    def say(frame: pl.DataFrame) -> Said:
        return _age_said(frame, measures)

    return Figure(
        key="adjuster-age",
        said=say(rows),
        chart=age_chart(shown, measures),
        table=_age_table(rows, measures),
        sql="select * from mart.adjuster_fits where chosen",
        matching="cells",
        dimensions=DIMENSIONS,
        said_for=said_for_selections(rows, DIMENSIONS, say),
    )


def chosen(fits: pl.DataFrame) -> pl.DataFrame:
    """The fits in use that give an age with an interval."""
    return fits.filter(
        "chosen", *(pl.col(c).is_not_null() for c in ("b10_km", "b10_km_ci_low", "b10_km_ci_high"))
    )


def age_chart(frame: pl.DataFrame, measures: Measures) -> Chart:
    """``group``, ``b10_km``, ``b10_km_ci_low``, ``b10_km_ci_high``, in the fleet's units."""
    base = alt.Chart(frame).encode(y=marks.group_axis(frame))
    axis = alt.Axis(format="~s")
    title = f"Age by which a tenth has failed, {measures.distance_unit}"
    x = alt.X("b10_km_ci_low:Q", title=title, scale=marks.from_zero(), axis=axis)
    interval = base.mark_rule(strokeWidth=7, stroke=marks.PALE).encode(x=x, x2="b10_km_ci_high:Q")
    point = base.mark_point().encode(
        x="b10_km:Q",
        tooltip=[
            alt.Tooltip("group:N", title="Group"),
            alt.Tooltip("b10_km:Q", title="Age", format=",.0f"),
            alt.Tooltip("b10_km_ci_low:Q", title="95 % from", format=",.0f"),
            alt.Tooltip("b10_km_ci_high:Q", title="to", format=",.0f"),
            alt.Tooltip("failures:Q", title="Failures", format=",d"),
        ],
    )
    return marks.layered(frame, alt.Step(26), interval, point)


def _age_said(frame: pl.DataFrame, measures: Measures) -> Said:
    failures, adjusters = marks.total(frame, "failures"), marks.total(frame, "adjusters")
    note = (
        f"Points are estimates, bars their 95 % intervals. {count(failures, 'failure')} among "
        f"{count(adjusters, 'adjuster')}; planned replacements are not failures."
    )
    ranked = frame.sort("b10_km")
    low, high = ranked.row(0, named=True), ranked.row(-1, named=True)
    limits = span(
        figures(low["b10_km_ci_low"] * measures.per_km),
        figures(low["b10_km_ci_high"] * measures.per_km),
        measures.distance_unit,
    )
    if frame.height > 1 and low["b10_km_ci_high"] >= high["b10_km_ci_low"]:
        return Said("No group's adjusters clearly fail sooner than another's", note)
    lead = "A tenth of the adjusters has failed" if frame.height == 1 else "Adjusters fail soonest"
    where = f"on {_group(low)}"
    age = measures.distance(low["b10_km"])
    if frame.height == 1:
        return Said(f"{lead} by {age} ({limits}) {where}", note)
    return Said(f"{lead} {where}: a tenth by {age} ({limits})", note)


def _group(row: dict[str, str | None]) -> str:
    return f"{row['axle_type'] or 'all axle types'} / {row['duty'] or 'all duties'}"


def _age_table(frame: pl.DataFrame, measures: Measures) -> Table:
    rows = [
        (
            r["axle_type"] or "all",
            r["duty"] or "all",
            measures.distance(r["b10_km"]),
            span(measures.distance(r["b10_km_ci_low"]), measures.distance(r["b10_km_ci_high"])),
            DISTRIBUTION_WORDS.get(r["distribution"] or "", "–"),
            f"{number(r['shape'], 2)} ({number(r['shape_ci_low'], 2)}–"
            f"{number(r['shape_ci_high'], 2)})",
            number(r["adjusters"]),
            number(r["failures"]),
            r["note"] or "",
        )
        for r in frame.iter_rows(named=True)
    ]
    heads = ("Axle type", "Duty", "A tenth failed by", "95 %", "Form", "Shape (95 %)")
    return table(rows, *heads, "Adjusters", "Failures", "Remark")


def curve_figures(
    curves: pl.DataFrame, fits: pl.DataFrame, measures: Measures
) -> tuple[Figure, ...]:
    """One small chart a group, most failures first: what was seen, and the form fitted to it."""
    best = {(r["axle_type"], r["duty"]): r for r in fits.filter("chosen").iter_rows(named=True)}
    groups = dict(curves.group_by("axle_type", "duty", maintain_order=True))
    ranked = sorted(groups, key=lambda k: -(best.get(k, {}).get("failures") or 0))
    return tuple(
        _curve_figure(i, key, groups[key], best.get(key, {}), measures)
        for i, key in enumerate(ranked[:MOST_CURVES])
    )


def _curve_figure(
    number_: int,
    key: tuple[object, ...],
    curve: pl.DataFrame,
    fit: dict[str, object],
    measures: Measures,
) -> Figure:
    wanted = (NONPARAMETRIC, fit.get("distribution"))
    rows = curve.filter(pl.col("method").is_in([w for w in wanted if w])).sort("method", "km")
    shown = measures.scaled(rows, measures.per_km, "km")
    names = dict(zip(DIMENSIONS, key, strict=True))
    return Figure(
        key=f"adjuster-curve-{number_ + 1}",
        said=_curve_said(names, rows, fit, measures),
        chart=curve_chart(shown, measures),
        table=_curve_table(rows, measures),
        sql="select * from mart.adjuster_curves order by axle_type, duty, method, km",
        matching="whole",
        dimensions=DIMENSIONS,
        belongs_to={d: str(v) for d, v in names.items() if v is not None},
        small=True,
    )


def curve_chart(frame: pl.DataFrame, measures: Measures) -> Chart:
    """``km``, ``survival``, ``ci_low``, ``ci_high``, ``method``; the distribution-free in steps."""
    x = alt.X(
        "km:Q", title=f"Age, {measures.distance_unit}", axis=alt.Axis(format="~s", tickCount=4)
    )
    axis = alt.Axis(format=".0%", tickCount=4)
    scale = alt.Scale(domain=[0, 1])
    y = alt.Y("survival:Q", title="Still good", scale=scale, axis=axis)
    low = alt.Y("ci_low:Q", title="Still good", scale=scale, axis=axis)
    base = alt.Chart(frame).encode(x=x)
    seen = base.transform_filter(alt.datum.method == NONPARAMETRIC)
    band = seen.mark_area(interpolate="step-after").encode(y=low, y2="ci_high:Q")
    steps = seen.mark_line(interpolate="step-after").encode(y=y)
    form = base.transform_filter(alt.datum.method != NONPARAMETRIC)
    fitted = form.mark_line(stroke=marks.RUST, strokeDash=[6, 3]).encode(y=y)
    return marks.layered(frame, 170, band, steps, fitted)


def _curve_said(
    names: dict[str, object], curve: pl.DataFrame, fit: dict[str, object], measures: Measures
) -> Said:
    where = f"{names['axle_type'] or 'All axle types'} / {names['duty'] or 'all duties'}"
    seen = curve.filter(pl.col("method") == NONPARAMETRIC).sort("km")
    end = (seen if seen.height else curve).row(-1, named=True)
    held = (
        f"{share(end['survival'])} ({span(share(end['ci_low']), share(end['ci_high']))}) "
        f"still good at {measures.distance(end['km'])}"
    )
    form = DISTRIBUTION_WORDS.get(str(fit.get("distribution")), "")
    note = (
        f"{number(_whole(fit, 'failures'))} failures, {number(_whole(fit, 'adjusters'))} adjusters"
    )
    return Said(f"{where}: {held}", f"{note}; dashed: {form}" if form else note)


def _whole(fit: dict[str, object], name: str) -> float | None:
    value = fit.get(name)
    return float(value) if isinstance(value, int | float) else None


def _curve_table(frame: pl.DataFrame, measures: Measures) -> Table:
    every = max(1, frame.height // 24)
    rows = [
        (
            DISTRIBUTION_WORDS.get(r["method"], r["method"]),
            measures.distance(r["km"]),
            share(r["survival"], 1),
            span(share(r["ci_low"], 1), share(r["ci_high"], 1)),
        )
        for r in frame.gather_every(every).iter_rows(named=True)
    ]
    return table(rows, "Form", "Age", "Still good", "95 %")
