"""What is flagged, where strokes stand, and when linings run out."""

import datetime as dt

import altair as alt
import polars as pl

from dashboards.drawing import marks
from dashboards.drawing.figure import (
    Chart,
    Figure,
    Said,
    Table,
    counted,
    said_for_selections,
    table,
)
from dashboards.drawing.theme import SAND, SOFT, STATE_WORDS
from dashboards.page_data import Fleet
from dashboards.sentences.words import count, month_key_name, number, share, span

NEW, STILL, FLAGGED = "new this month", "flagged before", "flagged"
CHANGE_WORDS = {"newly": NEW, "still": STILL}
STATE_ORDER = [s for s in STATE_WORDS if s != "in_band"]
SHADES = {NEW: marks.RUST, STILL: SAND, FLAGGED: marks.RUST}
STROKE_STEP = 0.01
STROKE_MOST = 0.40
MONTHS_AHEAD = 24
FEW = 20  # fewer wheel ends are counted, not given in percent
UNREAD = "not read since it was set"
MANY_UNREAD = 0.1  # of all, from which the title says how many


def states_figure(status: pl.DataFrame, changes: pl.DataFrame | None) -> Figure | None:
    flagged = status.filter("flagged")
    if flagged.is_empty():
        return None
    counts, dimensions = counted(_with_change(flagged, changes), "state", "change")
    counts = counts.with_columns(pl.col("state").replace(STATE_WORDS).alias("group")).sort(
        pl.col("state").replace_strict(_STATE_RANK, default=99), *dimensions
    )
    return Figure(
        key="flags-by-state",
        said=_states_said(counts),
        chart=states_chart(counts),
        table=_states_table(counts),
        sql="select state, count(*) from mart.wheel_end_status where flagged group by state",
        matching="cells",
        dimensions=dimensions,
        said_for=said_for_selections(counts, dimensions, _states_said),
    )


_STATE_RANK = {state: i for i, state in enumerate(STATE_ORDER)}


def _with_change(flagged: pl.DataFrame, changes: pl.DataFrame | None) -> pl.DataFrame:
    if changes is None:
        return flagged.with_columns(change=pl.lit(FLAGGED))
    known = changes.select("wheel_end_id", pl.col("change").replace(CHANGE_WORDS))
    once = known.unique("wheel_end_id", keep="first", maintain_order=True)
    joined = flagged.join(once, on="wheel_end_id", how="left", maintain_order="left")
    return joined.with_columns(pl.col("change").fill_null(STILL))


def states_chart(counts: pl.DataFrame) -> Chart:
    """``group`` (the state in words), ``change``, ``n``, one row a cell."""
    found = [w for w in SHADES if w in counts["change"].to_list()]
    shades = alt.Scale(domain=found, range=[SHADES[w] for w in found])
    shown = counts.drop("state")
    bars: alt.Chart = (
        alt.Chart(shown)
        .mark_bar(height=15)
        .encode(
            y=marks.group_axis(shown),
            x=alt.X("sum(n):Q", title="Wheel ends", axis=alt.Axis(tickMinStep=1, format="d")),
            color=alt.Color("change:N", scale=shades, legend=alt.Undefined if found[1:] else None),
            order=alt.Order("change:N", sort="ascending" if NEW < STILL else "descending"),
            tooltip=marks.tips(("group:N", "What", ""), ("sum(n):Q", "Wheel ends", ",d")),
        )
    )
    return bars.properties(height=alt.Step(marks.STEP))


def _states_said(counts: pl.DataFrame) -> Said:
    by_state = counts.group_by("group").agg(pl.col("n").sum()).sort("n", "group", descending=True)
    total, top = marks.total(by_state, "n"), by_state.row(0, named=True)
    new = marks.total(counts.filter(pl.col("change") == NEW), "n")
    note = f"{count(total, 'flagged wheel end')}, counted by what the history of each says."
    if counts["change"].n_unique() > 1 or new:
        note += f" {number(new)} of them {'is' if new == 1 else 'are'} new this month."
    if by_state.height == 1:
        return Said(f"Everything flagged is of one kind: {top['group']}", note)
    return Said(
        f"Most often it is “{top['group']}”: {number(top['n'])} of {number(total)} flags", note
    )


def _states_table(counts: pl.DataFrame) -> Table:
    by_state = counts.group_by("group", "change", maintain_order=True).agg(pl.col("n").sum())
    rows = [(r["group"], r["change"], number(r["n"])) for r in by_state.iter_rows(named=True)]
    return table(rows, "What", "Since", "Wheel ends")


