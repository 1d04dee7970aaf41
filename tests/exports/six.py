"""Six exports of one fleet, each in a form of its own and with its own dirt."""

import datetime as dt
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import polars as pl

from tests.exports.fleet import (
    Export,
    Rows,
    delimited,
    drawn,
    grouped,
    jobs,
    readings,
    register,
    workbook,
    written,
)

POSITIONS = [f"{axle}{side}" for axle in (1, 2, 3) for side in "LR"]
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
MM_PER_INCH = 25.4
KM_PER_MILE = 1.609344


def short_day(day: dt.date) -> str:
    """09-Jan-23."""
    return f"{day.day:02d}-{MONTHS[day.month - 1]}-{day.year % 100:02d}"


def serial(day: dt.date) -> int:
    """A workbook's own count of days: 1 is the first of January 1900, with one day too many."""
    return (day - dt.date(1899, 12, 30)).days


def visits(folder: Path) -> Export:
    """A workbook: a row a visit and a column a position; titles above; jobs on another sheet."""
    read, done, listed = readings("lining_mm", "free_stroke_mm"), jobs("reason"), register("depot")

    def write(own: Path) -> None:
        headings = ["Fleet no", "Date", "Odometer (km)"]
        headings += [f"{at} {what}" for at in POSITIONS for what in ("lining mm", "stroke mm")]
        rows = [["Brake checks, all workshops"], ["printed by the office"], [], headings]
        rows += [_visit(unit, day, of) for (unit, day), of in _visits_of(read)]
        job_rows = [["Fleet no", "Date done", "Km reading", "Axle", "Side", "Job", "Reason"]]
        job_rows += [[u, d, km, a, s, j, r] for u, a, s, d, km, j, r in done.rows()]
        list_rows = [["Fleet no", "Axle", "Side", "Axle type", "Arm length (mm)", "Depot"]]
        list_rows += [list(row) for row in listed.rows()]
        sheets = {"Checks": rows, "Jobs": job_rows, "Wheel ends": list_rows}
        workbook(own / "brake book.xlsx", sheets)

    tables = {"register": listed, "inspections": read, "work": done}
    return written("visits", folder, tables, write)


def _visits_of(read: pl.DataFrame) -> Iterator[tuple[tuple[str, dt.date], pl.DataFrame]]:
    for (unit, day), of in read.group_by("unit_id", "inspected_on", maintain_order=True):
        assert isinstance(day, dt.date)
        yield (str(unit), day), of


def _visit(unit: str, day: dt.date, of: pl.DataFrame) -> list[object]:
    by = {f"{r['axle_no']}{r['side']}": r for r in of.to_dicts()}
    cells = [
        by.get(at, {}).get(name) for at in POSITIONS for name in ("lining_mm", "free_stroke_mm")
    ]
    return [unit, day, of["odometer_km"][0], *cells]


def axles(folder: Path) -> Export:
    """A row an axle, near and off side, inches as fractions and miles, month first."""
    read = readings("lining_mm", "return_test").with_columns(
        lining_mm=(pl.col("lining_mm") / MM_PER_INCH * 32).round(0) / 32 * MM_PER_INCH,
        odometer_km=(pl.col("odometer_km") / KM_PER_MILE).round(0) * KM_PER_MILE,
    )
    read = read.filter(pl.col("lining_mm").is_not_null())
    listed = register()

    def write(own: Path) -> None:
        head = ["Unit #", "Insp. date", "Odometer (mi)", "Axle", "N/S lining (in)"]
        rows: list[list[object]] = [
            [*head, "O/S lining (in)", "N/S return test", "O/S return test"]
        ]
        for (unit, day), of in _visits_of(read):
            for (axle,), ends in of.group_by("axle_no", maintain_order=True):
                by = {r["side"]: r for r in ends.to_dicts()}
                sides = [by.get(s, {}) for s in "RL"]  # where traffic keeps right
                odometer = round(of["odometer_km"][0] / KM_PER_MILE)
                cells = [unit, f"{day.month}/{day.day}/{day.year}", grouped(odometer, ","), axle]
                cells += [_fraction(e.get("lining_mm")) for e in sides]
                cells += [
                    {"pass": "OK", "fail": "FAIL"}.get(e.get("return_test"), "") for e in sides
                ]
                rows.append(cells)
        delimited(own / "export" / "pm_inspections.csv", rows)
        lines: list[list[object]] = [["Unit #", "Axle", "Axle type", "Slack arm length (in)"]]
        once = listed.unique(["unit_id", "axle_no"], maintain_order=True)
        lines += [[r[0], r[1], r[3], f"{r[4] / MM_PER_INCH:.6f}"] for r in once.rows()]
        delimited(own / "export" / "axles.csv", lines, "\t")

    tables = {"register": listed, "inspections": read}
    return written("axles", folder, tables, write)


