"""Parts told apart and changes told from none: how often, how truly, and how often for nothing.

``python -m tests.bench parts`` prints tables over drawn fleets and asserts nothing. Linings are of
two parts, dealt lining by lining or unit by unit (``tests.parts_drawn``); a change befalls half or
a sixth of the units while all units drift alike (``tests.models.changes``); parts are dealt to
visits by chance, by depot or by time (``tests.models.parts``).
"""

import numpy as np

from models.changes.interrupted import effect
from models.parts.assignment import assignment
from models.parts.wear_ratios import PartRatio, part_ratios, sums_by_part
from models.wear.fit import fit_wear
from models.wear.spread import EVEN
from tests.models.changes.test_interrupted import drawn
from tests.models.parts.test_assignment import fittings
from tests.parts_drawn import drawn_linings

LININGS, CHANGES, DEALT = 100, 1_000, 100


def main() -> None:
    print("wear of B over A   dealt by   mean ratio   95 % hold it   told apart at 5 %")
    for ratio in (1.0, 0.85):
        for by_unit in (False, True):
            found = [_ratio(seed, ratio, by_unit) for seed in range(LININGS)]
            hold = np.mean([r.ci_low <= 1 / ratio <= r.ci_high for r in found])
            apart = np.mean([r.p_adjusted < 0.05 for r in found])
            mean = np.exp(np.mean([np.log(1 / r.ratio) for r in found]))
            whose = "unit" if by_unit else "lining"
            print(f"{ratio:16.2f} {whose:>10s} {mean:12.3f} {hold:14.3f} {apart:19.3f}", flush=True)
    print(f"{LININGS} fleets of 60 units a line: standard error of .95 is .022\n")
    print("change by   of units   mean factor   95 % hold it   found at 5 %")
    for factor in (1.0, 0.7):
        for share in (0.5, 1 / 6):
            rng = np.random.default_rng(1)
            told = [effect(drawn(rng, factor, share=share)) for _ in range(CHANGES)]
            known = [each for each in told if each is not None]
            hold = np.mean([e.low <= factor <= e.high for e in known])
            mean, seen = np.exp(np.mean([np.log(e.ratio) for e in known])), [e.p for e in known]
            print(
                f"{factor:9.2f} {share:10.2f} {mean:13.3f} {hold:14.3f} "
                f"{np.mean(np.array(seen) < 0.05):14.3f}"
            )
    print(f"{CHANGES} fleets of 60 units a line: standard error of .95 is .007\n")
    for how in ("chance", "depot", "time"):
        dealt = [assignment(fittings(seed, how), "A", "B", seed=1) for seed in range(DEALT)]
        doubted = np.mean([not each.at_random for each in dealt if each is not None])
        print(f"parts dealt by {how}: doubted in {doubted:.3f} of {DEALT} fleets", flush=True)


def _ratio(seed: int, ratio: float, by_unit: bool) -> PartRatio:
    """Wear with A over that with B, over all groups; spread is drawn the same everywhere, and to
    compare laws of its growth on every fleet would take an hour."""
    sums, part = drawn_linings(1_000 + seed, ratio, by_unit=by_unit)
    return part_ratios(fit_wear(sums_by_part(sums, part), laws=(EVEN,)))[0]


if __name__ == "__main__":
    main()
