"""The fleet's habit as tables: thickness at relines by axle type and depot, and what goes along."""

import numpy as np
import polars as pl
from scipy import special

from models.common.arrays import FloatArray, IntArray
from models.common.distributions import two_sided_z
from models.relines.policy.decisions import NOWHERE, AxleDecisions, PolicyGroups
from models.relines.policy.fit import PolicyFit
from models.relines.policy.likelihood import SHAPE

Row = dict[str, object]


def threshold_frame(fit: PolicyFit, events: pl.DataFrame, level: float = 0.95) -> pl.DataFrame:
    """Thickness at which relines happen: by axle type × depot, by axle type (depot null), and the
    fleet's (both null).

    Columns: axle_type, depot, visits (of axles), relines (of wheel ends), threshold_mm above the
    minimum at which half of the linings read are relined (shrunk toward the fleet), se_mm,
    ci_low_mm, ci_high_mm, relined_at_p10_mm/_p50_mm/_p90_mm (as read before the relines on record).
    """
    groups = fit.groups
    keys: list[tuple[str | None, str | None]] = [(None, None)]
    keys += [(t, None) for t in groups.axle_types]
    keys += [(t, d) for t in groups.axle_types for d in groups.depots]
    rows = [_threshold_row(fit, events, t, d, level) for t, d in keys]
    text = {"axle_type": pl.String, "depot": pl.String}
    return pl.DataFrame(rows, schema_overrides=text, infer_schema_length=None)


def threshold_of(fit: PolicyFit, weight: FloatArray) -> tuple[float, float]:
    """Mean threshold of groups weighted by ``weight`` (G,), and its standard error [mm]."""
    share = weight / weight.sum() if weight.sum() > 0 else np.full(len(weight), 1 / len(weight))
    row = np.concatenate([share @ fit.groups.design(), np.zeros(len(SHAPE))])
    return float(row @ fit.mean), float(np.sqrt(row @ fit.covariance @ row))


def groups_where(groups: PolicyGroups, axle_type: str | None, depot: str | None) -> IntArray:
    """Numbers of the groups of an axle type and depot (None: any)."""
    number = np.arange(groups.n_groups).reshape(len(groups.axle_types), len(groups.depots))
    rows = [i for i, t in enumerate(groups.axle_types) if axle_type in (None, t)]
    columns = [j for j, d in enumerate(groups.depots) if depot in (None, d)]
    return np.asarray(number[np.ix_(rows, columns)].ravel())


def _threshold_row(
    fit: PolicyFit, events: pl.DataFrame, axle_type: str | None, depot: str | None, level: float
) -> Row:
    weight = np.zeros(fit.groups.n_groups)
    chosen = groups_where(fit.groups, axle_type, depot)
    weight[chosen] = np.maximum(fit.group_visits[chosen], 1e-6)
    mm, se = threshold_of(fit, weight)
    half = two_sided_z(level) * se
    seen = events
    if axle_type is not None:
        seen = seen.filter(pl.col("axle_type") == axle_type)
    if depot is not None:
        seen = seen.filter(pl.col("depot").fill_null(NOWHERE) == depot)
    return {
        "axle_type": axle_type,
        "depot": depot or None,
        "visits": int(fit.group_visits[chosen].sum()),
        "relines": int(seen["relines"].sum()),
        "threshold_mm": mm,
        "se_mm": se,
        "ci_low_mm": mm - half,
        "ci_high_mm": mm + half,
        **_read_before(seen),
    }


def _read_before(events: pl.DataFrame) -> dict[str, float | None]:
    """Readings before relines, weighted: quantiles in mm above the minimum."""
    read = events.drop_nulls("above_mm").sort("above_mm")
    values = np.repeat(read["above_mm"].to_numpy(), read["relines"].cast(pl.Int64).to_numpy())
    shares = {"p10": 0.1, "p50": 0.5, "p90": 0.9}
    return {
        f"relined_at_{name}_mm": float(np.quantile(values, q)) if len(values) else None
        for name, q in shares.items()
    }


def habit_facts(fit: PolicyFit, events: pl.DataFrame, decisions: AxleDecisions) -> pl.DataFrame:
    """What else the records say of the habit: fact, value, ci_low, ci_high (95 %; null where not
    estimated), n (relines behind it), note."""
    recorded = events.filter("recorded")
    n, told = int(events["relines"].sum()), int(recorded["relines"].sum())
    rows = [
        _plain("relines written down", told / n if n else None, n, "share of those that show"),
        _plain(
            "relined at a check visit",
            1.0 - fit.timing.later_share if told else None,
            told,
            "share done on the day of the visit",
        ),
        _plain("days after the visit, where later", _middle(fit.timing.later_days), told, "middle"),
        _estimated(fit, "pair", "other end of the axle goes along", n, "chance"),
        _estimated(fit, "unit", "unit's other axles go along", n, "chance"),
        _estimated(fit, "missed", "let go on above the minimum", n, "chance per visit, though due"),
        _estimated(fit, "missed_below", "let go on at the minimum", n, "chance per visit"),
        _estimated(fit, "premature", "relined for another reason", n, "chance per visit"),
        _plain("relines for another reason", _premature_share(fit, decisions), n, "share"),
        _plain("thickness where relines vary", float(np.exp(_of(fit, "log_spread"))), n, "mm, SD"),
        _plain("wheel ends read at a visit", fit.read_share, int(fit.visits), "share"),
        _plain("drum with a reline", _per(recorded, "drums", "relines"), told, "share"),
        _plain("cost of a reline on record", _per(recorded, "cost", "costed"), told, "mean"),
    ]
    return pl.DataFrame(rows, infer_schema_length=None, schema_overrides=_FACTS)


_FACTS = {"value": pl.Float64, "ci_low": pl.Float64, "ci_high": pl.Float64}


def _plain(fact: str, value: float | None, n: int, note: str) -> Row:
    return {"fact": fact, "value": value, "ci_low": None, "ci_high": None, "n": n, "note": note}


def _of(fit: PolicyFit, name: str) -> float:
    return float(fit.mean[len(fit.mean) - len(SHAPE) + SHAPE.index(name)])


def _estimated(fit: PolicyFit, name: str, fact: str, n: int, note: str) -> Row:
    """A chance with its 95 % limits, which keep to between 0 and 1."""
    place = len(fit.mean) - len(SHAPE) + SHAPE.index(name)
    half = 1.96 * float(np.sqrt(fit.covariance[place, place]))
    low, value, high = (float(special.expit(fit.mean[place] + d)) for d in (-half, 0.0, half))
    return {"fact": fact, "value": value, "ci_low": low, "ci_high": high, "n": n, "note": note}


def _premature_share(fit: PolicyFit, decisions: AxleDecisions) -> float | None:
    """Share of relines that something other than thickness called for."""
    if fit.relines == 0:
        return None
    ends = decisions.visits * (1.0 + decisions.has_high)
    expected = float(special.expit(_of(fit, "premature"))) * float(ends.sum())
    return min(expected / fit.relines, 1.0)


def _middle(days: FloatArray) -> float | None:
    return float(np.median(days)) if len(days) else None


def _per(events: pl.DataFrame, top: str, bottom: str) -> float | None:
    count = float(events[bottom].sum() or 0)
    return float(events[top].sum() or 0) / count if count else None
