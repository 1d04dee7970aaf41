"""Small tables drawn at random: headings, forms, units, dialects and decoys, and what they mean."""

import datetime as dt
from dataclasses import dataclass, field

import numpy as np
from babel.dates import get_month_names

from pipeline.mapping.words import CONCEPTS

SIDES = (
    *(("L", "R"), ("LH", "RH"), ("left", "right"), ("links", "rechts"), ("gauche", "droite")),
    *(("lewa", "prawa"), ("izquierda", "derecha"), ("G", "D"), ("S", "D"), ("L", "P")),
    *(("N/S", "O/S"), ("nearside", "offside"), ("vänster", "höger"), ("левая", "правая")),
)
AXLES = (
    "axle {}",
    "Axle {}",
    "ax {}",
    "Achse {}",
    "essieu {}",
    "{}",
    "{}. Achse",
    "oś {}",
    "eje {}",
)
LENGTHS = {"mm": 1.0, "in": 25.4, "cm": 10.0, "32nds": 25.4 / 32}
DISTANCES = {"km": 1.0, "mi": 1.609344}
UNIT_WORDS = {
    "mm": ("mm", "(mm)", "[mm]", "in mm"), "in": ("in", "(in)", '(")', "inches", "Zoll"),
    "cm": ("cm", "(cm)"), "32nds": ("32nds", "(1/32)", "(32nds)"),
    "km": ("km", "(km)"), "mi": ("miles", "(mi)"),
}  # fmt: skip
# Headings like those that are wanted, which mean something else.
DECOYS = (
    *("next lining mm", "lining at last reline (mm)", "min. lining allowed mm", "inner lining mm"),
    *("target stroke mm", "km since reline", "trip km", "last odometer", "odometer at fitting km"),
    *("Date of next inspection", "date printed", "tyre depth mm", "drum wear mm", "pad mm left"),
    *("lining % left", "Belag neu bestellt", "Restlaufzeit km", "brake temp left", "linings used"),
    *("spare odometer", "lining supplier", "stroke limit mm", "hub odometer", "ADR lining mm"),
)
UNITS = tuple(f"T{n}" for n in range(101, 107))


@dataclass(frozen=True)
class Drawn:
    """A table as text, what each wheel end's row means, and the answers to what may be asked.

    ``truth``: (unit, axle, side, day) → odometer km and lining mm (None: not read).
    """

    rows: list[list[str]]
    truth: dict[tuple[str, int, str, dt.date], tuple[float, float | None]] = field(
        default_factory=dict
    )
    answers: dict[str, object] = field(default_factory=dict)


def phrase(rng: np.random.Generator, concept: str) -> str:
    phrases = [p.strip() for p in " ".join(CONCEPTS[concept].split()).split(",")]
    return str(rng.choice(phrases))


def drawn_table(rng: np.random.Generator) -> Drawn:
    """An inspections table of some form, with its truth."""
    near = str(rng.choice(["L", "R"]))
    pair = SIDES[rng.integers(len(SIDES))]
    length, distance = str(rng.choice(list(LENGTHS))), str(rng.choice(list(DISTANCES)))
    odometer = phrase(rng, "odometer")
    if any(word in odometer for word in ("kilo", "quilo", "chilo", "km")):
        distance = "km"  # its word says so
    style = _Style(rng, length, distance)
    shape = str(rng.choice(["wheel end", "axle", "visit"]))
    places = {"wheel end": [(0, "")], "axle": [(0, "L"), (0, "R")],
              "visit": [(a, s) for a in (1, 2) for s in "LR"]}[shape]  # fmt: skip
    words = _side_words(pair, near)
    lining, bare = phrase(rng, "lining"), str(rng.choice(AXLES))
    heads = [phrase(rng, "unit_id"), phrase(rng, "date"), odometer]
    heads[2] += style.unit_behind(distance)
    heads += {"wheel end": [phrase(rng, "axle_no"), phrase(rng, "side")],
              "axle": [phrase(rng, "axle_no")], "visit": []}[shape]  # fmt: skip
    heads += [_placed(rng, lining, a, words.get(s, ""), bare) + style.unit_behind(length)
              for a, s in places]  # fmt: skip
    decoys = [str(d) for d in rng.choice(DECOYS, rng.integers(0, 4), replace=False)]
    found = Drawn([heads + decoys], answers={
        "day_first": style.day_first, "decimal_comma": style.comma, "near_side": near,
        "length": length, "distance": distance, "stroke": "free", "rear_axle": 2,
    })  # fmt: skip
    for _ in range(int(rng.integers(6, 16))):
        _draw_visit(rng, found, style, shape, places, words, len(decoys))
    order = rng.permutation(len(found.rows[0]))
    found.rows[:] = [[row[i] for i in order] for row in found.rows]
    return found


