"""What a run says of itself: only what its own figures say, and nothing when all is well."""

import datetime as dt
from dataclasses import replace

import polars as pl
import pytest

from dashboards.charts.trust import judged, verdict
from dashboards.notes import forecasts_judged, run_notes, this_month
from dashboards.page import rendered
from dashboards.page_data import Fleet, PageData
from dashboards.page_lists import _lining_and_minimum, _reline_likely
from dashboards.sentences.due import reline_list
from dashboards.sentences.measures import Measures
from dashboards.sentences.method import METHODS, told
from dashboards.sentences.words import NO_BREAK, day_name
from dashboards.summary import facts, tasks
from tests import dashboard_data


@pytest.fixture(scope="module")
def data() -> PageData:
    made = dashboard_data.month(60)
    return replace(made, backtest=outcomes(0.8, 400), notes=())


def outcomes(held: float, n: int, measure: str = "reline_on") -> pl.DataFrame:
    """A forecast whose bands promised 80 % and held another share."""
    day = dashboard_data.AS_OF
    row = {
        "measure": measure,
        "origin": day,
        "nominal": 0.8,
        "observed": held,
        "strictly_inside": held,
        "below": 0.0,
        "above": 1.0 - held,
        "n": n,
        "bias": 0.1,
        "crps": 4.0,
        "crps_last_year": 6.5,
        "crps_straight_line": 8.0,
    }
    return pl.DataFrame([row])


def test_a_run_in_order_has_nothing_to_say_of_itself(data: PageData) -> None:
    assert run_notes(data) == ()


def test_a_forecast_that_its_history_contradicts_says_so_at_the_top(data: PageData) -> None:
    wrong = replace(data, backtest=outcomes(0.6, 400))
    (note,) = run_notes(wrong)
    assert "60\u00a0% of 400 came out within what was said, where 80\u00a0% should" in note
    page = rendered(replace(wrong, notes=(note,)))
    assert 0 < page.index('<p class="warning">Earlier forecasts') < page.index('id="first"')


@pytest.mark.parametrize(
    ("measure", "below", "said"),
    [
        ("min_on", 0.28, ", and 28 % reached their minimum before the early date, where 10 % sh"),
        ("reline_on", 0.28, ", and 28 % were relined before the early date, where 10 % should"),
        ("lining_mm", 0.28, ", and 28 % were thinner than the low end, where 10 % should"),
        ("min_on", 0.12, None),  # more of them came late
    ],
)
def test_what_missed_on_the_side_that_can_hurt_is_said(
    data: PageData, measure: str, below: float, said: str | None
) -> None:
    """Where wear quickens as linings thin, most dates that were missed were missed early."""
    told = outcomes(0.6, 400, measure).with_columns(below=below, above=0.4 - below)
    (note,) = run_notes(replace(data, backtest=told))
    note = note.replace("\u00a0", " ")
    assert said in note if said else ", and " not in note


@pytest.mark.parametrize(
    ("held", "n"),
    [
        (0.6, 10),  # too few to judge
        (0.7, 40),  # 28 or fewer of 40 has probability 0.09: chance explains it
        (0.77, 4000),  # beyond chance, but too near to matter
        (0.95, 400),  # wider than needed is no danger
    ],
)
def test_chance_and_trifles_raise_no_alarm(data: PageData, held: float, n: int) -> None:
    assert run_notes(replace(data, backtest=outcomes(held, n))) == ()


def test_an_unsettled_fit_no_forecast_and_no_costs_are_said(data: PageData) -> None:
    unsettled = data.wear_components.with_columns(converged=pl.lit(value=False))
    free = data.reline_budget.with_columns(pl.col("^cost_.*$") * 0)
    notes = run_notes(
        replace(
            data,
            wear_components=unsettled,
            reline_budget=free,
            reline_outlook=data.reline_outlook.clear(),
        )
    )
    assert [n.split(":")[0] for n in notes] == [
        "The wear fit did not settle on an optimum",
        "No relines could be forecast",
        "No cost is set under [costs] in fleet.toml",
    ]