def _fraction(mm: float | None) -> str:
    """9/16", or 1 1/32"."""
    if mm is None:
        return ""
    whole, rest = divmod(Fraction(round(mm / MM_PER_INCH * 32), 32), 1)
    return " ".join(str(part) for part in (whole, rest) if part) + '"'


LANGUAGES = (
    # encoding, delimiter, headings, left and right, pass and fail, aligned or not, decimal mark
    ("cp1252", ";", ("Fahrzeug", "Achse", "Seite", "Prüfdatum", "km-Stand", "Belagstärke (mm)",
     "Leerhub (mm)", "Rückstellprüfung", "Markierung fluchtet"), ("links", "rechts"),
     ("i.O.", "n.i.O."), ("ja", "nein"), ","),
    ("utf-16", "\t", ("Véhicule", "Essieu", "Côté", "Date de contrôle", "Kilométrage",
     "Épaisseur garniture (mm)", "Course libre (mm)", "Essai de retour", "Repères alignés"),
     ("gauche", "droite"), ("conforme", "non conforme"), ("oui", "non"), ","),
    ("cp1250", ";", ("Pojazd", "Oś", "Strona", "Data przeglądu", "Przebieg (km)",
     "Grubość okładziny (mm)", "Skok swobodny (mm)", "Próba powrotu", "Znaki zgodne"),
     ("lewa", "prawa"), ("dobry", "zły"), ("tak", "nie"), ","),
)  # fmt: skip


def languages(folder: Path) -> Export:
    """Three depots, three languages, three encodings; headings and words of each."""
    read = readings("lining_mm", "free_stroke_mm", "return_test", "marks_aligned")
    listed = register()
    units = read["unit_id"].unique(maintain_order=True).to_list()

    def write(own: Path) -> None:
        for no, language in enumerate(LANGUAGES):
            mine = read.filter(pl.col("unit_id").is_in(units[no::3]))
            delimited(
                own / f"depot {no + 1}" / "2026.csv", _in_language(mine, language), *language[1::-1]
            )
        head = ("Fahrzeug", "Achse", "Seite", "Achstyp", "Hebellänge (mm)")
        sides = {"L": "links", "R": "rechts"}
        rows = [
            head,
            *[(u, a, sides[s], t, str(mm).replace(".", ",")) for u, a, s, t, mm in listed.rows()],
        ]
        delimited(own / "Stammdaten.csv", rows, ";", "cp1252")

    tables = {"register": listed, "inspections": read}
    return written("languages", folder, tables, write)


def _in_language(read: pl.DataFrame, language: tuple) -> Rows:  # type: ignore[type-arg]
    _, _, headings, sides, tests, aligned, mark = language
    words = {
        "side": {"L": sides[0], "R": sides[1]},
        "return_test": {"pass": tests[0], "fail": tests[1]},
        "marks_aligned": {True: aligned[0], False: aligned[1]},
    }
    rows: list[list[object]] = [list(headings)]
    for row in read.to_dicts():
        told = {name: of.get(row[name], "") for name, of in words.items()}
        numbers = {
            n: "" if row[n] is None else f"{row[n]:.1f}".replace(".", mark)
            for n in ("lining_mm", "free_stroke_mm")
        }
        day = {"inspected_on": row["inspected_on"].strftime("%d.%m.%Y")}
        km = {"odometer_km": grouped(row["odometer_km"], ".")}
        rows.append(list({**row, **told, **numbers, **day, **km}.values()))
    return rows


WORDING = {
    ("reline", "worn"): "reline {axle} {side}, linings worn",
    ("reline", "planned"): "brake reline {axle} {side} as planned",
    ("adjuster_replaced", "failed"): "slack adjuster u/s renew {axle} {side}",
    ("adjuster_replaced", "damaged"): "slack adjuster damaged, renew {axle} {side}",
    ("adjuster_replaced", "planned"): "new slack adjuster {axle} {side} planned",
    ("adjuster_set", None): "adjust brake {axle} {side}",
    ("greased", None): "grease cams and slacks {axle} {side}",
    ("drum_replaced", "worn"): "drum worn - replace {axle} {side}",
}
CHATTER = (
    "fit 2 wiper blades",
    "headlamp bulb o/s",
    "MOT prep",
    "replace mudflap",
    "top up AdBlue",
)


