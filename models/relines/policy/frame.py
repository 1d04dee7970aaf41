"""At what reading the fleet relines, as a table, and since when."""

import datetime as dt
from collections.abc import Sequence

import numpy as np
import polars as pl
from scipy import special

from models.common.distributions import Numbers, two_sided_z
from models.relines.policy.campaigns import CampaignTold
from models.relines.policy.decisions import NOWHERE, OLDEST_QUARTER, QUARTER_DAYS
from models.relines.policy.fit import (
    ChangedChance,
    PolicyFit,
    log_age_variances,
    logit_rows,
    mean_policy,
    threshold_variances,
)

LEVEL = 0.95
HABITS = {
    "premature": "relined for another reason",
    "missed": "due and left on",
    "missed_below": "at the minimum and left on",
    "pair": "other end goes along",
    "unit": "other axles go along",
}
"""The chances of a policy, as they are told."""
RENEWED_AT_LAST = "all renewed when a unit leaves"


def policy_frame(
    fit: PolicyFit, as_of: dt.date, campaigns: Sequence[CampaignTold] = ()
) -> pl.DataFrame:
    """One row per axle type × depot (null: none in the register), and where thresholds hang on it
    how often units are checked (every_days; null: they do not): threshold_mm above the minimum,
    threshold_sd, spread_mm, visits; changed_on, raised_mm, raised_ci_low, raised_ci_high (null:
    no change found there); of the fleet, in every row: relines; and of relines for the lining's age
    (null where none was found): age_days, age_ci_low, age_ci_high, age_kept, age_share; of a time
    of the year at which thresholds are higher (null: there is none): yearly_from_on,
    yearly_until_on, the next, yearly_mm, yearly_ci_low, yearly_ci_high; and of
    ``campaigns`` left out: their number, and of the latest (null: there was none)
    campaign_from_on (null too: longer ago than quarters are told apart), campaign_until_on,
    campaign_relines, campaign_usual, campaign_chance (that it is over, and no habit)."""
    kinds, depots = fit.groups.kinds, fit.groups.depots
    policy, is_raised = mean_policy(fit), fit.raised_mm is not None
    there = pl.lit(pl.Series(_changed_at(fit) * len(kinds)))
    return pl.DataFrame(
        {
            "axle_type": [name for name, _ in kinds for _ in depots],
            "depot": [depot if depot != NOWHERE else None for depot in depots] * len(kinds),
            "every_days": [days for _, days in kinds for _ in depots],
            "threshold_mm": policy.threshold_mm,
            "threshold_sd": np.sqrt(threshold_variances(fit)),
            "visits": np.round(fit.group_visits).astype(np.int64),
        },
        schema_overrides={"axle_type": pl.String, "depot": pl.String, "every_days": pl.Float64},
    ).with_columns(
        **_by_age(fit),
        **_yearly(fit, as_of),
        spread_mm=pl.lit(policy.spread_mm),
        relines=pl.lit(round(fit.relines)),
        changed_on=pl.when(there & is_raised).then(pl.lit(_changed_on(fit, as_of), dtype=pl.Date)),
        **{
            name: pl.when(there).then(pl.lit(mm, dtype=pl.Float64))
            for name, mm in _raised(fit).items()
        },
        **_campaigns(campaigns, as_of),
    )


def chances_frame(fit: PolicyFit, as_of: dt.date) -> pl.DataFrame:
    """One row per habit (:data:`HABITS`, and where it is one :data:`RENEWED_AT_LAST`) × depot: its
    share, share_ci_low, share_ci_high; and where it was another before (else null) changed_on,
    share_before, share_before_ci_low, share_before_ci_high."""
    changed = {c.name: c for c in fit.changed_chances}
    depots, there, rows = fit.groups.depots, _changed_at(fit), list[dict[str, object]]()
    for name, habit in HABITS.items():
        own = logit_rows(fit.design, name, len(fit.mean))
        doubt = np.sqrt(np.einsum("di,ij,dj->d", own, fit.covariance, own))
        now = _by_depot("share", own @ fit.mean, doubt, len(depots))
        was = _before(changed[name], fit, as_of) if name in changed else [{}] * len(depots)
        for depot, is_changed, since, before in zip(depots, there, now, was, strict=True):
            named = {"habit": habit, "depot": depot if depot != NOWHERE else None}
            rows.append(named | since | (before if is_changed else {}))
    return pl.DataFrame([*rows, *_handed_back(fit)], infer_schema_length=None)


def _handed_back(fit: PolicyFit) -> list[dict[str, object]]:
    """The fleet's, in a row of every depot."""
    back = fit.handed_back
    if back is None:
        return []
    share = {"share": back.share, "share_ci_low": back.ci_low, "share_ci_high": back.ci_high}
    return [
        {"habit": RENEWED_AT_LAST, "depot": depot if depot != NOWHERE else None, **share}
        for depot in fit.groups.depots
    ]


