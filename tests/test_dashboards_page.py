"""The month's page as text: what it says, what it may not hold."""

import pytest

from dashboards.page import month_index, rendered
from tests import dashboard_data


@pytest.fixture(scope="module")
def page() -> str:
    return rendered(dashboard_data.month())


def test_states_the_fleet_and_the_month(page: str) -> None:
    assert "Brakes in March 2031" in page
    assert "Saltmarsh Haulage" in page


def test_carries_one_drawing_library(page: str) -> None:
    assert page.count("window.vegaEmbed=") == 1


def test_months_are_listed_and_the_newest_opens() -> None:
    page = month_index(["2031-01", "2031-03", "2031-02"])
    assert 'content="0; url=2031-03/index.html"' in page
    assert page.index("March 2031") < page.index("February 2031") < page.index("January 2031")