def test_where_nothing_is_expected_no_cost_is_said_to_be_unset(data: PageData) -> None:
    nothing = data.reline_budget.with_columns(pl.col("^(cost|relines)_.*$") * 0)
    assert run_notes(replace(data, reline_budget=nothing)) == ()


def test_strokes_that_nearly_all_lie_outside_are_doubted_before_anything_is_set(data) -> None:
    def said(*read: int, depot: str = "West") -> tuple[str, ...]:
        columns = ("depot", "wheel_ends", "above", "below")
        rows = [("East", 90, 4, 3)] * (depot == "North") + [(depot, *read)]
        strokes = pl.DataFrame(rows, schema=columns, orient="row")
        return run_notes(replace(data, strokes_read=strokes))

    (one,) = said(30, 28, 1, depot="North")
    assert one.startswith("At 28 of 30 wheel ends at North the stroke was last read above the band")
    (long,) = said(30, 28, 1)
    assert long.startswith("At 28 of 30 wheel ends the stroke was last read above the band: so")
    (short,) = said(30, 2, 16)
    assert "last read below the band" in short
    assert said(30, 14, 14) == said(6, 6, 0) == ()


def test_a_fault_in_words_of_its_own_is_read_out(data: PageData) -> None:
    faults = pl.DataFrame(
        {
            "wheel_end_id": ["A/1L", "B/1L", "C/2R", "D/1L"],
            "inspected_on": [dt.date(2025, 3, 1)] * 4,
            "fault": ["stuck", " None", "arm cracked, broken spring", "worn to rivets"],
        }
    )
    (said,) = (n for n in run_notes(replace(data, faults_told=faults)) if "fault" in n)
    assert said.startswith("At 2 wheel ends the last check noted a fault in words of its own")
    assert "C/2R on 1 Mar 2025 (“arm cracked, broken spring”), D/1L on" in said
    assert not any("fault" in n for n in run_notes(replace(data, faults_told=faults.head(2))))


@pytest.mark.parametrize(("at_it", "mm", "told"), [(400, 12.0, 1), (20, 12.0, 0), (400, 17.5, 0)])
def test_a_gauge_that_shows_no_more_is_told(data: PageData, at_it, mm, told) -> None:
    """Nearly new linings may all be read alike, and a few may be the thickest."""
    row = {"axle_type": "drive", "highest_mm": mm, "new_mm": 18.0, "readings": 1000}
    highest = pl.DataFrame([row | {"highest": at_it, "wheel_ends": 80}])
    said = [n for n in run_notes(replace(data, linings_highest=highest)) if "never read" in n]
    assert len(said) == told
    if told:
        plain = said[0].replace("\xa0", " ").replace("\u202f", ",")
        assert "thicker than 12.0 mm, which 40 % of 1,000 readings are, though" in plain


def test_a_minimum_that_nobody_set_is_said_to_be_the_default(data: PageData) -> None:
    minima = pl.DataFrame({"axle_type": ["steer"], "wheel_ends": [60], "mm": [6.4]})
    (said,) = run_notes(replace(data, default_minima=minima))
    assert said.startswith("No minimum lining is set for steer (60 wheel ends): 6.4")
    assert run_notes(replace(data, default_minima=minima.clear())) == ()


def test_records_that_end_long_before_the_day_are_said_at_the_top(data: PageData) -> None:
    last = data.as_of - dt.timedelta(weeks=12)
    row = {"depot": None, "from_on": last, "until_on": None, "units": 14}
    (said,) = run_notes(replace(data, record_holes=pl.DataFrame([row], HOLES)))
    assert "12 weeks before the day this is told of, and 14 units were checked" in said
    assert "either records are missing, or the fleet has left" in said
    of_depot = pl.DataFrame([row | {"depot": "North"}], HOLES)
    (said,) = run_notes(replace(data, record_holes=of_depot))
    assert said.startswith("No check at North is on record since")


HOLES = {"depot": pl.String, "from_on": pl.Date, "until_on": pl.Date, "units": pl.Int64}


