"""Simulation-based calibration: where the truth falls in what was said of it, over fleets drawn
anew.

Run ``python -m tests.bench.bench_calibration OUT.svg [fleets]``. In every world fleets are drawn,
reduced by the project's SQL and fitted; the share of each published distribution that lies below
the truth is then even on 0 to 1 where uncertainty is as stated (Talts, Betancourt, Simpson,
Vehtari, Gelman 2018, arXiv 1804.06788; for frequentist limits, the probability integral
transform). A hump says too wide, a bowl too narrow, a slope biased. The picture shows all as
histograms.
"""

import sys
from dataclasses import replace
from pathlib import Path

import altair as alt
import numpy as np
import polars as pl
from scipy import stats

from models.lives.fits.distributions import LifeDistribution
from models.lives.fits.parametric import LifeFit, fit_life
from models.wear.duty_ratios import compare_duties
from models.wear.fit import fit_wear
from models.wear.predict import lining_lines, predict_lining
from tests.bench.bench_life_units import AGES, draw_lives, nearest_law
from tests.bench.bench_wear_fleet import AXLES, DUTIES, FleetTruth, draw_fleet, sums_of

WIDE = np.array([[1.2, 0.5, 0.2], [0.9, 0.4, 0.15]])
PROPORTIONAL = FleetTruth(rates=WIDE, unit_sd=0.08, unit_power=1.0, life_power=1.0)
WORLDS = {
    "spread alike everywhere": FleetTruth(),
    "spread in proportion": PROPORTIONAL,
    "units in proportion only": replace(PROPORTIONAL, life_power=0.0),
    "units differ by duty": FleetTruth(unit_sd=0.04, unit_duty_sd=0.06),
    "all starts unknown": FleetTruth(unknown_share=1.0),
    "few checks": FleetTruth(checks=6),
}
FRAILTIES = {"adjusters stand alone": 0.0, "frailty 0.3": 0.3, "frailty 0.6": 0.6}
UNITS = 60
BINS = 10

Shares = dict[str, list[float]]


def _below(value: float, estimate: float, low: float, high: float, df: float) -> float:
    """Share of a published figure's distribution below a value, its limits read as t's on the
    logarithm."""
    half = np.log(high / estimate) if value > estimate else np.log(estimate / low)
    return float(stats.t.cdf(np.log(value / estimate) / half * stats.t.ppf(0.975, df), df))


def wear_shares(seed: int, truth: FleetTruth) -> Shares:
    fleet = draw_fleet(seed, UNITS, truth)
    sums = sums_of(fleet)
    fit = fit_wear(sums)
    true = {(a, d): truth.rates[i, j] for i, a in enumerate(AXLES) for j, d in enumerate(DUTIES)}
    rates = [
        _below(true[r.axle_type, r.duty], r.mm_per_10000km, r.ci_low, r.ci_high, r.df)
        for r in fit.rates
        if r.ci_low > 0.0
    ]
    ratios = [
        _below(
            true[q.axle_type, q.duty_a] / true[q.axle_type, q.duty_b],
            q.ratio,
            q.ci_low,
            q.ci_high,
            q.df,
        )
        for q in compare_duties(fit).ratios
        if q.ci_low is not None and q.ci_high is not None and q.ci_low > 0.0
    ]
    lines = lining_lines(fit, sums)
    lives = pl.DataFrame({"life_id": lines.life_id}).join(
        fleet.lines, on="life_id", how="left", maintain_order="left"
    )
    now = predict_lining(lines, np.zeros((len(DUTIES), lines.n_lives)))
    z = (lives["true_mm"].to_numpy() - now.mean_mm) / now.sd_mm
    sd = fit.components.residual_sd or np.nan
    noise = np.hypot(truth.residual_sd, truth.round_to_mm / np.sqrt(12.0))
    told = stats.norm.cdf((noise - sd) / (fit.components.residual_sd_se or np.nan))
    return {
        "wear rate": rates,
        "ratio of duties": ratios,
        "lining now": stats.norm.cdf(z[::10]).tolist(),
        "reading error": [float(told)],
    }


