"""A session with the warehouse: the chart of wear rates, drawn again from its marts.

Cells are marked ``# %%`` for editors that run them one by one. As a whole:
``python -m sample_lake.notebook OUT/drumline.duckdb wear.svg``.
"""

# %% What a session needs: the warehouse, and something to draw with.
import sys
from pathlib import Path

import altair as alt
import duckdb
import polars as pl
from statsmodels.regression.linear_model import OLS


# %% The rates, with their intervals and what is behind them.
def wear_rates(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """One row per axle type and duty: ``group``, the rate and its 95 % interval, ``lives``."""
    rates: pl.DataFrame = con.sql(
        """select axle_type || ', ' || duty as "group", axle_type, duty, mm_per_10000km,
            ci_low, ci_high, lives, readings
        from mart.wear_rates order by axle_type, duty"""
    ).pl()
    return rates


# %% The simplest thing that could be done with the same readings.
def plain_slopes(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """``plain``, ``plain_low``, ``plain_high``: the slope of lining on km, each life about its own
    mean, by least squares; its 95 % interval lets readings of one unit be related (clustered).

    Lives that changed duty count under the duty of each reading; one unit alone has no interval.
    """
    centred = con.sql(
        """select axle_type, duty, unit_id,
            km_since_reline / 1e4 - avg(km_since_reline / 1e4) over life as x,
            lining_mm - avg(lining_mm) over life as y
        from mart.lining_readings
        window life as (partition by life_id, duty)
        order by axle_type, duty, life_id, inspected_on"""
    ).pl()
    groups = centred.group_by("axle_type", "duty", maintain_order=True)
    rows = [(*key, *_slope(group)) for key, group in groups if (group["x"] != 0).any()]
    names = ["axle_type", "duty", "plain", "plain_low", "plain_high"]
    return pl.DataFrame(rows, schema=names, orient="row")


def _slope(group: pl.DataFrame) -> tuple[float, float | None, float | None]:
    unit = group["unit_id"].rank("dense").to_numpy()
    line = OLS(-group["y"].to_numpy(), group["x"].to_numpy())
    if group["unit_id"].n_unique() < 2:
        return float(line.fit().params[0]), None, None
    fit = line.fit(cov_type="cluster", cov_kwds={"groups": unit}, use_t=True)
    low, high = map(float, fit.conf_int()[0])
    return float(fit.params[0]), low, high


# %% The chart: points are estimates, bars their intervals, ticks the plain slopes.
def wear_chart(rates: pl.DataFrame) -> alt.LayerChart:
    """``group``, ``mm_per_10000km``, ``ci_low``, ``ci_high`` and ``plain``."""
    base = alt.Chart(rates).encode(y=alt.Y("group:N", title=None, sort=None))
    title = "Lining wear, mm per 10 000 km"
    bars = base.mark_bar(height=8, color="#a8cfd1").encode(
        x=alt.X("ci_low:Q", title=title), x2="ci_high:Q"
    )
    points = base.mark_point(filled=True, color="#0c5460", size=60).encode(x="mm_per_10000km:Q")
    plain = base.mark_tick(color="#a83f16", thickness=2).encode(x="plain:Q")
    return alt.LayerChart(layer=[bars, points, plain], width=520, title=_conclusion(rates))


def _conclusion(rates: pl.DataFrame) -> str:
    fastest = rates.sort("mm_per_10000km", descending=True).row(0, named=True)
    return (
        f"{fastest['group']} wears fastest: {fastest['mm_per_10000km']:.2f} mm per 10 000 km "
        f"({fastest['ci_low']:.2f} to {fastest['ci_high']:.2f})"
    )


# %% All of it.
def main(warehouse: Path, picture: Path) -> pl.DataFrame:
    """Draw the chart into ``picture``; returns the numbers behind it."""
    with duckdb.connect(str(warehouse), read_only=True) as con:
        both = wear_rates(con).join(plain_slopes(con), on=["axle_type", "duty"], how="left")
    wear_chart(both).save(picture)
    return both


if __name__ == "__main__":
    print(main(Path(sys.argv[1]), Path(sys.argv[2])))