def job_lines(folder: Path) -> Export:
    """A workshop system's job lines in free text, among lines that are about nothing of ours."""
    read, listed, done = readings("lining_mm"), register(), jobs("reason")
    told = [
        (action, reason) in WORDING for action, reason in done.select("action", "reason").rows()
    ]
    done = done.filter(pl.Series(told))

    def write(own: Path) -> None:
        rng = drawn(4)
        rows: list[list[object]] = [["Job no.", "Vehicle reg", "Date", "Km", "Job description"]]
        for key, ends in done.group_by(
            "unit_id", "done_on", "odometer_km", "action", "reason", "axle_no", maintain_order=True
        ):
            unit, day, km, action, reason, axle = key
            n = len(rows)
            side = {("L",): "n/s", ("R",): "o/s"}.get(
                tuple(ends["side"]), ("both sides", "B/S")[n % 2]
            )
            line = WORDING[action, reason].format(
                axle=("axle", "ax")[n % 2] + f" {axle}", side=side
            )
            rows.append([f"J{n:05d}", unit, short_day(day), km, line])
            if rng.random() < 0.2:
                rows.append([f"J{n:05d}", unit, short_day(day), km, rng.choice(CHATTER)])
        delimited(own / "workshop" / "job lines.csv", rows, encoding="utf-8-sig")
        checks: list[list[object]] = [["Vehicle reg", "Date", "Km", "Axle", "Side", "Lining mm"]]
        checks += [[u, short_day(d), km, a, s, mm] for u, a, s, d, km, mm in read.rows()]
        delimited(own / "workshop" / "checks.csv", checks, encoding="utf-8-sig")
        ends = [["Vehicle reg", "Axle", "Side", "Axle type", "Arm mm"], *listed.rows()]
        delimited(own / "workshop" / "wheel ends.csv", ends)

    tables = {"register": listed, "inspections": read, "work": done}
    return written("job_lines", folder, tables, write)


DEFAULTS = """
[[wheel_ends]]
units = "P*"
axle_type = "trailer"
arm_length_mm = 158.0

[[wheel_ends]]
units = "K*"
axles = [1]
axle_type = "steer"
arm_length_mm = 128.0

[[wheel_ends]]
units = "K*"
axle_type = "drive"
arm_length_mm = 146.0
"""


def without_register(folder: Path) -> Export:
    """Inspections alone, a file a year; a two-row heading; what a wheel end is, by its unit."""
    read, listed = readings("lining_mm", "free_stroke_mm"), register()

    def write(own: Path) -> None:
        for (year,), of in read.group_by(read["inspected_on"].dt.year(), maintain_order=True):
            above = ["Vehicle", "Inspected", "Km"]
            below: list[object] = ["", "", ""]
            for axle in (1, 2, 3):
                above += [f"Axle {axle}", "", "", ""]
                below += ["LH lining mm", "LH free stroke mm", "RH lining mm", "RH free stroke mm"]
            rows = [
                above,
                below,
                *[_visit(unit, day, ends) for (unit, day), ends in _visits_of(of)],
            ]
            workbook(own / str(year) / f"sheet {year}.xlsx", {"Sheet1": rows})

    seen = read.select("unit_id", "axle_no", "side").unique()
    tables = {"register": listed.join(seen, on=["unit_id", "axle_no", "side"]), "inspections": read}
    return written("without_register", folder, tables, write, DEFAULTS)


def odd_cells(folder: Path) -> Export:
    """One row a wheel end, every cell as somebody thought best."""
    read, listed = readings("lining_mm", "free_stroke_mm", "cap_state"), register()

    def write(own: Path) -> None:
        head = ["Unit", "Position", "Checked", "Odometer", "Lining", "Free stroke", "Grease cap"]
        rows: list[list[object]] = [head]
        for i, (u, a, s, d, km, mm, stroke, cap) in enumerate(read.rows()):
            day = (
                short_day(d),
                str(serial(d)),
                d.isoformat(),
                f"{d.day}. {MONTHS[d.month - 1]} {d.year}",
            )
            lining = "" if mm is None else f"{mm:.1f}".replace(".", ",") + ("mm", " mm")[i % 2]
            free = "" if stroke is None else f"{stroke:.1f}".replace(".", ",") + " mm"
            state = {"seated": "OK", "open": "open", "missing": "missing", None: ""}[cap]
            rows.append([u, f"{a}{s}", day[i % 4], grouped(km, ".") + " km", lining, free, state])
        delimited(own / "liste.csv", rows, ";")
        ends = [["Unit", "Position", "Axle type", "Arm length"]]
        ends += [[u, f"{a}{s}", t, f"{mm:.0f} mm"] for u, a, s, t, mm in listed.rows()]
        delimited(own / "units.csv", ends, ";")

    tables = {"register": listed, "inspections": read}
    return written("odd_cells", folder, tables, write)


SIX = (visits, axles, languages, job_lines, without_register, odd_cells)
