"""What changes an adjuster's life, how lives end, and how many of them a wheel end uses up."""

from typing import Any

import altair as alt
import numpy as np
import polars as pl

from dashboards.charts.adjusters import FORM_WORDS, of_all_adjusters
from dashboards.charts.compared import APART, LEVEL, RATIO, VERDICT, comparison_chart
from dashboards.drawing import marks
from dashboards.drawing.figure import Chart, Figure, Said, Table, table
from dashboards.sentences.measures import Measures
from dashboards.sentences.words import capital, count, number, share, span, with_interval

TERM_WORDS = {
    "greasing_overdue": "greasing overdue : in time",
    "cap_open": "grease cap not seated : seated",
    "greased_late_share": "earlier greasings late : in time",
}
# What wears out may come first, and greasing lapse because of it.
GREASED = ("greasing_overdue", "greased_late_share")
CAUSE_WORDS = {
    "stuck": "stuck",
    "over_adjusting": "taking up too much",
    "damaged": "damaged",
    "failed": "failed, not said how",
    "planned": "replaced as planned",
}
PLANNED = "planned"
NONE_LEFT = 1e-6
FEWEST_AGES = 3  # through two points every form is a straight line
INCIDENCE = ("incidence", "ci_low", "ci_high")
COUNT = ("replacements", "ci_low", "ci_high")


def effects_figure(effects: pl.DataFrame | None, fits: pl.DataFrame | None = None) -> Figure | None:
    """What goes with sooner failure beside duty, which has a chart of its own."""
    if effects is None:
        return None
    rows = _effects(effects)
    if rows.is_empty():
        return None
    return Figure(
        key="adjuster-effects",
        said=_effects_said(rows, fits),
        chart=comparison_chart(rows, "failure rate"),
        table=_effects_table(rows),
        sql="select * from mart.adjuster_effects where fleets_clock and measure = 'hazard_ratio'",
    )


def _effects(effects: pl.DataFrame) -> pl.DataFrame:
    kept = effects.filter(
        "fleets_clock",
        pl.col("measure") == "hazard_ratio",
        pl.col("term") != "duty",
        pl.col("ratio") > 0,
        pl.col("ci_low") > 0,
        pl.col("ci_high").is_not_null(),
    )
    plain = pl.format("{} {} : {}", "term", "level", "reference").str.replace_all("_", " ")
    named = pl.col("term").replace_strict(TERM_WORDS, default=None, return_dtype=pl.String)
    alone = pl.col("cause").replace_strict(CAUSE_WORDS, default=None, return_dtype=pl.String)
    only = pl.format("{} only, ", pl.coalesce(alone, "cause"))
    group = pl.when(pl.col("cause").is_null()).then(pl.lit("")).otherwise(only) + pl.coalesce(
        named, plain
    )
    return kept.with_columns(group=group, verdict=VERDICT).sort(
        pl.col("cause").is_not_null(), pl.col("ratio"), descending=[False, True]
    )


def _effects_said(rows: pl.DataFrame, fits: pl.DataFrame | None) -> Said:
    apart = rows.filter(pl.col("verdict") == APART)
    failures, adjusters = rows["failures"].max(), rows["adjusters"].max()
    among = of_all_adjusters(_whole(adjusters), fits)
    left_out = (
        " (left out: those never watched between two looks, and levels too thin for a ratio)"
        if " of all " in among
        else ""
    )
    note = (
        f"Ratios of failure rates, all else the same, with 95 % intervals; {number(apart.height)} "
        f"of {number(rows.height)} told apart at 5 % after Holm's adjustment. "
        f"{count(_whole(failures), 'failure')} among {among}{left_out}; what goes together in "
        "these records need not cause one another."
    )
    if apart.is_empty():
        return Said("Beside duty, nothing on record is shown to change how soon they fail", note)
    # Failures of every kind together come before those of one kind.
    top = apart.sort(
        pl.col("cause").is_not_null(), -pl.col("ratio").log().abs(), nulls_last=True
    ).row(0, named=True)
    ratio = with_interval(*(top[c] for c in RATIO))
    what = capital(str(top["group"])).replace(" : ", " against ")
    first = "; which came first is not on record" if top["term"] in GREASED else ""
    return Said(f"{what}: {ratio} times the failure rate{first}", note)


def _whole(value: object) -> int:
    return int(value) if isinstance(value, int | float) else 0


def _effects_table(rows: pl.DataFrame) -> Table:
    lines = [
        (
            r["group"],
            number(r["ratio"], 2),
            span(number(r["ci_low"], 2), number(r["ci_high"], 2)),
            number(r["p_adjusted"], 4),
            r["verdict"],
            number(r["failures"]),
        )
        for r in rows.iter_rows(named=True)
    ]
    return table(
        lines, "What : against what", "Ratio", "95 %", "p, adjusted", "Verdict", "Failures"
    )


