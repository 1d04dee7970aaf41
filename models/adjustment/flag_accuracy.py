r"""How often flags were right, open ones counted both ways, and how many faults had a flag.

**Precision.** Of the flags standing on a day some were confirmed since, some went away without
work, and some are still open: counting none or all of those as right bounds the share.

**Recall.** Faults are looked for more on wheel ends with a flag. With p the share flagged, and PPV
and FOR the shares with a fault among the flagged and the unflagged that were looked at since,

.. math:: \mathrm{recall} = \frac{p\,\mathrm{PPV}}{p\,\mathrm{PPV} + (1-p)\,\mathrm{FOR}}

as if all had been looked at, provided that who was looked at depends on nothing but the flag
(Begg, Greenes 1983, Biometrics 39:207, whose variance of the logit gives the interval). A share of
nothing or everything counts half a wheel end more on either side.
"""

import numpy as np
import polars as pl

from models.adjustment.setting_quality import wilson
from models.common.arrays import FloatArray
from models.common.distributions import two_sided_z


def precision_bounds(outcomes: pl.DataFrame) -> pl.DataFrame:
    """``confirmed``, ``false_alarms`` and ``open`` with bounds of the precision and their limits.

    Adds ``precision_least`` (open flags wrong), ``precision_most`` (right), ``bounds_low`` and
    ``bounds_high`` (Wilson's 95 % limits of the one and the other); null without flags.
    """
    confirmed, wrong, still = (
        outcomes[name].cast(pl.Float64).to_numpy() for name in ("confirmed", "false_alarms", "open")
    )
    flags = confirmed + wrong + still
    least, most = wilson(confirmed, flags), wilson(confirmed + still, flags)
    some = pl.lit(pl.Series(flags > 0))
    columns = {
        "precision_least": confirmed / np.maximum(flags, 1.0),
        "precision_most": (confirmed + still) / np.maximum(flags, 1.0),
        "bounds_low": least.low,
        "bounds_high": most.high,
    }
    return outcomes.with_columns(
        pl.when(some).then(pl.Series(name, values)).alias(name) for name, values in columns.items()
    )


def recall(counts: pl.DataFrame, level: float = 0.95) -> pl.DataFrame:
    """Share of faults that had a flag, corrected for who was looked at.

    ``counts``: ``flags`` standing, ``confirmed`` and ``false_alarms`` among them, ``unflagged``,
    ``looked_at`` since among those, and ``missed``, found with a fault. Adds ``recall``,
    ``recall_ci_low``, ``recall_ci_high``; null where no flag was decided, nobody without a flag was
    looked at, or no fault was found at all.
    """
    flags, confirmed, wrong, unflagged, looked, missed = (
        counts[name].cast(pl.Float64).to_numpy()
        for name in ("flags", "confirmed", "false_alarms", "unflagged", "looked_at", "missed")
    )
    decided = confirmed + wrong
    told = (decided > 0) & (looked > 0) & (confirmed + missed > 0)
    right, faulty = _share(confirmed, decided), _share(missed, looked)
    flagged = _share(flags, flags + unflagged)
    logit = np.log(flagged * right) - np.log((1 - flagged) * faulty)
    variance = 1 / np.maximum((flags + unflagged) * flagged * (1 - flagged), 1e-9)
    variance += (1 - right) / (right * np.maximum(decided, 1))
    variance += (1 - faulty) / (faulty * np.maximum(looked, 1))
    half = two_sided_z(level) * np.sqrt(variance)
    columns = {"recall": logit, "recall_ci_low": logit - half, "recall_ci_high": logit + half}
    some = pl.lit(pl.Series(told))
    return counts.with_columns(
        pl.when(some).then(pl.Series(name, 1 / (1 + np.exp(-values)))).alias(name)
        for name, values in columns.items()
    )


def _share(part: FloatArray, whole: FloatArray) -> FloatArray:
    """part / whole, kept off 0 and 1."""
    at_end = (part <= 0) | (part >= whole)
    return np.asarray((part + 0.5 * at_end) / np.maximum(whole + at_end, 1.0))