def test_earlier_forecasts_are_judged_a_sentence_each() -> None:
    quarters = outcomes(0.5, 2, "relines_quarter").with_columns(bias=pl.lit(-0.125))
    said = forecasts_judged(pl.concat([outcomes(0.79, 300), quarters]))
    plain = [s.replace("\u00a0", " ") for s in said]
    assert plain == [
        "The fleet's relines in a quarter came out 12 % below the forecast on average "
        "(1 quarter; fewer than 6 quarters say little).",
        "Their score (CRPS, in relines; smaller is better) was 4.0; last year's relines again "
        "would have had 6.5, a straight line through each lining's readings 8.0.",
        "Relines in a quarter: 50 % of 2 forecasts (1 outcome) inside the bands, "
        "80 % promised (too few to judge).",
        "Day of the reline: 79 % of 300 forecasts (300 outcomes) inside the bands, 0 % before, "
        "21 % after, 80 % promised (as promised).",
    ]


def test_dates_hit_to_the_day_are_not_told_to_need_more_room(data: PageData) -> None:
    """A fleet checked exactly every 12 weeks: bands of one day, nearly all of them hit."""
    hit = outcomes(0.97, 400).with_columns(strictly_inside=pl.lit(0.27), above=pl.lit(0.03))
    assert run_notes(replace(data, backtest=hit)) == ()
    (said,) = forecasts_judged(hit)
    assert "97\u00a0% of 400" in said
    assert said.endswith("(as promised).")


def totals(inside: int, quarters: int) -> pl.DataFrame:
    """So many quarters, each forecast once, the last ``inside`` of them inside."""
    one = outcomes(1.0, 1, "relines_quarter")
    return pl.concat(
        one.with_columns(
            origin=pl.lit(dashboard_data.AS_OF - dt.timedelta(days=91 * (n + 1))),
            observed=pl.lit(float(n < inside)),
        )
        for n in range(quarters)
    )


@pytest.mark.parametrize(
    ("inside", "quarters", "word"),
    [
        (5, 5, "too few to judge"),
        (7, 10, "as promised"),  # 7 or fewer of 10 has probability 0.32
        (5, 10, "too narrow"),  # 0.03
        (12, 12, "wider than needed"),  # 0.07
    ],
)
def test_totals_are_judged_by_the_quarters_that_they_are(inside, quarters, word) -> None:
    (row,) = judged(totals(inside, quarters)).to_dicts()
    assert row["outcomes"] == quarters
    assert verdict(row) == word


def test_the_figure_beside_the_totals_speaks_of_totals(data: PageData) -> None:
    dates = outcomes(0.79, 300)
    both = replace(data, backtest=pl.concat([dates, totals(9, 12)]))
    (fact,) = [f for f in facts(both) if f.chapter == "trust"]
    assert (fact.label, fact.value) == ("Earlier totals", "75\u00a0%")
    assert "12 forecasts of 12 quarters" in fact.detail.replace("\u00a0", " ")
    (other,) = [f for f in facts(replace(data, backtest=dates)) if f.chapter == "trust"]
    assert other.label == "Earlier dates"


def test_nothing_to_judge_is_said() -> None:
    empty = outcomes(0.8, 1).clear()
    assert forecasts_judged(empty) == ("There is no earlier forecast to judge yet.",)


def test_methods_say_what_this_month_gave_them(data: PageData) -> None:
    methods = {m.question: m for m in told(METHODS, this_month(data))}
    wear = methods["How fast linings wear"].answer
    readings = f"{data.wear_rates['readings'].sum():,}".replace(",", "\u202f")
    assert f"This month: {readings} readings of" in wear
    assert "1 of them drawn towards others" in wear
    assert set(this_month(data)) <= set(methods)
    bare = replace(data, wear_rates=data.wear_rates.clear(), setting_quality=None)
    assert told(METHODS, this_month(bare))[0] == METHODS[0]


