"""One wheel end's history: its lining and its stroke, as read and as estimated now.

The page draws these for whichever wheel end is asked for, so they are made once, on named data that
the page's script fills: ``readings`` (``on``, ``value``, ``run``), ``jobs`` (``on``, ``job``),
``now`` (``on``, ``value``, ``low``, ``high``), ``limits`` (``value``) and ``reach`` (``from``,
``to``, ``value``).
"""

from typing import Any

import altair as alt

from dashboards.drawing import marks
from dashboards.drawing.figure import Chart
from dashboards.drawing.theme import SOFT
from dashboards.sentences.measures import Measures

NAMES = ("readings", "jobs", "now", "limits", "reach")
HEIGHT = 130


def lining_history(measures: Measures) -> Chart:
    """Lining against date: readings, the estimate now, and when it reaches its minimum."""
    y = alt.Y("value:Q", title=f"Lining, {measures.length_unit}", scale=alt.Scale(zero=True))
    limit = _on("limits").mark_rule(stroke=marks.RUST, strokeDash=[5, 3]).encode(y=alt.Y("value:Q"))
    reach = (
        _on("reach")
        .mark_rule(strokeWidth=8, stroke=marks.RUST, opacity=0.45)
        .encode(x=alt.X("from:T"), x2=alt.X2("to:T"), y=alt.Y("value:Q"))
    )
    return _layers(limit, *_jobs(), reach, *_now(), *_readings(y, ".1f"))


def stroke_history(measures: Measures) -> Chart:
    """Free stroke as a share of arm length against date, the band in force behind it."""
    axis = alt.Axis(format="~%")
    y = alt.Y("value:Q", title="Stroke / arm", scale=alt.Scale(zero=True), axis=axis)
    band = marks.steady_band(measures.fleet.band_low, measures.fleet.band_high)
    return _layers(band, *_jobs(), *_now(), *_readings(y, ".1%"))


def _on(name: str) -> alt.Chart:
    return alt.Chart(alt.NamedData(name=name))


def _layers(*layers: alt.Chart) -> alt.LayerChart:
    return alt.LayerChart(layer=list(layers), height=HEIGHT)


def _readings(y: alt.Y, form: str) -> tuple[alt.Chart, alt.Chart]:
    x = alt.X("on:T", title=None, axis=alt.Axis(tickCount=4))
    described = marks.tips(("on:T", "Read on", "%d %b %Y"), ("value:Q", "Reading", form))
    base = _on("readings").encode(x=x, y=y, tooltip=described)
    line = base.mark_line(strokeWidth=1, opacity=0.5).encode(detail=alt.Detail("run:N"))
    return line, base.mark_point(size=28)


def _jobs() -> tuple[alt.Chart, alt.Chart]:
    described = marks.tips(("job:N", "Done", ""), ("on:T", "On", "%d %b %Y"))
    base = _on("jobs").encode(x=alt.X("on:T"), tooltip=described)
    rule = base.mark_rule(stroke=SOFT, strokeDash=[2, 2], strokeWidth=1.5)
    sign: Any = base.mark_point(shape="triangle-down", fill=SOFT, size=50)
    return rule, sign.encode(y=alt.value(0))


def _now() -> tuple[alt.Chart, alt.Chart]:
    described = marks.tips(
        ("value:Q", "Now", ".3~g"), ("low:Q", "From", ".3~g"), ("high:Q", "To", ".3~g")
    )
    base = _on("now").encode(x=alt.X("on:T"), tooltip=described)
    bar = base.mark_rule(strokeWidth=7, stroke=marks.PALE).encode(
        y=alt.Y("low:Q"), y2=alt.Y2("high:Q")
    )
    return bar, base.mark_point(shape="diamond", size=46).encode(y=alt.Y("value:Q"))
