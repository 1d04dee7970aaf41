"""``fleet.toml``: every setting of a fleet, with its default and its meaning.

An unknown key is an error that names the nearest known one. Defaults marked "common practice" have
no published source; a maker's manual and local law come first, always.
"""

import datetime as dt
import difflib
import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from pipeline.accepted import accepted, section_of
from pipeline.errors import UserError
from pipeline.values import ACTIONS, MAX_ARM_MM, MIN_ARM_MM, REASONS

Share = Annotated[float, Field(gt=0.0, lt=1.0)]
Positive = Annotated[float, Field(gt=0.0)]
NotNegative = Annotated[float, Field(ge=0.0)]


class Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Fleet(Section):
    name: str = Field("", description="Shown on the page")
    currency: str = Field("", description="Shown beside money")
    day_first: bool | None = Field(
        None,
        description="How 03/04/2025 is read; unset, a date with two readings is set aside",
    )
    decimal_comma: bool = Field(False, description="12,5 is twelve and a half")


class Units(Section):
    length: Literal["mm", "in"] = Field("mm", description="Unit of every length column")
    distance: Literal["km", "mi"] = Field("km", description="Unit of every distance column")


class Adjustment(Section):
    band_low: Share = Field(0.10, description="Free stroke / arm length, low end; common practice")
    band_high: Share = Field(0.15, description="High end; common practice")
    target: Share = Field(0.125, description="What a setting aims for; common practice")
    side_to_side_limit: Share = Field(
        0.03, description="Left against right of an axle, fraction of arm; our default, no source"
    )
    take_up_deg: Positive | None = Field(
        None,
        description="Camshaft turn beyond which the fleet's adjusters take up, from their maker; "
        "workshop sheets say it where it is set",
    )

    @model_validator(mode="after")
    def _in_order(self) -> "Adjustment":
        if not self.band_low < self.target < self.band_high:
            raise ValueError("band_low < target < band_high must hold")
        return self


class AxleType(Section):
    lining_new_mm: Positive = Field(18.0, description="New lining; our default, no source")
    lining_min_mm: Positive = Field(
        6.4,
        description="Minimum lining; 49 CFR 393.47 (US) for air drum brakes off the steering axle",
    )
    cam_degrees: Positive = Field(
        90.0, description="Camshaft turn from new to worn out; common practice"
    )

    @model_validator(mode="after")
    def _in_order(self) -> "AxleType":
        if self.lining_min_mm >= self.lining_new_mm:
            raise ValueError("lining_min_mm must be below lining_new_mm")
        return self


class Chamber(Section):
    readjust_limit_mm: Positive = Field(description="Applied stroke at which to readjust")


class DutyService(Section):
    check_weeks: Positive | None = Field(None, description="Adjuster check; else the fleet's")
    grease_weeks: Positive | None = Field(None, description="Greasing; else the fleet's")


class Service(Section):
    first_service_km_low: NotNegative = Field(1_000, description="First service; common practice")
    first_service_km_high: Positive = Field(5_000, description="And no later; common practice")
    check_weeks: Positive = Field(12, description="Adjuster check; common practice")
    grease_weeks: Positive = Field(12, description="Greasing, long distance; common practice")
    duties: dict[str, DutyService] = Field({}, description="By duty, where it differs")

    def weeks_between_checks(self, duty: str) -> float:
        """The duty's own interval, or the fleet's."""
        own = self.duties.get(duty)
        return (own.check_weeks if own else None) or self.check_weeks


class Checks(Section):
    reline_rise_mm: Positive = Field(
        2.0, description="Lining that grew by more with no job on record was relined"
    )
    max_km_per_day: Positive = Field(
        1_500, description="No unit runs more; a faster odometer is mistyped or replaced"
    )
    unstated_replacement: Literal["censored", "failed"] = Field(
        "censored", description="An adjuster replaced with no reason and no failed check"
    )