def test_linings_that_never_change_look_copied(data: PageData) -> None:
    """Six readings of one lining and not a difference: at a quarter of the wheel ends, no luck."""

    def histories(same: int, ends: int, readings: int = 6) -> PageData:
        rows = [
            (f"K{end}/1L", dt.date(2025, 1, 1 + n), 12.0 if end < same else 12.0 - 0.5 * (n % 2))
            for end in range(ends)
            for n in range(readings)
        ]
        schema = ["wheel_end_id", "inspected_on", "lining_mm"]
        return replace(data, histories=pl.DataFrame(rows, schema=schema, orient="row"))

    (note,) = run_notes(histories(3, 12))
    assert note.startswith("At 3 of 12 wheel ends looked at that were read 6 times or more")
    assert run_notes(histories(2, 12)) == ()
    assert run_notes(histories(12, 12, readings=5)) == ()


def test_linings_that_get_thicker_are_said_to_be_something_else(data: PageData) -> None:
    """Worn-off depth in place of what is left: it grows, and falls at a reline."""

    def histories(step: float, checks: int = 12) -> PageData:
        rows = [
            (f"T{end}/1L", dt.date(2024, 1, 1) + dt.timedelta(weeks=8 * n), 9 + step * (n % 8))
            for end in range(6)
            for n in range(checks)
        ]
        columns = ["wheel_end_id", "inspected_on", "lining_mm"]
        return replace(data, histories=pl.DataFrame(rows, schema=columns, orient="row"))

    (note,) = run_notes(histories(0.5))
    assert "% of 66 lining readings that differ from the one before are thicker" in note.replace(
        "\u00a0", " "
    )
    assert run_notes(histories(-0.5)) == ()
    assert run_notes(histories(0.5, checks=4)) == ()


def test_a_newest_check_far_ahead_of_all_others_is_said(data: PageData) -> None:
    """A mistyped year moves the day that all is told of: other units seem not seen for long."""

    def seen(late: int, units: int = 20, weeks: int = 80) -> PageData:
        on = [data.as_of - dt.timedelta(weeks=0 if u < late else weeks + u) for u in range(units)]
        ids = [f"T{u:02d}" for u in range(units)]
        known = {"unit_id": ids, "last_inspected_on": on, "relines": 1, "linings": 9}
        return replace(data, on_record=pl.DataFrame(known))

    (note,) = run_notes(seen(1))
    assert "only 1 unit of 20 (T00) was checked in the half-year before" in note
    last = data.as_of - dt.timedelta(weeks=81)
    assert f"drumline run --as-of {last} tells of that day" in note
    assert "only 2 units of 20 (T00, T01) were checked" in run_notes(seen(2))[0]
    assert run_notes(seen(3)) == ()
    assert run_notes(seen(1, weeks=4)) == ()
    assert run_notes(seen(1, units=1)) == ()


def test_two_readings_of_a_lining_are_no_fit_without_km_between(data: PageData) -> None:
    none = replace(data, reline_outlook=data.reline_outlook.clear())
    assert any("with km run between them" in note for note in run_notes(none))


def test_linings_in_another_unit_of_measure_are_said(data: PageData) -> None:
    """Some files in inches, read as mm: half a millimetre left, on every axle of those units."""

    def read(inches: int, units: int = 8, least: float = 7.0) -> PageData:
        rows = [
            (f"T{u}/2{side}", dt.date(2025, 1, 1) + dt.timedelta(weeks=9 * n), mm)
            for u in range(units)
            for side in "LR"
            for n in range(5)
            for mm in [(16.0 - n - (16.0 - least) * (u == 7)) / (25.4 if u < inches else 1.0)]
        ]
        columns = ["wheel_end_id", "inspected_on", "lining_mm"]
        return replace(data, histories=pl.DataFrame(rows, schema=columns, orient="row"))

    (note,) = run_notes(read(3))
    assert note.startswith("Linings of 3 units (T0, T1, T2) are read some 25 times thinner")
    assert "those of the 5 others" in note
    assert "(T0, T1, T2, T3 and 2 more)" in run_notes(read(6))[0]
    assert run_notes(read(0)) == run_notes(read(8)) == run_notes(read(0, least=5.5)) == ()


