r"""What a fleet's earlier totals missed by, and what that says of the totals to come.

Empirical prediction intervals (Williams & Goodman 1971, *JASA* 66:752; Lee & Scholtes 2014,
*Int. J. Forecasting* 30:217): a forecast's own past errors tell its bias, and a spread that no
model knows of itself. They are few, and overlap: one quarter is forecast from several origins, and
what happened in it is one outcome. So the errors

.. math:: e_{qh} = \log(y_q + ½) - \mathrm{E}\log(Y_{qh} + ½)

of quarter q, forecast h quarters ahead (Y the simulated total, y what came), are taken as Gaussian:

.. math::
    \mathrm{cov}(e_{qh}, e_{q'h'}) =
        (θ^2 σ_b^2 + ψ^2 σ_a^2 1_{h = h'} + ω^2 σ_s^2 k_{qq'}) e^{-|q - q'| / L}
        + 1_{q = q'} [φ^2 τ^2 + s_{qh} s_{q'h'} (r + (1 - r) 1_{h = h'})]

a bias that drifts, another of each distance ahead, one of the season (k is 1 for quarters some
years apart and −⅓ else, so that the four of a year add up to nothing: linings that wear faster in
winter leave the year's total as it is, and a winter that was missed is no bias of the summer's), a
surprise of the quarter, and the luck that the simulation knows of (s, the SD of log Y), of which a
share r is the same however far ahead it was forecast. The errors to come follow by conditioning
(kriging; Rasmussen & Williams 2006, section 2.2), so that few errors leave the stated prior as it
is and many replace it; those further ahead have a variance more, σ_h² for each quarter after the
first. θ, ψ, φ and ω, how large each is against the prior's (σ_b, σ_a, τ, σ_s below, our choice, no
source), have a lognormal prior and are averaged over.

Where all units run more or less than was forecast, relines come sooner or later, about in
proportion; the forecast of today knows of it, for it starts from the use of today. So what use
missed by is taken off the errors before a bias is learned from them, all but its median over
quarters (now and then is a shift, always alike is a bias), while θ, ψ, φ and ω, how widely
errors scatter, are learned from the whole errors: use may shift again. Of units that left the
fleet, or stayed, when forecasts did not expect it the same is true: half of a fleet that was sold
at once is missing from what came, and is not there to be forecast today.

Where all units are checked in the same weeks twice a year, relines come in every other quarter, and
a forecast that has a few in the quarters between, for a week of checks may move, misses these by a
whole logarithm. That is a matter of days, not of how many come: such a quarter's error is taken
together with its fuller neighbour's.

A quarter unlike all others, as one without linings to be had, says little of those to come: it is
drawn in to four standard deviations from the median quarter (Winsor's limits; Huber 1964, *Annals
of Mathematical Statistics* 35:73), the deviation being that of quarters, by the median of theirs,
and of luck. What is alike in most quarters stays.

The same factors multiply every part of a fleet's total: what is learned of the total is all that is
known of its parts.
"""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.distributions import MAD_TO_SD
from models.relines.simulation.counts import EventCounts, whole_counts

BIAS_SD = 0.03
AHEAD_SD = 0.02
SURPRISE_SD = 0.03
SEASON_SD = 0.03
PRIOR_SD = float(np.sqrt(BIAS_SD**2 + AHEAD_SD**2 + SURPRISE_SD**2 + SEASON_SD**2))
LEAD_SD = 0.02
DRIFT_QUARTERS = 12.0
SAME_LUCK = 0.8
MOST_AHEAD = 4
"""Quarters ahead that have a bias of their own; those further share the last's."""
STEPS = (0.25, 0.5, 1.0, 2.0, 4.0)
AHEAD_STEPS = (0.25, 1.0, 4.0, 16.0)
SEASON_STEPS = (0.25, 1.0, 4.0)
SEASONS = 4
"""Quarters of a year."""
SCALES = np.array(list(itertools.product(STEPS, AHEAD_STEPS, STEPS, SEASON_STEPS)))
"""θ, ψ, φ and ω (G, 4)."""
SCALE_LOG_SD = np.log(2.0)
MONTHS_A_QUARTER = 3
NO_CHANGE = 1
HARDLY_SEEN = 3
"""Quarters of a changed policy that an origin must have seen to tell of it."""
THIN = 0.4
"""Quarters with less than this share of a neighbour's forecast are taken together with it."""
OUTLYING = 4.0
FEWEST_FOR_MEDIAN = 4
"""Quarters from which on use that always missed alike is told from one that shifted."""


