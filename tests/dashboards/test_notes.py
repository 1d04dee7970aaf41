"""What a run says of itself: only what its own figures say, and nothing when all is well."""

from dataclasses import replace

import polars as pl
import pytest

from dashboards.method import METHODS, told
from dashboards.notes import forecasts_judged, run_notes, this_month
from dashboards.page import rendered
from dashboards.page_data import PageData
from tests import dashboard_data


@pytest.fixture(scope="module")
def data() -> PageData:
    made = dashboard_data.month(60)
    return replace(made, backtest=outcomes(0.8, 400), notes=())


def outcomes(held: float, n: int, measure: str = "reline_on") -> pl.DataFrame:
    """A forecast whose bands promised 80 % and held another share."""
    day = dashboard_data.AS_OF
    row = {"measure": measure, "origin": day, "nominal": 0.8, "observed": held, "n": n, "bias": 0.1}
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


def test_earlier_forecasts_are_judged_a_sentence_each() -> None:
    quarters = outcomes(0.5, 2, "relines_quarter").with_columns(bias=pl.lit(-0.125))
    said = forecasts_judged(pl.concat([outcomes(0.79, 300), quarters]))
    plain = [s.replace("\u00a0", " ") for s in said]
    assert plain == [
        "Day of the reline: 79 % of 300 outcomes inside the bands, 80 % promised (as promised).",
        "Fleet's relines in a quarter: 50 % of 2 outcomes inside the bands, 80 % promised "
        "(too few to judge).",
        "The fleet's relines in a quarter came out 12 % below the forecast on average "
        "(2 quarters; fewer than 20 quarters say little).",
    ]


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
