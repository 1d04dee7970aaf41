"""The page's chapters: which figures stand where, and what is said when there are none."""

from collections.abc import Iterable
from dataclasses import dataclass

from dashboards.charts_adjusters import age_figure, curve_figures
from dashboards.charts_records import fates_figure, reasons_figure
from dashboards.charts_relines import relines_figure
from dashboards.charts_wear import comparison_figure, wear_figure
from dashboards.figure import Figure
from dashboards.measures import Measures
from dashboards.page_data import PageData


@dataclass(frozen=True, slots=True)
class Section:
    """One chapter: its figures, or the sentence that stands in their place."""

    key: str
    heading: str
    figures: tuple[Figure, ...]
    nothing: str


def sections(data: PageData) -> tuple[Section, ...]:
    return (
        _relines(data),
        _wear(data),
        _adjusters(data),
        _records(data),
    )


def _section(key: str, heading: str, nothing: str, figures: Iterable[Figure | None]) -> Section:
    return Section(key, heading, tuple(f for f in figures if f is not None), nothing)


def _relines(data: PageData) -> Section:
    measures = Measures(data.fleet)
    return _section(
        "relines",
        "Relines and money",
        "No relines could be forecast: there are too few lining readings.",
        (
            relines_figure(data.reline_budget, data.reline_outlook, measures, what)
            for what in ("relines", "cost")
        ),
    )


def _wear(data: PageData) -> Section:
    measures = Measures(data.fleet)
    return _section(
        "wear",
        "How fast linings wear",
        "No wear rate could be worked out: no lining was read twice.",
        (
            wear_figure(data.wear_rates, measures),
            comparison_figure(data.duty_comparisons, "wear_rate_ratio", "lining wear"),
        ),
    )


def _adjusters(data: PageData) -> Section:
    measures = Measures(data.fleet)
    return _section(
        "adjusters",
        "How long adjusters last",
        "Too few adjusters have failed for a curve to be drawn.",
        (
            age_figure(data.adjuster_fits, measures),
            comparison_figure(data.duty_comparisons, "hazard_ratio", "adjuster failure rate"),
            *curve_figures(data.adjuster_curves, data.adjuster_fits, measures),
        ),
    )


def _records(data: PageData) -> Section:
    return _section(
        "records",
        "How good the records are",
        "No file was read.",
        (fates_figure(data.loads), reasons_figure(data.set_aside)),
    )
