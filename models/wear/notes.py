"""What a wear fit has to say in plain sentences."""

from collections.abc import Sequence

import numpy as np

from models.mixed.fit import MixedFit
from models.mixed.optimum import NO_SPREAD
from models.wear.blocks import Spread
from models.wear.result import WearComponents, WearRate
from models.wear.spread import SpreadLaw
from models.wear.sums import LiningLifeSums


def _counted(n: int, noun: str) -> str:
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"


def nothing_told(sums: LiningLifeSums) -> str:
    """Why there are no rates at all."""
    if sums.n_lives == 0 or not sums.readings.any():
        return "No lining readings: no wear rates."
    return (
        "No wear rates: no lining with its reline on record has run any km, and no other lining "
        "was read at two odometer readings."
    )


def _spread_notes(mixed: MixedFit) -> list[str]:
    free, v = mixed.free, mixed.point.variances
    scale = mixed.t_scale**2
    notes = []
    if not free[3]:
        notes.append(
            "The spread between units cannot be told from that between linings (one unit, or one "
            "lining per unit): intervals do not include it."
        )
    elif v.tau * scale < NO_SPREAD:
        notes.append("The spread of wear rates between units is estimated as zero.")
    if not free[0]:
        notes.append(
            "The spread of starting thickness cannot be told from the reading error "
            "(no lining with its reline on record was read twice)."
        )
    elif v.g00 < NO_SPREAD:
        notes.append("The spread of starting thickness is estimated as zero.")
    if not free[2]:
        notes.append("The spread of wear rates between linings cannot be estimated.")
    elif v.g11 * scale < NO_SPREAD:
        notes.append("The spread of wear rates between linings is estimated as zero.")
    elif free[1] and v.determinant < NO_SPREAD * v.g00 * v.g11:
        notes.append("Starting thickness and wear rate are estimated as wholly correlated.")
    return notes


def _law_notes(spread: Spread, laws: Sequence[SpreadLaw]) -> list[str]:
    """How spread grows with the rate, where that could be told."""
    if len(laws) < 2:
        return []
    own = (
        f"; {spread.duty_share:.0%} of it is a unit's own in each duty" if spread.duty_share else ""
    )
    told = f"{own} ({laws[0].name}, by likelihood)."
    if spread.is_even:
        return [f"The spread of wear rates is the same at every rate{told}"]
    if spread.unit_power == spread.life_power:
        grows = f"the rate to the power {spread.unit_power:.2f}, between units and between linings"
    else:
        grows = (
            f"the rate to the power {spread.unit_power:.2f} between units, "
            f"{spread.life_power:.2f} between linings"
        )
    return [f"Spread of wear rates grows with {grows}{told}"]


def _thin_notes(rates: Sequence[WearRate]) -> list[str]:
    leaning = [
        f"{r.axle_type} in {r.duty} ({_counted(r.units, 'unit')})" for r in rates if r.shrunk
    ]
    if not leaning:
        return []
    return [
        "Few units, or km that cannot be told apart: the wear rate leans by a quarter or more on "
        f"other duties and axle types for {', '.join(leaning)}."
    ]


def _sign_notes(rates: Sequence[WearRate]) -> list[str]:
    growing = [f"{r.axle_type} in {r.duty}" for r in rates if r.ci_high < 0]
    unseen = [f"{r.axle_type} in {r.duty}" for r in rates if r.ci_low <= 0 <= r.ci_high]
    notes = []
    if growing:
        notes.append(
            f"Linings seem to grow ({', '.join(growing)}): relines not on record or readings of "
            "another place are likely."
        )
    if unseen:
        notes.append(f"The readings do not yet show wear for {', '.join(unseen)}.")
    return notes


def fit_notes(
    sums: LiningLifeSums,
    mixed: MixedFit,
    rates: Sequence[WearRate],
    components: WearComponents,
    least_sd_mm: float,
    spread: Spread,
    laws: Sequence[SpreadLaw],
) -> tuple[str, ...]:
    """Sentences about convergence, spread, thin groups and signs."""
    notes = [*mixed.notes, *_spread_notes(mixed), *_law_notes(spread, laws)]
    if components.residual_sd is not None and components.residual_sd <= least_sd_mm * (1 + 1e-9):
        notes.append(
            f"Readings lie closer to straight lines than a gauge can read; a reading error of "
            f"{least_sd_mm:.2f} mm is assumed."
        )
    silent = int(np.sum((sums.readings > 0) & ~sums.informative))
    if silent:
        notes.append(
            f"{_counted(silent, 'lining')} of unknown start, read at one distance only, "
            f"{'says' if silent == 1 else 'say'} nothing of a rate."
        )
    return (*notes, *_thin_notes(rates), *_sign_notes(rates))
