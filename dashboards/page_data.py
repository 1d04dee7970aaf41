"""What the month's page is drawn from: frames the pipeline fills, and nothing else.

Lengths are in mm, distances in km and money in the fleet's currency everywhere in here; the page
turns them into the fleet's units as it draws. Dates are ``pl.Date``. A frame that is ``None`` was
not made; its section says so in words.
"""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Literal

import polars as pl

from dashboards.sentences.method import METHODS, Method

PUBLISHED_FILES = (
    "worklist.xlsx",
    "worklist.csv",
    "reline_list.csv",
    "overdue_list.csv",
    "reline_budget.xlsx",
    "reline_budget.csv",
)


@dataclass(frozen=True, slots=True)
class Fleet:
    """The fleet's own settings, as far as the page needs them."""

    name: str = ""
    currency: str = ""
    length_unit: Literal["mm", "in"] = "mm"
    distance_unit: Literal["km", "mi"] = "km"
    band_low: float = 0.10  # free stroke / arm length
    band_high: float = 0.15
    target: float = 0.125
    take_up_deg: float | None = None  # camshaft turn beyond which an adjuster takes up
    band_source: str = "common practice, no published source"
    risk: float = 0.05  # accepted chance of crossing the minimum between visits
    horizon_months: int = 24
    duty_order: tuple[str, ...] = ()
    steps: tuple[str, ...] = ()  # the workshop's own, in place of the general ones
    limit_sources: tuple[str, ...] = ()  # where each limit in force comes from, a sentence each