@pytest.mark.parametrize(("stroke", "told"), [(0.0, "are 0:"), (0.125, "of the arm:")])
def test_one_stroke_for_a_whole_fleet_is_said(data: PageData, stroke: float, told: str) -> None:
    def read(others: int, readings: int = 60) -> PageData:
        rows = [
            (f"T{n % 6}/1L", dt.date(2025, 1, 1) + dt.timedelta(weeks=n), 0.11, stroke)
            for n in range(readings)
        ]
        columns = ["wheel_end_id", "inspected_on", "lining_mm", "stroke_ratio"]
        made = pl.DataFrame(rows, schema=columns, orient="row").with_columns(
            lining_mm=pl.lit(None, dtype=pl.Float64),
            stroke_ratio=pl.when(pl.int_range(pl.len()) < others)
            .then(0.1 + pl.int_range(pl.len()) / 100)
            .otherwise("stroke_ratio"),
        )
        return replace(data, histories=made)

    (note,) = run_notes(read(0))
    assert note.startswith("60 of 60 stroke readings of 6 wheel ends are")
    assert told in note
    assert run_notes(read(8)) == run_notes(read(0, readings=30)) == ()


def test_a_forecast_below_what_is_worn_out_now_says_so(data: PageData) -> None:
    """A fleet that relines nothing is forecast to go on: the manager must not read it as need."""
    worn = data.wheel_end_status.with_columns(state=pl.lit("worn_out"))
    said = {f.label: f.detail for f in facts(replace(data, wheel_end_status=worn))}
    ends = worn.height
    assert (
        f"as this fleet relines; {ends} linings are at the minimum now"
        in (said["Relines in 12 months"])
    )
    assert "minimum now" not in {f.label: f.detail for f in facts(data)}["Relines in 12 months"]


def test_a_visit_after_the_minimum_is_called_too_late(data: PageData) -> None:
    """Beside "now: worn out", a day years ahead read as if it were the plan."""
    day = data.as_of
    row = {"urgency": "expected", "as_of": day, "min_on_p50": day + dt.timedelta(days=200)}
    row["reline_on_p50"] = day + dt.timedelta(days=90)
    in_time = day_name(day + dt.timedelta(days=90))
    assert _reline_likely(row) == in_time
    assert _reline_likely(row | {"min_on_p50": day}) == f"{in_time}: too late"
    assert _reline_likely(row | {"min_on_p50": None}) == in_time
    assert _reline_likely(row | {"urgency": "worn out"}) == f"{in_time}: too late"
    soon = day + dt.timedelta(days=14)
    worn = row | {"urgency": "worn out", "min_on_p50": day, "reline_on_p50": soon}
    assert _reline_likely(worn) == day_name(soon)
    assert _reline_likely(row | {"reline_on_p50": None}) == "none"
    # The date is then that of the next lining: years ahead beside one at its minimum.
    assert _reline_likely(worn | {"p_relined": 0.8}) == "perhaps done, not written down"
    assert _reline_likely(worn | {"p_relined": 0.2}) == day_name(soon)


def test_a_lining_that_was_read_worn_out_is_listed_by_that_reading() -> None:
    day = dashboard_data.AS_OF
    row = {"urgency": "worn out", "lining_mm": 7.5, "lining_min_mm": 6.0, "lining_read_mm": 3.0}
    row |= {"lining_read_on": day, "min_on_p10": day + dt.timedelta(days=16)}
    measures = Measures(Fleet())
    told = _lining_and_minimum(row, measures)
    assert [t.replace("\u00a0", " ") for t in told] == [
        "3.0 mm as read",
        f"{day_name(day)}, as read",
    ]
    by_line = _lining_and_minimum(row | {"lining_mm": 5.5}, measures)
    assert by_line[0].replace("\u00a0", " ") == "5.5 mm"