def causes_figure(
    causes: pl.DataFrame | None, measures: Measures, fits: pl.DataFrame | None = None
) -> Figure | None:
    """How adjusters of the whole fleet end, by the oldest age on the curve."""
    if causes is None:
        return None
    pooled = causes.filter(
        pl.col("axle_type").is_null(), pl.col("duty").is_null(), pl.col("incidence").is_not_null()
    )
    if pooled.is_empty():
        return None
    oldest = pooled.filter(pl.col("km") == _last_told(pooled))
    rows = oldest.with_columns(
        group=pl.col("cause").replace_strict(CAUSE_WORDS, default=pl.col("cause"))
    ).sort("incidence", descending=True)
    return Figure(
        key="adjuster-ends",
        said=_causes_said(rows, measures, fits),
        chart=_causes_chart(rows),
        table=_causes_table(rows),
        sql="select * from mart.adjuster_causes where axle_type is null and duty is null",
    )


def _last_told(pooled: pl.DataFrame) -> float:
    """The oldest age at which some have not ended: the last of all to end leaves no doubt, and no
    knowledge either."""
    ages = pooled.group_by("km").agg(pl.col("incidence").sum())
    some_left = ages.filter(pl.col("incidence") < 1.0 - NONE_LEFT)
    return float((ages if some_left.is_empty() else some_left)["km"].max())  # type: ignore[arg-type]


def _causes_chart(rows: pl.DataFrame) -> Chart:
    x = alt.X(
        "ci_low:Q",
        title="Share of adjusters that ended so",
        scale=alt.Scale(domainMin=0),
        axis=marks.percent_axis(tickCount=6),
    )
    return marks.interval_plot(rows.select("group", *INCIDENCE, "ended"), INCIDENCE, x, ".1%")


def _causes_said(rows: pl.DataFrame, measures: Measures, fits: pl.DataFrame | None) -> Said:
    first = rows.row(0, named=True)
    failed = rows.filter(pl.col("cause") != PLANNED)
    among_all = of_all_adjusters(int(first["adjusters"]), fits)
    watched = ", those watched over some distance" if " of all " in among_all else ""
    age, start = measures.distance(first["km"]), measures.distance(first["from_km"])
    among = f" among those that reached {start}" if first["from_km"] > 0 else ""
    note = (
        f"Share ended in each way by {age}{among}, the other ways at work, with 95 % bands; "
        f"{count(marks.total(rows, 'ended'), 'end')} seen among {among_all}{watched}. Planned "
        "replacement is no failure."
    )
    if failed.is_empty():
        return Said("Every adjuster that ended was replaced as planned", note)
    top = failed.row(0, named=True)
    part = f"{share(top['incidence'])} ({span(share(top['ci_low']), share(top['ci_high']))})"
    if failed.height == 1:
        return Said(f"Ended as “{top['group']}”: {part} of adjusters by {age}", note)
    return Said(f"The commonest failure is “{top['group']}”: {part} of adjusters by {age}", note)


def _causes_table(rows: pl.DataFrame) -> Table:
    lines = [
        (
            r["group"],
            share(r["incidence"], 1),
            span(share(r["ci_low"], 1), share(r["ci_high"], 1)),
            number(r["ended"]),
        )
        for r in rows.iter_rows(named=True)
    ]
    return table(lines, "How it ended", "Share", "95 %", "Seen")


def replacements_figure(
    counts: pl.DataFrame | None, differences: pl.DataFrame | None, measures: Measures
) -> Figure | None:
    """Adjusters a wheel end goes through, by an age that every duty was watched to."""
    if counts is None:
        return None
    drawn = counts.filter(pl.col("duty").is_not_null(), pl.col("replacements").is_not_null())
    if drawn["duty"].n_unique() < 2:
        return None
    rows = _at_common_age(drawn).sort("replacements", descending=True)
    return Figure(
        key="adjusters-replaced",
        said=_replacements_said(rows, differences, measures),
        chart=_replacements_chart(rows),
        table=_replacements_table(rows, measures),
        sql="select * from mart.replacement_counts where duty is not null order by duty, km",
    )


def _at_common_age(counts: pl.DataFrame) -> pl.DataFrame:
    """One row a duty, read off its curve at the oldest age that is on every duty's."""
    least = float(counts.group_by("duty").agg(pl.col("km").max())["km"].min())  # type: ignore[arg-type]
    curves = counts.sort("duty", "km").partition_by("duty", maintain_order=True)
    read_off = [
        curve.filter((pl.col("km") >= least) | (pl.col("km") == pl.col("km").max()))
        .head(1)
        .with_columns(
            *(pl.lit(float(np.interp(least, curve["km"], curve[c]))).alias(c) for c in COUNT),
            km=pl.lit(least),
            group=pl.col("duty"),
        )
        for curve in curves
    ]
    return pl.concat(read_off)


def _replacements_chart(rows: pl.DataFrame) -> Chart:
    x = alt.X(
        "ci_low:Q",
        title="Adjusters replaced per wheel end",
        scale=alt.Scale(domainMin=0),
        axis=alt.Axis(format="~g", tickCount=6),
    )
    return marks.interval_plot(rows.select("group", *COUNT, "watched"), COUNT, x, ".2f")


