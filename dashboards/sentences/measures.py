"""Lengths, distances and money in the units of the fleet."""

import re
from dataclasses import dataclass

import polars as pl

from dashboards.page_data import Fleet
from dashboards.sentences.words import figures, number, span, with_interval

MM_PER_INCH = 25.4  # exact, by definition (1959)
KM_PER_MILE = 1.609344  # exact, by definition (1959)


@dataclass(frozen=True, slots=True)
class Measures:
    """Turns the warehouse's mm and km into what the fleet reads, and names the units."""

    fleet: Fleet

    @property
    def length_unit(self) -> str:
        return self.fleet.length_unit

    @property
    def distance_unit(self) -> str:
        return self.fleet.distance_unit

    @property
    def currency(self) -> str:
        return self.fleet.currency or "cost units"

    @property
    def rate_unit(self) -> str:
        return f"{self.length_unit} per 10\u202f000 {self.distance_unit}"

    @property
    def per_mm(self) -> float:
        """Fleet's units in one mm."""
        return 1.0 if self.length_unit == "mm" else 1 / MM_PER_INCH

    @property
    def per_km(self) -> float:
        return 1.0 if self.distance_unit == "km" else 1 / KM_PER_MILE

    @property
    def per_rate(self) -> float:
        return self.per_mm / self.per_km

    def scaled(self, frame: pl.DataFrame, factor: float, *columns: str) -> pl.DataFrame:
        return frame.with_columns(pl.col(c) * factor for c in columns if c in frame.columns)

    def length(self, value_mm: float | None) -> str:
        digits = 1 if self.length_unit == "mm" else 2
        return f"{number(_times(value_mm, self.per_mm), digits)}\u00a0{self.length_unit}"

    def length_interval(self, value_mm: float, low_mm: float, high_mm: float) -> str:
        factor = self.per_mm
        return with_interval(value_mm * factor, low_mm * factor, high_mm * factor, self.length_unit)

    def distance(self, value_km: float | None) -> str:
        return f"{figures(_times(value_km, self.per_km))}\u00a0{self.distance_unit}"

    def rate(self, value: float | None) -> str:
        return figures(_times(value, self.per_rate))

    def rate_interval(self, value: float, low: float, high: float) -> str:
        """A wear rate and its interval, without its unit."""
        factor = self.per_rate
        return with_interval(value * factor, low * factor, high * factor)

    def distance_interval(self, value_km: float, low_km: float, high_km: float) -> str:
        factor = self.per_km
        return with_interval(
            value_km * factor, low_km * factor, high_km * factor, self.distance_unit
        )

    def sentence(self, text: str) -> str:
        r"""A sentence made elsewhere, in km, with its distances in the fleet's unit.

        >>> Measures(Fleet(distance_unit="mi")).sentence("12 adjusters over 1,609,344 km")
        '12 adjusters over 1,000,000 mi'
        """
        if self.distance_unit == "km":
            return text

        def turned(found: re.Match[str]) -> str:
            return f"{float(found[1].replace(',', '')) * self.per_km:,.0f}{found[2]}mi"

        return re.sub(r"(\d[\d,]*)([ \u00a0])km\b", turned, text)

    def money(self, value: float | None) -> str:
        return f"{figures(value, 3)}\u00a0{self.currency}"

    def money_span(self, low: float | None, high: float | None) -> str:
        return span(figures(low, 3), figures(high, 3), self.currency)


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor
