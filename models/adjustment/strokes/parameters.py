"""What the drift model is made of: kinds of trouble, their stated priors, the fleet's parameters.

Take-up is the share of wear that an adjuster takes up: 1 keeps pace, 0 is stuck, above 1 is too
much. The model works with the deficit, 1 − take-up. Every default below is a stated prior (our
own, no source) that the fleet's records outweigh as they grow.
"""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WEEKS_PER_YEAR = 365.25 / 7


class Kind(IntEnum):
    """What an adjuster can do wrong, by its deficit."""

    SLACK = 0
    TIGHT = 1
    FAILING = 2
    GRABBING = 3
    STUCK = 4


class Start(IntEnum):
    """How a setting turned out; the last two are the sides of a wrong one."""

    RIGHT = 0
    TOO_TIGHT = 1
    TOO_LOOSE = 2


class Source(IntEnum):
    """How the setting came about; readings before any setting on record have none."""

    ADJUSTER_SET = 0
    ADJUSTER_REPLACED = 1
    RELINE = 2
    AS_LEFT = 3
    FIRST_READING = 4


SOURCES = tuple(source.name.lower() for source in Source)

# A deficit smaller than this, either way, counts as keeping pace.
KEEPS_PACE = 0.01
# Beyond that, small deficits are gamma with this shape: few are very small, few are large.
EXCESS_SHAPE = 3
# Deficits that no exponential tail reaches: partly failed, and grabbing. Mean and SD.
DEFICIT_MEAN = {Kind.FAILING: 0.50, Kind.GRABBING: -0.30, Kind.STUCK: 1.0}
DEFICIT_SD = {Kind.FAILING: 0.22, Kind.GRABBING: 0.15, Kind.STUCK: 0.08}
# Wear per km differs from interval to interval by about this fraction (load, season).
INTERVAL_WEAR_CV = 0.15
# Some people round strokes to this.
COARSE_STEP_MM = 5.0
# A misread stroke could be anything up to this ratio.
WIDEST_RATIO = 0.5


@dataclass(frozen=True, slots=True)
class Band:
    """Free stroke over arm length that counts as right (common practice, no source)."""

    low: float = 0.10
    high: float = 0.15
    target: float = 0.125

    def __post_init__(self) -> None:
        if not 0 < self.low < self.target < self.high < 1:
            raise ValueError("0 < low < target < high < 1 must hold")

    @property
    def half_width(self) -> float:
        return (self.high - self.low) / 2

    def stroke_mm(self, arm_length_mm: float) -> tuple[float, float, float]:
        """Free stroke at the low end, to aim for, and at the high end, mm.

        >>> Band().stroke_mm(150.0)
        (15.0, 18.75, 22.5)
        """
        return self.low * arm_length_mm, self.target * arm_length_mm, self.high * arm_length_mm

    def aim_mm(self, arm_length_mm: float) -> int:
        """Free stroke to aim for in whole millimetres, halves up.

        >>> [Band().aim_mm(arm) for arm in (120, 135, 150, 165, 180)]
        [15, 17, 19, 21, 23]
        """
        return int(np.floor(self.target * arm_length_mm + 0.5))


def ratio_per_mm(cam_degrees: float, lining_new_mm: float, lining_min_mm: float) -> float:
    """Growth of the stroke ratio per mm of lining worn while nothing is taken up.

    The camshaft turns ``cam_degrees`` from new to worn out (common practice, no source).

    >>> round(150.0 * ratio_per_mm(90.0, 18.0, 6.4), 1)
    20.3
    """
    return float(np.radians(cam_degrees)) / (lining_new_mm - lining_min_mm)


@dataclass(frozen=True, slots=True)
class DriftParameters:
    """Parameters of the drift model.

    Attributes
    ----------
    reading_sd_mm : SD of one stroke reading
    setting_mean : groups × sources, ratio a setting aims for, as the fleet really does
    setting_sd : sources, SD of a setting made right
    wrong_share : groups × sources × sides, share of settings made wrong, too tight and too loose
    wrong_mean, wrong_sd : sides, how far those lie from the setting mean
    keeping_sd : SD of the deficit of an adjuster that keeps pace
    from_set : groups × kinds, probability of that trouble from the setting on
    per_year : groups × kinds, rate at which it begins later
    slack_excess, tight_excess : mean of |1 − take-up| beyond ``KEEPS_PACE``
    misread_share : share of readings that are plain mistakes
    """

    reading_sd_mm: float
    setting_mean: Floats
    setting_sd: Floats
    wrong_share: Floats
    wrong_mean: Floats
    wrong_sd: Floats
    keeping_sd: float
    from_set: Floats
    per_year: Floats
    slack_excess: float
    tight_excess: float
    misread_share: float


PRIOR_READING_SD_MM = 1.1
PRIOR_SETTING_SD = np.array([0.007, 0.007, 0.007, 0.007, 0.010])
PRIOR_WRONG_SHARE = np.array([[0.02, 0.03], [0.02, 0.03], [0.02, 0.03], [0.02, 0.03], [0.05, 0.1]])
PRIOR_WRONG_MEAN = np.array([-0.04, 0.05])
PRIOR_WRONG_SD = np.array([0.015, 0.02])
PRIOR_KEEPING_SD = 0.003
PRIOR_FROM_SET = np.array([0.015, 0.010, 0.001, 0.001, 0.005])
PRIOR_PER_YEAR = np.array([0.010, 0.005, 0.002, 0.002, 0.020])
PRIOR_EXCESS = 0.04
PRIOR_MISREAD_SHARE = 0.003


def start_priors(
    parameters: DriftParameters, group: Ints, source: Ints, start: Start
) -> tuple[Floats, Floats, Floats]:
    """Share, mean and SD of one kind of start for each episode; (n, 1) each."""
    mean, sd = parameters.setting_mean[group, source], parameters.setting_sd[source]
    wrong = parameters.wrong_share[group, source]
    if start is Start.RIGHT:
        share = 1 - wrong.sum(axis=1)
    else:
        side = start - 1
        share, mean = wrong[:, side], mean + parameters.wrong_mean[side]
        sd = np.full_like(mean, parameters.wrong_sd[side])
    return share[:, None], mean[:, None], sd[:, None]


def all_start_priors(
    parameters: DriftParameters, group: Ints, source: Ints
) -> tuple[Floats, Floats, Floats]:
    """Share, mean and SD of every kind of start for each episode; (starts, n, 1) each."""
    each = [start_priors(parameters, group, source, start) for start in Start]
    share, mean, sd = (np.stack(columns) for columns in zip(*each, strict=True))
    return share, mean, sd


def prior_parameters(groups: int, band: Band) -> DriftParameters:
    """The stated priors, for a fleet of which nothing is known yet."""
    return DriftParameters(
        reading_sd_mm=PRIOR_READING_SD_MM,
        setting_mean=np.full((groups, len(SOURCES)), band.target),
        setting_sd=PRIOR_SETTING_SD.copy(),
        wrong_share=np.tile(PRIOR_WRONG_SHARE, (groups, 1, 1)),
        wrong_mean=PRIOR_WRONG_MEAN.copy(),
        wrong_sd=PRIOR_WRONG_SD.copy(),
        keeping_sd=PRIOR_KEEPING_SD,
        from_set=np.tile(PRIOR_FROM_SET, (groups, 1)),
        per_year=np.tile(PRIOR_PER_YEAR, (groups, 1)),
        slack_excess=PRIOR_EXCESS,
        tight_excess=PRIOR_EXCESS,
        misread_share=PRIOR_MISREAD_SHARE,
    )