class Engine(Section):
    kind: Literal["duckdb", "spark"] = Field(
        "duckdb", description="What stages and reduces; spark needs `drumline[spark]` and Java"
    )
    memory_gb: Positive | None = Field(
        None,
        description="What tables may take of memory; more spills to OUT's disk (unless said: 4, or "
        "0.4 of the machine's)",
        examples=["2"],
    )
    master: str = Field("local[*]", description="Address of the Spark master")
    properties: dict[str, str] = Field(
        {},
        description="Spark properties, by name",
        examples=['{"spark.executor.memory" = "8g"}'],
    )


class Costs(Section):
    lining_kit: NotNegative = Field(0, description="Linings of one wheel end")
    reline_labour: NotNegative = Field(0, description="Labour of one wheel end's reline")
    drum: NotNegative = Field(0, description="One drum")
    drum_share: Annotated[float, Field(ge=0, le=1)] = Field(
        0, description="Share of relines that also take a drum"
    )
    downtime: NotNegative = Field(0, description="A visit made for a reline alone, per axle")
    adjuster: NotNegative = Field(0, description="One adjuster")
    adjuster_labour: NotNegative = Field(0, description="Labour of fitting it")
    failed_adjuster: NotNegative = Field(0, description="What a failure in service costs on top")
    inflation_per_year: float = Field(0, description="0.03 is 3 % a year")
    reline_hours: NotNegative = Field(0, description="Work on one wheel end's reline")
    drum_hours: NotNegative = Field(0, description="Work on one drum besides")
    adjuster_hours: NotNegative = Field(0, description="Work on fitting one adjuster")
    check_hours: NotNegative = Field(0, description="Work on checking one wheel end")
    hour_rate: NotNegative = Field(0, description="Of an hour; labour not stated is hours times it")

    @model_validator(mode="before")
    @classmethod
    def _labour_from_hours(cls, given: Any) -> Any:
        """Labour that is not stated is its hours at their price."""
        rate = given.get("hour_rate") if isinstance(given, dict) else None
        if not isinstance(rate, int | float):
            return given
        found = {}
        for labour, hours in (
            ("reline_labour", "reline_hours"),
            ("adjuster_labour", "adjuster_hours"),
        ):
            if labour not in given and isinstance(given.get(hours), int | float):
                found[labour] = given[hours] * rate
        return {**given, **found}


class Stock(Section):
    service_level: Share = Field(
        0.95, description="Chance that parts in stock are enough until the next delivery"
    )
    lead_weeks: Positive = Field(6, description="From ordering parts to having them")


class Depot(Section):
    hours_a_month: Positive = Field(description="Hours of work on brakes that a depot has a month")


class Budget(Section):
    horizon_months: Annotated[int, Field(ge=1, le=120)] = Field(24, description="How far ahead")
    group_visits: bool = Field(
        True,
        description="Relines wait for visits that happen anyway; false: what would cross its "
        "minimum gets a visit of its own",
    )
    risk: Share = Field(
        0.05, description="Chance of crossing the minimum between visits that is accepted"
    )
    plan_months: Annotated[int, Field(ge=1, le=24)] = Field(
        3, description="Months whose visits are planned wheel end by wheel end"
    )


class Adjusters(Section):
    clock: Literal["km", "weeks"] = Field(
        "km", description="What ages an adjuster in comparisons; the other is reported beside it"
    )
    fewest_failures: Annotated[int, Field(ge=3)] = Field(
        8, description="No curve and no ratio from fewer failures; our default, no source"
    )
    assumed_shape: Positive = Field(
        2.0, description="Weibull shape assumed where failures are fewer; our default, no source"
    )
    survival_km: tuple[Positive, ...] = Field(
        (50_000, 100_000, 200_000, 400_000, 800_000),
        description="Ages at which each fitted curve is given besides its even steps",
    )
    check_weeks: tuple[Positive, ...] = Field(
        (4, 8, 12, 16, 26), description="Check intervals compared, beside the one in use"
    )
    most_unseen: Share = Field(
        0.02,
        description="Share of wheel ends that may carry a failure nobody has seen; our default, no "
        "source",
    )
    units_compared: Annotated[int, Field(ge=10)] = Field(
        400, description="What shortens life is learnt from at most so many units: more take long"
    )


class DutyMoveSection(Section):
    from_duty: str = Field(description="Units in this duty")
    to_duty: str = Field(description="Run in this one instead")
    share: Annotated[float, Field(ge=0, le=1)] = Field(description="So many of them")