@dataclass(frozen=True, slots=True)
class PastErrors:
    """Errors (N,) of totals, log of outcome over forecast, with the SD ``luck`` that was forecast.

    ``quarter``: which quarter it was, counted from the day forecasts start from (0 is the last
    before it, earlier ones are negative); ``ahead``: which after its own origin, from 1. A quarter
    is there as often as it was forecast. ``changed``: the quarter before which the policy, or wear,
    known to the forecast was another; positive: it knew of none. ``use``: log of km run in the
    quarter over km forecast. ``over``: the quarter after which the outcome was known (None: that
    ``quarter`` each). ``units``: log of units in the fleet over those forecast (None: as many).
    """

    error: FloatArray
    luck: FloatArray
    quarter: IntArray
    ahead: IntArray
    changed: IntArray
    use: FloatArray
    over: IntArray | None = None
    units: FloatArray | None = None

    def __len__(self) -> int:
        return len(self.error)

    @property
    def drawn_in(self) -> "PastErrors":
        """The same, with the errors of a quarter unlike all others less by what sets it apart."""
        if not len(self):
            return self
        beyond = self.beyond_use
        quarters, which = np.unique(self.quarter, return_inverse=True)
        own, luck = (
            np.array([np.median(values[which == q]) for q in range(len(quarters))])
            for values in (beyond, self.luck)
        )
        middle = np.median(own)
        spread = MAD_TO_SD * float(np.median(np.abs(own - middle)))
        limit = OUTLYING * np.hypot(max(spread, PRIOR_SD), luck)
        apart = own - np.clip(own, middle - limit, middle + limit)
        return replace(self, error=self.error - apart[which])

    @property
    def known_from(self) -> IntArray:
        """The quarter after which each outcome was known (N,)."""
        return self.quarter if self.over is None else self.over

    def known_at(self, quarters_ago: int) -> "PastErrors":
        """Those of quarters that were over then, counted from then."""
        known = self._some(self.known_from <= -quarters_ago)
        quarter, changed = known.quarter + quarters_ago, known.changed + quarters_ago
        over = known.known_from + quarters_ago
        return replace(known, quarter=quarter, changed=changed, over=over)

    def under_policy(self, changed_quarters: int) -> "PastErrors":
        """Those that tell of a policy, or wear, that was another so many quarters ago (0: never):
        what missed the quarters since because it did not know of the change is no error of today's
        forecast, nor what had hardly seen it: relines of the first quarters of thicker thresholds
        look like a campaign that is over."""
        if not changed_quarters:
            return self
        seen = changed_quarters + self.quarter - self.ahead
        knew = (np.abs(self.changed + changed_quarters) <= 1) & (seen >= HARDLY_SEEN)
        return self._some(knew | (self.quarter <= -changed_quarters))

    def _some(self, which: BoolArray) -> "PastErrors":
        return PastErrors(
            self.error[which],
            self.luck[which],
            self.quarter[which],
            self.ahead[which],
            self.changed[which],
            self.use[which],
            self.known_from[which],
            None if self.units is None else self.units[which],
        )

    @property
    def beyond_use(self) -> FloatArray:
        """The errors less what shifts of use, and units that left or stayed, explain of them (N,).

        A quarter's relines are decided at visits on what was run until then: half of it in the
        quarter before, which was over when the first was forecast. Who has left is not visited.
        """
        shift = self._shift(self.use)
        before = (self.quarter - 1 == self.quarter[:, None]) & (
            self.ahead - 1 == self.ahead[:, None]
        )
        gone = 0.0 if self.units is None else self._shift(self.units)
        return np.asarray(self.error - (shift + shift @ before) / 2.0 - gone)

    def _shift(self, missed: FloatArray) -> FloatArray:
        """What was missed beyond what always was."""
        first = missed[self.ahead == 1]
        always = float(np.median(first)) if len(first) >= FEWEST_FOR_MEDIAN else 0.0
        return missed - always


