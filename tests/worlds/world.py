"""What is true of a fleet, as switches; and the worlds that forecasts are tried in."""

from dataclasses import dataclass, replace
from typing import Literal

Gaps = Literal["exact", "irregular", "clustered", "half-yearly", "odometer"]
Rule = Literal[
    "worst of axle",
    "own reading",
    "whole unit",
    "calendar",
    "reading or age",
    "sloppy",
    "looks ahead",
    "yearly service",
]
Steps = Literal["tenths", "halves", "heaped"]


@dataclass(frozen=True)
class World:
    """Rates are per year; lengths in mm.

    ``check_days``: between checks. ``use``, ``severity``: what km a day and wear per km are
    multiplied by. ``gaps``: checks exactly so far apart, 8 to 20 weeks apart, in a week of the
    depot's, every half year, or every 25,000 km. ``batches``: units were bought in so many, a
    batch's linings worn alike when it all began (0: each for itself). ``changing``: changes of duty
    per unit. ``skipped``: share of checks that are not made. ``leaving``, ``joining``: units as a
    share of the fleet. ``pauses``: half-years off the road, per unit. ``season``: how far use
    swings about its mean. ``margin``: reading above the minimum at which a depot relines, by depot;
    ``policy_change`` is added to it half-way through the records, at one depot alone if
    ``change_at_one``. ``unwritten``: share of relines
    that nobody writes down. ``late``: share of relines done some days after the visit.
    ``frailty``: variance between units of the adjusters' hazard. ``tested``, ``found_by_test``:
    share of adjusters tested at a check, and of failed ones that the test finds. ``wear_unit_mm``:
    SD between units of what is added to the wear of every duty, mm per 10,000 km. ``cap_open``:
    share of times between checks with a grease cap off, ``overdue``: share of checks at which a
    unit is not greased; ``cap_ratio``, ``overdue_ratio``: what these multiply the hazard by.
    ``later_linings``: what wear is multiplied by of linings fitted from half-way through the
    records on (another make); ``later_use``: what all units' km are multiplied by in the last year
    before forecasts are made and from then on; ``later_wear``: what all wear is multiplied by from
    ten months before they are made on, whatever was fitted when; ``wear_season``: how far wear per
    km swings about its mean. ``campaign``: at each unit's first check in the half-year before
    forecasts are made, all within so much of the depot's margin is relined. ``closing``: half a
    year before, a depot closes and its units come under another's rule. ``odometers``: odometers
    replaced per unit, the new ones starting at nought. ``thinner_only``: of an axle only the
    thinner reading is written down. ``hole_days``: so long nobody is checked, all units
    running on. ``oily``: chance per check of a wheel end to be relined for oil on its lining,
    however thick; ``oil_ends``: no more of it in the last three quarters of a year before forecasts
    are made. ``quickening``: how far a lining's wear per km is below its mean when new and above it
    at its minimum, in a straight line between (strokes follow mean wear). ``pairs_since``: who
    relined single ends relines both of an axle from half-way on. ``lay_up`` is added to the margin
    in the first two months of every year. ``sold``: share of units that left on one day.
    ``winter``: so many days from 20 November on all units stand and none is checked; whoever was
    due then is in the three weeks after. ``opposite``: the season of the largest depot is that of
    the others half a year later. ``rules``: the rule of each depot, where they have their own.
    ``harder``: share of units that a harder duty is laid on ``harder_days`` before forecasts are
    made: ``harder_wear``, ``harder_use`` are what their wear per km and their km are multiplied by
    from then on, and the records say so if ``harder_told``. ``shortage``: from so many days before
    forecasts are made to so many, no linings are to be had; ``lull``: all units' km are multiplied
    by ``lull_use``. ``handed_back``: at the last check of a unit that leaves all of its linings are
    renewed. ``unmeasured``: an old lining is not read on the day that it is renewed.
    """

    units: int = 60
    years: float = 4.0
    check_days: int = 84
    use: float = 1.0
    severity: float = 1.0
    gaps: Gaps = "exact"
    skipped: float = 0.0
    leaving: float = 0.0
    joining: float = 0.0
    pauses: float = 0.0
    season: float = 0.0
    two_duties: bool = False
    changing: float = 0.04
    batches: int = 0
    rule: Rule = "worst of axle"
    margin: tuple[float, float, float] = (1.0, 1.6, 2.2)
    policy_change: float = 0.0
    change_at_one: bool = False
    steps: Steps = "tenths"
    reading_sd: float = 0.4
    unread: float = 0.03
    unwritten: float = 0.0
    late: float = 0.0
    frailty: float = 0.0
    tested: float = 0.85
    found_by_test: float = 0.9
    cap_open: float = 0.0
    overdue: float = 0.0
    cap_ratio: float = 1.0
    overdue_ratio: float = 1.0
    later_linings: float = 1.0
    later_use: float = 1.0
    later_wear: float = 1.0
    wear_season: float = 0.0
    campaign: float = 0.0
    closing: bool = False
    odometers: float = 0.0
    thinner_only: bool = False
    hole_days: int = 0
    oily: float = 0.0
    oil_ends: bool = False
    pairs_since: bool = False
    lay_up: float = 0.0
    sold: float = 0.0
    opposite: bool = False
    rules: tuple[Rule, ...] = ()
    harder: float = 0.0
    harder_wear: float = 1.0
    harder_use: float = 1.0
    harder_told: bool = False
    harder_days: int = 274
    shortage: tuple[int, int] = (0, 0)
    lull: tuple[int, int] = (0, 0)
    lull_use: float = 1.0
    handed_back: bool = False
    unmeasured: bool = False
    winter: int = 0
    quickening: float = 0.0
    wear_unit_mm: float = 0.0
    wear_unit_sd: float = 0.12
    wear_life_sd: float = 0.10
    years_before: float = 3.0
    """Lived before the records begin, so that nothing starts with them."""
    years_beyond: float = 5.0
    """Lived after the records end, so that what was to come is known."""