@dataclass(frozen=True, slots=True)
class PageData:
    """Everything one month's page shows.

    The frames that are not optional have at least the columns of the ``mart`` tables of their
    names.

    loads
        ``path``, ``table_name``?, ``rows_read``, ``accepted``, ``repeated``, ``set_aside``,
        ``status``: one row per file.
    set_aside
        ``path``, ``row_no``, ``table_name``, ``reason_kind``, ``reason``, ``raw``: one row per
        rejected row.
    reline_budget
        ``month``, ``depot``, ``axle_type``, ``duty``, ``relines_…``, ``cost_…``. Null means "over
        all": besides the fleet's total and the single cells it may hold any margin (one depot over
        all types and duties, say). A selection on the page gets its band from the row that matches
        it exactly; without one, its cells' means are added and no band is drawn.
    backtest
        As in the mart: ``bias`` is the mean of outcome minus forecast.
    histories
        ``wheel_end_id``, ``inspected_on``, ``lining_mm``?, ``stroke_ratio``?, ``jobs``? (text, what
        was done that day, null for none): readings, oldest first, of the wheel ends that the page
        may show; the flagged ones matter most, as many others as there are may follow.
    limits
        ``wheel_end_id``, ``lining_new_mm``, ``lining_min_mm``, ``arm_length_mm``, for the
        histories.
    setting_quality
        ``depot`` (null: fleet), ``month`` (null: all months together), ``settings``,
        ``out_of_band``, ``share``, ``ci_low``, ``ci_high``; optional ``outlier`` bool (outside its
        funnel limits, that is, the evidence is there).
    overdue
        ``wheel_end_id``, ``depot``, ``axle_type``, ``duty``, ``kind`` (``adjuster check``,
        ``greasing``, ``first service``), ``due_on``, ``weeks_overdue``: of units that are likely
        still in the fleet.
    overdue_if_there
        The same of units that have not been seen for so long that they have likely left.
    scenarios
        ``name``, ``description``, ``base`` bool (the one the others are compared with),
        ``relines_mean``/``_p10``/``_p90``, ``cost_mean``/``_p10``/``_p90``,
        ``extra_relines_mean``/``_p10``/``_p90`` and ``extra_cost_mean``/``_p10``/``_p90`` (this one
        minus the base, paired draw by draw; null for the base), ``early_scrapped_mm``,
        ``early_scrapped_cost``, ``p_crossing`` (chance that a wheel end crosses its minimum between
        visits).
    reline_plan
        ``months``, ``risk``, ``extra_relines_…``, ``extra_cost_…``, ``crossings_avoided_…``: what
        keeping the accepted risk takes beyond the forecast.
    reline_policy
        ``changed_on`` (null: no change found), ``raised_mm``, ``raised_ci_low``,
        ``raised_ci_high``: since when linings are relined at other readings, and by how much; the
        same in every row, or in those of the ``depot`` where they are.
    reline_habits
        ``habit``, ``depot``, ``share``, ``changed_on`` (null: no change found), ``share_before``,
        each share with ``…_ci_low`` and ``…_ci_high``: how often what is done at checks.
    check_intervals
        ``axle_type``, ``duty`` (null: over all), ``weeks``, ``share_failed``, ``ci_low``,
        ``ci_high`` (wheel ends carrying an unseen failed adjuster at a random moment), ``current``
        bool (the interval the fleet uses now).
    replacement_ages
        ``axle_type``, ``duty`` (null: over all), ``best_km``, ``ci_low_km``, ``ci_high_km`` (8
        chances in 10 lie between; null: planned replacement does not pay), ``saving_share``
        (of the cost of running to failure), ``verdict`` (a sentence).
    expected_failures
        ``month``, ``depot`` (null: fleet), ``failures_mean``, ``failures_p10``, ``failures_p90``,
        ``basis`` (what they are told from; null: how long adjusters last).
    adjuster_effects, adjuster_causes, adjuster_scales, replacement_counts, replacement_differences
        The marts of those names.
    changes
        ``wheel_end_id``, ``change`` (``newly``, ``still``, ``cleared``), ``state`` (that it is in,
        or was), ``weeks_flagged``?, ``job``? (what cleared it; null: cleared without work).
    flag_precision
        ``month``, ``flags``, ``confirmed``, ``false_alarms``, ``open``, ``precision``, ``ci_low``,
        ``ci_high``: what became of each month's flags.
    gauge_steps
        ``depot``, ``since_on``, ``step_mm``, ``ci_low``, ``ci_high``, ``lives``, ``units``: depots
        whose readings stepped up or down at once.
    wear_departures
        ``sentence``: ways in which wear departs from a straight line, or does not.
    wear_changes
        ``counted``, ``axle_type``, ``duty`` (null: over its duties), ``since_on``, ``ratio``,
        ``ci_low``, ``ci_high``, ``units_before``, ``lives_before``, ``units_since``,
        ``lives_since``: linings that wear otherwise if ``fitted`` since a day, or all of them on km
        ``run`` since; no row where no change was found.
    record_holes
        ``depot`` (null: the fleet), ``from_on``, ``until_on``, ``units``: times without a check on
        record though so many units ran on.
    use_changes
        ``since_on``, ``ratio``, ``ci_low``, ``ci_high``, ``units``, ``units_same``: since when all
        units run more or less; no row where no change was found.
    units_left_at_once
        ``from_on``, ``until_on`` (their last visits), ``units``, ``units_there``: a part of the
        fleet that left at about the same time; no row where none did.
    use_over_the_year
        ``depot``, ``duty`` (null: all others), ``most_on``, ``most_ratio``, ``least_on``,
        ``least_ratio`` (null: no swing), and ``closed_from_on``, ``closed_until_on`` (null: checked
        all the year round); no row: neither.
    pointers_not_reset
        ``wheel_end_id``, ``gap_mm``, ``probability``: wear pointers that nobody seems to have reset
        at a reline.
    on_record
        The mart of that name: how many records of each kind every wheel end has.
    outlook_by_depot
        ``depot``, ``months``, ``relines_p10``/``_p50``/``_p90``, ``cost_p10``/``_p50``/``_p90``.
    outlook_parts
        The same for every part of the fleet, with ``axle_type`` and ``duty``; null: over all.
    default_minima
        ``axle_type``, ``wheel_ends``, ``mm``: where no minimum is set and the default is in force.
    strokes_read
        By ``depot``: ``wheel_ends`` with a stroke on record, and how many of the last ones were
        read ``above`` and ``below`` the band.
    checks_written
        As ``dashboards.sentences.missing.worst_alone_said`` takes it.
    faults_told
        ``wheel_end_id``, ``inspected_on``, ``fault``: what the last inspection noted, in any words.
    linings_highest
        ``axle_type``, ``highest_mm`` (the thickest lining read), ``new_mm``, ``readings``, how many
        of them are the ``highest``, and of how many ``wheel_ends``.
    first_readings
        As ``dashboards.sentences.departures.starts_said`` takes it.
    findings_by_depot, linings_lowest
        As ``dashboards.sentences.too_good`` takes them.
    depots_since
        ``depot``, ``units`` that were ever checked, and ``since_on``: the first check of the tenth
        of them that were checked longest.
    odometers_standing
        ``unit_id``, ``odometer_km``, ``from_on``, ``to_on``: values that were written again while
        linings wore; ``still``: to the unit's last check.
    relines_held, rising_units, numbers_reused, visits_apart
        As ``dashboards.sentences.contradictions`` takes them.
    relines_lately
        ``depot``, ``relines`` of the last year, how many of them are ``unwritten``: seen as
        linings that grew, how many are ``written`` down, and of these ``unmeasured``: no old lining
        read in the week before; ``read_share`` of wheel ends on the days of their units' checks;
        how many are ``costed``, their ``cost`` in all; what linings and labour of one are
        ``reckoned`` at.
    months
        ``month`` (text, ``2025-03``), ``wheel_ends``, ``flagged``,
        ``relines_p10``/``_p50``/``_p90`` and ``cost_p10``/``_p50``/``_p90`` (of the twelve months
        after, as forecast then): published months, this one included, oldest first.
    notes
        Sentences of the run about itself, shown at the top: a forecast its own history contradicts,
        a fit that did not converge.
    methods
        How the figures were worked out; the default describes the models in their final form.
    files
        Names of files published beside the page, which it links to.
    charts
        The folder beside the page where the charts were written; empty: not written.
    made_from
        What the publication was made from (version, lock hash, settings hash …), name to value.
    """

    fleet: Fleet
    as_of: dt.date
    loads: pl.DataFrame
    set_aside: pl.DataFrame
    wheel_end_status: pl.DataFrame
    wear_rates: pl.DataFrame
    wear_components: pl.DataFrame
    adjuster_fits: pl.DataFrame
    adjuster_curves: pl.DataFrame
    duty_comparisons: pl.DataFrame
    reline_budget: pl.DataFrame
    reline_outlook: pl.DataFrame
    backtest: pl.DataFrame
    histories: pl.DataFrame | None = None
    limits: pl.DataFrame | None = None
    setting_quality: pl.DataFrame | None = None
    overdue: pl.DataFrame | None = None
    overdue_if_there: pl.DataFrame | None = None
    scenarios: pl.DataFrame | None = None
    reline_plan: pl.DataFrame | None = None
    reline_policy: pl.DataFrame | None = None
    reline_habits: pl.DataFrame | None = None
    check_intervals: pl.DataFrame | None = None
    replacement_ages: pl.DataFrame | None = None
    expected_failures: pl.DataFrame | None = None
    adjuster_effects: pl.DataFrame | None = None
    adjuster_causes: pl.DataFrame | None = None
    adjuster_scales: pl.DataFrame | None = None
    replacement_counts: pl.DataFrame | None = None
    replacement_differences: pl.DataFrame | None = None
    changes: pl.DataFrame | None = None
    flag_precision: pl.DataFrame | None = None
    wear_changes: pl.DataFrame | None = None
    record_holes: pl.DataFrame | None = None
    use_changes: pl.DataFrame | None = None
    units_left_at_once: pl.DataFrame | None = None
    use_over_the_year: pl.DataFrame | None = None
    faults_told: pl.DataFrame | None = None
    linings_highest: pl.DataFrame | None = None
    odometers_standing: pl.DataFrame | None = None
    depots_since: pl.DataFrame | None = None
    relines_held: pl.DataFrame | None = None
    visits_apart: pl.DataFrame | None = None
    rising_units: pl.DataFrame | None = None
    numbers_reused: pl.DataFrame | None = None
    findings_by_depot: pl.DataFrame | None = None
    first_readings: pl.DataFrame | None = None
    linings_lowest: pl.DataFrame | None = None
    wear_departures: pl.DataFrame | None = None
    gauge_steps: pl.DataFrame | None = None
    pointers_not_reset: pl.DataFrame | None = None
    on_record: pl.DataFrame | None = None
    outlook_by_depot: pl.DataFrame | None = None
    outlook_parts: pl.DataFrame | None = None
    months: pl.DataFrame | None = None
    plan: pl.DataFrame | None = None
    stock_needed: pl.DataFrame | None = None
    workshop_months: pl.DataFrame | None = None
    check_plan: pl.DataFrame | None = None
    costs_per_km: pl.DataFrame | None = None
    unit_costs: pl.DataFrame | None = None
    part_comparisons: pl.DataFrame | None = None
    change_effects: pl.DataFrame | None = None
    monthly_rates: pl.DataFrame | None = None
    default_minima: pl.DataFrame | None = None
    strokes_read: pl.DataFrame | None = None
    checks_written: pl.DataFrame | None = None
    relines_lately: pl.DataFrame | None = None
    notes: tuple[str, ...] = ()
    methods: tuple[Method, ...] = METHODS
    files: tuple[str, ...] = PUBLISHED_FILES
    charts: str = "charts"
    made_from: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Columns of fixed words become plain text: the page has words of its own for them."""
        for field_ in fields(self):
            frame = getattr(self, field_.name)
            if isinstance(frame, pl.DataFrame):
                plain = frame.cast({pl.Enum: pl.String, pl.Categorical: pl.String})
                object.__setattr__(self, field_.name, plain)

    @property
    def compared(self) -> pl.DataFrame | None:
        """``changes``, unless there was no earlier month to compare with."""
        flags = self.wheel_end_status["flagged"].any()
        if self.changes is None or (self.changes.is_empty() and flags):
            return None
        return self.changes

    @property
    def month(self) -> str:
        """The month published, as in ``2025-03``."""
        return f"{self.as_of:%Y-%m}"
