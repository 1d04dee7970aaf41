"""What ``fleet.toml`` says of the budget, in the models' terms: months, costs, scenarios.

Apart from the marts, so that ``drumline ask`` needs nothing of them.
"""

import datetime as dt

from models.relines.budget import Months, budget_months
from models.relines.simulation.scenario import DutyMove, RelineCosts, Scenario
from pipeline.settings import ScenarioSection, Settings

DRAWS = 200
SEED = 20_000
PLAN = "keep the risk within"
# The summary speaks of the next twelve months, whatever the budget's horizon.
LEAST_MONTHS = 12
USUALLY_ASKED = {
    "latest safe visit": ScenarioSection(reline="latest"),
    "whole unit together": ScenarioSection(together="unit"),
}


def months_of(settings: Settings, as_of: dt.date) -> Months:
    """The months that the budget and every scenario look ahead over."""
    return budget_months(as_of, max(settings.budget.horizon_months, LEAST_MONTHS))


def reline_costs(settings: Settings) -> RelineCosts:
    c = settings.costs
    return RelineCosts(
        lining_kit=c.lining_kit,
        reline_labour=c.reline_labour,
        drum=c.drum,
        drum_share=c.drum_share,
        downtime=c.downtime,
        inflation_per_year=c.inflation_per_year,
    )


def plan(settings: Settings) -> Scenario:
    """What keeping the accepted risk takes: the fleet's own replacements, and what must be relined
    besides so that no lining falls to its minimum between visits with a greater chance."""
    budget = settings.budget
    name = f"{PLAN} {budget.risk:.2%}".replace(".00%", "%")
    return Scenario(name, guard=True, risk=budget.risk, wait_for_visit=budget.group_visits)


def scenarios(settings: Settings) -> tuple[Scenario, ...]:
    """What most fleets ask about, and the fleet's own: one of the same name takes its place."""
    named = {**USUALLY_ASKED, **settings.scenarios}
    return tuple(scenario(name, s, settings.budget.risk) for name, s in named.items())


def scenario(name: str, section: ScenarioSection, risk: float) -> Scenario:
    plain = section.model_dump(exclude={"description", "duty_moves", "risk"})
    moves = tuple(DutyMove(m.from_duty, m.to_duty, m.share) for m in section.duty_moves)
    return Scenario(name, **plain, risk=section.risk or risk, duty_moves=moves)