PLAIN = World()
WORLDS = {
    "checks exactly every 12 weeks": PLAIN,
    "a fifth of checks skipped": replace(PLAIN, skipped=0.2),
    "8 to 20 weeks between checks": replace(PLAIN, gaps="irregular"),
    "checks clustered by depot": replace(PLAIN, gaps="clustered", skipped=0.08),
    "a tenth of units leaves each year": replace(PLAIN, leaving=0.1),
    "half-year pauses": replace(PLAIN, pauses=0.25),
    "season of use": replace(PLAIN, season=0.45),
    "each wheel end on its own reading": replace(PLAIN, rule="own reading"),
    "whole units relined": replace(PLAIN, rule="whole unit"),
    "relined by the calendar": replace(PLAIN, rule="calendar"),
    "relined at a reading or at two years": replace(PLAIN, rule="reading or age"),
    "sloppy relining": replace(PLAIN, rule="sloppy", late=0.3),
    "looks ahead to the next check": replace(PLAIN, rule="looks ahead"),
    "readings heaped on whole mm": replace(PLAIN, steps="heaped"),
    "a quarter of relines unwritten": replace(PLAIN, unwritten=0.25),
    "fleet grows by a quarter a year": replace(PLAIN, joining=0.25),
    "fleet shrinks by a fifth a year": replace(PLAIN, leaving=0.2),
    "policy changed half-way": replace(PLAIN, policy_change=2.0),
    "policy changed half-way at one depot": replace(PLAIN, policy_change=2.0, change_at_one=True),
    "short and long haul": replace(PLAIN, two_duties=True),
    "depots of opposite habits": replace(PLAIN, margin=(0.3, 5.0, 1.6)),
    "checks by odometer": replace(PLAIN, gaps="odometer"),
    "units bought in two batches": replace(PLAIN, batches=2, years_before=0.5),
    "frail adjusters": replace(PLAIN, frailty=0.7),
    "relined only at the yearly service": replace(
        PLAIN, rule="yearly service", margin=(4.3, 4.8, 5.3)
    ),
    "another make of lining half-way": replace(PLAIN, later_linings=1.35),
    "all units run a third less since a year": replace(PLAIN, later_use=0.67),
    "all linings wear a third faster since ten months": replace(PLAIN, later_wear=1.33),
    "wear has a season": replace(PLAIN, wear_season=0.3),
    "a campaign relined all that was thin": replace(PLAIN, campaign=3.0),
    "a depot closed, its units under another's rule": replace(
        PLAIN, closing=True, margin=(1.0, 1.6, 4.0)
    ),
    "odometers replaced": replace(PLAIN, odometers=0.15),
    "the thinner side alone is read": replace(PLAIN, thinner_only=True),
    "nobody checked for ten months": replace(PLAIN, hole_days=300),
    "checks twice a year, a fifth missed, and none for half a year": replace(
        PLAIN, gaps="half-yearly", skipped=0.2, season=0.3, hole_days=170
    ),
    "checks twice a year, relined at a reading or at two years": replace(
        PLAIN, gaps="half-yearly", rule="reading or age"
    ),
    "half of the linings read at a check": replace(PLAIN, unread=0.5),
    "gauges that err by a millimetre": replace(PLAIN, reading_sd=1.0, steps="halves"),
    "linings soiled by oil": replace(PLAIN, oily=0.015),
    "linings soiled by oil, until the seals were replaced": replace(
        PLAIN, oily=0.04, oil_ends=True
    ),
    "both ends of an axle relined, since half-way": replace(
        PLAIN, rule="own reading", pairs_since=True
    ),
    "all units checked in the same weeks, twice a year": replace(
        PLAIN, gaps="clustered", check_days=182, season=0.4
    ),
    "wear quickens as linings thin": replace(PLAIN, quickening=0.45),
    "wear slows as linings thin": replace(PLAIN, quickening=-0.3),
    "most is relined in the first two months of a year": replace(
        PLAIN, lay_up=4.0, margin=(0.3, 0.8, 1.2)
    ),
    "depots of opposite seasons": replace(PLAIN, season=0.6, opposite=True),
    "closed for four months of every winter": replace(PLAIN, winter=120),
    "half of the units sold a year and a half ago": replace(PLAIN, sold=0.5),
    "depots that reline along differently": replace(
        PLAIN, rules=("own reading", "whole unit", "worst of axle")
    ),
    "one depot relines whole units, the others the worn end": replace(
        PLAIN, rules=("whole unit", "own reading", "own reading")
    ),
    "a third of units on a harder duty since nine months, told": replace(
        PLAIN, harder=1 / 3, harder_wear=1.8, harder_told=True
    ),
    "a third of units on a harder duty since nine months, untold": replace(
        PLAIN, harder=1 / 3, harder_wear=1.8
    ),
    "a third of units run two thirds more since nine months": replace(
        PLAIN, harder=1 / 3, harder_use=1.67
    ),
    "no linings to be had for four months, until a month ago": replace(PLAIN, shortage=(150, 30)),
    "all units ran a fifth for three months, until seven weeks ago": replace(
        PLAIN, lull=(142, 50), lull_use=0.2
    ),
    "a seventh leaves each year, handed back with new linings": replace(
        PLAIN, leaving=1 / 7, joining=1 / 7, handed_back=True
    ),
    "linings that are renewed are not measured first": replace(PLAIN, unmeasured=True),
    "all of these": World(
        gaps="irregular",
        skipped=0.2,
        leaving=0.1,
        joining=0.1,
        pauses=0.25,
        season=0.3,
        two_duties=True,
        rule="sloppy",
        policy_change=1.0,
        steps="halves",
        unwritten=0.15,
        late=0.3,
        frailty=0.5,
    ),
}