def _side_words(pair: tuple[str, str], near: str) -> dict[str, str]:
    if pair[0] in {"N/S", "nearside"} and near == "R":
        pair = pair[::-1]
    return dict(zip("LR", pair, strict=True))


def _placed(rng: np.random.Generator, lining: str, axle: int, side: str, bare: str) -> str:
    if not side:
        return lining
    where = f"{bare.format(axle)} {side}".strip() if axle else side
    where = f"{axle}{side}" if axle and bare == "{}" else where
    return f"{where} {lining}" if rng.random() < 0.5 and len(side) > 0 else f"{where} - {lining}"


class _Style:
    """How one file writes numbers, units and days."""

    def __init__(self, rng: np.random.Generator, length: str, distance: str) -> None:
        self.rng, self.length, self.distance = rng, length, distance
        self.comma = bool(rng.random() < 0.5)
        self.group = str(rng.choice(["", " ", "."] if self.comma else ["", " ", ",", "'"]))
        self.units_in = str(rng.choice(["heading", "cells", "nowhere"]))
        self.dates = str(rng.choice(["iso", "dmy", "mdy", "name", "serial", "dmy2"]))
        self.day_first = self.dates != "mdy"
        self.language = str(rng.choice(["en", "de", "fr", "pl", "es", "cs"]))
        self.fractions = bool(rng.random() < 0.4)

    def unit_behind(self, unit: str) -> str:
        if self.units_in != "heading":
            return ""
        return " " + str(self.rng.choice(UNIT_WORDS[unit]))

    def number(self, value: float, decimals: int, unit: str) -> str:
        text = f"{value:,.{decimals}f}"
        mark = "," if self.comma else "."
        text = text.replace(",", "\0").replace(".", mark).replace("\0", self.group)
        behind = {"32nds": " 32nds"}.get(unit, f" {unit}")
        return text + behind if self.units_in == "cells" else text

    def lining(self, mm: float) -> tuple[str, float]:
        """A reading as written, and what that is in mm."""
        factor = LENGTHS[self.length]
        if self.length == "in" and self.fractions:
            sixteenths = round(mm / 25.4 * 16)
            whole, rest = divmod(sixteenths, 16)
            parts = [str(whole)] * (whole > 0) + [f"{rest}/16"] * (rest > 0)
            return " ".join(parts or ["0"]) + '"', sixteenths / 16 * 25.4
        decimals = {"mm": 1, "cm": 2, "in": 3, "32nds": 0}[self.length]
        shown = round(mm / factor, decimals)
        return self.number(shown, decimals, self.length), shown * factor

    def odometer(self, km: float) -> tuple[str, float]:
        shown = round(km / DISTANCES[self.distance])
        return self.number(shown, 0, self.distance), shown * DISTANCES[self.distance]

    def day(self, day: dt.date) -> str:
        match self.dates:
            case "iso":
                return day.isoformat()
            case "dmy":
                return f"{day.day:02d}.{day.month:02d}.{day.year}"
            case "dmy2":
                return f"{day.day}/{day.month}/{day.year % 100:02d}"
            case "mdy":
                return f"{day.month}/{day.day}/{day.year}"
            case "serial":
                return str((day - dt.date(1899, 12, 30)).days)
        name = get_month_names("abbreviated", "format", self.language)[day.month]
        return f"{day.day:02d}-{name.strip('.')}-{day.year % 100:02d}"


def _draw_visit(
    rng: np.random.Generator,
    found: Drawn,
    style: _Style,
    shape: str,
    places: list[tuple[int, str]],
    words: dict[str, str],
    decoys: int,
) -> None:
    unit = str(rng.choice(UNITS))
    day = dt.date(2022, 1, 1) + dt.timedelta(days=int(rng.integers(0, 1200)))
    km_text, km = style.odometer(float(rng.integers(20_000, 900_000)))
    for axle in (1, 2) if shape != "visit" else (0,):
        for side in "LR" if shape == "wheel end" else [""]:
            row = [unit, style.day(day), km_text]
            row += [str(axle)] if axle else []
            row += [words[side]] if side else []
            for a, s in places:
                mm = float(rng.uniform(4, 19))
                text, read = style.lining(mm)
                key = (unit, a or axle, s or side, day)
                if key in found.truth:
                    return
                empty = rng.random() < 0.1
                row.append("" if empty else text)
                found.truth[key] = (km, None if empty else read)
            row += [style.number(float(rng.uniform(3, 30)), 1, "mm") for _ in range(decoys)]
            found.rows.append(row)
