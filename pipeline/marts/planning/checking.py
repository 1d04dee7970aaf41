"""How often to check each axle type and duty, and where one more check buys most."""

from collections.abc import Sequence

import duckdb

from models.lives.decisions.checking import CheckedGroup
from models.lives.decisions.fleet import undetected_interval
from models.planning.checks import (
    MOST_WEEKS,
    by_worth,
    checks_a_year,
    weeks_saved_per_check,
    weeks_within,
)
from pipeline.marts import marts
from pipeline.marts.lives.fits import Row, frame_of
from pipeline.settings import Settings


def write_check_plan(
    con: duckdb.DuckDBPyConnection, settings: Settings, groups: Sequence[CheckedGroup]
) -> None:
    """Every group's interval within the accepted share, those first where a check buys most."""
    known = by_worth(list(groups))
    rows = [_row(group, settings, place) for place, group in enumerate(known, start=1)]
    rows += [
        _group(group, settings) | {"note": "its life has no finite mean, so no long-run share"}
        for group in groups
        if not group.can_be_known
    ]
    marts.write(con, "check_plan", frame_of("check_plan", rows))


def _group(group: CheckedGroup, settings: Settings) -> Row:
    return {
        "axle_type": group.axle_type,
        "duty": group.duty,
        "wheel_ends": group.wheel_ends,
        "weeks_now": group.weeks,
        "most_unseen": settings.adjusters.most_unseen,
    }


def _row(group: CheckedGroup, settings: Settings, place: int) -> Row:
    most, costs = settings.adjusters.most_unseen, settings.costs
    price = costs.check_hours * costs.hour_rate or None
    share = undetected_interval(group.life, group.weeks * group.km_per_week)
    assert share is not None
    within, saved = weeks_within(group, most), weeks_saved_per_check(group)
    checks_now = checks_a_year(group, group.weeks)
    checks = checks_a_year(group, within) if within else None
    return _group(group, settings) | {
        "share_now": share.estimate,
        "share_ci_low": share.low,
        "share_ci_high": share.high,
        "weeks_within": within,
        "weeks_surely": weeks_within(group, most, surely=True),
        "checks_now": checks_now,
        "checks_within": checks,
        "cost_now": price and price * checks_now,
        "cost_within": price and checks and price * checks,
        "saved_per_check": saved,
        "saved_per_money": price and saved / price,
        "place": place,
        "note": _note(group, within),
    }


def _note(group: CheckedGroup, within: float | None) -> str | None:
    said = []
    if group.whose != (group.axle_type, group.duty):
        said.append("By a life borrowed from a wider group: its own cannot be known yet.")
    if within is None:
        said.append("Even a check every week leaves more unseen.")
    elif within >= MOST_WEEKS:
        said.append("Two years or more: other reasons to check come first.")
    return " ".join(said) or None