def _before(chance: ChangedChance, fit: PolicyFit, as_of: dt.date) -> list[dict[str, object]]:
    depots, on = len(fit.groups.depots), {"changed_on": _changed_on(fit, as_of)}
    shares = _by_depot("share_before", chance.before, chance.before_sd, depots)
    return [on | share for share in shares]


def _by_depot(name: str, logit: Numbers, doubt: Numbers, depots: int) -> list[dict[str, object]]:
    logits, doubts = (np.broadcast_to(each, depots) for each in (logit, doubt))
    return [{**_share(name, *map(float, of))} for of in zip(logits, doubts, strict=True)]


def _share(name: str, logit: float, doubt: float) -> dict[str, float]:
    half = two_sided_z(LEVEL) * doubt
    ends = {name: 0.0, f"{name}_ci_low": -half, f"{name}_ci_high": half}
    return {end: float(special.expit(logit + off)) for end, off in ends.items()}


def _changed_on(fit: PolicyFit, as_of: dt.date) -> dt.date | None:
    quarters = fit.changed_quarters
    return as_of - dt.timedelta(days=QUARTER_DAYS * quarters) if quarters else None


def _changed_at(fit: PolicyFit) -> list[bool]:
    """Of each depot, whether the policy is another since the change, if there was one."""
    depots = fit.groups.depots
    return [depot in (fit.changed_depots or depots) for depot in depots]


def _campaigns(campaigns: Sequence[CampaignTold], as_of: dt.date) -> dict[str, pl.Expr]:
    """How many, and the latest."""
    every = _joined(campaigns)
    latest = every[0] if every else None
    known = latest is not None and latest.last < OLDEST_QUARTER

    def day(quarters: int) -> dt.date:
        return as_of - dt.timedelta(days=QUARTER_DAYS * quarters)

    return {
        "campaigns": pl.lit(len(every)),
        "campaign_from_on": pl.lit(
            day(latest.last + 1) + dt.timedelta(days=1) if latest and known else None, pl.Date
        ),
        "campaign_until_on": pl.lit(day(latest.first) if latest else None, pl.Date),
        "campaign_relines": pl.lit(round(latest.relines) if latest else None, pl.Int64),
        "campaign_usual": pl.lit(latest.usual if latest else None, pl.Float64),
        "campaign_chance": pl.lit(latest.chance if latest else None, pl.Float64),
    }


def _joined(campaigns: Sequence[CampaignTold]) -> list[CampaignTold]:
    """The latest first; those of quarters that follow each other are one that took long."""
    joined = list[CampaignTold]()
    for each in sorted(campaigns, key=lambda campaign: campaign.first):
        if joined and joined[-1].last + 1 == each.first and joined[-1].is_pause == each.is_pause:
            later = joined.pop()
            relines, usual = later.relines + each.relines, later.usual + each.usual
            each = CampaignTold(later.first, each.last, relines, usual, later.chance)
        joined.append(each)
    return joined


def _by_age(fit: PolicyFit) -> dict[str, pl.Series | pl.Expr]:
    """At what age linings are relined, with its interval, and how many are."""
    rule = mean_policy(fit).by_age
    if rule is None:
        names = ("days", "ci_low", "ci_high", "kept", "share")
        return {f"age_{name}": pl.lit(None, dtype=pl.Float64) for name in names}
    half = two_sided_z(LEVEL) * np.sqrt(log_age_variances(fit))
    return {
        "age_days": pl.Series(rule.days),
        "age_ci_low": pl.Series(rule.days * np.exp(-half)),
        "age_ci_high": pl.Series(rule.days * np.exp(half)),
        "age_kept": pl.lit(rule.kept),
        "age_share": pl.lit(fit.age_share),
    }


def _yearly(fit: PolicyFit, as_of: dt.date) -> dict[str, pl.Expr]:
    """When in a year thresholds are higher, and by how much, with its interval."""
    rise = fit.yearly
    first, last = rise.when.next_days if rise else (0, 0)
    half, mm = two_sided_z(LEVEL) * (rise.doubt if rise else 0.0), rise.mm if rise else None

    def day(after: int) -> pl.Expr:
        return pl.lit(as_of + dt.timedelta(days=after) if rise else None, pl.Date)

    return {
        "yearly_from_on": day(first),
        "yearly_until_on": day(last),
        **{
            f"yearly_{name}": pl.lit(None if mm is None else mm + off, pl.Float64)
            for name, off in (("mm", 0.0), ("ci_low", -half), ("ci_high", half))
        },
    }


def _raised(fit: PolicyFit) -> dict[str, float | None]:
    """By how much, with its interval; of no change, nothing."""
    half, by = two_sided_z(LEVEL) * fit.raised_sd, fit.raised_mm
    found = {"raised_mm": 0.0, "raised_ci_low": -half, "raised_ci_high": half}
    return {name: None if by is None else by + off for name, off in found.items()}