def test_odometers_that_stand_still_to_this_day_are_told(data: PageData) -> None:
    day = dt.date(2025, 3, 1)
    standing = pl.DataFrame(
        {
            "unit_id": ["K1", "K2", "K3"],
            "odometer_km": [1e5, 2e5, 3e5],
            "from_on": [day, day, day - dt.timedelta(days=9)],
            "to_on": [dt.date(2025, 6, 1)] * 3,
            "still": [True, False, True],
        }
    )
    (said,) = (n for n in run_notes(replace(data, odometers_standing=standing)) if "odometer" in n)
    assert "The odometers of 2 units read the same at every check while linings wore" in said
    assert "K3 since 20 Feb 2025 and K1 since 1 Mar 2025. The km since" in said.replace("\xa0", " ")
    mended = replace(data, odometers_standing=standing.with_columns(still=pl.lit(value=False)))
    assert not any("odometer" in n for n in run_notes(mended))


def test_a_depot_that_came_lately_is_told_to_be_judged_by_the_others(data: PageData) -> None:
    def said(days: int, units: int = 18, other_days: int = 1500) -> list[str]:
        ago = [data.as_of - dt.timedelta(days=d) for d in (days, other_days)]
        depots = pl.DataFrame({"depot": ["West", "East"], "units": [units, 40], "since_on": ago})
        return [n for n in run_notes(replace(data, depots_since=depots)) if "records since" in n]

    assert said(400) == said(150, units=2) == said(150, other_days=500) == []
    (note,) = said(150)
    assert note.startswith("West has records since ")
    assert "18" in note
    assert "East" not in note


def test_linings_renewed_without_a_reading_are_told(data: PageData) -> None:
    def said(unmeasured: int, written: int = 60, read: float = 0.95) -> list[str]:
        lately = pl.DataFrame(
            {
                "depot": ["A", None],
                "relines": 60,
                "unwritten": 0,
                "written": [written, 60],
                "unmeasured": [unmeasured, 2],
                "read_share": read,
                "costed": 0,
                "cost": 0.0,
                "reckoned": 100.0,
            }
        )
        notes = run_notes(replace(data, relines_lately=lately))
        return [n.replace(NO_BREAK, " ") for n in notes if "no reading of the old lining" in n]

    assert said(20) == said(9, 9) == said(58, read=0.5) == []
    (note,) = said(58)
    assert note.startswith("58 of 60 relines of the last year at A have no reading")
    assert "come a little late" in note


def test_relines_that_cost_otherwise_than_the_budget_reckons_are_told(data: PageData) -> None:
    reckoned = 160.0

    def said(times: float, costed: int = 40) -> list[str]:
        cost = [times * reckoned * costed, 0.0]
        lately = pl.DataFrame(
            {
                "depot": ["A", "B"],
                "relines": 60,
                "unwritten": 0,
                "written": 60,
                "unmeasured": 0,
                "read_share": 0.9,
                "costed": [costed, 0],
                "cost": cost,
                "reckoned": reckoned,
            }
        )
        return [n for n in run_notes(replace(data, relines_lately=lately)) if "by [costs]" in n]

    assert said(1.1) == said(0.9) == said(2.0, costed=10) == []
    for times in (1.6, 0.6):
        (note,) = said(times)
        assert "each by the records (40" in note.replace("\xa0", " ")


def test_a_lining_that_was_probably_renewed_is_looked_at_before_it_is_taken_off_the_road(
    data: PageData,
) -> None:
    worn = data.wheel_end_status.head(2).with_columns(
        flagged=pl.lit(value=True),
        state=pl.lit("worn_out"),
        advice=pl.lit("reline"),
        p_relined=pl.Series([0.9, 0.1]),
    )
    renewed, old = worn["wheel_end_id"]
    asked = {task.first: task.what for task in tasks(replace(data, wheel_end_status=worn))}
    assert asked[(renewed,)].startswith(
        "Look at linings read at their minimum and probably renewed"
    )
    assert asked[(old,)] == "Take out of service and reline: lining at its minimum"
    due = reline_list(worn, data.as_of, 12)
    assert dict(due.select("wheel_end_id", "urgency").iter_rows()) == {
        renewed: "worn out, unless renewed without a word",
        old: "worn out",
    }
