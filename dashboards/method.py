"""How the figures are worked out, in plain words, with the published sources; and the cautions."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Method:
    """One answer to "how is this worked out?"."""

    question: str
    answer: str
    sources: tuple[str, ...] = ()


METHODS = (
    Method(
        "How fast linings wear",
        "Every lining is followed from one reline to the next. Its readings are laid on a line of "
        "lining against distance, distance counted under each duty apart. One wear rate is found "
        "for each axle type and duty, while units, and linings within a unit, may wear faster or "
        "slower than that: readings of one unit are related, and the intervals say so. Groups with "
        "few units are drawn towards their axle type, and marked.",
        (
            "Patterson, H. D. and Thompson, R. (1971), Biometrika 58, 545–554 (restricted "
            "likelihood)",
            "Laird, N. M. and Ware, J. H. (1982), Biometrics 38, 963–974 (mixed models)",
        ),
    ),
    Method(
        "When a lining reaches its minimum, and when it is relined",
        "A wheel end's own readings and its group's rate give its lining now, with an uncertainty, "
        "and the distance to its minimum. Its unit's own distance per day turns that into dates. "
        "Reaching the minimum is a matter of safety; being relined, at a visit that happens "
        "anyway, both ends of an axle together, is a matter of budget. They are two forecasts.",
    ),
    Method(
        "Relines and money by month",
        "The forecasts of all wheel ends are drawn many times over with everything that is "
        "uncertain, what all share (the rates) drawn once for all. Eight draws in ten lie inside a "
        "bar. Bars of months or depots cannot be added up; means can.",
    ),
    Method(
        "How long adjusters last",
        "A failure is found at a check: it happened somewhere between the last good check and that "
        "one. Adjusters in service before the records begin were seen only because they had "
        "survived until then. Both are allowed for. Planned replacements are not failures. The "
        "solid steps assume no form; the dashed curve is the one of three forms that fits best "
        "for its number of parameters.",
        (
            "Turnbull, B. W. (1976), Journal of the Royal Statistical Society B 38, 290–295",
            "Meeker, W. Q. and Escobar, L. A. (1998), Statistical Methods for Reliability Data, "
            "Wiley",
            "Hurvich, C. M. and Tsai, C.-L. (1989), Biometrika 76, 297–307 (choice of form)",
        ),
    ),
    Method(
        "Duties compared",
        "Ratios with intervals. With many pairs compared, some would differ by chance: each pair's "
        "p is adjusted for the number of pairs.",
        ("Holm, S. (1979), Scandinavian Journal of Statistics 6, 65–70",),
    ),
    Method(
        "What is flagged",
        "Free stroke divided by arm length, since the adjuster was last set: where it began says "
        "how it was set, how it moves says how it keeps. Movement is set against the movement that "
        "the lining's own wear would have caused had nothing been taken up. A single odd reading "
        "is drawn towards its group; a sudden change is looked for apart, with a limit chosen for "
        "a stated rate of false alarms. Chances, not bare readings, decide.",
        ("Page, E. S. (1954), Biometrika 41, 100–115 (cumulative sums)",),
    ),
    Method(
        "When planned replacement pays",
        "The age at which replacing a good adjuster costs less over time than waiting for it to "
        "fail, for the fleet's own costs. Where failures do not become likelier with age there is "
        "none.",
        ("Barlow, R. E. and Proschan, F. (1965), Mathematical Theory of Reliability, Wiley",),
    ),
    Method(
        "How far to trust it",
        "Each run forecasts again from what was known 3, 6 and 12 months ago and compares with "
        "what happened since.",
    ),
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
