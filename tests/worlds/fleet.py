"""A fleet that has been lived: its records, and the truth about it."""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl

from tests.worlds.care import Care, drawn_care
from tests.worlds.luck import Luck, Turn
from tests.worlds.roads import NEVER, YEAR, Roads, drawn_roads, visit_days
from tests.worlds.workshop import (
    Ends,
    Workshop,
    drawn_ends,
    first_day,
    lining_mm,
    room_mm,
    stroke_mm,
    worked,
)
from tests.worlds.world import World

ENDS_ON = dt.date(2026, 8, 31)
"""Last day on record."""


@dataclass(frozen=True)
class Episodes:
    """What holds from a day on, wheel end by wheel end, until the next entry."""

    columns: dict[str, np.ndarray]

    @classmethod
    def of(cls, columns: dict[str, np.ndarray]) -> "Episodes":
        order = np.lexsort((np.arange(len(columns["day"])), columns["day"], columns["end"]))
        return cls({name: values[order] for name, values in columns.items()})

    def at(self, day: float, ends: np.ndarray) -> dict[str, np.ndarray]:
        """The entry in force at the end of ``day``; a wheel end's first where it comes later."""
        step = 1e6
        key = self.columns["end"] * step + self.columns["day"]
        place = np.searchsorted(key, ends * step + day, side="right") - 1
        place = np.maximum(place, np.searchsorted(self.columns["end"], ends))
        return {name: values[place] for name, values in self.columns.items()}


@dataclass(frozen=True)
class Fleet:
    """``records``: first and last day on record, counted from the first day lived.

    Days of the truth are dates; a wheel end's arrays are in the order of ``wheel_end_ids``.
    """

    world: World
    roads: Roads
    ends: Ends
    records: tuple[int, int]
    visits: np.ndarray
    lives: Episodes
    fittings: Episodes
    settings: Episodes
    checks: dict[str, np.ndarray]
    relined: dict[str, np.ndarray]
    faults: dict[str, np.ndarray]
    care: Care | None = None

    def date(self, day: float) -> dt.date:
        return ENDS_ON + dt.timedelta(days=int(day) - self.records[1])

    def day(self, date: dt.date) -> int:
        return (date - ENDS_ON).days + self.records[1]

    @property
    def wheel_end_ids(self) -> list[str]:
        parts = zip(self.ends.unit, self.ends.axle_no, self.ends.is_left, strict=True)
        return [f"{unit_id(u)}/{a}{'L' if left else 'R'}" for u, a, left in parts]

    def registered(self, on: dt.date) -> np.ndarray:
        """Whether each wheel end has joined the fleet by then; who left stays registered."""
        return np.asarray(self.roads.joins[self.ends.unit] <= self.day(on))

    def there(self, on: dt.date) -> np.ndarray:
        """Whether the unit of each wheel end has joined by then and not left for good."""
        left = self.roads.leaves[self.ends.unit] <= self.day(on)
        return np.asarray(self.registered(on) & ~left)

    def lining_mm(self, on: dt.date) -> np.ndarray:
        """True lining of every wheel end at the end of a day."""
        day, every = self.day(on), np.arange(len(self.ends))
        life = self.lives.at(day, every)
        start = np.minimum(life["day"], day)
        worn = life["rate"] * (self._wear(every, day) - self._wear(every, start))
        return lining_mm(self.world, self.ends, every, life["mm"], worn)

    def stroke_mm(self, on: dt.date) -> np.ndarray:
        """True free stroke of every wheel end at the end of a day."""
        day, every = self.day(on), np.arange(len(self.ends))
        setting, fitting = self.settings.at(day, every), self.fittings.at(day, every)
        rate = self.lives.at(day, every)["rate"]
        slack_on = np.minimum(np.maximum(fitting["fails_on"], setting["day"]), day)
        slack = rate * (self._wear(every, day) - self._wear(every, slack_on))
        return stroke_mm(self.ends, every, setting["ratio"], slack)

    def _wear(self, ends: np.ndarray, day: np.ndarray | float) -> np.ndarray:
        return self.roads.wear[self.ends.unit[ends], np.asarray(day, int)]

    def days_to_minimum(self, on: dt.date) -> np.ndarray:
        """Days after ``on`` until the lining then in place is at its minimum, were it left in; not
        positive where it is already, infinite where its unit never runs so far."""
        every = np.arange(len(self.ends))
        life = self.lives.at(self.day(on), every)
        room = room_mm(self.world, self.ends, life["mm"]) / life["rate"]
        level = self._wear(every, np.minimum(life["day"], self.roads.days - 1)) + room
        return first_day(self.roads.wear, self.ends.unit, level) - self.day(on)

    def days_to_reline(self, after: dt.date) -> np.ndarray:
        """Days until each wheel end's first reline after a day, on record or not; or infinite."""
        first = np.full(len(self.ends), NEVER)
        later = self.relined["day"] > self.day(after)
        np.minimum.at(first, self.relined["end"][later], self.relined["day"][later])
        return first - self.day(after)

    def relines(self) -> pl.DataFrame:
        """wheel_end_id, relined_on, written."""
        return self._dated(self.relined, "relined_on").select(
            "wheel_end_id", "relined_on", "written"
        )

    def adjuster_failures(self) -> pl.DataFrame:
        """wheel_end_id, failed_on: every adjuster that failed while its wheel end carried it."""
        told = self.fittings.columns
        until = np.where(np.diff(told["end"], append=-1) == 0, np.append(told["day"][1:], 0), NEVER)
        failed = (told["fails_on"] <= until) & np.isfinite(told["fails_on"])
        columns = {"end": told["end"][failed], "day": told["fails_on"][failed]}
        return self._dated(columns, "failed_on").select("wheel_end_id", "failed_on")

    def failures_found(self) -> pl.DataFrame:
        """wheel_end_id, found_on: every check that found a failed adjuster and replaced it."""
        replaced = self.faults["replaced"]
        columns = {name: self.faults[name][replaced] for name in ("end", "day")}
        return self._dated(columns, "found_on").select("wheel_end_id", "found_on")

    def _dated(self, columns: dict[str, np.ndarray], name: str) -> pl.DataFrame:
        ids = np.array(self.wheel_end_ids)[columns["end"]]
        days = {name: [self.date(d) for d in columns["day"]], "wheel_end_id": ids}
        return pl.DataFrame(columns | days).sort("wheel_end_id", name)