def life_shares(seed: int, variance: float, truth: LifeFit) -> Shares:
    drawn = draw_lives(np.random.default_rng(seed), UNITS, variance)
    fit = fit_life(drawn.counts, "weibull", drawn.lives)
    assert isinstance(fit, LifeFit)
    law = fit.distribution.law

    def told(quantity) -> float:
        """The quantity's logarithm to first order in (log scale, log sigma)."""
        step, at = 1e-4, quantity(fit.distribution)
        slope = [
            (quantity(LifeDistribution(law, *(fit.theta + step * axis))) - at) / step
            for axis in np.eye(2)
        ]
        se = float(np.sqrt(np.array(slope) @ fit.covariance @ np.array(slope)))
        return float(stats.t.cdf((quantity(truth.distribution) - at) / se, fit.units - 1.0))

    survival = {
        f"good at {age / 1000:.0f},000 km": [
            told(lambda d, a=age: float(np.log(-np.log(d.survival(np.array([a]))[0]))))
        ]
        for age in AGES
    }
    # A larger survival is a smaller cumulated hazard.
    survival = {name: [1.0 - share for share in shares] for name, shares in survival.items()}
    return {
        "shape": [told(lambda d: -d.log_sigma)],
        "scale": [told(lambda d: d.mu)],
        "B10": [told(lambda d: float(np.log(d.quantile(0.1))))],
        **survival,
    }


def gathered(fleets: int) -> pl.DataFrame:
    """``world``, ``quantity`` and the share below the truth, one row per figure and fleet."""
    rows = []
    for world, truth in WORLDS.items():
        rows += [
            (world, q, s)
            for i in range(fleets)
            for q, p in wear_shares(i, truth).items()
            for s in p
        ]
    for world, variance in FRAILTIES.items():
        near = nearest_law(variance)
        parts = [life_shares(i, variance, near) for i in range(fleets)]
        rows += [(world, q, s) for part in parts for q, p in part.items() for s in p]
    return pl.DataFrame(rows, schema=["world", "quantity", "share"], orient="row")


def picture(shares: pl.DataFrame) -> alt.VConcatChart:
    """Histograms by world and quantity, with the height that even shares would have."""
    panels = []
    for worlds in (list(WORLDS), list(FRAILTIES)):
        part = shares.filter(pl.col("world").is_in(worlds))
        binned = (
            part.with_columns(bin=(pl.col("share") * BINS).floor().clip(0, BINS - 1) / BINS)
            .group_by("world", "quantity", "bin")
            .len("n")
            .with_columns(density=pl.col("n") * BINS / pl.col("n").sum().over("world", "quantity"))
        )
        bars = (
            alt.Chart(binned)
            .mark_bar(color="#777", clip=True)
            .encode(
                x=alt.X("bin:Q", bin="binned", title=None, axis=alt.Axis(values=[0, 0.5, 1])),
                x2=alt.X2("bin_end:Q"),
                y=alt.Y("density:Q", title=None, scale=alt.Scale(domain=[0, 2])),
            )
        )
        even = alt.Chart(binned).mark_rule(strokeDash=[4, 3]).encode(y=alt.datum(1.0))
        panels.append(
            alt.layer(bars, even)
            .transform_calculate(bin_end=f"datum.bin + {1 / BINS}")
            .properties(width=90, height=60)
            .facet(
                row=alt.Row(
                    "world:N",
                    title=None,
                    sort=worlds,
                    header=alt.Header(labelAngle=0, labelAlign="left", labelLimit=180),
                ),
                column=alt.Column("quantity:N", title=None),
            )
        )
    title = "Share of what was said below the truth: even (dashed) where as sure as it says"
    return alt.vconcat(*panels).properties(title=title)


def main() -> None:
    """Draw, fit, save the picture, and print the share of truths within 95 % by quantity."""
    out, fleets = Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 200
    shares = gathered(fleets)
    picture(shares).save(out)
    inside = shares.group_by("world", "quantity", maintain_order=True).agg(
        n=pl.len(),
        inside_95=((pl.col("share") > 0.025) & (pl.col("share") < 0.975)).mean(),
        inside_80=((pl.col("share") > 0.1) & (pl.col("share") < 0.9)).mean(),
    )
    with pl.Config(tbl_rows=100, tbl_hide_dataframe_shape=True):
        print(inside)


if __name__ == "__main__":
    main()