class ScenarioSection(Section):
    """A way to run the fleet, as overrides of how it is run now."""

    description: str = Field("", description="Shown beside its figures")
    reline: Literal["as_now", "threshold", "latest"] = Field(
        "as_now",
        description="The fleet's habit; at a reading of threshold_mm above the minimum; or at the "
        "last visit that keeps the risk",
    )
    threshold_mm: NotNegative = Field(
        1.0, description="For threshold, above the minimum", examples=["2.0"]
    )
    guard: bool = Field(
        False, description="Also reline what would cross its minimum before the next visit"
    )
    risk: Share | None = Field(
        None, description="Accepted chance of that; else the budget's", examples=["0.02"]
    )
    wait_for_visit: bool = Field(
        True, description="False: what the guard finds gets a visit of its own, with its downtime"
    )
    together: Literal["as_now", "wheel_end", "axle", "unit"] = Field(
        "as_now", description="What else is relined at that visit"
    )
    minimum_change_mm: float = Field(0.0, description="Added to every minimum", examples=["-0.5"])
    minimum_mm: Positive | dict[str, Positive] = Field(
        {},
        description="The minimum of every axle type, or of those named",
        examples=["8.0", "{drive = 8.0}"],
    )
    use_factor: Positive = Field(1.0, description="Times the km per day", examples=["1.2"])
    check_weeks: Positive | None = Field(
        None,
        description="Weeks between checks of every unit; else as each unit's are",
        examples=["8"],
    )
    check_interval_factor: Positive = Field(
        1.0, description="Times the days between checks", examples=["1.5"]
    )
    duty_moves: tuple[DutyMoveSection, ...] = Field(
        (),
        description="Shares of units that change duty",
        examples=['[{from_duty = "quarry", to_duty = "regional", share = 0.5}]'],
    )


class PartSection(Section):
    """What ``part`` of work rows names."""

    price: NotNegative | None = Field(None, description="Of one; else the fleet's under [costs]")


class ChangeSection(Section):
    """Something that was changed on a day, for some of the fleet or for all of it."""

    date: dt.date = Field(description="The day", examples=["2025-03-01"])
    what: str = Field("", description="Shown beside its figures")
    depots: tuple[str, ...] = Field((), description="Only at these", examples=['["Northgate"]'])
    units: tuple[str, ...] = Field((), description="Only these", examples=['["T0412"]'])
    axle_types: tuple[str, ...] = Field((), description="Only on these", examples=['["drive"]'])


class Workshop(Section):
    steps: tuple[str, ...] = Field(
        (),
        description="Steps on the workshop sheet, in place of the general ones; the cautions stay",
        examples=['["Chock the wheels.", "Return test as on page 12 of the maker\'s manual."]'],
    )


class Duties(Section):
    order: tuple[str, ...] = Field(
        (), description="Display order; others follow by name", examples=['["regional", "quarry"]']
    )


