"""The page's chapters: which figures stand where, and what is said when there are none."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import polars as pl
from altair.utils.schemapi import debug_mode

from dashboards.charts import decisions as decisions_charts
from dashboards.charts import flags as flags_charts
from dashboards.charts import lives as lives_charts
from dashboards.charts import relines as relines_charts
from dashboards.charts import settings as settings_charts
from dashboards.charts import trust as trust_charts
from dashboards.charts.adjusters import age_figure, curve_figures
from dashboards.charts.compared import comparison_figure
from dashboards.charts.policies import policies_figure
from dashboards.charts.records import fates_figure, reasons_figure
from dashboards.charts.wear import changes_said, wear_figure
from dashboards.drawing.figure import Figure
from dashboards.notes import why_no_forecast
from dashboards.page_data import PageData
from dashboards.planning import charts as planning_charts
from dashboards.planning.sentences import planning_remarks
from dashboards.sentences.departures import departures_said, gauges_said
from dashboards.sentences.measures import Measures
from dashboards.sentences.on_record import SERVICES, flags_judged, known_of, services_judged
from dashboards.sentences.reline_policy import policy_told
from dashboards.sentences.uneven_past import past_said, year_said
from dashboards.sentences.words import capital, count, listed, number, typeset

MOST_NAMED = 8  # wheel ends named in a remark


@dataclass(frozen=True, slots=True)
class Section:
    """One chapter: its figures, sentences beside them, or the one that stands in their place."""

    key: str
    heading: str
    figures: tuple[Figure, ...]
    nothing: str
    remarks: tuple[str, ...] = ()

    @property
    def reader(self) -> str:
        """Whose chapter it stands in."""
        return READERS[self.key]


ENGINEER, ANALYST = "engineer", "analyst"
READERS = {
    **dict.fromkeys(
        ("changed", "stand", "relines", "planning", "overdue", "decisions", "settings", "trust"),
        ENGINEER,
    ),
    "records": ENGINEER,
    **dict.fromkeys(("wear", "adjusters", "compared"), ANALYST),
}


def sections(data: PageData) -> tuple[Section, ...]:
    return tuple(section_by_section(data))


def section_by_section(data: PageData) -> Iterator[Section]:
    """The sections in order, each as it is made.

    Altair validates every piece of a chart when it is made, which takes as long as all the rest;
    the tests validate the charts whole.
    """
    makers = (
        changed,
        stand,
        relines,
        planning,
        overdue,
        decisions,
        settings,
        trust,
        records,
        wear,
        adjusters,
        compared,
    )
    for make in makers:
        with debug_mode(False):
            made = make(data)
        yield made


def svg_specs(part: Section) -> dict[str, dict[str, Any]]:
    """The specification of every chart of a section, its title in it, by file name
    (``wear-rates.svg``)."""
    return {f"{figure.key}.svg": figure.svg_spec() for figure in part.figures}


def _kept(figures: Iterable[Figure | None]) -> tuple[Figure, ...]:
    return tuple(f for f in figures if f is not None)


def changed(data: PageData) -> Section:
    figures = (
        flags_charts.states_figure(data.wheel_end_status, data.compared),
        trust_charts.months_figure(data.months, Measures(data.fleet)),
    )
    judged = flags_judged(data.on_record, data.wheel_end_status)
    return Section(
        "changed", "What changed", _kept(figures), f"There is no flag to count. {judged}"
    )


def stand(data: PageData) -> Section:
    figures = (
        flags_charts.stroke_figure(data.wheel_end_status, data.fleet),
        flags_charts.minimum_figure(data.wheel_end_status, data.as_of),
    )
    nothing = (
        "There is nothing to draw: no wheel end has a stroke read since its last setting, and none "
        "a lining that may reach its minimum within the months ahead."
    )
    return Section("stand", "The whole fleet", _kept(figures), nothing)


def relines(data: PageData) -> Section:
    measures = Measures(data.fleet)
    figures = (
        *(
            relines_charts.monthly_figure(
                data.reline_budget, data.reline_outlook, measures, what, data.outlook_parts
            )
            for what in ("relines", "cost")
        ),
        relines_charts.depots_figure(data.outlook_by_depot, measures, "relines"),
        relines_charts.depots_figure(data.outlook_by_depot, measures, "cost"),
        policies_figure(data.scenarios, measures),
    )
    nothing = f"No relines could be forecast: {why_no_forecast(data)}."
    plan = relines_charts.plan_said(data.reline_plan, measures)
    compared = data.scenarios
    unset = (
        compared is not None
        and bool(compared["relines_mean"].sum())
        and not compared["cost_mean"].sum()
    )
    remarks = (
        *map(typeset, changes_said(data.wear_changes, data.wear_rates)),
        *map(typeset, past_said(data.record_holes, data.use_changes, data.units_left_at_once)),
        *map(typeset, year_said(data.use_over_the_year)),
        *policy_told(data.reline_policy, data.reline_habits, measures),
        *((plan,) * bool(plan)),
        *((_NO_POLICIES,) * (data.scenarios is None)),
        *((_NO_COSTS,) * unset),
    )
    return Section("relines", "Relines and money", _kept(figures), nothing, remarks)


_NO_POLICIES = (
    "No other policies were compared: name some under [scenarios] in fleet.toml and the next run "
    "sets them side by side."
)


def planning(data: PageData) -> Section:
    measures = Measures(data.fleet)
    figures = (
        planning_charts.hours_figure(data.workshop_months),
        planning_charts.costs_figure(data.costs_per_km, measures),
        planning_charts.units_figure(data.unit_costs, measures),
        planning_charts.checks_figure(data.check_plan, measures),
    )
    remarks = tuple(map(typeset, planning_remarks(data)))
    lacking = "there are too few records of linings and jobs."
    nothing = f"{'No more than this' if remarks else 'Nothing'} could be planned: {lacking}"
    return Section("planning", "What to plan for", _kept(figures), nothing, remarks)


_NO_COSTS = (
    "Policies are not compared by their money: no cost is set under [costs] in fleet.toml. Their "
    "relines stand in mart.scenarios."
)


def wear(data: PageData) -> Section:
    measures = Measures(data.fleet)
    figures = (
        wear_figure(data.wear_rates, measures),
        comparison_figure(data.duty_comparisons, "wear_rate_ratio", "lining wear"),
    )
    nothing = "No wear rate could be worked out: too few linings were read more than once."
    remarks = (
        *changes_said(data.wear_changes, data.wear_rates),
        *_spread(data, measures),
        *departures_said(data.wear_departures, measures),
        *gauges_said(data.gauge_steps, measures),
        *_pointers(data),
    )
    typed = tuple(map(typeset, remarks))
    return Section("wear", "How fast linings wear", _kept(figures), nothing, typed)


def _pointers(data: PageData) -> tuple[str, ...]:
    found = data.pointers_not_reset
    if found is None or found.is_empty():
        return ()
    ends = found.sort("probability", descending=True)["wheel_end_id"].unique(maintain_order=True)
    more = f" and {number(ends.len() - MOST_NAMED)} more" if ends.len() > MOST_NAMED else ""
    named = ", ".join(ends.head(MOST_NAMED))
    pointers = count(ends.len(), "wear pointer")
    return (f"{pointers} probably not reset at the last reline: {named}{more}. Reset them.",)


def read(data: PageData) -> bool:
    """Whether any lining reading stands behind the wear fit."""
    return bool(data.wear_rates["readings"].sum())


def _spread(data: PageData, measures: Measures) -> tuple[str, ...]:
    if data.wear_components.is_empty():
        return ()
    row = data.wear_components.row(0, named=True)
    said = [measures.sentence(row["note"])] if row["note"] else []
    if row["converged"] is False and read(data):
        said.append("The wear fit did not settle on an optimum: take its intervals with care.")
    if row["between_unit_sd"] is not None and row["residual_sd"] is not None:
        unit_sd = measures.rate(row["between_unit_sd"])
        said.append(
            f"Beyond axle type and duty, units differ by about ±{unit_sd} "
            f"{measures.rate_unit} and linings within a unit by "
            f"±{measures.rate(row['between_life_sd'])}; a single reading is good to "
            f"±{measures.length(row['residual_sd'])} (standard deviations)."
        )
    return tuple(said)


def adjusters(data: PageData) -> Section:
    measures = Measures(data.fleet)
    figures = (
        *curve_figures(data.adjuster_curves, data.adjuster_fits, measures),
        age_figure(data.adjuster_fits, measures),
        lives_charts.causes_figure(data.adjuster_causes, measures, data.adjuster_fits),
        *lives_charts.scale_figures(data.adjuster_scales, measures),
    )
    nothing = "Too few adjusters of known age have failed for a curve to be drawn."
    said = (measures.sentence(remark) for remark in _adjuster_remarks(data))
    remarks = tuple(map(typeset, said))
    return Section("adjusters", "How long adjusters last", _kept(figures), nothing, remarks)


def compared(data: PageData) -> Section:
    """What goes with sooner failure, and with more adjusters used up."""
    measures = Measures(data.fleet)
    figures = (
        comparison_figure(
            data.duty_comparisons,
            "hazard_ratio",
            "the adjusters' failure rate",
            data.adjuster_effects,
        ),
        lives_charts.effects_figure(data.adjuster_effects, data.adjuster_fits),
        lives_charts.replacements_figure(
            data.replacement_counts, data.replacement_differences, measures
        ),
    )
    nothing = "Too few adjusters of known age have failed to compare duties, or anything else."
    return Section("compared", "What shortens their lives", _kept(figures), nothing)


def decisions(data: PageData) -> Section:
    measures = Measures(data.fleet)
    figures = (
        decisions_charts.intervals_figure(data.check_intervals),
        decisions_charts.replacement_figure(data.replacement_ages, measures),
        decisions_charts.failures_figure(data.expected_failures),
    )
    nothing = "Too few adjusters of known age have failed to weigh intervals or replacement ages."
    ages = data.replacement_ages
    never = ages is not None and ages["best_km"].null_count() == ages.height
    said = ("Planned replacement pays in no group at the fleet's own costs.",) * never
    heading = "Check intervals and planned replacement"
    return Section("decisions", heading, _kept(figures), nothing, said)


def _adjuster_remarks(data: PageData) -> tuple[str, ...]:
    """One sentence of all groups without a curve: what is pooled counts them again."""
    thin = data.adjuster_fits.filter(pl.col("distribution").is_null())
    pooled = thin.filter(pl.col("axle_type").is_null(), pl.col("duty").is_null())
    if pooled.height:
        note = pooled["note"].drop_nulls()
        return tuple(f"Of the whole fleet: {n}" for n in note.head(1))
    own = thin.filter(pl.col("axle_type").is_not_null(), pl.col("duty").is_not_null())
    if own.is_empty():
        return ()
    if own.height == 1:
        row = own.row(0, named=True)
        return (f"{row['axle_type']} / {row['duty']}: {row['note'] or 'too few failures'}",)
    groups = [
        f"{r['axle_type']} / {r['duty']} ({number(r['failures'])} of {number(r['adjusters'])})"
        for r in own.iter_rows(named=True)
    ]
    more = f" and {number(own.height - MOST_NAMED)} more" if own.height > MOST_NAMED else ""
    named = f"{', '.join(groups[:MOST_NAMED])}{more}" if more else listed(groups)
    failures = number(int(own["failures"].sum()))
    return (
        f"{capital(count(own.height, 'group'))} have too few failures for a curve ({failures} "
        f"together; failed of adjusters): {named}. What can still be said of each stands in "
        "mart.adjuster_fits, column note.",
    )


def settings(data: PageData) -> Section:
    figures = (
        settings_charts.depots_figure(data.setting_quality),
        settings_charts.months_figure(data.setting_quality),
    )
    nothing = "No setting was followed by a stroke reading that could judge it."
    return Section("settings", "How well adjusters are set", _kept(figures), nothing)


def overdue(data: PageData) -> Section:
    figures = _kept((settings_charts.overdue_figure(data.overdue),))
    if data.overdue is None or data.on_record is None:
        return Section("overdue", "Overdue", figures, "What is overdue was not worked out.")
    judged = services_judged(data.on_record, data.overdue, data.overdue_if_there)
    known = any(known_of(s, data.on_record) for s in SERVICES)
    nothing = "Of what can be judged, nothing is overdue." if known else "Nothing can be judged."
    return Section("overdue", "Overdue", figures, nothing, judged)


def records(data: PageData) -> Section:
    figures = (fates_figure(data.loads), reasons_figure(data.set_aside))
    return Section("records", "How good the records are", _kept(figures), "No file was read.")


def trust(data: PageData) -> Section:
    figures = (
        trust_charts.coverage_figure(data.backtest),
        trust_charts.precision_figure(data.flag_precision),
    )
    nothing = "The records do not reach back far enough to judge an earlier forecast."
    return Section("trust", "How far to trust it", _kept(figures), nothing)