def _replacements_said(
    rows: pl.DataFrame, differences: pl.DataFrame | None, measures: Measures
) -> Said:
    age = measures.distance(float(rows["km"].max()))  # type: ignore[arg-type]
    events, ends = marks.total(rows, "events"), marks.total(rows, "wheel_ends")
    note = (
        f"Mean number by about {age} on the wheel end's own odometer, planned replacements "
        f"included, with 95 % intervals by unit; {count(events, 'replacement')} on "
        f"{count(ends, 'wheel end')}."
    )
    top = None if differences is None else _clearest(differences)
    if top is None:
        return Said("No duty is shown to use up more adjusters than another", note)
    a, b = (
        (top["duty_a"], top["duty_b"]) if top["difference"] > 0 else (top["duty_b"], top["duty_a"])
    )
    low, high = sorted(abs(top[c]) for c in ("ci_low", "ci_high"))
    more = with_interval(abs(top["difference"]), low, high)
    by = measures.distance(top["km"])
    return Said(f"A wheel end in {a} uses {more} adjusters more than in {b} by {by}", note)


def _clearest(differences: pl.DataFrame) -> dict[str, Any] | None:
    apart = differences.filter(pl.col("p_adjusted") < LEVEL)
    if apart.is_empty():
        return None
    return apart.sort(pl.col("difference").abs(), descending=True).row(0, named=True)


def _replacements_table(rows: pl.DataFrame, measures: Measures) -> Table:
    lines = [
        (
            r["group"],
            measures.distance(r["km"]),
            number(r["replacements"], 2),
            span(number(r["ci_low"], 2), number(r["ci_high"], 2)),
            number(r["watched"]),
            r["pace"] or "",
        )
        for r in rows.iter_rows(named=True)
    ]
    heads = ("Duty", "By age", "Replaced", "95 %", "Watched then", "Remark")
    return table(lines, *heads)


def scale_figures(scales: pl.DataFrame | None, measures: Measures) -> tuple[Figure, ...]:
    """The whole fleet's lives on each form's own scale, where the form is a straight line."""
    if scales is None:
        return ()
    pooled = scales.filter(pl.col("axle_type").is_null(), pl.col("duty").is_null())
    parts = pooled.partition_by("distribution", as_dict=True, maintain_order=True)
    return tuple(
        _scale_figure(str(name), rows, measures)
        for (name,), rows in parts.items()
        if rows.height >= FEWEST_AGES
    )


def _scale_figure(name: str, rows: pl.DataFrame, measures: Measures) -> Figure:
    return Figure(
        key=f"adjuster-scale-{name}",
        said=_scale_said(name, rows),
        chart=_scale_chart(rows, measures),
        table=_scale_table(rows, measures),
        sql=f"select * from mart.adjuster_scales where distribution = '{name}' "
        "and axle_type is null and duty is null order by km",
        small=True,
    )


def _scale_chart(rows: pl.DataFrame, measures: Measures) -> Chart:
    shown = measures.scaled(rows, measures.per_km, "km").select(
        "km", "failed", "z", "z_low", "z_high", "z_fit"
    )
    x = alt.X(
        "km:Q",
        title=f"Age, {measures.distance_unit}",
        scale=alt.Scale(type="log", nice=False),
        axis=alt.Axis(format="~s", tickCount=4),
    )
    title = "Failed, on the form's scale"
    base = alt.Chart(shown).encode(
        x=x,
        tooltip=marks.tips(
            ("km:Q", "Age", ",.0f"), ("failed:Q", "Failed", ".1%"), ("z:Q", "On the scale", ".2f")
        ),
    )
    y = alt.Y("z_low:Q", title=title, axis=alt.Axis(tickCount=5))
    band = base.mark_area().encode(y=y, y2=alt.Y2("z_high:Q"))
    line = base.mark_line(stroke=marks.RUST, strokeDash=[6, 3]).encode(y=alt.Y("z_fit:Q"))
    points = base.mark_point(size=14).encode(y=alt.Y("z:Q"))
    return marks.layered(shown, 165, band, line, points)


def _scale_said(name: str, rows: pl.DataFrame) -> Said:
    outside = rows.filter(
        (pl.col("z_fit") < pl.col("z_low")) | (pl.col("z_fit") > pl.col("z_high"))
    )
    word = FORM_WORDS.get(name, name)
    note = f"{count(rows.height, 'age')} at which failures were found; band: 95 %, point by point"
    if outside.is_empty():
        return Said(f"{word}: its straight line stays within the band", note)
    left = f"{number(outside.height)} of {number(rows.height)}"
    return Said(f"{word}: its straight line leaves the band at {left} ages", note)


def _scale_table(rows: pl.DataFrame, measures: Measures) -> Table:
    every = max(1, rows.height // 24)
    lines = [
        (
            measures.distance(r["km"]),
            share(r["failed"], 1),
            number(r["z"], 2),
            span(number(r["z_low"], 2), number(r["z_high"], 2)),
            number(r["z_fit"], 2),
        )
        for r in rows.gather_every(every).iter_rows(named=True)
    ]
    return table(lines, "Age", "Failed", "On the scale", "95 %", "Straight line")
