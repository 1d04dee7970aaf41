"""The `fleet.toml` of a simulated fleet."""

from collections.abc import Mapping

from sample_lake.files.dialects import DIALECTS
from sample_lake.parameters import Costs, FleetParameters

Value = str | float | bool | list[str]
FLEET_COSTS = (
    "lining_kit",
    "reline_labour",
    "drum",
    "drum_share",
    "downtime",
    "adjuster",
    "adjuster_labour",
    "failed_adjuster",
    "inflation_per_year",
)

KEYS = ("unit_id", "axle_no", "side")
ODOMETERS = ("odometer_km", "odometer_mi")
READ = ("lining_mm", "lining_in", "free_stroke_mm", "applied_stroke_mm", "wear_indicator_deg")
OWN_HEADINGS = {
    "register": KEYS[:2],
    "inspections": (*KEYS, *ODOMETERS, "inspected_on", *READ, "inspector", "fault"),
    "work": (*KEYS, *ODOMETERS, "done_on", "action", "cost"),
}
"""Columns that some depot calls by a name of its own, by table."""


def fleet_toml(parameters: FleetParameters, *, by_depot: bool) -> str:
    """Settings that fit the lake; with each depot's own headings when files go by depot."""
    sections: dict[str, Mapping[str, Value]] = {
        "fleet": {
            "name": "Marrow Vale Haulage (invented)",
            "currency": "CU",
            "day_first": by_depot,
            "decimal_comma": by_depot,
        },
        "units": {"length": "mm", "distance": "km"},
        **(_headings() if by_depot else {}),
        "adjustment": {
            "band_low": parameters.band[0],
            "band_high": parameters.band[1],
            "target": parameters.target_ratio,
            "side_to_side_limit": 0.03,
            "take_up_deg": 17.5,
        },
        **_equipment(parameters),
        **_service(parameters),
        "costs": _costs(parameters.costs),
        "budget": {"horizon_months": 24, "group_visits": True, "risk": 0.05},
        "duties": {"order": [duty.name for duty in parameters.duties]},
    }
    return "\n".join(_section(name, keys) for name, keys in sections.items())


def _headings() -> dict[str, Mapping[str, Value]]:
    """`[columns.TABLE]`: every depot's headings for the columns that table has."""
    return {
        f"columns.{table}": {
            heading: column
            for dialect in DIALECTS
            for column, heading in dialect.headings.items()
            if column in columns
        }
        for table, columns in OWN_HEADINGS.items()
    }


def _equipment(parameters: FleetParameters) -> dict[str, Mapping[str, Value]]:
    axles: dict[str, Mapping[str, Value]] = {
        f"axle_types.{axle.name}": {
            "lining_new_mm": axle.lining_new_mm,
            "lining_min_mm": axle.lining_min_mm,
            "cam_degrees": axle.cam_degrees,
        }
        for axle in parameters.axle_types
    }
    chambers: dict[str, Mapping[str, Value]] = {
        f'chambers."{chamber.size}"': {"readjust_limit_mm": chamber.readjust_limit_mm}
        for chamber in parameters.chambers
    }
    return axles | chambers


def _service(parameters: FleetParameters) -> dict[str, Mapping[str, Value]]:
    low, high = parameters.first_service_km
    longest = max(duty.grease_weeks for duty in parameters.duties)
    general: dict[str, Mapping[str, Value]] = {
        "service": {
            "first_service_km_low": low,
            "first_service_km_high": high,
            "check_weeks": parameters.check_weeks,
            "grease_weeks": longest,
        }
    }
    return general | {
        f"service.duties.{duty.name}": {
            "check_weeks": parameters.check_weeks,
            "grease_weeks": duty.grease_weeks,
        }
        for duty in parameters.duties
    }


def _costs(costs: Costs) -> dict[str, Value]:
    return {name: getattr(costs, name) for name in FLEET_COSTS}


def _section(name: str, keys: Mapping[str, Value]) -> str:
    lines = [f"{_key(key)} = {_value(value)}" for key, value in keys.items()]
    return "\n".join([f"[{name}]", *lines, ""])


def _key(key: str) -> str:
    bare = key.replace("_", "").replace("-", "")
    return key if bare.isascii() and bare.isalnum() else f'"{key}"'


def _value(value: Value) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return "[" + ", ".join(f'"{each}"' for each in value) + "]"
    return f'"{value}"' if isinstance(value, str) else repr(value)
