"""How many parts to have, so that demand until the next delivery is met with a stated chance.

The newsvendor's quantile (Arrow, Harris & Marschak 1951, *Econometrica* 19:250): the least stock
that demand over the lead time does not exceed with that chance. Of D simulated demands the k-th
least is not exceeded by another with chance k / (D + 1), or more where demands tie (Wilks 1941,
*Ann. Math. Stat.* 12:91), so k is the least whole number that makes this the chance asked for.
"""

import numpy as np

from models.common.arrays import FloatArray


def stock_for(demand: FloatArray, service_level: float) -> int:
    """The least whole stock that is enough with a chance of ``service_level``; demand (D,). Where
    the futures are too few to say, the most that any of them demands.

    Raises
    ------
    ValueError
        If the level is not between 0 and 1.

    >>> stock_for(np.array([2.0, 0.0, 1.0, 1.0]), 0.6)
    1
    """
    if not 0.0 < service_level < 1.0:
        raise ValueError(f"a service level lies between 0 and 1, found {service_level}")
    place = int(np.ceil(service_level * (len(demand) + 1) - 1e-9))
    return int(np.ceil(np.sort(demand)[min(place, len(demand)) - 1]))


def chance_short(demand: FloatArray, stock: int) -> float:
    """Share of futures whose demand is more than the stock."""
    return float(np.mean(demand > stock))