def unit_id(unit: int) -> str:
    return f"B{unit + 1:04d}"


def lived(
    world: World,
    seed: int,
    turn: tuple[dt.date, int] | None = None,
    staying: dt.date | None = None,
) -> Fleet:
    """Draw a fleet and live it; from a day on, another future of it (``turn``: day, seed). With
    ``staying``, what would come if no unit left after that day: all else is as it would be."""
    records = (round(world.years_before * YEAR), round((world.years_before + world.years) * YEAR))
    day = (turn[0] - ENDS_ON).days + records[1] if turn else 0
    luck = Luck(seed, Turn(day, turn[1]) if turn else None)
    if staying and (world.cap_open or world.overdue):
        raise ValueError("care is drawn by visits: with more of them it would not be the same")
    last = NEVER if staying is None else (staying - ENDS_ON).days + records[1]
    roads = drawn_roads(world, records, luck, last)
    ends = drawn_ends(world, len(roads.depot), luck)
    visits = visit_days(world, roads, luck)
    care = drawn_care(world, roads, ends.unit, visits, luck)
    shop = worked(Workshop(world, roads, ends, sum(records) // 2, luck, care), visits)
    return Fleet(
        world=world,
        roads=roads,
        ends=ends,
        records=records,
        visits=visits,
        lives=Episodes.of(shop.lives.columns()),
        fittings=Episodes.of(shop.fittings.columns()),
        settings=Episodes.of(shop.settings.columns()),
        checks=shop.checks.columns(),
        relined=shop.relines.columns(),
        faults=shop.faults.columns(),
        care=care,
    )