def stroke_figure(status: pl.DataFrame, fleet: Fleet) -> Figure | None:
    """Where the strokes of all wheel ends stand against the band in force."""
    if status["stroke_ratio"].drop_nulls().is_empty():
        return None
    ratio = pl.col("stroke_ratio").clip(0.0, STROKE_MOST - STROKE_STEP / 2)
    binned = status.with_columns(
        ((ratio / STROKE_STEP).floor() * STROKE_STEP).round(4).alias("bin"),
        pl.when(pl.col("stroke_ratio").is_null())
        .then(pl.lit(UNREAD))
        .when(pl.col("stroke_ratio") < fleet.band_low)
        .then(pl.lit("below"))
        .when(pl.col("stroke_ratio") > fleet.band_high)
        .then(pl.lit("above"))
        .otherwise(pl.lit("in the band"))
        .alias("place"),
    )
    counts, dimensions = counted(binned, "bin", "place", also=(pl.col("p_out_now").sum(),))

    def say(frame: pl.DataFrame) -> Said:
        return _stroke_said(frame, fleet)

    return Figure(
        key="strokes-now",
        said=say(counts),
        chart=stroke_chart(_read(counts).drop("p_out_now"), fleet),
        table=_stroke_table(_read(counts)),
        sql="select wheel_end_id, stroke_ratio, stroke_ratio_sd, p_out_now "
        "from mart.wheel_end_status",
        matching="cells",
        dimensions=dimensions,
        said_for=said_for_selections(counts, dimensions, say),
    )


def stroke_chart(counts: pl.DataFrame, fleet: Fleet) -> Chart:
    """``bin`` (its low end), ``n``; the band in force behind."""
    shown = counts.with_columns((pl.col("bin") + STROKE_STEP).alias("bin_end"))
    grouped = alt.Chart(shown).transform_aggregate(n="sum(n)", groupby=["bin", "bin_end", "place"])
    title = "Free stroke as a share of arm length"
    bars = grouped.mark_bar(binSpacing=1).encode(
        x=alt.X(
            "bin:Q",
            bin="binned",
            title=title,
            axis=alt.Axis(format="~%", tickCount=8),
            scale=alt.Scale(zero=True),
        ),
        x2=alt.X2("bin_end:Q"),
        # A square-root scale: the few outside, which matter, would vanish beside the many inside.
        y=alt.Y(
            "n:Q", title="Wheel ends (square-root scale)", scale=alt.Scale(type="sqrt"), stack=None
        ),
        color=alt.Color(
            "place:N",
            legend=None,
            scale=alt.Scale(
                domain=["below", "in the band", "above"],
                range=[marks.RUST, marks.DEEP, marks.RUST],
            ),
        ),
        tooltip=marks.tips(
            ("bin:Q", "From", ".0%"), ("bin_end:Q", "To", ".0%"), ("n:Q", "Wheel ends", ",d")
        ),
    )
    behind = marks.steady_band(fleet.band_low, fleet.band_high, "x")
    return marks.layered(shown, 200, behind, bars)


def _read(counts: pl.DataFrame) -> pl.DataFrame:
    return counts.filter(pl.col("place") != UNREAD)


def _stroke_said(counts: pl.DataFrame, fleet: Fleet) -> Said:
    everyone = marks.total(counts, "n")
    counts = _read(counts)
    total = marks.total(counts, "n")
    inside, below, above = (
        _share_or_count(marks.total(counts.filter(pl.col("place") == p), "n"), total)
        for p in ("in the band", "below", "above")
    )
    band = span(*(f"{100 * end:.3g}\u00a0%" for end in (fleet.band_low, fleet.band_high)))
    note = (
        f"Estimates now, of {count(total, 'wheel end')} with a stroke reading; shaded: the band in "
        f"force, {band} of the arm ({fleet.band_source}).{_out_by_chance(counts)}"
    )
    unread = everyone - total
    if unread:
        are = "is" if unread == 1 else "are"
        note += (
            f" Not in it {are} {count(unread, 'wheel end')} without a stroke read since the last "
            "setting, those found outside the band and set then among them."
        )
    first = f"{inside} of {number(total)}" if total < FEW else f"{inside} of"
    title = f"{first} strokes are estimated in their band; {above} too long, {below} too short"
    if unread >= MANY_UNREAD * everyone:
        title += f"; {number(unread)} of {number(everyone)} not read since they were set"
    return Said(title, note)


def _out_by_chance(counts: pl.DataFrame) -> str:
    """How many probably are outside, where estimates, each the likeliest of its own, say another
    number: one adjuster in so many has failed since it was read, and nobody knows which."""
    expected = round(float(counts["p_out_now"].sum()))
    seem = marks.total(counts.filter(pl.col("place") != "in the band"), "n")
    if expected == seem:
        return ""
    are = "is" if expected == 1 else "are"
    among = ": what failed since it was read is among those that seem well"
    about = f"about {number(expected)}" if expected else "hardly one"
    return (
        f" By the chance of each, {about} of them {are} outside it now"
        f"{among if expected > seem else ''}."
    )


def _share_or_count(n: int, total: int) -> str:
    """A share of many, a count of few: a percentage of three wheel ends says more than is known."""
    if total >= FEW:
        return share(n / total)
    return number(n) if n else "none"


