"""How the figures are worked out, in plain words, with the published sources; and the cautions."""

from collections.abc import Mapping
from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Method:
    """One answer to "how is this worked out?"."""

    question: str
    answer: str
    sources: tuple[str, ...] = ()


METHODS = (
    Method(
        "How fast linings wear",
        "Every lining is followed from one reline to the next, its readings laid on a line of "
        "lining against distance, distance counted under each duty apart. One wear rate is found "
        "for each axle type and duty, while units, and linings within a unit, may wear faster or "
        "slower than that: readings of one unit are related, and the intervals say so. A lining "
        "whose reline nobody recorded counts with its slope alone. Groups with few units are drawn "
        "towards the other duties of their axle type, and marked. Wear pointers count as a second, "
        "less exact reading. Where linings fitted since some quarter wear otherwise than those "
        "before, they have a rate of their own; so have km run since some day where all linings "
        "wear otherwise since. Whether wear really runs straight is tested.",
        (
            "Patterson, H. D. and Thompson, R. (1971), Biometrika 58, 545–554 (restricted "
            "likelihood)",
            "Laird, N. M. and Ware, J. H. (1982), Biometrics 38, 963–974 (mixed models)",
            "Satterthwaite, F. E. (1946), Biometrics Bulletin 2, 110–114 (degrees of freedom)",
            "Efron, B. and Morris, C. (1975), Journal of the American Statistical Association 70, "
            "311–319 (thin groups)",
            "Miller, R. and Siegmund, D. (1982), Biometrics 38, 1011–1016 (changes sought at many "
            "days)",
        ),
    ),
    Method(
        "When a lining reaches its minimum, and when it is relined",
        "A wheel end's own readings and its group's rate give its lining now, with an uncertainty, "
        "and the distance to its minimum. Its unit's own distance per day turns that into dates. "
        "Reaching the minimum is a matter of safety; being relined is a matter of budget. They are "
        "two forecasts. The second follows the fleet's own habit, found in its records: at what "
        "reading it relines, at which visits, whether both ends of an axle go together, and if "
        "linings are relined at some age whatever is read; where the habit has changed, what is "
        "done since. A time in which far more was relined than before and after counts as done "
        "once. Units whose linings are thin are checked sooner where that is their habit. Dates "
        "are for a unit that stays in service, in the duty that it has on the day: of one that "
        "changes duty every few weeks they are a guess. "
        "Where the last check probably led to a reline that nobody wrote down, later dates count "
        "the new lining by its chance; the early date at the minimum never does.",
        (
            "Breslow, N. E. and Clayton, D. G. (1993), Journal of the American Statistical "
            "Association 88, 9–25 (habits of depots and axle types)",
        ),
    ),
    Method(
        "Relines and money by month",
        "The forecast is what this fleet will do if it goes on working as it works; that is what "
        "earlier forecasts are judged by. What keeping the accepted risk takes besides is a plan, "
        "run through the same futures. "
        "The forecasts of all wheel ends are drawn many times over with everything that is "
        "uncertain, what all share (the rates, the habit) drawn once for all. Eight draws in ten "
        "lie inside a bar. Bars of months or depots cannot be added up; means can. Other policies "
        "are run through the same futures, so that the difference is theirs alone.",
    ),
    Method(
        "How long adjusters last",
        "A failure is found at a check: it happened somewhere between the last good check and that "
        "one. Adjusters in service before the records begin were seen only because they had "
        "survived until then. Both are allowed for. Planned replacements are not failures. The "
        "solid steps assume no form; the dashed curve is the one of three forms that fits best "
        "for its number of parameters. Limits are those at which the readings would be as unlikely "
        "as one in twenty. With too few failures there is no curve, but a bound in words.",
        (
            "Turnbull, B. W. (1976), Journal of the Royal Statistical Society B 38, 290–295",
            "Meeker, W. Q. and Escobar, L. A. (1998), Statistical Methods for Reliability Data, "
            "Wiley",
            "Hurvich, C. M. and Tsai, C.-L. (1989), Biometrika 76, 297–307 (choice of form)",
            "Venzon, D. J. and Moolgavkar, S. H. (1988), Applied Statistics 37, 87–94 (limits)",
        ),
    ),
    Method(
        "Duties compared",
        "Ratios with intervals. Adjusters of one unit share its road: where their lives prove to "
        "be related, intervals are widened by it. With many pairs compared, some would differ by "
        "chance: each pair's p is adjusted for the number of pairs.",
        (
            "Lin, D. Y. and Wei, L. J. (1989), Journal of the American Statistical Association 84, "
            "1074–1078 (related lives)",
            "Holm, S. (1979), Scandinavian Journal of Statistics 6, 65–70",
        ),
    ),
    Method(
        "What is flagged",
        "Free stroke divided by arm length, since the adjuster was last set: where it began says "
        "how it was set, how it moves says how it keeps. Movement is set against the movement that "
        "the lining's own wear would have caused had nothing been taken up. Each explanation gets "
        "its chance, by weights learnt from the fleet's own records: two readings do not make an "
        "alarm. The limit for a flag is chosen by simulation, so that a healthy wheel end is "
        "flagged no more than once in a hundred years. A failed return test, a fault found, or a "
        "lining at its minimum flags at once. Where a stroke stands now is its line run on through "
        "the wear since it was read, and the chance, from the lives of adjusters, that one that "
        "worked then has failed since; of a setting that nobody has read yet, how settings of its "
        "depot turn out.",
        (
            "Dempster, A. P., Laird, N. M. and Rubin, D. B. (1977), Journal of the Royal "
            "Statistical Society B 39, 1–38",
            "Page, E. S. (1954), Biometrika 41, 100–115 (cumulative sums)",
        ),
    ),
    Method(
        "How well adjusters are set",
        "Of the settings that a check followed, the share found outside the band at that first "
        "check. A depot is named only where its share lies outside limits that allow for how few "
        "settings it made, for how many depots are looked at, and for how much depots differ "
        "anyway.",
        (
            "Wilson, E. B. (1927), Journal of the American Statistical Association 22, 209–212",
            "Spiegelhalter, D. J. (2005), Statistics in Medicine 24, 1185–1202",
        ),
    ),
    Method(
        "Check intervals and planned replacement",
        "A failure waits for the next check: from the fitted life follows the share of wheel ends "
        "that carry an unseen failure at any moment, for each interval between checks. Planned "
        "replacement pays at the age at which replacing a good adjuster costs less over time than "
        "waiting for it to fail, at the fleet's own costs. Where failures do not become likelier "
        "with age there is none.",
        ("Barlow, R. E. and Proschan, F. (1965), Mathematical Theory of Reliability, Wiley",),
    ),
    Method(
        "How far to trust it",
        "Each run forecasts again from what was known every quarter back to where a year of "
        "records is left, and compares with what happened since. What the fleet's totals missed by "
        "widens and shifts the totals to come, drawn towards a stated prior where quarters are "
        "few. Flags that stood 1, 3, 6 and 12 months ago are followed up: were they confirmed by "
        "what the workshop found, or did they go away by themselves?",
        (
            "Williams, W. H. and Goodman, M. L. (1971), A simple method for the construction of "
            "empirical confidence limits for economic forecasts, JASA 66:752",
            "Czado, C., Gneiting, T. and Held, L. (2009), Predictive model assessment for count "
            "data, Biometrics 65:1254",
        ),
    ),
)


def told(methods: tuple[Method, ...], this_month: Mapping[str, str]) -> tuple[Method, ...]:
    """The methods, each with what this month's run has to add, by its question."""
    return tuple(
        replace(m, answer=f"{m.answer} This month: {this_month[m.question]}")
        if this_month.get(m.question)
        else m
        for m in methods
    )


CAUTIONS = (
    "Figures are estimates from records, not an inspection. "
    "A wheel end without a flag is not thereby safe.",
    "Brake work is for qualified people, to the maker's manual and local law, which come first.",
    "Level ground, wheels chocked, air and spring brakes made safe before hands go in.",
    "An adjuster that fails its return test is replaced, not re-set.",
    "Setting by hand an automatic adjuster that keeps going out of adjustment hides a fault: "
    "find the cause.",
    "Lining dust is not blown about.",
    "Roadworthiness limits differ by country. The fleet sets its own in fleet.toml; a limit that "
    "it has not set is a default, and a default may not be the law where you are.",
)