def past_errors(
    draws: Sequence[FloatArray],
    happened: Sequence[FloatArray],
    quarters_ago: Sequence[int],
    changed_quarters: Sequence[int] | None = None,
    use: Sequence[FloatArray] | None = None,
    units: Sequence[FloatArray] | None = None,
) -> PastErrors:
    """Errors of origins so many quarters ago: totals drawn (D, H) and happened (H,) of each;
    ``changed_quarters``: how long before it the policy had changed, as was known then (0: never);
    ``use``, ``units``: log of km run over km forecast, and of units there over those forecast, of
    its quarters (H,), nought unless said.
    """
    changes = [0] * len(draws) if changed_quarters is None else changed_quarters
    nothing = [np.zeros(len(came)) for came in happened]
    missed, gone = nothing if use is None else use, nothing if units is None else units
    fuller = _fuller_neighbours(draws, quarters_ago)
    none, nowhere = np.zeros(0), np.zeros(0, np.int64)
    parts = [(none, none, nowhere, nowhere, nowhere, none, nowhere, none)]
    given = zip(draws, happened, quarters_ago, changes, missed, gone, strict=True)
    for drawn, came, ago, change, ran, there in given:
        quarter = np.arange(1, len(came) + 1) - ago
        total = np.array([_in_place_of(q, fuller) for q in quarter.tolist()], np.int64)
        full = np.flatnonzero(total == quarter)
        member = (total == quarter[full, None]).astype(np.float64)
        error, luck = _log_errors(drawn @ member.T, member @ came)
        since = np.full(len(full), -(ago + change) if change else NO_CHANGE)
        over = np.where(member > 0, quarter, -ago).max(axis=1, initial=-ago)
        known = quarter[full], full + 1, since, ran[full], over
        parts.append((error, luck, *known, there[full]))
    return PastErrors(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def _fuller_neighbours(draws: Sequence[FloatArray], quarters_ago: Sequence[int]) -> dict[int, int]:
    """Of quarters with a small share of a neighbour's forecast, the fuller neighbour: by the mean
    over all origins that forecast them."""
    totals: dict[int, list[float]] = {}
    for drawn, ago in zip(draws, quarters_ago, strict=True):
        for h, mean in enumerate(drawn.mean(axis=0).tolist(), 1):
            totals.setdefault(h - ago, []).append(mean)
    mean_of = {quarter: sum(found) / len(found) for quarter, found in totals.items()}
    fuller = {}
    for quarter, mean in mean_of.items():
        beside = max((quarter - 1, quarter + 1), key=lambda q: mean_of.get(q, 0.0))
        if mean < THIN * mean_of.get(beside, 0.0):
            fuller[quarter] = beside
    return fuller


def _in_place_of(quarter: int, fuller: dict[int, int]) -> int:
    """The quarter that one is taken together with: itself unless it is a thin one."""
    while quarter in fuller:
        quarter = fuller[quarter]
    return quarter


def _log_errors(draws: FloatArray, happened: FloatArray) -> tuple[FloatArray, FloatArray]:
    drawn = np.log(draws + 0.5)
    return np.log(happened + 0.5) - drawn.mean(axis=0), drawn.std(axis=0)


@dataclass(frozen=True, slots=True)
class ErrorsToCome:
    """Log errors of the H quarters ahead: for each of :data:`SCALES` its weight (G,), mean (G, H)
    and covariance (G, H, H)."""

    weight: FloatArray
    mean: FloatArray
    covariance: FloatArray

    @property
    def expected(self) -> FloatArray:
        """Mean over the scales (H,)."""
        return np.asarray(self.weight @ self.mean)

    @property
    def sd(self) -> FloatArray:
        """SD over all (H,)."""
        within = np.einsum("g,ghh->h", self.weight, self.covariance)
        between = self.weight @ (self.mean - self.expected) ** 2
        return np.asarray(np.sqrt(within + between))


def errors_to_come(past: PastErrors, quarters: int) -> ErrorsToCome:
    """What past errors say of so many quarters ahead.

    Raises
    ------
    ValueError
        If no quarter is asked for.
    """
    if quarters < 1:
        raise ValueError(f"quarters must be at least 1, got {quarters}")
    past, coming = past.drawn_in, np.arange(1, quarters + 1)
    quarter = np.concatenate([past.quarter, coming])
    ahead = np.minimum(np.concatenate([past.ahead, coming]), MOST_AHEAD)
    same = quarter[:, None] == quarter
    drift = np.exp(-np.abs(quarter[:, None] - quarter) / DRIFT_QUARTERS)
    parts = np.array(
        [
            BIAS_SD**2 * drift,
            AHEAD_SD**2 * drift * (ahead[:, None] == ahead),
            SURPRISE_SD**2 * same,
            SEASON_SD**2 * drift * _season(quarter),
        ]
    )
    luck = np.concatenate([past.luck, np.zeros(quarters)])
    own = (1.0 - SAME_LUCK) * luck**2
    # A total that was certain is not quite.
    own[: len(past)] += 1e-6
    own[len(past) :] += LEAD_SD**2 * np.arange(quarters)
    known = SAME_LUCK * luck[:, None] * luck * same + np.diag(own)
    fit, mean, covariance = _conditioned(np.tensordot(SCALES**2, parts, axes=1) + known, past)
    fit -= 0.5 * ((np.log(SCALES) / SCALE_LOG_SD) ** 2).sum(axis=1)
    weight = np.exp(fit - fit.max())
    return ErrorsToCome(weight / weight.sum(), mean, covariance)


def _season(quarter: IntArray) -> FloatArray:
    """k (N, N)."""
    alike = (quarter[:, None] - quarter) % SEASONS == 0
    return np.where(alike, 1.0, -1.0 / (SEASONS - 1))


def _conditioned(every: FloatArray, past: PastErrors) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Under each covariance (G, N, N) of past errors and those to come: log likelihood of the past
    ones (G,); mean (G, H) and covariance (G, H, H) of the others given them, shifts of use apart.
    """
    n = len(past)
    root = np.linalg.cholesky(every[:, :n, :n])
    known = np.column_stack([past.error, past.beyond_use])
    given = np.concatenate([np.broadcast_to(known, (len(every), n, 2)), every[:, :n, n:]], axis=2)
    white = np.linalg.solve(root, given)
    whole, shifted, loads = white[..., 0], white[..., 1], white[..., 2:]
    back = loads.swapaxes(1, 2)
    width = np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
    fit = -0.5 * (whole**2).sum(axis=1) - width
    return fit, (back @ shifted[..., None])[..., 0], every[:, n:, n:] - back @ loads


def error_factors(coming: ErrorsToCome, draws: int, seed: int) -> FloatArray:
    """Factors (D, H) on drawn totals of the quarters ahead; their mean is what was missed by."""
    rng = np.random.default_rng([seed, 19])
    scale = rng.choice(len(coming.weight), draws, p=coming.weight)
    normal = rng.standard_normal((draws, coming.mean.shape[1]))
    roots = np.linalg.cholesky(coming.covariance + 1e-12 * np.eye(coming.mean.shape[1]))
    variance = np.diagonal(coming.covariance, axis1=1, axis2=2)[scale]
    error = coming.mean[scale] + np.einsum("dhk,dk->dh", roots[scale], normal)
    return np.asarray(np.exp(error - variance / 2.0))


def calibrated_totals(event_counts: EventCounts, past: PastErrors, seed: int) -> EventCounts:
    """The tally with every drawn future multiplied by an error that the past makes likely.

    Counts stay whole: within a draw they are rounded so that any run of them is off by less than
    one, and right in the mean. Scenarios given the same seed and number of draws get the same
    factors, so that their differences stay differences within one future.
    """
    months = event_counts.relines.shape[1]
    coming = errors_to_come(past, -(-months // MONTHS_A_QUARTER))
    by_quarter = error_factors(coming, event_counts.n_draws, seed)
    factor = np.repeat(by_quarter, MONTHS_A_QUARTER, axis=1)[:, :months, None]
    rng = np.random.default_rng([seed, 23])
    counts = ("relines", "visits", "relines_by_span", "visits_by_span")
    whole: dict[str, Any] = {
        n: whole_counts(getattr(event_counts, n) * factor, rng) for n in counts
    }
    grown = factor[:, :, 0].mean(axis=1)
    return replace(
        event_counts,
        **whole,
        scrapped_mm=event_counts.scrapped_mm * grown,
        scrapped_share=event_counts.scrapped_share * grown,
    )