class Answers(Section):
    """What no file says of itself, asked once for all of them."""

    near_side: Literal["L", "R"] | None = Field(
        None, description="The kerb's side: L where traffic keeps left, R where it keeps right"
    )
    rear_axle: Annotated[int, Field(ge=2, le=20)] | None = Field(
        None, description="The number of the axle that files call rear"
    )
    axle_alone: Literal["both", "unknown"] | None = Field(
        None,
        description="A job line that tells of an axle relined and names no side: both of its wheel "
        "ends, or not known, so that it is set aside",
    )
    day_first: bool | None = Field(None, description="How 03/04/2025 is read in own files")
    week_day: Literal["monday", "tuesday", "wednesday", "thursday", "friday"] | None = Field(
        None, description="The day that counts where a cell names a week, as in KW 12/2025"
    )
    days_exchanged: bool | None = Field(
        None,
        description="A spreadsheet exchanged day and month of real dates: put back where all are "
        "of the 1st to 12th and all that stayed text are later",
    )
    fill_down: bool | None = Field(
        None,
        description="Blank cells for unit, day, odometer and axle are those of the row above, as "
        "below merged cells; only in rows that hold readings or jobs",
    )
    decimal_comma: bool | None = Field(None, description="12,345 is a little over twelve")
    length: Literal["mm", "cm", "in", "32nds", "16ths", "10ths"] | None = Field(
        None, description="Unit of lengths that state none; 10ths: of a mm; the others: of an inch"
    )
    distance: Literal["km", "mi", "1000km", "1000mi", "10km"] | None = Field(
        None, description="Unit of odometers that state none"
    )
    stroke_pairs: bool | None = Field(
        None,
        description="Two numbers in a stroke's cell, as in 38 - 20, are applied and released: "
        "their difference counts; false: such cells are left alone",
    )
    lining_pairs: bool | None = Field(
        None,
        description="Two numbers in a lining's cell, as in 11/10 mm, are of its two ends or shoes: "
        "the thinner counts; false: such cells are left alone",
    )
    less_released: bool | None = Field(
        None,
        description="Of columns for the applied and the released stroke the difference counts; "
        "false: the applied one as it is",
    )
    stroke: Literal["free", "applied"] | None = Field(
        None, description="What a plain stroke is: free (pulled by hand) or applied (by air)"
    )
    zeros: Literal["blank", "read"] | None = Field(
        None,
        description="A lining or stroke of 0, where many are: not measured, or a reading of 0",
    )
    sheet_units: bool | None = Field(
        None,
        description="Sheets of no column for the unit are called after it, one for each; false: "
        "such sheets are left alone",
    )
    fleets: Literal["apart", "one"] | None = Field(
        None,
        description="A unit that several fleets or customers name alike: a vehicle of each (the "
        "fleet's name goes before the unit's), or one",
    )


class JobWords(Section):
    """What the words of a job line say, before the wordings that the project knows; the first
    pattern that fits counts."""

    actions: dict[str, str] = Field({}, description='"word + word|or this|stem*" = action')
    reasons: dict[str, str] = Field({}, description='"word|stem*" = reason')
    not_done: tuple[str, ...] = Field((), description="Words of work not done, beside those known")

    @model_validator(mode="after")
    def _known_words(self) -> "JobWords":
        for names, known in ((self.actions, ACTIONS), (self.reasons, REASONS)):
            for name in names.values():
                _require_known("files.jobs", name, known)
        return self


class OwnFile(Section):
    """How files of one form are read: any whose heading has all these columns."""

    table: Literal["register", "inspections", "work", "duty", "none"] = Field(
        description="What its rows are; none: left alone"
    )
    files: str = Field(
        "", description="Only files whose path fits, as in north/*.csv; several parted by |"
    )
    sheets: str = Field(
        "", description="Only sheets of these names, as in North*; several parted by |"
    )
    heading_rows: Literal[1, 2, 3] = Field(
        1, description="Rows that the heading takes, with a row of units below it"
    )
    day_first: bool | None = Field(None, description="Else as answered, else the fleet's")
    decimal_comma: bool | None = Field(None, description="Else as answered, else the fleet's")
    fill_down: bool | None = Field(None, description="Else as answered; unset there too: false")
    length: Literal["mm", "cm", "in", "32nds", "16ths", "10ths", "ask"] | None = Field(
        None, description="Unit of lengths that state none, else as answered; ask: not known yet"
    )
    distance: Literal["km", "mi", "1000km", "1000mi", "10km", "ask"] | None = Field(
        None, description="Unit of odometers that state none, else as answered; ask: not known yet"
    )
    both_sides: bool = Field(False, description="A row is of both wheel ends of its axle")
    columns: dict[str, str] = Field(
        description="Own heading = what it holds, as in 1L lining_mm; empty: left alone"
    )
    values: dict[str, dict[str, str]] = Field({}, description="By heading: own word = ours")
    jobs: JobWords = JobWords()

    @model_validator(mode="after")
    def _known_targets(self) -> "OwnFile":
        if self.table == "none":
            return self
        for heading, told in self.columns.items():
            if told and own_target(told, self.table) is None:
                known = own_names(self.table)
                name = told.rpartition(" ")[2]
                raise ValueError(
                    f"files.columns: {heading!r} is mapped to {told!r}, which {self.table} does "
                    f"not have{_nearest(name, known)}"
                )
        return self


