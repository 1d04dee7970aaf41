"""The fleet's settings as pages, sheets and sentences show them."""

from dashboards.page_data import Fleet
from pipeline.settings import Adjustment, AxleType, Settings


def _limit_sources(settings: Settings) -> tuple[str, ...]:
    """Where each limit in force comes from; a default never hides that it is one."""
    own = [
        f"{name}: minimum lining {kind.lining_min_mm:g} mm{_default(kind, 'lining_min_mm')}, new "
        f"{kind.lining_new_mm:g} mm{_default(kind, 'lining_new_mm')}, from fleet.toml"
        for name, kind in settings.axle_types.items()
    ]
    default = AxleType()
    other = (
        f"other axle types: minimum lining {default.lining_min_mm:g} mm (default; 49 CFR 393.47, "
        f"US, off the steering axle), new {default.lining_new_mm:g} mm (default, no source); set "
        "your own under [axle_types]"
    )
    chambers = (
        f"chamber {size}: readjust at {chamber.readjust_limit_mm:g} mm applied stroke, from "
        "fleet.toml"
        for size, chamber in settings.chambers.items()
    )
    return (*own, other, *chambers)


def _default(kind: AxleType, key: str) -> str:
    return "" if key in kind.model_fields_set else " (default)"


def fleet_of(settings: Settings) -> Fleet:
    """The settings as far as pages and sheets show them."""
    standard = settings.adjustment == Adjustment()
    return Fleet(
        band_source="common practice, no published source" if standard else "fleet.toml",
        limit_sources=_limit_sources(settings),
        name=settings.fleet.name,
        currency=settings.fleet.currency,
        length_unit=settings.units.length,
        distance_unit=settings.units.distance,
        band_low=settings.adjustment.band_low,
        band_high=settings.adjustment.band_high,
        target=settings.adjustment.target,
        take_up_deg=settings.adjustment.take_up_deg,
        risk=settings.budget.risk,
        horizon_months=settings.budget.horizon_months,
        duty_order=settings.duties.order,
        steps=settings.workshop.steps,
    )
