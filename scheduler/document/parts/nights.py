"""Nights, surfaces, pumps and energy in the plan document."""

from __future__ import annotations

from pydantic import Field

from scheduler.document.parts.base import Amount, AtLeastOne, Count, Day, LimitName, Moment, Part, SurfaceName


class WindowPiece(Part):
    """One piece of the window."""

    start: Moment = Field(description="Opens.")
    end: Moment = Field(description="Closes.")


class LimitPart(Part):
    """One limit."""

    name: LimitName = Field(description="Name of the limit in the model.")
    what: str = Field(description="What it limits, for people: for example a pump station's name.")
    used: float | None = Field(description="Used [unit].")
    capacity: float | None = Field(description="Allowed [unit].")
    usable: float | None = Field(
        default=None,
        description="What of the capacity the plan counts on, as far as start times can be found for it with these "
        "zones, tonight as packing measured it [unit]; null where that is all of it, or not known.",
    )
    base: float | None = Field(
        default=None,
        description="Of a cut: the ET demand of the nights it counts, of which it leaves a share [unit]; the capacity "
        "is that share less `before`. Null elsewhere.",
    )
    before: float | None = Field(
        default=None, description="Of a cut: what nights before tonight took of it [unit]. Null elsewhere."
    )
    unit: str = Field(description="Unit of used and capacity: m3, L/s, L/s min, min, mm, kWh, or a plain word.")
    binds: bool = Field(
        description="Whether the plan stops at this limit, in all or in part of the night's hours; `used` may stay "
        "below it where runs are whole or start times are not found."
    )
    price: float | None = Field(
        description="Shadow price: what one more unit would save [price_unit]; 0 if it does not bind, null if not "
        "known."
    )
    price_unit: str = Field(description="Unit of price.")
    words: str = Field(description="One sentence for people, in the site's units.")


class NightPart(Part):
    """One night."""

    night: Day = Field(description="Night.")
    allowed: bool = Field(description="Whether any watering is allowed.")
    window: tuple[WindowPiece, ...] = Field(description="Hours in which water may run, after all restrictions.")
    zones_running: Count = Field(description="Zones with a run time [-].")
    minutes: Amount = Field(description="Run times of all zones added [min].")
    volume_m3: Amount = Field(description="Volume [m3].")
    eto_mm: Amount | None = Field(
        default=None, description="Reference ET of the date after the night [mm]; null in older plans."
    )
    volumes_m3: dict[str, Amount] = Field(
        default={}, description="Volume by source [m3]; sums to volume_m3 where sources are named."
    )
    energy_kwh: Amount | None = Field(description="Pumping energy [kWh]; null if not known.")
    energy_cost: float | None = Field(
        description="Cost of energy: tonight the sum of `energy`, later nights by the plan's tariff blocks; null "
        "where no head or no tariff is known."
    )
    cost: float | None = Field(description="Water and energy [currency]; null if no price is known.")
    limits: tuple[LimitPart, ...] = Field(description="Shared limits of the night.")


class SurfacePart(Part):
    """One surface."""

    surface: SurfaceName = Field(description="Surface.")
    zones: Count = Field(description="Zones [-].")
    running: Count = Field(description="Zones running tonight [-].")
    depth_mm: Amount = Field(description="Mean gross depth tonight over the zones that run [mm]; 0 if none.")
    volume_m3: Amount = Field(description="Volume tonight [m3].")
    dry_zone_days: Count = Field(description="Zone-days beyond the dry limit over the horizon [-].")
    wet_zone_days: Count = Field(description="Zone-days wetter than the wet limit over the horizon [-].")
    worst_depletion_mm: Amount = Field(description="Largest depletion of any zone over the horizon [mm].")


class GiveWay(Part):
    """One surface."""

    surface: SurfaceName = Field(description="Surface.")
    zones: AtLeastOne = Field(description="Zones concerned [-].")
    words: str = Field(description="One sentence for people, in the site's units.")


class PumpPart(Part):
    """One pump station."""

    name: str = Field(description="Name, as in `flow`.")
    capacity_lps: Amount = Field(description="Largest flow allowed [L/s].")
    smallest_flow_lps: Amount = Field(default=0.0, description="Smallest flow it should run at [L/s], 0 = none.")
    under_smallest_min: Amount = Field(
        default=0.0, description="Time tonight in which it delivers less than that [min]."
    )
    energy_kwh: Amount | None = Field(
        default=None, description="Energy of tonight, over its curve; null where no head is known [kWh]."
    )
    highest_head_m: Amount | None = Field(
        default=None, description="Highest head it gives tonight, friction included; null where no head is known [m]."
    )
    short_of_head_min: Amount = Field(
        default=0.0, description="Time tonight in which its curve gives less than the head it should hold [min]."
    )


class EnergyBlock(Part):
    """One stretch of the window with one energy price."""

    start: Moment = Field(description="Local time at which it begins.")
    end: Moment = Field(description="Local time at which it ends.")
    price: float | None = Field(description="Energy price [per kWh]; null without a tariff.")
    volume_m3: Amount = Field(description="Water pumped in it, all pump stations [m3].")
    energy_kwh: Amount = Field(description="Energy of all pump stations whose head is known [kWh].")
    cost: float | None = Field(description="Cost of that energy; null without a tariff.")
    pumps: dict[str, Amount] = Field(description="Energy by pump station [kWh].")


class FlowPart(Part):
    """Flow from one minute on."""

    minute: Count = Field(description="Minutes after 00:00 local of the evening's date [min].")
    pumps: dict[str, Amount] = Field(description="Flow by pump station [L/s].")