class WheelEnds(Section):
    """What wheel ends are that no register lists; the first that fits counts."""

    units: str = Field("*", description="Units whose name fits, as in T*")
    axles: tuple[int, ...] = Field((), description="Only these axles; none: all")
    axle_type: str = Field("unstated", min_length=1, description="Axle type")
    arm_length_mm: Annotated[float, Field(ge=MIN_ARM_MM, le=MAX_ARM_MM)] | None = Field(
        None, description="Adjuster arm; without it nothing is said of strokes"
    )
    chamber_size: str | None = Field(None, description="Trade size")
    depot: str | None = Field(None, description="Depot that checks the unit")


@dataclass(frozen=True, slots=True)
class Target:
    """What a column of an own file holds: a contract's name, and where and in which unit.

    ``name`` is without its unit where it is measured; ``axle`` a number, front or rear; ``side`` L,
    R, near or off; ``unit`` None: as cells say, or as answered.
    """

    name: str
    axle: str = ""
    side: str = ""
    unit: str | None = None


# Names beside the contract's that an own column can hold.
OWN_NAMES = {
    "register": ("position", "fleet"),
    "inspections": ("position", "fleet", "status", "stroke", "released_stroke_mm"),
    "work": ("position", "fleet", "job", "status", "quantity"),
    "duty": ("fleet",),
}
LENGTHS = ("mm", "cm", "in", "32nds", "16ths", "10ths")  # the last of a mm
DISTANCES = ("km", "mi", "1000km", "1000mi", "10km")
_TARGET = re.compile(r"(?:(\d{1,2}|front|rear)? ?(L|R|near|off)? )?(\w+)")


def own_names(table: str) -> dict[str, tuple[str, str | None]]:
    """Every name that a column can be given, with the name without its unit, and the unit."""
    found: dict[str, tuple[str, str | None]] = {}
    for name in (*_contract_columns()[table], *OWN_NAMES[table]):
        base, _, unit = name.rpartition("_")
        units = LENGTHS if unit == "mm" or name == "stroke" else DISTANCES if unit == "km" else ()
        base = base if units and name != "stroke" else name
        found[base] = (base, None)
        found.update({f"{base}_{u}": (base, u) for u in units})
    return found


def own_target(told: str, table: str) -> Target | None:
    """What a ``[files.columns]`` value says; None where it says nothing known."""
    fitting = _TARGET.fullmatch(told.strip())
    if fitting is None:
        return None
    axle, side, name = fitting.groups()
    known = own_names(table).get(name)
    return Target(known[0], axle or "", side or "", known[1]) if known else None


class Settings(Section):
    """All of ``fleet.toml``."""

    fleet: Fleet = Fleet()
    units: Units = Units()
    columns: dict[str, dict[str, str]] = Field(
        {}, description="Own heading = contract's name", examples=['"Seen on" = "inspected_on"']
    )
    files: tuple[OwnFile, ...] = ()
    answers: Answers = Answers()
    wheel_ends: tuple[WheelEnds, ...] = ()
    adjustment: Adjustment = Adjustment()
    axle_types: dict[str, AxleType] = {}
    chambers: dict[str, Chamber] = {}
    service: Service = Service()
    checks: Checks = Checks()
    engine: Engine = Engine()
    costs: Costs = Costs()
    adjusters: Adjusters = Adjusters()
    budget: Budget = Budget()
    stock: Stock = Stock()
    depots: dict[str, Depot] = {}
    duties: Duties = Duties()
    workshop: Workshop = Workshop()
    parts: dict[str, PartSection] = {}
    changes: dict[str, ChangeSection] = {}
    scenarios: dict[str, ScenarioSection] = {}

    @model_validator(mode="after")
    def _known_columns(self) -> "Settings":
        for table, mapping in self.columns.items():
            _require_known(f"columns.{table}", table, _contract_columns())
            for heading, name in mapping.items():
                known = contract_headings(table)
                if name not in known:
                    raise ValueError(
                        f"columns.{table}: {heading!r} is mapped to {name!r}, which the contract "
                        f"does not have{_nearest(name, known)}"
                    )
        return self