def _stroke_table(counts: pl.DataFrame) -> Table:
    by_bin = counts.group_by("bin").agg(pl.col("n").sum()).sort("bin")
    rows = [
        (f"{share(r['bin'])} to {share(r['bin'] + STROKE_STEP)}", number(r["n"]))
        for r in by_bin.iter_rows(named=True)
    ]
    return table(rows, "Free stroke / arm length", "Wheel ends")


def minimum_figure(status: pl.DataFrame, as_of: dt.date) -> Figure | None:
    """Wheel ends whose lining may have reached its minimum, month by month."""
    known = status.filter(pl.col("min_on_p50").is_not_null())
    if known.is_empty():
        return None
    long = pl.concat(
        known.select(
            "depot", "duty", "axle_type", pl.col(f"min_on_{q}").alias("on"), chance=pl.lit(w)
        )
        for q, w in CHANCES.items()
    ).filter(pl.col("on").is_not_null())
    end = _months_later(as_of, MONTHS_AHEAD)
    within = long.filter(pl.col("on") < end).with_columns(
        pl.max_horizontal("on", pl.lit(as_of)).dt.strftime("%Y-%m").alias("month")
    )
    if within.is_empty():
        return None
    counts, dimensions = counted(within, "chance", "month")

    def say(frame: pl.DataFrame) -> Said:
        return _minimum_said(frame, as_of)

    return Figure(
        key="linings-run-out",
        said=say(counts),
        chart=minimum_chart(counts, as_of),
        table=_minimum_table(counts),
        sql="select wheel_end_id, min_on_p10, min_on_p50, min_on_p90 from mart.wheel_end_status "
        "order by min_on_p10",
        matching="cells",
        dimensions=dimensions,
        said_for=said_for_selections(counts, dimensions, say),
    )


CHANCES = {"p10": "1 chance in 10 or more", "p50": "even chance", "p90": "9 chances in 10"}


def minimum_chart(counts: pl.DataFrame, as_of: dt.date) -> Chart:
    """Running totals by month, a line for each chance, told apart by dash and shade."""
    words = list(CHANCES.values())
    months = [_months_later(as_of, i).strftime("%Y-%m") for i in range(MONTHS_AHEAD)]
    lines: alt.Chart = (
        alt.Chart(counts)
        .transform_aggregate(n="sum(n)", groupby=["chance", "month"])
        .transform_impute("n", key="month", keyvals=months, groupby=["chance"], value=0)
        .transform_window(
            total="sum(n)", groupby=["chance"], sort=[alt.SortField("month")], frame=[None, 0]
        )
        .mark_line(interpolate="step", strokeWidth=2.5)
        .encode(
            x=marks.month_axis(months, bars=False),
            y=alt.Y("total:Q", title="Wheel ends at their minimum by then"),
            strokeDash=alt.StrokeDash(
                "chance:N",
                legend=alt.Legend(offset=30),
                scale=alt.Scale(domain=words, range=[[6, 3], [1, 0], [2, 2]]),
            ),
            color=alt.Color(
                "chance:N",
                legend=alt.Legend(offset=30),
                scale=alt.Scale(domain=words, range=[marks.RUST, marks.DEEP, SOFT]),
            ),
            tooltip=marks.tips(
                ("month:N", "By", ""), ("chance:N", "With", ""), ("total:Q", "Wheel ends", ",d")
            ),
        )
    )
    return lines.properties(height=220)


def _months_later(day: dt.date, months: int) -> dt.date:
    whole = day.year * 12 + day.month - 1 + months
    return dt.date(whole // 12, whole % 12 + 1, 1)


def _minimum_said(counts: pl.DataFrame, as_of: dt.date) -> Said:
    soon = _months_later(as_of, 3).strftime("%Y-%m")
    by_then = counts.filter(pl.col("month") < soon)
    risky, even = (
        marks.total(by_then.filter(pl.col("chance") == CHANCES[q]), "n") for q in ("p10", "p50")
    )
    last = month_key_name(_months_later(as_of, 2).strftime("%Y-%m"))
    note = (
        "When linings would reach their minimum if nobody relined them: a matter of safety; the "
        "budget below says when they will be relined."
    )
    if not risky:
        return Said(f"No lining is likely to reach its minimum by the end of {last}", note)
    title = f"{count(risky, 'lining')} may reach the minimum by the end of {last}"
    return Said(f"{title}, {number(even) if even else 'none'} with an even chance", note)


def _minimum_table(counts: pl.DataFrame) -> Table:
    wide = counts.group_by("month", "chance").agg(pl.col("n").sum()).sort("month", "chance")
    rows = [
        (month_key_name(m), *(_of(wide, m, w) for w in CHANCES.values()))
        for m in wide["month"].unique(maintain_order=True)
    ]
    return table(rows, "Reached in", *CHANCES.values())


def _of(wide: pl.DataFrame, month: str, chance: str) -> str:
    found = wide.filter(pl.col("month") == month, pl.col("chance") == chance)["n"]
    return number(found[0] if found.len() else 0)