def _contract_columns() -> dict[str, list[str]]:
    """The contract's columns by table; its library is only loaded for those who rename columns."""
    from pipeline.contract import TABLES

    return {name: table.schema.column_names() for name, table in TABLES.items()}


def contract_headings(table: str) -> list[str]:
    """Headings a file may use: the contract's names, and their inch and mile spellings."""
    names = _contract_columns()[table]
    inches = [n.removesuffix("_mm") + "_in" for n in names if n.endswith("_mm")]
    miles = [n.removesuffix("_km") + "_mi" for n in names if n.endswith("_km")]
    return names + inches + miles


def _nearest(word: str, known: Any) -> str:
    close = difflib.get_close_matches(word, list(known), n=1, cutoff=0.5)
    return f"; did you mean {close[0]!r}?" if close else f"; known are {', '.join(known)}"


def _require_known(where: str, word: str, known: Any) -> None:
    if word not in known:
        raise ValueError(f"{where}: unknown key {word!r}{_nearest(word, known)}")


def load_settings(path: Path) -> Settings:
    """Read ``fleet.toml``; a missing file means every default.

    Raises
    ------
    UserError
        The file is not TOML, or a key or value in it is not accepted.
    """
    if not path.exists():
        return Settings()
    try:
        content = path.read_bytes()
    except OSError as error:
        raise UserError(f"{path.name}: cannot be read: {error.strerror}") from None
    return settings_from(content, path.name)


def settings_from(content: bytes, name: str) -> Settings:
    """The settings that a file of this name holds; raises as :func:`load_settings` does."""
    try:
        told = tomllib.loads(content.decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UserError(f"{name}: not readable as TOML: {error}") from None
    except RecursionError:
        raise UserError(f"{name}: not readable as TOML: nested too deep") from None
    try:
        return Settings.model_validate(told)
    except ValidationError as error:
        raise UserError(f"{name}: {_first_problem(error)}") from None


def _first_problem(error: ValidationError) -> str:
    problems = error.errors()
    problem = next((p for p in problems if p["type"] == "extra_forbidden"), problems[0])
    where = ".".join(str(part) for part in problem["loc"])
    if problem["type"] == "extra_forbidden":
        known = _known_keys(problem["loc"][:-1])
        return f"{where}: unknown key{_nearest(str(problem['loc'][-1]), known)}"
    if problem["type"] == "value_error":
        return f"{where}: {problem['ctx']['error']}".removeprefix(": ")
    key, takes = _key_at(problem["loc"])
    if problem["type"] == "missing":
        return f"{where}: found {problem['input']!r}; field required; accepted: {takes}"
    return f"{key}: found {problem['input']!r}; accepted: {takes}"


def _key_at(location: tuple[int | str, ...]) -> tuple[str, str]:
    """The key of ``fleet.toml`` that a place inside its value belongs to, and what it accepts."""
    model: Any = Settings
    for depth, part in enumerate(location, start=1):
        fields = getattr(model, "model_fields", {})
        key = ".".join(map(str, location[:depth]))
        if part in fields and not _has_keys(fields[part].annotation, depth < len(location)):
            return key, accepted(fields[part])
        model = fields[part].annotation if part in fields else _value_type(model)
    return key, "a section with keys of its own"


def _has_keys(annotation: Any, within: bool) -> bool:
    """Whether a value is a section, or, looked at from within, a list of sections."""
    listed = _value_type(annotation) if within else annotation
    return section_of(annotation) is not None or section_of(listed) is not None


def _known_keys(location: tuple[int | str, ...]) -> list[str]:
    model: Any = Settings
    for part in location:
        fields = getattr(model, "model_fields", {})
        model = fields[part].annotation if part in fields else _value_type(model)
    return list(getattr(_value_type(model), "model_fields", {}))


def _value_type(annotation: Any) -> Any:
    """``Chamber`` of ``dict[str, Chamber]`` or ``tuple[Chamber, ...]``; anything else as it is."""
    inner = [a for a in getattr(annotation, "__args__", (annotation,)) if a is not Ellipsis]
    return inner[-1]
